"""Imports go down only, imports for types too; no circles; the physics never touches the disk."""

from __future__ import annotations

import ast
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "explorer"
FLOORS: tuple[tuple[str, ...], ...] = (
    ("errors", "units", "front", "files", "stopping", "user_cache"),
    ("physics",),
    ("inputs",),
    ("model",),
    ("store",),
    ("search",),
    ("decision",),
    ("measuring",),
    ("report",),
    ("commands",),
    ("cli",),
    ("__main__",),
)
"""From the ground up; a name stands for a module or a folder. Within a folder no circle may come of
imports, and a file imports from its own floor or from below."""
FLOOR = {name: floor for floor, names in enumerate(FLOORS) for name in names}
MODULES = sorted(PACKAGE.rglob("*.py"))
DISK = {"pathlib", "os", "io", "shutil", "tempfile", "sqlite3", "tomllib", "csv", "logging"}


def name_of(path: Path) -> str:
    """Dotted name inside the package: `physics.bridge`, `cli`, `` for the package itself."""
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


KNOWN = {name_of(path) for path in MODULES}


def imports(path: Path) -> set[str]:
    """Dotted names inside the package that a file imports: lazily, and for types, too."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            found |= {a.name.removeprefix("explorer.") for a in node.names if a.name != "explorer"}
        elif isinstance(node, ast.ImportFrom) and (node.module or "").startswith("explorer"):
            module = (node.module or "").removeprefix("explorer").removeprefix(".")
            for alias in node.names:
                inner = f"{module}.{alias.name}".removeprefix(".")
                found.add(inner if inner in KNOWN else module)
    return {name for name in found if name in KNOWN and name}


GRAPH = {name_of(path): imports(path) - {name_of(path)} for path in MODULES}


@pytest.mark.parametrize("name", sorted(filter(None, GRAPH)))
def test_imports_go_down(name: str) -> None:
    floor = FLOOR[name.split(".")[0]]
    higher = sorted(other for other in GRAPH[name] if FLOOR[other.split(".")[0]] > floor)
    assert not higher, f"{name} is below {higher}"


def test_no_circles() -> None:
    try:
        tuple(TopologicalSorter(GRAPH).static_order())
    except CycleError as error:
        pytest.fail(f"a circle: {error.args[1]}")


def test_every_module_has_its_floor() -> None:
    assert {name.split(".")[0] for name in KNOWN if name} <= set(FLOOR)


@pytest.mark.parametrize(
    "path", sorted((PACKAGE / "physics").glob("*.py")), ids=lambda path: path.stem
)
def test_physics_never_touches_the_disk(path: Path) -> None:
    """The bridge and the soft bus alone read the tables that are part of them, beside them in the
    package."""
    tree = ast.parse(path.read_text())
    names = {
        alias.name.split(".")[0]
        for node in ast.walk(tree)
        if isinstance(node, ast.Import)
        for alias in node.names
    } | {
        (node.module or "").split(".")[0]
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom)
    }
    opened = {
        node.func.id
        for node in ast.walk(tree)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
    } & {"open", "print", "input"}
    reads = {"pathlib"}
    allowed = {"bridge": reads, "soft_bus": reads, "bridge_map": DISK}.get(path.stem, set())
    assert names & DISK <= allowed
    assert path.stem == "bridge_map" or not opened


def test_the_generator_of_the_bridge_tables_has_one_caller() -> None:
    """It may write the file of a sine because nothing but a developer runs it; other shapes are
    solved and kept in one place."""
    callers = {name for name, others in GRAPH.items() if "physics.bridge_map" in others}
    assert callers == {"model.shape_maps"}
