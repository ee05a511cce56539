"""Reads a study: its TOML file and its tables become one frozen Project, or a list of faults."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path

from explorer.errors import InputError, printable
from explorer.inputs.catalogue import Catalogue, physics_of, read_tables
from explorer.inputs.csv_tables import content_hash
from explorer.inputs.links import LINKS
from explorer.inputs.price_section import PriceSection
from explorer.inputs.sections import (
    Build,
    CarrySection,
    Heading,
    Limits,
    Promise,
    Search,
    Setting,
    Worth,
)
from explorer.inputs.session_section import Session
from explorer.inputs.study_check import StudyCheck
from explorer.inputs.toml_text import read_toml

LARGEST_STUDY_BYTES = 1_000_000


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
    outing: CarrySection
    build: Build
    promise: Promise
    """What a build promises; see `by_promise` for whether the search goes by it."""
    worth: Worth
    by_promise: bool
    """Whether the study has a section [promise], and builds differ at all: then promised energy is
    the first objective."""
    owned: Mapping[str, int] = field(default_factory=dict)
    """Part -> pieces of it that are at hand in all, for all kits together."""

    @property
    def limits_of_parts(self) -> Limits:
        """The limits on a design's parts alone: without what its small things weigh."""
        most, others = self.limits.mass_kg, self.build.mass_kg
        if most is None or not others:
            return self.limits
        return self.limits.model_copy(update={"mass_kg": round(most - others, 9)})


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
    what_if: Mapping[str, int | None] = field(default_factory=dict)
    """Part -> pieces that are taken to be owned beside what the study says; None for any number."""

    @property
    def builds_differ(self) -> bool:
        """Whether any row says how much parts, hands or settings differ from build to build."""
        return bool(self.catalogue.spreads)

    @property
    def owned(self) -> Mapping[str, int | None]:
        """Part -> pieces that are free, for all kits together; None for any number."""
        return {**self.study.owned, **self.what_if}


def load(path: str | Path, *, today: date | None = None) -> Project:
    """Read and check a study and all its tables.

    Raises InputError with every fault of every file. `today` dates the ages of prices.
    """
    path, today = Path(path), today or date.today()
    text, raw = read_toml(path, LARGEST_STUDY_BYTES, "a study")
    check = StudyCheck(str(path), text, raw)
    given = _Given.of(check)
    if given.heading and given.heading.name != path.stem:
        rule = f"must equal the file's name {path.stem}"
        check.fault(("study", "name"), rule, given.heading.name)
    if given.build and given.limits:
        check.small_things(given.build, given.limits)
    terms = check.terms(path.parent, given.prices) if given.prices else None
    reading = None
    folders = check.folders(path.parent)
    if folders:
        reading = read_tables(path.parent, *folders, terms, today)
        check.against_tables(given.session, given.choices, given.settings, given.build, reading)
        check.owned_parts(given.owned or {}, reading)
    faults = sorted(
        (*check.faults, *(reading.faults if reading else ())),
        key=lambda fault: (fault.file != str(path), fault.file),
    )
    catalogue = reading.catalogue if reading else None
    study = given.study(catalogue) if catalogue else None
    if faults or catalogue is None or study is None:
        raise InputError(faults)
    dated = study.prices.rates_dated
    rates_age = (today - dated).days if dated else 0
    if rates_age > study.prices.old_after_days:
        note = f"{printable(str(path))}: the rates of {dated} are {rates_age} days old"
        catalogue = replace(catalogue, notes=(*catalogue.notes, note))
    return Project(
        path=path,
        study=study,
        catalogue=catalogue,
        study_hash=content_hash(raw),
        scenario_hash=_scenario_hash(study.session, study.build, catalogue),
    )


@dataclass(frozen=True)
class _Given:
    """The sections of a study file; None for those with a fault."""

    heading: Heading | None
    session: Session | None
    choices: Mapping[str, tuple[str, ...]] | None
    settings: Mapping[str, Setting] | None
    limits: Limits | None
    prices: PriceSection | None
    search: Search | None
    outing: CarrySection | None
    build: Build | None
    promise: Promise | None
    worth: Worth | None
    by_promise: bool
    owned: Mapping[str, int] | None

    @classmethod
    def of(cls, check: StudyCheck) -> _Given:
        """Every section of a file, its faults noted in the check."""
        given = cls(
            heading=check.section("study", Heading),
            session=check.section("session", Session),
            settings=check.settings(),
            choices=check.choices(),
            limits=check.section("limits", Limits),
            prices=check.section("prices", PriceSection),
            search=check.section("search", Search),
            outing=check.section("outing", CarrySection),
            build=check.section("build", Build),
            promise=check.section("promise", Promise),
            worth=check.section("worth", Worth),
            by_promise="promise" in check.raw,
            owned=check.owned(),
        )
        check.unknown_sections()
        return given

    def study(self, catalogue: Catalogue) -> Study | None:
        """The study with every choice spelled out in ids; None where a section has a fault."""
        if not (self.heading and self.session and self.limits and self.prices and self.search):
            return None
        if not (self.choices and self.settings and self.outing and self.build):
            return None
        if not (self.promise and self.worth):
            return None
        return Study(
            name=self.heading.name,
            title=self.heading.title,
            question=" ".join(self.heading.question.split()),
            tables=self.heading.tables,
            bench=self.heading.bench,
            session=self.session,
            choices={
                link: self.choices[link] or tuple(part.id for part in catalogue.parts[link])
                for link in LINKS
            },
            settings=self.settings,
            limits=self.limits,
            prices=self.prices,
            search=self.search,
            outing=self.outing,
            build=self.build,
            promise=self.promise,
            worth=self.worth,
            by_promise=self.by_promise and bool(catalogue.spreads),
            owned=self.owned or {},
        )


LATER_KEYS = ("wet", "shifts")
"""Keys of [session] that came later: at its default one of these changes no hash of before it."""


def _scenario_hash(session: Session, build: Build, catalogue: Catalogue) -> str:
    usual = {
        name for name in LATER_KEYS if getattr(session, name) == Session.model_fields[name].default
    }
    return content_hash(
        {
            "session": session.model_dump(mode="json", exclude=usual),
            "operators": [physics_of(catalogue.operators[name]) for name in session.operators],
            "packs": [physics_of(catalogue.packs[name]) for name in session.packs],
            "resistor_tolerance": build.resistor_tolerance,
        }
    )
