"""The compiled judge against the LSODA one, and sessions against the judge."""

from __future__ import annotations

import numpy as np
import pytest

from explorer.inputs.study import Project
from explorer.model.kernels import waveform
from explorer.model.kernels.motion import Settings
from explorer.model.kernels.records import Records
from explorer.model.kernels.session import sessions
from tests.helpers import waveform_twin as lsoda
from tests.helpers.chains import with_part
from tests.model.kernels.chains_of_study import ADULT, WINDING_C, Chains, chains

SECONDS = 0.2


class Windows:
    """Windows of random chains from random inner voltages, and the same stretch of a session."""

    def __init__(self, some: Chains, seed: int) -> None:
        rng, count = np.random.default_rng(seed), len(some.drives)
        self.some, load = some, some.loads["telemetry_pack"]
        open_V = some.tables.rows["open_V_s"] * some.drives["ratio"] * some.drives["cadence_rad_s"]
        self.start_V = np.minimum(rng.uniform(0.2, 0.95, count) * open_V, 11.0)
        self.closed = ((rng.uniform(size=count) < 0.5) & (self.start_V > load["on_V"])).astype(int)
        self.session = np.zeros(count)
        self.guess = np.zeros(count)
        for row in range(count):
            at = slice(row, row + 1)
            settings = Settings(
                25.0, jumps=False, frozen=True, start_V=float(self.start_V[row]),
                closed=bool(self.closed[row]),
            )  # fmt: skip
            found, course = sessions(
                some.tables, np.array([row]), some.drives[at], load[at],
                some.shift(SECONDS, pace_s=600.0, unevenness=0.0), settings, traced=4,
            )  # fmt: skip
            lost = ("gearing", "drag", "copper", "lead", "bridge")
            spent = sum(found[f"{name}_J"][0, 0] for name in lost)
            self.session[row] = (found["crank_work_J"][0, 0] - spent) / SECONDS
            self.guess[row] = course[0, 3]

    def clamped(self, found: Records) -> np.ndarray:
        """Where a clamp opens within pulses: a session's sees their mean, and so too little."""
        load = self.some.loads["telemetry_pack"]
        crest_V = found["mean_bus_V"] + 2 * load["esr_ohm"] * found["bus_current_A"]
        return (load["clamp_S"] > 0) & (crest_V > load["clamp_V"])

    def judged(self) -> Records:
        some = self.some
        return waveform.windows(
            some.tables, some.trio, some.drives, some.loads["telemetry_pack"],
            some.shift(unevenness=0.0), winding_C=WINDING_C, start_V=self.start_V,
            guess_rad_s=self.guess, seconds=np.full(len(some.drives), SECONDS),
            closed=self.closed,
        )  # fmt: skip


def test_against_lsoda(demo_project: Project) -> None:
    """A variable-order integrator that SciPy wraps, on the same circuit written down before."""
    cases = Windows(chains(demo_project, 6, 5), 1)
    found = cases.judged()
    for row in range(6):
        truth = lsoda.simulate(
            cases.some.project, cases.some.designs.take(np.array([row])), ADULT,
            "telemetry_pack",
            start_V=float(cases.start_V[row]), seconds=SECONDS, closed=bool(cases.closed[row]),
            whole=True,
        )  # fmt: skip
        assert found["seconds"][row] == pytest.approx(truth.seconds, rel=2e-4)
        for name, value in (
            ("bus_energy_J", truth.bus_energy_J), ("crank_work_J", truth.crank_work_J),
            ("copper_J", truth.copper_J), ("phase_rms_A", truth.phase_rms_A),
            ("mean_bus_V", truth.mean_bus_V),
        ):  # fmt: skip
            assert found[name][row] == pytest.approx(value, rel=1e-3, abs=1e-6), (row, name)
        assert found["end_inner_V"][row] == pytest.approx(truth.end_inner_V, abs=1e-4)


def test_sessions_keep_within_a_percent(demo_project: Project) -> None:
    """A hundred random windows: energy given to the bus, pulses on the bank's resistance too."""
    cases = Windows(chains(demo_project, 120, 6), 2)
    found = cases.judged()
    assert found["found"].mean() > 0.95
    flows = (found["found"] == 1) & (cases.session > 0.5)
    assert flows.sum() >= 90
    judged_W = found["bus_energy_J"] / np.maximum(found["seconds"], 1e-9)
    off = np.abs(judged_W / np.maximum(cases.session, 1e-9) - 1)[flows]
    assert np.median(off) < 2e-3
    assert np.percentile(off, 95) < 0.005
    clamped = cases.clamped(found)[flows]
    assert clamped.sum() < 20
    assert off[~clamped].max() < 0.01
    assert off.max() < 0.02


def shaped(project: Project, fifth: float, third: float) -> Project:
    """The project with a fifth harmonic in every star and a third in all separate windings."""
    fields = {"three_phase": {"emf_h5": fifth}, "two_phase": {"emf_h3": third}, "brushed_dc": {}}
    for part in project.catalogue.parts["generator"]:
        project = with_part(project, "generator", part.id, **fields[part.kind])  # type: ignore[attr-defined]
    return project


def test_shaped_waves_against_lsoda(demo_project: Project) -> None:
    """The same circuit with EMFs that are no sines; a star's third is among them and cancels."""
    project = shaped(demo_project, -0.08, 0.15)
    for part in ("hub_small", "hub_mid", "washer_direct"):
        project = with_part(project, "generator", part, emf_h3=0.1)
    cases = Windows(chains(project, 4, 5), 1)
    found = cases.judged()
    for row in range(4):
        truth = lsoda.simulate(
            cases.some.project, cases.some.designs.take(np.array([row])), ADULT,
            "telemetry_pack", start_V=float(cases.start_V[row]), seconds=SECONDS,
            closed=bool(cases.closed[row]), whole=True,
        )  # fmt: skip
        for name in ("bus_energy_J", "crank_work_J", "copper_J", "phase_rms_A"):
            value = getattr(truth, name)
            assert found[name][row] == pytest.approx(value, rel=1e-3, abs=1e-6), (row, name)


@pytest.mark.parametrize(
    ("fifth", "soft", "percentile", "most"),
    [
        (0.08, False, 0.006, 0.02),
        (-0.08, False, 0.008, 0.02),
        (0.08, True, 0.006, 0.01),
        (-0.08, True, 0.008, 0.01),
    ],
)
def test_sessions_of_shaped_machines(
    demo_project: Project, fifth: float, soft: bool, percentile: float, most: float
) -> None:
    """Random windows from the maps of the shapes, within the bounds of sines."""
    project = shaped(demo_project, fifth, 0.15)
    if not soft:
        for part in project.catalogue.parts["cell"]:
            project = with_part(project, "cell", part.id, esr_ohm=0.0)
    cases = Windows(chains(project, 120, 6), 2)
    found = cases.judged()
    # Of several speeds at which the hand can hold a chain, both have to follow the same one.
    same = np.abs(found["crank_rad_s"] / np.maximum(cases.guess, 1e-9) - 1) < 0.03
    flows = (found["found"] == 1) & (cases.session > 0.5)
    assert (same & flows).sum() >= 90
    judged_W = found["bus_energy_J"] / np.maximum(found["seconds"], 1e-9)
    off = np.abs(judged_W / np.maximum(cases.session, 1e-9) - 1)[flows & same]
    assert np.median(off) < 2e-3
    assert np.percentile(off, 95) < percentile
    assert off[~cases.clamped(found)[flows & same]].max() < most
    assert off.max() < 0.03


def test_work_covers_what_the_bus_gets(demo_project: Project) -> None:
    found = Windows(chains(demo_project, 20, 7), 3).judged()
    kept = found["found"] == 1
    spent = found["bus_energy_J"] + found["copper_J"]
    assert (found["crank_work_J"] >= spent)[kept].all()
