"""Designs of a study as rows of the kernels: what the model will do when it takes them over."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from explorer.inputs import machine_kinds
from explorer.inputs.records import Operator
from explorer.inputs.study import Project
from explorer.model import demand
from explorer.model.kernels import records
from explorer.model.kernels.machine import BODY_DIODE_EMISSION_V, Machines, tabulate
from explorer.model.space import Designs, Space
from explorer.units import RAD_S_PER_RPM

COUNTS = ("phases", "valves", "valves_in_path", "drops", "knee")
GAP_V = {"schottky": 0.69, "silicon": 1.11, "active": 1.11}


def machines(project: Project, designs: Designs, *, heat: bool = False) -> records.Records:
    """Generator, lead and rectifier of each design."""
    catalogue = project.catalogue

    def at(link: str, field: str) -> np.ndarray:
        return designs.chosen(catalogue, link, field)

    kinds = [machine_kinds.MACHINE_KINDS[g.kind] for g in catalogue.parts["generator"]]

    def of_kind(field: str) -> np.ndarray:
        return np.array([getattr(kind, field) for kind in kinds])[designs.parts["generator"]]

    gaps = np.array([GAP_V[r.kind] for r in catalogue.parts["rectifier"]])
    body = at("rectifier", "body_drop_V")
    return records.rows(
        records.MACHINE,
        len(designs),
        bridge=[machine_kinds.BRIDGES.index(name) for name in of_kind("bridge")],
        **{name: of_kind(name) for name in COUNTS},
        emf_V_s=at("generator", "emf_phase_V_s"),
        circuit_ohm=at("generator", "resistance_phase_ohm"),
        copper_ohm=at("generator", "resistance_phase_ohm"),
        lead_ohm=at("lead", "resistance_ohm") * of_kind("conductors_per_phase"),
        inductance_H=at("generator", "inductance_phase_H"),
        pole_pairs=at("generator", "pole_pairs"),
        drag_N_m=at("generator", "drag_torque_N_m") + at("lead", "drag_torque_N_m"),
        viscous_N_m_s=at("generator", "drag_viscous_N_m_s"),
        heat_capacity_J_per_K=at("generator", "heat_capacity_J_per_K") * heat,
        saturation_A=at("rectifier", "saturation_A"),
        emission_V=at("rectifier", "emission_V"),
        valve_ohm=at("rectifier", "resistance_ohm"),
        body_saturation_A=np.where(body > 0, np.exp(-body / BODY_DIODE_EMISSION_V), 0.0),
        start_V=np.where(body > 0, at("rectifier", "start_V"), 0.0),
        gap_V=gaps[designs.parts["rectifier"]],
        thermal_K_per_W=at("rectifier", "thermal_K_per_W"),
    )


def drives(project: Project, designs: Designs) -> records.Records:
    """Crank and gearing of each design."""
    catalogue = project.catalogue
    return records.rows(
        records.DRIVE,
        len(designs),
        radius_m=designs.chosen(catalogue, "crank", "radius_m"),
        ratio=designs.chosen(catalogue, "gearing", "ratio"),
        efficiency=designs.chosen(catalogue, "gearing", "efficiency"),
        drag_N_m=designs.chosen(catalogue, "gearing", "drag_torque_N_m"),
        cadence_rad_s=designs.settings["cadence_rpm"] * RAD_S_PER_RPM,
    )


def loads(project: Project, designs: Designs, pack: str) -> records.Records:
    """Bank, window, converter and a pack of each design."""
    need = demand.demand(project.catalogue, designs, project.catalogue.packs[pack])
    taken = {name: values[:, 0] for name, values in need.fields.items()}
    clamp = taken["clamp_ohm"]
    names = set(records.LOAD.names or ()) & set(taken)
    return records.rows(
        records.LOAD,
        len(designs),
        **{name: taken[name] for name in names},
        clamp_S=np.where(clamp > 0, 1 / np.where(clamp > 0, clamp, 1.0), 0.0),
        over_V=taken["overvoltage_off_V"],
        return_V=taken["overvoltage_return_V"],
        holds_input=need.pack.behaviour.holds_input,
        hold_V=need.pack.hold_V,
        retry_s=need.pack.retry_s if need.pack.behaviour.waits_to_connect else 0.0,
    )


def shift(person: Operator, seconds: float, **fields: Any) -> records.Records:
    """One shift of an operator."""
    names = set(records.PERSON.names or ()) & set(type(person).model_fields)
    values = {name: getattr(person, name) for name in names} | fields
    return records.rows(records.PERSON, 1, **{"seconds": seconds, "pace_s": seconds} | values)


ADULT, PACK = "adult_one_arm", "telemetry_pack"
WINDING_C = 60.0
ROTORS = {
    "hub_small": 0.01, "hub_mid": 0.018, "hub_ebike": 0.03, "washer_direct": 0.03,
    "outrunner_63": 3e-4, "stepper_long": 5e-5, "treadmill_dc": 7e-4,
}  # fmt: skip
"""Class values of hand.md, kg m2."""


class Chains(NamedTuple):
    """Random designs of the demo as rows, with their tables."""

    project: Project
    designs: Designs
    tables: Machines
    drives: records.Records
    loads: dict[str, records.Records]

    def shift(self, seconds: float = 600.0, **fields: float) -> records.Records:
        """A shift of the demo's adult."""
        return shift(self.project.catalogue.operators[ADULT], seconds, **fields)

    @property
    def trio(self) -> np.ndarray:
        return np.arange(len(self.drives))


def chains(project: Project, count: int, seed: int, *, heat: bool = False) -> Chains:
    """Random designs, each with the tables of its own trio."""
    designs = Space.of(project).draw(count, np.random.default_rng(seed))
    return of_designs(project, designs, heat=heat)


def anything(project: Project, count: int, seed: int) -> Designs:
    """Designs of any parts of the catalogue with settings of any sense."""
    rng = np.random.default_rng(seed)
    parts = {
        link: rng.integers(0, len(rows), count) for link, rows in project.catalogue.parts.items()
    }
    off_V = rng.uniform(2.8, 8.0, count)
    return Designs(
        parts,
        {
            "cells_series": rng.integers(1, 9, count).astype(float),
            "cells_parallel": rng.integers(1, 3, count).astype(float),
            "cadence_rpm": rng.uniform(20, 110, count),
            "undervoltage_off_V": off_V,
            "undervoltage_band_V": rng.uniform(0.2, 4.0, count),
            "overvoltage_off_V": off_V + rng.uniform(4.0, 12.0, count),
        },
    )


def of_designs(project: Project, designs: Designs, *, heat: bool = False) -> Chains:
    """Designs as rows, each with the tables of its own trio."""
    rows, turning = machines(project, designs, heat=heat), drives(project, designs)
    names = [project.catalogue.parts["generator"][int(i)].id for i in designs.parts["generator"]]
    rows["inertia_kg_m2"] = [ROTORS.get(name, 0.02) for name in names]
    fastest = 2.5 * turning["cadence_rad_s"] * turning["ratio"]
    tables = tabulate(rows, fastest, 25.0 if heat else WINDING_C)
    taken = {pack: loads(project, designs, pack) for pack in project.catalogue.packs}
    return Chains(project, designs, tables, turning, taken)
