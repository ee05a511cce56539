"""A price that was mistyped and corrected: the run that saw it stays, compared with no more."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path

import pytest

from explorer.commands import history
from explorer.commands.change_words import causes
from explorer.commands.front_view import FrontView
from explorer.commands.rerun import rerun_study
from explorer.commands.review import review_studies
from explorer.decision import repricing, slips
from explorer.errors import InputError
from explorer.inputs.study import load
from explorer.store.keys import path_of
from explorer.store.results import Store
from tests.helpers.invented import designs, results

Price = Callable[[float], None]


@pytest.fixture
def price(small_study: Path) -> Price:
    """Writes a price of the belt into the study's list."""
    path = small_study.parent / "parts" / "prices.csv"

    def write(amount: float) -> None:
        header, *rows = csv.reader(path.read_text().splitlines())
        for line in rows:
            if line[0] == "belt_4":
                line[header.index("price")] = str(amount)
        with path.open("w", newline="") as stream:
            csv.writer(stream).writerows([header, *rows])

    write(9.0)
    project = load(small_study)
    with Store.open(path_of(project)) as store:
        store.append(project, results(project, designs(project, 200)), "sweep")
    return write


def rerun(study: Path, slip: str = "", **more: bool) -> dict:
    return rerun_study(study, quick=True, page=more.pop("page", False), slip=slip, **more)


def old_and_new(answer: dict) -> list[tuple[float, float]]:
    return [(one["old"], one["new"]) for one in answer["price_changes"]]


def test_a_corrected_slip_is_left_out_of_every_comparison(small_study: Path, price: Price) -> None:
    first = rerun(small_study)
    price(900.0)
    wrong = rerun(small_study)
    assert old_and_new(wrong) == [(9.0, 900.0)]
    price(9.5)
    mended = rerun(small_study, slip="last")
    assert old_and_new(mended) == [(9.0, 9.5)]
    assert first["slip"] is wrong["slip"] is None
    assert mended["slip"] is not None
    assert causes(mended)[0].startswith("the run of ")
    project = load(small_study)
    with Store.open(path_of(project), read_only=True) as store:
        view = FrontView.at_todays_prices(project, store)
        before = view.before()
        assert before is not None
        belt = before.prices.breaks["belt_4"][0]
        assert float(belt.amount) == 9.0
        assert len(repricing.moments(store)) == 2
        entries = history.history_entries(store)
    assert [one["kind"] for one in entries] == ["rerun", "rerun", "slip", "rerun"]
    assert ["a slip" in one["what"] for one in entries] == [False, True, True, False]
    assert old_and_new(rerun(small_study)) == []


def test_without_the_word_the_slip_is_compared_with(small_study: Path, price: Price) -> None:
    rerun(small_study)
    price(900.0)
    rerun(small_study)
    price(9.0)
    assert old_and_new(rerun(small_study)) == [(900.0, 9.0)]


def test_an_older_run_is_named_by_its_minute(
    small_study: Path, price: Price, monkeypatch: pytest.MonkeyPatch
) -> None:
    from explorer.store import history as kept

    for minute, amount in enumerate((9.0, 900.0, 9.0)):
        moment = f"2026-11-20T14:0{minute}:00+00:00"
        monkeypatch.setattr(kept, "time_now", lambda moment=moment: moment)
        price(amount)
        rerun(small_study)
    answer = rerun(small_study, slip="2026-11-20 14:01")
    assert answer["slip"] == "2026-11-20T14:01:00+00:00"
    project = load(small_study)
    with Store.open(path_of(project), read_only=True) as store:
        assert FrontView.at_todays_prices(project, store).before() is None
    reviewed = review_studies(f"{small_study}@2026-11-20T14:01")
    assert reviewed["studies"][0]["date"] == "2026-11-20T14:01"


@pytest.mark.parametrize("when", ["yesterday", "2026-11-20", "2026-11-20T14:07", ""])
def test_a_run_that_is_not_there_is_refused(small_study: Path, price: Price, when: str) -> None:
    rerun(small_study)
    price(10.0)
    with pytest.raises(InputError, match="must be last, or the minute"):
        rerun(small_study, slip=when or " ")


def test_what_was_not_corrected_is_no_slip(small_study: Path, price: Price) -> None:
    rerun(small_study)
    with pytest.raises(InputError, match="correct the slip first"):
        rerun(small_study, slip="last")
    project = load(small_study)
    with Store.open(path_of(project), read_only=True) as store:
        assert slips.slips(store) == frozenset()


def test_the_page_lists_the_slip(small_study: Path, price: Price) -> None:
    rerun(small_study)
    price(900.0)
    rerun(small_study)
    price(9.5)
    answer = rerun(small_study, slip="last", page=True)
    text = Path(answer["report"]).read_text()
    assert "a slip: compared with no more" in text
    assert "900.00" not in json.dumps(answer["price_changes"])
