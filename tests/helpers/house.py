"""What can be read off the package's source: sizes, public names, words, and what uses the disk.

`python -m tests.helpers.house` prints what breaks the rules of the house today.
"""

from __future__ import annotations

import ast
import io
import re
import tokenize
from collections import defaultdict
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "explorer"
MODULE_LINES, FUNCTION_LINES, CLASS_LINES = 400, 60, 300

WORDS = frozenset(
    {
        "walk", "walks", "meeting", "Meeting", "rhythm", "spell", "Draw", "trap", "Supply",
        "Demand", "asked", "too_hard", "_Walkers", "_Laws", "_Books", "tipping", "Tip",
        "loosening", "judging", "insight", "around", "courses", "outing", "reach", "why",
        "limit", "proving", "Shelf", "Desk", "guess", "Explored", "bred", "island", "sound",
        "told", "says", "HOPELESS",
    }
)  # fmt: skip
"""Names that modules, classes, functions and constants no longer bear: each has a standard term."""
PHRASES = re.compile(
    r"\b(?:tell|tells|told|telling)\b(?!\s+(?:\w+\s+){0,3}apart\b)"
    r"|\bconspires?\b|\btrickle has died\b|\bnobody listens\b",
    re.IGNORECASE,
)
"""What a reader of plain English stumbles over. To tell two things apart is plain English."""

DISK_METHODS = frozenset(
    {
        "read_text", "read_bytes", "write_text", "write_bytes", "mkdir", "rmdir", "unlink",
        "touch", "iterdir", "glob", "rglob", "exists", "is_file", "is_dir", "rmtree",
        "copytree", "copyfile", "mkdtemp", "mkstemp", "fdopen", "fsync", "savez",
        "savez_compressed", "memmap",
    }
)  # fmt: skip
"""Functions and methods that ask the disk for something, whatever they are called on."""
DISK_FUNCTIONS = frozenset({"open", "os.open", "io.open", "temporary.open", "np.load", "np.save"})
DISK_MODULES = frozenset({"sqlite3", "shutil", "tempfile", "fcntl", "msvcrt"})


class Place(NamedTuple):
    """Something in the source, and where it stands."""

    module: str
    name: str
    lines: int = 0

    def __str__(self) -> str:
        return f"{self.module}:{self.name}"


@cache
def modules() -> dict[str, Path]:
    """Dotted name inside the package -> file; packages themselves under their own name."""
    found = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        parts = path.relative_to(PACKAGE).with_suffix("").parts
        found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


@cache
def tree(module: str) -> ast.Module:
    """The syntax tree of a module."""
    return ast.parse(modules()[module].read_text())


def first_line(module: str) -> str:
    """First line of a module's docstring, without the full stop."""
    return (ast.get_docstring(tree(module)) or "").split("\n")[0].rstrip(".")


def _defined(
    body: list[ast.stmt], within: str = ""
) -> Iterator[tuple[str, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef]]:
    """Every class and function with its qualified name, inner ones too."""
    for node in body:
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            name = f"{within}{node.name}"
            yield name, node
            yield from _defined(node.body, f"{name}.")
        else:
            for inner in ("body", "orelse", "finalbody"):
                yield from _defined(getattr(node, inner, []), within)


def long_modules() -> list[Place]:
    """Modules of more lines than fit."""
    lengths = {name: len(path.read_text().splitlines()) for name, path in modules().items()}
    return [Place(name, "", lines) for name, lines in lengths.items() if lines > MODULE_LINES]


def long_blocks() -> list[Place]:
    """Functions and classes of more lines than fit, docstrings and decorators counted."""
    found = []
    for module in modules():
        for name, node in _defined(tree(module).body):
            first = min([node.lineno, *(d.lineno for d in node.decorator_list)])
            lines = (node.end_lineno or first) - first + 1
            if lines > (CLASS_LINES if isinstance(node, ast.ClassDef) else FUNCTION_LINES):
                found.append(Place(module, name, lines))
    return found


def _assigned(node: ast.stmt) -> list[str]:
    """Names that a statement at the top of a module defines by assignment."""
    targets: list[ast.expr] = []
    if isinstance(node, ast.Assign):
        targets = [
            inner
            for target in node.targets
            for inner in (target.elts if isinstance(target, ast.Tuple) else [target])
        ]
    elif isinstance(node, ast.AnnAssign):
        targets = [node.target]
    return [target.id for target in targets if isinstance(target, ast.Name)]


def _compiles(node: ast.stmt) -> bool:
    """Whether a statement compiles a law of physics under its own name: `drag = scalar(x.drag)`."""
    match node:
        case ast.Assign(
            targets=[ast.Name(id=name)],
            value=ast.Call(func=ast.Name(id="scalar"), args=[ast.Attribute(attr=law)]),
        ):
            return name == law
    return False


def public_names(module: str) -> set[str]:
    """What a module defines at its top: classes, functions and constants without an underscore.

    A law that a kernel compiles under its own name has its home in physics.
    """
    names: set[str] = set()
    for node in tree(module).body:
        if _compiles(node):
            continue
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            names.add(node.name)
        names.update(_assigned(node))
    return {name for name in names if not name.startswith("_")}


def doubles() -> dict[str, list[str]]:
    """Public name -> the modules that define it, of names that more than one module defines."""
    homes: dict[str, list[str]] = defaultdict(list)
    for module in modules():
        for name in public_names(module):
            homes[name].append(module)
    return {name: found for name, found in sorted(homes.items()) if len(found) > 1}


def old_words() -> list[Place]:
    """Modules, classes, functions and constants that bear a name of `WORDS`."""
    found = []
    for module in modules():
        if module.split(".")[-1] in WORDS:
            found.append(Place(module, module.split(".")[-1]))
        found += [
            Place(module, name)
            for name, _ in _defined(tree(module).body)
            if name.split(".")[-1] in WORDS
        ]
        constants = {name for node in tree(module).body for name in _assigned(node)}
        found += [Place(module, name) for name in sorted(constants & WORDS)]
    return found


def prose(path: Path) -> list[tuple[int, str]]:
    """Line and text of every comment and string of a Python file; of another file, every line."""
    source = path.read_text()
    if path.suffix != ".py":
        return list(enumerate(source.splitlines(), 1))
    tokens = tokenize.generate_tokens(io.StringIO(source).readline)
    comments = [(t.start[0], t.string) for t in tokens if t.type == tokenize.COMMENT]
    return sorted(comments + list(_strings(ast.parse(source))))


def _strings(node: ast.AST) -> Iterator[tuple[int, str]]:
    """Every string below a node, with its line; in an f-string a word stands for each value."""
    if isinstance(node, ast.JoinedStr):
        parts = [str(p.value) if isinstance(p, ast.Constant) else "value" for p in node.values]
        yield node.lineno, "".join(parts)
        for part in node.values:
            if isinstance(part, ast.FormattedValue):
                yield from _strings(part.value)
    elif isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield node.lineno, node.value
    else:
        for child in ast.iter_child_nodes(node):
            yield from _strings(child)


def phrases(path: Path) -> list[str]:
    """`line: phrase` wherever the prose of a file has one of `PHRASES`."""
    return [
        f"{line}: {match.group()}" for line, text in prose(path) for match in PHRASES.finditer(text)
    ]


def uses_disk(module: str) -> bool:
    """Whether a module itself reads or writes files, or asks about them."""
    for node in ast.walk(tree(module)):
        if isinstance(node, ast.Import) and DISK_MODULES & {a.name for a in node.names}:
            return True
        if isinstance(node, ast.ImportFrom) and node.module in DISK_MODULES:
            return True
        if isinstance(node, ast.Call):
            called = ast.unparse(node.func)
            if called in DISK_FUNCTIONS or called.split(".")[-1] in DISK_METHODS:
                return True
    return False


BEGIN, END = "<!-- modules: written by .ci/modules -->", "<!-- end of modules -->"


def module_tables() -> str:
    """What DEVELOPERS.md says of every module: a table a folder, with what the files say first."""
    folders: dict[str, list[str]] = defaultdict(list)
    for name in modules():
        folder = name if modules()[name].name == "__init__.py" else name.rpartition(".")[0]
        folders[folder].append(name)
    lines = [BEGIN]
    for folder, names in folders.items():
        lines += ["", f"**explorer/{folder.replace('.', '/')}** {first_line(folder)}", ""]
        lines += ["| module | says of itself |", "|---|---|"]
        for name in sorted(set(names) - {folder}):
            mark = " (disk)" if uses_disk(name) else ""
            lines.append(f"| `{name.split('.')[-1]}`{mark} | {first_line(name)} |")
    return "\n".join([*lines, END])


def with_modules(page: str) -> str:
    """A page with its part about modules as the source has it today."""
    before, begin, rest = page.partition(BEGIN)
    _, end, after = rest.partition(END)
    if not (begin and end):
        raise ValueError(f"no {BEGIN} and {END}")
    return before + module_tables() + after


def _show(title: str, rows: list[str]) -> None:
    print(f"{title} ({len(rows)})")
    print("".join(f"    {row}\n" for row in rows), end="")


def main() -> None:
    """Print what breaks the rules of the house."""
    _show(f"modules over {MODULE_LINES} lines", [f"{p.module} {p.lines}" for p in long_modules()])
    _show("functions and classes that are too long", [f"{p} {p.lines}" for p in long_blocks()])
    _show("public names with two homes", [f"{n}: {', '.join(m)}" for n, m in doubles().items()])
    _show("words", [str(place) for place in old_words()])
    counts = {name: phrases(path) for name, path in modules().items()}
    _show("phrases", [f"{name}: {'; '.join(rows)}" for name, rows in counts.items() if rows])
    _show("uses the disk", [name for name in modules() if uses_disk(name)])


if __name__ == "__main__":
    main()
