"""The file of decisions: what stands in it, each fault of it with its line, and writing it.

Date and note of an entry are a person's to change. What was computed stands under its hash.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date
from functools import cached_property
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, ValidationError

from explorer.errors import DiskError, Fault, Hint, InputError, nearest
from explorer.files import NOWHERE, OUTSIDE, leads_nowhere, leads_outside, write_atomic
from explorer.inputs.csv_tables import content_hash, shown
from explorer.inputs.links import LINKS
from explorer.inputs.records import SETTINGS, WHOLE_SETTINGS, Identifier, NonNegative
from explorer.inputs.rule_words import rule_of
from explorer.inputs.toml_text import Places, line_of, places_of, read_toml
from explorer.model.space import design_id as id_of
from explorer.store.keys import default_row, default_setting

FORMAT = 1
LONGEST_NOTE = 500
LARGEST_LOCKS_BYTES = 4_000_000
OF_A_PERSON = ("date", "note")
"""Keys of an entry that a person may change."""
ENTRY = "\n[[locked]]\n"
"""Begins an entry. Within one it cannot stand: texts are written in one line."""
HEADER = """\
# Designs that somebody decided to build, with the prices and results of that day.
# Written by the lock command; keep it with the study. Dates and notes may be changed here, and
# an entry taken out; what was computed may not.
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
    price_dated: date | None = None
    owned: Annotated[int, Field(ge=0)] | None = None
    bought: Annotated[int, Field(ge=0)] | None = None
    amount: NonNegative | None = None


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


class _Advice(_Loose):
    action: str
    text: str
    design_id: str | None = None
    parts: dict[str, Identifier] = {}
    settings: dict[str, NonNegative] = {}
    cost_to_switch: NonNegative | None = None


class _Option(_Loose):
    swaps: Annotated[int, Field(ge=0)]
    design_id: str
    parts: dict[str, Identifier] = {}
    settings: dict[str, NonNegative] = {}
    cost_to_switch: NonNegative
    cost: NonNegative
    text: str


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
    hash: Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{16}$")] | None = None
    parts: dict[str, Identifier]
    settings: dict[str, float]
    result: _Result
    margins: dict[str, float]
    bill: list[_BillLine]
    hashes: _Hashes
    advice: _Advice | None = None
    options: list[_Option] | None = None


def read_entries(
    path: Path, known: Sequence[Mapping[str, Any]] = (), *, hashed: bool = True
) -> list[dict[str, Any]] | None:
    """Checked entries of a file of decisions as plain values, None without a file.

    `known` are entries of the store: of one whose results were changed, the fault names the key
    that differs from them. Without `hashed` entries may lack their hash, as those of the first
    release do. InputError with every fault and its line.
    """
    if leads_outside(path, path.parent):
        raise InputError([Fault(str(path), "", OUTSIDE)])
    if leads_nowhere(path):
        raise InputError([Fault(str(path), "", NOWHERE)])
    if not path.exists():
        return None
    text, raw = read_toml(path, LARGEST_LOCKS_BYTES, "locks")
    check = _Check(str(path), text, {one["hash"]: one for one in known}, hashed)
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


def entry_of(kept: Mapping[str, Any]) -> dict[str, Any]:
    """An entry that is no file's as plain values, with what stands for newer links and settings.

    InputError for one that this release cannot read.
    """
    try:
        return _plain(_Entry.model_validate(kept))
    except ValidationError as error:
        found = error.errors(include_url=False)[0]
        where = ".".join(map(str, found["loc"]))
        raise InputError([Fault("decision", where, rule_of(found))]) from error


def as_kept(entry: Mapping[str, Any]) -> dict[str, Any]:
    """Plain values of an entry as the store keeps and compares them: with its hash and without what
    is None, dates as text.
    """
    content = _without_none(entry)
    head = {name: content[name] for name in ("design_id", *OF_A_PERSON)}
    rest = {name: value for name, value in content.items() if name not in (*head, "hash")}
    return dict(_with_plain_dates({**head, "hash": results_hash(content), **rest}))


def results_hash(entry: Mapping[str, Any]) -> str:
    """Hash of all of an entry that was computed."""
    kept = {name: value for name, value in entry.items() if name not in (*OF_A_PERSON, "hash")}
    return content_hash(_with_plain_dates(_without_none(kept)))


def differing(one: Any, other: Any, keys: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Keys at which two plain values differ, those of the first in its order.

    >>> list(differing({"a": 1, "b": [2, {"c": 3}]}, {"a": 1, "b": [2, {"c": 4}]}))
    [('b', 1, 'c')]
    """
    if isinstance(one, Mapping) and isinstance(other, Mapping):
        for name in dict.fromkeys([*one, *other]):
            yield from differing(one.get(name), other.get(name), (*keys, name))
    elif isinstance(one, list) and isinstance(other, list) and len(one) == len(other):
        for number, (mine, theirs) in enumerate(zip(one, other, strict=True)):
            yield from differing(mine, theirs, (*keys, number))
    elif type(one) is not type(other) or one != other:
        yield keys


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
    """Checks the entries of a file of decisions and gathers faults, each with its line."""

    def __init__(
        self, file: str, text: str, known: Mapping[str, Mapping[str, Any]], hashed: bool
    ) -> None:
        self.file = file
        self.text = text
        self.known = known
        self.hashed = hashed
        self.faults: list[Fault] = []

    @cached_property
    def places(self) -> Places:
        """Where each key stands; a file without a fault is not searched for them."""
        return places_of(self.text)

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
        before = len(self.faults)
        self._complete(number, entry)
        if len(self.faults) == before:
            self._unchanged(number, item)
        return entry

    def _unchanged(self, number: int, item: Mapping[str, Any]) -> None:
        """What was computed must be as it was when the entry was written."""
        kept = item.get("hash")
        if kept is None and self.hashed:
            self.fault(("locked", number, "hash"), "must be filled in")
        elif kept is not None and results_hash(item) != kept:
            known = self.known.get(kept, {})
            mine = _with_plain_dates({k: v for k, v in item.items() if k not in OF_A_PERSON})
            theirs = {k: v for k, v in known.items() if k not in OF_A_PERSON}
            changed = next(differing(mine, theirs), ("hash",)) if known else ("hash",)
            rule = "must be as it was computed, what stands under the hash has been changed"
            self.fault(("locked", number, *changed), rule, _at(item, changed))

    def _complete(self, number: int, entry: _Entry) -> None:
        """What the types cannot say: complete names, and an id that is that of its content."""
        complete = True
        for name, value in entry.settings.items():
            if value < 0 or (value == 0 and default_setting(name) != 0):
                complete = False
                rule = "must be greater than 0"
                self.fault(("locked", number, "settings", name), rule, value)
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


def write_entries(
    path: Path, entries: Sequence[Mapping[str, Any]], texts: Mapping[str, str] | None = None
) -> None:
    """Write a file of decisions whole, or remove it where there are none; DiskError. InputError for
    more than `read_entries` takes: nobody could then even release one.

    `texts` are those of entries that are already in the file, by design (`texts_of`).
    """
    texts = texts or {}
    if not entries:
        try:
            path.unlink(missing_ok=True)
        except OSError as error:
            raise DiskError(f"{path}: cannot be removed: {error.strerror or error}") from error
        return
    each = [texts.get(entry["design_id"]) or _text_of(entry) for entry in entries]
    text = ENTRY.join((f"{HEADER}\nformat = {FORMAT}\n", *each))
    if len(text.encode()) > LARGEST_LOCKS_BYTES:
        rule = f"must stay below {LARGEST_LOCKS_BYTES // 1_000_000} MB: release a design first"
        raise InputError([Fault(str(path), "locked", rule, f"{len(entries):,} decisions")])
    write_atomic(path, text)


def texts_of(text: str) -> dict[str, str]:
    """The text of each entry of a file that `write_entries` has written, by design."""
    entries = text.split(ENTRY)[1:]
    return {entry.split('"', 2)[1]: entry for entry in entries}  # the id stands first


def _text_of(entry: Mapping[str, Any]) -> str:
    """An entry as TOML, without the line that begins it."""
    import tomli_w

    locked = {**as_kept(entry), "date": _day(entry["date"])}
    locked["bill"] = [
        {**line, "price_dated": _day(line["price_dated"])} if "price_dated" in line else line
        for line in locked["bill"]
    ]
    return tomli_w.dumps({"locked": [locked]}).removeprefix(ENTRY.lstrip())


SCALARS = (str, float, int)
"""What most values are: looked for first, since asking for a mapping takes ten times as long."""


def _without_none(value: Any) -> Any:
    """TOML has no word for nothing: such keys are left out."""
    if isinstance(value, SCALARS):
        return value
    if isinstance(value, Mapping):
        return {k: _without_none(v) for k, v in value.items() if v is not None}
    if isinstance(value, list | tuple):
        return [_without_none(v) for v in value]
    return value


def _day(value: date | str) -> date:
    return value if isinstance(value, date) else date.fromisoformat(value)


def _with_plain_dates(value: Any) -> Any:
    """Plain values with dates as JSON has them, in ISO 8601."""
    if isinstance(value, SCALARS):
        return value
    if isinstance(value, Mapping):
        return {k: _with_plain_dates(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_with_plain_dates(v) for v in value]
    return value.isoformat() if isinstance(value, date) else value


def _at(item: Any, keys: Sequence[Any]) -> Any:
    """What stands at some keys of plain values, "" for nothing."""
    for key in keys:
        try:
            item = item[key]
        except (KeyError, IndexError, TypeError):
            return ""
    return item
