"""Converter: the fit against another library, the intake against root finding."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq, lsq_linear, nnls

from explorer.physics import converter

NAMES = (
    "loss_W", "loss_per_input_V", "loss_per_input_A", "loss_per_input_A2", "loss_per_output_A",
    "loss_per_output_A2",
)  # fmt: skip
# Efficiency at .1 .5 1 1.5 A out by input voltage: buck-boost class values, from memory, as the
# reference table has them; nothing is given for 1.5 A from 4 V.
MEMORY = {
    4.0: (0.80, 0.86, 0.84),
    6.0: (0.85, 0.91, 0.91, 0.89),
    9.0: (0.82, 0.90, 0.90, 0.88),
    12.0: (0.78, 0.88, 0.89, 0.87),
}
POINTS = np.array(
    [
        (volts, amps, eta)
        for volts, row in MEMORY.items()
        for amps, eta in zip((0.1, 0.5, 1.0, 1.5), row, strict=False)
    ]
)


def fitted() -> converter.LossFit:
    return converter.fit_loss(*POINTS.T, 5.0)


def test_fit_finds_what_bounded_least_squares_finds() -> None:
    """SciPy's `lsq_linear` with bounds is another method for the same convex problem."""
    volts, amps, eta = POINTS.T
    taken = 5 * amps / eta / volts
    terms = np.stack([np.ones_like(volts), volts, taken, taken**2, amps, amps**2], axis=1)
    loss, input_W = 5 * amps * (1 / eta - 1), 5 * amps / eta
    other = lsq_linear(terms / input_W[:, None], loss / input_W, bounds=(0, np.inf), tol=1e-14)
    # Convex: equal residuals mean the same optimum, to the solvers' tolerances.
    off = (terms @ np.array(fitted()[:6]) - loss) / input_W
    assert np.sum(off**2) == pytest.approx(2 * other.cost, rel=1e-4)


def test_fit_describes_the_class() -> None:
    """Six terms that can only grow cannot follow the best point near the output voltage.

    A buck-boost is at its best around 6 V, where it neither steps far up nor far down. The fit
    splits that difference: at most three points of efficiency at any load, one and a half on the
    mean. Those are read off a table in steps of one point.
    """
    fit = fitted()
    volts, amps, eta = POINTS.T
    taken = converter.intake(
        volts, 5 * amps, amps, on_resistance_ohm=0.0, **dict(zip(NAMES, fit[:6], strict=True))
    )
    error = 5 * amps / (volts * taken.current_A) - eta
    assert np.abs(error).max() < 0.03
    assert np.abs(error).mean() < 0.016
    assert fit.fit_error_efficiency == pytest.approx(np.abs(error).max())
    # The error that is shown is that of the loss, which the efficiencies here give back.
    lost = 5 * amps / eta - 5 * amps
    terms = np.stack(
        [np.ones_like(volts), volts, 5 * amps / eta / volts, (5 * amps / eta / volts) ** 2,
         amps, amps**2]
    )  # fmt: skip
    assert fit.fit_error_W == pytest.approx(np.sqrt(np.mean((fit[:6] @ terms - lost) ** 2)))


def test_fit_gives_back_a_polynomial_of_its_own_kind() -> None:
    truth = (0.12, 0.006, 0.08, 0.05, 0.09, 0.04)
    volts, amps = (grid.ravel() for grid in np.meshgrid([3, 4, 6, 9, 12.0], [0.1, 0.5, 1, 1.5, 2]))
    taken = converter.intake(
        volts, 5 * amps, amps, on_resistance_ohm=0.0, **dict(zip(NAMES, truth, strict=True))
    )
    fit = converter.fit_loss(volts, amps, 5 * amps / (volts * taken.current_A), 5.0)
    np.testing.assert_allclose(fit[:6], truth, rtol=1e-6)
    assert fit.fit_error_W < 1e-9
    assert fit.fit_error_efficiency < 1e-9


def test_a_fit_foretells_a_point_that_was_left_out() -> None:
    """Each of the demo's bench points from the others of its converter: no term is overfitted.

    Bench points come in steps of a thousandth; between two of them a law of six terms is as good
    as at them within a factor of two (it extrapolates where a corner is left out).
    """
    table = Path(__file__).parents[2] / "studies" / "bench" / "converter_points.csv"
    with table.open() as lines:
        rows = list(csv.DictReader(lines))
    for name in {row["converter"] for row in rows}:
        points = np.array(
            [
                [float(row[field]) for field in ("input_V", "output_A", "efficiency")]
                for row in rows
                if row["converter"] == name
            ]
        )
        fit, off = converter.fit_loss(*points.T, 5.1), []
        assert fit.fit_error_efficiency < 0.011
        for row, (volts, amps, eta) in enumerate(points):
            others = converter.fit_loss(*np.delete(points, row, axis=0).T, 5.1)
            taken = converter.intake(
                volts, 5.1 * amps, amps, on_resistance_ohm=0.0,
                **dict(zip(NAMES, others[:6], strict=True)),
            )  # fmt: skip
            off.append(abs(5.1 * amps / (volts * float(taken.current_A)) - eta))
        assert np.sqrt(np.mean(np.square(off))) < 0.008


@pytest.mark.parametrize(
    ("points", "says"),
    [(POINTS[:5], "at least 6"), (np.vstack([POINTS[:6], [5, 1, 1.01]]), "between 0 and 1")],
)
def test_fit_refuses(points: np.ndarray, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        converter.fit_loss(*points.T, 5.0)


loss = st.tuples(
    *(st.one_of(st.just(0.0), st.floats(1e-6, most)) for most in (0.5, 0.05, 0.3, 0.2, 0.2, 0.1))
)


@settings(deadline=None)
@given(
    volts=st.floats(2.7, 22),
    amps=st.one_of(st.just(0.0), st.floats(1e-6, 3)),
    ohm=st.sampled_from([0.0, 0.03, 0.5]),
    terms=loss,
)
def test_intake_solves_the_power_balance(
    volts: float, amps: float, ohm: float, terms: tuple[float, ...]
) -> None:
    """(V - R I) I = output + loss, by Brent's method from light load up to the power maximum."""
    named = dict(zip(NAMES, terms, strict=True))
    taken = converter.intake(volts, 5 * amps, amps, on_resistance_ohm=ohm, **named)

    def balance(current: float) -> float:
        behind = volts - ohm * current
        lost = terms[0] + terms[1] * behind + terms[2] * current + terms[3] * current**2
        lost += terms[4] * amps + terms[5] * amps**2
        return behind * current - 5 * amps - lost

    # The balance is a parabola in the current: its top is where it can be sustained if anywhere.
    square = ohm + terms[3]
    top = (volts + terms[1] * ohm - terms[2]) / (2 * square) if square else 1e6
    if balance(top) < 0:
        assert not taken.sustained
        assert float(taken.current_A) == pytest.approx(top, rel=1e-9)
        return
    assert taken.sustained
    root = brentq(balance, 0.0, top, xtol=1e-12)
    # Near the top the root is as uncertain as the square root of rounding.
    assert float(taken.current_A) == pytest.approx(root, rel=1e-6, abs=1e-9)
    into = volts * float(taken.current_A)
    out = 5 * amps + float(taken.converter_loss_W) + float(taken.window_loss_W)
    assert out == pytest.approx(into, rel=1e-9, abs=1e-9)
    assert 5 * amps <= into * (1 + 1e-12)


@given(amps=st.floats(0.05, 2), terms=loss)
def test_less_voltage_takes_more_current(amps: float, terms: tuple[float, ...]) -> None:
    """A constant-power load has negative resistance: the reason for windows (textbook)."""
    # The quiescent term per volt can outweigh it at light load; without it the sign is certain.
    named = dict(zip(NAMES, (terms[0], 0.0, *terms[2:]), strict=True))
    volts = np.linspace(3, 20, 40)
    taken = converter.intake(volts, 5 * amps, amps, on_resistance_ohm=0.05, **named)
    assert np.all(np.diff(taken.current_A[taken.sustained]) < 0)


def test_least_bus_is_where_intake_gives_up() -> None:
    """Bisection on what `intake` itself calls sustained, over random converters."""
    rng = np.random.default_rng(8)
    count = 200
    laws = {
        "on_resistance_ohm": rng.uniform(0.0, 0.3, count),
        "loss_W": rng.uniform(0.0, 1.0, count),
        "loss_per_input_V": rng.uniform(0.0, 0.05, count),
        "loss_per_input_A": rng.uniform(0.0, 0.5, count),
        "loss_per_input_A2": rng.uniform(0.001, 0.2, count),
        "loss_per_output_A": rng.uniform(0.0, 0.3, count),
        "loss_per_output_A2": rng.uniform(0.0, 0.1, count),
    }
    output_W, output_A = rng.uniform(0.0, 15.0, count), rng.uniform(0.0, 3.0, count)
    low, high = np.zeros(count), np.full(count, 60.0)
    for _ in range(50):
        middle = (low + high) / 2
        able = converter.intake(middle, output_W, output_A, **laws).sustained
        low, high = np.where(able, low, middle), np.where(able, middle, high)
    np.testing.assert_allclose(
        converter.least_bus(output_W, output_A, **laws), high, rtol=1e-9, atol=1e-9
    )


@pytest.mark.parametrize("seed", range(40))
def test_non_negative_least_squares_are_those_of_scipy(seed: int) -> None:
    """Of random terms, of nearly dependent ones, and of terms of very different size."""
    rng = np.random.default_rng(seed)
    terms = rng.normal(size=(6 + seed % 9, 6))
    if seed % 3 == 1:
        terms = np.abs(terms)
        terms[:, 3] = terms[:, 2] * (1 + 1e-6 * rng.normal(size=len(terms)))
    if seed % 3 == 2:
        terms = np.abs(terms) * 10.0 ** rng.integers(-4, 5, 6)
    values = terms @ np.maximum(rng.normal(size=6), 0) + 0.1 * rng.normal(size=len(terms))
    expected, residual = nnls(terms, values)
    found = converter.non_negative_least_squares(terms, values)
    assert (found >= 0).all()
    assert np.linalg.norm(terms @ found - values) <= residual * (1 + 1e-9) + 1e-12
    np.testing.assert_allclose(terms @ found, terms @ expected, rtol=1e-7, atol=1e-9)
