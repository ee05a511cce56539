"""Builds of the whole catalogue: how often a design breaks a rule when parts and hands differ.

A build draws every row of every table once, and the hand, and evaluates many designs together, so
that designs share what they have in common as they do in a search. The spreads are those of
`tolerance`. Capacitance is drawn for the batch, and for each cell of a string within it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from functools import reduce
from itertools import chain, groupby, pairwise
from typing import NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from explorer import front
from explorer.inputs.back_parts import Cell, Window
from explorer.inputs.links import LINKS
from explorer.inputs.records import Part, Record
from explorer.inputs.study import Project
from explorer.model import margins as rule_margins
from explorer.model import spreads as spread_tables
from explorer.model.back_half import back_halves
from explorer.model.drawn_fronts import drawn_fronts
from explorer.model.evaluate import evaluate
from explorer.model.evaluation import Evaluation
from explorer.model.odds import BUILDS_PER_HAND, SCREENED, SCREENS, Odds
from explorer.model.rules import RULES
from explorer.model.simulate import Care
from explorer.model.space import Designs, Rows
from explorer.model.spreads import Spread, of_cadence
from explorer.model.unloaded import Fronts
from explorer.physics import bank
from explorer.stopping import starting_workers
from explorer.units import Array

FIRST_DRAWS, LAST_DRAWS = 40, 1000
"""Builds in which contenders are looked at by all rules, before those that settle a promise; and
the best of these, so that a hazard of one in a hundred is ruled out.
"""
CONTENDERS, FINALISTS = 200, 40
RowT = TypeVar("RowT", bound=Record)


class Builds(NamedTuple):
    """Some draws of everything with the same hand, one after the other: tables that hold the rows
    of all draws, the designs of each draw with their thresholds and cadence, and how full the
    fullest cell of each string gets over the mean, (draws * n,).
    """

    project: Project
    designs: Designs
    weakest_share: Array


def by_hand(numbers: Iterable[int]) -> list[list[int]]:
    """Numbers of builds in groups that have the same hand.

    >>> by_hand(range(6, 10))
    [[6, 7], [8, 9]]
    """
    return [list(group) for _, group in groupby(sorted(numbers), lambda n: n // BUILDS_PER_HAND)]


def draw(project: Project, designs: Designs, numbers: Sequence[int]) -> Builds:
    """Builds of a study that have the same hand: a number gives the same build, whatever the
    designs and whichever others are drawn with it. ValueError for numbers of several hands.
    """
    hands = {number // BUILDS_PER_HAND for number in numbers}
    if len(hands) != 1:
        raise ValueError(f"builds {list(numbers)} do not have the same hand")
    seed, catalogue = project.study.search.seed, project.catalogue
    rng = np.random.default_rng([seed, 0, hands.pop()])
    operators = {
        name: _drawn(project, "operator", person, rng)
        for name, person in catalogue.operators.items()
    }
    packs = {name: _drawn(project, "pack", one, rng) for name, one in catalogue.packs.items()}
    drawn: dict[str, list[Part]] = {link: [] for link in LINKS}
    rows: dict[str, list[Rows]] = {link: [] for link in LINKS}
    settings, weakest = [], []
    for number in numbers:
        rng = np.random.default_rng([seed, 1, number])
        for link in LINKS:
            rows[link].append(designs.parts[link] + len(drawn[link]))
            drawn[link] += (_drawn_part(project, link, part, rng) for part in catalogue.parts[link])
        settings.append(_drawn_settings(project, designs, rng))
        weakest.append(_weakest(project, designs, rng))
    tables = replace(
        catalogue,
        parts={link: tuple(some) for link, some in drawn.items()},
        operators=operators,
        packs=packs,
    )
    exact = project.study.build.model_copy(update={"resistor_tolerance": 0.0})
    return Builds(
        replace(project, catalogue=tables, study=replace(project.study, build=exact)),
        Designs(
            {link: np.concatenate(some) for link, some in rows.items()},
            {name: np.concatenate([one[name] for one in settings]) for name in designs.settings},
        ),
        np.concatenate(weakest),
    )


def _drawn(project: Project, link: str, part: RowT, rng: np.random.Generator) -> RowT:
    """A row as one build has it. Each number of its table has a random number of its own, so that
    others are drawn as before when one was measured.
    """
    numbers = spread_tables.numbers_of(project.catalogue.spreads, link)
    shares = dict(zip(numbers, rng.random(len(numbers)), strict=True))
    update = {
        field: min(
            float(spread.applied(spread_tables.nominal(part, field) or 0.0, by)),
            spread_tables.most(field),
        )
        for spread in spread_tables.spreads_of_part(project, link, part)
        for by in (float(spread.at(np.array(shares[spread.fields[0]]))),)
        for field in spread.fields
    }
    return part.model_copy(update=update) if update else part


def _drawn_part(project: Project, link: str, part: Part, rng: np.random.Generator) -> Part:
    """A part as one build has it, within its own tolerances, too, which no longer are worst cases
    then.
    """
    part = _drawn(project, link, part, rng)
    if isinstance(part, Cell):
        return part.model_copy(update={"capacitance_low_fraction": 1.0})
    if isinstance(part, Window):
        limit = part.current_limit_tolerance
        update = {
            "current_limit_A": part.current_limit_A * rng.uniform(1 - limit, 1 + limit),
            "current_limit_tolerance": 0.0,
            "reference_tolerance": 0.0,
        }
        return part.model_copy(update=update)
    return part


def _factor(spread: Spread, rng: np.random.Generator) -> float:
    return float(spread.at(np.array(rng.random())))


def _drawn_settings(
    project: Project, designs: Designs, rng: np.random.Generator
) -> dict[str, Array]:
    """Thresholds anywhere between what comparator and resistors may shift them to."""
    pack = next(iter(project.catalogue.packs.values()))
    levels = rule_margins.worst_levels(
        project, designs, back_halves(project.catalogue, designs, pack)
    )._asdict()

    def between(name: str) -> Array:
        low, high = levels[f"{name}_low"], levels[f"{name}_high"]
        return np.asarray(low + (high - low) * rng.random())

    off, on, over = (between(name) for name in ("off", "on", "over"))
    return {
        **designs.settings,
        "cadence_rpm": designs.settings["cadence_rpm"] * _factor(of_cadence(project), rng),
        "undervoltage_off_V": off,
        "undervoltage_band_V": np.maximum(on - off, 1e-6),
        "overvoltage_off_V": over,
    }


MOST_STRING = 64
"""Cells of a string that are drawn one by one; further ones repeat them."""


def _weakest(project: Project, designs: Designs, rng: np.random.Generator) -> Array:
    """How full the fullest cell of each design's strings gets over the mean of its string, (n,)."""
    series = designs.settings["cells_series"].astype(np.int64)
    parallel = designs.settings["cells_parallel"].astype(np.int64)
    pieces = rng.uniform(-1.0, 1.0, (MOST_STRING, MOST_STRING))
    kinds = np.stack([designs.parts["cell"], series, parallel], axis=1)
    distinct, kind = np.unique(kinds, axis=0, return_inverse=True)
    cells = project.catalogue.parts["cell"]
    shares = []
    for row, count, strings in distinct.tolist():
        spread = float(getattr(cells[row], "piece_spread"))  # noqa: B009
        drawn = pieces[np.ix_(np.arange(strings) % MOST_STRING, np.arange(count) % MOST_STRING)]
        shares.append(float(bank.fullest_share(1 + spread * drawn).max()))
    return np.array(shares)[kind.reshape(-1)]


def of_builds(project: Project, designs: Designs, builds: Builds) -> Evaluation:
    """Results of some designs in some builds by the filter, (builds * n,)."""
    front = drawn_fronts(project, designs, builds.project, builds.designs)
    return evaluate(
        builds.project, builds.designs, Care.DRAWN,
        weakest_share=builds.weakest_share, front=front,
    )  # fmt: skip


def odds(project: Project, designs: Designs, numbers: Iterable[int]) -> list[Odds]:
    """All rules of some designs in some builds, by the filter: one result a design."""
    found = [Odds()] * len(designs)
    for group in by_hand(numbers):
        builds = draw(project, designs, group)
        seen = of_builds(project, designs, builds)
        hazards = np.any([m < 0 for name, m in seen.margins.items() if _hazard(name)], axis=0)
        kept = np.all([m >= 0 for name, m in seen.margins.items() if not _hazard(name)], axis=0)
        in_time = ~hazards & (seen.margins["first_charge_s"] >= 0)
        energy_J = np.where(hazards, 0.0, seen.delivered_energy_J.round(1))
        shape = (len(group), len(designs))
        broken = _broken(seen.margins, shape)
        columns = (a.reshape(shape).T.tolist() for a in (hazards, kept, energy_J, in_time))
        found = [
            before.and_(Odds(len(group), sum(h), sum(k), tuple(e), sum(t), b))
            for before, h, k, e, t, b in zip(found, *columns, broken, strict=True)
        ]
    return found


def _broken(margins: Mapping[str, Array], shape: tuple[int, int]) -> list[dict[str, int]]:
    """Of each design (n,) in how many builds each rule is broken; `shape` is (builds, n)."""
    found: list[dict[str, int]] = [{} for _ in range(shape[1])]
    for name, margin in margins.items():
        counts = (margin < 0).reshape(shape).sum(axis=0)
        for row in np.flatnonzero(counts).tolist():
            found[row][name] = int(counts[row])
    return found


def broken_shares(project: Project, designs: Designs, numbers: Sequence[int]) -> Array:
    """Share of some builds in which a hazard rule in closed form is broken, (n,)."""
    broken, draws = np.zeros(len(designs)), 0
    for group in by_hand(numbers):
        seen = _in_closed_form(draw(project, designs, group))
        broken += seen.reshape(len(group), len(designs)).sum(axis=0)
        draws += len(group)
    return broken / max(draws, 1)


def _hazard(name: str) -> bool:
    return name in RULES and RULES[name].hazard


def _in_closed_form(build: Builds) -> NDArray[np.bool_]:
    """Where a hazard rule that asks for no curve is broken, in any case of the study, (n,)."""
    project, designs, plan = build.project, build.designs, build.project.study.session
    catalogue = project.catalogue
    broken, every = np.zeros(len(designs), dtype=bool), np.arange(len(designs))
    needs = [back_halves(catalogue, designs, catalogue.packs[name]) for name in plan.packs]
    for name in plan.operators:
        fronts = Fronts.of(project, designs, name)
        margins = rule_margins.unloaded_margins(project, fronts)
        margins |= rule_margins.overspeed_margins(
            project, designs, needs[0], fronts, every, build.weakest_share
        )
        broken |= np.any([m < 0 for rule, m in margins.items() if _hazard(rule)], axis=0)
    for need in needs:
        margins = rule_margins.back_margins(project, designs, need)
        broken |= np.any([m < 0 for rule, m in margins.items() if _hazard(rule)], axis=0)
    return broken


def shared_odds(
    project: Project, designs: Designs, numbers: Sequence[int], workers: int
) -> list[Odds]:
    """`odds` with the builds shared among processes."""
    if not len(designs):
        return []
    groups = by_hand(numbers)
    if workers == 1 or len(groups) == 1:
        return odds(project, designs, numbers)
    from joblib import Parallel, delayed

    ends = np.linspace(0, len(groups), min(workers, len(groups)) + 1).round().astype(int).tolist()
    shares = [list(chain(*groups[start:end])) for start, end in pairwise(ends)]
    with starting_workers():
        parts = Parallel(n_jobs=workers)(delayed(odds)(project, designs, some) for some in shares)
    return [reduce(Odds.and_, several) for several in zip(*parts, strict=True)]


def settle(
    project: Project,
    designs: Designs,
    ranks: Sequence[Rows],
    known: Sequence[Odds],
    workers: int,
    keep: Callable[[Sequence[Odds]], None] = lambda found: None,
) -> list[Odds]:
    """Draw the contenders among some designs until it is known which of them may be picked.

    `ranks` order the designs by what they may be picked for, best first; the contenders are taken
    from all of them in turn, of those whose hazard rules in closed form hold in the first builds.
    `known` is what was drawn before, one a design; what comes back is as long. Every build has a
    number of its own, so the answer does not depend on the workers. `keep` gets what is known after
    each look, from which a later call goes on.
    """
    found, draws = list(known), project.study.promise.draws

    def go_on(rows: Sequence[int], builds: range) -> None:
        drawn = shared_odds(project, designs.take(np.array(rows, np.int64)), builds, workers)
        for row, one in zip(rows, drawn, strict=True):
            found[row] = found[row].and_(one)
        if rows:
            keep(found)

    def of(rows: Iterable[int], draws: int) -> list[int]:
        return [row for row in rows if found[row].draws == draws]

    new = np.array(of(range(len(designs)), 0), np.int64)
    broken = np.zeros(len(designs))
    broken[new] = broken_shares(project, designs.take(new), range(SCREENS))
    # Where none passes, the least bad are drawn to say how far they are from it.
    passing = broken <= max(SCREENED, broken.min(initial=1.0))
    contenders = in_turn(ranks, passing, CONTENDERS)
    go_on(of(contenders, 0), range(FIRST_DRAWS))
    rest = of((row for row in contenders if found[row].promising()), FIRST_DRAWS)
    go_on(rest, range(FIRST_DRAWS, draws))
    sound = np.zeros(len(designs), dtype=bool)
    enough = (row for row in contenders if found[row].draws >= draws)
    sound[[row for row in enough if found[row].promising()]] = True
    finalists = in_turn(ranks, sound, FINALISTS)
    # A study that asks for fewer builds than before finds finalists that have more than these.
    for had in sorted({found[row].draws for row in finalists if found[row].draws < LAST_DRAWS}):
        go_on(of(finalists, had), range(had, LAST_DRAWS))
    return found


RANKED_TASTES = 12


def ranks(points: Array, units: Array) -> list[Rows]:
    """Orders of designs by what they may be picked for, (n, m) objectives: by each of them, and, of
    those that give enough energy to be recommended, by some weightings of all.
    """
    orders = [np.argsort(points[:, k], kind="stable") for k in range(points.shape[1])]
    if not len(points):
        return orders
    enough = np.flatnonzero(points[:, 0] <= front.LEAST_OF_THE_MOST * points[:, 0].min())
    scaled = points[enough] / units
    for taste in front.tastes(RANKED_TASTES, points.shape[1]):
        orders.append(enough[np.argsort(scaled @ taste, kind="stable")])
    return orders


def in_turn(ranks: Sequence[Rows], allowed: NDArray[np.bool_], most: int) -> list[int]:
    """The first allowed rows of several orders in turn, each once, at most so many.

    >>> in_turn([np.array([0, 1, 2]), np.array([2, 1, 0])], np.array([True, False, True]), 5)
    [0, 2]
    """
    taken: dict[int, None] = {}
    queues = [iter(rank[allowed[rank]].tolist()) for rank in ranks]
    while queues and len(taken) < most:
        for queue in list(queues):
            row = next((row for row in queue if row not in taken), None)
            if row is None:
                queues.remove(queue)
            elif len(taken) < most:
                taken[row] = None
    return list(taken)
