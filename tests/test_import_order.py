"""Imports go down only, and the physics never touches the disk."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "explorer"
LAYERS: tuple[tuple[str, ...], ...] = (
    ("errors", "units", "stopping"),
    ("physics",),
    ("files", "parts", "machine_classes", "front", "tables", "toml_text", "judging"),
    ("prices",),
    ("catalogue",),
    ("config",),
    ("space", "dividers"),
    ("costing", "supply", "demand", "design_file", "lock_file"),
    ("chain",),
    ("walks",),
    ("stroke", "spell"),
    ("switching",),
    ("rhythm",),
    ("averaged", "session", "waveform"),
    ("overspeed",),
    ("constraints",),
    ("evaluate",),
    ("record",),
    ("store",),
    ("search", "tolerance", "promise"),
    ("insight", "fidelities", "loosening"),
    ("changes",),
    ("reprice", "lock"),
    ("launch", "tipping"),
    ("report",),
    ("commands",),
    ("cli",),
    ("__main__",),
)
"""From the ground up; a name stands for a module or a folder of them. Within one layer, modules
may import each other as long as no circle comes of it."""
LEVEL = {name: level for level, names in enumerate(LAYERS) for name in names}
MODULES = sorted(PACKAGE.rglob("*.py"))
DISK = {"pathlib", "os", "io", "shutil", "tempfile", "sqlite3", "tomllib", "csv", "logging"}


def name_of(path: Path) -> str:
    """Dotted name inside the package: `physics.bridge`, `cli`, `` for the package itself."""
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


KNOWN = {name_of(path) for path in MODULES}


def imports(path: Path) -> set[str]:
    """Dotted names inside the package that a file imports when it runs, lazy imports too."""
    found: set[str] = set()
    tree = ast.parse(path.read_text())
    for_types = {
        inner
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING"
        for inner in ast.walk(node)
    }
    for node in ast.walk(tree):
        if node in for_types:
            continue
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name} imports relatively"
            names = [node.module or ""]
            names += [f"{node.module}.{alias.name}" for alias in node.names]
        else:
            continue
        found |= {name.removeprefix("explorer.") for name in names if name.startswith("explorer.")}
    return {name for name in found if name in KNOWN and name}


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_imports_go_down(path: Path) -> None:
    own = name_of(path)
    if not own:
        assert not imports(path), "the package itself imports nothing of its own"
        return
    assert own.split(".")[0] in LEVEL, f"{own} stands in no layer: say where it belongs"
    for other in imports(path):
        assert LEVEL[other.split(".")[0]] <= LEVEL[own.split(".")[0]], f"{own} imports {other}"


def test_no_circles() -> None:
    edges = {name_of(path): imports(path) - {name_of(path)} for path in MODULES if name_of(path)}
    # A folder's own __init__ is named by everything inside it.
    edges = {name: {o for o in others if not name.startswith(f"{o}.")} for name, others in
             edges.items()}  # fmt: skip
    while edges:
        free = {name for name, others in edges.items() if not others & edges.keys()}
        assert free, f"these import each other: {sorted(edges)}"
        edges = {name: others for name, others in edges.items() if name not in free}


@pytest.mark.parametrize(
    "path", sorted((PACKAGE / "physics").glob("*.py")), ids=lambda path: path.stem
)
def test_physics_never_touches_the_disk(path: Path) -> None:
    """The bridge alone reads the table that is part of it, next to it in the package."""
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
    allowed = {"bridge": {"pathlib"}, "bridge_map": DISK}.get(path.stem, set())
    assert names & DISK <= allowed
    assert path.stem == "bridge_map" or not opened
    assert (
        not imports(path)
        - {"units", "errors"}
        - {name for name in KNOWN if name.startswith("physics")}
    )


def test_the_generator_of_the_bridge_table_is_not_imported() -> None:
    """It may write its file because nothing but a developer runs it."""
    for path in MODULES:
        assert path.stem == "bridge_map" or "physics.bridge_map" not in imports(path), path.name
