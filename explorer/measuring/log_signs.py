"""Signs that a log shows of single links: numbers that each depend on few parts of a chain"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from explorer.measuring.plug_log import PlugLog
from explorer.units import Array

CHARGING, FULL = (0.2, 0.6), 0.9
"""Between which shares of the on threshold the bank's charging is looked at, where it depends
little on the exact cadence; and from which on the bank counts as full."""
CLEAR_CURRENT = 0.6
"""Share of the current into an empty bank from which on a charging current says something."""
CLEAR_SHARE = 0.3
"""Of the window, above its off threshold: the pack has no reason to lose its supply there."""
BANK_ROWS, LEAST_CHARGE = 60, 0.3
"""Rows after the first load that the bank is still fitted by, and least swing of its voltage, of
the on threshold."""
SETTLE_ROWS = 3
"""Rows after a switching that are no steady reading."""


class LogWindow(NamedTuple):
    """Thresholds of the load and what the pack draws, by which a log is read."""

    off_V: float
    on_V: float
    cut_V: float
    pack_A: float
    cadence_rpm: float


class BankCurrents(NamedTuple):
    """What parts as in their tables put into an empty bank: A (cadences, volts) over the turns of
    the crank a minute (cadences,) and the bus voltage (volts,)."""

    turning_rpm: Array
    bus_V: Array
    bank_A: Array

    def at(self, turning_rpm: Array, bus_V: Array) -> Array:
        """The current at some cadences and voltages, (n,)."""
        by_cadence = np.stack([np.interp(bus_V, self.bus_V, row) for row in self.bank_A])
        place = np.interp(turning_rpm, self.turning_rpm, np.arange(len(self.turning_rpm)))
        low = np.minimum(place.astype(int), len(self.turning_rpm) - 2)
        share, every = place - low, np.arange(len(bus_V))
        return np.asarray((1 - share) * by_cadence[low, every] + share * by_cadence[low + 1, every])


@dataclass(frozen=True)
class Design:
    """By what a log is read: the design's window, and its front half at every cadence."""

    window: LogWindow
    charging: BankCurrents


@dataclass(frozen=True)
class Sign:
    """A number of a log. `of`: NaN where the log does not show it. `links`: whose numbers it is
    about, the likeliest first; `low` and `high`: what a value out of its band means and what to
    check first, "" where that side is no fault.
    """

    key: str
    unit: str
    about: str
    of: Callable[[PlugLog, Design], float]
    links: tuple[str, ...]
    low: str
    high: str
    columns: tuple[str, ...] = ()
    """Of the first link's table: those that the sign is proportional to."""
    resolution: float = 0.0
    least_share: float = 0.0
    """Half width of its band at the least: in its unit, and as a share of its middle. Single
    strokes decide how long a charge of a few seconds takes."""


def _loaded(log: PlugLog, window: LogWindow) -> NDArray[np.bool_]:
    """Where the pack takes current, (n,); all False without that column."""
    if not log.has("out_A"):
        return np.zeros(len(log.time_s), dtype=bool)
    return np.asarray(log.columns["out_A"] > 0.25 * window.pack_A)


def _first_load(log: PlugLog, window: LogWindow) -> int:
    """The row at which the load first goes on; the row count where it never does."""
    on = _loaded(log, window)
    if not log.has("out_A") and log.has("bus_V"):
        on = np.asarray(log.columns["bus_V"] >= window.on_V)
    return int(on.argmax()) if on.any() else len(on)


def _charging(log: PlugLog, window: LogWindow) -> NDArray[np.bool_]:
    """Rows of the first charge, where front half and bank are alone, (n,)."""
    if not log.has("bus_V"):
        return np.zeros(len(log.time_s), dtype=bool)
    volts = log.columns["bus_V"]
    low, high = (share * window.on_V for share in CHARGING)
    before = np.arange(len(volts)) < _first_load(log, window)
    return np.asarray(before & (volts > low) & (volts < high))


def _charge_share(log: PlugLog, design: Design) -> float:
    """Charge of the first charge over what parts as in their tables give at that cadence; at the
    design's where the log has none.
    """
    rows = _charging(log, design.window)
    if not log.has("bus_A") or rows.sum() < 2:
        return np.nan
    turning = log.columns.get("cadence_rpm", np.full(len(rows), design.window.cadence_rpm))[rows]
    usual_A = design.charging.at(turning, log.columns["bus_V"][rows])
    # Near the open voltage of a slow crank a percent of EMF is half of the current: left out.
    clear = usual_A >= CLEAR_CURRENT * design.charging.at(turning, np.zeros(len(turning)))
    total_A = usual_A[clear].sum()
    return float(log.columns["bus_A"][rows][clear].sum() / total_A) if total_A > 0 else np.nan


def _bank(log: PlugLog, design: Design) -> tuple[float, float]:
    """Capacitance and series resistance of the bank, F and ohm, from its first charge and what
    follows: a fit of bus voltage to the charge that has gone in and the current that flows.
    """
    if not log.has("bus_V", "bus_A"):
        return np.nan, np.nan
    volts, amps, time_s = log.columns["bus_V"], log.columns["bus_A"], log.time_s
    count = min(_first_load(log, design.window) + BANK_ROWS, len(volts))
    charge = np.cumsum(np.diff(time_s, prepend=time_s[0]) * amps)
    charge -= np.diff(time_s, prepend=time_s[0]) * amps / 2  # rows are means up to their time
    rows = slice(1, count)
    columns = np.column_stack([charge[rows], amps[rows], np.ones(count - 1)])
    if np.ptp(volts[rows]) < LEAST_CHARGE * design.window.on_V or count < 6:
        return np.nan, np.nan
    (elastance, ohm, _), *_ = np.linalg.lstsq(columns, volts[rows], rcond=None)
    return (1 / float(elastance) if elastance > 0 else np.nan), float(ohm)


def _bank_F(log: PlugLog, design: Design) -> float:
    return _bank(log, design)[0]


def _bank_ohm(log: PlugLog, design: Design) -> float:
    return _bank(log, design)[1]


def _charge_s(log: PlugLog, design: Design) -> float:
    """Until the bank is at nine tenths of the on threshold; the log's length where it never is."""
    window = design.window
    if not log.has("bus_V"):
        return np.nan
    there = log.columns["bus_V"] >= FULL * window.on_V
    return float(log.time_s[int(there.argmax())] if there.any() else log.time_s[-1])


def _while_loaded(name: str) -> Callable[[PlugLog, Design], float]:
    def sign(log: PlugLog, design: Design) -> float:
        on = _loaded(log, design.window)
        steady = on.copy()
        for shift in range(1, SETTLE_ROWS):
            steady[shift:] &= on[:-shift]
        steady[:-1] &= on[1:]  # a meter that averages has the switching within a row
        if not log.has(name, "out_A") or steady.sum() < SETTLE_ROWS:
            return np.nan
        return float(np.median(log.columns[name][steady]))

    return sign


def _out_W(log: PlugLog, _design: Design) -> float:
    if not log.has("out_V", "out_A"):
        return np.nan
    return _mean(log.time_s, log.columns["out_V"] * log.columns["out_A"])


def _hunts(log: PlugLog, design: Design) -> float:
    """How often a minute the pack lets go though the bus is well within its window."""
    window = design.window
    if not log.has("bus_V", "out_A"):
        return np.nan
    on, volts = _loaded(log, window), log.columns["bus_V"]
    clear_V = window.off_V + CLEAR_SHARE * (window.on_V - window.off_V)
    lets_go = on[:-1] & ~on[1:] & (volts[:-1] > clear_V) & (volts[:-1] < 0.95 * window.cut_V)
    return float(60 * lets_go.sum() / log.time_s[-1])


def _cadence(log: PlugLog, _design: Design) -> float:
    return _mean(log.time_s, log.columns["cadence_rpm"]) if log.has("cadence_rpm") else np.nan


def _mean(time_s: Array, values: Array) -> float:
    spans = np.diff(time_s)
    return float(np.sum(spans * (values[1:] + values[:-1]) / 2) / spans.sum())


_WEAK = (
    "one phase or one valve gives nothing or is shorted: compare the open winding's volts by pairs "
    "of wires, then each valve with a diode tester"
)
SIGNS: tuple[Sign, ...] = (
    Sign(
        "bank_ohm", "ohm", "series resistance of the bank",
        _bank_ohm, ("cell",), "", "cells are worn or a joint is bad: volts of each cell under load",
        ("esr_ohm",),
        resolution=0.05,
    ),
    Sign(
        "bank_F", "F", "capacitance of the bank in its first charge", _bank_F, ("cell",),
        "cells hold less than their row: worn, cold, or one string is open; volts of each cell",
        "more capacitance than the table's, or the log's current is read too high",
        ("capacitance_F",),
    ),
    Sign(
        "charge_share", "", "current of the first charge, over that of the tables at its cadence",
        _charge_share, ("generator", "rectifier"), _WEAK,
        "the generator gives more than its row: overspeed voltage grows with it",
    ),
    Sign(
        "cadence_rpm", "rpm", "mean cadence", _cadence, ("operator",),
        "the hand turns slower than it was taken for: count turns, check gears and crank for drag",
        "the hand turns faster than the design's cadence: overspeed rules were made for less",
    ),
    Sign(
        "hunts_per_min", "1/min", "times a minute that the pack lets go within the window", _hunts,
        ("pack",), "", "the pack hunts: lower its current, try another lead, then another pack",
        resolution=0.4,
    ),
    Sign(
        "out_V", "V", "at the pack's input under load", _while_loaded("out_V"),
        ("pack_lead", "converter"),
        "too much drops in the 5 V lead: measure from end to end under load, then the plugs",
        "the converter is set too high: disconnect the pack", ("resistance_ohm",),
    ),
    Sign(
        "out_A", "A", "into the pack under load", _while_loaded("out_A"), ("pack",),
        "the pack draws less than its row: full, cold, or set lower",
        "the pack draws more than its row", ("current_A",),
    ),
    Sign(
        "charge_s", "s", "until the bank is nine tenths full", _charge_s,
        ("cell", "generator"), "it fills sooner: cells hold less than their row", _WEAK,
        least_share=0.3,
    ),
    Sign(
        "out_W", "W", "into the pack, mean of the log", _out_W, ("generator", "operator"),
        "less comes through than computed, and no single sign says why: check drag of gears and "
        "generator with nothing connected", "",
    ),
)  # fmt: skip
"""Signs in the order in which they are believed: the first ones depend on one link alone, the last
on the whole chain.
"""


def signs_of(log: PlugLog, design: Design) -> Mapping[str, float]:
    """Every sign of a log by its key, NaN where the log does not show it."""
    return {sign.key: sign.of(log, design) for sign in SIGNS}
