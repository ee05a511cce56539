"""The lock file: what stands in it, each fault of it with its line, and writing it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, ValidationError

from explorer.errors import DiskError, Fault, Hint, InputError, nearest
from explorer.files import OUTSIDE, leads_outside, write_atomic
from explorer.inputs.csv_tables import rule_of, shown
from explorer.inputs.links import LINKS
from explorer.inputs.records import SETTINGS, Identifier, NonNegative, Positive
from explorer.inputs.sections import WHOLE_SETTINGS
from explorer.inputs.toml_text import Places, line_of, places_of, read_toml
from explorer.model.space import design_id as id_of
from explorer.store.keys import default_row, default_setting

FORMAT = 1
LONGEST_NOTE = 500
LARGEST_LOCKS_BYTES = 4_000_000
HEADER = """\
# Designs that somebody decided to build, with the prices and results of that day.
# Written by the lock command; fit to be read, kept and compared by a person.
"""


Default = Callable[[str], str | float | None]


class _Loose(BaseModel):
    model_config = ConfigDict(frozen=True, extra="allow", allow_inf_nan=False)


class _BillLine(_Loose):
    link: Identifier
    part: Identifier
    quantity: Annotated[int, Field(ge=1)]
    unit_price: NonNegative
    currency: str
    price_dated: date


class _Result(_Loose):
    delivered_energy_J: float
    cost: NonNegative
    currency: str
    mass_kg: NonNegative
    crank_effort_percent: NonNegative
    regime: str
    feasible: bool
    ledger_J: dict[str, float]
    time_to_first_charge_s: NonNegative | None = None
    build_quantity: Annotated[int, Field(ge=1)] | None = None


class _Hashes(_Loose):
    model_version: str
    study: str
    scenario: str
    prices: str
    rows: dict[str, str]


class _Entry(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    design_id: Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{12}$")]
    date: date
    note: Annotated[str, Field(max_length=LONGEST_NOTE)] = ""
    parts: dict[str, Identifier]
    settings: dict[str, Positive]
    result: _Result
    margins: dict[str, float]
    bill: list[_BillLine]
    hashes: _Hashes


def read_entries(path: Path) -> list[dict[str, Any]]:
    """Checked entries of a lock file as plain values, [] without a file."""
    if leads_outside(path, path.parent):
        raise InputError([Fault(str(path), "", OUTSIDE)])
    if not path.exists():
        return []
    text, raw = read_toml(path, LARGEST_LOCKS_BYTES, "locks")
    check = _Check(str(path), places_of(text))
    release = raw.get("format", "")
    if type(release) is not int or release != FORMAT:
        rule = f"must have format = {FORMAT}, as the lock command of this release writes"
        check.fault(("format",), rule, release)
        raise InputError(check.faults)
    given = raw.get("locked", [])
    if not isinstance(given, list):
        check.fault(("locked",), "must be [[locked]] entries")
        raise InputError(check.faults)
    for key in raw:
        if key not in ("format", "locked"):
            check.fault((key,), "unknown key", hint=nearest(key, ("format", "locked")))
    entries: list[dict[str, Any]] = []
    for number, item in enumerate(given):
        entry = check.entry(number, item)
        if entry is None:
            continue
        if entry.design_id in (other["design_id"] for other in entries):
            check.fault(("locked", number, "design_id"), "must be locked once", entry.design_id)
        entries.append(_plain(entry))
    if check.faults:
        raise InputError(check.faults)
    return entries


def _plain(entry: _Entry) -> dict[str, Any]:
    """An entry as plain values. One from before a link or setting has what stands for it
    (`keys.default_row`), and keeps its id.
    """
    parts = {link: default_row(link) for link in LINKS if default_row(link) is not None}
    defaults = {name: default_setting(name) for name in SETTINGS}
    settings = {name: value for name, value in defaults.items() if value is not None}
    content = entry.model_dump()
    content["parts"] = {**parts, **content["parts"]}
    content["settings"] = {
        name: round(value) if name in WHOLE_SETTINGS else value
        for name, value in {**settings, **content["settings"]}.items()
    }
    return content


class _Check:
    """Checks the entries of a lock file and gathers faults, each with its line."""

    def __init__(self, file: str, places: Places) -> None:
        self.file = file
        self.places = places
        self.faults: list[Fault] = []

    def fault(self, keys: tuple[Any, ...], rule: str, value: object = "", hint: Hint = "") -> None:
        """Note a fault at a key such as ("locked", 0, "note"); without a line it is of line 1."""
        line = line_of(self.places, keys) or 1
        # People count entries from 1.
        named = " ".join([str(keys[0]), *(str(n + 1) for n in keys[1:2])])
        key = shown(".".join([named, *map(str, keys[2:])]))
        plain = shown(value) if isinstance(value, str | int | float) else ""
        self.faults.append(Fault(self.file, f"line {line}, {key}", rule, plain, hint))

    def entry(self, number: int, item: Any) -> _Entry | None:
        """An entry as its record; None with the faults noted."""
        try:
            entry = _Entry.model_validate(item)
        except ValidationError as error:
            for found in error.errors(include_url=False):
                value = "" if found["type"] in ("missing", "value_error") else found["input"]
                self.fault(("locked", number, *found["loc"]), rule_of(found), value)
            return None
        self._complete(number, entry)
        return entry

    def _complete(self, number: int, entry: _Entry) -> None:
        """What the types cannot say: complete names, and an id that is that of its content."""
        complete = True
        links, settings = tuple(LINKS), SETTINGS
        given: tuple[tuple[tuple[str, ...], Mapping[str, Any], tuple[str, ...], Default], ...] = (
            (("parts",), entry.parts, links, default_row),
            (("settings",), entry.settings, settings, default_setting),
            (("hashes", "rows"), entry.hashes.rows, links, default_row),
        )
        for keys, values, names, default in given:
            for name in names:
                if name not in values and default(name) is None:
                    complete = False
                    self.fault(("locked", number, *keys, name), "must be filled in")
            for name in values:
                if name not in names:
                    hint = nearest(name, names)
                    self.fault(("locked", number, *keys, name), "unknown key", hint=hint)
        if complete and (own := id_of(entry.parts, entry.settings)) != entry.design_id:
            rule = f"must be {own}, the id of these parts and settings"
            self.fault(("locked", number, "design_id"), rule, entry.design_id)


def write_entries(path: Path, entries: Sequence[Mapping[str, Any]]) -> None:
    import tomli_w

    if not entries:
        try:
            path.unlink(missing_ok=True)
        except OSError as error:
            raise DiskError(f"{path}: cannot be removed: {error.strerror or error}") from error
        return
    content = {"format": FORMAT, "locked": [_without_none(entry) for entry in entries]}
    write_atomic(path, HEADER + "\n" + tomli_w.dumps(content))


def _without_none(value: Any) -> Any:
    """TOML has no word for nothing: such keys are left out."""
    if isinstance(value, Mapping):
        return {k: _without_none(v) for k, v in value.items() if v is not None}
    if isinstance(value, list | tuple):
        return [_without_none(v) for v in value]
    return value
