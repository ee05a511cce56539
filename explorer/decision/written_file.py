"""Whether the file of decisions is as the store wrote it last: then it need not be read again.

A file of hundreds of decisions takes seconds to be parsed and checked. The store keeps a hash over
the file and over its own decisions from when both came to hold the same; while the hash is as it
was, so are they.
"""

from __future__ import annotations

from collections.abc import Sequence
from hashlib import blake2b
from pathlib import Path

from explorer.decision.decided_file import FORMAT, LARGEST_LOCKS_BYTES
from explorer.files import leads_outside
from explorer.inputs.links import LINKS
from explorer.inputs.records import SETTINGS
from explorer.store.decisions import Kept
from explorer.store.results import Store

WRITTEN = "decisions:file"
"""Where a store keeps the hash."""


def remember_written(store: Store, content: bytes) -> None:
    """Keep that a file of this content holds what the store holds."""
    store.save_progress(WRITTEN, {"hash": _hash(store.decisions(), content)})


def as_written(store: Store, path: Path, kept: Sequence[Kept]) -> str | None:
    """The text of the file of decisions where it and what the store has `kept` are as they were
    remembered; None where they are not, or where the file cannot be read.
    """
    known = store.search_progress(WRITTEN).get("hash") if kept else None
    if known is None or leads_outside(path, path.parent):
        return None
    try:
        if not path.is_file() or path.stat().st_size > LARGEST_LOCKS_BYTES:
            return None
        content = path.read_bytes()
    except OSError:
        return None  # whoever reads it says why
    return content.decode() if _hash(kept, content) == known else None


def _hash(kept: Sequence[Kept], content: bytes) -> str:
    """Of the file, of what the store holds, and of what is filled in where an entry lacks it."""
    digest = blake2b(digest_size=16)
    release = repr((FORMAT, *LINKS, *SETTINGS))
    for part in (content, release.encode(), *(one.text.encode() for one in kept)):
        digest.update(len(part).to_bytes(8, "big"))
        digest.update(part)
    return digest.hexdigest()
