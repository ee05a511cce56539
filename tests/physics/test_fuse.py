"""Fuses of the usual series."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from explorer.physics import fuse


def test_the_series_is_r10() -> None:
    """ISO 3: the tenth-root series 1, 1.25, 1.6, 2, 2.5, 3.15, 4, 5, 6.3, 8 (from memory)."""
    exact = 10 ** (np.arange(-3, 16) / 10)
    assert np.abs(np.array(fuse.FUSES_A) / exact - 1).max() < 0.016
    assert len(fuse.FUSES_A) == len(exact)


@given(st.floats(0.01, 60))
def test_a_fuse_carries_its_current_and_is_the_least(current_A: float) -> None:
    rated = float(fuse.rated_for(current_A))
    assert rated >= current_A
    smaller = [one for one in fuse.FUSES_A if one < rated]
    assert not smaller or smaller[-1] < current_A


@given(st.floats(0.01, 31))
def test_what_flows_for_long_finds_a_fuse_within_the_rating(rating_A: float) -> None:
    """The largest fuse that protects a rating carries what is said; any more asks for a larger one,
    which no longer protects it."""
    carries = float(fuse.carried_within(rating_A))
    if carries:
        assert float(fuse.rated_for(fuse.FUSE_FACTOR * carries * (1 - 1e-12))) <= rating_A
    assert float(fuse.rated_for(fuse.FUSE_FACTOR * carries * 1.001 + 1e-9)) >= min(rating_A, 0.5)
    assert float(fuse.rated_for(max(rating_A, 0.5) * 1.26)) > rating_A


@pytest.mark.parametrize(("rating", "carried"), [(2.4, 2.0 / 1.5), (6.0, 5 / 1.5), (0.4, 0.0)])
def test_worked_by_hand(rating: float, carried: float) -> None:
    assert float(fuse.carried_within(rating)) == pytest.approx(carried)
