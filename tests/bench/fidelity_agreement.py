"""How far the three fidelities agree, over random designs of the demo space.

Run as `python -m tests.bench.fidelity_agreement [--designs N] [--sound N] [--windows N] [--json
FILE]`. Prints for each comparison and regime how many designs it has, the median, the 95th
percentile and the largest difference, how many keep the tolerance, and the worst designs.

Tolerances are the model's own: 1 % with an even hand, 3 % with the stroke where the stroke-ripple
rule holds, 3 % of the first charge. Below a floor of 5 J, half a second of the pack's appetite, a
relative difference says nothing: one switch more or less. A chattering window delivers nothing by
definition and is left out, as are designs under the floor in both and, with the stroke, those that
break the ripple rule. Chattering designs that deliver at session fidelity are told beside, and how
many of those beyond the tolerance differ by less than one spell of the load: a session may end
within one, and a cycle a hundredth longer leaves it out. So with first charges and strokes: a
threshold is met at a crest, or at the next. For all beyond, sessions are run again with thresholds
and cadence moved by half a percent: a chain on a verge answers to that by more than any tolerance,
in both fidelities. Designs that keep every rule, the only ones on a front, are few among random
ones: they are drawn and compared once more by themselves.
"""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from explorer.errors import ExplorerError
from explorer.inputs.study import Project, load
from explorer.model import evaluate, session, waveform
from explorer.model import margins as rule_margins
from explorer.model.regimes import CHATTERING, REGIMES
from explorer.model.space import Designs, Space
from tests.bench import bench_results

DEMO = Path(__file__).parents[2] / "studies" / "flood_gauge.toml"
FLOOR_J = 5.0
SWAY = 0.005
"""The tolerance of the demo's finer comparator, before that of its resistors."""
DRAWN_PER_SOUND = 70
"""About every fiftieth random design of the demo keeps every rule."""
FIGURES: list[dict[str, object]] = []
"""Everything that was shown, for the JSON."""
FRONT = ("gearing", "drag", "copper", "lead", "bridge")


def even(project: Project, operator: str) -> Project:
    """The project with an operator whose stroke is even."""
    person = project.catalogue.operators[operator].model_copy(update={"unevenness": 0.0})
    operators = {**project.catalogue.operators, operator: person}
    return replace(project, catalogue=replace(project.catalogue, operators=operators))


def show(title: str, off: np.ndarray, allowed: np.ndarray, regime: np.ndarray) -> None:
    """The distribution of relative differences, per regime."""
    print(f"\n{title}")
    for number, name in [*enumerate(REGIMES), (-1, "all")]:
        mine = (regime == number) | (number < 0)
        if mine.any():
            median, most, worst = 100 * np.percentile(off[mine], [50, 95, 100])
            kept = int((off <= allowed)[mine].sum())
            FIGURES.append(
                {"comparison": title, "regime": name, "designs": int(mine.sum()),
                 "median_percent": float(median), "percent_95": float(most),
                 "most_percent": float(worst), "within_tolerance": kept}
            )  # fmt: skip
            print(
                f"  {name:10s} {mine.sum():4d} designs: median {median:.3f} %, 95th {most:.3f} %,"
                f" largest {worst:.2f} %; within tolerance {kept}"
            )


def swayed(
    project: Project, designs: Designs, operator: str, pack: str, *, even_hand: bool
) -> tuple[np.ndarray, np.ndarray]:
    """Least and most that sessions deliver when a threshold or the cadence moves a little, J."""
    found = []
    for name in ("undervoltage_off_V", "undervoltage_band_V", "overvoltage_off_V", "cadence_rpm"):
        for factor in (1 - SWAY, 1 - SWAY / 2, 1 + SWAY / 2, 1 + SWAY):
            settings = {**designs.settings, name: factor * designs.settings[name]}
            moved = Designs(designs.parts, settings)
            done = session.simulate(project, moved, operator, pack, even_hand=even_hand)
            found.append(done.delivered_energy_J)
    return np.min(found, axis=0), np.max(found, axis=0)


def compare(
    project: Project, designs: Designs, operator: str, pack: str, *, hand: str, which: str
) -> None:
    """Averaged against session."""
    uneven = hand != "even"
    solved = evaluate.solve(project if uneven else even(project, operator), designs, operator, pack)
    fast = solved.session
    slow = session.simulate(project, designs, operator, pack, even_hand=not uneven)
    energy = fast.delivered_J
    counted = (energy > FLOOR_J) | (slow.delivered_energy_J > FLOOR_J)
    counted &= fast.regime != CHATTERING
    share = 0.01
    if uneven:
        margins = rule_margins.margins(project, designs, solved.chain, solved.halves, fast)
        counted &= margins["stroke_ripple_V"] >= 0
        share = 0.03
    off = np.abs(slow.delivered_energy_J - energy) / np.maximum(energy, FLOOR_J)
    allowed = np.maximum(share, FLOOR_J / np.maximum(energy, FLOOR_J))
    rows = np.flatnonzero(counted)
    strays = (fast.regime == CHATTERING) & (slow.delivered_energy_J > FLOOR_J)
    show(
        f"delivered energy, averaged against session, {hand} hand, {which} (goal {share:.0%})",
        off[rows], allowed[rows], fast.regime[rows],
    )  # fmt: skip
    spell_J = slow.delivered_energy_J / np.maximum(slow.openings, 1)
    beyond = rows[off[rows] > allowed[rows]]
    cut = int((off * np.maximum(energy, FLOOR_J) < spell_J)[beyond].sum())
    FIGURES[-1]["less_than_a_spell"] = cut
    print(f"  of the other {len(beyond)}, {cut} differ by less than one spell of the load")
    if beyond.size:
        at = designs.take(beyond), operator, pack
        least, most = swayed(project, *at, even_hand=not uneven)
        slack = (allowed * np.maximum(energy, FLOOR_J))[beyond]
        own = int(((energy[beyond] >= least - slack) & (energy[beyond] <= most + slack)).sum())
        FIGURES[-1]["within_the_sessions_own"] = own
        print(
            f"  {own} lie within what sessions give, a threshold or the cadence moved by {SWAY:.1%}"
        )
    print(f"  left out though the session delivers: {strays.sum()} chattering designs")
    for row in rows[np.argsort(-off[rows])][:8]:
        print(
            f"    worst: row {row}, {REGIMES[fast.regime[row]]} against {REGIMES[slow.regime[row]]}"
            f", {energy[row]:.1f} against {slow.delivered_energy_J[row]:.1f} J,"
            f" {slow.openings[row]} openings"
        )
    both = np.flatnonzero(
        np.isfinite(fast.first_charge_s) & np.isfinite(slow.time_to_first_charge_s) & counted
    )
    first = fast.first_charge_s[both]
    later_s = np.abs(slow.time_to_first_charge_s[both] - first)
    allowed = np.full(len(both), 0.03)
    show(
        f"first charge, {hand} hand, {which} (goal 3 %)", later_s / first, allowed,
        fast.regime[both],
    )  # fmt: skip
    stroke_s = 2 * np.pi / solved.halves.cadence_rad_s[solved.chain.half[both]]
    late = later_s > 0.03 * first
    crest = int((late & (later_s < 1.05 * stroke_s)).sum())
    FIGURES[-1]["less_than_a_stroke"] = crest
    print(f"  of the other {late.sum()}, {crest} differ by no more than a stroke")


def windows(project: Project, designs: Designs, operator: str, pack: str, seed: int) -> None:
    """Session against waveform, one window of time a design, open and closed by turns."""
    rng = np.random.default_rng(seed)
    solved = evaluate.solve(even(project, operator), designs, operator, pack)
    need = {name: value[:, 0] for name, value in solved.chain.demand.fields.items()}
    off, names = [], []
    for row in range(len(designs)):
        closed = bool(row % 2) and np.isfinite(solved.session.first_charge_s[row])
        on_V, idle_V = need["on_V"][row], solved.session.idle_V[row]
        start_V = on_V if closed else rng.uniform(0.2, 0.9) * min(on_V, idle_V)
        about_s = float(np.clip(0.03 * need["capacitance_F"][row], 0.02, 0.4))
        one = designs.take(np.array([row]))
        try:
            fine = waveform.simulate(
                project, one, operator, pack, start_V=start_V, seconds=about_s, closed=closed,
                whole=True,
            )  # fmt: skip
        except ExplorerError as refused:
            print(f"  row {row} left out: {refused}")
            continue
        seconds = fine.seconds
        start = session.Start(np.array([start_V]), closed, seconds)
        coarse = session.simulate(project, one, operator, pack, even_hand=True, start=start)
        terms = coarse.ledger_J
        given = float(terms["crank_work"][0] - sum(terms[name][0] for name in FRONT))
        # A trickle is compared with 1 W, a tenth of what the pack draws: near the no-load voltage
        # the curves of the front half round the foot of an exponential off.
        floor_J = 1.0 * seconds
        off.append(abs(given - fine.bus_energy_J) / max(fine.bus_energy_J, floor_J))
        parts = [
            project.catalogue.parts[link][int(one.parts[link][0])].id
            for link in ("generator", "rectifier", "cell")
        ]
        names.append(
            f"row {row}, {', '.join(parts)}, {'closed' if closed else 'open'} from {start_V:.2f} V:"
            f" {fine.bus_energy_J:.4f} against {given:.4f} J"
        )
    values = np.array(off)
    show(
        "bus energy, session against waveform (goal 1 %)",
        values, np.full(len(values), 0.01), np.full(len(values), -2),
    )  # fmt: skip
    for row in np.argsort(-values)[:8]:
        print(f"    worst: {100 * values[row]:.2f} %, {names[row]}")


def main() -> None:
    """Compare over random designs."""
    asked = bench_results.asked(__doc__, designs=160, windows=50, seed=11, sound=60)
    count, watched, seed = asked.designs, asked.windows, asked.seed
    project = load(DEMO)
    designs = Space.of(project).draw(count, np.random.default_rng(seed))
    operator, pack = project.study.session.operators[0], project.study.session.packs[0]
    drawn = Space.of(project).draw(DRAWN_PER_SOUND * asked.sound, np.random.default_rng(seed + 1))
    keeping = np.flatnonzero(evaluate.evaluate(project, drawn).feasible)[: asked.sound]
    for which, some in (("any", designs), ("keeping every rule", drawn.take(keeping))):
        for hand in ("even", "uneven"):
            compare(project, some, operator, pack, hand=hand, which=which)
    began = time.perf_counter()
    windows(project, designs.take(np.arange(min(watched, count))), operator, pack, seed)
    print(f"\n{watched} windows in {time.perf_counter() - began:.0f} s")
    bench_results.write(asked.json, FIGURES)


if __name__ == "__main__":
    main()
