"""A page with the demo's long names and many rules, for what must fit."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from explorer.decision.picks import picks
from explorer.inputs.study import Project
from explorer.model import costing
from explorer.model.evaluate import evaluate
from explorer.model.objectives import points_of
from explorer.model.record import design_record
from explorer.model.space import Space
from explorer.report.page import view
from explorer.report.page.content import PageData
from explorer.report.wording import PICK_WORDS
from tests.helpers import synthetic


def after_a_rerun() -> Any:
    """What prices do after nine of them moved, with another answer to every wish and three locks,
    two of them beaten: the words are those of the demo.
    """
    told = synthetic.market()
    change = replace(told.changes[0], name="Fine comparator pair with a P-channel switch")
    wish = replace(told.wishes[0], before=DESIGN, after=DESIGN)
    decision = replace(told.decisions[0], note="For the spring crew", words=WORDS, nearest="")
    return replace(
        told,
        changes=(change,) * 9,
        wishes=tuple(replace(wish, wish=words) for words in PICK_WORDS.values()),
        decisions=(decision, decision, replace(decision, words=WORDS[1:2], nearest=NEAREST)),
    )


DESIGN = "3,930 J, 73.64 EUR, 2.84 kg, 34 % effort"
WORDS = (
    "Beaten by de0809851e69: 120 J more energy, 3.60 EUR cheaper.",
    "It costs 74.24 EUR today, 5.50 EUR more than on the day of the lock.",
    "Staying costs 74.24 EUR, switching costs 70.64 EUR; parts that you already have count as free "
    "only when the rerun names them.",
)
NEAREST = (
    "The nearest price that would change that: Buck-boost module 3 to 20 V four switches, when "
    "it falls below 3.11 EUR (13.50 EUR today)."
)


def page(project: Project) -> PageData:
    """Random designs of the demo, whatever they are worth."""
    results = evaluate(project, Space.of(project).draw(400, np.random.default_rng(3)))
    results = results.take(np.flatnonzero(results.delivered_energy_J > 0))
    cost = costing.costs(project, results.designs)
    rows = [design_record(project, results, row, float(cost[row])) for row in range(len(results))]
    picked = picks(points_of(project, results, cost), synthetic.UNITS)
    wishes = {wish: rows[k]["design_id"] for wish, k in picked.items()}
    assert len(set(wishes.values())) >= 4
    for row in rows:
        row["readings"] = {**row["readings"], "cycle_s": 4.98}
        row |= synthetic.DRAWN
    seconds = np.linspace(0, 600, 120)
    first = wishes["recommended"]
    found = view.Findings(
        search=synthetic.SEARCH,
        rejections={name: (9, 1) for name in rows[0]["margins"] if name != "limit_cost"},
        provenance=synthetic.PROVENANCE,
        outing=synthetic.OUTING,
        rule_costs=synthetic.rule_costs({"design_id": first}),
        session_traces={first: {"time_s": seconds, "bus_V": 5 + seconds % 3, "pack_W": seconds}},
        cadence_curves={
            # Faster gives less here, which takes a long sentence.
            first: {
                "cadence_rpm": [40, 60, 80],
                "handle_force_N": [9, 12, 4],
                "pack_power_W": [1, 9.93, 0.24],
            }
        },
        market=after_a_rerun(),
        locked=[{"design_id": one["design_id"], "status": "kept"} for one in rows[:3]],
        swaps=synthetic.swaps(first, rows[0]["design_id"]),
        votes={first: 0.004},
    )
    return view.page_data(project, rows, wishes, found)
