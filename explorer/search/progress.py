"""How far a search has come: what is kept between launches, what is shown, what it comes to."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields, replace
from typing import TYPE_CHECKING, Any, NamedTuple

from explorer.search.boxes import Box

if TYPE_CHECKING:
    from explorer.search.sweep import BlockResult


class Step(NamedTuple):
    """Where a search stands, for whoever shows progress."""

    stage: str
    done: int
    total: int
    feasible: int


Watch = Callable[[Step], None]


def unwatched(step: Step) -> None:
    """Show nothing."""


@dataclass(frozen=True)
class Piece:
    """A box that is swept: the blocks that are done, and what they held.

    `cut` is how many front halves a block has; blocks of another cut count for nothing.
    """

    box: Box
    blocks: tuple[int, ...] = ()
    cut: int = 0
    feasible: int = 0
    swept: int = 0


@dataclass(frozen=True)
class SearchState:
    """Where a study's search stands, as the store keeps it.

    `swept` and `sampled` are the combinations covered so far, `known` those that earlier sweeps of
    other searches had covered before; `feasible` is exact where `counted`, else a lower bound.
    `pieces` is None before the sweep was planned. `rate` is in combinations a second. `sampling`
    says where a sampled search stands: `first`, the number of the last block that it started from,
    and the fields of its `sample.Waymark`.
    """

    pieces: tuple[Piece, ...] | None = None
    swept: int = 0
    known: int = 0
    feasible: int = 0
    counted: bool = True
    evaluated: int = 0
    sampled: int = 0
    seconds: float = 0.0
    history: tuple[tuple[int, float], ...] = ()
    finished: bool = False
    rate: float | None = None
    yardstick: Mapping[str, Any] | None = None
    sampling: Mapping[str, Any] | None = None

    @classmethod
    def read(cls, kept: Mapping[str, Any]) -> SearchState:
        """From what `kept` gives, and {} where there was none; unknown keys are passed over."""
        values = _known(cls, kept)
        pieces = values.get("pieces")
        if pieces is not None:
            held = (_known(Piece, {**one, "blocks": tuple(one["blocks"])}) for one in pieces)
            values["pieces"] = tuple(Piece(**one) for one in held)
        values["history"] = tuple((n, v) for n, v in values.get("history", ()))
        return cls(**values)

    @property
    def kept(self) -> dict[str, Any]:
        """As plain values."""
        return asdict(self)

    @property
    def covered(self) -> int:
        """Combinations that lie behind the search without sampling."""
        return self.swept + self.known

    def with_piece(self, number: int, piece: Piece) -> SearchState:
        """One of the pieces as it stands now, with all that follows for the whole."""
        before = (self.pieces or ())[number]
        pieces = (*(self.pieces or ())[:number], piece, *(self.pieces or ())[number + 1 :])
        return replace(
            self,
            pieces=pieces,
            swept=self.swept + piece.swept - before.swept,
            feasible=self.feasible + piece.feasible - before.feasible,
        )

    def with_block(self, number: int, result: BlockResult, seconds: float) -> SearchState:
        """A block of a piece done, after so many seconds in all."""
        piece = (self.pieces or ())[number]
        grown = replace(
            piece,
            blocks=(*piece.blocks, result.number),
            feasible=piece.feasible + result.feasible,
            swept=piece.swept + result.considered,
        )
        state = self.with_piece(number, grown)
        return replace(state, evaluated=self.evaluated + result.solved, seconds=seconds)


def _known(record: type[Any], kept: Mapping[str, Any]) -> dict[str, Any]:
    """What a record has fields for."""
    return {one.name: kept[one.name] for one in fields(record) if one.name in kept}


@dataclass
class Summary:
    """What a search came to; all of it can be written as JSON."""

    method: str = ""
    why: str = ""
    sampler: str = ""
    seed: int = 0
    combinations: int = 0
    """All that the study allows, continuous settings at their sweep points."""
    combinations_covered: int = 0
    designs_considered: int = 0
    designs_feasible: int = 0
    designs_evaluated: int = 0
    exact: bool = False
    feasible_counted: bool = True
    """Whether `designs_feasible` is their number; else there are at least so many."""
    share_covered: float = 0.0
    swept_per_second: float | None = None
    """Combinations a second that this study's sweep was seen to cover."""
    seconds: float = 0.0
    resumed: bool = False
    hypervolume: float = 0.0
    hypervolume_history: Sequence[tuple[int, float]] = field(default_factory=list)
    yardstick: Mapping[str, Any] | None = None
    reuse: list[str] = field(default_factory=list)


class Clock(NamedTuple):
    """When a search began, and how long it may take."""

    begun: float
    limit_s: float

    @property
    def spent_s(self) -> float:
        """Seconds since it began."""
        return time.monotonic() - self.begun

    @property
    def spent(self) -> float:
        """Share of the limit that is over."""
        return self.spent_s / self.limit_s


class Pace:
    """How fast combinations are covered, from the first block that came back on: what comes before
    is the start of processes.
    """

    def __init__(self, blocks: int) -> None:
        self.blocks = blocks
        self.seen: tuple[float, int] | None = None

    def at(self, swept: int) -> float | None:
        """Combinations a second once `swept` are covered, None before enough blocks came back."""
        now = time.monotonic()
        if self.seen is None:
            self.seen = now, swept
        self.blocks -= 1
        begun, before = self.seen
        return (swept - before) / (now - begun) if self.blocks < 0 and now > begun else None
