"""How many planted faults a log shows, and how many sound logs are accused.

    python -m tests.bench.log_faults [--logs N] [--json FILE]

Logs of two minutes, four rows a second, of builds of one design of the demo, made by another path
than the one that judges them (tests/helpers/logs.py), each fault with random severity.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from explorer.inputs.study import Project, load
from explorer.measuring.log_judgement import Reference, judged_log
from explorer.model.design_file import checked_design
from tests.bench import bench_results
from tests.helpers.logs import FAULTS, GAUGE, LINKS, one_log, times_s

DEMO = Path(__file__).parents[2] / "studies" / "flood_gauge.toml"
HELD = {"inertia_kg_m2": 0.0, "unevenness_turn": 0.0, "kappa_m_s": 0.0, "p_W_s2_m2": 0.0}
"""The twin knows a hand that holds its speed."""


def held(project: Project) -> Project:
    """The project with hands that hold their speed."""
    operators = {
        name: person.model_copy(update=HELD) for name, person in project.catalogue.operators.items()
    }
    return replace(project, catalogue=replace(project.catalogue, operators=operators))


def table(project: Project, logs: int) -> list[dict[str, Any]]:
    """A row for sound logs and for each fault."""
    design = checked_design(project, GAUGE, "gauge")
    reference = Reference.of(project, design, times_s())
    rows = []
    for fault in ("", *FAULTS):
        accused, found, named = 0, 0, dict[str, int]()
        for number in range(logs):
            suspect = judged_log(one_log(project, design, fault, number), reference).suspect
            if suspect is not None:
                accused += 1
                found += suspect.sign.links[0] in LINKS.get(fault, ())
                named[suspect.sign.key] = named.get(suspect.sign.key, 0) + 1
        row = {"fault": fault or "none", "logs": logs, "accused": accused, "found": found}
        rows.append({**row, "named": named})
        print("  ".join(f"{key} {value}" for key, value in rows[-1].items()), flush=True)
    return rows


def main() -> None:
    """Print the table."""
    asked = bench_results.asked(__doc__, logs=100)
    bench_results.write(asked.json, table(held(load(DEMO)), asked.logs))


if __name__ == "__main__":
    main()
