"""Why a locked design does not stand, or what to know about it: each reason a name with numbers.

`Reason.words` puts it into a sentence, which nothing reads back.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

from explorer.model.rules import RULES

ReasonKind = Literal[
    "rule", "unnamed_rules", "cost", "not_chosen", "no_row", "no_price", "no_stock", "other_data",
    "kits", "numbers_of_the_lock",
]  # fmt: skip


class Reason(NamedTuple):
    """One reason behind a verdict.

    `kind` decides what the other fields mean:

    - rule: rule `name` is broken by `amount`, in `unit`
    - unnamed_rules: a rule of physics is broken, the margins say which
    - cost: it costs `amount` more than the study's limit, in `unit`
    - not_chosen, no_row, no_price: the part `name` of `link` is not among the study's choices, in
      no table, without a price
    - no_stock: `amount` pieces of the part `name` of `link` are lacking, no supplier has so many
    - other_data: it was locked under other data, `name` says which
    - kits: it was priced for `amount` kits, the study builds `today`
    - numbers_of_the_lock: its numbers are recorded ones that no longer hold
    """

    kind: ReasonKind
    name: str = ""
    link: str = ""
    amount: float = 0.0
    unit: str = ""
    today: int = 0

    @property
    def words(self) -> str:
        """The reason as a person reads it."""
        part = f"{self.link} {self.name}"
        match self.kind:
            case "rule":
                return self._rule_words()
            case "unnamed_rules":
                return "it breaks a rule of physics, see its margins"
            case "cost":
                return f"it costs {self.amount:,.2f} {self.unit} more than the study's limit"
            case "not_chosen":
                return f"{part} is no longer among the study's choices"
            case "no_row":
                return f"{part} is no longer in its table"
            case "no_price":
                return f"{part} has no price any more"
            case "no_stock":
                return (
                    f"{part} is sold out: no supplier has the {self.amount:,.0f} that are lacking"
                )
            case "other_data":
                return f"locked under other data: {self.name}"
            case "kits":
                return (
                    f"its price on the day of the lock was for building {self.amount:,.0f}, not "
                    f"{self.today:,}"
                )
            case "numbers_of_the_lock":
                return "its numbers are those of the lock, not of today's tables"

    def _rule_words(self) -> str:
        rule = RULES.get(self.name)
        if rule is None:
            return (
                f"it breaks {self.name} by {self.amount:.4g}, a rule that this release does not "
                "know"
            )
        meaning = rule.description.rstrip(".")
        return f"it breaks {self.name} by {self.amount:.4g} {self.unit} ({meaning})"


def broken_rule(name: str, margin: float) -> Reason:
    """The reason that a margin below 0 gives."""
    rule = RULES.get(name)
    return Reason("rule", name, amount=-margin, unit="" if rule is None else rule.unit)
