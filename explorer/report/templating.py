"""Templates and style sheets of this package, filled in."""

from __future__ import annotations

from base64 import b64encode
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from jinja2 import Template


def own_text(name: str) -> Any:
    """A style sheet or script of this package, which needs no escaping."""
    from markupsafe import Markup

    return Markup((Path(__file__).parent / "templates" / name).read_text("utf-8"))


def template(name: str) -> Template:
    """A template of this package; it escapes all text and fails on an unknown name."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("explorer.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
    )
    environment.policies["json.dumps_kwargs"] = {"separators": (",", ":"), "allow_nan": False}
    return environment.get_template(name)


def data_address(svg: str) -> str:
    """An SVG as the data address of an image; empty for no SVG."""
    return f"data:image/svg+xml;base64,{b64encode(svg.encode()).decode()}" if svg else ""
