"""Every combination of a space, exactly, without solving the whole chain for each.

Front halves and back halves are enumerated apart. Rules that one half alone decides drop halves;
rules that a few numbers of both halves decide drop pairs, by bounds that no feasible design
breaks. What is left is evaluated in full. Kept is every feasible design that no other one beats
at any price: prices may change without computing physics again.
"""

from __future__ import annotations

from collections.abc import Generator, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, fields
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from explorer.errors import ExplorerError
from explorer.inputs.links import BACK_LINKS, FRONT_LINKS, LINKS
from explorer.inputs.records import BURST_S, SETTINGS
from explorer.inputs.study import Project, Setting, Study
from explorer.model import averaged, costing, evaluate, overspeed, switching
from explorer.model import margins as rule_margins
from explorer.model.chain import Chain
from explorer.model.demand import Demand, demand
from explorer.model.evaluate import Evaluation, Solved
from explorer.model.regimes import STEADY
from explorer.model.space import Designs, Rows, Space
from explorer.model.supply import SLOWEST_RAD_S, TERMS, Halves, Supply, curves
from explorer.stopping import starting_workers
from explorer.units import Array

HALVES_PER_BLOCK = 240
"""Front halves a block takes on: bounds its memory, and the work lost when it is cut short."""
BACKS_AT_A_TIME = 16_384
"""Back halves that a block's front halves are joined with at a time: bounds its memory too."""
PAIRS_AT_A_TIME = 16_384
COMBINATIONS_PER_BLOCK = 2_000_000
"""Of sound back halves with front halves: a block takes fewer of the latter where there are many
of the former, so that what it keeps and sends back stays small.
"""
SLACK = 1e-9
CLUSTER_WAIT_S = 10
NO_CURRENT_A = 1e-9
"""What charges no bank within a session."""
CHARGE_BOUND = 0.9
"""Share of a lower bound on the charging time that is trusted: quadrature errs by far less."""


class BlockResult(NamedTuple):
    """What one block found: kept designs, and how many were considered and feasible."""

    number: int
    kept: Evaluation | None
    considered: int
    feasible: int
    solved: int


@dataclass(frozen=True)
class Sweep:
    """A space cut into blocks of front halves, each to be joined with every back half."""

    project: Project
    fronts: Space
    backs: Space
    back_rows: Rows
    """Back halves that keep their own rules with every pack, as numbers in `backs`."""
    stems: Rows
    """Of each of them: equal where they differ in clamp and overvoltage threshold alone, rising."""
    halves_per_block: int
    """Whole bills of materials: every cadence of a front half stands in one block."""

    @classmethod
    def of(cls, project: Project, space: Space | None = None) -> Sweep:
        """Prepare the sweep of a study's whole space, or of some other of the same tables."""
        space = space or Space.of(project)
        one = {link: rows[:1] for link, rows in space.choices.items()}
        single = {name: _only(setting.values[:1]) for name, setting in space.settings.items()}
        listed = {name: _only(setting.values) for name, setting in space.settings.items()}
        fronts = Space(
            {link: space.choices[link] if link in FRONT_LINKS else one[link] for link in LINKS},
            {**single, "cadence_rpm": listed["cadence_rpm"]},
        )
        backs = Space(
            {link: space.choices[link] if link in BACK_LINKS else one[link] for link in LINKS},
            {**listed, "cadence_rpm": single["cadence_rpm"]},
        )
        starts = range(0, backs.size, BACKS_AT_A_TIME)
        kept = [
            _sound_backs(project, backs, np.arange(s, min(s + BACKS_AT_A_TIME, backs.size)))
            for s in starts
        ]
        rows = np.concatenate(kept)
        stems = _stems(backs, rows)
        order = np.lexsort((rows, stems))
        cadences = len(fronts.settings["cadence_rpm"].values)
        most = min(HALVES_PER_BLOCK, COMBINATIONS_PER_BLOCK // max(len(rows), 1))
        per_block = max(most // cadences, 1) * cadences
        return cls(project, fronts, backs, rows[order], stems[order], per_block)

    @property
    def size(self) -> int:
        """How many combinations the sweep covers."""
        return self.fronts.size * self.backs.size

    def __len__(self) -> int:
        return -(-self.fronts.size // self.halves_per_block)

    def holds(self, designs: Designs, blocks: Sequence[int]) -> NDArray[np.bool_]:
        """Which designs are combinations of some blocks, (n,)."""
        first = np.zeros(len(designs), np.int64)
        still = self.fronts.at(first)
        front = self.fronts.numbers(
            Designs(
                {k: (designs if k in FRONT_LINKS else still).parts[k] for k in LINKS},
                {k: (designs if k == "cadence_rpm" else still).settings[k] for k in SETTINGS},
            )
        )
        still = self.backs.at(first)
        back = self.backs.numbers(
            Designs(
                {k: (designs if k in BACK_LINKS else still).parts[k] for k in LINKS},
                {k: (still if k == "cadence_rpm" else designs).settings[k] for k in SETTINGS},
            )
        )
        inside = np.isin(front // self.halves_per_block, np.asarray(blocks, dtype=np.int64))
        return inside & (front >= 0) & (back >= 0)

    def block(self, number: int) -> BlockResult:
        """Cover one block."""
        start = number * self.halves_per_block
        rows = np.arange(start, min(start + self.halves_per_block, self.fronts.size))
        fronts = _Fronts.of(self.project, self.fronts.at(rows))
        solved, feasible, kept = 0, 0, []
        for cut in range(0, len(self.back_rows) if len(fronts.designs) else 0, BACKS_AT_A_TIME):
            some = slice(cut, cut + BACKS_AT_A_TIME)
            join = _Join(fronts, self.backs.at(self.back_rows[some]), self.stems[some])
            for half, back in join.pairs():
                good, best = join.evaluate(half, back)
                solved, feasible = solved + len(half), feasible + good
                if best is not None:
                    kept.append(best)
        considered = len(rows) * self.backs.size
        everything = _unbeaten(self.project, Evaluation.concatenate(kept)) if kept else None
        return BlockResult(number, everything, considered, feasible, solved)


def _only(values: tuple[float, ...]) -> Setting:
    """A setting that takes these values alone."""
    return Setting.model_validate(list(values))


def _sound_backs(project: Project, backs: Space, rows: Rows) -> Rows:
    """Back halves, of some rows, that keep their own rules with every pack."""
    designs = backs.at(rows)
    for pack_id in project.study.session.packs:
        back = demand(project.catalogue, designs, project.catalogue.packs[pack_id])
        margins = rule_margins.back_margins(project, designs, back)
        kept = np.all([margin >= 0 for margin in margins.values()], axis=0)
        rows, designs = rows[kept], designs.take(kept)
    return rows


def _stems(backs: Space, rows: Rows) -> Rows:
    """Numbers of back halves without clamp and overvoltage threshold."""
    designs = backs.at(rows)
    places = [designs.parts[link] for link in BACK_LINKS if link != "clamp"]
    places += [
        np.unique(designs.settings[name], return_inverse=True)[1].reshape(-1)
        for name in SETTINGS
        if name != "overvoltage_off_V"
    ]
    return _codes(places)


def _codes(columns: Sequence[Rows]) -> Rows:
    """One number a row of several columns of small whole numbers, in the order of the columns."""
    code, most = np.zeros(len(columns[0]), dtype=np.int64), 1
    for column in columns:
        size = int(column.max(initial=0)) + 1
        if most * size > 2**62:
            code = np.unique(code, return_inverse=True)[1].reshape(-1)
            most = int(code.max(initial=0)) + 1
        code, most = code * size + column, most * size
    return code


@dataclass(frozen=True)
class _Fronts:
    """Front halves that keep their own rules, with their curves for every operator.

    Those that break a rule of their own are dropped before their curves are computed.
    """

    project: Project
    designs: Designs
    halves: Mapping[str, Halves]
    supplies: Mapping[str, Supply]
    sound: NDArray[np.bool_]

    @classmethod
    def of(cls, project: Project, designs: Designs) -> _Fronts:
        study, catalogue = project.study, project.catalogue
        operators = study.session.operators

        def halves_of(some: Designs, operator_id: str) -> Halves:
            person = catalogue.operators[operator_id]
            duration_s = 60 * study.session.minutes
            return Halves.of(catalogue, some, person, duration_s, study.session.winding_C)

        sound = np.ones(len(designs), dtype=bool)
        for name in operators:
            unloaded = rule_margins.unloaded_margins(project, halves_of(designs, name))
            sound &= np.all([margin >= 0 for margin in unloaded.values()], axis=0)
        designs = designs.take(sound)
        halves = {name: halves_of(designs, name) for name in operators}
        supplies = {name: curves(some) for name, some in halves.items()} if len(designs) else {}
        sound = np.ones(len(designs), dtype=bool)
        for name in supplies:
            margins = rule_margins.front_margins(project, supplies[name], halves[name])
            sound &= np.all([margin >= 0 for margin in margins.values()], axis=0)
        return cls(project, designs, halves, supplies, sound)


class _Join:
    """Front halves of a block and some back halves: which pairs can be feasible, and the best."""

    def __init__(self, fronts: _Fronts, backs: Designs, stems: Rows) -> None:
        self.project, self.backs, self.stems = fronts.project, backs, stems
        self.fronts, self.sound = fronts.designs, fronts.sound
        self.halves, self.supplies = fronts.halves, fronts.supplies
        catalogue = self.project.catalogue
        self.demands = {
            name: demand(catalogue, backs, catalogue.packs[name])
            for name in self.project.study.session.packs
        }

    def pairs(self) -> Iterator[tuple[Rows, Rows]]:
        """Front and back rows of every pair that the bounds leave, whole front halves at a time."""
        study = self.project.study
        open_ = np.zeros((len(self.fronts), len(self.backs)), dtype=bool)
        open_[self.sound] = True
        if study.limits.mass_kg is not None:
            open_ &= self._mass() <= study.limits.mass_kg + SLACK
        for operator_id, halves in self.halves.items():
            self._overspeed(open_, halves)
            supply = self.supplies[operator_id]
            for back in self.demands.values():
                self._charging(open_, halves, supply, back)
        half, row = np.nonzero(open_)
        ends = np.searchsorted(half, np.arange(len(self.fronts)), side="right")
        start = 0
        while start < len(half):
            # At least one front half, and as many as fit.
            reach = np.searchsorted(ends, max(start + PAIRS_AT_A_TIME, ends[half[start]]), "right")
            yield half[start : ends[reach - 1]], row[start : ends[reach - 1]]
            start = int(ends[reach - 1])

    def _mass(self) -> Array:
        catalogue = self.project.catalogue

        def of(designs: Designs, links: tuple[str, ...]) -> Array:
            taken = costing.quantities(catalogue, designs)
            masses = (taken[link] * designs.chosen(catalogue, link, "mass_kg") for link in links)
            return np.asarray(sum(masses), dtype=float)

        return of(self.fronts, FRONT_LINKS)[:, None] + of(self.backs, BACK_LINKS)

    def _overspeed(self, open_: NDArray[np.bool_], halves: Halves) -> None:
        """Exact: clamp, string and front half give the voltages, whatever else follows."""
        demand = next(iter(self.demands.values()))
        need, count = demand.fields, len(self.fronts)
        names = ("clamp_V", "clamp_ohm", "clamp_by_cell", "weakest_share")
        kinds, kind = np.unique(
            np.concatenate([need[name] for name in names], axis=1), axis=0, return_inverse=True
        )
        kind = kind.reshape(-1)
        clamp_V, clamp_ohm, by_cell, weakest = np.tile(kinds.T, count)
        fast = overspeed.worst(
            self.project.study.session,
            halves,
            np.repeat(np.arange(count), len(kinds)),
            overspeed.Clamps(clamp_V, clamp_ohm, by_cell > 0, weakest),
        )
        bus_V, string_V, steady_W, burst_W = (
            value.reshape(count, len(kinds))[:, kind] for value in fast
        )
        catalogue = self.project.catalogue
        limit = np.minimum(
            need["voltage_limit_V"][:, 0],
            self.backs.chosen(catalogue, "window", "voltage_limit_V"),
        )
        over_high = rule_margins.worst_levels(self.project, self.backs, demand).over_high
        input_max = self.backs.chosen(catalogue, "converter", "input_max_V")
        limit = np.where(over_high > input_max, np.minimum(limit, input_max), limit)
        reverse = self.fronts.chosen(catalogue, "rectifier", "reverse_limit_V")
        open_ &= bus_V <= reverse[:, None] - rule_margins.FORWARD_DROP_V + SLACK
        open_ &= bus_V <= limit + SLACK
        open_ &= string_V <= need["voltage_rating_V"][:, 0] + SLACK
        unclamped = need["clamp_ohm"][:, 0] <= 0
        open_ &= unclamped | (steady_W <= need["clamp_limit_W"][:, 0] + SLACK)
        open_ &= unclamped | (BURST_S * burst_W <= need["clamp_limit_J"][:, 0] + SLACK)

    def _charging(
        self, open_: NDArray[np.bool_], halves: Halves, supply: Supply, back: Demand
    ) -> None:
        """Bounds: the bank must reach the window, harmlessly, soon enough, with enough to give."""
        study = self.project.study
        levels, level = np.unique(back["on_V"][:, 0], return_inverse=True)
        level = level.reshape(-1)
        on_high_V = rule_margins.worst_levels(self.project, self.backs, back).on_high
        flows = supply.at_nodes[:, :, 0] > 0
        nodes = flows.shape[1]
        last = np.where(flows.any(axis=1), nodes - flows[:, ::-1].argmax(axis=1), 0)
        reach_V = supply.volts[np.arange(len(flows)), np.minimum(last, nodes - 1)]
        open_ &= reach_V[:, None] >= on_high_V
        every = np.arange(len(self.fronts))
        seconds_per_farad = _charging_time(supply)
        reached, ripple_s = np.empty((2, len(self.fronts), len(levels)))
        for number, on_V in enumerate(levels):
            at_V = np.full(len(every), on_V)
            on_the_way = rule_margins.worst_on_the_way(
                self.project, self.fronts, supply, halves, every, at_V
            )
            harmless = np.all([margin >= 0 for margin in on_the_way.values()], axis=0)
            left = supply.locate(every, at_V[:, None])[:, 0]
            low_V, high_V = supply.volts[every, left], supply.volts[every, left + 1]
            share = np.clip((at_V - low_V) / (high_V - low_V), 0.0, 1.0)
            low, high = seconds_per_farad[every, left], seconds_per_farad[every, left + 1]
            # A node that is never reached counts as its left neighbour: still a lower bound.
            step = np.where(np.isfinite(high), high, 0.0) - np.where(np.isfinite(high), low, 0.0)
            reached[:, number] = np.where(harmless, low + step * share, np.inf)
            rad_s = supply.read(every, at_V[:, None], TERMS.index("rad_s"))[:, 0]
            ripple_s[:, number] = supply.unevenness / np.maximum(rad_s, SLOWEST_RAD_S)
        # t = C integral of dx/I with x = V - ESR I is at least C (integral of dV/I - ESR). A crest
        # of the stroke may be there sooner by ESR a I + a I/(wC) of the voltage.
        drop_ohm = back["esr_ohm"][:, 0] * (1 + supply.unevenness)
        first_s = (reached[:, level] - drop_ohm) * back["capacitance_F"][:, 0]
        first_s = CHARGE_BOUND * (first_s - ripple_s[:, level])
        duration_s = 60 * study.session.minutes
        open_ &= first_s <= (study.limits.first_charge_s or duration_s)
        least_J, cases = study.limits.delivered_energy_J, len(self.halves) * len(self.demands)
        if least_J is not None and (cases == 1 or study.session.over_cases == "worst"):
            left_s = duration_s - np.maximum(first_s, 0.0)
            open_ &= back["delivered_W"][:, 0] * left_s >= least_J * (1 - SLACK)

    def evaluate(self, half: Rows, back: Rows) -> tuple[int, Evaluation | None]:
        """How many of some pairs are feasible, and the results of those worth keeping."""
        project, study = self.project, self.project.study
        parts = {link: self.fronts.parts[link][half] for link in FRONT_LINKS}
        parts |= {link: self.backs.parts[link][back] for link in BACK_LINKS}
        settings = {name: self.backs.settings[name][back] for name in SETTINGS}
        settings["cadence_rpm"] = self.fronts.settings["cadence_rpm"][half]
        designs = Designs({link: parts[link] for link in LINKS}, settings)
        twins = _codes([half, np.unique(self.stems[back], return_inverse=True)[1].reshape(-1)])
        solved = {}
        for operator_id, halves in self.halves.items():
            for pack_id in self.demands:
                need = demand(project.catalogue, designs, project.catalogue.packs[pack_id])
                chain = Chain(self.supplies[operator_id], half, need)
                session = shared_sessions(chain, twins, 60 * study.session.minutes)
                solved[operator_id, pack_id] = Solved(chain, halves, session)
        good = np.flatnonzero(self._feasible(designs, solved))
        if not good.size:
            return 0, None
        energy, effort = _over_cases(study, solved)
        best = good[unbeaten_at_any_price(project, designs.take(good), energy[good], effort[good])]
        some = {
            who: Solved(s.chain.take(best), s.halves, _session_at(s.session, best))
            for who, s in solved.items()
        }
        return len(good), evaluate.combine(project, designs.take(best), some)

    def _feasible(
        self, designs: Designs, solved: Mapping[tuple[str, str], Solved]
    ) -> NDArray[np.bool_]:
        """Where every rule and every limit but the one on cost is kept."""
        kept = np.ones(len(designs), dtype=bool)
        for s in solved.values():
            margins = rule_margins.margins(self.project, designs, s.chain, s.halves, s.session)
            for margin in margins.values():
                kept &= margin >= 0
        energy, effort = _over_cases(self.project.study, solved)
        mass = costing.mass_kg(self.project.catalogue, designs)
        first_s = np.max([s.session.first_charge_s for s in solved.values()], axis=0)
        for margin in rule_margins.limit_margins(
            self.project.study, energy, mass, effort, first_s
        ).values():
            kept &= margin >= 0
        return kept


def _over_cases(study: Study, solved: Mapping[tuple[str, str], Solved]) -> tuple[Array, Array]:
    """Energy and effort over all cases, as the study counts them."""
    energies = np.stack([s.session.delivered_J for s in solved.values()])
    efforts = np.stack([s.session.effort for s in solved.values()])
    if study.session.over_cases == "worst":
        return energies.min(axis=0), efforts.max(axis=0)
    return energies.mean(axis=0), efforts.mean(axis=0)


def shared_sessions(chain: Chain, twins: Rows, duration_s: float) -> averaged.Session:
    """Sessions of designs of which twins (equal numbers) differ in clamp and overvoltage alone.

    Of twins the one with most room is solved. Up to the voltage that its bus never exceeds,
    another clamp or overvoltage threshold above that voltage changes nothing, so they share its
    session; all others are solved themselves. Only the voltage of the idle bus differs.
    """
    over_V, clamp_V, clamp_ohm = (
        chain.demand[name][:, 0] for name in ("overvoltage_off_V", "clamp_V", "clamp_ohm")
    )
    clamped = clamp_ohm > 0
    room_V = np.where(clamped, np.minimum(clamp_V, over_V), over_V)
    order = np.lexsort((-room_V, twins))
    first = order[np.flatnonzero(np.diff(twins[order], prepend=-1))]
    group = np.searchsorted(twins[first], twins)
    led = averaged.session(chain.take(first), duration_s)
    shares = led.peak_V[group] < room_V
    if chain.demand.pack.behaviour.waits_to_connect:
        # Between two charges its bus may climb higher than before the first one.
        shares &= led.regime[group] == STEADY
    shares[first] = True
    done = _session_at(led, group)
    rows = np.flatnonzero(~shares)
    if rows.size:
        own = averaged.session(chain.take(rows), duration_s)
        for f in fields(averaged.Session):
            getattr(done, f.name)[rows] = getattr(own, f.name)
    rows = np.flatnonzero(shares & clamped & (clamp_V <= done.idle_V))
    rows = rows[~np.isin(rows, first)]
    if rows.size:
        done.idle_V[rows] = switching.idle_V(chain.take(rows))
    return done


def _session_at(session: averaged.Session, rows: Rows) -> averaged.Session:
    return averaged.Session(**{f.name: getattr(session, f.name)[rows] for f in fields(session)})


def _charging_time(supply: Supply) -> Array:
    """Seconds a farad takes from empty to each node without any drain, (h, nodes)."""
    first = supply.lower[:, :, 0]
    most = np.maximum(first, first + supply.rise[:, :, 0])
    flows = most > NO_CURRENT_A
    steps = np.where(flows, np.diff(supply.volts, axis=1) / np.where(flows, most, 1.0), np.inf)
    return np.concatenate([np.zeros((len(first), 1)), np.cumsum(steps, axis=1)], axis=1)


def _unbeaten(project: Project, found: Evaluation) -> Evaluation:
    energy, effort = found.delivered_energy_J, found.crank_effort_percent
    return found.take(unbeaten_at_any_price(project, found.designs, energy, effort))


def unbeaten_at_any_price(
    project: Project, designs: Designs, energy_J: Array, effort_percent: Array
) -> Rows:
    """Rows of feasible designs that no other one beats whatever prices come, ascending.

    A design is beaten at any price by one of the same parts that has no more cells (so it neither
    costs nor weighs more), delivers no less and asks no more effort, and is better in one of them.
    Of equals the first stays.
    """
    group = np.unique(_codes([designs.parts[link] for link in LINKS]), return_inverse=True)[1]
    cells = costing.quantities(project.catalogue, designs)["cell"]
    kept = np.zeros(len(designs), dtype=bool)
    for most in np.unique(cells):
        rows = np.flatnonzero(cells <= most)
        order = rows[np.lexsort((cells[rows], effort_percent[rows], -energy_J[rows], group[rows]))]
        starts = np.flatnonzero(np.diff(group[order], prepend=-1))
        kept_here = order[_falling(effort_percent[order], starts)]
        kept[kept_here[cells[kept_here] == most]] = True
    return np.flatnonzero(kept)


def _falling(values: Array, starts: Rows) -> NDArray[np.bool_]:
    """Where a value is below all before it in its group; groups begin at `starts`."""
    count = np.diff(np.append(starts, len(values)))
    number = np.repeat(np.arange(len(starts)), count)
    # Each later group is shifted below all earlier ones, so that one running minimum serves all.
    span = (values.max() - values.min() + 1.0) if len(values) else 1.0
    shifted = values - number * span
    before = np.minimum.accumulate(shifted)
    return np.concatenate([[True], shifted[1:] < before[:-1]]) if len(values) else before > 0


def run(sweep: Sweep, numbers: Rows, workers: int = 1) -> Generator[BlockResult, None, None]:
    """Cover some blocks, in any order, on several processes, or on the machines of `on_machines`.

    Closing the iterator drops the blocks that are not done.
    """
    if workers == 1:
        yield from (sweep.block(int(number)) for number in numbers)
        return
    from joblib import Parallel, delayed

    parallel = Parallel(n_jobs=workers, return_as="generator_unordered", pre_dispatch="2*n_jobs")
    with starting_workers():
        results = parallel(delayed(sweep.block)(int(number)) for number in numbers)
    yield from results


@contextmanager
def on_machines(cluster: str | None) -> Iterator[None]:
    """Within it every `run` on several workers goes to the Dask cluster at an address, if any.

    A worker that dies gives its blocks back to the others. ExplorerError when there is none.
    """
    if cluster is None:
        yield
        return
    try:
        from distributed import Client
    except ImportError as error:
        rule = "a cluster needs the extra: pip install 'genchain[cluster]'"
        raise ExplorerError(rule) from error
    from joblib import parallel_config

    try:
        client: Any = Client(cluster, timeout=CLUSTER_WAIT_S)  # type: ignore[no-untyped-call]
    except (OSError, ValueError, TimeoutError) as error:
        raise ExplorerError(f"{cluster}: no cluster answers there ({error})") from error
    with client, parallel_config(backend="dask"):
        yield
