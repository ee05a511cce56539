"""Templates and style sheets of this package, filled in."""

from __future__ import annotations

import sys
from base64 import b64encode
from collections.abc import Sequence
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any

from explorer.model.names import name_of
from explorer.user_cache import cache_named

if TYPE_CHECKING:
    from jinja2 import Template


def own_text(name: str) -> Any:
    """A style sheet or script of this package, which needs no escaping."""
    from markupsafe import Markup

    return Markup((Path(__file__).parent / "templates" / name).read_text("utf-8").strip())


def own_code(*modules: str) -> str:
    """Source of some modules of this package by their dotted names, of those that are imported."""
    files = (Path(str(sys.modules[name].__file__)) for name in modules)
    return "\0".join(file.read_text("utf-8") for file in files)


def template(name: str) -> Template:
    """A template of this package; it escapes all text and fails on an unknown name. Compiled once
    for a user, where there is a folder to keep it in: compiling takes a tenth of a page.
    """
    from jinja2 import Environment, FileSystemBytecodeCache, PackageLoader, StrictUndefined

    kept = cache_named("templates")

    environment = Environment(
        loader=PackageLoader("explorer.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        bytecode_cache=None if kept is None else FileSystemBytecodeCache(str(kept)),
    )
    environment.policies["json.dumps_kwargs"] = {"separators": (",", ":"), "allow_nan": False}
    environment.filters["named"] = name_of
    return environment.get_template(name)


def content_policy(*, styles: Sequence[str], scripts: Sequence[str] = ()) -> Any:
    """What a browser lets a page do: show images of its own, run and style itself with exactly
    these texts of `<script>` and `<style>`, no more. No network, no inline handler, no eval.
    """
    from markupsafe import Markup

    rules = {
        "default-src": "'none'",
        "script-src": _hashes(scripts),
        "style-src": _hashes(styles),
        "style-src-attr": "'none'",
        "img-src": "data: blob:" if scripts else "data:",
        "base-uri": "'none'",
        "form-action": "'none'",
    }
    return Markup("; ").join(Markup(f"{name} {value}") for name, value in rules.items())


def _hashes(texts: Sequence[str]) -> str:
    """Sources of a policy that stand for texts, as a browser reads them."""
    digests = (sha256(text.encode()).digest() for text in texts)
    return " ".join(f"'sha256-{b64encode(digest).decode()}'" for digest in digests) or "'none'"


def data_address(svg: str) -> str:
    """An SVG as the data address of an image; empty for no SVG."""
    return f"data:image/svg+xml;base64,{b64encode(svg.encode()).decode()}" if svg else ""
