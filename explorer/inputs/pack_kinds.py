"""The kinds of battery pack that a table may hold: one row a kind, how it draws and reconnects.

To add a kind, add its row. Everything else reads the row: nothing compares a kind's name.
"""

from __future__ import annotations

from dataclasses import dataclass

NONE: frozenset[str] = frozenset()


@dataclass(frozen=True)
class PackKind:
    """How one kind of pack behaves at the end of its lead.

    `holds_input`: it lowers its current so far that its input stays at the pack's `hold_V`, and so
    takes less where the input current limit or the bus gives way; other kinds take `current_A` or
    nothing. `waits_to_connect`: with its supply back, it takes nothing for `retry_s` before it
    draws again. `unbound`: names of rules that such a pack cannot break.
    """

    name: str
    about: str
    holds_input: bool = False
    waits_to_connect: bool = False
    unbound: frozenset[str] = NONE


PACK_KINDS: dict[str, PackKind] = {
    kind.name: kind
    for kind in (
        PackKind("steady", "draws its current"),
        PackKind(
            "regulating",
            "draws less to hold its input",
            holds_input=True,
            unbound=frozenset({"converter_current_A", "pack_input_V"}),
        ),
        PackKind("retrying", "drops out, waits, tries again", waits_to_connect=True),
    )
}
"""Kinds by name."""
