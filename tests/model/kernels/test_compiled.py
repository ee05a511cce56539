"""Where machine code is kept, and that it is the code that stands in the sources."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from explorer import user_cache
from explorer.model.kernels import compiled

PACKAGE = Path(compiled.__file__).parents[2]
PROGRAM = """
import numpy as np
from explorer.model.kernels import machine, records, session
from explorer.model.kernels.motion import Settings
row = records.rows(
    records.MACHINE, 1, bridge=2, phases=1, valves=1, valves_in_path=1, drops=1, knee=1,
    emf_V_s=0.32, circuit_ohm=0.7, copper_ohm=0.7, lead_ohm=0.07,
    inductance_H=0.003, pole_pairs=1, drag_N_m=0.1, saturation_A=9e-5, emission_V=0.0342,
    valve_ohm=0.045,
)
tables = machine.tabulate(row, np.array([100.0]), 60.0)
print(repr(float(machine.read_all(tables, 0, np.array([40.0]), np.array([6.0]), 0.0, 0.1)[0, 0])))
"""
SESSION = (
    PROGRAM
    + """
drive = records.rows(records.DRIVE, 1, radius_m=0.17, ratio=6, efficiency=0.96, drag_N_m=0.15,
                     cadence_rad_s=6.0)
load = records.rows(
    records.LOAD, 1, capacitance_F=1, esr_ohm=0.3, off_V=5, on_V=6, over_V=11, return_V=10,
    on_resistance_ohm=0.05, input_limit_A=5, loss_W=0.1, draw_A=1, delivered_W=5, hold_V=4.4,
)
person = records.rows(
    records.PERSON, 1, critical_power_W=45, reserve_J=3600, comfort_force_N=40, force_limit_N=150,
    power_share=0.5, sprint_torque_N_m=95, sprint_speed_rad_s=21.7, unevenness=0.5, seconds=20,
    pace_s=600, inertia_kg_m2={inertia},
)
found, _ = session.sessions(tables, np.array([0]), drive, load, person, Settings(25.0))
print(repr(float(found["delivered_J"][0, 0])), repr(float(found["crank_work_J"][0, 0])))
"""
)


def run(program: str, home: Path, **environment: str) -> list[float]:
    """What a program prints, with a cache of its own."""
    around = os.environ | {"PYTHONPATH": str(home), "XDG_CACHE_HOME": str(home / "cache")}
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=False,
        cwd=home, env=around | environment,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]
    return [float(word) for word in done.stdout.split()]


@pytest.mark.slow
def test_an_edit_of_a_called_file_is_seen(tmp_path: Path) -> None:
    """The entry stands in another file than the law that is edited."""
    shutil.copytree(PACKAGE, tmp_path / "explorer", ignore=shutil.ignore_patterns("__pycache__"))
    before = run(PROGRAM, tmp_path)
    assert run(PROGRAM, tmp_path) == before
    law = tmp_path / "explorer" / "model" / "kernels" / "bridge.py"
    old = "amps = max((emission_V * omega - leak) / resistance, 0.0)"
    assert old in law.read_text()
    law.write_text(law.read_text().replace(old, old.replace("0.0)", "0.0) * 2")))
    assert run(PROGRAM, tmp_path)[0] == pytest.approx(2 * before[0], rel=1e-6)
    kept = list((tmp_path / "cache" / "genchain").iterdir())
    assert len(kept) == 2


@pytest.mark.slow
@pytest.mark.parametrize("inertia", [0.0, 0.05])
def test_plain_python_gives_the_same(tmp_path: Path, inertia: float) -> None:
    program = SESSION.replace("{inertia}", str(inertia))
    compiled_, plain = (
        run(program, tmp_path, PYTHONPATH=str(PACKAGE.parent), NUMBA_DISABLE_JIT=flag)
        for flag in ("0", "1")
    )
    assert plain == pytest.approx(compiled_, rel=1e-6)
    assert compiled_[1] > 0


@pytest.fixture
def fresh() -> None:
    compiled.cache_folder.cache_clear()
    yield
    compiled.cache_folder.cache_clear()


@pytest.mark.usefixtures("fresh")
def test_without_a_home_a_private_folder_serves(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "file").write_text("")
    monkeypatch.setattr(user_cache, "user_cache", lambda: tmp_path / "file" / "below")
    monkeypatch.setattr(user_cache.tempfile, "gettempdir", lambda: str(tmp_path))
    folder = compiled.cache_folder()
    assert folder is not None
    assert folder.is_relative_to(tmp_path)
    assert folder.stat().st_mode & 0o077 == 0


@pytest.mark.usefixtures("fresh")
def test_nowhere_to_write_is_no_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "file").write_text("")
    monkeypatch.setattr(user_cache, "_candidates", lambda: [tmp_path / "file"])
    assert compiled.cache_folder() is None

    @compiled.entry
    def twice(x: float) -> float:
        return 2 * x

    assert twice(2.0) == 4.0


@pytest.mark.skipif(os.name != "posix", reason="permissions of POSIX")
@pytest.mark.usefixtures("fresh")
def test_a_folder_that_others_can_write_is_not_used(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Machine code is run as it is read: nobody else may put it there."""
    folder = tmp_path / "genchain" / f"kernels-{compiled.fingerprint()}"
    folder.mkdir(parents=True)
    folder.chmod(0o777)
    monkeypatch.setattr(user_cache, "_candidates", lambda: [tmp_path])
    assert compiled.cache_folder() is None


def test_the_name_tells_sources_apart(tmp_path: Path) -> None:
    (tmp_path / "a.py").write_text("x = 1\n")
    before = compiled.fingerprint((tmp_path,))
    assert compiled.fingerprint((tmp_path,)) == before
    (tmp_path / "a.py").write_text("x = 2\n")
    assert compiled.fingerprint((tmp_path,)) != before
