"""Maps of the bridge for EMFs that are no sines: shipped, kept from an earlier run, or solved once.

One shape is one table, since the scaling of `physics.bridge` holds for each; between shapes nothing
is interpolated. A solved table is kept in a file named by a hash of the shape and of the sources
that solve it, so that none is read that other sources made. A damaged one is solved again.

`python -m explorer.model.shape_maps` solves those that are shipped anew: some minutes.
"""

from __future__ import annotations

import hashlib
import io
import logging
import zipfile
import zlib
from functools import lru_cache
from pathlib import Path

import numpy as np

from explorer.errors import DiskError
from explorer.files import write_atomic
from explorer.inputs.front_parts import Generator
from explorer.inputs.study import Project
from explorer.physics import bridge, soft_bus
from explorer.physics.bridge import FULL_BRIDGES, RECTIFIERS, SIX_PULSE, STAR, WINDING, Kind, Table
from explorer.physics.emf_shape import SINE, Shape
from explorer.units import Array
from explorer.user_cache import cache_named

SHIPPED = (
    STAR.shaped(Shape(h5=0.08)),
    STAR.shaped(Shape(h5=-0.08)),
    WINDING.shaped(Shape(h3=0.15)),
)
"""Classes of shapes whose maps come with the program."""
SHIPPED_FOLDER = Path(bridge.__file__).parent
PACKAGE_FOLDER = SHIPPED_FOLDER.parent
SOLVED_BY = (
    *(f"physics/{name}.py" for name in ("bridge", "bridge_map", "bridge_solver", "emf_shape")),
    "physics/soft_bus.py",
    "model/soft_bus_map.py",
    *(f"model/kernels/{name}.py" for name in ("switching", "junction", "wave")),
)
"""What a table follows from, beside its shape."""
PARTS_OF_A_TABLE = ("", "_low", "_high")
OVERLAPS = "_overlaps"
"""The table of `physics.soft_bus` for the same shape."""
TABLES_KEPT = 64
"""Tables that a process keeps."""


def kind_of(circuit: int) -> Kind:
    """The kind of bridge of a circuit of `physics.bridge`; a direct voltage asks for none."""
    return WINDING if circuit == FULL_BRIDGES else STAR


def wanted(project: Project) -> list[Kind]:
    """Kinds of bridge, each with its shape, that the chosen generators of a study ask for."""
    chosen = set(project.study.choices["generator"])
    rows = [row for row in project.catalogue.parts["generator"] if row.id in chosen]
    found: dict[Kind, None] = {}
    for row in rows:
        assert isinstance(row, Generator)
        circuit = RECTIFIERS[row.machine.bridge].circuit
        if circuit not in (SIX_PULSE, FULL_BRIDGES):
            continue
        found[kind_of(circuit).shaped(row.shape)] = None
        if row.open_star and max(project.study.settings["delta"].values) > 0:
            found[kind_of(circuit).shaped(row.in_delta.shape)] = None
    return list(found)


def unsolved(project: Project) -> list[Kind]:
    """Those of them whose map has to be solved first."""
    return [kind for kind in wanted(project) if kind.shape != SINE and _found(kind) is None]


def solve_wanted(project: Project) -> None:
    """See to it that all maps are there that a study asks for."""
    for kind in unsolved(project):
        table_of(kind)


def in_words(kind: Kind) -> str:
    """What a map is of: `an EMF with +8 % fifth harmonic in a star`."""
    names = ("third", "fifth", "seventh")
    parts = [
        f"{100 * share:+.3g} % {name}"
        for name, share in zip(names, kind.shape, strict=True)
        if share
    ]
    where = "in a star" if kind.phases == 3 else "in separate windings"
    return f"an EMF with {', '.join(parts)} harmonic {where}"


@lru_cache(maxsize=TABLES_KEPT)
def table_of(kind: Kind) -> Table:
    """The table of a kind of bridge and its shape."""
    if kind.shape == SINE:
        return bridge.universal_table(kind.phases)
    parts = _parts_of(kind)
    return bridge.unpacked(*(parts[name] for name in PARTS_OF_A_TABLE))


def overlaps_of(kind: Kind) -> Array:
    """The table of `physics.soft_bus` for a kind of bridge and its shape."""
    if kind.shape == SINE:
        return soft_bus.overlap_table(soft_bus.sharing_of(kind))
    return np.asarray(_parts_of(kind)[OVERLAPS], dtype=float)


@lru_cache(maxsize=TABLES_KEPT)
def _parts_of(kind: Kind) -> dict[str, Array]:
    """Both tables of a shape as they are kept, solved where there are none yet.

    Solving is said as a warning before it begins: a minute or two. Where no folder for caches can
    be written, it is for this process alone.
    """
    parts, file = _found(kind), _cached(kind)
    if parts is None:
        logging.getLogger(__name__).warning(
            "solving the map of the bridge for %s: once, a minute or two", in_words(kind)
        )
        parts = _solved(kind)
        if file is not None:
            _keep(file, kind, parts)
    return parts


def _solved(kind: Kind) -> dict[str, Array]:
    from explorer.model import soft_bus_map  # both with parts of SciPy that nothing else needs
    from explorer.physics import bridge_map

    return {**bridge_map.solved(kind), OVERLAPS: soft_bus_map.overlaps_of_shape(kind)}


def _found(kind: Kind) -> dict[str, Array] | None:
    """A packed table that is shipped or kept, None where there is none or it is damaged."""
    for file in (_shipped(kind), _cached(kind)):
        parts = _read(file, kind) if file is not None and file.exists() else None
        if parts is not None:
            return parts
    return None


def _shipped(kind: Kind) -> Path:
    name = "_".join(f"{share:.6g}" for share in (kind.phases, *kind.shape))
    return SHIPPED_FOLDER / f"bridge_map_{name}.npz"


def _cached(kind: Kind) -> Path | None:
    folder = cache_named("maps")
    return folder / f"{hash_of(kind)}.npz" if folder is not None else None


def hash_of(kind: Kind) -> str:
    """Hash of a kind of bridge with its shape and of the sources that solve it."""
    digest = hashlib.sha256(repr(tuple(map(float, (kind.phases, *kind.shape)))).encode())
    for name in SOLVED_BY:
        digest.update(b"\0" + (PACKAGE_FOLDER / name).read_bytes())
    return digest.hexdigest()[:32]


def _digest(kind: Kind, parts: dict[str, Array]) -> str:
    """Hash of what a file says: whose table it is, and its numbers."""
    digest = hashlib.sha256(repr(tuple(map(float, (kind.phases, *kind.shape)))).encode())
    for name in (*PARTS_OF_A_TABLE, OVERLAPS):
        digest.update(np.ascontiguousarray(parts[name]).tobytes())
    return digest.hexdigest()


def _read(file: Path, kind: Kind) -> dict[str, Array] | None:
    """The packed table of a file; None where it is damaged or that of another shape."""
    try:
        with np.load(io.BytesIO(file.read_bytes()), allow_pickle=False) as data:
            parts = {name: data[f"table{name}"] for name in (*PARTS_OF_A_TABLE, OVERLAPS)}
            sound = str(data["digest"]) == _digest(kind, parts)
    except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile, zlib.error):
        return None
    return parts if sound else None


def _keep(file: Path, kind: Kind, parts: dict[str, Array]) -> None:
    """Write a packed table; a disk that is full or closed costs only the next run's time."""
    stream = io.BytesIO()
    named = {f"table{name}": parts[name] for name in (*PARTS_OF_A_TABLE, OVERLAPS)}
    np.savez_compressed(stream, digest=np.array(_digest(kind, parts)), **named)  # type: ignore[arg-type]
    try:
        write_atomic(file, stream.getvalue())
    except DiskError as error:
        logging.getLogger(__name__).warning("the map is not kept: %s", error)


def main() -> None:
    """Solve the shipped maps and write them beside the bridge's own."""
    for kind in SHIPPED:
        _keep(_shipped(kind), kind, _solved(kind))


if __name__ == "__main__":
    main()
