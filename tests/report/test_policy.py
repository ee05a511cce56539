"""Pages and sheets under a content policy: only their own scripts and styles, known by hash."""

from __future__ import annotations

import hashlib
import re
from base64 import b64encode
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from explorer.report.page import beside, page
from explorer.report.templating import content_policy
from tests.helpers import synthetic

ATTACKS = (
    "<script>window.hit=1</script>",
    "<img src=x onerror=window.hit=1>",
    "<svg onload=window.hit=1><style>*{display:none}</style></svg>",
    "</style><style>*{display:none}",
    "</script><script>window.hit=1</script>",
    '"><b style="position:fixed">',
    "javascript:window.hit=1",
    "[x](javascript:window.hit=1) ![y](http://a.example/b)",
    "{{7*7}} ${7*7} <%= 7*7 %>",
    "]]> <!-- --> &lt;script&gt;",
)


class Seen(HTMLParser):
    """Policy, inline scripts and styles of a page, and its attributes."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.policy: dict[str, str] = {}
        self.texts: list[tuple[str, str]] = []
        self.attributes: list[tuple[str, str, str]] = []
        self._inside = ""
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        self.attributes += [(tag, name, value) for name, value in given.items()]
        if given.get("http-equiv") == "Content-Security-Policy":
            rules = (rule.strip().partition(" ") for rule in given["content"].split(";"))
            self.policy = {name: value for name, _, value in rules}
        if tag == "style" or (tag == "script" and "type" not in given):
            self._inside = tag
            self.texts.append((tag, ""))

    def handle_data(self, data: str) -> None:
        if self._inside:
            tag, text = self.texts[-1]
            self.texts[-1] = (tag, text + data)

    def handle_endtag(self, tag: str) -> None:
        self._inside = ""


def source(text: str) -> str:
    """What stands for an inline text in a policy (W3C Content Security Policy Level 3, 2.3.1)."""
    return f"'sha256-{b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


def attacked(designs: int) -> Any:
    """A made-up page with an attack in every text that comes from tables and studies."""
    given = synthetic.page(designs)
    evil = " ".join(ATTACKS)
    return replace(given, title=evil, question=evil, currency=evil, cautions=ATTACKS)


PAGES = {
    "page": lambda: page.render(attacked(40)),
    "beside": lambda: beside.render_beside([attacked(20), attacked(20)]),
}


@pytest.mark.parametrize("name", ["page", "beside"])
def test_each_script_and_style_is_allowed_by_its_hash(name: str) -> None:
    seen = Seen(PAGES[name]())
    assert seen.policy["default-src"] == "'none'"
    assert seen.policy["style-src-attr"] == "'none'"
    assert "unsafe" not in seen.policy["script-src"]
    assert {tag for tag, _ in seen.texts} == ({"style", "script"} if name == "page" else {"style"})
    for tag, text in seen.texts:
        if tag == "script":
            assert source(text) in seen.policy["script-src"].split()
        else:
            assert seen.policy["style-src"] == source(text)


@pytest.mark.parametrize("name", ["page", "beside"])
def test_no_attack_becomes_markup(name: str) -> None:
    seen = Seen(PAGES[name]())
    for tag, attribute, value in seen.attributes:
        assert not attribute.startswith("on"), (tag, attribute)
        assert attribute != "style", tag
        if attribute in ("src", "href"):
            assert value.startswith(("#", "data:")), (tag, value)
    assert sum("window.hit=1" in text for _, text in seen.texts) == 0


def test_a_policy_has_no_word_that_allows_any_text() -> None:
    policy = content_policy(styles=("a{}",), scripts=("let a;",))
    assert "unsafe" not in policy
    assert "http" not in policy
    assert content_policy(styles=()).count("'none'") >= 6


def test_the_package_has_no_inline_handler_and_no_eval() -> None:
    folder = Path(page.__file__).parents[1] / "templates"
    for file in folder.iterdir():
        text = file.read_text("utf-8")
        if file.suffix == ".j2":
            assert not re.search(r"<[^>]*\s(on[a-z]+|style)=", text), file.name
        assert not re.search(r"\beval\(|new Function|innerHTML|document\.write", text), file.name


@pytest.mark.browser
def test_a_browser_runs_nothing_that_is_put_into_a_page(chromium: Any, tmp_path: Path) -> None:
    """What an attack would do that got through as markup all the same."""
    written = page.write(attacked(40), tmp_path)
    context = chromium.new_context()
    tab = context.new_page()
    tab.add_init_script(
        """window.refused = [];
        document.addEventListener("securitypolicyviolation",
          e => window.refused.push(e.violatedDirective + " " + e.sample));"""
    )
    tab.goto(written.as_uri())
    tab.wait_for_selector("html[data-ready=plots]", timeout=20_000)
    assert tab.evaluate("window.hit") is None
    # The page itself needs nothing that its policy refuses, its plots are styled all the same.
    assert tab.evaluate("window.refused") == []
    assert tab.evaluate(
        """[...document.querySelectorAll(".plot-root > *")].every(
        plot => plot.shadowRoot.adoptedStyleSheets.length > 3
          && getComputedStyle(plot).display === "grid")"""
    )
    refused = tab.evaluate(
        """() => new Promise(done => {
        const found = [];
        document.addEventListener("securitypolicyviolation", e => found.push(e.violatedDirective));
        document.body.insertAdjacentHTML("beforeend",
          '<img src="data:," onerror="window.hit=1"><b style="color:red">b</b>'
          + '<style>* { display: none }</style>');
        const script = document.createElement("script");
        script.textContent = "window.hit=1";
        document.body.append(script);
        setTimeout(() => done([...new Set(found)].sort()), 500); })"""
    )
    assert tab.evaluate("window.hit") is None
    assert refused == ["script-src-attr", "script-src-elem", "style-src-attr", "style-src-elem"]
    context.close()
