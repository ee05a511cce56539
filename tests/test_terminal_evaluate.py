"""What evaluate prints of a design that breaks rules: those first, each with what would keep it."""

from __future__ import annotations

from explorer.commands.terminal import evaluated
from explorer.inputs.study import Project
from explorer.model.evaluate import evaluate
from explorer.model.record import design_record
from explorer.model.rules import RULES
from tests.helpers.invented import designs


def test_what_is_broken_comes_first_with_what_would_keep_it(small_project: Project) -> None:
    found = evaluate(small_project, designs(small_project, 30))
    row = next(k for k in range(30) if not found.feasible[k])
    record = design_record(small_project, found, row, 50.0)
    lines = evaluated({**record, "over_cases": "mean"})
    broken = [name for name, value in record["margins"].items() if value < 0]
    assert broken
    at = lines.index("not feasible:")
    assert at == 1
    told = lines[at + 1 : at + 1 + len(broken)]
    for name, line in zip(broken, told, strict=True):
        assert f"({name})" in line
        assert line.startswith("  broken")
        loosened = RULES[name].loosened_by if name in RULES else ""
        assert ("would keep it" in line) == bool(loosened and "beyond measure" not in line)
    assert all(line.startswith("  kept") for line in lines[lines.index("kept:") + 1 :])
