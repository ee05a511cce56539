"""Windings in a triangle, against Kirchhoff's laws in it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from explorer.errors import InputError
from explorer.inputs.front_parts import Generator
from explorer.inputs.study import Project, load
from explorer.model.evaluate import evaluate
from explorer.model.simulate import Care
from explorer.model.space import Designs
from tests.helpers.chains import pick, with_part


@given(
    st.lists(st.floats(-20, 20), min_size=4, max_size=4),
    st.floats(0, 2 * np.pi),
    st.floats(0.01, 10),
    st.floats(1e-5, 1e-2),
)
def test_no_load_can_tell_a_triangle_from_its_star(
    some: list[float], angle: float, ohm: float, henry: float
) -> None:
    """Kirchhoff at the corners of a triangle and around it: whatever currents and slopes its three
    lines have at a moment, the volts between any two of them are those of the star of a third of
    the resistance and inductance and 1/sqrt(3) of the EMF, 30 degrees behind. EMFs add up to
    nothing, so that nothing goes around on its own.
    """
    line_A, line_A_s = (np.array([x, y, -x - y]) for x, y in (some[:2], some[2:]))
    # A corner's line is its winding less the one before; around the triangle nothing is left over.
    corners = np.vstack([np.eye(3) - np.roll(np.eye(3), -1, axis=1), np.ones(3)])
    winding_A, winding_A_s = (
        np.linalg.lstsq(corners, np.append(given_, 0.0), rcond=None)[0]
        for given_ in (line_A, line_A_s)
    )
    assert winding_A - np.roll(winding_A, 1) == pytest.approx(line_A, abs=1e-9)
    emf = 12 * np.sin(angle - np.arange(3) * 2 * np.pi / 3)
    between_V = emf - ohm * winding_A - henry * winding_A_s
    star = 12 / np.sqrt(3) * np.sin(angle - np.pi / 6 - np.arange(3) * 2 * np.pi / 3)
    leg_V = star - ohm / 3 * line_A - henry / 3 * line_A_s
    assert leg_V - np.roll(leg_V, -1) == pytest.approx(between_V, abs=1e-6)


def in_delta(designs: Designs) -> Designs:
    return Designs(designs.parts, {**designs.settings, "delta": np.ones(len(designs))})


def opened(project: Project) -> Project:
    return with_part(project, "generator", "hub_small", open_star=True, current_limit_A=6.0)


def test_the_session_of_a_triangle_is_that_of_its_star(small_project: Project) -> None:
    """The same chain with a row of the other star's values gives the same in everything."""
    project = opened(small_project)
    row: Generator = project.catalogue.parts["generator"][int(pick(project).parts["generator"][0])]  # type: ignore[assignment]
    values = {
        "emf_phase_V_s": row.emf_phase_V_s / 3**0.5,
        "resistance_phase_ohm": row.resistance_phase_ohm / 3,
        "inductance_phase_H": row.inductance_phase_H / 3,  # type: ignore[operator]
        "current_limit_A": 6.0 * 3**0.5,
    }
    star = with_part(project, "generator", "hub_small", **values)
    for care in (Care.SESSION, Care.FILTER):
        mine = evaluate(project, in_delta(pick(project, {"cadence_rpm": 80.0})), care)
        other = evaluate(star, pick(star, {"cadence_rpm": 80.0}), care)
        assert mine.delivered_energy_J == pytest.approx(other.delivered_energy_J, rel=1e-12)
        for name in set(other.margins) - {"reachable_ends"}:
            assert mine.margins[name] == pytest.approx(other.margins[name], rel=1e-9), name
    assert mine.margins["reachable_ends"] == other.margins["reachable_ends"] == np.inf


def test_a_closed_star_cannot_be_a_triangle(small_project: Project) -> None:
    found = evaluate(small_project, in_delta(pick(small_project)), Care.SESSION)
    assert found.margins["reachable_ends"] == -3
    assert not found.feasible[0]


def test_a_triangle_bears_more_and_gives_less_volts(small_project: Project) -> None:
    """Textbook: at one speed 1/sqrt(3) of the open voltage, a third of the resistance, so sqrt(3)
    times the short-circuit current; the copper's heat at its limit is the same."""
    (row,) = (one for one in small_project.catalogue.parts["generator"] if one.id == "hub_small")
    assert isinstance(row, Generator)
    delta = row.in_delta
    short = [one.emf_phase_V_s / one.resistance_phase_ohm for one in (row, delta)]
    assert short[1] == pytest.approx(short[0] * 3**0.5)
    heats = [3 * one.bears_A**2 * one.resistance_phase_ohm for one in (row, delta)]
    assert heats[0] == pytest.approx(heats[1])


def test_only_a_star_has_open_star(small_project: Project, small_study) -> None:
    (row,) = (one for one in small_project.catalogue.parts["generator"] if one.id == "hub_small")
    with pytest.raises(ValueError, match="open_star is for windings in a star"):
        type(row).model_validate({**row.model_dump(), "kind": "brushed_dc", "open_star": True})
    table = small_study.parent / "parts" / "generators.csv"
    rows = table.read_text().splitlines()
    table.write_text("\n".join([rows[0] + ",open_star", *(f"{one},perhaps" for one in rows[1:])]))
    with pytest.raises(InputError, match="open_star"):
        load(small_study)


def test_both_ways_are_swept(small_study) -> None:
    """A study that asks for both has twice the combinations, and one that does not say is as
    before: its designs keep their names."""
    text = small_study.read_text()
    bare = load(small_study)
    small_study.write_text(text.replace("[settings]", "[settings]\ndelta = [0, 1]"))
    both = load(small_study)
    assert both.study.settings["delta"].values == (0.0, 1.0)
    assert bare.study.settings["delta"].values == (0.0,)
    assert replace(both.study, settings=bare.study.settings) == bare.study
    small_study.write_text(text.replace("[settings]", "[settings]\ndelta = [2]"))
    with pytest.raises(InputError, match="delta"):
        load(small_study)
