"""Names of designs that a person can say and type, made of the same digits as their ids."""

from __future__ import annotations

import re
from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from explorer.errors import Fault, InputError
from explorer.inputs.csv_tables import shown

LETTERS = "23456789ACDEFGHJKMNPQRTUVWXY"
"""Digits and letters of which none looks like another: without 0, O, 1, I and L; of 2 and Z, 5 and
S, 8 and B the digit only."""
LENGTH, GROUP = 8, 4
COUNT = len(LETTERS) ** LENGTH
"""How many names there are: 378 thousand million."""
ID_BITS = 48
_ID = re.compile(r"[0-9a-f]{12}")


def name_of(design_id: str) -> str:
    """The name of a design by its id of 12 hexadecimal digits; what is no such id stays as it is.

    Names rise with ids, in equal steps, so a name stands for a range of some hundred ids.

    >>> name_of("000000000000"), name_of("ffffffffffff")
    ('2222-2222', 'YYYY-YYYY')
    """
    if not _ID.fullmatch(design_id):
        return design_id
    rest = int(design_id, 16) * COUNT >> ID_BITS
    letters = []
    for _ in range(LENGTH):
        rest, digit = divmod(rest, len(LETTERS))
        letters.append(LETTERS[digit])
    word = "".join(reversed(letters))
    return f"{word[:GROUP]}-{word[GROUP:]}"


def code_of(text: str) -> int | None:
    """The number of a name as somebody typed it, in small letters or without the hyphen; None for
    what is no name.

    >>> code_of("2222-2223") == code_of("22222223") == 1
    True
    """
    word = re.sub(r"[\s-]", "", text.upper())
    if len(word) != LENGTH or any(letter not in LETTERS for letter in word):
        return None
    code = 0
    for letter in word:
        code = code * len(LETTERS) + LETTERS.index(letter)
    return code


def codes_of(numbers: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """Numbers of the names of designs, (n,), by their ids as numbers: `id COUNT/2^48`, rounded
    down, in two halves that 64 bits can hold.
    """
    half = np.uint64(ID_BITS // 2)
    low_bits = np.uint64((1 << (ID_BITS // 2)) - 1)
    count = np.uint64(COUNT)
    high = (numbers >> half) * count
    low = ((numbers & low_bits) * count) >> half
    return np.asarray((high + low) >> half, dtype=np.uint64)


def id_called(text: str, numbers: NDArray[np.uint64], where: str = "design_id") -> str:
    """The id of the design that somebody calls by its name or its id, among ids as numbers (n,).

    Ids, and what fits no design, come back as they are: whoever looks for them says what is wrong.
    InputError where several designs have the name: then only their ids tell them apart.
    """
    code = code_of(text)
    if code is None:
        return text
    found = np.unique(numbers[codes_of(numbers) == np.uint64(code)])
    if found.size > 1:
        ids = ", ".join(f"{number:012x}" for number in found.tolist())
        rule = f"is the name of {found.size} designs, give the id of one: {ids}"
        raise InputError([Fault(where, "design_id", rule, shown(text))])
    return f"{int(found[0]):012x}" if found.size else text


def id_among(text: str, ids: Iterable[str], where: str = "design_id") -> str:
    """The same among ids as they are written."""
    plain = [one for one in ids if _ID.fullmatch(one)]
    return id_called(text, np.array([int(one, 16) for one in plain], dtype=np.uint64), where)
