"""The store: every result ever computed, beside its study, appended and never changed.

One SQLite file a study. A block is a batch of designs as raw columns, written in one transaction
together with the search's progress, so that a killed search goes on where it was. How the columns
lie stands in the block's context (`layout`). What a later run may read of a block back is decided
row by row: model version, scenario and the physics of every used part must be those of today.
Prices are no part of a result, nor is what parts and settings alone decide.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any

import numpy as np
from numpy.typing import NDArray

from explorer import MODEL_VERSION
from explorer.errors import ExplorerError, InputError
from explorer.inputs.catalogue import Catalogue
from explorer.inputs.links import LINKS
from explorer.inputs.records import SETTINGS
from explorer.inputs.study import Project
from explorer.model import doubt, objectives
from explorer.model.cases import CaseName
from explorer.model.evaluation import Case, Evaluation
from explorer.model.limits import OF_LIMITS, limit_margins
from explorer.model.space import Designs, Rows
from explorer.store import layout as described
from explorer.store.connection import time_now
from explorer.store.gathered import (
    PLACES,
    Block,
    Gathered,
    allowed,
    first_of_each,
    in_todays_tables,
    lacks,
)
from explorer.store.history import History
from explorer.store.keys import Numbers, design_numbers, ids_of, path_of, search_key
from explorer.store.layout import Column, Layout, Result, UnknownLayoutError
from explorer.store.promises import promises_of
from explorer.store.stored import NotReused, Reuse, Stored, added_up
from explorer.units import Array

__all__ = ["Numbers", "Reuse", "Store", "Stored", "design_numbers", "ids_of", "path_of",
           "search_key"]  # fmt: skip

SESSION = "session"
"""The `source` of blocks whose designs were stepped through time: of two results of a design, that
of its session stands.
"""
OF_DECISIONS = "options"
"""The `source` of blocks of designs that were stepped because they are a change or two away from a
decision. They belong to it, not to the search: `load` gives them to those only who ask for them.
"""
STEPPED = (SESSION, OF_DECISIONS)
BLOCK_ROWS = 65_536
"""Most designs in a block: some 40 MB, so that reading back a few rows stays cheap."""
MOST_PART_VERSIONS = 2**15 - 1
CASE_VALUES = Case._fields[1:]


class Store(History):
    """An open store; use as a context manager. Every failure is one line (ExplorerError)."""

    def append(
        self,
        project: Project,
        evaluation: Evaluation,
        source: str,
        *,
        progress: tuple[str, Mapping[str, Any]] | None = None,
    ) -> None:
        """Add results, and the state of the search that found them, in one transaction.

        `source` says what computed them, one of `STEPPED` or what searched; `progress` is a
        key and state as in `save_progress`.
        """
        numbers = design_numbers(project.catalogue, evaluation.designs)
        results = _results_of(evaluation)
        layout = Layout(_columns(), tuple(results))
        physical = [m for name, m in evaluation.margins.items() if name not in OF_LIMITS]
        keeps_physics = np.all([m >= 0 for m in physical], axis=0)
        may_keep, energy_doubt = keeps_physics, np.zeros(len(evaluation))
        if source not in STEPPED:
            may_keep = doubt.may_keep(evaluation.margins, without=OF_LIMITS)
            energy_doubt = doubt.energy_doubt(project, evaluation)
        with self._transaction():
            context = self._context(project, layout)
            vocabulary = self._vocabulary(project.catalogue, evaluation.designs)
            columns: dict[str, list[NDArray[Any]]] = {
                described.PARTS: [vocabulary[k][evaluation.designs.parts[k]] for k in LINKS],
                described.SETTINGS_OF: [evaluation.designs.settings[name] for name in SETTINGS],
                described.NUMBERS: [numbers],
                **{key: [getattr(evaluation, key)] for key in objectives.session_keys()},
                described.FIRST_CHARGE: [evaluation.time_to_first_charge_s],
                described.REGIME: [evaluation.regime],
                described.KEEPS_PHYSICS: [np.broadcast_to(keeps_physics, numbers.shape)],
                described.DOUBT: [energy_doubt],
                described.MAY_KEEP: [np.broadcast_to(may_keep, numbers.shape)],
            }
            for start in range(0, len(evaluation), BLOCK_ROWS):
                rows = slice(start, start + BLOCK_ROWS)
                blob = layout.pack({k: [one[rows] for one in v] for k, v in columns.items()})
                head = {"context": context, "count": len(numbers[rows]), "source": source}
                block = self._insert("block", {**head, "written": time_now(), "designs": blob})
                values = np.stack([one[rows] for one in results.values()]).astype("<f8").tobytes()
                self._insert("detail", {"block": block, "results": values})
            if progress is not None:
                self.save_progress(*progress)

    def last_block(self) -> int:
        """Number of the block that was written last, 0 without one."""
        return max((number for number, *_ in self._read("block")), default=0)

    def load(
        self, project: Project, of: Callable[[int, str], bool] | None = None
    ) -> tuple[Stored, Reuse]:
        """Every design that holds today, once, by its session where it was stepped, and how many
        others there are and why.

        `of` chooses blocks by number and source; without it, all but those of `OF_DECISIONS`.
        """
        total, blocks, reasons = self._readable(project, of or _of_searches)
        gathered = Gathered.of(blocks, self._columns)
        parts, usable, changed = in_todays_tables(project, gathered.parts, self._known_parts())
        reasons = [*reasons, *changed]
        for name, chosen_values in gathered.settings.items():
            inside = allowed(project.study, name, chosen_values)
            reasons.append((f"{name} is outside the study's settings", int((~inside).sum())))
            usable = usable & inside
        designs = Designs(parts, gathered.settings)
        numbers = gathered.numbers_of(project.catalogue, designs, usable)
        genes = [*parts.values(), *gathered.settings.values()]
        first = first_of_each(numbers, usable, genes)
        rows = np.flatnonzero(usable & first)
        # A design that was stepped is stored a second time, but counts once.
        again = usable & ~first & ~gathered.stepped & np.isin(numbers, numbers[gathered.stepped])
        chosen, first_charge_s = designs.take(rows), gathered.first_charge_s[rows]
        values = {key: value[rows] for key, value in gathered.session.items()}
        values |= objectives.static_values(project, chosen)
        keeps_physics = gathered.keeps_physics[rows]
        limits = limit_margins(
            project.study,
            values[objectives.ENERGY],
            values["mass_kg"],
            values[objectives.EFFORT],
            first_charge_s,
        )
        keeps_limits = np.all([keeps_physics, *(m >= 0 for m in limits.values())], axis=0)
        by_promise = project.study.by_promise
        promises = promises_of(project, self, numbers[rows]) if by_promise else None
        stored = Stored(
            designs=chosen,
            values=values,
            time_to_first_charge_s=first_charge_s,
            regime=gathered.regime[rows],
            keeps_physics=keeps_physics,
            keeps_limits=keeps_limits,
            feasible=keeps_limits
            if promises is None
            else keeps_limits & promises.within_limits(project),
            may_stand=gathered.may_keep[rows] & doubt.may_keep(limits),
            energy_doubt=gathered.energy_doubt[rows],
            stepped=gathered.stepped[rows],
            numbers=numbers[rows],
            places=gathered.places[rows],
            promises=promises,
        )
        return stored, Reuse(total - int(again.sum()), len(stored), added_up(reasons))

    def load_options(self, project: Project) -> Stored:
        """The designs of `OF_DECISIONS` that hold today."""
        return self.load(project, lambda _, source: source == OF_DECISIONS)[0]

    def evaluation(
        self, project: Project, stored: Stored, rows: Rows | NDArray[np.bool_] | None = None
    ) -> Evaluation:
        """The full results of some rows of what `load` returned (all of them by default).

        Margins to the study's limits are those of today's study.
        """
        chosen = stored if rows is None else stored.take(rows)
        results = self._results(project, chosen)
        groups: dict[str, dict[str, Array]] = {group: {} for group in described.GROUPS}
        cases: dict[CaseName, dict[str, Any]] = {}
        for (group, name, *case), column in results.items():
            if group == described.CASES:
                operator, pack, *shift = case
                whose = CaseName(operator, pack, *map(int, shift))
                cases.setdefault(whose, {})[name] = column
            else:
                groups[group][name] = column
        limits = limit_margins(
            project.study,
            chosen.delivered_energy_J,
            chosen.mass_kg,
            chosen.crank_effort_percent,
            chosen.time_to_first_charge_s,
        )
        return Evaluation(
            designs=chosen.designs,
            delivered_energy_J=chosen.delivered_energy_J,
            mass_kg=chosen.mass_kg,
            crank_effort_percent=chosen.crank_effort_percent,
            time_to_first_charge_s=chosen.time_to_first_charge_s,
            regime=chosen.regime,
            margins=groups["margins"] | limits,
            ledger_J=groups["ledger_J"],
            readings=groups["readings"],
            session_ledger_J=groups["session_ledger_J"],
            cases=tuple(
                Case(whose, **(values | {"regime": values["regime"].astype(np.int8)}))
                for whose, values in cases.items()
            ),
        )

    # ---- inside

    def _columns(self, block: Block) -> dict[str, NDArray[Any]]:
        found = self._read("designs", "t.id = ?", (block.id,))
        with self._undamaged("designs", block.id):
            return block.layout.unpack(found[0][-1] if found else b"", block.rows)

    def _results(self, project: Project, chosen: Stored) -> dict[Result, Array]:
        """Results (n,) of designs by group and name, in the order in which they were written."""
        numbers, which = np.unique(chosen.places // PLACES, return_inverse=True)
        order = np.argsort(which, kind="stable")
        ends = np.searchsorted(which[order], np.arange(len(numbers)), side="right").tolist()
        blocks = self._blocks(numbers.tolist())
        # Of no designs the results are named all the same, as the latest block names them.
        names = blocks or self._readable(project, _of_searches)[1][-1:]
        known = frozenset().union(*(block.layout.known_results for block in names[:1]))
        found = {
            one: np.empty(len(chosen))
            for block in names[:1]
            for one in block.layout.results
            if one in known
        }
        for block, start, end in zip(blocks, [0, *ends], ends, strict=False):
            rows = order[start:end]
            blob = self._read("detail", "t.block = ?", (block.id,))
            with self._undamaged("detail", block.id):
                values = block.layout.unpack_results(blob[0][-1] if blob else b"", block.rows)
            for one, column in found.items():
                column[rows] = values[one][chosen.places[rows] % PLACES]
        return found

    def _blocks(self, numbers: list[int]) -> list[Block]:
        """The heads of some blocks, by their numbers."""
        contexts = {context: columns for context, _, _, columns in self._read("context")}
        heads = {number: head for number, *head in self._read("block")}
        found = []
        for number in numbers:
            if number not in heads:
                raise ExplorerError(f"{self.path}: holds no block {number}")
            context, count, source, _ = heads[number]
            layout = Layout.read(contexts[context])
            found.append(Block(number, count, layout, source, source in STEPPED))
        return found

    @contextmanager
    def _undamaged(self, kind: str, block: int) -> Iterator[None]:
        """Turn what reading the bytes of a block from before checksums raises into one line."""
        try:
            yield
        except ValueError as error:
            raise InputError([self.fault_of(kind, block)]) from error

    def _context(self, project: Project, layout: Layout) -> int:
        row = {
            "model": MODEL_VERSION,
            "scenario": project.scenario_hash,
            "columns": layout.text,
        }
        self._insert("context", row, "ON CONFLICT DO NOTHING")
        same = "(t.model, t.scenario, t.columns) = (?, ?, ?)"
        ((id_, *_),) = self._read("context", same, tuple(row.values()))
        return int(id_)

    def _known_parts(self) -> dict[str, list[tuple[str, str]]]:
        """Part and hash of its physics of every number in the vocabulary, by link."""
        known: dict[str, list[tuple[str, str]]] = {link: [] for link in LINKS}
        for link, number, part, physics in sorted(self._read("part")):
            if link in known:
                if number != len(known[link]):
                    raise InputError([self.fault_of("part")])
                known[link].append((part, physics))
        return known

    def _vocabulary(self, catalogue: Catalogue, designs: Designs) -> dict[str, NDArray[np.int16]]:
        """Link -> number in the vocabulary of each row of today's table, new ones added."""
        numbers = {}
        for link, entries in self._known_parts().items():
            known = {entry: number for number, entry in enumerate(entries)}
            row_numbers = np.full(len(catalogue.parts[link]), -1, dtype=np.int16)
            for row in np.unique(designs.parts[link]).tolist():
                part = catalogue.parts[link][row].id
                key = (part, catalogue.row_hashes[link][part])
                if key not in known:
                    known[key] = len(known)
                    if known[key] > MOST_PART_VERSIONS:
                        raise ExplorerError(f"{self.path}: holds too many versions of {link} parts")
                    row_of = {"link": link, "number": known[key]}
                    self._insert("vocabulary", {**row_of, "part": part, "physics": key[1]})
                row_numbers[row] = known[key]
            numbers[link] = row_numbers
        return numbers

    def _readable(
        self, project: Project, of: Callable[[int, str], bool]
    ) -> tuple[int, list[Block], list[NotReused]]:
        """How many designs the chosen blocks hold, those that can be read today, why others not."""
        contexts: dict[int, Layout] = {}
        reasons: list[NotReused] = []
        counts: dict[int, int] = {}
        heads = [head for head in self._read("block") if of(head[0], head[3])]
        held: dict[int, int] = {}
        for _, context, rows, *_ in heads:
            held[context] = held.get(context, 0) + rows
        for id_, model, scenario, columns in self._read("context"):
            if not (count := held.get(id_, 0)):
                continue
            counts[id_] = count
            layout, words = _layout_today(project, model, scenario, columns)
            if layout is None:
                reasons.append((words, count))
            else:
                contexts[id_] = layout
        latest = contexts[max(contexts)].known_results if contexts else frozenset()
        same = {id_: one for id_, one in contexts.items() if one.known_results == latest}
        other = sum(counts[id_] for id_ in contexts if id_ not in same)
        reasons.append(("stored with other margins or readings than today's", other))
        blocks = [
            Block(id_, rows, same[context], source, source in STEPPED)
            for id_, context, rows, source, _ in heads
            if context in same
        ]
        blocks.sort(key=lambda block: not block.stepped)
        return sum(counts.values()), blocks, reasons


def _of_searches(_: int, source: str) -> bool:
    """Whether a block is no decision's own."""
    return source != OF_DECISIONS


def _layout_today(
    project: Project, model: str, scenario: str, columns: str
) -> tuple[Layout | None, str]:
    """The layout of a context whose designs can be read today, or None and why they cannot."""
    if model != MODEL_VERSION:
        return None, f"computed by model version {model}, now it is {MODEL_VERSION}"
    if scenario != project.scenario_hash:
        return None, (
            "computed for another session, operator, pack or resistor tolerance than the "
            "study's of today"
        )
    try:
        layout = Layout.read(columns)
    except UnknownLayoutError as error:
        return None, f"stored in {error}"
    words = lacks(layout)
    return (layout, "") if words is None else (None, words)


def _columns() -> tuple[Column, ...]:
    """Those of a block that is written today."""
    return (
        Column(described.PARTS, "<i2", tuple(LINKS)),
        Column(described.SETTINGS_OF, "<f8", SETTINGS),
        Column(described.NUMBERS, "<u8"),
        *(Column(key, "<f8") for key in objectives.session_keys()),
        Column(described.FIRST_CHARGE, "<f8"),
        Column(described.REGIME, "<i1"),
        Column(described.KEEPS_PHYSICS, "<i1"),
        Column(described.DOUBT, "<f8"),
        Column(described.MAY_KEEP, "<i1"),
    )


def _results_of(evaluation: Evaluation) -> dict[Result, Array]:
    """Everything but the designs' own columns; limits are left out, see `limit_margins`."""
    found: dict[Result, Any] = {
        (group, name): value
        for group in described.GROUPS
        for name, value in getattr(evaluation, group).items()
        if not (group == "margins" and name in OF_LIMITS)
    }
    for case in evaluation.cases:
        for name in CASE_VALUES:
            found[described.CASES, name, *case.name.key] = getattr(case, name)
    return found
