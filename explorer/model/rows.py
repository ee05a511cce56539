"""Designs of a project as the rows of numbers that the compiled session takes."""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np

from explorer.inputs.front_parts import BARRIER_V
from explorer.inputs.links import shaft_drag_N_m
from explorer.inputs.records import Operator
from explorer.inputs.session_section import Crew
from explorer.inputs.study import Project
from explorer.model import back_half
from explorer.model.kernels import records
from explorer.model.kernels.machine import BODY_DIODE_EMISSION_V, COARSE, Machines, tabulate
from explorer.model.kernels.records import Records
from explorer.model.space import Designs, Rows
from explorer.physics.bridge import RECTIFIERS
from explorer.units import RAD_S_PER_RPM, Array

OF_KIND = ("phases", "valves", "valves_in_path", "drops")
OF_GENERATOR = ("knee", "emf_h3", "emf_h5", "emf_h7")
HEADROOM = 2.5
"""Fastest speed of a machine's table over the fastest that the study asks for."""
SLIGHTLY = 1e-6
"""By how little a speed may pass the end of a table, as doublings."""
MOST_TABLES = 1024
"""Tables of machines that a process keeps, some 250 KB each."""


class Rowed(NamedTuple):
    """Designs (n,) as rows: `trio` (n,) picks each one's machine among `machines`."""

    machines: Machines
    trio: Rows
    drives: Records


def rowed(project: Project, designs: Designs, *, coarse: bool = False) -> Rowed:
    """Front halves of some designs, with the tables of their machines.

    Coarse tables are solved in a tenth of the time and not kept: for parts that are drawn once.
    """
    turning, trios = drives(project, designs), trios_of(designs)
    asked = HEADROOM * turning["cadence_rad_s"] * turning["ratio"]
    # A table follows from its design alone, whoever else is solved with it.
    reach = octave(asked)
    if not coarse:
        reach = _reach(asked, _fastest_rad_s(project))
    kinds = np.column_stack([trios, np.log2(reach).round(6)])
    _, first, trio = np.unique(kinds, axis=0, return_index=True, return_inverse=True)
    trio = trio.reshape(-1).astype(np.int64)
    some = machines(project, designs.take(first))
    winding_C = first_winding_C(project, some)
    if coarse or not len(some):
        tables = tabulate(some, reach[first], winding_C, COARSE)
    else:
        tables = joined(
            [
                _table(row.tobytes(), float(most), float(at_C))
                for row, most, at_C in zip(some, reach[first], winding_C, strict=True)
            ]
        )
    return Rowed(tables, trio, turning)


def octave(asked: Array) -> Array:
    """The power of two that is no less than a speed, rad/s: up to there a coarse table goes."""
    return np.asarray(2.0 ** np.ceil(np.log2(np.maximum(asked, 1e-3))))


def first_winding_C(project: Project, some: Records) -> Array:
    """Temperature of the windings of some machines as a session begins, C, (n,): that of the air
    where a winding warms, else the study's.
    """
    plan = project.study.session
    warms = some["heat_capacity_J_per_K"] > 0
    return np.where(warms, plan.ambient_C, plan.winding_C).astype(float)


def of_kind(project: Project, designs: Designs, field: str) -> Array:
    """A field of each design's kind of machine, (n,)."""
    kinds = [generator.machine for generator in project.catalogue.parts["generator"]]  # type: ignore[attr-defined]
    column = np.array([getattr(kind, field) for kind in kinds], dtype=float)
    return np.asarray(column[designs.parts["generator"]])


def spare_ends(project: Project, designs: Designs) -> Array:
    """Ends of windings that can be reached over the six that a triangle asks for, (n,); without
    bound where the connection asks for nothing that a machine has not.
    """
    opens = designs.chosen(project.catalogue, "generator", "open_star") > 0
    return np.where((designs.settings["delta"] > 0) & ~opens, -3.0, np.inf)


def machines(project: Project, designs: Designs) -> Records:
    """Generator, lead and rectifier of each design, (n,) of `records.MACHINE`."""
    catalogue = project.catalogue

    def at(link: str, field: str) -> Array:
        return designs.chosen(catalogue, link, field)

    circuits = np.array(
        [RECTIFIERS[part.machine.bridge].circuit for part in catalogue.parts["generator"]]  # type: ignore[attr-defined]
    )
    barriers = np.array([BARRIER_V[part.kind] for part in catalogue.parts["rectifier"]])  # type: ignore[attr-defined]
    body_V = at("rectifier", "body_drop_V")
    asleep_A = np.exp(-body_V / BODY_DIODE_EMISSION_V)
    return records.rows(
        records.MACHINE,
        len(designs),
        bridge=circuits[designs.parts["generator"]],
        **{name: of_kind(project, designs, name) for name in OF_KIND},
        **{name: at("generator", name) for name in OF_GENERATOR},
        emf_V_s=at("generator", "emf_phase_V_s"),
        circuit_ohm=at("generator", "circuit_ohm"),
        copper_ohm=at("generator", "resistance_phase_ohm"),
        lead_ohm=at("lead", "resistance_ohm") * of_kind(project, designs, "conductors_per_phase"),
        inductance_H=at("generator", "inductance_H"),
        pole_pairs=at("generator", "pole_pairs"),
        drag_N_m=shaft_drag_N_m(at),
        viscous_N_m_s=at("generator", "drag_viscous_N_m_s"),
        inertia_kg_m2=at("generator", "inertia_kg_m2"),
        heat_capacity_J_per_K=at("generator", "heat_capacity_J_per_K"),
        saturation_A=at("rectifier", "saturation_A"),
        emission_V=at("rectifier", "emission_V"),
        valve_ohm=at("rectifier", "resistance_ohm"),
        body_saturation_A=np.where(body_V > 0, asleep_A, 0.0),
        start_V=np.where(body_V > 0, at("rectifier", "start_V"), 0.0),
        gap_V=barriers[designs.parts["rectifier"]],
        thermal_K_per_W=at("rectifier", "thermal_K_per_W"),
    )


def drives(project: Project, designs: Designs) -> Records:
    """Crank, gearing and cadence of each design, (n,) of `records.DRIVE`."""
    catalogue = project.catalogue
    return records.rows(
        records.DRIVE,
        len(designs),
        radius_m=designs.chosen(catalogue, "crank", "radius_m"),
        ratio=designs.chosen(catalogue, "gearing", "ratio"),
        efficiency=designs.chosen(catalogue, "gearing", "efficiency"),
        drag_N_m=designs.chosen(catalogue, "gearing", "drag_torque_N_m"),
        inertia_kg_m2=designs.chosen(catalogue, "crank", "inertia_kg_m2"),
        cadence_rad_s=designs.settings["cadence_rpm"] * RAD_S_PER_RPM,
    )


def loads(project: Project, designs: Designs, pack_id: str) -> Records:
    """Bank, window, converter and a pack of each design, (n,) of `records.LOAD`."""
    need = back_half.back_halves(project.catalogue, designs, project.catalogue.packs[pack_id])
    taken = {name: values[:, 0] for name, values in need.fields.items()}
    clamped = taken["clamp_ohm"] > 0
    names = set(records.LOAD.names or ()) & set(taken)
    return records.rows(
        records.LOAD,
        len(designs),
        **{name: taken[name] for name in names},
        clamp_S=np.where(clamped, 1 / np.where(clamped, taken["clamp_ohm"], 1.0), 0.0),
        over_V=taken["overvoltage_off_V"],
        return_V=taken["overvoltage_return_V"],
        holds_input=need.pack.behaviour.holds_input,
        hold_V=need.pack.hold_V,
        retry_s=need.pack.wait_s,
    )


def shift_of(person: Operator, seconds: float) -> Records:
    """One shift of an operator who paces for its length, (1,) of `records.PERSON`."""
    names = set(records.PERSON.names or ()) & set(type(person).model_fields)
    values = {name: getattr(person, name) for name in names}
    return records.rows(records.PERSON, 1, seconds=seconds, pace_s=seconds, **values)


def shifts_of(project: Project, crew: Crew) -> Records:
    """A session's shifts, (shifts,) of `records.PERSON`: each paces for all own shifts together."""
    people = project.catalogue.operators
    shifts = np.concatenate([shift_of(people[one.operator], 60 * one.minutes) for one in crew])
    own = [one.operator for one in crew]
    for place, operator_id in enumerate(own):
        mine = [other for other, name in enumerate(own) if name == operator_id]
        shifts["pace_s"][place] = shifts["seconds"][mine].sum()
        shifts["follows"][place] = max((1 + other for other in mine if other < place), default=0)
    return shifts


def trios_of(designs: Designs) -> Rows:
    """Generator, lead and rectifier by row, and how the windings are connected, (n, 4)."""
    links = [designs.parts[link] for link in ("generator", "lead", "rectifier")]
    return np.stack([*links, designs.settings["delta"].astype(np.int64)], axis=1)


def _fastest_rad_s(project: Project) -> float:
    """Fastest shaft speed that the study asks for, with room above it, rad/s."""
    setting = project.study.settings["cadence_rpm"]
    fastest_rpm = setting.high if setting.continuous else max(setting.values)
    chosen = set(project.study.choices["gearing"])
    ratios = [
        gearing.ratio  # type: ignore[attr-defined]
        for gearing in project.catalogue.parts["gearing"]
        if gearing.id in chosen
    ]
    return float(HEADROOM * fastest_rpm * RAD_S_PER_RPM * max(ratios))


def _reach(asked: Array, fastest: float) -> Array:
    """Fastest speeds of tables: one for all, doubled until it covers what is asked, rad/s, (n,)."""
    doublings = np.ceil(np.log2(np.maximum(asked / fastest, 1.0)) - SLIGHTLY)
    return np.asarray(fastest * 2.0**doublings)


@lru_cache(maxsize=MOST_TABLES)
def _table(row: bytes, fastest_rad_s: float, winding_C: float) -> Machines:
    """The table of one trio, from the bytes of its row."""
    return tabulate(np.frombuffer(row, records.MACHINE), np.array([fastest_rad_s]), winding_C)


def joined(tables: list[Machines]) -> Machines:
    """Tables of several machines or groups of them as one."""
    rows = np.concatenate([one.rows for one in tables])
    starts = np.repeat(
        np.cumsum([0, *(len(one.values) for one in tables[:-1])]), [len(one.rows) for one in tables]
    )
    for name in ("awake_table", "asleep_table"):
        rows[name] += starts
    return Machines(rows, np.concatenate([one.values for one in tables]))
