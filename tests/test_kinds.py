"""Kinds of machine and pack, and links: each defined by its row, and nothing else knows a name."""

from __future__ import annotations

import ast
from dataclasses import replace
from math import log
from pathlib import Path

import numpy as np
import pytest
from pydantic import ValidationError

from explorer.errors import InputError
from explorer.inputs import machine_kinds
from explorer.inputs.catalogue import MODELS, TABLE_NAMES
from explorer.inputs.front_parts import Generator
from explorer.inputs.links import BACK_LINKS, FRONT_LINKS, LINKS, Link
from explorer.inputs.machine_kinds import MACHINE_KINDS, MachineKind
from explorer.inputs.pack_kinds import PACK_KINDS, PackKind
from explorer.inputs.records import Pack, Part
from explorer.inputs.study import Project, load
from explorer.model.costing import quantities
from explorer.model.rules import RULES
from explorer.physics.bridge import RECTIFIERS
from tests.helpers.chains import SOUND, pick

PACKAGE = Path(__file__).parent.parent / "explorer"
NAMES = {*MACHINE_KINDS, *PACK_KINDS}
THEIR_OWN = {"inputs/machine_kinds.py", "inputs/pack_kinds.py"}
NAMES_ITS_ROWS = {"inputs/machine_classes.py"}
"""A table whose rows say of which kind they are."""
REGIME = "steady"
"""Also the name of a regime."""


def names_in(tree: ast.AST) -> set[str]:
    """Names of kinds that are compared with, looked up or looked for."""
    found: list[ast.expr | None] = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Compare):
            found += [node.left, *node.comparators]
        elif isinstance(node, ast.Subscript):
            found.append(node.slice)
        elif isinstance(node, ast.Dict):
            found += node.keys
        elif isinstance(node, ast.MatchValue):
            found.append(node.value)
        elif isinstance(node, ast.Call):
            found += node.args
    strings = [
        part
        for one in found
        if one is not None
        for part in ast.walk(one)
        if isinstance(part, ast.Constant) and isinstance(part.value, str)
    ]
    return {str(part.value) for part in strings} & NAMES


@pytest.mark.parametrize(
    "path", sorted(PACKAGE.rglob("*.py")), ids=lambda path: path.relative_to(PACKAGE).as_posix()
)
def test_no_name_of_a_kind_is_compared_elsewhere(path: Path) -> None:
    name = path.relative_to(PACKAGE).as_posix()
    found = names_in(ast.parse(path.read_text("utf-8"))) - {REGIME}
    if name not in THEIR_OWN | NAMES_ITS_ROWS:
        assert not found, f"{name} asks for {found}"


def test_the_search_for_names_finds_them() -> None:
    for text in (
        'x = g.kind == "three_phase"',
        'x = {"brushed_dc": 1}',
        'x = KINDS.index("two_phase")',
        'x = "a" in ("retrying", "b")',
        'match k:\n    case "regulating":\n        pass',
    ):
        assert names_in(ast.parse(text)), text


@pytest.mark.parametrize("kind", MACHINE_KINDS.values(), ids=lambda kind: kind.name)
def test_a_machines_row_is_what_its_bridge_does(kind: MachineKind) -> None:
    """Open voltage, energy balance and drops of the row against the solved circuit."""
    solve = RECTIFIERS[kind.bridge].solve
    circuit = {
        "emf_peak_V": 10.0, "electrical_rad_s": 300.0, "resistance_ohm": 0.5,
        "inductance_H": 3e-4, "diode_saturation_A": 0.0, "diode_emission_V": 0.0,
        "diode_resistance_ohm": 0.0,
    }  # fmt: skip
    open_V = kind.knee * 10.0
    assert float(solve(**circuit, bus_V=0.98 * open_V).bus_current_A) > 1e-4
    assert float(solve(**circuit, bus_V=1.0001 * open_V).bus_current_A) == 0

    bus_V = 0.7 * open_V
    resistive = solve(**circuit | {"diode_resistance_ohm": 0.2}, bus_V=bus_V)
    ohm = 0.5 + kind.valves_in_path * 0.2
    heat_W = kind.phases * float(resistive.phase_rms_A) ** 2 * ohm
    through_W = float(resistive.electromagnetic_power_W)
    assert through_W == pytest.approx(bus_V * float(resistive.bus_current_A) + heat_W, rel=2e-3)

    # So steep a diode drops nearly the same at any current: 0.92 V at 1 A.
    steep = {"diode_saturation_A": 1e-20, "diode_emission_V": 0.02}
    state = solve(**circuit | steep, bus_V=bus_V)
    amps = float(state.bus_current_A)
    heat_W = kind.phases * float(state.phase_rms_A) ** 2 * 0.5
    drop_V = (float(state.electromagnetic_power_W) - heat_W) / amps - bus_V
    assert drop_V == pytest.approx(kind.drops * 0.02 * log(1e20 * amps / kind.bus_valves), rel=0.04)


def test_rows_of_machines_are_whole() -> None:
    """Six valves and three wires for a star; a full bridge for each winding (textbook)."""
    wires = {name: kind.wires for name, kind in MACHINE_KINDS.items()}
    assert wires == {"three_phase": 3, "two_phase": 4, "brushed_dc": 2}
    assert {kind.bridge for kind in MACHINE_KINDS.values()} <= set(RECTIFIERS)
    for number, (name, kind) in enumerate(MACHINE_KINDS.items()):
        assert kind.name == name
        assert machine_kinds.number_of(name) == number
        assert machine_kinds.column("valves")[number] == kind.valves
        # Each wire of a bridge has one valve up and one down; the one diode is in line.
        assert kind.valves in (2 * kind.wires, 1)
        assert kind.blocking_valves * 2 == kind.valves or kind.valves == 1


def test_rules_that_a_pack_cannot_break_are_rules() -> None:
    for kind in PACK_KINDS.values():
        assert kind.unbound <= set(RULES)


def test_a_new_row_is_a_kind_that_tables_may_hold(
    small_project: Project, monkeypatch: pytest.MonkeyPatch
) -> None:
    generator = small_project.catalogue.parts["generator"][0].model_dump() | {"kind": "five_phase"}
    pack = small_project.catalogue.packs["telemetry_pack"].model_dump() | {
        "kind": "shy",
        "retry_s": 2.0,
    }
    with pytest.raises(ValidationError, match="'two_phase' or 'brushed_dc'"):
        Generator.model_validate(generator)
    with pytest.raises(ValidationError, match="'regulating' or 'retrying'"):
        Pack.model_validate(pack)
    star = MACHINE_KINDS["three_phase"]
    monkeypatch.setitem(MACHINE_KINDS, "five_phase", replace(star, name="five_phase", valves=10))
    monkeypatch.setitem(PACK_KINDS, "shy", PackKind("shy", "waits", waits_to_connect=True))
    assert Generator.model_validate(generator).valves == 10
    assert Pack.model_validate(pack).wait_s == 2.0
    assert small_project.catalogue.packs["telemetry_pack"].wait_s == 0.0


def test_links_are_in_the_order_of_the_chain() -> None:
    assert (*FRONT_LINKS, *BACK_LINKS) == tuple(LINKS)
    assert [link.table for link in LINKS.values()][-1] == "pack_leads"
    assert all(name == link.name for name, link in LINKS.items())


def test_pieces_of_a_design_by_hand(small_project: Project) -> None:
    """Six diodes for a star, eight for two windings, one behind a commutator; 5 x 2 cells."""
    designs = pick(
        small_project,
        {},
        {"generator": "stepper_long", "cells_parallel": 2},
        {"generator": "treadmill_dc", "clamp": "bus_clamp"},
    )
    taken = quantities(small_project.catalogue, designs)
    assert list(taken) == list(LINKS)
    assert taken["rectifier"].tolist() == [6, 8, 1]
    assert taken["cell"].tolist() == [5, 10, 5]
    assert taken["clamp"].tolist() == [1, 1, 1]
    assert all(np.all(taken[link] == 1) for link in LINKS if link not in {"rectifier", "cell"})
    assert SOUND["cells_series"] == 5


class Ballast(Part):
    """A link that nothing but its mass and price says anything about."""


def test_a_study_older_than_a_link_takes_its_default(
    small_study: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = load(small_study)
    none = Ballast(id="no_ballast", name="None", source="by definition", dated="2026-11-03",
                   mass_kg=0)  # fmt: skip
    monkeypatch.setitem(LINKS, "ballast", Link("ballast", Ballast, front=True, default=none))
    monkeypatch.setitem(MODELS, "ballast", Ballast)
    monkeypatch.setitem(TABLE_NAMES, "ballast", "ballasts")
    project = load(small_study)
    assert project.study.choices["ballast"] == ("no_ballast",)
    assert project.catalogue.prices.unit_price("no_ballast") == 0
    for link in set(LINKS) - {"ballast"}:
        assert project.catalogue.parts[link] == before.catalogue.parts[link]
    assert project.scenario_hash == before.scenario_hash
    assert project.catalogue.prices.content_hash == before.catalogue.prices.content_hash

    # With a table of its own the link is like any other: its rows count, and need prices.
    table = small_study.parent / "parts" / "ballasts.csv"
    table.write_text("id,name,source,dated,mass_kg\nbrick,Brick,weighed,2026-11-03,2\n")
    with pytest.raises(InputError, match="brick: has no price"):
        load(small_study)
    with (small_study.parent / "parts" / "prices.csv").open("a") as prices:
        prices.write("brick,1.50,EUR,2026-11-10,\n")
    assert load(small_study).study.choices["ballast"] == ("brick",)


def test_a_missing_table_of_a_first_link_is_a_fault(small_study: Path) -> None:
    (small_study.parent / "parts" / "clamps.csv").unlink()
    with pytest.raises(InputError, match=r"clamps\.csv: is missing"):
        load(small_study)
