"""The text of a table's file: its encoding, its comments, and what stands between its cells."""

from __future__ import annotations

import codecs
import re
from collections.abc import Collection

from explorer.inputs.notation import cleaned

SEPARATORS = ",;\t|"
UTF_16 = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
HIGHEST_LINES = 20
"""Among so many filled lines the column names are looked for."""
SAVE_AS = "save it as CSV in UTF-8 with commas between cells and points before decimals"


class NotText(ValueError):
    """Bytes that are no text of a table; the message is the rule that they break."""


def decoded(content: bytes) -> str:
    """The text of UTF-8, or of UTF-16 with its byte order mark; NotText for anything else.

    Other encodings do not say which they are: they are named, not guessed.
    """
    try:
        text = content.decode("utf-16" if content.startswith(UTF_16) else "utf-8-sig")
    except UnicodeDecodeError as error:
        if content.startswith(UTF_16):
            raise NotText("is broken UTF-16 text, save it as UTF-8") from None
        line = content.count(b"\n", 0, error.start) + 1
        byte = f"byte {error.start + 1}, {content[error.start]:#04x}"
        raise NotText(
            f"is not UTF-8 text, see {byte} in line {line}; if it is Latin-1 or Windows-1252, "
            "save it as UTF-8"
        ) from None
    if "\0" in text:
        utf_16 = content[:2].count(0) == 1
        raise NotText("is UTF-16 text, save it as UTF-8" if utf_16 else "is not a text file")
    return without_comments(text)


def without_comments(text: str) -> str:
    """The text with lines above the header that begin with # left blank, so that rows keep their
    numbers. A # that is a cell of its own, as in a list that counts its lines, is no comment.
    """
    lines = text.split("\n")
    for number, line in enumerate(lines):
        start = line.lstrip("\ufeff ")
        # Some spreadsheets say in a first line `sep=;` what stands between cells.
        if start.strip() and not re.match(r"#(?![,;|\t])|sep=[,;|\t]\s*$", start):
            break
        lines[number] = ""
    return "\n".join(lines)


def without_titles(text: str, header: Collection[str]) -> tuple[str, int]:
    """The text with lines left blank that stand above the one that names the columns of `header`,
    so that rows keep their numbers, and how many those were. That is the first of the highest lines
    that names the most of them.

    >>> without_titles("Our prices\\nArticle;Price\\nA-1;3", ["Article", "Price"])
    ('\\nArticle;Price\\nA-1;3', 1)
    """
    lines = text.split("\n")
    filled = [number for number, line in enumerate(lines) if line.strip()][:HIGHEST_LINES]
    if not header or not filled:
        return text, 0

    def named(line: str) -> int:
        cells = {cleaned(cell.strip().strip('"')) for cell in re.split(r"[,;|\t]", line)}
        return sum(column in cells for column in header)

    first = max(filled, key=lambda number: (named(lines[number]), -number))
    above = [number for number in filled if number < first]
    return "\n".join([*([""] * first), *lines[first:]]), len(above)


def separator_of(text: str) -> str:
    """What stands between the cells of a table: a comma wherever the first line has one, or else
    the only other separator in it.

    >>> separator_of("id;name\\n1;a,b"), separator_of("id,na;me"), separator_of("id;na|me")
    (';', ',', ',')
    """
    first = next((line for line in text.lstrip("\ufeff").split("\n") if line.strip()), "")
    found = [mark for mark in SEPARATORS if mark in first]
    return found[0] if len(found) == 1 else ","
