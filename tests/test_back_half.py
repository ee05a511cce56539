"""The back half against root finding, and against its own power balance."""

from __future__ import annotations

import numpy as np
import pytest

from explorer.inputs.study import Project
from explorer.model.back_half import BackHalves, back_halves
from explorer.model.space import Designs, Space
from tests.helpers.chain_twin import Twin
from tests.helpers.chains import pick, with_pack, with_part


def back(project: Project, designs: Designs, pack: str = "telemetry_pack") -> BackHalves:
    return back_halves(project.catalogue, designs, project.catalogue.packs[pack])


@pytest.mark.parametrize("pack", ["telemetry_pack", "regulating_pack", "retrying_pack"])
def test_load_against_root_finding(small_project: Project, pack: str) -> None:
    designs = Space.of(small_project).draw(3, np.random.default_rng(51))
    need = back(small_project, designs, pack)
    for row in range(len(designs)):
        twin = Twin.of_design(small_project, designs, row, pack=pack)
        volts = twin.volts[::25]
        for idle, table in ((False, twin.drawn), (True, twin.idling)):
            load = need.take(np.array([row])).load(volts[None, :], idle=idle)
            held = load.sustained[0]
            np.testing.assert_array_equal(held, table["held"][::25] == 1)
            for name, theirs in (
                ("current_A", "current_A"), ("window_W", "switch"), ("converter_W", "converter"),
                ("pack_lead_W", "pack_lead"), ("delivered_W", "delivered"),
            ):  # fmt: skip
                np.testing.assert_allclose(
                    getattr(load, name)[0], table[theirs][::25], rtol=1e-6, atol=1e-9, err_msg=name
                )


@pytest.mark.parametrize("pack", ["telemetry_pack", "regulating_pack", "retrying_pack"])
@pytest.mark.parametrize("idle", [False, True])
def test_load_balances_at_the_bus(small_project: Project, pack: str, idle: bool) -> None:
    """What it takes is where it goes, at every voltage, sustained or not."""
    designs = Space.of(small_project).draw(30, np.random.default_rng(52))
    volts = np.tile(np.linspace(0.0, 20.0, 41), (30, 1))
    load = back(small_project, designs, pack).load(volts, idle=idle)
    powers = load.window_W + load.converter_W + load.pack_lead_W + load.delivered_W
    np.testing.assert_allclose(powers, volts * load.current_A, rtol=1e-9, atol=1e-12)
    for power in (load.window_W, load.converter_W, load.pack_lead_W, load.delivered_W):
        assert np.all(power >= -1e-12)


def test_a_regulating_pack_yields_where_a_steady_one_insists(small_project: Project) -> None:
    """At the input's current limit it takes less, holding its own input at 4.5 V."""
    tight = with_part(small_project, "converter", "buckboost_wide", input_current_limit_A=1.5)
    designs, volts = pick(tight), np.array([[5.0, 6.0, 9.0]])
    steady = back(tight, designs).load(volts)
    yielding = back(tight, designs, "regulating_pack").load(volts)
    assert np.all(steady.current_A[0, :2] > 1.5)
    np.testing.assert_allclose(yielding.current_A[0, :2], 1.5)
    assert np.all(yielding.delivered_W < steady.delivered_W + 1e-9)
    # Where the limit does not bind they are one.
    assert yielding.current_A[0, 2] == pytest.approx(steady.current_A[0, 2])
    amps = yielding.delivered_W[0, 0] / 4.5
    assert yielding.pack_lead_W[0, 0] == pytest.approx(0.055 * amps**2)


def test_drains_by_hand(small_project: Project) -> None:
    designs = pick(
        small_project,
        {"rectifier": "active_8", "clamp": "bus_clamp"},
        {"generator": "stepper_long", "cells_parallel": 2},
    )
    drain = back(small_project, designs).drain(np.full((2, 1), 12.3))
    # Six valves of 0.9 mA; eight diodes with none.
    np.testing.assert_allclose(drain.bridge_supply_A[:, 0], [6 * 0.9e-3, 0])
    # Three legs of 20 uA, four of 0.5 mA: one of two valves blocks. Within a percent of saturated.
    np.testing.assert_allclose(drain.reverse_leakage_A[:, 0], [6e-5, 2e-3], rtol=0.01)
    np.testing.assert_allclose(drain.clamp_A[:, 0], [(12.3 - 11.8) / 0.25, 0])
    # 2.46 V a cell of 6.2 kohm and 45 uA at 2.7 V, one or two strings.
    np.testing.assert_allclose(drain.balancing_A[:, 0], np.array([1, 2]) * 2.46 / 6200)
    np.testing.assert_allclose(drain.cell_leakage_A[:, 0], np.array([1, 2]) * 45e-6 * 2.46 / 2.7)
    np.testing.assert_allclose(drain.window_A[:, 0], 0.25e-3, rtol=0.01)
    assert np.all(drain.total_A == sum(drain))


def test_an_empty_bus_loses_nothing(small_project: Project) -> None:
    designs = Space.of(small_project).draw(20, np.random.default_rng(53))
    assert np.all(back(small_project, designs).drain(np.zeros((20, 1))).total_A == 0)


def test_input_limit_is_the_lower_of_window_and_converter(small_project: Project) -> None:
    designs = pick(
        small_project, {}, {"window": "window_limit_5a", "converter": "buckboost_middle"}
    )
    need = back(small_project, designs)
    np.testing.assert_allclose(need["input_limit_A"][:, 0], [4.5, 4.2])
    low = with_part(small_project, "window", "window_plain", current_limit_A=2.0)
    np.testing.assert_allclose(back(low, designs)["input_limit_A"][0, 0], 2.0 * 0.85)


def test_pack_without_current_limit_of_its_lead(small_project: Project) -> None:
    """5.1 V less 2 A over 55 mohm at the pack."""
    need = back(with_pack(small_project), pick(small_project))
    assert need["delivered_W"][0, 0] == pytest.approx((5.1 - 0.11) * 2)
