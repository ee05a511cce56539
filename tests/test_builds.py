"""Odds of builds in a store: packed and read back as they were, the last ones of a design hold."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from explorer.commands.check import check_store
from explorer.errors import InputError
from explorer.inputs.study import Project
from explorer.model.odds import Odds, quantile
from explorer.store.builds import Draws, OddsRecord
from explorer.store.connection import compact_json
from explorer.store.keys import ids_of, path_of
from explorer.store.packing import pack
from explorer.store.promises import builds_key, draws_of, keep_odds, odds_of, promises_of
from explorer.store.results import Store
from tests.helpers.stores import raw

NUMBERS = st.integers(0, 2**48 - 1)
ENERGY = st.floats(0, 1e9, allow_nan=False)


@st.composite
def odds(draw: st.DrawFn) -> Odds:
    """Of as many builds as energies, or of a design that was only screened."""
    energies = tuple(draw(st.lists(ENERGY, max_size=25)))
    count = len(energies) or draw(st.integers(1, 40))
    some = st.integers(0, count)
    rules = st.sampled_from(["clamp_burst_J", "cell_life_V", "a rule, \N{SNOWMAN}"])
    broken = draw(st.dictionaries(rules, st.integers(1, count), max_size=3))
    return Odds(count, draw(some), draw(some), energies, draw(some), broken)


def found(many: int = 6) -> st.SearchStrategy[dict[int, Odds]]:
    """Odds of some designs by their numbers."""
    return st.dictionaries(NUMBERS, odds(), max_size=many)


def by_number(draws: Draws) -> dict[int, Odds]:
    """What draws say of each design."""
    return dict(zip(draws.numbers.tolist(), draws.odds(), strict=True))


@given(found())
def test_what_is_packed_is_read_back(some: dict[int, Odds]) -> None:
    packed = Draws.of(some).packed
    again = Draws.read(packed)
    assert by_number(again) == some
    assert again.packed == packed


@given(st.lists(found(), max_size=5))
def test_the_last_odds_of_a_design_hold(some: list[dict[int, Odds]]) -> None:
    expected: dict[int, Odds] = {}
    for one in some:
        expected |= one
    assert by_number(Draws.together([Draws.of(one) for one in some])) == expected


@given(found(), st.integers(1, 30), st.floats(0, 1))
def test_quantiles_are_those_of_each_design(
    some: dict[int, Odds], first: int, share: float
) -> None:
    expected = [
        quantile(one.energies_J[:first], share) if one.energies_J else np.nan
        for one in some.values()
    ]
    assert np.array_equal(Draws.of(some).quantiles_J(first, share), expected, equal_nan=True)


@given(found(), st.data())
def test_some_designs_of_many(some: dict[int, Odds], data: st.DataObject) -> None:
    names = list(some)
    rows = data.draw(st.lists(st.integers(0, len(names) - 1))) if names else []
    taken = Draws.of(some).take(np.array(rows, np.int64))
    assert taken.odds() == [some[names[row]] for row in rows]


@pytest.mark.parametrize("change", ["shorter", "longer", "more designs", "fewer", "rules", "json"])
def test_bytes_that_are_no_odds_are_refused(change: str) -> None:
    packed = Draws.of({7: Odds(2, 0, 2, (1.0, 2.0), 2, {"clamp_burst_J": 1})}).packed
    other = {
        "shorter": packed._replace(content=packed.content[:-8]),
        "longer": packed._replace(content=packed.content + bytes(8)),
        "more designs": packed._replace(designs=2),
        "fewer": packed._replace(designs=-1),
        "rules": packed._replace(rules='{"clamp_burst_J": 1}'),
        "json": packed._replace(rules="clamp"),
    }
    with pytest.raises(ValueError, match=r".+"):
        Draws.read(OddsRecord(*other[change]))


SOME = {
    3: Odds(16, 0, 16, tuple(100.0 + k for k in range(16)), 16),
    5: Odds(20, 4),
    9: Odds(16, 1, 15, (0.0, *(50.0,) * 15), 15, {"clamp_burst_J": 1}),
}
LATER = {3: Odds(200, 1, 190, tuple(100.0 + k for k in range(200)), 199, {"cell_life_V": 1})}


def numbers(*some: int) -> np.ndarray:
    """Ids of designs as a store has them."""
    return np.array(some, np.uint64)


def test_a_store_keeps_them_by_search(small_project: Project) -> None:
    with Store.open(path_of(small_project)) as store:
        assert odds_of(small_project, store, numbers(3)) == [Odds()]
        keep_odds(small_project, store, {})
        keep_odds(small_project, store, SOME)
        store.keep_draws("builds:another search", Draws.of({5: Odds(1, 1, 0, (0.0,))}))
        assert odds_of(small_project, store, numbers(9, 4, 3)) == [SOME[9], Odds(), SOME[3]]
        keep_odds(small_project, store, LATER)
        assert by_number(draws_of(small_project, store)) == SOME | LATER
    with Store.open(path_of(small_project), read_only=True) as store:
        assert by_number(draws_of(small_project, store)) == SOME | LATER
        terms = small_project.study.promise
        promises = promises_of(small_project, store, numbers(1, 9, 3))
    expected = round(LATER[3].promised_energy_J(terms), 1)
    assert np.array_equal(promises.energy_J, [np.nan, np.nan, expected], equal_nan=True)
    assert promises.in_time.tolist() == [False, False, True]


def test_packing_keeps_what_holds_of_every_search(small_project: Project) -> None:
    path = path_of(small_project)
    with Store.open(path) as store:
        for some in (SOME, LATER):
            keep_odds(small_project, store, some)
        store.keep_draws("builds:another search", Draws.of(SOME))
    pack(path)
    with Store.open(path) as store:
        assert by_number(draws_of(small_project, store)) == SOME | LATER
        assert by_number(store.draws("builds:another search")) == SOME
    with raw(path) as file:
        assert file.execute("SELECT count(*) FROM builds").fetchone() == (2,)
    before = path.read_bytes()
    pack(path)
    with Store.open(path) as store:
        assert by_number(draws_of(small_project, store)) == SOME | LATER
    assert len(path.read_bytes()) == len(before)
    assert check_store(small_project.path)["verified"] > 0


def test_a_store_of_an_earlier_release_is_read_and_goes_on(small_project: Project) -> None:
    """There odds were JSON in one state of the search, and no table held them."""
    path, key = path_of(small_project), builds_key(small_project)
    state = dict(zip(ids_of(SOME), map(list, SOME.values()), strict=True))
    with Store.open(path) as store:
        plain = {name: [*one[:-1], dict(one[-1])] for name, one in state.items()}
        compact_json(plain)
        store.save_progress(key, plain)
    with raw(path) as file:
        file.execute("DROP TABLE builds")
        file.execute("PRAGMA user_version = 4")
    with Store.open(path, read_only=True) as store:
        assert by_number(draws_of(small_project, store)) == SOME
        assert odds_of(small_project, store, numbers(9, 3)) == [SOME[9], SOME[3]]
    check_store(small_project.path)
    with Store.open(path) as store:
        keep_odds(small_project, store, LATER)
        assert by_number(draws_of(small_project, store)) == SOME | LATER
        assert not store.search_progress(key)
        assert by_number(store.draws(key)) == SOME | LATER


def test_odds_that_vanish_or_change_their_search_are_missed(small_project: Project) -> None:
    path = path_of(small_project)
    with Store.open(path) as store:
        keep_odds(small_project, store, SOME)
        keep_odds(small_project, store, LATER)
    sound = path.read_bytes()
    for change in ("DELETE FROM builds WHERE id = 2", "UPDATE builds SET search = 'builds:x'"):
        path.write_bytes(sound)
        with raw(path) as file:
            file.execute(change)
        with Store.open(path) as store, pytest.raises(InputError, match="drawn builds"):
            draws_of(small_project, store)
