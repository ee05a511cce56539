"""Front halves joined with back halves: which pairs can be feasible, and the best of them.

Rules that a front half alone decides drop it; rules that a few numbers of both halves decide drop
pairs, by bounds that no feasible design breaks. What is left goes through the search's filter.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from explorer.inputs.back_parts import BURST_S
from explorer.inputs.links import BACK_LINKS, FRONT_LINKS, LINKS
from explorer.inputs.records import FRONT_SETTINGS, SETTINGS
from explorer.inputs.session_section import Crew
from explorer.inputs.study import Project
from explorer.model import costing, doubt, evaluate, overspeed, rows
from explorer.model import margins as rule_margins
from explorer.model.back_half import BackHalves, back_halves
from explorer.model.cases import CaseName
from explorer.model.doubt import may_keep
from explorer.model.evaluation import Evaluation
from explorer.model.kernels.curve import AT_CURRENT, AT_SPEED, AT_TORQUE
from explorer.model.kernels.points import Curves, curves
from explorer.model.kernels.records import Records
from explorer.model.regimes import STEADY
from explorer.model.simulate import Care, Solved, by_shift, simulate
from explorer.model.space import Designs, Rows
from explorer.model.unloaded import Fronts
from explorer.search.dominance import codes, worth_keeping
from explorer.units import Array

PAIRS_AT_A_TIME = 16_384
"""Pairs that are evaluated at a time."""
NODES = 96
"""Bus voltages at which a front half's curve is solved for the bounds."""
SLACK = 1e-9
SLOWEST_RAD_S = 1e-3
NO_CURRENT_A = 1e-9
"""What charges no bank within a session."""
NEAR_ON = 1.2
"""A clamp closer than this to the voltage of turning on may keep the bus from it."""
CHARGE_BOUND = 0.9
"""Share of a lower bound on the charging time that is trusted: the filter errs by less."""


@dataclass(frozen=True)
class FrontHalves:
    """Front halves that keep their own rules, as rows with their tables, with their curves for
    every operator.

    Those that break a rule of their own are dropped before their curves are computed.
    """

    project: Project
    designs: Designs
    fronts: Mapping[str, Fronts]
    rowed: rows.Rowed
    curves: Mapping[str, Curves]
    keeps_rules: NDArray[np.bool_]
    """Also those that need the curves."""

    @classmethod
    def of(cls, project: Project, designs: Designs) -> FrontHalves:
        plan = project.study.session
        keeps_rules = np.ones(len(designs), dtype=bool)
        for name in plan.operators:
            fronts = Fronts.of(project, designs, name)
            unloaded = rule_margins.unloaded_margins(project, fronts)
            keeps_rules &= np.all([margin >= 0 for margin in unloaded.values()], axis=0)
        designs = designs.take(keeps_rules)
        every = {name: Fronts.of(project, designs, name) for name in plan.operators}
        rowed = rows.rowed(project, designs)
        found, keeps_rules = {}, np.ones(len(designs), dtype=bool)
        for name, fronts in every.items():
            hand = rows.shift_of(fronts.person, 60 * plan.own_minutes(name))
            found[name] = curves(rowed.machines, rowed.trio, rowed.drives, hand, NODES)
            start = found[name].columns[:, 0, AT_TORQUE]
            half = np.arange(len(designs))
            keeps_rules &= rule_margins.start_margin(fronts, half, start) >= 0
        return cls(project, designs, every, rowed, found, keeps_rules)


@dataclass(frozen=True)
class Pairing:
    """Front halves of a block and some back halves: which pairs can be feasible, and the best.

    `stems` (n,) are equal for back halves that differ in clamp and overvoltage threshold alone;
    `halves` are those of the back halves, by pack.
    """

    front: FrontHalves
    backs: Designs
    stems: Rows
    halves: Mapping[str, BackHalves]

    @classmethod
    def of(cls, front: FrontHalves, backs: Designs, stems: Rows) -> Pairing:
        """The pairing of some halves with some others."""
        catalogue = front.project.catalogue
        packs = front.project.study.session.packs
        return cls(
            front, backs, stems,
            {name: back_halves(catalogue, backs, catalogue.packs[name]) for name in packs},
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
        most_kg = study.limits_of_parts.mass_kg
        if most_kg is not None:
            open_ &= self._mass() <= most_kg + SLACK
        for operator_id, fronts in self.front.fronts.items():
            open_ &= self._bears_overspeed(fronts)
            for back in self.halves.values():
                open_ &= self._may_charge(fronts, self.front.curves[operator_id], back)
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

    def _bears_overspeed(self, fronts: Fronts) -> NDArray[np.bool_]:
        """Exact: clamp, string and front half give the voltages, whatever else follows."""
        some_pack = next(iter(self.halves.values()))
        need, count = some_pack.fields, len(self.fronts)
        names = ("clamp_V", "clamp_ohm", "clamp_by_cell", "weakest_share")
        kinds, kind = np.unique(
            np.concatenate([need[name] for name in names], axis=1), axis=0, return_inverse=True
        )
        kind = kind.reshape(-1)
        clamp_V, clamp_ohm, by_cell, weakest = np.tile(kinds.T, count)
        fast = overspeed.worst(
            self.project.study.session,
            fronts,
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

    def _may_charge(self, fronts: Fronts, curve: Curves, back: BackHalves) -> NDArray[np.bool_]:
        """Bounds: the bank must reach the window, soon enough, with enough to give."""
        study, every = self.project.study, np.arange(len(self.fronts))
        uneven = fronts.person.unevenness
        levels, level = np.unique(back["on_V"][:, 0], return_inverse=True)
        level = level.reshape(-1)
        on_high_V = rule_margins.worst_levels(self.project, self.backs, back).on_high
        flows = curve.columns[:, :, AT_CURRENT] > 0
        last = np.where(flows.any(axis=1), flows.shape[1] - flows[:, ::-1].argmax(axis=1), 0)
        reach_V = curve.volts[every, np.minimum(last, flows.shape[1] - 1)]
        seconds_per_farad = _charging_time(curve)
        reached, ripple_s = np.empty((2, len(self.fronts), len(levels)))
        for number, on_V in enumerate(levels):
            right = np.clip((curve.volts < on_V).sum(axis=1), 1, flows.shape[1] - 1)
            low_V, high_V = curve.volts[every, right - 1], curve.volts[every, right]
            share = np.clip((on_V - low_V) / (high_V - low_V), 0.0, 1.0)
            low, high = seconds_per_farad[every, right - 1], seconds_per_farad[every, right]
            # A node that is never reached counts as its left neighbour: still a lower bound.
            step = np.where(np.isfinite(high), high, 0.0) - np.where(np.isfinite(high), low, 0.0)
            reached[:, number] = low + step * share
            rad_s = curve.columns[every, right - 1, AT_SPEED]
            ripple_s[:, number] = uneven / np.maximum(rad_s, SLOWEST_RAD_S)
        # t = C integral of dx/I with x = V - ESR I is at least C (integral of dV/I - ESR). A crest
        # of the stroke may be there sooner by ESR a I + a I/(wC) of the voltage.
        drop_ohm = back["esr_ohm"][:, 0] * (1 + uneven)
        first_s = (reached[:, level] - drop_ohm) * back["capacitance_F"][:, 0]
        first_s = CHARGE_BOUND * (first_s - ripple_s[:, level])
        if len(study.session.crews) < len(self.front.fronts):
            # Somebody else may bring the bank there sooner.
            first_s = np.zeros_like(first_s)
        duration_s = 60 * study.session.minutes
        most_s = (study.limits.first_charge_s or duration_s) + doubt.MISSES["first_charge_s"]
        open_ = (reach_V[:, None] >= on_high_V) & (first_s <= most_s)
        least_J, count = (
            study.limits.delivered_energy_J,
            len(study.session.crews) * len(self.halves),
        )
        if least_J is not None and (count == 1 or study.session.over_cases == "worst"):
            left_s = duration_s - np.maximum(first_s, 0.0)
            open_ &= back["delivered_W"][:, 0] * left_s >= least_J * (1 - SLACK)
        return np.asarray(open_)

    def evaluate(self, half: Rows, back: Rows) -> tuple[int, Evaluation | None]:
        """How many of some pairs are feasible by the filter, and the results of those that may be
        worth keeping.
        """
        project, front = self.project, self.front
        parts = {link: self.fronts.parts[link][half] for link in FRONT_LINKS}
        parts |= {link: self.backs.parts[link][back] for link in BACK_LINKS}
        settings = {name: self.backs.settings[name][back] for name in SETTINGS}
        settings |= {name: self.fronts.settings[name][half] for name in FRONT_SETTINGS}
        designs = Designs({link: parts[link] for link in LINKS}, settings)
        twins = codes([half, np.unique(self.stems[back], return_inverse=True)[1].reshape(-1)])
        rowed = rows.Rowed(
            front.rowed.machines, front.rowed.trio[half], front.rowed.drives[half]
        )  # fmt: skip
        solved: dict[CaseName, Solved] = {}
        for crew in project.study.session.crews:
            for pack_id in self.halves:
                need = back_halves(project.catalogue, designs, project.catalogue.packs[pack_id])
                result = shared_sessions(
                    _Session(project, designs, rowed, crew, pack_id), need, twins
                )
                solved |= by_shift(
                    project, crew, pack_id, front.fronts, half, need, result, Care.FILTER
                )
        found = evaluate.combine_cases(project, designs, solved)
        found = found.take(may_keep(found.margins))
        if not len(found):
            return 0, None
        return int(found.feasible.sum()), found.take(worth_keeping(project, found))


@dataclass(frozen=True)
class _Session:
    """A crew's session into a pack with some designs, to be filtered."""

    project: Project
    designs: Designs
    rowed: rows.Rowed
    crew: Crew
    pack_id: str

    def filtered(self, some: Rows) -> Records:
        """Results (some, shifts) of the designs at some rows."""
        rowed = rows.Rowed(self.rowed.machines, self.rowed.trio[some], self.rowed.drives[some])
        return simulate(
            self.project, self.designs.take(some), self.crew, self.pack_id, Care.FILTER, rowed
        )


def shared_sessions(session: _Session, need: BackHalves, twins: Rows) -> Records:
    """Filtered sessions (n, shifts) of designs of which twins (equal numbers) differ in clamp and
    overvoltage threshold alone.

    Of twins the one with most room is solved. Up to the voltage that its bus never exceeds,
    another clamp or overvoltage threshold above that voltage changes nothing, so they share its
    session; all others are solved themselves. Only the voltage of the idle bus differs: a clamp
    holds it at least at its threshold.
    """
    over_V, clamp_V, clamp_ohm, on_V = (
        need[name][:, 0] for name in ("overvoltage_off_V", "clamp_V", "clamp_ohm", "on_V")
    )
    clamped = clamp_ohm > 0
    room_V = np.where(clamped, np.minimum(clamp_V, over_V), over_V)
    order = np.lexsort((-room_V, twins))
    first = order[np.flatnonzero(np.diff(twins[order], prepend=-1))]
    done = session.filtered(first)[np.searchsorted(twins[first], twins)]
    shares = done["highest_V"].max(axis=1) < room_V
    # A clamp about the voltage of turning on may keep the bus from it.
    shares &= ~clamped | (clamp_V > NEAR_ON * on_V)
    if need.pack.behaviour.waits_to_connect:
        # Between two charges its bus may climb higher than before the first one.
        shares &= (done["regime"] == STEADY).all(axis=1)
    shares[first] = True
    held = shares & clamped
    held[first] = False
    done["idle_V"][held] = np.minimum(done["idle_V"], clamp_V[:, None])[held]
    alone = np.flatnonzero(~shares)
    if alone.size:
        done[alone] = session.filtered(alone)
    return done


def _charging_time(curve: Curves) -> Array:
    """Seconds a farad takes from empty to each node without any drain, (h, nodes)."""
    amps = curve.columns[:, :, AT_CURRENT]
    most = np.maximum(amps[:, :-1], amps[:, 1:])
    flows = most > NO_CURRENT_A
    steps = np.where(flows, np.diff(curve.volts, axis=1) / np.where(flows, most, 1.0), np.inf)
    return np.concatenate([np.zeros((len(amps), 1)), np.cumsum(steps, axis=1)], axis=1)
