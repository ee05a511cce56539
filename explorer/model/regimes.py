"""How a chain can run over a session: one row a regime, with its words, read by everything."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Regime:
    """One regime.

    `description` completes "the chain ..."; `delivers` is whether the pack gains anything;
    `keeps_delivering` whether it does so for as long as somebody cranks; `caution` warns of a
    regime whose numbers mislead, in a sentence, empty for the others.
    """

    name: str
    description: str
    delivers: bool = True
    keeps_delivering: bool = True
    caution: str = ""


TABLE: tuple[Regime, ...] = (
    Regime(
        "starved",
        "never starts: the bank stays below switch-on",
        delivers=False,
        keeps_delivering=False,
        caution="Never starts: the bank does not reach the switch-on voltage.",
    ),
    Regime("cycling", "charges in bursts: the bank fills, empties into the pack and fills again"),
    Regime("steady", "runs steadily: what the hand gives, the pack takes"),
    Regime(
        "flooded",
        "overfills: one burst, then nothing until the load returns",
        keeps_delivering=False,
        caution="Delivers one burst, then nothing until the load returns: the bank overfills.",
    ),
    Regime("chattering", "chatters: its own load step switches the window off again"),
)
"""In the order of the numbers that results keep: a stored number is a place in this table."""

REGIMES = tuple(regime.name for regime in TABLE)
BY_NAME = {regime.name: regime for regime in TABLE}
STARVED, CYCLING, STEADY, FLOODED, CHATTERING = range(len(TABLE))
