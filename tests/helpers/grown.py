"""A copy of the program with made-up rows at the places that DEVELOPERS.md names, and no others.

Rows are added to the source, since tables are read when modules are imported: the copy is what a
person has who followed "How to add", and its worker processes have the rows too. The copy is run in
processes of its own.
"""

from __future__ import annotations

import ast
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]

PLACES = (
    "inputs/front_parts.py",  # the record of a link, a column
    "inputs/links.py",  # the row of a link
    "inputs/machine_kinds.py",
    "inputs/pack_kinds.py",
    "model/objectives.py",
    "physics/bridge.py",  # a rectifier of another kind
)
"""What `add_all` changes of the package."""

NOISE_COLUMN = """
    noise_dB: NonNegative = Field(
        default=70.0, description="sound level beside it at 60 turns of the crank a minute",
        examples=[55],
    )
"""
NOISE_ROW = """
    Objective(
        "noise_dB", "Noise", "dB", False, "quietest", 2,
        lambda project, designs: designs.chosen(project.catalogue, "gearing", "noise_dB")
        + 20 * np.log10(designs.settings["cadence_rpm"] / 60),
    ),
"""
FLYWHEEL_RECORD = '''

class Flywheel(Part):
    """A made-up link: it weighs something, has a price and drags at the generator's shaft."""

    mass_kg: NonNegative = Field(description=MASS_MEANING, examples=[1.0])
    drag_torque_N_m: NonNegative = Field(
        description="of its bearing, at the generator's shaft", examples=[0.02]
    )
'''
FLYWHEEL_ROW = """
        Link(
            "flywheel", Flywheel, front=True, shaft_drag=True, mounted_on="generator's shaft",
            default=Flywheel(
                id="no_flywheel", name="None", source="by definition", dated="2026-11-03",
                mass_kg=0, drag_torque_N_m=0,
            ),
        ),
"""
PACK_ROW = """
        PackKind(
            "cautious", "draws less to hold its input, and waits before it tries again",
            holds_input=True, waits_to_connect=True,
            unbound=frozenset({"converter_current_A", "pack_input_V"}),
        ),
"""
MACHINE_ROW = """
    MachineKind(
        name="bridged_dc", about="a commutator machine behind a full bridge, turned either way",
        phases=1, valves=4, valves_in_path=2, drops=2, conductors_per_phase=2, knee=1.0,
        bus_valves=1, bridge="full_bridge_dc", reverse_adds=False, direct=True,
        reading_per_peak=1.0, phases_between_leads=1, where_measured="the two generator wires",
        emf_means="volts for each radian a second of the shaft",
    ),
"""
RECTIFIER_LAW = '''

def _full_bridge_of_direct_voltage(**circuit: Real) -> BridgeState:
    """A direct voltage behind a full bridge: two diodes in line."""
    twice = ("diode_emission_V", "diode_resistance_ohm")
    return blocking_diode_steady_state(
        **{name: value * (2 if name in twice else 1) for name, value in circuit.items()}
    )

'''
RECTIFIER_ROW = """
    "full_bridge_dc": RectifierLaw(_full_bridge_of_direct_voltage, ONE_DIODE),
"""


def add_all(package: Path) -> None:
    """Add every made-up row to a copy of the package."""
    front_parts = package / "inputs" / "front_parts.py"
    add_to_class(front_parts, "Gearing", NOISE_COLUMN)
    front_parts.write_text(front_parts.read_text("utf-8") + FLYWHEEL_RECORD, "utf-8")
    links = package / "inputs" / "links.py"
    add_row(links, "LINKS", FLYWHEEL_ROW, before='Link("cell"')
    add_before(links, "LINKS", "from explorer.inputs.front_parts import Flywheel\n")
    add_row(package / "inputs" / "pack_kinds.py", "PACK_KINDS", PACK_ROW)
    add_row(package / "inputs" / "machine_kinds.py", "MACHINE_KINDS", MACHINE_ROW)
    add_row(package / "model" / "objectives.py", "OBJECTIVES", NOISE_ROW)
    bridge = package / "physics" / "bridge.py"
    add_row(bridge, "RECTIFIERS", RECTIFIER_ROW)
    add_before(bridge, "RECTIFIERS", RECTIFIER_LAW)


def _statement(text: str, wanted: Callable[[ast.stmt], bool]) -> ast.stmt:
    (found,) = (node for node in ast.parse(text).body if wanted(node))
    return found


def _defines(name: str) -> Callable[[ast.stmt], bool]:
    def wanted(node: ast.stmt) -> bool:
        targets = node.targets if isinstance(node, ast.Assign) else [getattr(node, "target", None)]
        return any(isinstance(one, ast.Name) and one.id == name for one in targets)

    return wanted


def _insert(path: Path, line: int, column: int, added: str) -> None:
    """Put text before a column of a line, both as `ast` counts them (the column in bytes)."""
    lines = path.read_bytes().splitlines(keepends=True)
    at = lines[line - 1]
    lines[line - 1] = at[:column] + added.encode() + at[column:]
    path.write_bytes(b"".join(lines))


def add_row(path: Path, table: str, row: str, before: str = "") -> None:
    """Add a row to a table of a module, at its end or before the row that begins with a text."""
    text = path.read_text("utf-8")
    value = _statement(text, _defines(table)).value  # type: ignore[attr-defined]
    rows = next(
        node for node in ast.walk(value)
        if isinstance(node, ast.Tuple | ast.Dict)
        or (isinstance(node, ast.Call) and getattr(node.func, "id", "") == "_by_name")
        if not isinstance(getattr(node, "ctx", None), ast.Store)
    )  # fmt: skip
    if not before:
        _insert(path, rows.end_lineno, rows.end_col_offset - 1, row)
        return
    (at,) = (
        one for one in rows.elts if (ast.get_source_segment(text, one) or "").startswith(before)
    )
    _insert(path, at.lineno, at.col_offset, row.strip() + "\n")


def add_before(path: Path, name: str, added: str) -> None:
    """Add statements before the one that defines a name."""
    node = _statement(path.read_text("utf-8"), _defines(name))
    _insert(path, node.lineno, 0, added)


def add_to_class(path: Path, name: str, added: str) -> None:
    """Add fields to a class, before its first method if it has one."""
    text = path.read_text("utf-8")
    node = _statement(text, lambda one: isinstance(one, ast.ClassDef) and one.name == name)
    last = [one for one in node.body if isinstance(one, ast.AnnAssign)][-1]  # type: ignore[attr-defined]
    _insert(path, last.end_lineno + 1, 0, added)


class Program:
    """A copy of the program, run in processes of its own."""

    def __init__(self, home: Path) -> None:
        self.home = home
        for folder in ("explorer", "tests"):
            shutil.copytree(
                ROOT / folder, home / folder, ignore=shutil.ignore_patterns("__pycache__")
            )
        shutil.copy(ROOT / "pyproject.toml", home)
        self.package = home / "explorer"

    def run(self, *arguments: str, status: int = 0) -> str:
        """Standard output of a Python process that has this copy for its program."""
        done = subprocess.run(
            [sys.executable, *arguments],
            cwd=self.home,
            env={**os.environ, "PYTHONPATH": str(self.home)},
            capture_output=True,
            text=True,
        )
        assert done.returncode == status, done.stdout[-4000:] + done.stderr[-4000:]
        return done.stdout

    def command(self, *arguments: str | Path, status: int = 0) -> str:
        """What a command prints for people."""
        return self.run("-m", "explorer", *map(str, arguments), status=status)

    def answer(self, *arguments: str | Path, status: int = 0) -> dict[str, Any]:
        """What a command answers to scripts."""
        return dict(json.loads(self.command(*arguments, "--json", status=status)))

    def script(self, text: str, *arguments: str | Path) -> Any:
        """What a script prints as JSON."""
        return json.loads(self.run("-c", text, *map(str, arguments)))
