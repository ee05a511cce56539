"""Reads TOML files that people write, and finds the line on which a key stands."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from explorer.errors import Fault, InputError

_KEY = r"""(?:[A-Za-z0-9_-]+|"(?:[^"\\]|\\.)*"|'[^']*')"""
_KEYS = rf"{_KEY}(?:\s*\.\s*{_KEY})*"
_HEADER = re.compile(rf"\s*(\[\[?)\s*({_KEYS})\s*\]\]?\s*(?:#.*)?")
_ASSIGNED = re.compile(rf"\s*({_KEYS})\s*=")
DEEPEST_NAME = 100
"""Python's reader takes the square of a name's parts: 100,000 of them fill any memory."""
_BARE_OR_QUOTED = r"""(?:[A-Za-z0-9_-]++|"(?:[^"\\\n]++|\\.)*"?|'[^'\n]*+'?)"""
_NAME_OR_STRING = re.compile(
    r'"""(?:[^"\\]++|\\[\s\S]|"(?!""))*"{0,5}'
    r"|'''(?:[^']++|'(?!''))*'{0,5}"
    r"|#.*"
    rf"|(?P<name>{_BARE_OR_QUOTED}(?:[ \t]*+\.[ \t]*+{_BARE_OR_QUOTED})*)",
)
"""What may hold points. Nothing is given back, so that any text is gone through once."""
NEWLINE = "\n"
_LONG_STRING = re.compile(r'"""|\'\'\'')

Places = Mapping[tuple[str, ...], int]
"""Key, with the tables around it and the number of an entry from 0 -> its line, from 1."""


def read_toml(path: Path, most_bytes: int, kind: str) -> tuple[str, dict[str, Any]]:
    """Text and content of a TOML file of some kind ("a study"); InputError with the line."""
    where = ""
    try:
        if not path.exists():
            rule = "is missing"
        elif not path.is_file():
            rule = "is not a file"
        elif path.stat().st_size > most_bytes:
            rule = f"is over {most_bytes // 1_000_000} MB, too large for {kind}"
        else:
            content = path.read_bytes()
            text = content.decode("utf-8-sig").replace("\r\n", "\n")
            deep = _deep_name(text)
            if deep is None:
                return text, tomllib.loads(text)
            where = f"line {text.count(NEWLINE, 0, deep) + 1}"
            rule = f"must have names of less than {DEEPEST_NAME} parts"
    except UnicodeDecodeError as error:
        where = f"line {content.count(NEWLINE.encode(), 0, error.start) + 1}"
        rule = f"is not UTF-8 text, see byte {error.start + 1}; save it as UTF-8"
    except RecursionError:
        rule = "is nested too deeply"
    except OSError as error:
        rule = f"cannot be read: {error.strerror or error}"
    except ValueError as error:  # tomllib.TOMLDecodeError, or a number beyond what int() takes
        words = str(error)
        found = re.search(r" \(at (?:line (\d+), column \d+|end of document)\)$", words)
        if found:
            where = f"line {found[1] or len(text.splitlines()) or 1}"
            words = words[: found.start()]
        rule = f"is not TOML: {words}"
    raise InputError([Fault(str(path), where, rule)])


def places_of(text: str) -> Places:
    """Where every key of a TOML text stands that begins a line, tables and their entries too.

    >>> places_of("[[a]]\\nb.c = 1\\n[[a]]\\nb.c = 2")["a", "1", "b", "c"]
    4
    """
    places: dict[tuple[str, ...], int] = {}
    entries: dict[tuple[str, ...], int] = {}
    table: tuple[str, ...] = ()
    quoted = False
    for number, line in enumerate(text.split("\n"), 1):
        was_quoted, quoted = quoted, quoted ^ (len(_LONG_STRING.findall(line)) % 2 == 1)
        if was_quoted:
            continue
        header = _HEADER.fullmatch(line)
        if header:
            names = _names(header[2])
            table = _inside(names[:-1], entries) + names[-1:]
            if header[1] == "[[":
                entries[table] = entries.get(table, -1) + 1
            table = _inside(names, entries)
            keys: tuple[str, ...] = table
        elif assigned := _ASSIGNED.match(line):
            keys = table + _names(assigned[1])
        else:
            continue
        for depth in range(1, len(keys) + 1):
            places.setdefault(keys[:depth], number)
    return places


def line_of(places: Places, keys: Iterable[Any]) -> int | None:
    """The line on which a key stands, or the deepest of its parents that has one."""
    path = tuple(str(key) for key in keys)
    depths = range(len(path), 0, -1)
    return next((places[path[:d]] for d in depths if path[:d] in places), None)


def _deep_name(text: str) -> int | None:
    """Where a TOML text has a dotted name of `DEEPEST_NAME` parts or more; None without one."""
    for found in _NAME_OR_STRING.finditer(text):
        name = found["name"]
        if not name or name.count(".") < DEEPEST_NAME - 1:
            continue
        if len(re.findall(_BARE_OR_QUOTED, name)) >= DEEPEST_NAME:  # points within quotes are none
            return found.start()
    return None


def _names(dotted: str) -> tuple[str, ...]:
    return tuple(name.strip("\"'") for name in re.findall(_KEY, dotted))


def _inside(names: tuple[str, ...], entries: Mapping[tuple[str, ...], int]) -> tuple[str, ...]:
    """A table's path with the number of the entry that a header speaks of: the last one."""
    path: tuple[str, ...] = ()
    for name in names:
        path += (name,)
        if path in entries:
            path += (str(entries[path]),)
    return path
