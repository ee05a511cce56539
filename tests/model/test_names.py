"""Names of designs: by hand, both ways, alike in Python and on the page, and what is ambiguous."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from explorer.errors import InputError
from explorer.model.names import (
    COUNT,
    LETTERS,
    code_of,
    codes_of,
    id_among,
    id_called,
    name_of,
)

IDS = st.integers(0, 2**48 - 1).map(lambda number: f"{number:012x}")
LOOK_ALIKE = ("0O", "1IL", "2Z", "5S", "8B")


def test_no_letter_looks_like_another() -> None:
    assert len(set(LETTERS)) == len(LETTERS) == 28
    for group in LOOK_ALIKE:
        assert sum(letter in LETTERS for letter in group) <= 1


def test_a_name_by_hand() -> None:
    """The middle of all ids is half of 28^8: 14 of the first place, so the 15th letter."""
    assert name_of("800000000000") == "H222-2222"
    assert LETTERS[14] == "H"
    assert code_of("H222-2222") == COUNT // 2


@given(IDS)
def test_a_name_leads_back_to_its_id(design_id: str) -> None:
    name = name_of(design_id)
    assert re.fullmatch(r"[2-9A-Y]{4}-[2-9A-Y]{4}", name)
    number = np.array([int(design_id, 16)], dtype=np.uint64)
    assert codes_of(number)[0] == code_of(name) == int(design_id, 16) * COUNT // 2**48
    for typed in (name, name.lower(), name.replace("-", ""), name.replace("-", " ")):
        assert id_called(typed, number) == design_id
    assert id_called(design_id, number) == design_id
    assert id_among(name, [design_id, "no id"]) == design_id


def test_a_name_of_two_designs_asks_for_the_id() -> None:
    """Neighbouring ids share a name: 2^48 ids, 28^8 names, some 745 ids each."""
    first, second = "800000000000", "800000000001"
    assert name_of(first) == name_of(second)
    numbers = np.array([int(first, 16), int(second, 16)], dtype=np.uint64)
    with pytest.raises(InputError, match=f"2 designs, give the id of one: {first}, {second}"):
        id_called(name_of(first), numbers)
    assert id_called(second, numbers) == second
    # The same design stored twice is one.
    assert id_called(name_of(first), numbers[[0, 0]]) == first


@pytest.mark.parametrize("text", ["", "H222-222", "H222-222Z", "2bb456ec6a89", "a name"])
def test_what_is_no_name_comes_back(text: str) -> None:
    assert id_called(text, np.zeros(0, dtype=np.uint64)) == text


def test_a_name_that_fits_nothing_comes_back() -> None:
    assert id_called("H222-2222", np.array([1], dtype=np.uint64)) == "H222-2222"
