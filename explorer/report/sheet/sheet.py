"""The build sheet of a locked design: what to buy, what to set, what to join, what to expect.

`build` computes everything that is written on it; `write` places it in a printable HTML file and
its bill of materials in a CSV. The proving order stands in proving.py.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from math import pi
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from explorer.decision.dividers import String, best_string, series, shown_ohm, worst_band
from explorer.decision.verdict import LockedDesign, designs_of_lock
from explorer.errors import Fault, InputError
from explorer.files import write_atomic
from explorer.inputs.study import Project
from explorer.model.averaged import REGIMES
from explorer.model.evaluate import Evaluation, Solved, solve
from explorer.model.overspeed import open_V, run_on_rad_s
from explorer.model.record import answered
from explorer.model.space import Designs
from explorer.model.tolerance import DRAWS, Tolerance, spreads_of, tolerance
from explorer.physics.generator import wire_resistance
from explorer.report import whose
from explorer.report.format import money, number
from explorer.report.sheet.protection import GAUGES, Guard, bus_gauge, fuse_words, guards
from explorer.report.wording import LINK_WORDS, cautions_for, margin_words
from explorer.units import RAD_S_PER_RPM

DIVIDER_RANGE = 3.0
"""Highest total of a divider over the least that its current allows: a stiffer one is less moved
by a comparator's own input current (common practice, no source)."""
LEVELS = ("load off", "load on", "load cut")


@dataclass(frozen=True)
class Facts:
    """One design and everything computed for it that a sheet needs."""

    project: Project
    designs: Designs
    evaluation: Evaluation
    cases: tuple[Solved, ...]
    spread: Tolerance

    def part(self, link: str) -> Any:
        """The chosen part of a link."""
        return self.project.catalogue.parts[link][int(self.designs.parts[link][0])]

    def setting(self, name: str) -> float:
        """A setting of the design."""
        return float(self.designs.settings[name][0])

    @cached_property
    def of_whom(self) -> str:
        """Whose readings they are, in words to follow them; empty where there is one case only."""
        if not whose.is_one_of_several(self.project):
            return ""
        weakest = self.evaluation.cases[int(self.evaluation.weakest[0])]
        who = {"operator": weakest.operator, "pack": weakest.pack}
        return f", {whose.case_name(self.project, who)}"

    def reading(self, name: str) -> float:
        """What the model says a person would measure."""
        return float(self.evaluation.readings[name][0])

    @property
    def unclamped(self) -> bool:
        """Whether the chain goes without a clamp."""
        return not self.part("clamp").present

    @cached_property
    def shaft_rad_s(self) -> float:
        """Speed of the generator at the cadence."""
        return self.setting("cadence_rpm") * 2 * pi / 60 * float(self.part("gearing").ratio)

    @cached_property
    def bank_limit_V(self) -> float:
        """The most that the bank may be charged to if its cells are to last."""
        return float(self.bank_rating_V * self.part("cell").derating)

    @cached_property
    def bank_rating_V(self) -> float:
        """What the bank must never pass: beyond it cells vent."""
        return float(self.setting("cells_series") * self.part("cell").voltage_V)

    @cached_property
    def overspeed_factor(self) -> float:
        """How much faster than its cadence the crank is ever turned: by a hand let go."""
        plan = self.project.study.session
        fastest = max(
            float(run_on_rad_s(plan, case.halves)[case.chain.half[0]]) for case in self.cases
        )
        return fastest / (self.setting("cadence_rpm") * RAD_S_PER_RPM)

    @cached_property
    def open_V(self) -> float:
        """Highest bus voltage with the load and the bank gone, when the crank is spun too fast."""
        plan = self.project.study.session
        return max(float(open_V(plan, case.halves)[case.chain.half[0]]) for case in self.cases)

    @cached_property
    def spun_V(self) -> float:
        """The same with the bank, and what clamps it, in place."""
        return self.bank_limit_V - float(self.evaluation.margins["cell_life_V"][0])

    @cached_property
    def fullest_V(self) -> float:
        """What the fullest cell comes to then, pieces at the worst of their spread."""
        string_V = self.bank_rating_V - float(self.evaluation.margins["cell_voltage_V"][0])
        return string_V / self.setting("cells_series")

    @cached_property
    def phase_A(self) -> float:
        """Largest phase current, rms, from an empty bank on."""
        return max(float(c.chain.supply.worst_phase_A[c.chain.half[0]].max()) for c in self.cases)

    @cached_property
    def bus_A(self) -> float:
        """Largest mean current into the bank."""
        return max(float(c.chain.supply.worst_bus_A[c.chain.half[0]].max()) for c in self.cases)

    @cached_property
    def input_A(self) -> float:
        """Largest current into the converter: at the switch-off threshold."""
        loads = (c.chain.demand.load(c.chain.demand["off_V"]) for c in self.cases)
        return max(float(load.current_A[0, 0]) for load in loads)

    @cached_property
    def pack_A(self) -> float:
        """Largest current into the pack."""
        return max(float(c.chain.demand["draw_A"][0, 0]) for c in self.cases)

    @cached_property
    def levels_V(self) -> tuple[float, float, float]:
        """Thresholds asked for: load off, load on, load cut."""
        off = self.setting("undervoltage_off_V")
        on = off + self.setting("undervoltage_band_V")
        return off, on, self.setting("overvoltage_off_V")

    @cached_property
    def string(self) -> String:
        """The resistors that set the thresholds."""
        least = self.levels_V[-1] / self.project.study.build.divider_current_A
        window, wish = self.part("window"), self.project.study.build
        try:
            return best_string(
                self.levels_V,
                window.reference_V,
                name=wish.resistor_series,
                total_ohm=(least, DIVIDER_RANGE * least),
            )
        except ValueError as error:
            raise InputError([Fault(str(self.project.path), "build", str(error))]) from None

    @cached_property
    def band_V(self) -> tuple[Any, Any]:
        """Lowest and highest each threshold can be, (3,) each."""
        return worst_band(
            self.string.resistors_ohm,
            self.part("window").reference_V,
            resistor_tolerance=self.project.study.build.resistor_tolerance,
            reference_tolerance=self.part("window").reference_tolerance,
        )

    @cached_property
    def sense_ohm(self) -> float | None:
        """The resistor of the series that sets the current limit; None where the switch does."""
        window = self.part("window")
        if window.sense_V == 0:
            return None
        ohm = window.sense_V / window.current_limit_A
        return _nearest(ohm, self.project.study.build.resistor_series)

    @cached_property
    def limit_A(self) -> float:
        """Where the current is limited, by the real resistor where there is one."""
        window = self.part("window")
        return float(window.sense_V / self.sense_ohm if self.sense_ohm else window.current_limit_A)

    @cached_property
    def as_built(self) -> Evaluation:
        """The design with the thresholds and the current limit that the real resistors give.

        The rules take comparators and resistors at their worst, see `constraints.worst_levels`.
        """
        row = int(self.designs.parts["window"][0])
        windows = list(self.project.catalogue.parts["window"])
        windows[row] = windows[row].model_copy(update={"current_limit_A": self.limit_A})
        parts = {**self.project.catalogue.parts, "window": tuple(windows)}
        real = replace(self.project, catalogue=replace(self.project.catalogue, parts=parts))
        off, on, over = self.string.thresholds_V[:, None]
        settings = {
            **self.designs.settings,
            "undervoltage_off_V": off,
            "undervoltage_band_V": on - off,
            "overvoltage_off_V": over,
        }
        return answered(real, Designs(self.designs.parts, settings))


class Level(NamedTuple):
    """A threshold: what was asked for, what the resistors give, and its worst band, V."""

    says: str
    wanted_V: float
    set_V: float
    low_V: float
    high_V: float


class Wire(NamedTuple):
    """A connection: from, to, with what, and the current it carries."""

    start: str
    end: str
    wire: str
    current: str


class Symbol(NamedTuple):
    """A link of the drawn chain: shape, name, what flows on to the next, generator wires."""

    shape: str
    name: str
    flow: str = ""
    wires: int = 2


class Small(NamedTuple):
    """A part too small for a table of its own; its price is not counted."""

    what: str
    value: str
    quantity: int
    why: str


@dataclass(frozen=True)
class Sheet:
    """All that the build sheet says, in plain words and numbers."""

    title: str
    study: str
    design_id: str
    locked: str
    note: str
    warnings: tuple[str, ...]
    goals: tuple[tuple[str, str], ...]
    bill: tuple[Mapping[str, Any], ...]
    total: str
    small: tuple[Small, ...]
    set_to: tuple[tuple[str, str], ...]
    levels: tuple[Level, ...]
    checked: str
    wires: tuple[Wire, ...]
    guards: tuple[Guard, ...]
    drawing: tuple[Symbol, ...]
    proving: tuple[Any, ...]
    energy: str
    risks: tuple[tuple[str, str], ...]
    matter: tuple[str, ...]
    assumed: tuple[str, ...]
    cautions: tuple[str, ...]


def facts(project: Project, lock: LockedDesign, *, draws: int = DRAWS) -> Facts:
    """Compute what a sheet needs, by today's tables; InputError when a part is gone."""
    designs, missing = designs_of_lock(project, lock)
    if designs is None:
        where = f"locked design {lock.design_id}"
        raise InputError([Fault(str(project.path), where, one.words) for one in missing])
    session = project.study.session
    return Facts(
        project=project,
        designs=designs,
        evaluation=answered(project, designs),
        cases=tuple(
            solve(project, designs, person, pack)
            for person in session.operators
            for pack in session.packs
        ),
        spread=tolerance(project, designs, draws=draws),
    )


def build(project: Project, lock: Any, known: Facts | None = None) -> Sheet:
    """Everything on the sheet of a locked design (a `lock.Lock`)."""
    from explorer.report.sheet.commissioning import proving

    known = known or facts(project, lock)
    study, record = project.study, lock.record
    lines = tuple(_bill(known, record))
    total = sum(line["quantity"] * line["unit_price"] for line in record["bill"])
    return Sheet(
        title=study.title,
        study=study.name,
        design_id=lock.design_id,
        locked=lock.date.isoformat(),
        note=lock.note,
        warnings=tuple(_warnings(known, lock)),
        goals=tuple(_goals(known, record)),
        bill=lines,
        total=money(total, record["currency"]),
        small=tuple(_small(known)),
        set_to=tuple(_settings(known)),
        levels=tuple(_levels(known)),
        checked=_checked(known),
        wires=tuple(_wires(known)),
        guards=tuple(guards(known)),
        drawing=tuple(_drawing(known)),
        proving=tuple(proving(known)),
        energy=_energy(known),
        risks=tuple(_risks(known.spread)),
        matter=tuple(
            f"{m.says}: {100 * m.share:.0f} % of what is explained; more of it gives "
            f"{'more' if m.more_gives_more else 'less'}"
            for m in known.spread.matter
        ),
        assumed=tuple(
            f"{one.says} {one.low:.3g} to {one.high:.3g} times"
            for one in spreads_of(project, known.designs)
            if one.low != one.high and not (one.where == "clamp" and known.unclamped)
        ),
        cautions=cautions_for(
            clamp=not known.unclamped, balancing=known.part("cell").balancing_ohm > 0
        ),
    )


def hazard_warning(known: Facts) -> str:
    """What a lock has to say when chance could make the design dangerous; empty when it does not.

    The study's [build] hazard_chance is the limit.
    """
    limit = known.project.study.build.hazard_chance
    if known.spread.hazard <= limit:
        return ""
    broken = {name: share for name, share in known.spread.broken.items() if share > 0}
    hazards = [margin_words(name).broken for name in broken if margin_words(name).hazard]
    worn = {name: share for name, share in broken.items() if margin_words(name).life}
    text = (
        f"{100 * known.spread.hazard:.1f} % of chains built of such parts would break a rating, "
        f"which can hurt people or destroy packs (the study allows {100 * limit:g} %): "
        f"{'; '.join(hazards)}"
    )
    if worn:
        text += ". A derating is another matter, it costs life and hurts nobody: " + "; ".join(
            f"in {100 * share:.1f} % {margin_words(name).broken}" for name, share in worn.items()
        )
    return text


def bill_csv(sheet: Sheet) -> str:
    """The bill of materials as CSV, one line a part."""
    columns = (
        "link", "part", "name", "quantity", "unit_price", "currency", "price_dated", "mass_kg",
        "source",
    )  # fmt: skip
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows([_inert(line[name]) for name in columns] for line in sheet.bill)
    for one in sheet.small:
        what = [_inert(v) for v in ("", one.what, one.value, one.quantity, "", "", "", "", one.why)]
        writer.writerow(what)
    return stream.getvalue()


def _inert(value: Any) -> Any:
    """Text that a spreadsheet does not take for a formula."""
    return "'" + value if isinstance(value, str) and value[:1] in ("=", "+", "-", "@") else value


def render(sheet: Sheet) -> str:
    """The sheet as one HTML text that needs no network and no script."""
    from explorer.report.page.page import _own, _template

    return str(_template("sheet.html.j2").render(sheet=sheet, css=_own("page.css"), volts=number))


def write(sheet: Sheet, folder: str | Path) -> tuple[Path, Path]:
    """Write build_ID.html and build_ID.csv into a folder, whole or not at all; their paths."""
    stem = Path(folder) / f"build_{sheet.design_id}"
    return (
        write_atomic(stem.with_suffix(".html"), render(sheet)),
        write_atomic(stem.with_suffix(".csv"), bill_csv(sheet)),
    )


def _bill(known: Facts, record: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    """The lock's own lines, with the day's prices, and where each part's values are from; a clamp
    that is none is nothing to buy.
    """
    for line in record["bill"]:
        if line["link"] == "clamp" and known.unclamped:
            continue
        yield {
            **line,
            "price_dated": str(line["price_dated"]),
            "link": LINK_WORDS[line["link"]],
            "sum": line["quantity"] * line["unit_price"],
            "source": known.part(line["link"]).source,
        }


def _goals(known: Facts, record: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    minutes = known.project.study.session.minutes
    energy, own = record["delivered_energy_J"], whose.case_lines(known.project, record)
    over = f", {known.project.study.session.over_cases} of {len(own)} cases" if own else ""
    yield (
        f"into the pack in {number(minutes)} minutes{over}",
        (f"{number(energy)} J ({number(energy / 3600)} Wh)"),
    )
    for line in own:
        name, _, numbers = line.partition(": ")
        yield name, numbers
    yield "cost on the day of the lock", money(record["cost"], record["currency"])
    yield "mass", f"{number(record['mass_kg'])} kg"
    yield "crank effort", whose.efforts(known.project, record)
    whom = whose.of_whom(known.project, record)
    yield f"regime, {whom}" if whom else "regime", record["regime"]


def _warnings(known: Facts, lock: Any) -> Iterator[str]:
    for words in lock.stale:
        yield f"Since the lock {words}: readings below are by today's tables."
    hazard = hazard_warning(known)
    if hazard:
        yield hazard[0].upper() + hazard[1:] + "."


def _settings(known: Facts) -> Iterator[tuple[str, str]]:
    """What is not bought but set, cut or chosen."""
    window, cell, crank = known.part("window"), known.part("cell"), known.part("crank")
    yield "crank radius", f"{number(1000 * crank.radius_m)} mm"
    yield "cadence", f"{number(known.setting('cadence_rpm'))} turns a minute"
    series_, parallel = (int(known.setting(f"cells_{n}")) for n in ("series", "parallel"))
    capacitance = cell.capacitance_F * parallel / series_
    yield (
        "bank",
        (
            f"{series_} cells in series, {parallel} in parallel: {number(capacitance)} F, "
            f"at most {number(known.bank_limit_V)} V for the cells' life, never above their rating "
            f"of {number(known.bank_rating_V)} V"
        ),
    )
    how = (
        f"{number(1000 * window.sense_V)} mV across the sense resistor (the window's row says so; "
        "take your own part's figure)"
        if known.sense_ohm
        else "by the switch itself, without a resistor"
    )
    yield (
        "current limit",
        f"{number(known.limit_A)} A within {100 * window.current_limit_tolerance:.0f} %: {how}",
    )
    back = window.overvoltage_return * known.levels_V[2]
    yield "load returns after a cut", f"below {number(back)} V"
    for link in ("lead", "pack_lead"):
        ohm = known.part(link).resistance_ohm
        amps = known.phase_A if link == "lead" else known.pack_A
        yield (
            LINK_WORDS[link],
            (
                f"{number(1000 * ohm)} milliohm, a drop of {number(ohm * amps)} V at "
                f"{number(amps)} A{_gauge(ohm, 1 if link == 'lead' else 2)}"
            ),
        )


def _gauge(ohm: float, conductors: int) -> str:
    """The thinnest wire of which a metre (each way) has no more resistance than this."""
    fitting = [g for g in GAUGES if float(wire_resistance(g, conductors)) <= ohm]
    if not fitting:
        return ""
    return f"; made of copper, AWG {max(fitting)} or thicker keeps to it over one metre"


def _levels(known: Facts) -> Iterator[Level]:
    for says, wanted, reached, low, high in zip(
        LEVELS, known.levels_V, known.string.thresholds_V, *known.band_V, strict=True
    ):
        yield Level(says, wanted, float(reached), float(low), float(high))


def _checked(known: Facts) -> str:
    """Whether the thresholds that the resistors really give keep every rule, at their worst."""
    found, wish = known.as_built, known.project.study.build
    broken = [
        f"{margin_words(name).broken} (by {number(-float(m[0]))} {margin_words(name).unit})"
        for name, m in found.margins.items()
        if m[0] < 0
    ]
    energy, regime = found.delivered_energy_J[0], REGIMES[int(found.regime[0])]
    said = (
        f"The bands hold comparators within {100 * known.part('window').reference_tolerance:g} % "
        f"(the window's row) and resistors within {100 * wish.resistor_tolerance:g} % (the study's "
        "[build]), all at their worst at once. With the thresholds and the current limit that "
        f"these resistors set, the chain delivers {number(float(energy))} J, {regime}; "
    )
    if broken:
        return f"{said}at their worst it breaks: {'; '.join(broken)}. Take finer resistors."
    return f"{said}at their worst every rule is kept."


def _small(known: Facts) -> Iterator[Small]:
    """Resistors and the fuse."""
    wish, window, cell = known.project.study.build, known.part("window"), known.part("cell")
    percent = f"{100 * wish.resistor_tolerance:g} %"
    ends = ("bus", *(f"tap {name}" for name in LEVELS), "ground")
    for place, ohm in enumerate(known.string.resistors_ohm):
        between = f"from {ends[place]} to {ends[place + 1]}"
        yield Small(f"resistor {shown_ohm(float(ohm))}, {percent}", between, 1, "sets the window")
    if known.sense_ohm:
        yield Small(
            f"sense resistor {shown_ohm(known.sense_ohm)}, {percent}",
            f"at least {number(2 * window.sense_V * known.limit_A)} W",
            1,
            f"limits current at {number(known.limit_A)} A, where "
            f"{number(1000 * window.sense_V)} mV fall across it",
        )
    if cell.balancing_ohm > 0:
        ohm = _nearest(cell.balancing_ohm, wish.resistor_series)
        count = int(known.setting("cells_series") * known.setting("cells_parallel"))
        heat = cell.voltage_V**2 / ohm
        yield Small(
            f"resistor {shown_ohm(ohm)}",
            "across each cell",
            count,
            f"balances the cells, {number(1000 * heat)} mW each at most",
        )
    yield Small(
        "fuse and holder",
        fuse_words(known),
        1,
        "at the bank's positive terminal, before anything else: a short of the bank burns",
    )


def _nearest(ohm: float, name: str) -> float:
    """The preferred value nearest to a resistance, in ratio."""
    decade = 10.0 ** np.floor(np.log10(ohm))
    stock = np.concatenate([series(name), [10.0]]) * decade
    return float(stock[np.argmin(np.abs(np.log(stock / ohm)))])


def _wires(known: Facts) -> Iterator[Wire]:
    generator, lead = known.part("generator"), known.part("lead")
    bus = f"copper, AWG {bus_gauge(known)} or thicker, as short as it goes"
    yield Wire("handle", "gearing", f"shaft, {known.part('gearing').name}", "")
    yield Wire(
        "generator", "rectifier", f"{lead.name}, {generator.machine.wires} wires",
        f"{number(known.phase_A)} A rms a phase",
    )  # fmt: skip
    most = f"{number(max(known.bus_A, known.input_A))} A at most"
    yield Wire("bank +", "fuse, before anything else", f"{bus}, under 5 cm", most)
    yield Wire("fuse", "bus +", bus, most)
    yield Wire("rectifier +", "bus +", bus, f"{number(known.bus_A)} A at most")
    yield Wire("rectifier −", "bank −", bus, f"{number(known.bus_A)} A at most")
    if not known.unclamped:
        each = "each cell" if known.part("clamp").by_cell else "bus + and bank −"
        yield Wire("clamp", each, "copper", "only when the load is gone")
    yield Wire("bus +", "window in", bus, f"{number(known.input_A)} A at most")
    yield Wire("window taps", "divider, bus to ground", "any thin wire",
               f"{number(1e6 * known.string.current_A)} µA")  # fmt: skip
    yield Wire("window out", "converter in +", bus, f"{number(known.input_A)} A at most")
    yield Wire("bank −", "converter in −", bus, f"{number(known.input_A)} A at most")
    yield Wire("converter out", "pack", known.part("pack_lead").name, f"{number(known.pack_A)} A")


def _drawing(known: Facts) -> Iterator[Symbol]:
    """The chain from the hand on, as it is wired; no line of a name parts a number and its unit."""
    return (one._replace(name=_UNIT.sub("\u00a0", one.name)) for one in _symbols(known))


_UNIT = re.compile(r"(?<=\d) (?=[^\W\d_]{1,2}\b)")


def _symbols(known: Facts) -> Iterator[Symbol]:
    generator, clamp = known.part("generator"), known.part("clamp")
    wires = generator.machine.wires
    cells = known.setting("cells_series") * known.setting("cells_parallel")
    bus, taken = (f"{number(amps)} A" for amps in (known.bus_A, known.input_A))
    rpm = f"{number(known.shaft_rad_s * 30 / pi)} rpm"
    yield Symbol("hand", f"hand, {number(known.setting('cadence_rpm'))} turns a minute")
    yield Symbol("gearing", known.part("gearing").name, rpm)
    yield Symbol("generator", generator.name, f"{number(known.phase_A)} A", wires)
    yield Symbol("rectifier", known.part("rectifier").name, bus, wires)
    if clamp.on_bus:
        yield Symbol("clamp", clamp.name)
    each = ", each clamped" if clamp.by_cell else ""
    yield Symbol("fuse", f"fuse, {fuse_words(known)}")
    yield Symbol("bank", f"{cells:.0f} × {known.part('cell').name}{each}", taken)
    yield Symbol("window", known.part("window").name, taken)
    yield Symbol("converter", known.part("converter").name, f"{number(known.pack_A)} A")
    yield Symbol("pack", "pack")


def _energy(known: Facts) -> str:
    low, middle, high = known.spread.band_J
    return (
        f"Of {known.spread.draws:,} chains built of such parts and turned by such hands, nine of "
        f"ten deliver {number(low)} to {number(high)} J, half of them more than {number(middle)} J."
    )


def _risks(spread: Tolerance) -> Iterator[tuple[str, str]]:
    for name, share in spread.broken.items():
        if share > 0:
            words = margin_words(name)
            kind = " (hazard)" if words.hazard else " (shortens life)" if words.life else ""
            yield words.broken + kind, f"{100 * share:.2g} %"
    unseen = 100 * spread.uncertainty
    yield "each rule not named here", f"below {unseen:.2g} % (95 % confidence)"
