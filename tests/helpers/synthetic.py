"""Made-up results for tests of the page: no physics, no real parts, only the shapes and ties.

The numbers are drawn so that all goals pull against each other; nothing here says anything
about a real chain.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from explorer.inputs.links import LINKS
from explorer.inputs.records import Part
from explorer.inputs.sections import Limits
from explorer.inputs.session_section import Session
from explorer.inputs.study import Project, load
from explorer.model.objectives import KEYS
from explorer.model.rules import RULES
from explorer.report.wording import LEDGER

HOSTILE = "<b onclick=alert(1)>Hub & motor</b> \"'"
"""A part's name as somebody with bad manners would type it."""

UNITS = np.array([600.0, 12.0, 0.5, 10.0])
"""How much of each goal counts alike."""
KINDS = {
    "crank": ["Short crank", "Long crank"],
    "gearing": ["No gearing", "Toothed belt 1:4", "Planetary 1:6"],
    "generator": [HOSTILE, "Washer drum motor class", "Outrunner class", "Stepper class"],
    "lead": ["Cable 1 m", "Slip ring"],
    "rectifier": ["Schottky diode class 40 V", "Active valve"],
    "cell": ["Capacitor cell 5 F", "Capacitor cell 25 F", "Electrolytic 10 mF"],
    "clamp": ["No clamp", "Bus clamp 14 V"],
    "window": ["Comparator window A", "Comparator window B"],
    "converter": ["Buck-boost 2 A", "Buck-boost 3 A"],
    "pack_lead": ["5 V lead 0.3 m", "5 V lead 1 m"],
}
DRAWN = {
    "draws": 1000,
    "promised_energy_J": 1234.0,
    "worst_tenth_J": 1111.0,
    "hazard_chance": 0.004,
    "hazard_chance_high": 0.0102,
    "keeps_rules_share": 0.95,
}
"""What draws of builds came to."""
OUTPUT = {"converter": {"output_V": 5.1}}
"""Fields that a test works out by hand from."""


@cache
def _small() -> Project:
    """The small study, whose records the made-up ones are copies of."""
    return load(Path(__file__).parents[1] / "data" / "small" / "small.toml")


def _parts(link: str) -> tuple[Part, ...]:
    """Records of the made-up names: a class of the small study with another id and name."""
    given = _small().catalogue.parts[link]
    nothing = next((part for part in given if part.id.startswith("no_")), given[0])
    parts = []
    for k, name in enumerate(KINDS[link]):
        absent = name.startswith("No ")
        row = (nothing if absent else given[-1]).model_dump() | {
            "id": f"no_{link}" if absent else f"{link}_{k}",
            "name": name,
            "source": "made up for a test",
            "dated": date(2026, 1, 1 + k),
            "mass_kg": 0.1,
        }
        parts.append(type(given[0]).model_validate(row | OUTPUT.get(link, {})))
    return tuple(parts)


def project(title: str = "Keeping the gauge awake") -> Project:
    """A project of made-up names; its records are real ones, its prices those of nobody."""
    small = _small()
    parts = {link: _parts(link) for link in LINKS}
    person = small.catalogue.operators["adult_one_arm"].model_copy(
        update={
            "id": "adult", "name": "Adult, one arm", "source": "made up for a test",
            "critical_power_W": 45.0, "reserve_J": 3600.0, "power_share": 0.5,
        }
    )  # fmt: skip
    pack = small.catalogue.packs["telemetry_pack"].model_copy(
        update={
            "id": "gauge_pack", "name": "telemetry pack", "source": "made up for a test",
            "capacity_Wh": 20.0, "current_A": 2.0,
        }
    )  # fmt: skip
    catalogue = replace(
        small.catalogue,
        parts=parts,
        operators={"adult": person},
        packs={"gauge_pack": pack},
        notes=("prices.csv: 2 prices are older than 365 days",),
    )
    study = replace(
        small.study,
        name="synthetic",
        title=title,
        question="Which hand-cranked chain should the crew build, so that ten minutes at the crank "
        "keep the gauge's pack alive through a storm?",
        session=Session(minutes=10.0, operators=("adult",), packs=("gauge_pack",)),
        choices={link: tuple(part.id for part in rows) for link, rows in parts.items()},
        limits=Limits(cost=120.0, mass_kg=5.0, crank_effort_percent=100.0),
    )
    return replace(
        small, path=Path("synthetic.toml"), study=study, catalogue=catalogue, study_hash="0" * 12
    )


def with_case(
    given: Project,
    *,
    operators: dict[str, dict[str, Any]] | None = None,
    packs: dict[str, dict[str, Any]] | None = None,
    **session: Any,
) -> Project:
    """The project with more people and packs in its session: id -> what differs from the first."""
    people, charged = dict(given.catalogue.operators), dict(given.catalogue.packs)
    for key, fields in (operators or {}).items():
        people[key] = next(iter(people.values())).model_copy(update={"id": key, **fields})
    for key, fields in (packs or {}).items():
        charged[key] = next(iter(charged.values())).model_copy(update={"id": key, **fields})
    names = {"operators": tuple(people), "packs": tuple(charged)}
    return replace(
        given,
        catalogue=replace(given.catalogue, operators=people, packs=charged),
        study=replace(
            given.study, session=given.study.session.model_copy(update={**names, **session})
        ),
    )


def records(count: int, seed: int = 1) -> list[dict[str, Any]]:
    """`count` designs on a curved front with bills, margins and ledgers that add up."""
    rng = np.random.default_rng(seed)
    world = project().catalogue.parts
    spread = np.abs(rng.normal(size=(count, 4))) + 0.02
    spread /= np.linalg.norm(spread, axis=1)[:, None]
    result = []
    for row, goal in enumerate(spread):
        chosen = {
            link: world[link][int(goal[k % 4] * 997 + 31 * k) % len(world[link])].id
            for k, link in enumerate(LINKS)
        }
        energy = float(1700 * (1 - goal[0]) + 60)
        series = int(rng.integers(4, 8))
        names = [name for name in LEDGER if name not in ("crank_work", "delivered")]
        shares = rng.dirichlet(np.ones(len(names)) * 0.6)
        lost = energy * 1.3
        ledger = {name: float(lost * share) for name, share in zip(names, shares, strict=True)}
        ledger["delivered"] = energy
        ledger = {"crank_work": sum(ledger.values()), **ledger}
        cost = round(float(15 + 120 * goal[1]), 2)
        quantity = {"rectifier": 6, "cell": series}
        bill = [
            {
                "link": link,
                "part": chosen[link],
                "quantity": quantity.get(link, 1),
                "unit_price": round(0.1 * (1 + k) + 0.05 * int(chosen[link][-1:].isdigit()), 2),
                "price_dated": "2026-10-01",
            }
            for k, link in enumerate(LINKS)
        ]
        # The last part takes what is left of the cost, so that the bill's sum is the cost.
        others = sum(line["quantity"] * line["unit_price"] for line in bill[:-1])
        bill[-1]["unit_price"] = round(cost - others, 2)
        margins = {
            name: float(rule.near * rng.gamma(2.0, 2.0) + 1e-3)
            for name, rule in RULES.items()
            if not name.startswith("limit_")
        }
        result.append(
            {
                "design_id": f"{row:06x}{seed:06x}",
                "parts": chosen,
                "settings": {
                    "cells_series": float(series),
                    "cells_parallel": 1.0,
                    "cadence_rpm": float(rng.integers(40, 80)),
                    "undervoltage_off_V": 4.2,
                    "undervoltage_band_V": 2.5,
                    "overvoltage_off_V": 12.5,
                },
                "delivered_energy_J": energy,
                "cost": cost,
                "currency": "EUR",
                "mass_kg": float(0.4 + 5 * goal[2]),
                "crank_effort_percent": float(8 + 80 * goal[3]),
                "regime": ("steady", "cycling")[row % 3 == 0],
                **DRAWN,
                "promised_energy_J": 0.9 * energy,
                "worst_tenth_J": 0.8 * energy,
                "feasible": True,
                "margins": margins,
                "ledger_J": ledger,
                "time_to_first_charge_s": float(rng.uniform(3, 90)),
                "bill": bill,
                "cases": [],
                "readings": {
                    "handle_force_N": float(rng.uniform(10, 38)),
                    "crank_power_W": float(rng.uniform(4, 24)),
                    "pack_power_W": energy / 600,
                },
            }
        )
    return result


SEARCH = {
    "method": "sample",
    "sampler": "nsga2",
    "seed": 7,
    "designs_considered": 20_000,
    "designs_feasible": 431,
    "exact": False,
    "seconds": 41.3,
    "hypervolume_history": [(n, 1 - np.exp(-n / 5000)) for n in range(500, 20_001, 500)],
    "yardstick": {"combinations": 4096, "hypervolume_share": 0.987, "front_share": 0.41},
}
REJECTIONS = {
    "turnable_N_m": (7400, 1210),
    "stroke_ripple_V": (6100, 830),
    "cell_voltage_V": (5200, 2400),
    "undervoltage_guard_V": (900, 12),
    "limit_cost": (0, 0),
}
PROVENANCE = {
    "study_hash": "0" * 12,
    "tables": {"cells.csv": "1a2b", "prices.csv": "3c4d"},
    "versions": {"genchain": "0.1.0"},
    "made": "2026-11-25",
}
OUTING = {"minutes_per_day": 30, "days": 28, "spare_Wh_per_kg": 120}


def rule_costs(row: dict[str, Any] | None) -> dict[str, Any]:
    """One rule that costs a pick something, one that does so only further on, one that is free."""
    mine = {} if row is None else {row["design_id"]: 40.0}
    gains = {"mean_J": 20.0, "middle_J": 150.0, "most_J": 900.0, "from_J": 1000.0}
    return {
        "tried": 1234,
        "front": 300,
        "rules": [
            {"margin": "cell_voltage_V", "step": 1.0, "lifted": 36, "picks": mine, **gains},
            {"margin": "peak_handle_force_N", "step": 10.0, "lifted": 3, "picks": {}, **gains},
        ],
        "free": ["lead_current_A", "chatter_V"],
    }


def market(currency: str = "EUR") -> Any:
    """A section on prices with something in every place."""
    from explorer.report.page import price_content as m

    limit = m.PriceLimit(HOSTILE, "generator", True, "19.00 EUR", "24.99 EUR", "+32 %", "0" * 12)
    cloud = m.FrontCloud((40.0, 50.0, 60.0), (900.0, 1000.0, 1200.0), (True, True, False))
    days = ("2026-10-01T08:00:00+00:00", "2026-11-01T09:30:00+00:00")
    return m.Market(
        currency=currency,
        what_if="",
        sentence="Since 2026-10-01 08:00, 1 price has moved. 1 designs have entered the front.",
        changes=(m.MovedPrice("cell_1", HOSTILE, "bank cell", "1.00 EUR", "2.00 EUR", "+100 %", "",
                          "2026-11-01"),),
        entered=(m.MovedDesign("000003000001", "900 J, 40.00 EUR, 2 kg, 30 % effort"),),
        entered_count=1,
        left=(m.MovedDesign("ffffffffffff", "800 J, 50.00 EUR, 2 kg, 30 % effort"),),
        left_count=1,
        wishes=(m.MovedWish("Recommended", "900 J, 40.00 EUR", "910 J, 41.00 EUR", False),),
        before=cloud,
        after=cloud,
        decisions=(m.LockedPrices("000003000001", "kept", HOSTILE, ("Stands.",), (limit,), (limit,),
                                  ""),),
        weights=(m.PriceRow("cell_1", HOSTILE, "bank cell", "2.00 EUR", 0.4, 120, 60),),
        weight_sentence="Of 20 prices, 1 would change which designs are on the front.",
        choice="000003000001",
        choice_limits=(limit,),
        history=m.PriceHistory(days, {key: (10.0, 9.0) for key in KEYS},
                        {"000003000001": ((days[1], 45.0),)}, ((days[1], "lock 000003000001"),),
                        "From October to November the least cost went from 10 to 9."),
        entries=((days[0], "launch"), (days[1], HOSTILE)),
    )  # fmt: skip


def swaps(design_id: str, other: str) -> Any:
    """Swaps of a design, one of each kind, one of them explained."""
    from explorer.report.page.content import Swap, Swaps

    made = [
        Swap(other, "generator", HOSTILE, "better", "3 J more energy", "", ""),
        Swap("f" * 12, "gearing", "Planetary 1:6", "trade", "9 J less energy, 2.00 EUR "
                  "cheaper", "with cadence 40 rpm", "The bank fills. More power, less energy."),
        Swap("e" * 12, "crank", "Long crank", "worse", "0.2 kg heavier", "", ""),
    ]  # fmt: skip
    return {design_id: Swaps(tuple(made), "For 3 other parts on offer nothing is stored.")}


def advice(design_id: str, **changed: Any) -> dict[str, Any]:
    """What `what_to_measure` keeps of one design."""
    one = {
        "quantity": "threshold of the clamp", "link": "clamp", "part": "a_clamp",
        "worth_J": 107.3, "interval_J": [89.0, 125.0], "changes_share": 0.25, "falls_share": 0.0,
        "minutes": 10, "instruments": ["multimeter", "bench supply"],
    }  # fmt: skip
    return {"design_id": design_id, "measure_nothing": False, "worth": [{**one, **changed}]}


def page(
    count: int = 300, seed: int = 1, *, twins: bool = False, promised: bool = False, **more: Any
) -> Any:
    """A whole PageData from made-up results; with `twins`, each design has one that a person cannot
    tell apart: a hundredth of a percent more energy for as much more money; `promised`: the study
    goes by
    promises.
    """
    from explorer import front
    from explorer.decision.picks import picks
    from explorer.report.goals import minimised
    from explorer.report.page import view

    rows = records(count, seed)
    if twins:
        rows += [
            {**row, "design_id": f"ff{row['design_id'][2:]}", "cost": row["cost"] * 1.0001,
             "delivered_energy_J": row["delivered_energy_J"] * 1.0001}
            for row in rows
        ]  # fmt: skip
    points = minimised(rows)
    rows = [row for row, keep in zip(rows, front.non_dominated(points), strict=True) if keep]
    points = points[front.non_dominated(points)]
    picked = {wish: rows[k]["design_id"] for wish, k in picks(points, UNITS).items()}
    first = rows[0]["design_id"]
    seconds = np.linspace(0, 600, 120)
    given: dict[str, Any] = {
        "search": SEARCH,
        "rejections": REJECTIONS,
        "provenance": PROVENANCE,
        "votes": {name: 0.27 / (k + 1) for k, name in enumerate(picked.values())},
        "history": [
            {
                "when": "2026-11-20",
                "kind": "launch",
                "what": "first launch: 431 designs kept every limit",
            }
        ],
        "locked": [
            {"design_id": first, "status": "beaten", "note": "built in spring", "beaten_by": "x"}
        ],
        "outing": OUTING,
        "session_traces": {
            picked["recommended"]: {
                "time_s": seconds,
                "bus_V": 7 - 5 * np.exp(-seconds / 40) + 0.2 * np.sin(seconds / 9),
                "pack_W": np.where(seconds > 45, 2.1, 0.0),
            }
        },
        "cadence_curves": {
            picked["recommended"]: {
                "cadence_rpm": [40, 50, 60, 70, 80],
                "handle_force_N": [12, 16, 21, 25, 28],
                "pack_power_W": [0.7, 1.2, 1.7, 2.1, 2.4],
            }
        },
        "market": market(),
        "measure_next": advice(picked["recommended"]),
        "rule_costs": rule_costs(next(r for r in rows if r["design_id"] == picked["recommended"])),
        "swaps": swaps(picked["recommended"], rows[0]["design_id"]),
        **more,
    }
    study = project()
    study = replace(study, study=replace(study.study, by_promise=promised))
    return view.page_data(study, rows, picked, view.Findings(**given))
