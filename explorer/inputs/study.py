"""Reads a study: its TOML file and its tables become one frozen Project, or a list of faults."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from math import floor, prod
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, model_validator

from explorer.errors import Fault, InputError, nearest
from explorer.inputs.catalogue import Catalogue, Reading, physics_of, read_tables
from explorer.inputs.csv_tables import content_hash, rule_of, shown
from explorer.inputs.links import LINKS
from explorer.inputs.prices import Currency, Offer, OfferColumns, PriceTerms
from explorer.inputs.records import SETTINGS, Converter, Identifier, Positive, Record, Text, Window
from explorer.inputs.toml_text import line_of, places_of, read_toml
from explorer.physics.window import threshold_band

WHOLE_SETTINGS = frozenset({"cells_series", "cells_parallel"})
MOST_VALUES = 10_000
"""Of one setting: more than any comparator or cadence can be told apart."""
MOST_COMBINATIONS = 10**15
"""Counts beyond this are no longer exact in floating point, and no search would cover them."""
LARGEST_STUDY_BYTES = 1_000_000

Folder = Annotated[str, Field(min_length=1, max_length=200)]


def _each_once(names: tuple[str, ...]) -> tuple[str, ...]:
    if len(set(names)) < len(names):
        raise ValueError("must name each once")
    return names


Names = Annotated[
    tuple[Identifier, ...], Field(strict=False, min_length=1), AfterValidator(_each_once)
]


class Section(BaseModel):
    """A table of the study file: typed as TOML types it, no unknown keys."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


class Heading(Section):
    """[study]: what is asked, and where the tables stand."""

    name: Identifier
    title: Text
    question: Annotated[str, Field(min_length=1, max_length=2000)]
    tables: Folder = "parts"
    bench: Folder = "bench"


class Session(Section):
    """[session]: who cranks, for how long, into which packs, in which surroundings.

    `over_cases` says how several operators and packs become one objective. Copper is taken at
    `winding_C`. No part may be harmed by `overspeed` times the cadence, nor by `overspeed_rpm` of
    a hand that is let go (by default 150 rpm at 0.17 m, with the inverse root of the radius; 0:
    the multiple alone).
    """

    minutes: Annotated[float, Field(gt=0, le=1440)]
    operators: Names
    packs: Names
    over_cases: Literal["mean", "worst"] = "mean"
    ambient_C: Annotated[float, Field(ge=-40, le=60)] = 25.0
    winding_C: Annotated[float, Field(ge=-40, le=180)] = 60.0
    overspeed: Annotated[float, Field(ge=1, le=3)] = 1.25
    overspeed_rpm: Annotated[float, Field(ge=0, le=400)] | None = None


Moderate = Annotated[float, Field(gt=0, lt=1e9)]


class Setting(Section):
    """One setting of a design: a list of values, a grid (`step`), or a continuous range."""

    low: Moderate
    high: Moderate
    step: Moderate | None = None
    sweep_points: Annotated[int, Field(ge=1, le=MOST_VALUES)] | None = None
    listed: tuple[Moderate, ...] = ()

    @property
    def continuous(self) -> bool:
        """Any number between low and high will do."""
        return self.sweep_points is not None

    @property
    def values(self) -> tuple[float, ...]:
        """What a sweep visits, rising; of a continuous range its `sweep_points` even points."""
        width = self.high - self.low
        if self.listed:
            return self.listed
        if self.step is not None:
            # The allowance keeps the upper end where low + n step just misses it in binary.
            count = floor(width / self.step + 1e-6) + 1
            return tuple(round(self.low + index * self.step, 12) for index in range(count))
        count = self.sweep_points if self.sweep_points and width else 1
        if count == 1:
            return (self.low + width / 2,)
        return tuple(self.low + width * (index / (count - 1)) for index in range(count))

    @model_validator(mode="before")
    @classmethod
    def _from_list(cls, given: Any) -> Any:
        if isinstance(given, dict):
            if "listed" in given:
                raise ValueError("lists its values in brackets, without braces")
            return given
        values = given if isinstance(given, list) else [given]
        if not all(isinstance(v, int | float) and not isinstance(v, bool) for v in values):
            raise ValueError("must be numbers in brackets or {low, high, step or sweep_points}")
        if not 1 <= len(values) <= MOST_VALUES:
            raise ValueError(f"must hold 1 to {MOST_VALUES} values, holds {len(values)}")
        if not all(0 < value < 1e9 for value in values):  # false for NaN too
            raise ValueError("must be numbers above 0 and below 1e9")
        listed = tuple(sorted({float(value) for value in values}))
        return {"low": listed[0], "high": listed[-1], "listed": listed}

    @model_validator(mode="after")
    def _spread(self) -> Setting:
        if self.listed:
            return self
        if self.low > self.high:
            raise ValueError(f"low {self.low:g} must not be above high {self.high:g}")
        if (self.step is None) == (self.sweep_points is None):
            raise ValueError("needs either step (a grid) or sweep_points (continuous)")
        if self.step is not None and (self.high - self.low) / self.step >= MOST_VALUES:
            raise ValueError(f"makes more than {MOST_VALUES} values, the step is too small")
        return self


class Limits(Section):
    """[limits]: what the study does not accept; a missing limit does not bind."""

    cost: Positive | None = None
    mass_kg: Positive | None = None
    crank_effort_percent: Positive | None = None
    delivered_energy_J: Positive | None = None
    first_charge_s: Positive | None = None


class PriceSection(Section):
    """[prices]: currency of the study, worth of a foreign unit in it, age that is called old."""

    currency: Currency = "EUR"
    rates: dict[Currency, Positive] = Field(default_factory=dict)
    rates_dated: date | None = None
    old_after_days: Annotated[int, Field(ge=1, le=36500)] = 365
    build_quantity: Annotated[int, Field(ge=1, le=1_000_000)] = 1
    offers: Annotated[tuple[Offer, ...], Field(strict=False)] = ()

    @model_validator(mode="after")
    def _dated(self) -> PriceSection:
        if self.rates and self.rates_dated is None:
            raise ValueError("rates need rates_dated, the day they were taken")
        return self


class Search(Section):
    """[search]: how designs are looked for. `auto` sweeps what can be swept."""

    method: Literal["auto", "sweep", "sample"] = "auto"
    sampler: Literal["nsga2", "nsga3", "tpe", "random"] = "nsga2"
    seed: Annotated[int, Field(ge=0, lt=2**32)] = 1
    evaluations: Annotated[int, Field(ge=1, le=10**9)] = 20_000
    batch: Annotated[int, Field(ge=1, le=10**6)] = 500
    minutes: Annotated[float, Field(gt=0, le=10_080)] = 10.0
    cluster: Annotated[str, Field(pattern=r"^[a-z+]+://[^\s]+$")] | None = None
    """Address of a Dask scheduler, such as tcp://10.0.0.5:8786."""


class Outing(Section):
    """[outing]: is the kit worth carrying? Days away, minutes at the crank a day, and what a
    charged spare pack gives for each kilogram carried.
    """

    days: Annotated[float, Field(gt=0, le=3650)] = 14.0
    minutes_per_day: Annotated[float, Field(gt=0, le=1440)] = 30.0
    spare_Wh_per_kg: Annotated[float, Field(gt=0, le=1000)] = 130.0


class Build(Section):
    """[build]: what the build sheet is made with, and the risk that a lock warns of.

    How exact the resistors are counts for the rules, too: they set the thresholds.
    """

    resistor_series: Literal["E24", "E96"] = "E96"
    resistor_tolerance: Annotated[float, Field(gt=0, lt=0.2)] = 0.01
    divider_current_A: Annotated[float, Field(gt=0, le=0.01)] = 50e-6
    hazard_chance: Annotated[float, Field(gt=0, lt=1)] = 0.01


@dataclass(frozen=True)
class Study:
    """A study as its file states it, with every choice spelled out in ids."""

    name: str
    title: str
    question: str
    tables: str
    bench: str
    session: Session
    choices: Mapping[str, tuple[str, ...]]
    """Link -> ids that may be chosen, in the order of the study or else of the table."""
    settings: Mapping[str, Setting]
    limits: Limits
    prices: PriceSection
    search: Search
    outing: Outing
    build: Build


@dataclass(frozen=True)
class Project:
    """A study and its tables, checked against each other."""

    path: Path
    study: Study
    catalogue: Catalogue
    study_hash: str
    """Of the study's content: comments and spacing do not count."""
    scenario_hash: str
    """Of what the physics of one design depends on beside the design: session, operators, packs,
    and how exact the resistors are that set the window.

    Choices, ranges, limits, prices and search may change and leave stored designs valid.
    """


SECTIONS = (
    "study", "session", "choices", "settings", "limits", "prices", "search", "outing", "build",
)  # fmt: skip

SectionT = TypeVar("SectionT", bound=Section)
RecordT = TypeVar("RecordT", bound=Record)


def load(path: str | Path, *, today: date | None = None) -> Project:
    """Read and check a study and all its tables.

    Raises InputError with every fault of every file. `today` dates the ages of prices.
    """
    path, today = Path(path), today or date.today()
    text, raw = read_toml(path, LARGEST_STUDY_BYTES, "a study")
    check = _Check(str(path), text, raw)
    heading = check.section("study", Heading)
    session = check.section("session", Session)
    settings = check.settings()
    choices = check.choices()
    limits = check.section("limits", Limits)
    prices = check.section("prices", PriceSection)
    search = check.section("search", Search)
    outing = check.section("outing", Outing)
    build = check.section("build", Build)
    check.unknown_sections()
    if heading and heading.name != path.stem:
        check.fault(("study", "name"), f"must equal the file's name {path.stem}", heading.name)
    terms = prices and check.terms(path.parent, prices)
    reading = None
    folders = check.folders(path.parent)
    if folders:
        reading = read_tables(path.parent, *folders, terms or None, today)
        check.against_tables(session, choices, settings, build, reading)
    faults = sorted(
        (*check.faults, *(reading.faults if reading else ())),
        key=lambda fault: (fault.file != str(path), fault.file),
    )
    catalogue = reading.catalogue if reading else None
    if not (heading and session and settings and limits and prices and search):
        raise InputError(faults)
    if faults or choices is None or catalogue is None or outing is None or build is None:
        raise InputError(faults)
    rates_age = (today - prices.rates_dated).days if prices.rates_dated else 0
    if rates_age > prices.old_after_days:
        note = f"{path}: the rates of {prices.rates_dated} are {rates_age} days old"
        catalogue = replace(catalogue, notes=(*catalogue.notes, note))
    study = Study(
        name=heading.name,
        title=heading.title,
        question=" ".join(heading.question.split()),
        tables=heading.tables,
        bench=heading.bench,
        session=session,
        choices={
            link: choices[link] or tuple(part.id for part in catalogue.parts[link])
            for link in LINKS
        },
        settings=settings,
        limits=limits,
        prices=prices,
        search=search,
        outing=outing,
        build=build,
    )
    return Project(
        path=path,
        study=study,
        catalogue=catalogue,
        study_hash=content_hash(raw),
        scenario_hash=_scenario_hash(session, build, catalogue),
    )


def _scenario_hash(session: Session, build: Build, catalogue: Catalogue) -> str:
    return content_hash(
        {
            "session": session.model_dump(mode="json"),
            "operators": [physics_of(catalogue.operators[name]) for name in session.operators],
            "packs": [physics_of(catalogue.packs[name]) for name in session.packs],
            "resistor_tolerance": build.resistor_tolerance,
        }
    )


class _Check:
    """Checks a study file section by section and gathers faults, each with its line."""

    def __init__(self, file: str, text: str, raw: Mapping[str, Any]) -> None:
        self.file = file
        self.places = places_of(text)
        self.raw = raw
        self.faults: list[Fault] = []

    def fault(self, keys: Sequence[Any], rule: str, value: object = "", hint: str = "") -> None:
        """Note a fault at a key such as ("settings", "cadence_rpm", "low")."""
        line = line_of(self.places, keys)
        key = shown(".".join(str(key) for key in keys))
        where = f"line {line}, {key}" if line else key
        self.faults.append(Fault(self.file, where, rule, shown(value), hint))

    def section(self, name: str, model: type[SectionT]) -> SectionT | None:
        """A section as its record; None with the faults noted."""
        return self._validated((name,), model, self.raw.get(name, {}))

    def settings(self) -> dict[str, Setting] | None:
        """The six settings; None with the faults noted."""
        given = self._table("settings", SETTINGS)
        if given is None:
            return None
        settings: dict[str, Setting] = {}
        for name in SETTINGS:
            keys = ("settings", name)
            if name not in given:
                self.fault(keys, "is missing")
                continue
            setting = self._validated(keys, Setting, given[name])
            if setting is None:
                continue
            whole = not setting.continuous and all(v.is_integer() for v in setting.values)
            if name in WHOLE_SETTINGS and not whole:
                self.fault(keys, "must be whole numbers, a list or {low, high, step}", given[name])
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

    def folders(self, home: Path) -> tuple[str, str] | None:
        """Folders of tables and bench points, as far as they are inside the study's folder."""
        heading = self.raw.get("study")
        given = heading if isinstance(heading, dict) else {}
        inside = []
        for key in ("tables", "bench"):
            folder = given.get(key, Heading.model_fields[key].default)
            if not isinstance(folder, str) or not folder.isprintable():
                continue  # the section's own check names it
            if not (home / folder).resolve().is_relative_to(home.resolve()):
                self.fault(("study", key), "must lie inside the study's folder", folder)
                continue
            inside.append(folder)
        return (inside[0], inside[1]) if len(inside) == 2 else None

    def terms(self, home: Path, prices: PriceSection) -> PriceTerms:
        """How prices are read, with the offers inside the study's folder."""
        inside = []
        for number, offer in enumerate(prices.offers):
            if (home / offer.file).resolve().is_relative_to(home.resolve()):
                inside.append(offer)
            else:
                rule = "must lie inside the study's folder"
                self.fault(("prices", "offers", number, "file"), rule, offer.file)
        return PriceTerms(prices.currency, prices.rates, prices.old_after_days, tuple(inside))

    def unknown_sections(self) -> None:
        """Note every top-level key that is no section."""
        for name in self.raw:
            if name not in SECTIONS:
                self.fault((name,), "unknown section", hint=nearest(name, SECTIONS))

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
            for key, kind in (("operators", "operator"), ("packs", "pack")):
                self._known(("session", key), getattr(session, key), reading.known[kind])
        chosen: dict[str, tuple[str, ...]] = {}
        for link, names in (choices or {}).items():
            known = reading.known[link]
            self._known(("choices", link), names, known)
            chosen[link] = tuple(name for name in names or known or () if name in (known or ()))
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
        self, keys: Sequence[str], names: Sequence[str], known: tuple[str, ...] | None
    ) -> None:
        for name in names if known is not None else ():
            if name not in (known or ()):
                self.fault(keys, "unknown id", name, nearest(name, known or ()))

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
    """The valid keys where an unknown one stands; only [[prices.offers]] goes deeper."""
    deeper = OfferColumns if "columns" in place[:-1] else Offer
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
