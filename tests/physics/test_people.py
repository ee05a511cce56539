"""The shipped rows of people against what is published of arm work."""

from __future__ import annotations

import pytest

from explorer.inputs.records import Operator
from explorer.inputs.study import Project
from explorer.physics.operator import endurance_power, reserve_after

PEOPLE = [
    f"{who}{age}_{arms}"
    for who in ("man", "woman")
    for age in ("", "_over_60")
    for arms in ("two_arms", "one_arm")
]


def ramp_W(person: Operator) -> float:
    """Mean power of the last two minutes before the reserve is gone: 10 W more every two minutes,
    from 10 W on, second by second."""
    left_J, seconds = person.reserve_J, 0
    while left_J > 0:
        power_W = 10.0 * (1 + seconds // 120)
        left_J = float(
            reserve_after(
                left_J, power_W, 1.0, critical_power_W=person.critical_power_W,
                full_reserve_J=person.reserve_J,
            )
        )  # fmt: skip
        seconds += 1
    return 10.0 + seconds / 12.0 - 5.0  # of a ramp without steps, which lags by half a step


@pytest.mark.parametrize(("name", "mean_W", "deviation_W"), [("man", 95, 25), ("woman", 56, 19)])
def test_two_arms_end_the_published_ramp(
    demo_project: Project, name: str, mean_W: float, deviation_W: float
) -> None:
    """Balady et al. 1990, J. Am. Coll. Cardiol. 16, doi 10.1016/0735-1097(90)90469-6: an arm ramp
    of 10 W each two minutes ends at 95 +/- 25 W (men), 56 +/- 19 W (women)."""
    person = demo_project.catalogue.operators[f"{name}_two_arms"]
    assert abs(ramp_W(person) - mean_W) <= 0.3 * deviation_W
    # From memory: about half of men hold 0.67 to 0.71 of it for half an hour.
    lasting = float(endurance_power(person.critical_power_W, person.reserve_J, 1800.0))
    assert 0.63 <= lasting / ramp_W(person) <= 0.72


@pytest.mark.parametrize("name", PEOPLE)
def test_every_row_says_what_it_is_and_whence(demo_project: Project, name: str) -> None:
    person = demo_project.catalogue.operators[name]
    assert person.name.lower().startswith(name.split("_")[0])
    assert ("60 to 69" in person.name) == ("over_60" in name)
    assert ("two arms" in person.name) == name.endswith("two_arms")
    assert person.source.startswith(("derived: ", "assumed: "))
    assert person.dated


@pytest.mark.parametrize("name", PEOPLE)
def test_older_and_one_arm_are_weaker(demo_project: Project, name: str) -> None:
    """Published shares, from memory: one arm 0.60 to 0.72 of two, women 0.5 to 0.65 of men."""
    people = demo_project.catalogue.operators
    one = people[name]
    if "over_60" in name:
        young = people[name.replace("_over_60", "")]
        assert 0.6 <= one.critical_power_W / young.critical_power_W < 0.75
        assert one.reserve_J < young.reserve_J
    if name.endswith("one_arm"):
        two = people[name.replace("one_arm", "two_arms")]
        assert 0.6 <= one.critical_power_W / two.critical_power_W <= 0.72
    if name.startswith("woman"):
        man = people[name.removeprefix("wo")]
        assert 0.5 <= one.critical_power_W / man.critical_power_W <= 0.65
        assert 0.5 <= one.comfort_force_N / man.comfort_force_N <= 0.65
