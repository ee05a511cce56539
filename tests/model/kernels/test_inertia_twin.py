"""A hand with inertia against an independent integration of the same equations by SciPy.

Nothing is common to both but the bridge's steady state: tables, steps, the hand's rule, the search
for thresholds and the books are written twice.
"""

from __future__ import annotations

import numpy as np
import pytest

from explorer.inputs.study import Project
from explorer.model.kernels import accounts as acc
from explorer.model.kernels.motion import Settings
from explorer.model.kernels.records import Records
from explorer.model.kernels.session import sessions
from tests.helpers.inertia_twin import Hand, InertiaTwin, Turned
from tests.model.kernels.chains_of_study import ADULT, WINDING_C, Chains, chains

SECONDS, PACE_S, PACK = 40.0, 600.0, "telemetry_pack"
ARM_KG_M2, ONCE, KAPPA, P = 0.046, 0.3, 0.6, 7.5


def session(some: Chains, seconds: float) -> Records:
    person = some.shift(
        seconds, pace_s=PACE_S, inertia_kg_m2=ARM_KG_M2, unevenness_turn=ONCE, kappa_m_s=KAPPA,
        p_W_s2_m2=P,
    )  # fmt: skip
    settings = Settings(25.0, jumps=False)
    found, _ = sessions(some.tables, some.trio, some.drives, some.loads[PACK], person, settings)
    return found[:, 0]


def twin(some: Chains, row: int, seconds: float) -> Turned:
    catalogue = some.project.catalogue
    parts = {link: catalogue.parts[link][int(at[row])] for link, at in some.designs.parts.items()}
    settings = {name: float(values[row]) for name, values in some.designs.settings.items()}
    person = catalogue.operators[ADULT]
    chain = InertiaTwin(
        parts, settings, person, catalogue.packs[PACK], minutes=10, winding_C=WINDING_C
    )
    arm = ARM_KG_M2 * (parts["crank"].radius_m / 0.17) ** 2
    rotor = float(some.tables.rows["inertia_kg_m2"][row])
    chain.prepare(
        Hand(
            inertia_kg_m2=arm + rotor * parts["gearing"].ratio ** 2, once=ONCE,
            twice=person.unevenness, kappa_m_s=KAPPA, p_W_s2_m2=P,
            force_limit_N=person.force_limit_N, pace_s=PACE_S,
        )
    )  # fmt: skip
    return chain.turn(seconds)


def fit_for_the_twin(some: Chains, found: Records) -> list[int]:
    """Chains of every rectifier that the twin knows all about, and that forget small differences.

    A hand that breaks away beyond the machine's peak torque, or a window that flickers, does not.
    """
    load, row = some.loads[PACK], some.tables.rows
    fits = (found["fault"] == acc.SOUND) & (found["turn_ons"] >= 1) & (found["turn_ons"] < 60)
    fits &= (found["openings"] == 0) | (found["delivered_J"] > 20)
    fits &= (found["beyond_peak_share"] < 0.02) & (load["esr_ohm"] < 0.5)
    fits &= (load["least_V"] < load["off_V"]) & (row["body_saturation_A"] == 0)
    fits &= found["highest_V"] < load["over_V"] - 0.1
    return [
        int(at)
        for bridge, most in ((0, 4), (1, 2), (2, 2))
        for at in np.flatnonzero(fits & (row["bridge"] == bridge))[:most]
    ]


def test_bank_and_crank_against_scipy(demo_project: Project) -> None:
    some = chains(demo_project, 120, 21)
    found = session(some, SECONDS)
    rows = fit_for_the_twin(some, found)
    assert len(rows) >= 6
    assert len(np.unique(some.tables.rows["bridge"][rows])) == 3
    for row in rows:
        here, truth = found[row], twin(some, row, SECONDS)
        assert here["crank_work_J"] == pytest.approx(truth.crank_work_J, rel=3e-3), row
        assert here["cadence_rad_s"] * SECONDS == pytest.approx(truth.radians, rel=3e-3), row
        assert here["first_charge_s"] == pytest.approx(truth.first_charge_s, rel=3e-3), row
        assert abs(here["turn_ons"] - truth.turn_ons) <= max(1, 0.03 * truth.turn_ons), row
        spell_J = truth.delivered_J / truth.turn_ons
        allowed = max(5e-3 * truth.delivered_J, 0.3 * spell_J if truth.turn_ons > 1 else 0.1)
        assert abs(here["delivered_J"] - truth.delivered_J) <= allowed, row
