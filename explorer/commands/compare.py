"""measure compare: a chain that was built beside what the model says of it."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from scipy.stats import norm

from explorer.decision.lock import read_locks
from explorer.errors import Fault, InputError, nearest
from explorer.inputs.csv_tables import shown
from explorer.inputs.study import Project, load
from explorer.inputs.toml_text import line_of, places_of, read_toml
from explorer.measuring.built_readings import Built, Judged, as_read, expected_readings, judged
from explorer.model.design_file import checked_design, read_design
from explorer.model.names import id_among
from explorer.model.rules import RULES

LARGEST_READINGS_BYTES = 100_000
SAID_OF_PROMISE = ("promised_energy_J", "at_least", "hazard_chance", "keeps_rules_share")
"""What is said of a promise."""


def compare_readings(
    study: Path,
    readings: Path | None = None,
    *,
    design: Path | None = None,
    lock: str | None = None,
) -> dict[str, Any]:
    """A built chain's readings beside what they should be, and what wrong ones do to the design.

    Without readings, `form` is a file to fill in. InputError with every fault.
    """
    project = load(study)
    name, built = chosen_design(project, design, lock)
    if readings is None:
        return {"design": name, "form": _form(name, built), "readings": []}
    given = _read(readings, {one.kind.key: one.value for one in expected_readings(built)})
    found = judged(built, given)
    after = as_read(built, found)
    wrong = [one for one in found if not one.in_band]
    return {
        "design": name,
        "readings": [_answer(built, one) for one in found],
        "parameters": _parameters(found),
        "residual_rms_W": None,
        "suspect": _suspect(wrong, len(found)),
        "in_band_share": sum(one.in_band for one in found) / len(found),
        **outcome(built, after),
    }


def outcome(built: Built, after: Built) -> dict[str, Any]:
    """What a chain that is not as designed comes to: energy, promise, broken rules."""
    promised = promise_of(built)
    return {
        "delivered_energy_J": {"designed": built.energy_J, "as_read": after.energy_J},
        "promise": {
            "designed": promised,
            "as_read": promised if after is built else promise_of(after),
        },
        "broken": list(after.broken),
        "hazard": any(rule in RULES and RULES[rule].hazard for rule in after.broken),
        "stands": not after.broken,
    }


def promise_of(built: Built) -> dict[str, float | None]:
    """What builds of a chain promise: the energy of most, and how often they break rules."""
    from explorer.model import promise

    terms = built.project.study.promise
    (found,) = promise.odds(built.project, built.design, range(terms.draws))
    said = found.results(terms)
    return {key: said[key] for key in SAID_OF_PROMISE}


def chosen_design(project: Project, design: Path | None, lock: str | None) -> tuple[str, Built]:
    """The design that was built, and what it is called."""
    if design is not None:
        return str(design), Built(project, read_design(project, design))
    locks = {one.design_id: one for one in read_locks(project)}
    if lock is None and len(locks) == 1:
        (lock,) = locks
    lock = None if lock is None else id_among(lock, locks, str(project.path))
    if lock is None or lock not in locks:
        rule = "names no locked design" if lock else "give --lock ID or --design DESIGN.toml"
        hint = nearest(lock or "", tuple(locks))
        raise InputError([Fault(str(project.path), "--lock", rule, shown(lock or ""), hint)])
    return lock, Built(project, checked_design(project, locks[lock].design, lock))


def _read(file: Path, expected: Mapping[str, float]) -> dict[str, float]:
    valid = tuple(expected)
    text, raw = read_toml(file, LARGEST_READINGS_BYTES, "readings")
    places = places_of(text)
    faults = []

    def fault(keys: tuple[str, ...], rule: str, value: object = "", hint: Any = "") -> None:
        line = line_of(places, keys)
        key = ".".join(keys)
        where = f"line {line}, {key}" if line else key
        faults.append(Fault(str(file), where, rule, shown(value), hint))

    for name in raw.keys() - {"readings", "dated"}:
        fault((name,), "unknown key", "", nearest(name, ("readings", "dated")))
    given = raw.get("readings")
    if not isinstance(given, dict) or not given:
        fault(("readings",), "must be a table with at least one reading")
        given = {}
    for name, value in given.items():
        if name not in valid:
            fault(("readings", name), "is no reading of this design", "", nearest(name, valid))
        elif isinstance(value, bool) or not isinstance(value, int | float):
            fault(("readings", name), "must be a number", value)
        elif not 0 <= value < 1e9:
            fault(("readings", name), "must be a finite number of at least 0", value)
    if not faults:
        on_V, off_V = (given.get(name, expected[name]) for name in ("on_V", "off_V"))
        if on_V <= off_V:  # no comparator does that: a slip, or one of both is of another day
            name = "on_V" if "on_V" in given else "off_V"
            rule = f"leaves on_V at {on_V:g} V, which must be above off_V, {off_V:g} V: read both"
            fault(("readings", name), rule, given[name])
    if faults:
        raise InputError(faults)
    return {name: float(value) for name, value in given.items()}


def _answer(built: Built, one: Judged) -> dict[str, Any]:
    alone = built if one.in_band else as_read(built, [one])
    return {
        "reading": one.kind.key,
        "read": one.read,
        "expected": one.expected,
        "band": [one.low, one.high],
        "in_band": one.in_band,
        "means": one.meaning,
        "link": one.kind.change.link,
        "delivered_energy_J": alone.energy_J,
        "broken": [rule for rule in alone.broken if rule not in built.broken],
    }


def _parameters(found: list[Judged]) -> list[dict[str, Any]]:
    """What the readings say of parts and settings: how many times the table's value."""
    return [
        {
            "link": one.kind.change.link,
            "column": column,
            "factor": one.read / one.expected,
        }
        for one in found
        for column in (*one.kind.change.columns, *filter(None, [one.kind.change.setting]))
    ]


def _suspect(wrong: list[Judged], count: int) -> dict[str, Any] | None:
    """The link of the reading that is furthest out of its band, and how sure that is: one less the
    chance that one of so many readings of a sound chain is so far off.
    """
    if not wrong:
        return None
    worst = max(wrong, key=lambda one: abs(one.sds))
    chance = 1 - min(1.0, count * 2 * float(norm.sf(abs(worst.sds))))
    reason = f"{worst.kind.key} {worst.read:.4g} instead of {worst.expected:.4g}: {worst.meaning}"
    return {"link": worst.kind.change.link, "reason": reason, "chance": chance}


def _form(name: str, built: Built) -> str:
    """A file of readings to fill in, each with what to expect."""
    lines = [
        f"# Readings of {name} as it was built, in the order of its build sheet. Take the # away",
        "# and write down what your meter shows; leave out what you did not measure.",
        "# Cautions of the build sheet hold: discharge the bank first, the pack comes last.",
        "",
        "[readings]",
    ]
    for kind, value, low, high in expected_readings(built):
        lines += [f"# {kind.about}: {low:.4g} to {high:.4g}", f"# {kind.key} = {value:.4g}"]
    return "\n".join(lines) + "\n"
