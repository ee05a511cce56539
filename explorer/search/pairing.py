"""Front halves joined with back halves: which pairs can be feasible, and the best of them.

Rules that a front half alone decides drop it; rules that a few numbers of both halves decide drop
pairs, by bounds that no feasible design breaks. What is left is evaluated in full.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from explorer.inputs.back_parts import BURST_S
from explorer.inputs.links import BACK_LINKS, FRONT_LINKS, LINKS
from explorer.inputs.records import SETTINGS
from explorer.inputs.study import Project, Study
from explorer.model import averaged, cases, costing, evaluate, overspeed, switching
from explorer.model import margins as rule_margins
from explorer.model.chain import Chain
from explorer.model.demand import Demand, demand
from explorer.model.evaluate import Evaluation, Solved
from explorer.model.regimes import STEADY
from explorer.model.space import Designs, Rows
from explorer.model.supply import SLOWEST_RAD_S, TERMS, Halves, Supply, curves
from explorer.search.dominance import codes, unbeaten_at_any_price
from explorer.units import Array

PAIRS_AT_A_TIME = 16_384
"""Pairs that are evaluated at a time."""
SLACK = 1e-9
NO_CURRENT_A = 1e-9
"""What charges no bank within a session."""
CHARGE_BOUND = 0.9
"""Share of a lower bound on the charging time that is trusted: quadrature errs by far less."""


@dataclass(frozen=True)
class FrontHalves:
    """Front halves that keep their own rules, with their curves for every operator.

    Those that break a rule of their own are dropped before their curves are computed.
    """

    project: Project
    designs: Designs
    halves: Mapping[str, Halves]
    supplies: Mapping[str, Supply]
    keeps_rules: NDArray[np.bool_]
    """Also those that need the curves."""

    @classmethod
    def of(cls, project: Project, designs: Designs) -> FrontHalves:
        study, catalogue = project.study, project.catalogue
        operators = study.session.operators

        def halves_of(some: Designs, operator_id: str) -> Halves:
            person = catalogue.operators[operator_id]
            duration_s = 60 * study.session.minutes
            return Halves.of(catalogue, some, person, duration_s, study.session.winding_C)

        keeps_rules = np.ones(len(designs), dtype=bool)
        for name in operators:
            unloaded = rule_margins.unloaded_margins(project, halves_of(designs, name))
            keeps_rules &= np.all([margin >= 0 for margin in unloaded.values()], axis=0)
        designs = designs.take(keeps_rules)
        halves = {name: halves_of(designs, name) for name in operators}
        supplies = {name: curves(some) for name, some in halves.items()} if len(designs) else {}
        keeps_rules = np.ones(len(designs), dtype=bool)
        for name in supplies:
            margins = rule_margins.front_margins(project, supplies[name], halves[name])
            keeps_rules &= np.all([margin >= 0 for margin in margins.values()], axis=0)
        return cls(project, designs, halves, supplies, keeps_rules)


@dataclass(frozen=True)
class Pairing:
    """Front halves of a block and some back halves: which pairs can be feasible, and the best.

    `stems` (n,) are equal for back halves that differ in clamp and overvoltage threshold alone;
    `demands` are those of the back halves, by pack.
    """

    front: FrontHalves
    backs: Designs
    stems: Rows
    demands: Mapping[str, Demand]

    @classmethod
    def of(cls, front: FrontHalves, backs: Designs, stems: Rows) -> Pairing:
        """The pairing of some halves with some others."""
        catalogue = front.project.catalogue
        packs = front.project.study.session.packs
        return cls(
            front, backs, stems,
            {name: demand(catalogue, backs, catalogue.packs[name]) for name in packs},
        )  # fmt: skip

    @property
    def project(self) -> Project:
        """The project whose designs these are."""
        return self.front.project

    @property
    def fronts(self) -> Designs:
        """The front halves as designs."""
        return self.front.designs

    def pairs(self) -> Iterator[tuple[Rows, Rows]]:
        """Front and back rows of every pair that the bounds leave, whole front halves at a time."""
        study = self.project.study
        open_ = np.zeros((len(self.fronts), len(self.backs)), dtype=bool)
        open_[self.front.keeps_rules] = True
        if study.limits.mass_kg is not None:
            open_ &= self._mass() <= study.limits.mass_kg + SLACK
        for operator_id, halves in self.front.halves.items():
            open_ &= self._bears_overspeed(halves)
            supply = self.front.supplies[operator_id]
            for back in self.demands.values():
                open_ &= self._may_charge(halves, supply, back)
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

    def _bears_overspeed(self, halves: Halves) -> NDArray[np.bool_]:
        """Exact: clamp, string and front half give the voltages, whatever else follows."""
        some_pack = next(iter(self.demands.values()))
        need, count = some_pack.fields, len(self.fronts)
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
        over_high = rule_margins.worst_levels(self.project, self.backs, some_pack).over_high
        input_max = self.backs.chosen(catalogue, "converter", "input_max_V")
        limit = np.where(over_high > input_max, np.minimum(limit, input_max), limit)
        reverse = self.fronts.chosen(catalogue, "rectifier", "reverse_limit_V")
        unclamped = need["clamp_ohm"][:, 0] <= 0
        return np.asarray(
            (bus_V <= reverse[:, None] - rule_margins.FORWARD_DROP_V + SLACK)
            & (bus_V <= limit + SLACK)
            & (string_V <= need["voltage_rating_V"][:, 0] + SLACK)
            & (unclamped | (steady_W <= need["clamp_limit_W"][:, 0] + SLACK))
            & (unclamped | (BURST_S * burst_W <= need["clamp_limit_J"][:, 0] + SLACK))
        )

    def _may_charge(self, halves: Halves, supply: Supply, back: Demand) -> NDArray[np.bool_]:
        """Bounds: the bank must reach the window, harmlessly, soon enough, with enough to give."""
        study = self.project.study
        levels, level = np.unique(back["on_V"][:, 0], return_inverse=True)
        level = level.reshape(-1)
        on_high_V = rule_margins.worst_levels(self.project, self.backs, back).on_high
        flows = supply.at_nodes[:, :, TERMS.index("current_A")] > 0
        nodes = flows.shape[1]
        last = np.where(flows.any(axis=1), nodes - flows[:, ::-1].argmax(axis=1), 0)
        reach_V = supply.volts[np.arange(len(flows)), np.minimum(last, nodes - 1)]
        reaches = reach_V[:, None] >= on_high_V
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
        open_ = reaches & (first_s <= (study.limits.first_charge_s or duration_s))
        least_J, count = study.limits.delivered_energy_J, len(self.front.halves) * len(self.demands)
        if least_J is not None and (count == 1 or study.session.over_cases == "worst"):
            left_s = duration_s - np.maximum(first_s, 0.0)
            open_ &= back["delivered_W"][:, 0] * left_s >= least_J * (1 - SLACK)
        return np.asarray(open_)

    def evaluate(self, half: Rows, back: Rows) -> tuple[int, Evaluation | None]:
        """How many of some pairs are feasible, and the results of those worth keeping."""
        project = self.project
        parts = {link: self.fronts.parts[link][half] for link in FRONT_LINKS}
        parts |= {link: self.backs.parts[link][back] for link in BACK_LINKS}
        settings = {name: self.backs.settings[name][back] for name in SETTINGS}
        settings["cadence_rpm"] = self.fronts.settings["cadence_rpm"][half]
        designs = Designs({link: parts[link] for link in LINKS}, settings)
        twins = codes([half, np.unique(self.stems[back], return_inverse=True)[1].reshape(-1)])
        solved = {}
        for operator_id, halves in self.front.halves.items():
            for pack_id in self.demands:
                need = demand(project.catalogue, designs, project.catalogue.packs[pack_id])
                chain = Chain(self.front.supplies[operator_id], half, need)
                session = shared_sessions(chain, twins, 60 * project.study.session.minutes)
                solved[operator_id, pack_id] = Solved(chain, halves, session)
        good = np.flatnonzero(self._feasible(designs, solved))
        if not good.size:
            return 0, None
        some = {
            who: Solved(s.chain.take(good), s.halves, _session_at(s.session, good))
            for who, s in solved.items()
        }
        found = evaluate.combine(project, designs.take(good), some)
        return len(good), found.take(unbeaten_at_any_price(project, found))

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
    sessions, over = [s.session for s in solved.values()], study.session.over_cases
    return (
        cases.together([one.delivered_J for one in sessions], over, more_is_better=True),
        cases.together([one.effort for one in sessions], over, more_is_better=False),
    )


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
    current = TERMS.index("current_A")
    first = supply.lower[:, :, current]
    most = np.maximum(first, first + supply.rise[:, :, current])
    flows = most > NO_CURRENT_A
    steps = np.where(flows, np.diff(supply.volts, axis=1) / np.where(flows, most, 1.0), np.inf)
    return np.concatenate([np.zeros((len(first), 1)), np.cumsum(steps, axis=1)], axis=1)
