"""What the benches share: their options, and the JSON that they write."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any


def asked(about: str | None, **options: float | Path) -> argparse.Namespace:
    """The options of a bench: numbers and files by name with their defaults, and `--json FILE`."""
    words = argparse.ArgumentParser(description=(about or "").split("\n")[0])
    words.add_argument("--json", type=Path, help="write the figures to this file")
    for name, usual in options.items():
        words.add_argument(
            f"--{name}",
            type=Path if isinstance(usual, Path) else type(usual),
            default=usual,
            help="usually %(default)s",
        )
    return words.parse_args()


def write(path: Path | None, rows: Any) -> None:
    """Write the figures where they are asked for."""
    if path is not None:
        path.write_text(json.dumps(rows, indent=1) + "\n")
