"""Margins to the limits of a study, which need nothing but the objectives."""

from __future__ import annotations

from explorer.inputs.study import Study
from explorer.units import Array

OF_LIMITS = ("first_charge_s", "limit_mass_kg", "limit_effort_percent", "limit_energy_J")
"""The rules that a study's [limits] set; cost has one, too, but stays with the prices."""


def limit_margins(
    study: Study, energy_J: Array, mass_kg: Array, effort_percent: Array, first_charge_s: Array
) -> dict[str, Array]:
    """Margins to the study's limits but the one on cost: what a change of [limits] changes."""
    limits = study.limits
    first = limits.first_charge_s or study.session.minutes * 60
    margins = {"first_charge_s": first - first_charge_s}
    if limits.mass_kg is not None:
        margins["limit_mass_kg"] = limits.mass_kg - mass_kg
    if limits.crank_effort_percent is not None:
        margins["limit_effort_percent"] = limits.crank_effort_percent - effort_percent
    if limits.delivered_energy_J is not None:
        margins["limit_energy_J"] = energy_J - limits.delivered_energy_J
    return margins
