"""Short spells of the load, stepped: against plain small steps of the same bank and hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from explorer.model.chain import Chain
from explorer.model.spell import Draw
from explorer.model.stroke import Threshold
from explorer.model.supply import TERMS

from explorer.inputs.study import Project
from explorer.model.evaluate import solve
from tests.helpers.chains import pick, with_pack, with_part

ANGLES = np.linspace(0, 2 * np.pi, 12, endpoint=False)


def plainly(chain: Chain, low_V: float, high_V: float, inner_V: float, angle: float) -> list[float]:
    """Seconds and end of a spell, the bus found anew on a fine grid five times a ms."""
    grid = np.linspace(low_V, high_V + 0.3, 3000)
    front = chain.front(grid[None])[:, 0]
    current, rad_s = front[0], front[TERMS.index("rad_s")]
    taken = chain.taken_A(grid[None], "loaded")[0]
    esr, farad = (chain.demand[name][0, 0] for name in ("esr_ohm", "capacitance_F"))
    step_s, seconds = 2e-4, 0.0
    while seconds < 6:
        net = current * (1 + chain.supply.unevenness * np.cos(angle)) - taken
        fitting = np.flatnonzero(grid - esr * net <= inner_V)
        if not fitting.size:
            return [seconds, inner_V]
        bus = fitting[-1]
        inner_V += net[bus] * step_s / farad
        angle += rad_s[bus] * step_s
        seconds += step_s
    return [np.nan, inner_V]


@pytest.mark.parametrize(
    ("amps", "off_V"),
    [
        (3.0, 5.0),
        # Near the least voltage that a constant power is carried at: the bus collapses.
        (1.6, 3.2),
    ],
)
def test_against_plain_steps(small_project: Project, amps: float, off_V: float) -> None:
    chosen = {
        "cell": "cell_25f", "undervoltage_off_V": off_V,
        "undervoltage_band_V": 1.6, "gearing": "belt_4",
    }  # fmt: skip
    hungry = with_pack(small_project, current_A=amps)
    resistive = with_part(hungry, "cell", "cell_25f", esr_ohm=0.06)
    design = pick(resistive, *[chosen] * len(ANGLES))
    case = resistive.study.session.operators[0], resistive.study.session.packs[0]
    chain = solve(resistive, design, *case).chain
    one = chain.take(np.array([0]))
    high_V = chain.demand["on_V"][:, 0]
    closes = Threshold(chain, high_V, np.ones(len(ANGLES)), "open")
    inner_V = closes.inner_V - closes.pull_V * np.cos(ANGLES)
    draw = Draw(chain, chain.least_V[:, 0], high_V)
    told = draw.run(inner_V, ANGLES, np.full(len(ANGLES), 3.5))
    expected = np.array([
        plainly(one, chain.least_V[0, 0], high_V[0], start, angle)
        for start, angle in zip(inner_V, ANGLES, strict=True)
    ])  # fmt: skip
    ends = np.isfinite(expected[:, 0])
    assert ends.sum() > 6
    # At a step of a third of a radian. One takes a stroke more: its trough all but touches.
    same = np.isclose(told.seconds[ends], expected[ends, 0], rtol=0.02, atol=0.01)
    assert (~same).sum() <= 1
    assert told.inner_V[ends][same] == pytest.approx(expected[ends, 1][same], abs=0.02)


def test_a_spell_that_never_ends_is_told_as_none(small_project: Project) -> None:
    """A hand that brings more than the load takes."""
    design = pick(small_project, {})
    case = small_project.study.session.operators[0], small_project.study.session.packs[0]
    chain = solve(small_project, design, *case).chain
    light = replace(
        chain, demand=replace(chain.demand, fields={
            **chain.demand.fields, "draw_A": np.array([[0.05]]), "delivered_W": np.array([[0.25]]),
            "pack_lead_W": np.array([[0.0]]),
        })
    )  # fmt: skip
    draw = Draw(light, light.least_V[:, 0], light.demand["on_V"][:, 0])
    told = draw.run(light.demand["on_V"][:, 0], np.zeros(1), np.ones(1))
    assert np.isnan(told.seconds).all()
