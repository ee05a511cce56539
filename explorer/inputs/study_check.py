"""Checks a study file section by section and gathers its faults, each with its line."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from math import prod
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from explorer.errors import Fault, Hint, nearest
from explorer.files import leads_outside
from explorer.inputs.back_parts import Converter, Window
from explorer.inputs.catalogue import Reading
from explorer.inputs.csv_tables import shown
from explorer.inputs.links import LINKS
from explorer.inputs.plausible import implausible
from explorer.inputs.price_section import PriceSection
from explorer.inputs.prices import Offer, OfferColumns, PriceTerms
from explorer.inputs.records import SETTING_ROWS, SETTINGS, WHOLE_SETTINGS, Record
from explorer.inputs.rule_words import rule_of
from explorer.inputs.section import Section
from explorer.inputs.sections import (
    MOST_PIECES,
    NAMED_SECTIONS,
    SECTIONS,
    BudgetLine,
    Build,
    Heading,
    Limits,
    Setting,
)
from explorer.inputs.session_section import Session, Shift
from explorer.inputs.toml_text import line_of, places_of
from explorer.physics.window import threshold_band

MOST_COMBINATIONS = 10**15
"""Counts beyond this are no longer exact in floating point, and no search would cover them."""

SectionT = TypeVar("SectionT", bound=Section)
RecordT = TypeVar("RecordT", bound=Record)


class StudyCheck:
    """Checks a study file section by section and gathers faults, each with its line."""

    def __init__(self, file: str, text: str, raw: Mapping[str, Any]) -> None:
        self.file = file
        self.places = places_of(text)
        self.raw = raw
        self.faults: list[Fault] = []

    def fault(self, keys: Sequence[Any], rule: str, value: object = "", hint: Hint = "") -> None:
        """Note a fault at a key such as ("settings", "cadence_rpm", "low")."""
        line = line_of(self.places, keys)
        key = shown(".".join(str(key) for key in keys))
        where = f"line {line}, {key}" if line else key
        self.faults.append(Fault(self.file, where, rule, shown(value), hint))

    def section(self, name: str, model: type[SectionT]) -> SectionT | None:
        """A section as its record; None with the faults noted."""
        return self._validated((name,), model, self.raw.get(name, {}))

    def settings(self) -> dict[str, Setting] | None:
        """The settings; None with the faults noted."""
        given = self._table("settings", SETTINGS)
        if given is None:
            return None
        settings: dict[str, Setting] = {}
        for name in SETTINGS:
            keys = ("settings", name)
            default = SETTING_ROWS[name].default
            if name not in given and default is None:
                self.fault(keys, "is missing")
                continue
            setting = self._validated(keys, Setting, given.get(name, [default]))
            if setting is None:
                continue
            if not setting.low and default != 0:
                self.fault(keys, "must be numbers above 0 and below 1e9", given[name])
                continue
            whole = not setting.continuous and all(v.is_integer() for v in setting.values)
            if name in WHOLE_SETTINGS and not whole:
                self.fault(keys, "must be whole numbers, a list or {low, high, step}", given[name])
                continue
            rule = implausible(name, setting.low) or implausible(name, setting.high)
            if rule:
                self.fault(keys, rule, given[name])
                continue
            settings[name] = setting
        return settings if len(settings) == len(SETTINGS) else None

    def choices(self) -> dict[str, tuple[str, ...]] | None:
        """Link -> chosen ids, () for all rows of its table; None with the faults noted."""
        given = self._table("choices", tuple(LINKS))
        if given is None:
            return None
        before = len(self.faults)
        choices: dict[str, tuple[str, ...]] = dict.fromkeys(LINKS, ())
        for link in LINKS:
            names, keys = given.get(link, "all"), ("choices", link)
            if names == "all":
                continue
            if not isinstance(names, list) or not all(isinstance(name, str) for name in names):
                self.fault(keys, 'must be "all" or a list of ids in quotes', names)
            elif not names:
                self.fault(keys, 'must name at least one part, or be "all"')
            elif len(set(names)) < len(names):
                self.fault(keys, "must name each once", names)
            else:
                choices[link] = tuple(names)
        return choices if len(self.faults) == before else None

    def small_things(self, build: Build, limits: Limits) -> None:
        """Note small things that alone break a limit of the study."""
        price = sum(line.price for line in build.budget.values())
        for name, sum_, most in (
            ("cost", price, limits.cost),
            ("mass_kg", build.mass_kg, limits.mass_kg),
        ):
            if most is not None and sum_ >= most:
                rule = f"must be above what the lines of [build] come to, {sum_:g}"
                self.fault(("limits", name), rule, f"{most:g}")

    def owned(self) -> dict[str, int] | None:
        """Part -> pieces at hand; None with the faults noted."""
        given = self.raw.get("owned", {})
        if not isinstance(given, dict):
            self.fault(("owned",), "must be a table", given)
            return None
        wrong = {
            part: pieces
            for part, pieces in given.items()
            if type(pieces) is not int or not 0 <= pieces <= MOST_PIECES
        }
        for part, pieces in wrong.items():
            rule = f"must be a whole number of pieces from 0 to {MOST_PIECES:,}"
            self.fault(("owned", part), rule, pieces)
        return None if wrong else dict(given)

    def owned_parts(self, owned: Mapping[str, int], reading: Reading) -> None:
        """Note every part at hand that is in no table."""
        known = [reading.known[link] for link in LINKS]
        if None in known:
            return
        parts = tuple(part for ids in known for part in ids or ())
        there = frozenset(parts)
        for part in owned:
            if part not in there:
                self.fault(("owned", part), "is in no table of parts", hint=nearest(part, parts))

    def folders(self, home: Path) -> tuple[str, str] | None:
        """Folders of tables and bench points, as far as they are inside the study's folder."""
        heading = self.raw.get("study")
        given = heading if isinstance(heading, dict) else {}
        inside = []
        for key in ("tables", "bench"):
            folder = given.get(key, Heading.model_fields[key].default)
            if not isinstance(folder, str) or not folder.isprintable():
                continue  # the section's own check names it
            if leads_outside(home / folder, home):
                self.fault(("study", key), "must lie inside the study's folder", folder)
                continue
            inside.append(folder)
        return (inside[0], inside[1]) if len(inside) == 2 else None

    def terms(self, home: Path, prices: PriceSection) -> PriceTerms:
        """How prices are read, with the offers inside the study's folder."""
        inside = []
        for number, offer in enumerate(prices.offers):
            if leads_outside(home / offer.file, home):
                rule = "must lie inside the study's folder"
                self.fault(("prices", "offers", number, "file"), rule, offer.file)
            else:
                inside.append(offer)
        return PriceTerms(prices.currency, prices.rates, prices.old_after_days, tuple(inside))

    def unknown_sections(self) -> None:
        """Note every top-level key that is no section."""
        for name in self.raw:
            valid = (*SECTIONS, *NAMED_SECTIONS)
            if name not in valid:
                self.fault((name,), "unknown section", hint=nearest(name, valid))

    def against_tables(
        self,
        session: Session | None,
        choices: Mapping[str, tuple[str, ...]] | None,
        settings: Mapping[str, Setting] | None,
        build: Build | None,
        reading: Reading,
    ) -> None:
        """Check ids, prices and thresholds of the study against what the tables hold."""
        if session:
            self._known(("session", "packs"), session.packs, reading.known["pack"])
            people = reading.known["operator"]
            if not session.shifts:
                self._known(("session", "operators"), session.operators, people)
            for number, shift in enumerate(session.shifts):
                keys = ("session", "shifts", number, "operator")
                self._known(keys, (shift.operator,), people)
        chosen: dict[str, tuple[str, ...]] = {}
        for link, names in (choices or {}).items():
            known = reading.known[link]
            self._known(("choices", link), names, known)
            there = frozenset(known or ())
            chosen[link] = tuple(name for name in names or known or () if name in there)
        self.faults.extend(_price_faults(chosen, reading))
        if settings and choices:
            self._thresholds(chosen, settings, build or Build(), reading)
            counts = [len(setting.values) for setting in settings.values()]
            size = prod(counts) * prod(len(names) for names in chosen.values())
            if size > MOST_COMBINATIONS:
                rule = (
                    f"must not make more than {MOST_COMBINATIONS:.0e} combinations with the parts"
                )
                self.fault(("settings",), rule, f"{size:.3g}")

    def _thresholds(
        self,
        chosen: Mapping[str, tuple[str, ...]],
        settings: Mapping[str, Setting],
        build: Build,
        reading: Reading,
    ) -> None:
        """No fault when one threshold works with one converter; the rest is for the search."""
        off, over = settings["undervoltage_off_V"], settings["overvoltage_off_V"]
        band = settings["undervoltage_band_V"]
        if off.low + band.low >= over.high:
            lowest = f"undervoltage_off_V + undervoltage_band_V {off.low + band.low:g}"
            rule = f"must somewhere be above the lowest {lowest}"
            self.fault(("settings", "overvoltage_off_V"), rule, f"at most {over.high:g}")
        converters = _records(chosen, reading, "converter", Converter)
        windows = _records(chosen, reading, "window", Window)
        if not converters or not windows:
            return
        least = min(converters, key=lambda converter: converter.input_min_V)
        key = ("settings", "undervoltage_off_V")
        highest = max(windows, key=lambda window: window.reference_V)
        if off.low <= highest.reference_V:
            rule = (
                f"must be above the reference {highest.reference_V:g} V of {highest.id}, below "
                "which no resistors can set it"
            )
            self.fault(key, rule, f"at least {off.low:g}")
            return
        worst_V = max(
            float(
                threshold_band(
                    off.high,
                    window.reference_V,
                    reference_tolerance=window.reference_tolerance,
                    resistor_tolerance=build.resistor_tolerance,
                )[0]
            )
            for window in windows
        )
        if worst_V <= least.input_min_V:
            rule = (
                f"must somewhere be above the least input {least.input_min_V:g} V of the chosen "
                f"converters ({least.id}) with comparator and resistors at their worst"
            )
            self.fault(key, rule, f"at most {off.high:g}, at worst {worst_V:.3g}")

    def _known(
        self, keys: Sequence[Any], names: Sequence[str], known: tuple[str, ...] | None
    ) -> None:
        if known is None:
            return
        there = frozenset(known)
        for name in names:
            if name not in there:
                self.fault(keys, "unknown id", name, nearest(name, known))

    def _table(self, name: str, valid: tuple[str, ...]) -> Mapping[str, Any] | None:
        given = self.raw.get(name, {})
        if not isinstance(given, dict):
            self.fault((name,), "must be a table", given)
            return None
        for key in given:
            if key not in valid:
                self.fault((name, key), "unknown key", hint=nearest(key, valid))
        return given

    def _validated(
        self, keys: tuple[str, ...], model: type[SectionT], given: Any
    ) -> SectionT | None:
        if not isinstance(given, dict) and model is not Setting:
            self.fault(keys, "must be a table", given)
            return None
        try:
            return model.model_validate(given)
        except ValidationError as error:
            for found in error.errors(include_url=False):
                place = (*keys, *(key for key in found["loc"] if key != "[key]"))
                if found["type"] == "extra_forbidden":
                    valid = _keys_beside(model, found["loc"])
                    self.fault(place, "unknown key", hint=nearest(str(place[-1]), valid))
                elif found["type"] == "missing":
                    self.fault(place, "is missing")
                else:
                    value = found["input"] if found["type"] != "value_error" else ""
                    self.fault(place, rule_of(found), value)
        return None


def _keys_beside(model: type[Section], place: Sequence[Any]) -> tuple[str, ...]:
    """The valid keys where an unknown one stands; only [[prices.offers]], [[session.shifts]]
    and [build] go deeper.
    """
    offers = OfferColumns if "columns" in place[:-1] else Offer
    below: dict[Any, type[BaseModel]] = {Build: BudgetLine, Session: Shift}
    deeper = below.get(model, offers)
    fields = model.model_fields if len(place) == 1 else deeper.model_fields
    return tuple(name for name in fields if name != "listed")


def _records(
    chosen: Mapping[str, tuple[str, ...]], reading: Reading, link: str, _model: type[RecordT]
) -> list[RecordT] | None:
    """The chosen records of a link, or None when a fault hides one of them."""
    table = reading.records[link]
    if not chosen[link] or not all(name in table for name in chosen[link]):
        return None
    return [record for name in chosen[link] if isinstance(record := table[name], _model)]


def _price_faults(chosen: Mapping[str, tuple[str, ...]], reading: Reading) -> Iterator[Fault]:
    if reading.priced is None:
        return
    for link, names in chosen.items():
        for name in names:
            if name not in reading.priced:
                rule = f"has no price, yet the study may choose this {link}"
                yield Fault(reading.prices_file, f"part {shown(name)}", rule)
