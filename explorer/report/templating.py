"""Templates and style sheets of this package, filled in."""

from __future__ import annotations

import gzip
import sys
from base64 import b64encode
from collections.abc import Sequence
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from explorer.model.names import name_of
from explorer.user_cache import cache_named

if TYPE_CHECKING:
    from jinja2 import Template


PLAIN = " !$()*+,-./:;=?@[]^_{|}~"
"""What an address of data may hold as it is: neither `%` and `#`, nor what HTML reads as markup."""


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


def packed(text: str) -> str:
    """A text in the form that the page's scripts unpack: gzip (RFC 1952) in Base64 (RFC 4648). It
    has no character that HTML reads as markup.

    >>> from base64 import b64decode
    >>> gzip.decompress(b64decode(packed("</script>"))).decode()
    '</script>'
    """
    return b64encode(gzip.compress(text.encode(), 6, mtime=0)).decode()


def data_address(svg: str) -> str:
    """An SVG as the data address of an image; empty for no SVG. Percent signs (RFC 3986) where the
    address needs them: in Base64 a third more than the drawing, and images within it twice so.
    """
    return f"data:image/svg+xml,{quote(svg, safe=PLAIN)}" if svg else ""
