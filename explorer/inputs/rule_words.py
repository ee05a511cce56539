"""The rules that records check, in the words of this package."""

from __future__ import annotations

from typing import Any

_RULES = {
    "missing": "must be filled in",
    "float_parsing": "must be a number",
    "float_type": "must be a number",
    "int_parsing": "must be a whole number",
    "int_type": "must be a whole number",
    "int_from_float": "must be a whole number",
    "int_parsing_size": "must be a whole number of usual size",
    "finite_number": "must be a finite number",
    "bool_type": "must be true or false",
    "string_type": "must be text in quotes",
    "too_short": "must not be empty",
    "string_too_short": "must not be empty",
    "list_type": "must be a list in brackets",
    "tuple_type": "must be a list in brackets",
    "dict_type": "must be a table",
    "model_type": "must be a table",
    "date_type": "must be a date such as 2026-11-25, without quotes",
}
_PATTERNS = {
    r"^[a-z][a-z0-9_]{0,47}$": (
        "must be lower-case letters, digits and _, a letter first, at most 48"
    ),
    r"^[A-Z]{3}$": "must be a currency code of three capitals",
}


def rule_of(found: Any) -> str:
    """The rule that a pydantic error stands for, in the words of this package."""
    kind, context = found["type"], found.get("ctx", {})
    if kind == "string_pattern_mismatch":
        return _PATTERNS.get(context["pattern"], f"must match {context['pattern']}")
    if kind in _RULES:
        return _RULES[kind]
    message = str(found["msg"]).removeprefix("Value error, ").replace("Input should be", "must be")
    message = message.replace("String should", "must").replace("Tuple should", "must")
    return message.replace("greater than or equal to", "at least").replace(
        "less than or equal to", "at most"
    )
