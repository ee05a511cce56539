"""The second shipped study, as a reader meets it: launched, and no number that is nobody's."""

from __future__ import annotations

import re
from html import unescape
from pathlib import Path
from typing import Any

import pytest

from explorer.inputs.study import Project, load
from explorer.model.kernels.accounts import TERMS

SEVERAL = ("sum of 2 shifts, worst of 2 packs", "hardest of 2 shifts, worst of 2 packs")


@pytest.fixture(scope="module")
def project(household: Path) -> Project:
    return load(household)


@pytest.fixture(scope="module")
def launched(household_launched: dict[str, Any]) -> dict[str, Any]:
    return household_launched


def first_screen(answer: dict[str, Any]) -> list[str]:
    """What stands on the first screen: the texts of its paragraphs, list items and headings."""
    page = Path(answer["report"]).read_text("utf-8")
    (section,) = re.findall(r'<section[^>]*id="answer".*?</section>', page, re.DOTALL)
    found = re.findall(r"<(p|li|h\d|caption|summary|td)\b[^>]*>(.*?)</\1>", section, re.DOTALL)
    texts = [unescape(re.sub(r"<[^>]+>", " ", text)) for _, text in found]
    return [" ".join(text.split()) for text in texts]


def test_the_shop_is_read_as_it_writes(project: Project) -> None:
    """`1.000` pieces are a thousand, `0,35 €` are thirty-five cents."""
    prices = project.catalogue.prices
    assert prices.unit_price("diode_3a") == 0.35
    assert prices.unit_price("valve_20") == 1.9
    few, many = (prices.purchase("diode_3a", pieces) for pieces in (8, 1000))
    assert (few.bought, few.unit_price) == (8, 0.35)
    assert (many.bought, many.unit_price) == (1000, 0.06)


def test_it_holds_what_a_household_has(project: Project) -> None:
    session = project.study.session
    assert [(shift.operator, shift.minutes) for shift in session.shifts] == [
        ("mother", 5), ("child", 3),
    ]  # fmt: skip
    kinds = [project.catalogue.packs[name].kind for name in session.packs]
    assert kinds == ["steady", "retrying"]
    assert project.study.owned == {"drum_motor": 1, "stepper": 1, "cell_10": 8}
    assert project.builds_differ
    assert project.study.by_promise
    for table in (project.catalogue.operators, project.catalogue.packs):
        assert all(row.source and row.dated for row in table.values())


def test_a_launch_recommends_a_chain_of_what_is_at_hand(launched: dict[str, Any]) -> None:
    assert launched["exact"]
    assert launched["picks"]["recommended"]
    (record,) = [
        one for one in launched["front"] if one["design_id"] == launched["picks"]["recommended"]
    ]
    assert record["feasible"]
    free = {line["part"]: line["owned"] for line in record["bill"] if line.get("owned")}
    assert record["parts"]["generator"] in free
    assert record["cost"] < record["cost_of_all_parts"]
    by_pack: dict[str, list[dict[str, Any]]] = {}
    for case in record["cases"]:
        by_pack.setdefault(case["pack"], []).append(case)
    assert {case["regime"] for case in by_pack["radio_pack"]} == {"cycling"}
    for cases in by_pack.values():
        assert [(c["operator"], c["shift"], c["minutes"]) for c in cases] == [
            ("mother", 1, 5), ("child", 2, 3),
        ]  # fmt: skip
    energies = {p: sum(c["delivered_energy_J"] for c in cases) for p, cases in by_pack.items()}
    assert record["delivered_energy_J"] == pytest.approx(min(energies.values()))
    efforts = [case["crank_effort_percent"] for case in record["cases"]]
    assert record["crank_effort_percent"] == pytest.approx(max(efforts))
    for ledger in (record["ledger_J"], record["session_ledger_J"]):
        assert sum(ledger[name] for name in TERMS) == pytest.approx(ledger["crank_work"])
    whole = energies[record["ledger_case"]["pack"]]
    assert record["session_ledger_J"]["delivered"] == pytest.approx(whole)


def test_no_number_on_the_first_screen_is_nobodys(
    project: Project, launched: dict[str, Any]
) -> None:
    texts = first_screen(launched)
    people = [project.catalogue.operators[name].name for name in ("mother", "child")]
    packs = [project.catalogue.packs[name].name for name in project.study.session.packs]
    (promise,) = [text for text in texts if "builds give" in text]
    assert f"in 8 minutes at the crank ({SEVERAL[0]})" in promise
    shares = [text for text in texts if "of what the arm can hold" in text]
    assert len(shares) == 2
    for text, person, shift in zip(
        shares, people, ("shift 1, 5 minutes", "shift 2, 3 minutes"), strict=True
    ):
        assert text.startswith(f"{person} ({shift}): ")
        assert all(re.search(rf"minutes? for 1 % of {re.escape(pack)}", text) for pack in packs)
    rivals = [text for text in texts if text.startswith("Or instead")]
    assert rivals == [f"Or instead (energy: {SEVERAL[0]}; effort: {SEVERAL[1]})"]
    # Whatever else speaks of the crank's work names all who do it, and into which pack.
    of_work = [text for text in texts if "work at the crank" in text]
    assert of_work
    for text in of_work:
        assert re.search(rf"{people[0]}, then {people[1]} into ({'|'.join(packs)}): ", text)
    # Minutes for a percent are each pack's own, in no sentence without its name.
    for text in texts:
        for part in re.findall(r"minutes? for 1 %(.{0,60})", text):
            assert any(part.startswith(f" of {pack}") for pack in packs)


def test_the_page_defines_what_it_combines(launched: dict[str, Any]) -> None:
    page = " ".join(Path(launched["report"]).read_text("utf-8").split())
    assert (
        "In a row on one bank crank: Woman with two arms 5 minutes; Child with one arm 3 " in page
    )
    assert "its effort that of the shift that is hardest for its person" in page
    assert "the worst of 2 packs" in page
