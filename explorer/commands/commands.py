"""What a person can ask for, one function a command: study file in, plain JSON-able answer out."""

from __future__ import annotations

import platform
from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from functools import cached_property
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from explorer import MODEL_VERSION, __version__, front
from explorer.decision import changes, confirmation, judging, lock, price_sensitivity, repricing
from explorer.decision.rule_costs import rule_costs
from explorer.errors import Fault, InputError, nearest
from explorer.inputs.csv_tables import content_hash, shown
from explorer.inputs.links import LINKS
from explorer.inputs.machine_classes import line_column_meanings
from explorer.inputs.study import Project, load
from explorer.model import costing, promise
from explorer.model.design_file import read_design
from explorer.model.evaluate import number
from explorer.model.fidelities import at_fidelity
from explorer.model.margins import RULES
from explorer.model.objectives import KEYS as OBJECTIVE_KEYS
from explorer.model.record import design_record
from explorer.model.space import Rows, Space
from explorer.search import convergence, plan, probes
from explorer.search import run as search
from explorer.search.progress import Step, Summary, Watch, unwatched
from explorer.search.workers import on_machines
from explorer.store.history import Run
from explorer.store.keys import Numbers, ids_of, search_key
from explorer.store.results import Store, path_of
from explorer.store.standing import affordable, front_rows
from explorer.store.stored import Stored
from explorer.units import Array

if TYPE_CHECKING:
    from explorer.inputs.prices import Prices
    from explorer.report.page.content import PageData
    from explorer.report.page.market import Market

Answer = dict[str, Any]
LIBRARIES = ("numpy", "scipy", "optuna", "moocore", "bokeh")
NOTHING_FEASIBLE = "no design of the study keeps every rule"
CONFIRMED, CONFIRM_BUDGET_S = 40, 8.0
"""Designs of the front beside the picks that the session fidelity confirms, and its time."""
RUNNERS_UP = 12
"""Designs next in votes that are looked at as closely as the picks, and half as many in cost."""
JUDGE_SHARE, MOST_JUDGE_S, MOST_JUDGED = 0.05, 60.0, 500
"""Of the study's time limit, and most seconds, in which it judges what was sampled beside them, and
of how many designs.
"""
MOST_SECOND_CHOICES = 5
"""How often picks that it refutes give way to others before they are left as they are."""
MOST_NAMED = 6
"""Rules named when nothing is feasible: those that stand in the way most."""


def check(study: Path) -> Answer:
    """Read a study and its tables; says what it holds, raises InputError with every fault."""
    project = load(study)
    space = Space.of(project)
    locks = lock.read_locks(project)
    return {
        "study": project.study.name,
        "combinations": space.size,
        "continuous": list(space.continuous),
        "plan": plan.plan(project, space).why,
        "choices": {link: len(names) for link, names in project.study.choices.items()},
        "locked": [one.design_id for one in locks],
        "columns": line_column_meanings(),
        "notes": list(project.catalogue.notes),
    }


def launch(
    study: Path,
    *,
    watch: Watch = unwatched,
    workers: int = search.WORKERS,
    cluster: str | None = None,
) -> Answer:
    """Search the study to its end, write the page, and answer with the front."""
    project = load(study)
    lock.read_locks(project)  # its faults now, not after the search
    with Store.open(path_of(project)) as store:
        run = store.begin("launch", {"study_hash": project.study_hash})
        summary = search.launch(project, store, watch, workers, cluster)
        desk = Desk.at_todays_prices(project, store)
        summary.hypervolume = convergence.relative_hypervolume(project, desk.points)
        with on_machines(cluster or project.study.search.cluster):
            told = desk.look_closer(watch, workers, summary.exact)
        broken = told["rejections"]
        kept = {**asdict(summary), **told}
        repricing.conclude(project, store, run, desk.stored, desk.cost, desk.rows, kept)
        if not len(desk.rows):
            raise InputError(_nothing_feasible(project, broken))
        page = desk.publish()
        return {
            "study": project.study.name,
            "designs_considered": summary.designs_considered,
            "designs_feasible": summary.designs_feasible,
            "exact": summary.exact,
            "front": page["front"],
            "front_size": page["front_size"],
            "front_thinned": page["front_thinned"],
            "hypervolume": summary.hypervolume,
            "seconds": summary.seconds,
            "report": page["report"],
            "picks": page["picks"],
            "why_none": page["why_none"],
            "search": {**asdict(summary), "judged": told.get("judged")},
            "notes": list(project.catalogue.notes),
        }


def review(*studies: Path | str) -> Answer:
    """Write the page again from the store; computes nothing.

    Several studies stand side by side on one page. STUDY.toml@2026-11-20 is the study with the
    prices and the front that its store kept last on that day, @2026-11-20T14:05 those of a minute.
    """
    from explorer.report.page import page

    shown_studies: list[Answer] = []
    pages, marks, homes = [], [], []
    dated = any(day is not None for _, day in map(_dated, studies))
    for study in studies:
        path, day = _dated(study)
        project = load(path)
        with Store.open(path_of(project), read_only=True) as store:
            run = None if day is None else _kept_on(store, path, day)
            desk = Desk.of_the_past(project, store, run) if run else Desk.at_todays_prices(
                project, store
            )  # fmt: skip
            if not len(desk.rows):
                rule = "holds no feasible design that is valid today, launch first"
                if run:
                    rule = f"holds no design any more of the front of {day} that is valid today"
                raise InputError([Fault(str(store.path), "", rule)])
            reuse = list(store.load(project)[1].lines)
            if len(studies) == 1 and run is None:
                return {"study": project.study.name, "reuse": reuse, **desk.publish()}
            data, told = desk.page()
        when = f" of {day.replace('T', ' ')}" if day else ", today" if dated else ""
        label = f"{project.study.name}{when}"
        pages.append((data, label))
        shown_studies.append({"study": project.study.name, "date": day, "reuse": reuse} | told)
        marks.append(project.study.name + (f"_{day.replace(':', '')}" if day else ""))
        homes.append(reports_of(project).parent)
    folder = homes[0] / "_beside_".join(marks)
    if len(pages) == 1:
        written = page.write(pages[0][0], folder)
    else:
        both = [data for data, _ in pages]
        written = page.write_beside(both, folder, [label for _, label in pages])
    return {"studies": shown_studies, "report": str(written)}


def _dated(study: Path | str) -> tuple[Path, str | None]:
    """A study's file, and the day asked for behind an @ where the whole is no file itself."""
    whole = str(study)
    path, at, day = whole.rpartition("@")
    if not at or Path(whole).exists():
        return Path(whole), None
    return Path(path), day.strip().replace(" ", "T")


def _kept_runs(store: Store) -> list[Run]:
    """Launches and reruns whose front the store kept, oldest first, what-ifs aside."""
    return [
        run
        for run in store.history()
        if run.result and "front" in run.result and not run.result.get("owned")
    ]


def _kept_on(store: Store, path: Path, day: str) -> Run:
    """The last launch or rerun of a day whose front the store kept."""
    kept = [(run.ended or run.begun, run) for run in _kept_runs(store)]
    fitting = [run for when, run in kept if len(day) >= 10 and when.startswith(day)]
    if fitting:
        return fitting[-1]
    days = ", ".join(dict.fromkeys(when[:16] for when, _ in kept))
    rule = f"must be a day or minute whose front is kept: {days}" if days else (
        "cannot be had, no front is kept yet, launch first"
    )  # fmt: skip
    raise InputError([Fault(str(path), "date", rule, shown(day))])


def rerun(
    study: Path,
    *,
    owned: Collection[str] = (),
    fresh_search: bool = False,
    watch: Watch = unwatched,
) -> Answer:
    """Stored physics at today's prices: what moved, and how every locked design stands.

    `fresh_search` looks again afterwards where new prices may justify it.
    """
    project = load(study)
    _known_parts(project, owned)
    locks, searched = lock.read_locks(project), {}
    with Store.open(path_of(project), existing=True) as store:
        if fresh_search:
            searched = _search_again(project, store, watch)
        stored, _ = store.load(project)
        found = repricing.rerun(project, store, stored, locks=locks, owned=owned)
        currency = project.catalogue.prices.currency
        answer = {
            "study": project.study.name, "currency": currency, **found.summary(), **searched
        }  # fmt: skip
        desk = Desk(project, store, stored, found.cost, found.front, tuple(owned))
        answer["notes"] = list(project.catalogue.notes)
        for one, said in zip(locks, answer["locked"], strict=True):
            tips = price_sensitivity.tipping_prices(project, stored, found.cost, one, owned=owned)
            said["tips"] = [tip._asdict() for tip in tips]
            said["changed"] = [
                change._asdict()
                for change in changes.since(project, store, _inputs_at_lock(store, one.design_id))
            ]
        if not len(desk.rows):
            picks = dict.fromkeys(front.PICKS)
            return answer | {"front": [], "front_thinned": False, "picks": picks, "report": None}
        verdicts = {verdict.design_id: verdict for verdict in found.locked}
        return answer | desk.publish(verdicts)


def _search_again(project: Project, store: Store, watch: Watch) -> Answer:
    """Go on searching, and say how many designs that took."""
    told = [run.result for run in store.history() if run.kind in ("launch", "search")]
    before = next((r["designs_evaluated"] for r in reversed(told) if r), 0)
    run = store.begin("search", {"study_hash": project.study_hash})
    summary = search.launch(project, store, watch, again=True)
    store.finish(run, asdict(summary))
    computed = summary.designs_evaluated - (before if summary.resumed else 0)
    return {"search": asdict(summary), "physics_evaluations": max(computed, 0)}


def _inputs_at_lock(store: Store, design_id: str) -> str | None:
    """What study and tables said when a design was locked last, as `changes.since` takes it."""
    for run in reversed(store.history()):
        if run.kind == "lock" and run.result and run.intent["design_id"] == design_id:
            name = run.result.get("inputs")
            return None if name is None else str(name)
    return None


def lock_design(study: Path, design: str, *, note: str = "", release: bool = False) -> Answer:
    """Lock a stored design and write its build sheet, or take the lock off again."""
    from explorer.report.sheet import sheet

    project = load(study)
    if release:
        lock.others(project, design)  # a wrong id makes no store
    with Store.open(path_of(project), existing=not release) as store:
        if release:
            path = lock.release(project, store, design)
            return {"study": project.study.name, "released": design, "file": str(path)}
        decided = lock.prepare(project, store, design, note)
        known = sheet.facts(project, decided)
        built = sheet.build(project, decided, known)
        path, files = lock.keep(
            project, store, decided, lambda: sheet.write(built, reports_of(project))
        )
        return {
            "study": project.study.name,
            "file": str(path),
            "locked": decided.record,
            "sheet": str(files[0]),
            "bill": str(files[1]),
            "warning": sheet.hazard_warning(known),
            "notes": list(project.catalogue.notes),
        }


def evaluate_design(study: Path, design: Path, *, fidelity: str = "averaged") -> Answer:
    """What one design that a person already owns delivers, with margins and ledger."""
    project = load(study)
    return at_fidelity(project, read_design(project, design), fidelity)


def reports_of(project: Project) -> Path:
    """Where the page and the build sheets of a study stand: reports/STUDY, beside a folder that is
    called studies, or else in the study's own folder.
    """
    home = project.path.resolve().parent
    return (home.parent if home.name == "studies" else home) / "reports" / project.study.name


def _known_parts(project: Project, owned: Collection[str]) -> None:
    known = tuple(part.id for link in LINKS for part in project.catalogue.parts[link])
    faults = [
        Fault("--owned", shown(name), "is in no table of parts", hint=nearest(name, known))
        for name in owned
        if name not in known
    ]
    if faults:
        raise InputError(faults)


def _nothing_feasible(project: Project, broken: Mapping[str, tuple[int, int]]) -> list[Fault]:
    """Which rules stand in the way, and by how much: the nearest miss of random designs."""
    units = {name: rule.unit for name, rule in RULES.items()}
    units["limit_cost"] = project.catalogue.prices.currency
    missed = {
        name: f", the nearest of them misses it by {by:.4g} {units[name]}"
        for name, by in probes.nearest_miss(project).items()
    }
    worst = sorted(broken.items(), key=lambda item: (item[0] not in missed, -item[1][0]))
    many = f"of {probes.PROBES} random designs"
    return [Fault(str(project.path), "", NOTHING_FEASIBLE)] + [
        Fault(str(project.path), name, f"stands in the way of {count} {many}{missed.get(name, '')}")
        for name, (count, _) in worst[:MOST_NAMED]
    ]


@dataclass(frozen=True)
class Desk:
    """A study's stored designs with their costs and the rows of its front, ready to be shown."""

    project: Project
    store: Store
    stored: Stored
    cost: Array
    rows: Rows
    owned: tuple[str, ...] = ()
    """Parts that count as free: then the desk shows what would be, not what is."""

    @classmethod
    def of_the_past(cls, project: Project, store: Store, run: Run) -> Desk:
        """The front that a run kept, at the prices of that day, of designs that hold today."""
        assert run.result is not None
        then, now = store.prices_of(run.result["prices"]), project.catalogue.prices
        # A part that had no price then was on no front; today's keeps the arithmetic whole.
        prices = replace(
            then, breaks={**now.breaks, **then.breaks}, rates={**now.rates, **then.rates}
        )
        kits = run.result.get("terms", {}).get(
            "build_quantity", project.study.prices.build_quantity
        )
        terms = project.study.prices.model_copy(
            update={"currency": then.currency, "build_quantity": kits}
        )
        project = replace(
            project,
            study=replace(project.study, prices=terms),
            catalogue=replace(project.catalogue, prices=prices),
        )
        stored, _ = store.load(project)
        cost = costing.costs(project, stored.designs)
        rows = np.flatnonzero(np.isin(stored.numbers, store.front_of(run.result["front"])[0]))
        return cls(project, store, stored, cost, rows)

    @classmethod
    def at_todays_prices(cls, project: Project, store: Store, owned: Collection[str] = ()) -> Desk:
        """Everything that is stored, at today's prices."""
        stored, _ = store.load(project)
        cost = costing.costs(project, stored.designs, owned=owned)
        rows = front_rows(project, stored, cost)
        return cls(project, store, stored, cost, rows, tuple(owned))

    @property
    def points(self) -> Array:
        """Objectives of the front."""
        return self.stored.objectives(self.cost)[self.rows]

    def records(self, rows: Rows) -> list[Answer]:
        """Results of some stored designs."""
        evaluation = self.store.evaluation(self.project, self.stored, rows)
        return [
            {
                **design_record(self.project, evaluation, k, self.cost[rows[k]]),
                "hazard_chance": number(one.hazard_chance),
                "keeps_rules_share": number(one.keeps_rules_share),
            }
            for k, one in enumerate(self.odds(self.stored.numbers[rows]))
        ]

    @property
    def units(self) -> Array:
        """How much of each goal counts alike when a design is recommended."""
        from explorer.report.upper_bound import goal_units

        return goal_units(self.project)

    @cached_property
    def _builds_key(self) -> str:
        return f"builds:{search_key(self.project)}"

    def odds(self, numbers: Numbers) -> list[promise.Odds]:
        """What builds of some designs came to, as far as any launch has drawn them."""
        told = self.store.search_progress(self._builds_key)
        names = ids_of(numbers) if told else [""] * len(numbers)
        return [promise.Odds(*told.get(name, ())) for name in names]

    def hold(self, numbers: Numbers) -> NDArray[np.bool_]:
        """Which designs hold in their builds, so that they may be picked, (n,)."""
        limit = self.project.study.build.hazard_chance
        return np.array([one.holds(limit) for one in self.odds(numbers)], dtype=bool)

    def draw_builds(self, workers: int) -> None:
        """Draw builds of the front's contenders, as far as no launch has."""
        known = self.odds(self.stored.numbers[self.rows])
        designs = self.stored.designs.take(self.rows)
        ranks = promise.ranks(self.points, self.units)
        found = promise.settle(self.project, designs, ranks, known, workers)
        names = ids_of(self.stored.numbers[self.rows])
        drawn = {
            name: list(now)
            for name, now, before in zip(names, found, known, strict=True)
            if now != before
        }
        if drawn:
            told = self.store.search_progress(self._builds_key)
            self.store.save_progress(self._builds_key, {**told, **drawn})

    def _holding(self) -> Rows:
        """Rows of the front's designs whose builds hold: those that may be picked."""
        return self.rows[self.hold(self.stored.numbers[self.rows])]

    def _picked(self, sessions: Mapping[str, Any] | None = None) -> dict[str, int]:
        """Row of the design that answers each wish, of those whose builds hold and that no session
        has refuted (by default none of the last launch); nothing where there is none.
        """
        if sessions is None:
            sessions = _last_search(self.store).get("sessions", {})
        rows = self._holding()
        rows = rows[~judging.refuted(*self._energies(rows, sessions))]
        if not len(rows):
            return {}
        points = self.stored.objectives(self.cost)[rows]
        return {wish: int(rows[k]) for wish, k in front.picks(points, self.units).items()}

    def why_none(self) -> str:
        """Why no design of the front may be picked; empty where one may."""
        if len(self._holding()) or not len(self.rows):
            return ""
        limit = self.project.study.build.hazard_chance
        numbers = self.stored.numbers[self.rows]
        known = zip(ids_of(numbers), self.odds(numbers), strict=True)
        drawn = [(name, one) for name, one in known if one.draws]
        if not drawn:
            return (
                "No design of the front was built in draws yet, so none is recommended: launch the "
                "study again."
            )
        name, best = min(drawn, key=lambda item: (item[1].hazard_chance, -item[1].kept))
        return (
            f"No design can be recommended. Of {len(drawn):,} designs of the front that were built "
            f"in draws none keeps its promises: {name} comes nearest, breaks a rule that protects "
            f"somebody in {best.hazard_chance:.1%} of builds (the study allows {limit:.1%}) and "
            f"keeps the others in {best.keeps_rules_share:.0%} (needed {promise.KEEPS_RULES:.0%})."
        )

    def _energies(self, rows: Rows, sessions: Mapping[str, Any]) -> tuple[Array, Array]:
        """Energies of some designs by session, NaN where it was not asked, and averaged, J."""
        told = {int(name, 16): float(one["session_energy_J"]) for name, one in sessions.items()}
        numbers = self.stored.numbers[rows].tolist() if told else [-1] * len(rows)
        by_session = np.array([told.get(number, np.nan) for number in numbers], dtype=float)
        return by_session, self.stored.delivered_energy_J[rows]

    def look_closer(self, watch: Watch, workers: int, exact: bool) -> Answer:
        """What is worth computing for the page once; the same front is not looked at twice.

        `exact` says that all combinations were covered: only what lies between them was sampled.
        """
        numbers = self.stored.numbers[self.rows].tolist()
        prices = self.project.catalogue.prices.content_hash  # they decide who is picked
        locked = self._locked_rows(lock.read_locks(self.project))
        kits = self.project.study.prices.build_quantity
        asked = [prices, kits, numbers, self.stored.numbers[locked].tolist()]
        key = f"judged:{content_hash([MODEL_VERSION, search_key(self.project), asked])}"
        told = self.store.search_progress(key)
        if not told:
            told = {"rejections": probes.rejections(self.project)}
            if numbers:
                told |= self._closer(locked, watch, workers, exact)
            self.store.save_progress(key, told)
        return told

    def _closer(self, locked: Sequence[int], watch: Watch, workers: int, exact: bool) -> Answer:
        """Sessions of picks, runners-up and locked designs, of a sample of the front, and, with a
        budget of their own, of what was sampled. A pick that a session refutes gives way to the
        next best.
        """
        watch(Step("draw", 0, 1, 0))
        self.draw_builds(workers)
        watch(Step("draw", 1, 1, 0))
        picked = self._picked({})
        first = list(dict.fromkeys([*picked.values(), *locked, *self._runners_up()]))
        read = self.rows[front.reading_front(self.points)]
        others = confirmation.sample_of(read[~np.isin(read, first)], CONFIRMED)
        found = self.rows if not exact else self.rows[
            Space.of(self.project).numbers(self.stored.designs.take(self.rows)) < 0
        ]  # fmt: skip
        told: Answer = {}
        total = len({*first, *others.tolist()})

        def ask(rows: Sequence[int], budget_s: float, traced: bool = True) -> None:
            ids = ids_of(self.stored.numbers[np.array(rows, dtype=np.int64)])
            new = [k for k, name in enumerate(ids) if name not in told]
            before = len(told)
            chosen = np.array(rows, dtype=np.int64)[new]
            told.update(
                confirmation.confirm(
                    self.project, self.stored.designs.take(chosen), [ids[k] for k in new], budget_s,
                    workers, lambda done: watch(Step("confirm", before + done, total, 0)), traced,
                )
            )  # fmt: skip

        watch(Step("confirm", 0, total, 0))
        ask(list(dict.fromkeys([*first, *others.tolist()])), CONFIRM_BUDGET_S)
        some = judging.coarse_to_fine(found)[:MOST_JUDGED]
        total = len(told) + len(some)
        judge_s = min(JUDGE_SHARE * 60 * self.project.study.search.minutes, MOST_JUDGE_S)
        ask(some.tolist(), judge_s, traced=False)
        for _ in range(MOST_SECOND_CHOICES):
            picked = self._picked(told)
            ask(list(dict.fromkeys(picked.values())), CONFIRM_BUDGET_S)
            if picked == self._picked(told):
                break
        picked = self._picked(told)
        watch(Step("confirm", total, total, 0))
        by_session, averaged = self._energies(found, told)
        known = ~np.isnan(by_session)
        first_rows = np.array(list(dict.fromkeys([*picked.values(), *first])), dtype=np.int64)
        place = {
            ids_of(self.stored.numbers[[row]])[0]: int(np.flatnonzero(read == row)[0])
            for row in dict.fromkeys(picked.values())
            if row in read
        }
        return {
            "sessions": told,
            "judged": judging.verdict(len(found), by_session[known], averaged[known]),
            "cadences": confirmation.at_other_cadences(
                self.project,
                self.stored.designs.take(first_rows),
                ids_of(self.stored.numbers[first_rows]),
            ),
            "rule_costs": rule_costs(self.project, self.stored.designs.take(read), place),
        }

    def _runners_up(self) -> list[int]:
        """Rows of the designs that a change of prices is likely to pick: the other wishes do not
        ask for prices.
        """
        rows = self._holding()
        if not len(rows):
            return []
        points = self.stored.objectives(self.cost)[rows]
        liked = np.argsort(-front.votes(points, self.units), kind="stable")
        cost = np.argsort(points[:, 1], kind="stable")
        return [int(rows[k]) for k in (*liked[:RUNNERS_UP], *cost[: RUNNERS_UP // 2])]

    def publish(self, verdicts: Mapping[str, repricing.Verdict] | None = None) -> Answer:
        """Write the page; answers with reading front, picks and path.

        `verdicts` are those on the locked designs where a rerun has found them already.
        """
        from explorer.report.page import market, page

        locks = lock.read_locks(self.project)
        if verdicts is None:
            judged = (repricing.verdict(self.project, self.stored, self.cost, one) for one in locks)
            verdicts = {one.design_id: one for one in judged}
        moving = market.build(
            self.project,
            self.stored,
            self.cost,
            self.rows,
            previous=self._before(),
            locks=locks,
            verdicts=verdicts,
            owned=self.owned,
            hold=self.hold,
            units=self.units,
            moments=repricing.moments(self.store),
            entries=_history(self.store),
            lock_costs=[
                (run.ended or run.begun, run.intent["design_id"], run.result["cost"])
                for run in self.store.history()
                if run.kind == "lock" and run.result
            ],
        )
        data, told = self.page(verdicts, moving)
        folder = reports_of(self.project)
        # What would be must not stand where what is is looked for.
        written = page.write(data, folder / "what_if" if self.owned else folder)
        return {**told, "report": str(written)}

    def _before(self) -> repricing.Previous | None:
        """The last kept state that is not today's in prices, terms or front, what-ifs aside."""
        now = self.stored.numbers[self.rows]
        for run in reversed(_kept_runs(self.store)):
            assert run.result is not None
            numbers, points = self.store.front_of(run.result["front"])
            then = self.store.prices_of(run.result["prices"])
            kept = run.result.get("terms", {})
            same = np.array_equal(np.sort(numbers), np.sort(now))
            if self.owned or not same or self._moved_from(then, kept):
                return repricing.Previous(run.ended or run.begun, then, numbers, points, kept)
        return None

    def _moved_from(self, prices: Prices, terms: Mapping[str, float | None]) -> bool:
        """Whether prices, or what the study says about them, are not these."""
        now = repricing.terms(self.project)
        return any(repricing.price_changes(prices, self.project.catalogue.prices)) or any(
            repricing.term_changes(terms, now)
        )

    def page(
        self,
        verdicts: Mapping[str, repricing.Verdict] | None = None,
        moving: Market | None = None,
    ) -> tuple[PageData, Answer]:
        """What the page says, and reading front and picks for scripts."""
        from explorer.report.page import swaps, view

        project, locks = self.project, lock.read_locks(self.project)
        picked = self._picked()
        wished = np.array(list(picked.values()), dtype=np.int64)
        read = np.union1d(self.rows[front.reading_front(self.points)], wished)
        last = _last_search(self.store)
        sessions = last.get("sessions", {})
        records = confirmation.with_session(self.records(read), sessions)
        # The page can show more of the front than a script is told: up to what a browser follows.
        rest = self.rows[~np.isin(self.rows, read)]
        rest = confirmation.sample_of(rest, max(view.PAGE_LIMIT - len(read), 0))
        more = confirmation.with_session(self.records(rest), sessions)
        picks = {wish: ids_of(self.stored.numbers[[row]])[0] for wish, row in picked.items()}
        why_none = self.why_none()
        shown_records = records + more
        known = {record["design_id"] for record in shown_records}
        apart = [self.stored.find(one.design_id) for one in locks if one.design_id not in known]
        apart = [row for row in apart if row is not None and self.stored.feasible[row]]
        shown_records += self.records(np.array(apart, dtype=np.int64))
        known |= {record["design_id"] for record in shown_records}
        looked_at = list(dict.fromkeys([*picked.values(), *map(int, self._locked_rows(locks))]))
        data = view.build(
            project,
            shown_records,
            picks,
            why_none=why_none,
            search=last,
            rejections={k: (v[0], v[1]) for k, v in last.get("rejections", {}).items()},
            probed=probes.PROBES,
            provenance=provenance(project, last),
            front_size=len(self.rows),
            history=_history(self.store),
            locked=[_locked_entry(one, verdicts) for one in locks],
            outing=project.study.outing.model_dump(),
            effects=_effects(project, self.stored, self.cost),
            rule_costs=last.get("rule_costs"),
            stale=self._moved_since_launch(last),
            session_traces={
                k: v["trace"] for k, v in sessions.items() if k in known and "trace" in v
            },
            cadence_curves={k: v for k, v in last.get("cadences", {}).items() if k in known},
            market=moving,
            around=swaps.neighbours(project, self.stored, self.cost, looked_at),
        )
        return data, {
            "front": records,
            "front_size": len(self.rows),
            "front_thinned": len(records) < len(self.rows),
            "picks": dict.fromkeys(front.PICKS) | picks,
            "why_none": why_none,
        }

    def _moved_since_launch(self, last: Answer) -> bool:
        """Whether costs are not those that the last launch saw."""
        if "prices" not in last:
            return False
        then = self.store.prices_of(last["prices"])
        return bool(self.owned) or self._moved_from(then, last.get("terms", {}))

    def _locked_rows(self, locks: Sequence[lock.Lock]) -> list[int]:
        rows = (self.stored.find(one.design_id) for one in locks)
        return [row for row in rows if row is not None]


def _locked_entry(one: lock.Lock, verdicts: Mapping[str, repricing.Verdict] | None) -> Answer:
    verdict = (verdicts or {}).get(one.design_id)
    return {
        "design_id": one.design_id,
        "status": verdict.status if verdict else "locked",
        "note": one.note,
        "beaten_by": verdict.beaten_by if verdict else None,
    }


def _last_search(store: Store) -> Answer:
    """Summary of the last launch that ended."""
    for run in reversed(store.history()):
        if run.kind == "launch" and run.result:
            return dict(run.result)
    return asdict(Summary())


def _history(store: Store) -> list[Answer]:
    entries = []
    for run in store.history():
        result = run.result or {}
        if "design_id" in run.intent and not run.ended:
            continue  # the lock file could not be written
        what = run.kind if run.ended else f"{run.kind}, not finished"
        if result.get("owned"):
            what = f"{what}, what if {', '.join(result['owned'])} were free"
        if "front_size" in result:
            what += f": front of {result['front_size']:,} designs"
        if "price_changes" in result:
            count = len(result["price_changes"])
            what += f", {count} price {'change' if count == 1 else 'changes'}"
        for change in result.get("terms_changed", ()):
            what += (
                f", {change['term']} from {change['old'] or 'none'} to {change['new'] or 'none'}"
            )
        if "design_id" in run.intent:
            what += f" {run.intent['design_id']}"
        entries.append({"when": run.ended or run.begun, "what": what})
    return entries


def _effects(
    project: Project, stored: Stored, cost: Array
) -> dict[str, dict[str, dict[str, float]]]:
    """Best value of each objective over all feasible stored designs with each part."""
    feasible = affordable(project, stored, cost)
    points = stored.objectives(cost)[feasible]
    effects: dict[str, dict[str, dict[str, float]]] = {}
    for link in LINKS:
        part = stored.designs.parts[link][feasible]
        effects[link] = {}
        for row in np.unique(part):
            best = points[part == row].min(axis=0) * [-1, 1, 1, 1]
            name = project.catalogue.parts[link][int(row)].id
            effects[link][name] = dict(zip(OBJECTIVE_KEYS, map(float, best), strict=True))
    return effects


def provenance(project: Project, last: Mapping[str, Any]) -> Answer:
    """What a page was made from."""
    return {
        "study": project.study_hash,
        "scenario": project.scenario_hash,
        "prices": project.catalogue.prices.content_hash,
        "tables": dict(project.catalogue.file_hashes),
        "model version": MODEL_VERSION,
        "genchain": __version__,
        "python": platform.python_version(),
        **{name: version(name) for name in LIBRARIES},
        "seed": last.get("seed"),
    }
