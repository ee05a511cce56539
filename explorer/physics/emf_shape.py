"""The shape of an alternating EMF: signed odd harmonics over the fundamental, and what they do."""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np

from explorer.units import Array

QUARTER_POINTS = 20_001
"""Angles of a quarter period at which the highest is looked for: right to 1e-7."""


class Shape(NamedTuple):
    """`sin x + h3 sin 3x + h5 sin 5x + h7 sin 7x`, over the amplitude of the fundamental.

    A share above 0 rises with the fundamental where that passes zero. Symmetric machines have no
    other phases, so both half waves are alike and mirror themselves at the crest.
    """

    h3: float = 0.0
    h5: float = 0.0
    h7: float = 0.0

    def at(self, angle: Array) -> Array:
        """The EMF at electrical angles in rad, over the amplitude of its fundamental."""
        emf = np.sin(angle)
        for order, share in ((3, self.h3), (5, self.h5), (7, self.h7)):
            if share:
                emf = emf + share * np.sin(order * angle)
        return np.asarray(emf)

    @property
    def peak(self) -> float:
        """Highest of the wave over the amplitude of its fundamental."""
        return _peak(self)

    @property
    def rms(self) -> float:
        """True rms over that of the fundamental alone (Parseval's theorem)."""
        return float(np.sqrt(1 + self.h3**2 + self.h5**2 + self.h7**2))

    @property
    def in_open_star(self) -> Shape:
        """What drives currents where three phases meet in a star point that leads nowhere: thirds
        of all phases are equal at any instant, and only lift that point.
        """
        return Shape(0.0, self.h5, self.h7)

    @property
    def between_leads(self) -> Shape:
        """Between two leads of a star, over sqrt(3) times a phase's fundamental: thirds cancel,
        fifths and sevenths change their sign (derived: `sin nx - sin n(x - 120 deg)`). And the
        other way round: the phases of the star that stands for a triangle of such windings.
        """
        return Shape(0.0, 0.0 - self.h5, 0.0 - self.h7)


SINE = Shape()


@lru_cache(maxsize=1024)
def _peak(shape: Shape) -> float:
    quarter = np.linspace(0.0, np.pi / 2, QUARTER_POINTS)
    return float(np.abs(shape.at(quarter)).max())
