"""Whose a result's numbers are, on the command line: cases, and shifts in a row, by their ids."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def of_several(record: Mapping[str, Any]) -> str:
    """Over which cases energy and effort are, and whose the regime is; empty for one case."""
    cases, shown = record.get("cases", ()), record.get("ledger_case")
    if len(cases) < 2 or shown is None:
        return ""
    return f" ({what_is_combined(record)}; regime of {case_words(shown)})"


def what_is_combined(record: Mapping[str, Any]) -> str:
    """What energy and effort combine: cases, or shifts in a row and their packs."""
    cases, shifts = record["cases"], max(case.get("shift", 1) for case in record["cases"])
    if shifts == 1:
        return f"{record['over_cases']} of {len(cases)} cases"
    words = f"energy the sum and effort the hardest of {shifts} shifts"
    packs = len(cases) // shifts
    return words if packs == 1 else f"{words}, {record['over_cases']} of {packs} packs"


def case_words(case: Mapping[str, Any]) -> str:
    """Whose a number is, by ids; of shifts in a row also which one."""
    words = f"{case['operator']} into {case['pack']}"
    return f"{words}, shift {case['shift']}" if case.get("shift") else words


def one_case(case: Mapping[str, Any]) -> str:
    """One case: what one person gets into one pack."""
    percent, first = case["minutes_per_percent"], case["time_to_first_charge_s"]
    gains = "gains nothing" if percent is None else f"{percent:.2g} minutes for 1 %"
    never = "not charged by then" if case.get("shift") else "never charged"
    charged = never if first is None else f"first charge after {first:.0f} s"
    return (
        f"  {case_words(case)}, {case['minutes']:g} minutes: "
        f"{case['delivered_energy_J']:.0f} J, {gains}, "
        f"{case['crank_effort_percent']:.0f} % effort, {case['regime']}, {charged}"
    )
