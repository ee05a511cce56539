"""What measure prints for people: numbers with their uncertainty, doubts, what was written"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from explorer.model.names import name_of

COVERAGE_FACTOR = 1.96
"""Standard deviations to either side of a 95 % band."""


def noted(answer: Mapping[str, Any]) -> list[str]:
    """What measure note says: the note itself, or where it stands."""
    if answer["file"] is None:
        return list(answer["text"].splitlines())
    return [f"written to {answer['file']}; when it is filled in: genchain measure read"]


def bench_read(answer: Mapping[str, Any]) -> list[str]:
    """What measure read says."""
    lines = []
    for table, rows in answer["rows"].items():
        for name, columns in rows.items():
            lines += [f"{table}.csv, {name}:", *_columns(answer, table, name, columns)]
    lines += [f"doubt: {words}" for words in answer["doubts"]]
    for change in answer["written"]:
        lines.append(f"{change['file']}: {change['id']} {'is new' if change['new'] else 'changed'}")
        if not change["new"]:
            lines += [
                f"  {column}: {before or 'empty'} -> {after or 'empty'}"
                for column, (before, after) in change["columns"].items()
            ]
    if answer["figure"]:
        lines.append(f"figure: {answer['figure']}")
    if answer["written"]:
        lines.append(
            "a part needs a price in prices.csv, and a study that lists its choices needs its id"
        )
    return lines


def _columns(
    answer: Mapping[str, Any], table: str, name: str, columns: Mapping[str, Any]
) -> Iterator[str]:
    sds = answer["uncertainty"].get(table, {}).get(name, {})
    assumed = answer["assumed"].get(table, {}).get(name, {})
    for column, value in columns.items():
        text = f"{value:.4g}" if isinstance(value, float) else str(value)
        if column in sds:
            text += f"  within {COVERAGE_FACTOR * 100 * sds[column]:.2g} % (95 %)"
        if column in assumed:
            text += f"  ({assumed[column]})"
        yield f"  {column:24s} {text}"
    points = answer["points"].get(table, {}).get(name)
    if points:
        yield f"  {len(points)} points of its bench table"
    for key, fit in answer["fits"].get(table, {}).get(name, {}).items():
        yield (
            f"  {key}: chi-square {fit['chi_square']:.2g} with {fit['degrees_of_freedom']} degrees "
            "of freedom"
        )


MOST_LISTED = 12
"""Measurements listed for people; all are in JSON."""


def next_named(answer: Mapping[str, Any]) -> list[str]:
    """What measure next says."""
    chosen = answer["chosen_today"]
    lines = [
        f"choice between {len(answer['contenders'])} designs in {answer['draws']:,} builds; "
        + (f"today {name_of(chosen)} is best" if chosen else "today none of them may be chosen"),
    ]
    if answer["design_id"] != chosen:
        lines.append(f"{name_of(answer['design_id'])} is not, by what is known now")
    lines.append(f"to know everything would gain {answer['perfect_J']:.0f} J on average")
    counted = [f"{rate:.3g} J for each {key}" for key, rate in answer["rates_J"].items()]
    lines.append(f"other goals count as {', '.join(counted)}")
    worth = [
        one
        for one in answer["worth"]
        if one["worth_J"] > 0 or one["changes_share"] > 0 or one["falls_share"] > 0
    ]
    if answer["measure_nothing"]:
        lines.append("measure nothing: no result would surely change what to build for the better")
    if worth:
        lines.append("  gain J   (95 %)            changes  forbids  minutes  measure")
    lines += [_measurement(one) for one in worth[:MOST_LISTED]]
    left = len(answer["worth"]) - len(worth[:MOST_LISTED])
    if left:
        lines.append(f"  nothing, or next to it: {left} others (all are in --json)")
    return lines


def _measurement(one: Mapping[str, Any]) -> str:
    low, high = one["interval_J"]
    band = f"({low:.0f} to {high:.0f})"
    part = f" of {one['part']}" if one["part"] else ""
    how = f"; genchain measure note {one['note']}" if one["note"] else ""
    return (
        f"  {one['worth_J']:6.0f}   {band:16s} {100 * one['changes_share']:7.0f} %"
        f" {100 * one['falls_share']:6.0f} % {one['minutes']:8.0f}  {one['quantity']}{part}"
        f" ({', '.join(one['instruments'])}{how})"
    )


def compared(answer: Mapping[str, Any]) -> list[str]:
    """What measure compare says."""
    if "form" in answer:
        return list(answer["form"].splitlines())
    lines = [f"design {answer['design']}:"]
    for one in answer["readings"]:
        low, high = one["band"]
        verdict = "in its band" if one["in_band"] else f"outside: {one['means']}"
        lines.append(
            f"  {one['reading']}: {one['read']:.4g}, expected {one['expected']:.4g} ({low:.4g} to "
            f"{high:.4g}), {verdict}"
        )
        if one["broken"]:
            lines.append(f"    breaks {', '.join(one['broken'])}")
    return [*lines, *_outcome(answer)]


def log_compared(answer: Mapping[str, Any]) -> list[str]:
    """What measure compare says of a log."""
    lines = [f"design {answer['design']}, log {answer['log']}:"]
    for one in answer["signs"]:
        low, high = one["band"]
        unit = f" {one['unit']}" if one["unit"] else ""
        verdict = "in its band" if one["in_band"] else f"outside: {one['means']}"
        lines.append(
            f"  {one['about']}: {one['read']:.3g}{unit}, builds have {one['expected']:.3g} "
            f"({low:.3g} to {high:.3g}), {verdict}"
        )
    if answer["in_band_share"] is not None:
        share = 100 * answer["in_band_share"]
        lines.append(f"{share:.0f} % of the rows lie where 95 % of builds do")
    lines.append(f"figure: {answer['figure']}")
    if not answer["suspect"]:
        lines.append("nothing is out of its band")
    return [*lines, *_outcome(answer)]


def _outcome(answer: Mapping[str, Any]) -> list[str]:
    """What a chain as it was read comes to, and where to look first."""
    lines = []
    energy = answer["delivered_energy_J"]
    lines.append(
        f"it delivers {energy['as_read']:.0f} J as read, {energy['designed']:.0f} J by design"
    )
    lines += _promises(answer["promise"])
    if answer["suspect"]:
        lines.append(
            f"look first at the {answer['suspect']['link']}: {answer['suspect']['reason']}"
        )
    lines.append(
        "the design stands"
        if answer["stands"]
        else f"as read it breaks {', '.join(answer['broken'])}"
        + (": somebody may be hurt, connect no pack" if answer["hazard"] else "")
    )
    return lines


def _promises(promise: Mapping[str, Mapping[str, float | None]]) -> list[str]:
    """How the promise changes, where it does."""
    before, after = promise["designed"], promise["as_read"]
    if before == after or before["promised_energy_J"] is None:
        return []
    found = [
        f"{one['promised_energy_J']:.0f} J in {100 * (one['at_least'] or 0):.0f} % of builds, "
        f"a hazard rule broken in {100 * (one['hazard_chance'] or 0):.1f} %, the others kept in "
        f"{100 * (one['keeps_rules_share'] or 0):.0f} %"
        for one in (before, after)
    ]
    return [f"promise by design: {found[0]}", f"promise as read: {found[1]}"]
