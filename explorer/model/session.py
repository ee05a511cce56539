"""The second fidelity: sessions stepped through time, all designs at once.

Every design has its own clock. A step is the implicit midpoint rule on the bank's inner voltage,
solved together with the series resistance as one equation for the bus voltage: it is stable for
any step, and work balances in every step, so that the energy ledger closes to rounding. Switching
is located inside a step by shortening it until it ends on the threshold.

What the averaged fidelity leaves out is here: the stroke of an uneven hand, the operator's reserve
above critical power, the warming of the winding, and a window that sees the instantaneous bus.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from explorer.inputs.records import Operator
from explorer.inputs.study import Project
from explorer.model import demand, supply
from explorer.model.chain import HEAT, Chain
from explorer.model.regimes import CHATTERING, CYCLING, FLOODED, STARVED, STEADY
from explorer.model.space import Designs, Rows
from explorer.model.supply import LOSSES, TERMS, TOP_V, Corner, Halves, Spacing, Supply
from explorer.physics import operator
from explorer.units import Array

OPEN, IDLE, LOADED, LATCHED = range(4)
"""Switch open; closed with a pack that waits; closed with a pack that draws; open until the bus
has fallen from the overvoltage threshold to its return."""

HEATS, PULSES = range(LOSSES.start, LOSSES.stop), TERMS.index("pulses_W")
"""What of the crank's work becomes heat before the bus, and through the bridge's pulses behind it,
in the bank's series resistance."""
NODES = 640
"""Nodes of the curves: those of the search's own curves four times over, solved anew."""
CHUNK = 128
"""Steps between two bookings of energy; only memory and overhead depend on it."""
STEPS_PER_STROKE = 32
"""A sine is summed exactly by equal midpoints; this many keep its bend of the bus voltage."""
LONGEST_STEP_S = 2.0
VOLTAGE_STEP_V, BAND_SHARE = 0.1, 0.1
"""Most that the bank moves in a step: half a cell of the curves, a tenth of the hysteresis."""
RESTING_V = 2e-3
"""A bank that moves less than this in a step is at rest."""
WAKING_V = 1e-3
"""How far beyond it a step may end in which an active bridge wakes or sleeps."""
LANDING_V = 1e-5
"""How far beyond a threshold a step may end."""
SHORTEST_STEP_S = 1e-8
SETTLED_V, NEWTONS = 1e-11, 11
STROKE_KNOTS = 9
LAPSE_AFTER, LAPSE_STROKES, LAPSE_CYCLES = 14_000, 1.0, 20
"""A design that would need more steps than this for the session is followed for some whole
strokes and cycles that stand for the others, see `_Walkers._lapse`."""


class Start(NamedTuple):
    """A part of a session: inner voltages of the banks (n,), their windows held open or closed."""

    inner_V: Array
    closed: bool
    seconds: float


class Trace(NamedTuple):
    """One design over time: middles of steps, powers W, whether the window was closed.

    A step counts for `seconds` and took `lived_s`: less where it is one of some cycles that stand
    for many, see `LAPSE_AFTER`. `time_s` then runs as fast as the session does.
    """

    time_s: Array
    bus_V: Array
    pack_W: Array
    crank_W: Array
    closed: NDArray[np.bool_]
    seconds: Array
    lived_s: Array


@dataclass(frozen=True)
class SessionResult:
    """What stepping through the session gives for each design, (n,) arrays.

    `ledger_J` has `crank_work` and the names of `chain.LEDGER`, each from its own law; `effort` in
    percent; `regime` as in `regimes.REGIMES`; `margins` at or above 0 are kept: volts between the
    bank's limit and the highest bus voltage seen, joules left of the reserve above critical power,
    kelvins between the winding temperature that the resistance was taken at and the hottest seen.
    """

    delivered_energy_J: Array
    ledger_J: Mapping[str, Array]
    time_to_first_charge_s: Array
    effort: Array
    regime: NDArray[np.int8]
    margins: Mapping[str, Array]
    lowest_loaded_V: Array
    highest_V: Array
    openings: NDArray[np.int64]
    end_inner_V: Array
    traces: Mapping[int, Trace]


def simulate(
    project: Project,
    designs: Designs,
    operator_id: str,
    pack_id: str,
    *,
    traces: Iterable[int] = (),
    even_hand: bool = False,
    pace_s: float | None = None,
    start: Start | None = None,
) -> SessionResult:
    """Step `designs` through the study's session from an empty bank.

    `traces` lists the rows whose course is recorded. `even_hand` takes the unevenness out of the
    operator, ripple and copper loss alike. `pace_s` is how long the operator thinks it will last,
    the session's length unless given: one who paces for less tires, and falls to critical power.
    `start` looks at a part of a session instead: it begins with a charged bank, and is shorter.

    At a bus voltage V the front half gives `I(V) (1 + a sin)` of the crank's angle. Losses are
    those of the curves, means over a stroke. Winding resistance stays that of the study's winding
    temperature; the winding's own, adiabatic from ambient, is compared with it in the margins.
    """
    catalogue, session = project.catalogue, project.study.session
    whole_s = 60.0 * session.minutes
    duration_s = start.seconds if start else whole_s
    person = catalogue.operators[operator_id]
    if even_hand:
        person = person.model_copy(update={"unevenness": 0.0})
    back = demand.demand(catalogue, designs, catalogue.packs[pack_id])
    bank_ohm = back["esr_ohm"][:, 0]
    first, half = supply.distinct(designs, bank_ohm)

    def front(who: Operator) -> Halves:
        """Halves that know the bank's resistance, over which the bridge's pulses drop."""
        pace = pace_s or whole_s
        bare = Halves.of(catalogue, designs.take(first), who, pace, session.winding_C)
        return replace(bare, bank_ohm=bank_ohm[first])

    halves = front(person)
    curves = supply.curves(halves, NODES)
    every = np.arange(len(designs))
    tires = person.power_share * halves.power_limit_W > person.critical_power_W
    if tires:
        share = person.critical_power_W / halves.power_limit_W
        slower = person.model_copy(update={"power_share": share})
        curves = _joined(curves, supply.curves(front(slower), NODES))
        half, every = np.concatenate([half, half + len(halves)]), np.concatenate([every, every])
    laws = _Laws(Chain(curves, half, back.take(every)), person.unevenness)
    walkers = _Walkers(laws, len(designs), duration_s, person if tires else None)
    if start:
        walkers.begin(start)
    books = _Books.empty(len(designs), person.reserve_J, traces)
    while len(walkers.rows):
        walkers.run(books)
    regime = _regimes(laws, books)
    warmth = books.energies_J[:, HEAT.index("copper")] / designs.chosen(
        catalogue, "generator", "heat_capacity_J_per_K"
    )
    names = ("crank_work", *HEAT, "esr", "delivered", "stored")
    columns = (books.crank_J, *books.energies_J.T)
    return SessionResult(
        delivered_energy_J=books.energies_J[:, names.index("delivered") - 1],
        ledger_J=dict(zip(names, columns, strict=True)),
        time_to_first_charge_s=books.first_charge_s,
        effort=100 * books.effort_s / duration_s,
        regime=regime,
        margins={
            "bank_voltage_V": back["voltage_limit_V"][:, 0] - books.highest_V,
            "reserve_J": books.least_reserve_J,
            "winding_K": session.winding_C - session.ambient_C - warmth,
        },
        lowest_loaded_V=books.lowest_V,
        highest_V=books.highest_V,
        openings=books.openings,
        end_inner_V=books.end_inner_V,
        traces=books.traced(),
    )


def _joined(one: Supply, other: Supply) -> Supply:
    """Curves of two sets of halves, one after the other."""
    names = [f.name for f in fields(Supply) if f.name not in ("unevenness", "spacing", "corner")]
    both: dict[str, Any] = {n: np.concatenate([getattr(one, n), getattr(other, n)]) for n in names}
    spacing = Spacing(*map(np.concatenate, zip(one.spacing, other.spacing, strict=True)))
    corner = Corner(*map(np.concatenate, zip(one.corner, other.corner, strict=True)))
    return replace(one, spacing=spacing, corner=corner, **both)


class _Laws:
    """Chains as straight pieces over bus voltage, which makes a step's equation quick to solve.

    Current of the front half and of the drains, and powers of the load, are straight in each cell;
    the load's current is its power over the voltage. `cell` finds the cell of a voltage.
    """

    def __init__(self, chain: Chain, unevenness: float) -> None:
        need, count = chain.demand, len(chain)
        self.volts = grid = chain.supply.volts[chain.half]
        self.cells = grid.shape[1] - 1
        self.spacing = chain.supply.spacing.take(chain.half)
        self.scale = self.cells / chain.supply.last_place[chain.half]
        low, rise = chain.supply.lower[chain.half], chain.supply.rise[chain.half]
        drain = np.stack([np.broadcast_to(a, grid.shape) for a in need.drain(grid)], axis=-1)
        off_V, esr = need["off_V"], need["esr_ohm"]
        loaded = need.load(np.maximum(grid, 0.8 * off_V))
        idle = need.load(np.maximum(grid, 0.8 * off_V), idle=True)
        load = np.zeros((4, *grid.shape, 4))
        for state, taken in ((IDLE, idle), (LOADED, loaded)):
            load[state] = np.stack(
                [taken.window_W, taken.converter_W, taken.pack_lead_W, taken.delivered_W], axis=-1
            )
        # At both ends of each cell: the curves of the front half jump where an active bridge wakes.
        self.ends = np.stack([low, low + rise])
        self.wake_V, woken = self._waking(chain.supply.start_V[chain.half])
        self.drain, self.load = drain, load
        drains = drain.sum(axis=-1)
        load_W = load.sum(axis=-1)
        current, speed = self.ends[..., 0], self.ends[..., TERMS.index("rad_s")]
        sides = np.stack([grid[:, :-1], grid[:, 1:]])
        crank_W = self.ends[..., (*HEATS, PULSES)].sum(axis=-1) + sides * current
        pieces = [
            self._between(*current),
            self._straight(drains),
            self._between(*speed),
            self._between(*crank_W),
        ]
        self.pieces = np.concatenate(
            [
                np.broadcast_to(np.concatenate(pieces, axis=-1), (4, count, self.cells, 8)),
                self._straight(load_W),
            ],
            axis=-1,
        ).reshape(-1, 10)
        self.count, self.unevenness = count, unevenness
        column = {name: value[:, 0] for name, value in need.fields.items()}
        self.capacitance_F, self.esr_ohm = column["capacitance_F"], column["esr_ohm"]
        self.band_V = column["on_V"] - column["off_V"]
        self.wait_s = need.pack.wait_s
        levels = {
            (OPEN, 1): column["on_V"],
            (LATCHED, 0): column["overvoltage_return_V"],
            (IDLE, 0): column["off_V"],
            (IDLE, 1): column["overvoltage_off_V"],
            (LOADED, 1): column["overvoltage_off_V"],
        }
        # A threshold of the bus as one of the bank's inner voltage: base - pull (1 + a sin).
        self.base, self.pull = np.full((2, 4, count), np.inf), np.zeros((2, 4, count))
        self.base[0] = -np.inf
        rows = np.arange(count)
        for (state, side), level in levels.items():
            i0, i1, d0, d1, *_, p0, p1 = self._read(rows, np.full(count, state), level)
            taken_A = d0 + d1 * level + p0 / level + p1
            self.base[side, state] = level + self.esr_ohm * taken_A
            self.pull[side, state] = self.esr_ohm * (i0 + i1 * level)
        # An active bridge wakes, or sleeps, with the bus; as an inner voltage in the same way, with
        # its current awake and asleep. A load folds that, see below.
        taken_A = drains[rows, woken]
        self.wake_base = np.where(self.wake_V > 0, self.wake_V + self.esr_ohm * taken_A, np.nan)
        self.wake_pull = self.esr_ohm * np.stack(
            [current[0, rows, woken], current[1, rows, woken - 1]]
        )
        # With the load on, series resistance folds: the bus collapses above the threshold where
        # the inner voltage that carries it has its least value.
        usable = (grid >= off_V) & (grid <= np.maximum(need["overvoltage_off_V"], off_V))
        unable = np.where(loaded.sustained, 0.0, grid).max(axis=1, initial=0.0)
        usable &= grid > unable[:, None]
        inner = grid + esr * (drains + load_W[LOADED] / np.maximum(grid, 1e-9))
        at_nodes = np.concatenate([current[0], current[1][:, -1:]], axis=1)
        self.strokes = np.linspace(1 - unevenness, 1 + unevenness, STROKE_KNOTS)
        i0, i1, d0, d1, *_, p0, p1 = self._read(rows, np.full(count, LOADED), column["off_V"])
        off = column["off_V"]
        at_off = off + self.esr_ohm * (d0 + d1 * off + p0 / off + p1)
        at_off = np.where(unable < off, at_off, np.inf)
        self.floors = np.stack(
            [
                np.minimum(
                    np.where(usable, inner - esr * at_nodes * r, np.inf).min(axis=1),
                    at_off - self.esr_ohm * (i0 + i1 * off) * r,
                )
                for r in self.strokes
            ],
            axis=1,
        )
        self.able_V = np.maximum(off, unable)

    def _waking(self, start_V: Array) -> tuple[Array, Rows]:
        """Where an active bridge wakes, V (n,), 0 where none does, and the cell that begins there.

        Where it brings no more awake than asleep, both ways being at the hand's limit, the jump is
        drawn out over the cell before it: a bus that rests there could be on neither side.
        """
        rows = np.arange(len(start_V))
        woken = (self.volts < start_V[:, None]).sum(axis=1).clip(1, self.cells - 1)
        asleep_A, awake_A = self.ends[1, rows, woken - 1, 0], self.ends[0, rows, woken, 0]
        jumps = (start_V > 0) & (start_V < self.volts[:, -1]) & (awake_A > asleep_A)
        drawn = ~jumps
        self.ends[1, rows[drawn], woken[drawn] - 1] = self.ends[0, rows[drawn], woken[drawn]]
        return np.where(jumps, start_V, 0.0), woken

    def _straight(self, values: Array) -> Array:
        """Value at 0 V and slope of each cell: (..., n, nodes) -> (..., n, cells, 2)."""
        return self._between(values[..., :-1], values[..., 1:])

    def _between(self, lower: Array, upper: Array) -> Array:
        """The same from the values at both ends of the cells, (..., n, cells) each."""
        slope = (upper - lower) / np.diff(self.volts, axis=-1)
        return np.stack([lower - slope * self.volts[:, :-1], slope], axis=-1)

    def cell(self, law: Rows, bus_V: Array) -> NDArray[np.intp]:
        """The cell that each voltage of some chains lies in; above the last it goes on straight."""
        place = self.spacing.take(law.reshape(-1)).place(bus_V.reshape(-1)).reshape(bus_V.shape)
        left = (place * self.scale[law]).astype(np.intp)
        np.minimum(left, self.cells - 1, out=left)
        left += self.volts[law, left + 1] <= bus_V
        return np.asarray(np.minimum(left, self.cells - 1, out=left))

    def _read(self, law: Rows, state: NDArray[np.intp], bus_V: Array) -> Array:
        """The straight pieces at some voltages, (10, n)."""
        return np.asarray(
            self.pieces[(state * self.count + law) * self.cells + self.cell(law, bus_V)].T
        )

    def balance(
        self, law: Rows, state: NDArray[np.intp], inner_V: Array, ohm: Array, stroke: Array,
        guess_V: Array,
    ) -> _Balance:  # fmt: skip
        """Bus voltage V with `V - ohm I_net(V) = inner_V`, from a guess above it (Newton)."""
        first = (state * self.count + law) * self.cells

        def weigh(at: NDArray[np.intp] | slice, volts: Array) -> Array:
            i0, i1, d0, d1, w0, w1, c0, c1, p0, p1 = self.pieces[
                first[at] + self.cell(law[at], volts)
            ].T
            falling = p0 / volts
            net = stroke[at] * (i0 + i1 * volts) - d0 - d1 * volts - falling - p1
            slope = stroke[at] * i1 - d1 + falling / volts
            miss = volts - ohm[at] * net - inner_V[at]
            return np.array([volts, net, slope, w0 + w1 * volts, c0 + c1 * volts, miss])

        found = weigh(slice(None), guess_V)
        at = np.flatnonzero(np.abs(found[-1]) >= SETTLED_V)
        for number in range(NEWTONS):
            if not at.size:
                break
            volts, _, slope, *_, miss = found[:, at]
            rise = 1 - ohm[at] * slope
            change = miss / np.where(rise > 1e-3, rise, 1e-3)
            if number in (5, 8):  # two pieces may throw the solution to and fro
                change = change / 2
            volts = np.minimum(np.maximum(volts - change, 1e-12), TOP_V)
            found[:, at] = weigh(at, volts)
            at = at[np.abs(found[-1, at]) >= SETTLED_V]
        bus_V, net_A, slope_S, rad_s, crank_W, miss = found
        sound = (np.abs(miss) < SETTLED_V) & (ohm * slope_S < 1)
        sound &= (state != LOADED) | (bus_V > 0.8 * self.able_V[law])
        return _Balance(bus_V, net_A, slope_S, rad_s, crank_W, sound)

    def nearest(
        self, law: Rows, state: NDArray[np.intp], inner_V: Array, ohm: Array, stroke: Array,
        bus_V: Array,
    ) -> tuple[Array, NDArray[np.bool_]]:  # fmt: skip
        """The stable balance of `balance` nearest to some voltages, by a scan of all cells.

        And whether there is one; the voltages themselves where there is none.
        """
        volts = self.volts[law]
        first = ((state * self.count + law) * self.cells)[:, None]
        i0, i1, d0, d1, *_, p0, p1 = np.moveaxis(self.pieces[first + np.arange(self.cells)], -1, 0)

        def miss(at: Array) -> Array:
            net = stroke[:, None] * (i0 + i1 * at) - d0 - d1 * at - p0 / np.maximum(at, 1e-9) - p1
            return np.asarray(at - ohm[:, None] * net - inner_V[:, None])

        low, high = miss(volts[:, :-1]), miss(volts[:, 1:])
        rises = (low <= 0) & (high > 0)
        share = np.where(rises, -low / np.where(rises, high - low, 1.0), 0.0)
        root = volts[:, :-1] + np.diff(volts, axis=1) * share
        away = np.where(rises, np.abs(root - bus_V[:, None]), np.inf)
        best = away.argmin(axis=1)
        found = np.asarray(rises.any(axis=1))
        return np.where(found, root[np.arange(len(law)), best], bus_V), found

    def wakes(
        self, law: Rows, state: NDArray[np.intp], asleep: NDArray[np.bool_], stroke: Array
    ) -> Array:
        """Inner voltages at which an active bridge without a load wakes, or sleeps, else NaN."""
        at = self.wake_base[law] - self.wake_pull[asleep.astype(np.intp), law] * stroke
        return np.where((state == OPEN) | (state == LATCHED), at, np.nan)

    def floor(self, law: Rows, stroke: Array) -> Array:
        """Least inner voltage that carries the load, V."""
        if self.unevenness == 0:
            return np.asarray(self.floors[law, 0])
        place = (stroke - self.strokes[0]) / (self.strokes[1] - self.strokes[0])
        left = np.minimum(place.astype(np.intp), STROKE_KNOTS - 2)
        lower, upper = self.floors[law, left], self.floors[law, left + 1]
        return np.asarray(lower + (upper - lower) * (place - left))

    def limits(self, law: Rows, state: NDArray[np.intp], stroke: Array) -> tuple[Array, Array]:
        """Inner voltages below and above which the switch changes."""
        low = self.base[0, state, law] - self.pull[0, state, law] * stroke
        high = self.base[1, state, law] - self.pull[1, state, law] * stroke
        return np.where(state == LOADED, self.floor(law, stroke), low), high


class _Balance(NamedTuple):
    """A bus voltage and what flows there; `found` False where the load cannot be carried."""

    bus_V: Array
    net_A: Array
    slope_S: Array
    rad_s: Array
    crank_W: Array
    found: NDArray[np.bool_]


class _Log(NamedTuple):
    """What a chunk of steps did, (steps, n) each; steps of no length did nothing.

    `seconds` is what a step counts, `lived_s` what it took: less where it stands for others.
    """

    bus_V: Array
    seconds: Array
    lived_s: Array
    stroke: Array
    inner_V: Array
    net_A: Array
    clock_s: Array
    state: NDArray[np.intp]
    law: Rows


@dataclass
class _Books:
    """What is gathered over a session, rows as asked for; `energies_J` in the ledger's order."""

    energies_J: Array
    crank_J: Array
    effort_s: Array
    first_charge_s: Array
    lowest_V: Array
    highest_V: Array
    least_reserve_J: Array
    end_inner_V: Array
    end_bus_V: Array
    end_state: NDArray[np.int64]
    openings: NDArray[np.int64]
    refused: NDArray[np.int64]
    chattered: NDArray[np.bool_]
    courses: dict[int, list[Array]]

    @classmethod
    def empty(cls, count: int, reserve_J: float, traces: Iterable[int]) -> _Books:
        return cls(
            np.zeros((count, len(HEAT) + 3)), np.zeros(count), np.zeros(count),
            np.full(count, np.inf), np.full(count, np.inf), np.zeros(count),
            np.full(count, reserve_J), np.zeros(count), np.zeros(count),
            np.zeros(count, np.int64), np.zeros(count, np.int64), np.zeros(count, np.int64),
            np.zeros(count, dtype=bool), {int(row): [] for row in traces},
        )  # fmt: skip

    def book(self, laws: _Laws, rows: Rows, log: _Log) -> None:
        """Add the energies of a chunk of steps."""
        cell = laws.cell(log.law, log.bus_V)
        low_V, high_V = laws.volts[log.law, cell], laws.volts[log.law, cell + 1]
        share = ((log.bus_V - low_V) / (high_V - low_V))[..., None]

        def between(lower: Array, upper: Array) -> Array:
            return np.asarray(lower + (upper - lower) * share)

        def at(table: Array, *index: NDArray[np.intp]) -> Array:
            return between(table[(*index, cell)], table[(*index, cell + 1)])

        terms = between(laws.ends[0, log.law, cell], laws.ends[1, log.law, cell])
        load = at(laws.load, log.state, log.law)
        volts = log.bus_V[..., None]
        bus_W = log.bus_V * log.stroke * terms[..., 0]
        drains_W = at(laws.drain, log.law) * volts
        powers = np.concatenate(
            [
                terms[..., LOSSES],
                drains_W[..., :-1],
                drains_W[..., -1:] + load[..., :1],
                load[..., 1:3],
                (log.net_A * (log.bus_V - log.inner_V) + terms[..., PULSES])[..., None],
                load[..., 3:],
            ],
            axis=-1,
        )
        crank_W = terms[..., (*HEATS, PULSES)].sum(axis=-1) + bus_W
        stored_W = log.net_A * log.inner_V
        self.energies_J[rows, :-1] += np.einsum("sn,snk->nk", log.seconds, powers)
        # What the bank gains over steps that stand for others is gained once, and worked for once.
        self.energies_J[rows, -1] += (log.lived_s * stored_W).sum(axis=0)
        repeated = (log.seconds - log.lived_s) * stored_W
        self.crank_J[rows] += (log.seconds * crank_W - repeated).sum(axis=0)
        self.effort_s[rows] += (log.seconds * terms[..., TERMS.index("effort")]).sum(axis=0)
        happened = log.seconds > 0
        loaded = np.where(happened & (log.state == LOADED), log.bus_V, np.inf)
        self.lowest_V[rows] = np.minimum(self.lowest_V[rows], loaded.min(axis=0))
        reached = np.where(happened, log.bus_V, 0.0)
        self.highest_V[rows] = np.maximum(self.highest_V[rows], reached.max(axis=0))
        for column in np.flatnonzero(np.isin(rows, list(self.courses))):
            kept = happened[:, column]
            closed = np.isin(log.state, (IDLE, LOADED))
            course = (
                log.clock_s, log.bus_V, load[..., 3], crank_W, closed, log.seconds, log.lived_s
            )  # fmt: skip
            self.courses[int(rows[column])].append(
                np.stack([np.asarray(a[kept, column], dtype=float) for a in course])
            )

    def traced(self) -> dict[int, Trace]:
        """The recorded courses."""
        joined = {
            row: np.concatenate(parts, axis=1) if parts else np.zeros((7, 0))
            for row, parts in self.courses.items()
        }
        return {
            row: Trace(a[0], a[1], a[2], a[3], a[4] > 0, a[5], a[6]) for row, a in joined.items()
        }


class _Walkers:
    """The designs whose session is not over: where each of them stands, (n,) each.

    `gap_V` is how far the inner voltage is from the nearer threshold. A step counts `lapse` times
    on the clock, once in `lived_s`.
    """

    NAMES = (
        "rows", "law", "state", "inner_V", "angle", "clock_s", "timer_s", "reserve_J", "bus_V",
        "speed", "step_s", "gap_V", "lapse", "lived_s", "steps", "cycles", "first_s", "first_angle",
        "mark_s", "mark_angle", "sample_s", "trend",
    )  # fmt: skip

    def __init__(self, laws: _Laws, count: int, duration_s: float, person: Operator | None) -> None:
        self.laws, self.duration_s, self.person, self.count = laws, duration_s, person, count
        self.held = False
        self.rows = np.arange(count)
        self.law = np.arange(count)
        self.state = np.full(count, OPEN)
        self.inner_V, self.angle, self.clock_s, self.speed = np.zeros((4, count))
        self.timer_s = np.full(count, np.inf)
        self.reserve_J = np.full(count, person.reserve_J if person else np.inf)
        self.bus_V, self.step_s, self.gap_V = np.full((3, count), 1e-6)
        self.lapse = np.ones(count)
        self.lived_s, self.steps, self.cycles = np.zeros((3, count))
        self.first_s, self.first_angle = np.zeros((2, count))
        self.mark_s, self.mark_angle, self.sample_s, self.trend = np.zeros((4, count))
        self._settle(self.rows)

    def begin(self, start: Start) -> None:
        """Begin with charged banks; from now on nothing switches but a load that collapses."""
        self.held = True
        self.inner_V = np.array(start.inner_V, dtype=float)
        self.bus_V = self.inner_V.copy()
        self.state[:] = LOADED if start.closed else OPEN
        self._settle(np.arange(len(self.rows)))

    def run(self, books: _Books) -> None:
        """A chunk of steps of every design, booked; those whose session is over leave."""
        steps = [self._advance(books) for _ in range(CHUNK)]
        log = _Log._make(np.stack(column) for column in zip(*steps, strict=True))
        books.book(self.laws, self.rows, log)
        self.steps += CHUNK
        over = self.clock_s >= self.duration_s
        gone = self.rows[over]
        books.least_reserve_J[self.rows] = np.minimum(
            books.least_reserve_J[self.rows], self.reserve_J
        )
        books.end_inner_V[gone] = self.inner_V[over]
        books.end_bus_V[gone] = self.bus_V[over]
        books.end_state[gone] = self.state[over]
        for name in self.NAMES:
            setattr(self, name, getattr(self, name)[~over])

    def _stroke(self, angle: Array) -> Array:
        return np.asarray(1 + self.laws.unevenness * np.cos(angle))

    def _advance(self, books: _Books) -> _Log:
        """One step of every design, as long as each may be; then the switches that it reached."""
        laws, law, state = self.laws, self.law, self.state
        left_s = np.maximum(self.duration_s - self.clock_s, 0.0)
        step = np.minimum(np.minimum(self.step_s, self.timer_s), left_s / self.lapse)
        stroke = self._stroke(self.angle + self.speed * step / 2)
        capacitance, esr = laws.capacitance_F[law], laws.esr_ohm[law]
        ohm = esr + step / (2 * capacitance)
        guess_V = np.clip(self.bus_V + self.trend * step, 0.5 * self.bus_V, TOP_V)
        # A bridge stays asleep, or awake, as long as the bus can stay on its side of the threshold.
        wake_V, asleep = laws.wake_V[law], self.bus_V < laws.wake_V[law]
        guess_V = np.where(
            asleep, np.minimum(guess_V, wake_V * (1 - 1e-12)), np.maximum(guess_V, wake_V)
        )
        now = laws.balance(law, state, self.inner_V, ohm, stroke, guess_V)
        middle_V = now.bus_V - esr * now.net_A
        inner_V = 2 * middle_V - self.inner_V
        angle = self.angle + now.rad_s * step
        ended = self._stroke(angle)
        low, high = laws.limits(law, state, ended)
        beyond = np.maximum(low - inner_V, inner_V - high)
        if self.held:
            beyond = np.full(len(law), -TOP_V)
        past_V = np.where(asleep, 1.0, -1.0) * (inner_V - laws.wakes(law, state, asleep, ended))
        going = step > 0
        shortest = step <= SHORTEST_STEP_S
        lost = going & ~now.found
        far = going & now.found & ((beyond > LANDING_V) | (past_V > WAKING_V)) & ~shortest
        taken = going & now.found & ~far
        log = _Log(
            now.bus_V, np.where(taken, step * self.lapse, 0.0), np.where(taken, step, 0.0),
            stroke, middle_V, now.net_A, self.clock_s + self.lapse * step / 2, state.copy(),
            law.copy(),
        )  # fmt: skip
        self.inner_V = np.where(taken, inner_V, self.inner_V)
        self.angle = np.where(taken, angle, self.angle)
        self.clock_s = self.clock_s + np.where(taken, self.lapse * step, 0.0)
        self.lived_s = self.lived_s + np.where(taken, step, 0.0)
        self.clock_s[taken & (step >= left_s / self.lapse)] = self.duration_s
        self.timer_s = self.timer_s - np.where(taken, step, 0.0)
        self.trend = np.where(taken, (now.bus_V - self.bus_V) / np.maximum(step, 1e-9), self.trend)
        self.bus_V = np.where(taken, now.bus_V, self.bus_V)
        turned = taken & (past_V >= 0)
        self.bus_V = np.where(turned, np.where(asleep, wake_V, wake_V * (1 - 1e-12)), self.bus_V)
        self.trend = np.where(turned, 0.0, self.trend)
        self.speed = np.where(taken, now.rad_s, self.speed)
        shorter = np.where(
            far & ~(past_V > WAKING_V),
            step * (self.gap_V + LANDING_V / 2) / (self.gap_V + np.maximum(beyond, LANDING_V)),
            step / 4,
        )
        longer = self._next_step(now, step)
        self.step_s = np.where(taken, longer, np.maximum(shorter, SHORTEST_STEP_S))
        self.gap_V = np.where(taken, np.maximum(-beyond, 0.0), self.gap_V)
        if self.person is not None:
            self._tire(now.crank_W, log.seconds)
        # No voltage near here balances: the load collapses the bus, or the bus leaps to where a
        # bridge of active valves wakes or sleeps.
        stuck = lost & shortest
        carries = (self.gap_V > 2 * LANDING_V) & (self.bus_V > 0.8 * laws.able_V[law])
        collapsed = stuck & (state == LOADED) & ~carries
        leaps = np.flatnonzero(stuck & ~collapsed)
        if leaps.size:
            self.bus_V[leaps], there = laws.nearest(
                law[leaps], state[leaps], self.inner_V[leaps], ohm[leaps], stroke[leaps],
                self.bus_V[leaps],
            )  # fmt: skip
            self.trend[leaps] = 0.0
            collapsed[leaps] |= ~there & (state[leaps] == LOADED)
        reached = (taken & (beyond >= 0)) | collapsed
        rested = taken & (self.timer_s <= 0) & ~reached
        if reached.any() or rested.any():
            falling = reached & (collapsed | (low - inner_V >= 0))
            self._switch(books, reached, falling, rested)
        return log

    def _next_step(self, now: _Balance, step: Array) -> Array:
        """The longest step that keeps voltage, time constant and stroke resolved, s."""
        laws, law = self.laws, self.law
        esr, capacitance = laws.esr_ohm[law], laws.capacitance_F[law]
        most_V = np.minimum(VOLTAGE_STEP_V, BAND_SHARE * laws.band_V[law])
        rate = np.abs(now.net_A) / capacitance + 1e-12
        slope = now.slope_S / np.maximum(1 - esr * now.slope_S, 1e-3) / capacitance
        # Beyond a few time constants the rule rings: harmless at rest, wrong while the bus moves.
        calm = np.where(slope > 0, 0.5, 2.0) / np.maximum(np.abs(slope), 1e-12)
        longest = np.minimum(most_V / rate, np.maximum(calm, RESTING_V / rate))
        longest = np.minimum(longest, np.maximum(2 * step, 1e-6))
        if laws.unevenness:
            whole = 2 * np.pi / np.maximum(now.rad_s, 1e-3)
            longest = np.minimum(longest, whole / STEPS_PER_STROKE)
        return np.minimum(longest, LONGEST_STEP_S)

    def _tire(self, crank_W: Array, seconds: Array) -> None:
        """Draw on the reserve above critical power; who has none left turns with less."""
        assert self.person is not None
        self.reserve_J = operator.reserve_after(
            self.reserve_J,
            crank_W,
            seconds,
            critical_power_W=self.person.critical_power_W,
            full_reserve_J=self.person.reserve_J,
        )
        self.law = np.where(self.reserve_J <= 0, self.rows + self.count, self.law)

    def _switch(
        self, books: _Books, reached: NDArray[np.bool_], falling: NDArray[np.bool_],
        rested: NDArray[np.bool_],
    ) -> None:  # fmt: skip
        """Change switches that have reached a threshold, load packs that have waited."""
        was = self.state.copy()
        closed = (was == IDLE) | (was == LOADED)
        cut = np.flatnonzero(reached & closed & ~falling)
        self.state[cut] = LATCHED
        books.openings[self.rows[cut]] += 1
        self._open(books, np.flatnonzero(reached & closed & falling))
        self._close(books, np.flatnonzero(reached & ~closed))
        self._connect(books, np.flatnonzero(rested), waited=True)
        self._settle(np.flatnonzero(reached | rested))

    def _open(self, books: _Books, at: NDArray[np.intp]) -> None:
        """Undervoltage: the load goes, the bus springs up, perhaps over the turn-on threshold."""
        self.state[at] = OPEN
        self.timer_s[at] = np.inf
        books.openings[self.rows[at]] += 1
        self._again(books, at)

    def _again(self, books: _Books, at: NDArray[np.intp]) -> None:
        """Close once more where the bus without load is above the threshold; no wait: chatter."""
        _, on_V = self.laws.limits(self.law[at], self.state[at], self._stroke(self.angle[at]))
        again = at[self.inner_V[at] >= on_V]
        if self.laws.wait_s:
            self._close(books, again)
        else:
            self._stop(books, again)

    def _close(self, books: _Books, at: NDArray[np.intp]) -> None:
        """Turn on: a retrying pack waits first."""
        if self.laws.wait_s:
            self.state[at] = IDLE
            self.timer_s[at] = self.laws.wait_s
        else:
            self._connect(books, at, waited=False)

    def _connect(self, books: _Books, at: NDArray[np.intp], *, waited: bool) -> None:
        """The pack draws; unless the bank cannot bear it, and the window opens at once."""
        self.timer_s[at] = np.inf
        bears = self.inner_V[at] >= self.laws.floor(self.law[at], self._stroke(self.angle[at]))
        on, off = at[bears], at[~bears]
        self.state[on] = LOADED
        self._lapse(on)
        books.first_charge_s[self.rows[on]] = np.minimum(
            books.first_charge_s[self.rows[on]], self.clock_s[on]
        )
        self.state[off] = OPEN
        books.refused[self.rows[off]] += 1
        if waited:
            self._again(books, off)
        else:
            self._stop(books, off)

    def _lapse(self, at: NDArray[np.intp]) -> None:
        """At a turn-on: let some whole cycles stand for the many of a window that switches fast.

        Each step of them then counts `lapse` times, in time and in energy. They also make whole
        strokes where the cycle is shorter than a stroke. Others are stepped in full.
        """
        new = at[self.cycles[at] == 0]
        self.first_s[new], self.first_angle[new] = self.lived_s[new], self.angle[new]
        self.cycles[at] += 1
        cycling_s = self.lived_s[at] - self.first_s[at]
        cycle_s = cycling_s / np.maximum(self.cycles[at] - 1, 1)
        # A stroke as it is while the window switches; filling the bank took slower ones.
        turned = self.angle[at] - self.first_angle[at]
        stroke_s = 2 * np.pi * np.maximum(cycling_s, 1e-9) / np.maximum(turned, 1e-9)
        strokes = (self.angle[at] - self.mark_angle[at]) / (2 * np.pi)
        whole = (strokes % 1 < cycle_s / stroke_s) | (cycle_s > stroke_s / 2)
        if self.laws.unevenness == 0:
            stroke_s, whole = np.zeros(len(at)), np.ones(len(at), dtype=bool)
        lapsing = self.lapse[at] > 1
        done = lapsing & whole & (self.lived_s[at] - self.mark_s[at] > self.sample_s[at] - 1e-9)
        self.lapse[at[done]] = 1.0
        left_s = self.duration_s - self.clock_s[at]
        many = self.steps[at] / np.maximum(self.lived_s[at], 1e-9) * left_s > LAPSE_AFTER
        sample_s = np.maximum(LAPSE_STROKES * stroke_s, LAPSE_CYCLES * cycle_s)
        factor = (left_s - 2 * cycle_s) / np.maximum(sample_s + cycle_s, 1e-9)
        if self.laws.unevenness == 0:
            # An even hand repeats itself exactly: whole cycles fill the time to the last but one.
            sample_s = (LAPSE_CYCLES - 0.5) * cycle_s
            factor = np.floor(left_s / np.maximum(cycle_s, 1e-9) - 1) / LAPSE_CYCLES
        begins = ~lapsing & many & (self.cycles[at] > LAPSE_CYCLES) & (factor > 1.5)
        new = at[begins]
        self.lapse[new], self.sample_s[new] = factor[begins], sample_s[begins]
        self.mark_s[new], self.mark_angle[new] = self.lived_s[new], self.angle[new]

    def _stop(self, books: _Books, at: NDArray[np.intp]) -> None:
        """A window that switches by its own load step: nobody goes on turning."""
        self.clock_s[at] = self.duration_s
        books.chattered[self.rows[at]] = True

    def _settle(self, at: NDArray[np.intp]) -> None:
        """After a switch: the bus voltage that the bank's inner voltage gives, and a fresh step."""
        if not at.size:
            return
        laws, law, state = self.laws, self.law[at], self.state[at]
        stroke = self._stroke(self.angle[at])
        guess = np.where(
            state == LOADED, np.maximum(self.bus_V[at], self.inner_V[at]), self.bus_V[at]
        )
        now = laws.balance(law, state, self.inner_V[at], laws.esr_ohm[law], stroke, guess)
        low, high = laws.limits(law, state, stroke)
        self.bus_V[at], self.speed[at], self.trend[at] = now.bus_V, now.rad_s, 0.0
        self.gap_V[at] = np.maximum(
            np.minimum(self.inner_V[at] - low, high - self.inner_V[at]), 0.0
        )
        most_V = np.minimum(VOLTAGE_STEP_V, BAND_SHARE * laws.band_V[law])
        self.step_s[at] = np.clip(
            0.5 * most_V * laws.capacitance_F[law] / np.maximum(np.abs(now.net_A), 1e-9),
            SHORTEST_STEP_S,
            0.05,
        )


def _regimes(laws: _Laws, books: _Books) -> NDArray[np.int8]:
    """What kind of session each was, in the codes of the averaged fidelity.

    A design that still draws at the end, for the first time, is steady where its bank has a
    voltage to rest at above the turn-off threshold.
    """
    count = len(books.crank_J)
    drew = np.isfinite(books.first_charge_s)
    grid = laws.volts[:count]
    load_A = laws.load[LOADED, :count].sum(axis=-1) / np.maximum(grid, 1e-9)
    taken_A = (laws.drain[:count].sum(axis=-1) + load_A)[:, :-1]
    grid = grid[:, :-1]
    between = (grid >= laws.able_V[:count, None]) & (grid <= books.end_bus_V[:, None])
    rests = ((laws.ends[0, :count, :, 0] >= taken_A) & between).any(axis=1)
    return np.select(
        [
            books.chattered | (~drew & (books.refused > 0)),
            books.end_state == LATCHED,
            ~drew,
            (books.openings == 0) & rests,
        ],
        [CHATTERING, FLOODED, STARVED, STEADY],
        CYCLING,
    ).astype(np.int8)
