"""evaluate: what a design that a person already owns delivers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from explorer.inputs.study import Project
from explorer.inputs.study import load as load_study
from explorer.model.design_file import built_as, checked_design, read_design
from explorer.model.fidelities import at_fidelity
from explorer.model.space import Designs

if TYPE_CHECKING:
    from pandas import DataFrame


def evaluate_file(study: Path, design: Path, *, fidelity: str = "session") -> dict[str, Any]:
    """The result of the design in a file, with margins and ledger, and what it could be changed
    into; InputError with every fault.
    """
    from explorer.decision import advising
    from explorer.report.measured_reach import beyond_measured

    project = load_study(study)
    own, chain = built_as(project, design), read_design(project, design)
    found = at_fidelity(own, chain, fidelity)[0]
    advised = advising.of_chain(own, chain)
    return {
        **found,
        "beyond_points": beyond_measured(project, found),
        "advice": advised.advice.plain,
        "options": [option.plain for option in advised.options],
    }


def evaluate_designs(
    project: Project, designs: Sequence[Mapping[str, Any]], *, fidelity: str = "session"
) -> DataFrame:
    """Results of some designs, a row each in their order, in the columns of `front_table`.

    A design is a mapping with `parts` (link -> id) and `settings` (name -> number), complete, as in
    a design file. `fidelity` is session (stepped through time, some milliseconds each) or waveform
    (and a window of it at switching level, about a second each).

    InputError with every fault of the first wrong design, or for an unknown fidelity.
    """
    from explorer.report.table import frame

    checked = [
        checked_design(project, design, f"design {number}")
        for number, design in enumerate(designs, 1)
    ]
    together = Designs.concatenate(checked) if checked else None
    return frame(at_fidelity(project, together, fidelity) if together else [])
