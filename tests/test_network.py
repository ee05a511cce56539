"""No command uses the network, nor do the processes that it starts.

Every Python of the test refuses each socket that is not of this machine alone (Unix), by an audit
hook (PEP 578) that `sitecustomize` sets before anything else runs, and writes down what it refused.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.helpers.mutations import CHOICES, SHOP

ROOT = Path(__file__).parent.parent
REFUSE = """
import os, sys
def _refuse(event, values):
    if event.split(".")[0] != "socket":
        return
    address = values[-1] if event in ("socket.connect", "socket.bind", "socket.sendto") else None
    looks_up = event in ("socket.getaddrinfo", "socket.gethostbyname", "socket.gethostbyaddr")
    if looks_up or isinstance(address, tuple):
        with open(os.environ["REFUSED"], "a") as file:
            file.write(f"{event} {values!r}\\n")
        raise OSError("no network")
sys.addaudithook(_refuse)
"""


@pytest.fixture
def offline(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """What every Python that is started from here on has refused."""
    (tmp_path / "hook").mkdir()
    (tmp_path / "hook" / "sitecustomize.py").write_text(REFUSE)
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join((str(tmp_path / "hook"), str(ROOT))))
    monkeypatch.setenv("REFUSED", str(tmp_path / "refused.txt"))
    return tmp_path / "refused.txt"


def run(*arguments: str, cwd: Path) -> str:
    """What a command writes on standard output."""
    done = subprocess.run(
        [sys.executable, "-m", "explorer", *arguments],
        cwd=cwd, capture_output=True, text=True, timeout=300,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_no_command_uses_the_network(small_study: Path, offline: Path) -> None:
    home = small_study.parent
    small_study.write_text(small_study.read_text("utf-8") + CHOICES, "utf-8")
    (home / "shop.csv").write_text(SHOP, "utf-8")
    launched = json.loads(run("launch", "small.toml", "--workers", "2", "--json", cwd=home))
    design = launched["front"][0]
    with (home / "design.toml").open("w", encoding="utf-8") as file:
        for section in ("parts", "settings"):
            file.write(f"[{section}]\n")
            file.writelines(f"{name} = {json.dumps(v)}\n" for name, v in design[section].items())
    for command in (
        "lock small.toml " + design["design_id"], "rerun small.toml", "review small.toml",
        "evaluate small.toml --design design.toml", "check small.toml", "schema study",
        "table small.toml front.csv", "start my_study", "--version", "--help",
    ):  # fmt: skip
        run(*command.split(), cwd=home)
    assert not offline.exists(), offline.read_text()


def test_the_hook_would_have_seen_it(tmp_path: Path, offline: Path) -> None:
    call = "import socket; socket.create_connection(('127.0.0.1', 9), 1)"
    done = subprocess.run([sys.executable, "-c", call], capture_output=True, text=True)
    assert "no network" in done.stderr
    assert "127.0.0.1" in offline.read_text()
