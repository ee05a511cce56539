"""The averaged session against a plain twin that integrates each chain through time.

The twin (chain_twin.py) shares the records of parts and the bridge with the package, nothing else.
It walks the mean of a stroke; what the ripple adds is held against sessions stepped through time,
in `test_stroke.py`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from explorer.model.averaged import Session
from explorer.model.chain import LEDGER, Chain
from explorer.model.walks import walk

from explorer.inputs.study import Project
from explorer.model import averaged
from explorer.model.evaluate import ledger, solve
from explorer.model.regimes import CYCLING, REGIMES, STEADY
from explorer.model.space import Designs, Space
from tests.helpers.chain_twin import Outcome, Twin
from tests.helpers.chains import smooth

CLOSE = 0.005
"""What energy, first charge and effort may differ by: half a percent, asked of this fidelity."""
CORNER = 0.04
"""The front half is read along lines, which cut the corner where the hand goes from its limit to
its cadence; who rests there is off by up to a few percent."""
SHIFTS_V = (-0.1, -0.03, 0.03, 0.1)
"""A chain on the verge of another regime answers any small change greatly. Where a design differs
by yet more, the difference must be no more than a bus voltage up to 0.1 V off explains: a third of
the steps of those lines, which is what one over the last trickle below no load is off by."""
EXCUSED_SHARE = 0.1
"""At most every tenth design may need one of these excuses."""


@dataclass
class Compared:
    """One case of a study solved, and the rows to hold against the twin."""

    project: Project
    designs: Designs
    pack: str
    chain: Chain
    session: Session
    rows: list[int]

    def twin(self, row: int, shift_V: float = 0.0) -> Outcome:
        return Twin.of_design(
            self.project, self.designs, row, pack=self.pack, shift_V=shift_V
        ).session()


def compared(project: Project, pack: str, each: int, seed: int) -> Compared:
    """`each` random designs of every regime whose load the bus can carry down to switching off.

    The others break a rule about the converter, and what they deliver has no meaning.
    """
    designs = Space.of(project).draw(40 * each, np.random.default_rng(seed))
    chain = smooth(solve(project, designs, project.study.session.operators[0], pack).chain)
    done = averaged.session(chain, 60 * project.study.session.minutes)
    load = chain.demand.load(chain.demand["off_V"])
    rows: list[int] = []
    for regime in range(len(REGIMES)):
        able = np.flatnonzero((done.regime == regime) & load.sustained[:, 0])
        rows += able[:each].tolist()
    return Compared(project, designs, pack, chain, done, rows)


def numbers(delivered_J: float, first_s: float, effort: float) -> np.ndarray:
    return np.array([delivered_J, min(first_s, 1e9), effort])


def hold(case: Compared) -> None:
    """Every row's numbers are the twin's, or what the twin makes of a slightly other voltage."""
    done, excused = case.session, []
    for row in case.rows:
        ours = numbers(done.delivered_J[row], done.first_charge_s[row], done.effort[row])
        twin = case.twin(row)
        theirs = numbers(twin.delivered_J, twin.first_charge_s, twin.effort_percent)
        # Half a joule, 20 ms and 0.02 % of effort count as nothing.
        slack = CLOSE * theirs + [0.5, 0.02, 0.02]
        same = twin.regime in (None, REGIMES[done.regime[row]])
        if same and np.all(np.abs(ours - theirs) <= slack):
            continue
        excused.append(row)
        if same and np.all(np.abs(ours - theirs) <= CORNER * theirs):
            continue
        others = [case.twin(row, shift) for shift in SHIFTS_V]
        some = np.array(
            [theirs, *(numbers(o.delivered_J, o.first_charge_s, o.effort_percent) for o in others)]
        )
        assert same or REGIMES[done.regime[row]] in [o.regime for o in others], row
        assert np.all(ours >= some.min(axis=0) - slack), (row, ours, some)
        assert np.all(ours <= some.max(axis=0) + slack), (row, ours, some)
    assert len(excused) <= EXCUSED_SHARE * len(case.rows) + 1, excused


@pytest.mark.parametrize("pack", ["telemetry_pack", "regulating_pack", "retrying_pack"])
def test_small_study_against_the_twin(small_project: Project, pack: str) -> None:
    hold(compared(small_project, pack, 2, 20))


def test_demo_study_against_the_twin(demo_project: Project) -> None:
    hold(compared(demo_project, "telemetry_pack", 2, 21))


ON_A_VERGE = pytest.mark.xfail(
    strict=True,
    reason="one chain whose pack waits while the bus climbs past the overvoltage threshold: the "
    "filter lets it cycle for ever (5,874 J), the twin floods at once (541 J), the session after "
    "22 cycles (5,211 J); which is right is not known yet",
)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("study", "pack"),
    [
        ("small", "telemetry_pack"),
        ("small", "regulating_pack"),
        ("small", "retrying_pack"),
        ("demo", "telemetry_pack"),
        ("demo", "regulating_pack"),
        pytest.param("demo", "retrying_pack", marks=ON_A_VERGE),
    ],
)
def test_many_designs_against_the_twin(
    small_project: Project, demo_project: Project, study: str, pack: str
) -> None:
    hold(compared({"small": small_project, "demo": demo_project}[study], pack, 40, 22))


def test_every_term_of_the_ledger_against_the_twin(small_project: Project) -> None:
    """Work at the crank there is torque times speed integrated, here the sum of all that it did."""
    case = compared(small_project, "telemetry_pack", 2, 23)
    ours = ledger(case.chain, case.session)
    for row in case.rows:
        twin = case.twin(row)
        if twin.regime is None:
            continue
        assert set(twin.energies_J) == {"crank_work", *LEDGER}
        rest = sum(energy for name, energy in twin.energies_J.items() if name != "crank_work")
        # The twin reads powers between voltages 20 mV apart along lines: 1e-4 of the work.
        assert rest == pytest.approx(twin.energies_J["crank_work"], rel=1e-4, abs=0.01)
        for name, energy in twin.energies_J.items():
            told = float(ours[name][row])
            # What a current half a percent off does to the work; and two percent of the term, since
            # a clamp or the copper near no load stands on the steep end of the curves.
            work = twin.energies_J["crank_work"]
            assert told == pytest.approx(energy, rel=0.02, abs=0.005 * work), (row, name)


def test_cycle_time_against_the_twin(small_project: Project) -> None:
    case = compared(small_project, "telemetry_pack", 5, 24)
    told = 0
    for row in case.rows:
        if case.session.regime[row] != CYCLING:
            continue
        twin = case.twin(row)
        # Cycles below a tenth of a second hang on millivolts of spring-back, and break a rule.
        if 0.1 < twin.cycle_s < np.inf:
            told += 1
            # A cycle stands between two small currents: two percent.
            assert float(case.session.cycle_s[row]) == pytest.approx(twin.cycle_s, rel=0.02)
    assert told >= 3


def test_steady_bus_is_where_the_twin_ends(small_project: Project) -> None:
    case = compared(small_project, "telemetry_pack", 4, 25)
    rows = [row for row in case.rows if case.session.regime[row] == STEADY]
    assert len(rows) == 4
    for row in rows:
        # Two steps of the twin's grid, and the last hundredth of the approach.
        twin = case.twin(row)
        assert float(case.session.hold_V[row]) == pytest.approx(twin.end_bus_V, abs=0.05)


def test_all_regimes_occur(small_project: Project) -> None:
    """Otherwise the checks above would prove less than they say."""
    case = compared(small_project, "telemetry_pack", 4, 20)
    assert len(case.rows) == 4 * len(REGIMES)


def test_a_bank_filled_to_just_below_no_load_takes_the_time_of_its_integral(
    demo_project: Project,
) -> None:
    """Time is the integral of capacitance over net current, here by a fine rule on fine curves.

    Up to where a hundredth, and a thousandth, of the current is left, at the foot of the diodes'
    exponential: a walk of few steps over few nodes was a third off there.
    """
    designs = Space.of(demo_project).draw(150, np.random.default_rng(12))
    case = demo_project.study.session.operators[0], demo_project.study.session.packs[0]
    chain, fine = (
        smooth(solve(demo_project, designs, *case, nodes=nodes).chain) for nodes in (160, 2560)
    )
    need, share = fine.demand, np.linspace(0.0, 1.0, 20_001)
    scan_V = share * fine.supply.top_V[fine.half][:, None]
    scan_A = fine.net_current(scan_V, "open")
    off = []
    for left in (0.01, 0.001):
        dies = (scan_A < left * scan_A.max(axis=1, keepdims=True)) & (scan_V > 1.0)
        to_V = scan_V[np.arange(150), np.maximum(dies.argmax(axis=1) - 1, 1)]
        volts = 0.2 + (to_V - 0.2)[:, None] * share
        net_A = fine.net_current(volts, "open")
        inner = np.maximum.accumulate(volts - need["esr_ohm"] * net_A, axis=1)
        rate = (1 / net_A[:, 1:] + 1 / net_A[:, :-1]) / 2
        seconds = (need["capacitance_F"] * np.diff(inner, axis=1) * rate).sum(axis=1)
        told = walk(chain, np.full(150, 0.2), to_V, "open").total_s()
        # Nearer to the voltage where drains take all a bank never gets, or only almost.
        drains_A = fine.taken_A(to_V[:, None], "open")[:, 0]
        sound = (net_A > 0).all(axis=1) & (to_V > 1) & (net_A[:, -1] > drains_A)
        assert sound.sum() > 30
        off.append(np.abs(told / seconds - 1)[sound])
    # Nodes a quarter of an e-fold apart: a chord over an exponential is half a percent high there.
    assert np.quantile(off[0], 0.9) < 0.005
    assert np.quantile(off[1], 0.9) < 0.01
    assert max(map(np.max, off)) < 0.02
