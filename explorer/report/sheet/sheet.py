"""The build sheet of a locked design: what to buy, what to set, what to join, what to expect.

`build_sheet` computes everything that is written on it; `write_sheet` places it in a printable HTML
file and its bill of materials in a CSV.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from explorer.files import write_together
from explorer.inputs.study import Project
from explorer.model.costing import BUILD, printed_amounts
from explorer.model.objectives import EFFORT, ENERGY
from explorer.model.rules import rule
from explorer.model.tolerance import Tolerance, spreads_of
from explorer.report import whose
from explorer.report.format import money, number
from explorer.report.goals import goals
from explorer.report.sheet.circuit import (
    CellRow,
    Joint,
    WindowDrawing,
    bank_words,
    cells_of,
    circuit_of,
    joints_of,
)
from explorer.report.sheet.commissioning import CommissioningStep, commissioning
from explorer.report.sheet.facts import Facts, facts
from explorer.report.sheet.gear import gear_of
from explorer.report.sheet.mechanics import Way, mechanics_of, ways_of
from explorer.report.sheet.protection import Guard, guards
from explorer.report.sheet.setting import (
    Level,
    Small,
    levels_of,
    settings_of,
    small_parts,
    thresholds_check,
)
from explorer.report.sheet.wiring import Symbol, Wire, drawing_of, wires_of
from explorer.report.table import harmless_cell
from explorer.report.templating import content_policy, own_text, template
from explorer.report.wording import cautions_for, link_words, owned_words, regime_words
from explorer.units import J_PER_WH


@dataclass(frozen=True)
class Sheet:
    """Everything on the build sheet, in words and numbers."""

    title: str
    study: str
    design_id: str
    locked: str
    note: str
    warnings: tuple[str, ...]
    goals: tuple[tuple[str, str], ...]
    bill: tuple[Mapping[str, Any], ...]
    budget: bool
    total: str
    yours: str
    changes: tuple[str, ...]
    small: tuple[Small, ...]
    set_to: tuple[tuple[str, str], ...]
    levels: tuple[Level, ...]
    checked: str
    wires: tuple[Wire, ...]
    joints: tuple[Joint, ...]
    circuit: WindowDrawing
    cells: tuple[CellRow, ...]
    bank: str
    ways: tuple[Way, ...]
    mechanics: tuple[tuple[str, str], ...]
    gear: tuple[str, ...]
    guards: tuple[Guard, ...]
    drawing: tuple[Symbol, ...]
    commissioning: tuple[CommissioningStep, ...]
    energy: str
    risks: tuple[tuple[str, str], ...]
    matter: tuple[str, ...]
    assumed: tuple[str, ...]
    cautions: tuple[str, ...]


def build_sheet(project: Project, lock: Any, known: Facts | None = None) -> Sheet:
    """Everything on the sheet of a locked design (a `lock.Lock`)."""
    known = known or facts(project, lock)
    study, record = project.study, lock.record
    lines = tuple(_bill(known, record))
    return Sheet(
        title=study.title,
        study=study.name,
        design_id=lock.design_id,
        locked=lock.date.isoformat(),
        note=lock.note,
        warnings=tuple(_warnings(known, lock)),
        goals=tuple(_goals(known, record)),
        bill=lines,
        budget=any(line["link"] == BUILD for line in record["bill"]),
        total=money(record["cost"], record["currency"]),
        yours=owned_words(study.prices.build_quantity),
        changes=tuple(_changes(record)),
        small=tuple(small_parts(known)),
        set_to=tuple(settings_of(known)),
        levels=tuple(levels_of(known)),
        checked=thresholds_check(known),
        wires=tuple(wires_of(known)),
        joints=tuple(joints_of(known)),
        circuit=circuit_of(known),
        cells=tuple(cells_of(known)),
        bank=bank_words(known),
        ways=tuple(ways_of(known)),
        mechanics=tuple(mechanics_of(known)),
        gear=tuple(gear_of(known)),
        guards=tuple(guards(known)),
        drawing=tuple(drawing_of(known)),
        commissioning=tuple(commissioning(known)),
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
    """A warning where the spread of parts could make the design dangerous; empty where it does not.

    The study's [build] hazard_chance is the limit.
    """
    limit = known.project.study.build.hazard_chance
    if known.spread.hazard <= limit:
        return ""
    broken = {name: share for name, share in known.spread.broken.items() if share > 0}
    hazards = [rule(name).broken for name in broken if rule(name).hazard]
    worn = {name: share for name, share in broken.items() if rule(name).shortens_life}
    text = (
        f"{100 * known.spread.hazard:.1f} % of chains built of such parts would exceed a rating, "
        f"which can hurt people or destroy packs (the study allows {100 * limit:g} %): "
        f"{'; '.join(hazards)}"
    )
    if worn:
        text += ". Exceeding a derating hurts nobody but shortens life: " + "; ".join(
            f"in {100 * share:.1f} % {rule(name).broken}" for name, share in worn.items()
        )
    return text


def bill_csv(sheet: Sheet) -> str:
    """The bill of materials as CSV, one line a part."""
    columns = (
        "link", "part", "name", "quantity", "unit_price", "currency", "price_dated", "mass_kg",
        "source", "owned", "sum",
    )  # fmt: skip
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows([harmless_cell(line[name]) for name in columns] for line in sheet.bill)
    for one in sheet.small:
        cells = ("", one.what, one.value, one.quantity, "", "", "", "", one.why, "", "")
        writer.writerow([harmless_cell(cell) for cell in cells])
    return stream.getvalue()


def render_sheet(sheet: Sheet) -> str:
    """The sheet as one HTML text that needs no network and no script."""
    css = own_text("page.css") + own_text("sheet.css")
    policy = content_policy(styles=(css,))
    return str(template("sheet.html.j2").render(sheet=sheet, css=css, policy=policy))


def write_sheet(sheet: Sheet, folder: str | Path) -> tuple[Path, Path]:
    """Write build_ID.html and build_ID.csv into a folder, both or none; their paths."""
    stem = f"build_{sheet.design_id}"
    content = {f"{stem}.html": render_sheet(sheet), f"{stem}.csv": bill_csv(sheet)}
    page, bill = write_together(folder, content)
    return page, bill


def _bill(known: Facts, record: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    """The lock's own lines, with the prices of its day and the sources of each part's values.

    A clamp of kind none is nothing to buy.
    """
    amounts = printed_amounts(record["bill"])
    for line, amount in zip(record["bill"], amounts, strict=True):
        if line["link"] == "clamp" and known.unclamped and not amount:
            continue
        yield {
            **line,
            "price_dated": str(line.get("price_dated") or ""),
            "link": link_words(line["link"]),
            "owned": line.get("owned", 0),
            "sum": amount,
            "source": "the study" if line["link"] == BUILD else known.part(line["link"]).source,
        }


def _goals(known: Facts, record: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Every objective that the lock has a value of, and how it runs."""
    for goal in goals(record["currency"]):
        if goal.key == ENERGY:
            yield from _energy_goal(known, record)
        elif goal.is_money:
            yield "cost on the day of the lock", money(record[goal.key], goal.unit)
        elif goal.key == EFFORT:
            yield "crank effort", whose.efforts(known.project, record)
        elif goal.key in record:
            yield goal.label.lower(), goal.with_unit(record[goal.key])
    whom = whose.of_whom(known.project, record)
    yield f"how it runs, {whom}" if whom else "how it runs", regime_words(record["regime"])


def _energy_goal(known: Facts, record: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """What goes into the pack, and what each person gets into each pack."""
    minutes = known.project.study.session.minutes
    energy, own = record[ENERGY], whose.case_lines(known.project, record)
    over = whose.combined(known.project)
    yield (
        f"into the pack in {number(minutes)} minutes{f', {over}' if over else ''}",
        f"{number(energy)} J ({number(energy / J_PER_WH)} Wh)",
    )
    yield from own


def _warnings(known: Facts, lock: Any) -> Iterator[str]:
    for words in lock.stale:
        yield f"Since the lock {words}: readings below are by today's tables."
    hazard = hazard_warning(known)
    if hazard:
        yield hazard[0].upper() + hazard[1:] + "."


def _energy(known: Facts) -> str:
    low, middle, high = known.spread.band_J
    return (
        f"Of {known.spread.draws:,} chains built of such parts and turned by such hands, nine of "
        f"ten deliver {number(low)} to {number(high)} J, half of them more than {number(middle)} J."
    )


def _risks(spread: Tolerance) -> Iterator[tuple[str, str]]:
    for name, share in spread.broken.items():
        if share > 0:
            known = rule(name)
            kind = (
                " (hazard)" if known.hazard else " (shortens life)" if known.shortens_life else ""
            )
            yield known.broken + kind, f"{number(100 * share)} %"
    unseen = 100 * spread.uncertainty
    yield "each rule not named here, with 95 % confidence", f"below {number(unseen)} %"


def _changes(record: Mapping[str, Any]) -> Iterator[str]:
    """What could be done with the design on the day of the lock; nothing in an older lock."""
    if record.get("advice"):
        yield record["advice"]["text"]
        for one in record["options"]:
            yield f"Best {one['label']}: {one['text']}."
