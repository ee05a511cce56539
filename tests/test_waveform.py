"""The switching level against values worked out by brute force, balances, and the session."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import trapezoid

from explorer.errors import ExplorerError, InputError
from explorer.inputs.study import Project
from explorer.model.space import Designs, Space
from explorer.model.stepped import window
from explorer.physics.generator import copper_resistance
from explorer.units import RAD_S_PER_RPM
from tests.helpers import waveform_twin as waveform
from tests.helpers.chains import with_person

ADULT, STEADY_PACK = "adult_one_arm", "telemetry_pack"


def changed(project: Project, **links: dict[str, object]) -> Project:
    """The project with fields of every part of some links replaced."""
    parts = dict(project.catalogue.parts)
    for link, fields in links.items():
        parts[link] = tuple(part.model_copy(update=fields) for part in parts[link])
    return replace(project, catalogue=replace(project.catalogue, parts=parts))


def one_of(project: Project, **ids: str) -> Designs:
    """A design of the demo with some parts chosen by id."""
    design = Space.of(project).at(np.array([0]))
    parts = dict(design.parts)
    for link, name in ids.items():
        names = [part.id for part in project.catalogue.parts[link]]
        parts[link] = np.array([names.index(name)])
    return Designs(parts, design.settings)


def pulsing_bank(project: Project, seconds: float) -> tuple[Designs, waveform.WaveformResult]:
    """Whole periods of a hub motor that fills cells of much resistance, the switch open."""
    design = one_of(
        project, generator="hub_ebike", rectifier="silicon_3a", gearing="chain_3", cell="cell_5f"
    )
    found = waveform.simulate(
        project, design, ADULT, STEADY_PACK, start_V=4.15, seconds=seconds, closed=False, whole=True
    )
    return design, found


def on_a_stiff_bus(
    project: Project,
    peak_V: float,
    electrical_rad_s: float,
    ohm: float,
    henry: float,
    bus_V: float,
    saturation_A: float,
) -> waveform.WaveformResult:
    """Ten periods of a six-pulse bridge; neither bank nor hand gives way."""
    poles, cadence = 10, electrical_rad_s / 10
    warm = copper_resistance(1.0, project.study.session.winding_C)
    stiff = changed(
        with_person(project, comfort_force_N=1e4, critical_power_W=1e4, power_share=1.0),
        generator={
            "kind": "three_phase",
            "emf_phase_V_s": peak_V / cadence,
            "resistance_phase_ohm": ohm / float(warm),
            "inductance_phase_H": henry,
            "pole_pairs": poles,
            "heat_capacity_J_per_K": 0.0,
        },
        lead={"resistance_ohm": 0.0},
        gearing={"ratio": 1.0},
        rectifier={
            "kind": "silicon",
            "saturation_A": saturation_A,
            "emission_V": 0.02714,
            "resistance_ohm": 0.03,
            "body_drop_V": 0.0,
        },
        cell={"capacitance_F": 1e7, "esr_ohm": 0.0},
    )
    design = one_of(stiff)
    settings = {**design.settings, "cadence_rpm": np.array([cadence / RAD_S_PER_RPM])}
    return waveform.simulate(
        stiff, Designs(design.parts, settings), ADULT, STEADY_PACK,
        start_V=bus_V, seconds=20 * np.pi / electrical_rad_s, closed=False,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("peak_V", "electrical_rad_s", "ohm", "henry", "bus_V", "bus_A", "phase_A"),
    [
        (6.0, 100.0, 0.2, 4e-4, 7.0, 4.5915, 3.7222),
        (6.0, 100.0, 0.2, 4e-4, 9.0, 0.6513, 0.6495),
        (10.0, 400.0, 0.3, 5e-4, 14.0, 2.2357, 1.8262),
    ],
)
def test_bridge_on_a_stiff_bus(
    demo_project: Project,
    peak_V: float,
    electrical_rad_s: float,
    ohm: float,
    henry: float,
    bus_V: float,
    bus_A: float,
    phase_A: float,
) -> None:
    """Brute force with exponential diodes, derived for this project's reference values."""
    found = on_a_stiff_bus(demo_project, peak_V, electrical_rad_s, ohm, henry, bus_V, 2e-6)
    # Stated to four or five digits, by time stepping to about 0.2 %.
    assert found.bus_current_A == pytest.approx(bus_A, rel=0.003)
    assert found.phase_rms_A == pytest.approx(phase_A, rel=0.003)


def test_six_pulses_ripple_as_in_the_textbook(demo_project: Project) -> None:
    """Three shorted sines, rectified: the wave that six ideal pulses make of line voltages.

    Mean 0.95493 and rms 0.95577 of the peak, ripple factor 4.197 %, peak to peak 13.40 %, at six
    times the frequency, of which the sixth harmonic is 2/35 of the mean: Mohan, Undeland & Robbins,
    Power Electronics; Rashid, Power Electronics Handbook.
    """
    electrical_rad_s = 100.0
    found = on_a_stiff_bus(demo_project, 6.0, electrical_rad_s, 0.2, 4e-4, 0.0, 0.0)
    time_s, amps = found.waves.time_s, found.waves.rectified_A
    last = time_s > time_s[-1] - 2 * np.pi / electrical_rad_s * (1 + 1e-9)
    time_s, amps = time_s[last], amps[last]
    span = time_s[-1] - time_s[0]
    mean = trapezoid(amps, time_s) / span
    rms = np.sqrt(trapezoid(amps**2, time_s) / span)
    # 180 samples a period: one lies within a degree of every peak and dip, 0.02 % of the wave.
    assert mean / amps.max() == pytest.approx(0.95493, rel=5e-4)
    assert rms / amps.max() == pytest.approx(0.95577, rel=5e-4)
    assert np.sqrt((rms / mean) ** 2 - 1) == pytest.approx(0.04197, rel=0.01)
    assert np.ptp(amps) / amps.max() == pytest.approx(0.1340, rel=0.02)
    wave = np.exp(-6j * electrical_rad_s * time_s)
    sixth = 2 * abs(trapezoid(amps * wave, time_s)) / span
    assert sixth / mean == pytest.approx(2 / 35, rel=0.01)
    assert (np.diff(np.sign(np.diff(amps))) > 0).sum() == 6


def test_a_hand_at_its_limit_keeps_it_over_a_period(demo_project: Project) -> None:
    """Mean force is the comfortable one, though pulses ride on the bus: the speed holds still."""
    design, found = pulsing_bank(demo_project, 0.4)
    ratio = demo_project.catalogue.parts["gearing"][int(design.parts["gearing"][0])].ratio
    poles = demo_project.catalogue.parts["generator"][int(design.parts["generator"][0])].pole_pairs
    # The phase current has two zeros a period: the speed, apart from the code's own.
    phase = found.waves.phase_A[:, 0]
    at_s = found.waves.time_s[1:][np.diff(np.sign(phase)) > 0]
    crank_rad_s = 2 * np.pi * (len(at_s) - 1) / (at_s[-1] - at_s[0]) / poles / ratio
    person = demo_project.catalogue.operators[ADULT]
    radius_m = demo_project.catalogue.parts["crank"][int(design.parts["crank"][0])].radius_m
    torque = found.crank_work_J / found.seconds / crank_rad_s
    # The speed is told by zeros to a sample of 180 a period, out of several periods; the hand
    # keeps to a ten-thousandth.
    assert torque == pytest.approx(person.comfort_force_N * radius_m, rel=0.003)
    assert np.ptp(found.waves.bus_V - found.waves.inner_V) > 0.3


def test_windows_of_whole_periods(demo_project: Project) -> None:
    _, found = pulsing_bank(demo_project, 0.01)
    assert found.seconds > 0.01
    assert found.waves.time_s[-1] == pytest.approx(found.seconds)
    # A period later the currents are the same, but for what the bank has risen by.
    first, last = found.waves.phase_A[[0, -1]]
    assert np.abs(last - first).max() < 0.02 * np.abs(found.waves.phase_A).max()


@pytest.mark.parametrize(("start_V", "asleep"), [(2.0, True), (3.0, False)])
def test_valves_wake_by_the_mean_of_the_bus(
    demo_project: Project, start_V: float, asleep: bool
) -> None:
    """Valves that start at 3.2 V over a bank of a third of an ohm, which two amperes lift.

    Awake, a valve drops tens of millivolts; asleep its body diode three quarters of a volt.
    """
    design = one_of(
        demo_project, generator="hub_ebike", rectifier="active_20", gearing="chain_3",
        cell="cell_10f",
    )  # fmt: skip
    found = waveform.simulate(
        demo_project, design, ADULT, STEADY_PACK, start_V=start_V, seconds=0.1, closed=False,
        whole=True,
    )  # fmt: skip
    assert (found.mean_bus_V < 3.2) == asleep
    seen = window(demo_project, design, ADULT, STEADY_PACK, start_V=start_V, seconds=0.1)
    assert seen is not None
    assert abs(seen.difference_percent) < 1
    judged_W = found.bus_energy_J / found.seconds
    assert seen.bus_energy_J / seen.seconds == pytest.approx(judged_W, rel=0.01)


def test_work_at_the_crank_covers_copper_and_bus(demo_project: Project) -> None:
    design = one_of(
        demo_project,
        generator="hub_ebike",
        rectifier="silicon_3a",
        gearing="planetary_8",
        cell="cell_25f",
    )
    found = waveform.simulate(
        demo_project, design, ADULT, STEADY_PACK, start_V=4.0, seconds=0.2, closed=False
    )
    assert found.crank_work_J > found.bus_energy_J + found.copper_J
    cells = design.settings["cells_series"][0] / design.settings["cells_parallel"][0]
    charge_C = 25.0 / cells * (found.end_inner_V - 4.0)
    # Drains of the bus are milliamperes; the trapezoids of the samples err by less than that.
    assert charge_C == pytest.approx(found.bus_current_A * 0.2, rel=0.01)


def trickle(project: Project) -> waveform.WaveformResult:
    """A weak machine just below the bank: no step is as precise as the first tolerance asks."""
    design = one_of(
        project, crank="crank_short", gearing="chain_3", generator="outrunner_63",
        lead="lead_heavy", rectifier="schottky_3a", cell="cell_100f",
    )  # fmt: skip
    settings = {**design.settings, "cadence_rpm": np.array([65.48])}
    settings["cells_series"], settings["cells_parallel"] = np.array([4]), np.array([1])
    return waveform.simulate(
        project, Designs(design.parts, settings), ADULT, STEADY_PACK, start_V=0.797, seconds=0.4,
        closed=False,
    )  # fmt: skip


def test_a_trickle_is_followed(demo_project: Project) -> None:
    found = trickle(demo_project)
    assert 0 < found.copper_J < 0.01 * found.bus_energy_J < found.crank_work_J
    charge_C = 25.0 * (found.end_inner_V - 0.797)
    # Leakage and balancing take a share of what is a trickle.
    assert 0.9 * found.bus_current_A * 0.4 < charge_C <= found.bus_current_A * 0.4


def test_currents_that_cannot_be_followed_are_told(
    demo_project: Project, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(waveform, "RELATIVE_ERRORS", (1e-18,))
    with pytest.raises(ExplorerError, match="currents could not be followed"):
        trickle(demo_project)


def test_a_hand_without_a_speed_is_told(
    demo_project: Project, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(waveform, "ROUNDS", 1)
    design = one_of(
        demo_project, generator="hub_ebike", rectifier="silicon_3a", gearing="chain_3",
        cell="cell_5f",
    )  # fmt: skip
    with pytest.raises(ExplorerError, match=r"hand's limit at 4\.15 V in the bank"):
        waveform.simulate(
            demo_project, design, ADULT, STEADY_PACK, start_V=4.15, seconds=0.1, closed=False
        )


def test_windows_are_short(demo_project: Project) -> None:
    design = one_of(demo_project)
    with pytest.raises(InputError, match=r"at most 5 s, got 6$"):
        waveform.simulate(
            demo_project, design, ADULT, STEADY_PACK, start_V=4.0, seconds=6.0, closed=False
        )


def test_stroke_of_the_hand_is_left_to_the_session(demo_project: Project) -> None:
    design = one_of(
        demo_project,
        generator="hub_ebike",
        rectifier="silicon_3a",
        gearing="planetary_8",
        cell="cell_25f",
    )
    even = with_person(demo_project, unevenness=0.0)
    run = {"start_V": 4.0, "seconds": 0.05, "closed": False}
    one = waveform.simulate(demo_project, design, ADULT, STEADY_PACK, **run)  # type: ignore[arg-type]
    other = waveform.simulate(even, design, ADULT, STEADY_PACK, **run)  # type: ignore[arg-type]
    assert replace(one, waves=other.waves) == other
