"""The written file: one, whole, escaped, small; the figures in it."""

from __future__ import annotations

import gzip
import json
import re
import xml.etree.ElementTree as ElementTree
from base64 import b64decode
from html.parser import HTMLParser
from itertools import combinations
from pathlib import Path
from urllib.parse import unquote

import numpy as np
import pytest
from hypothesis import given, strategies
from hypothesis.extra.numpy import arrays
from matplotlib.figure import Figure

from explorer.report.format import number
from explorer.report.page import beside, drawing, figures, marks, page, price_figures, view
from explorer.report.page.content import PageData
from explorer.report.templating import data_address, packed
from tests.helpers import synthetic


@pytest.fixture(scope="module")
def data() -> PageData:
    return synthetic.page(120)


@pytest.fixture(scope="module")
def html(data: PageData) -> str:
    return page.render(data)


class Reader(HTMLParser):
    """Collects tags with attributes, text outside scripts, and the page's own data."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[str] = []
        self.data = ""
        self.within = ""
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag in ("script", "style"):
            self.within = dict(attrs).get("id") or tag

    def handle_endtag(self, tag: str) -> None:
        if tag in ("script", "style"):
            self.within = ""

    def handle_data(self, text: str) -> None:
        if not self.within:
            self.texts.append(text)
        elif self.within == "page-data":
            self.data += text


def unpacked(text: str) -> str:
    """What the page's scripts read: gzip in Base64, by the standard library."""
    return gzip.decompress(b64decode(text, validate=True)).decode()


def test_what_is_packed_is_what_was_given(html: str, data: PageData) -> None:
    """Every digit of it: order, sums and limits on the page are those of the numbers given."""
    given = json.loads(unpacked(Reader(html).data))
    for column, written in zip(data.designs.margins, given["designs"]["margins"], strict=True):
        assert written["values"] == list(column.values)
    assert given["designs"]["ids"] == list(data.designs.ids)
    hostile = "</script>\u2028<!-- 'é \U0001f6e0"
    assert unpacked(packed(hostile)) == hostile
    assert re.fullmatch(r"[A-Za-z0-9+/]+=*", packed(hostile))


def test_an_image_in_an_address_is_the_drawing(html: str, data: PageData) -> None:
    """Decoded as RFC 2397 has it; nothing in it ends the attribute that it stands in."""
    address = data_address(figures.pairs_svg(data))
    head, _, body = address.partition(",")
    assert head == "data:image/svg+xml"
    assert unquote(body) == figures.pairs_svg(data)
    assert not set(body) & set("<>\"'&#")
    assert address in [a["src"] for tag, a in Reader(html).tags if tag == "img"]
    assert data_address("") == ""


def test_nothing_is_fetched(html: str) -> None:
    reader = Reader(html)
    for tag, attributes in reader.tags:
        for name in ("src", "href", "srcset", "action", "data", "poster"):
            address = attributes.get(name) or ""
            assert not address or address.startswith(("data:", "#")), (tag, name, address[:60])
    policy = next(a["content"] for t, a in reader.tags if t == "meta" and "http-equiv" in a)
    assert policy is not None
    assert policy.startswith("default-src 'none'")


def test_hostile_names_stay_text(html: str, data: PageData) -> None:
    reader = Reader(html)
    assert not any("onclick" in attributes for _, attributes in reader.tags)
    assert any(synthetic.HOSTILE in text for text in reader.texts)
    names = [
        part["name"]
        for link in json.loads(unpacked(reader.data))["designs"]["links"]
        for part in link["parts"]
    ]
    assert synthetic.HOSTILE in names


def test_a_title_cannot_leave_its_place() -> None:
    evil = "</title></script><script>alert(1)</script>"
    given = synthetic.page(5)
    from dataclasses import replace

    html = page.render(replace(given, title=evil, currency="</script>", cautions=(evil,)))
    assert "<script>alert(1)" not in html


def test_every_figure_has_words(html: str) -> None:
    pictures = [a for tag, a in Reader(html).tags if tag == "img"]
    assert len(pictures) == 6
    assert all(len(a["alt"] or "") > 40 for a in pictures)


def test_ids_are_unique(html: str) -> None:
    ids = [a["id"] for _, a in Reader(html).tags if a.get("id")]
    assert len(set(ids)) == len(ids)


def test_a_full_page_stays_below_four_megabytes(tmp_path: Path) -> None:
    full = synthetic.page(5000)
    assert len(full.designs.ids) == 5000
    written = page.write(full, tmp_path / "reports" / "synthetic")
    assert written == tmp_path / "reports" / "synthetic" / "index.html"
    assert written.stat().st_size < 4e6
    assert [p.name for p in written.parent.iterdir()] == ["index.html"]


def test_a_page_without_designs_is_still_a_page() -> None:
    search = {"designs_considered": 10, "designs_feasible": 0}
    found = view.Findings(search, {"turnable_N_m": (10, 4)}, {})
    empty = view.page_data(synthetic.project(), [], {}, found)
    html = page.render(empty)
    assert "No design keeps every limit" in html
    assert "the hand cannot turn it from rest" in html
    assert "<script type=" not in html


@pytest.mark.parametrize("name", ["pairs", "ledger", "convergence", "break_even"])
def test_still_figures_are_svg_in_the_readers_ink(name: str, data: PageData) -> None:
    text = getattr(figures, f"{name}_svg")(data)
    root = ElementTree.fromstring(text.split("?>", 1)[1].split(">", 1)[1])
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    assert "currentColor" in text
    assert drawing.INK not in text
    assert "prefers-color-scheme:dark" in text


def test_still_figures_do_not_change_by_themselves(data: PageData) -> None:
    assert figures.pairs_svg(data) == figures.pairs_svg(data)


def test_the_worst_tenth_is_a_tail_of_each_pick_where_builds_promise(data: PageData) -> None:
    """In the still one in each of three panels with energy; without promises there is none."""
    promised = synthetic.page(60, promised=True)
    tails = dict(figures.tails_of(promised))
    for card in promised.cards:
        row = promised.designs.ids.index(card.design_id)
        assert tails[row] == _reading(promised, "worst_tenth_J", row)
        assert tails[row] < promised.designs.objectives[0].values[row]
    assert figures.tails_of(data) == ()
    assert marks.TAILS in page.render(promised)
    assert marks.TAILS not in page.render(data)
    lines = _lines_of_pairs(promised)
    assert [len(one) for one in lines] == [len(tails)] * 3 + [0] * 3
    assert all(
        a[1] == b[1] and b[0] == t for (a, b), t in zip(lines[0], tails.values(), strict=True)
    )


def _lines_of_pairs(data: PageData) -> list[list[np.ndarray]]:
    """The ends of the lines in each panel, (2, 2) each."""
    figure = Figure()
    figures._pairs(figure, data, "black", small=True)
    return [[line.get_xydata() for line in axes.lines] for axes in figure.axes]


def _reading(data: PageData, name: str, row: int) -> float | None:
    (column,) = [one for one in data.designs.readings if one.name == name]
    return column.values[row]


def test_every_axis_has_a_unit(data: PageData) -> None:
    text = figures.pairs_svg(data)
    for goal in data.goals:
        assert f"{goal.label}, {goal.unit}" in text  # what is better may stand on a second line
        assert re.search(rf", {re.escape(goal.unit)} \(", drawing.axis_label(goal))


UNIT = re.compile(
    r", (J|EUR|kg|%|Wh for each kg)(\s|$)|% of the last$|^designs |^day of the outing$"
)
"""A unit behind a comma, or what is counted."""


def test_every_axis_of_every_still_figure_names_its_unit(
    monkeypatch: pytest.MonkeyPatch, data: PageData
) -> None:
    from matplotlib.figure import Figure

    def drawn(name: str, *given: object) -> list[tuple[str, str]]:
        figure = Figure()
        for module in (figures, price_figures):
            monkeypatch.setattr(module, "svg_of", lambda draw, size: draw(figure) or "")
        getattr(figures if hasattr(figures, name) else price_figures, name)(*given)
        return [(axes.get_xlabel(), axes.get_ylabel()) for axes in figure.axes]

    market = data.market
    assert market is not None
    made = {
        "pairs_svg": drawn("pairs_svg", data),
        "convergence_svg": drawn("convergence_svg", data),
        "break_even_svg": drawn("break_even_svg", data),
        "moved_svg": drawn("moved_svg", market.before, market.after, data.goals),
    }
    assert [len(panels) for panels in made.values()] == [6, 1, 1, 1]
    labels = [label for panels in made.values() for both in panels for label in both]
    # Bars have names along one axis, the history of prices has dates.
    labels += [x for x, _ in drawn("ledger_svg", data)]
    labels += [y for _, y in drawn("history_svg", market.history, data.goals)]
    assert [label for label in labels if not UNIT.search(label)] == []


@given(arrays(float, (5, 2), elements=strategies.floats(0, 300)))
def test_letters_are_pushed_apart(places: np.ndarray) -> None:
    """Five discs of 15 in a field of 300 find room, and those that have it stay."""
    before = places.copy()
    box = np.array([[0.0, 0.0], [300.0, 300.0]])
    at = drawing.pushed_apart(places, 15.0, box)
    assert np.array_equal(places, before)
    assert np.all(at >= 0)
    assert np.all(at <= 300)
    gaps = [np.hypot(*(a - b)) for a, b in combinations(at, 2)]
    # They stop at a tenth short; clipping at the field's edge may leave a little more.
    assert min(gaps) > 14.5
    if min(np.hypot(*(a - b)) for a, b in combinations(places, 2)) >= 15:
        assert np.array_equal(at, places)


def test_front_png_is_a_png(tmp_path: Path, data: PageData) -> None:
    written = figures.front_png(data, tmp_path / "front.png")
    assert written.read_bytes().startswith(b"\x89PNG\r\n\x1a\n")


def test_no_heavy_import_before_it_is_needed() -> None:
    """`--help` must not pay for drawing."""
    import subprocess
    import sys

    code = "import sys, explorer.report.page; print(*sys.modules)"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert not {"bokeh", "matplotlib", "jinja2", "moocore", "pandas"} & set(run.stdout.split())


def test_two_studies_stand_side_by_side(tmp_path: Path, data: PageData) -> None:
    other = synthetic.page(80, seed=2)
    written = beside.write_beside([data, other], tmp_path, ["October", "<i>November</i>"])
    html = written.read_text("utf-8")
    reader = Reader(html)
    assert not any(tag in ("script", "i") for tag, _ in reader.tags)
    assert "<i>November</i>" in "".join(reader.texts)
    told = " ".join(reader.texts)
    for one in (data, other):
        assert all(s.text in told for card in one.cards for s in card.standings)
        assert one.first.build in told
        assert one.first.promise in told
    energy = [one.designs.objectives[0].values[one.designs.ids.index(one.recommended_id)]
              for one in (data, other)]  # fmt: skip
    gap = energy[1] - energy[0]
    assert f"{'+' if gap > 0 else '−'}{number(abs(gap))} J" in told
    same = " ".join(Reader(beside.render_beside([data, data])).texts)
    assert "the same design" in same
    assert all(card.bill in same for card in data.cards)
    with pytest.raises(ValueError, match="labels"):
        beside.render_beside([data], ["a", "b"])


def test_two_picks_are_told_apart_by_what_differs(data: PageData) -> None:
    """Only the links and settings in which the balanced designs differ, each with both parts."""
    other = synthetic.page(80, seed=2)
    rows = beside._wish_rows([data, other])[0]["rows"]
    told = {row["goal"].lower(): row["texts"] for row in rows[len(data.goals) :]}
    both = [(one.designs, one.designs.ids.index(one.recommended_id)) for one in (data, other)]
    labels = {link.label.lower(): [d.links[k].parts[d.links[k].used[row]].name for d, row in both]
              for k, link in enumerate(data.designs.links)}  # fmt: skip
    differing = {label: names for label, names in labels.items() if names[0] != names[1]}
    assert differing
    assert {label: told[label] for label in differing} == differing
    assert not set(told) & {label for label in labels if label not in differing}


def test_a_difference_that_nobody_can_tell_is_not_told_in_digits(data: PageData) -> None:
    """A tenth of a percent of energy and effort; a cent is a cent."""
    from dataclasses import replace

    near = [
        replace(one, values=tuple(v and (v + 0.01 if one.name == "cost" else 1.001 * v)
                                  for v in one.values))
        for one in data.designs.objectives
    ]  # fmt: skip
    other = replace(data, designs=replace(data.designs, objectives=tuple(near)))
    for group in beside._wish_rows([data, other]):
        changes = [row["change"] for row in group["rows"]]
        assert changes[:4] == ["within 0.5 %", "+0.01 EUR", "within 0.5 %", "within 0.5 %"]


def test_beside_explains_shapes_and_thin_lines() -> None:
    """Where builds promise, a line runs down to the worst tenth."""
    promised, plain = synthetic.page(40, promised=True), synthetic.page(40)
    shown = beside.render_beside([promised, plain])
    assert shown.count(marks.TAILS) == 1
    assert shown.count(marks.marks_sentence(plain.designs.regimes)) == 2


def test_beside_a_study_without_designs(data: PageData) -> None:
    empty = view.page_data(synthetic.project(), [], {}, view.Findings({}, {}, {}))
    assert "No design is on the front" in beside.render_beside([data, empty])
