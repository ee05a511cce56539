"""Texts that are kept for later runs: what was kept is read, what is damaged or foreign is not."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from explorer import user_cache
from explorer.user_cache import MOST_TEXTS, cache_named, keep_text, kept_text


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(user_cache, "_candidates", lambda: [tmp_path])
    return tmp_path


def test_a_text_is_kept_by_kind_and_key() -> None:
    text = "first line\nsecond\r\n\u00e9\U0001f600"
    keep_text("plots", "one", text)
    assert kept_text("plots", "one") == text
    assert kept_text("plots", "two") is None
    assert kept_text("stills", "one") is None


def test_a_damaged_text_is_none() -> None:
    keep_text("plots", "one", "a script")
    folder = cache_named("plots")
    assert folder is not None
    file = folder / "one"
    whole = file.read_bytes()
    for damaged in (whole.replace(b"a script", b"b script"), whole[:-1], b"", b"\xff\xfe"):
        file.write_bytes(damaged)
        assert kept_text("plots", "one") is None
    keep_text("plots", "one", "a script")
    assert kept_text("plots", "one") == "a script"


def test_the_oldest_go() -> None:
    folder = cache_named("plots")
    assert folder is not None
    for age in range(MOST_TEXTS + 3):
        keep_text("plots", f"k{age}", str(age))
        os.utime(folder / f"k{age}", (age, age))
    keep_text("plots", "last", "last")
    assert len(list(folder.iterdir())) == MOST_TEXTS
    assert kept_text("plots", "last") == "last"
    assert kept_text("plots", "k0") is None
    assert kept_text("plots", f"k{MOST_TEXTS + 2}") is not None


def test_nowhere_to_write_is_no_failure(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (home / "file").write_text("")
    monkeypatch.setattr(user_cache, "_candidates", lambda: [home / "file"])
    keep_text("plots", "one", "text")
    assert kept_text("plots", "one") is None


@pytest.mark.skipif(os.name != "posix", reason="permissions of POSIX")
def test_a_text_that_others_could_have_written_is_not_read() -> None:
    """It becomes a part of a page's script."""
    keep_text("plots", "one", "text")
    folder = cache_named("plots")
    assert folder is not None
    folder.chmod(0o777)
    assert kept_text("plots", "one") is None
