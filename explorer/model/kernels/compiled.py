"""How kernels are compiled, and where their machine code is kept between runs.

`law` and `inlined` mark a function that other kernels call, `scalar` one of physics, `entry` one
that is called from outside. Only entries are cached on disk, with everything they call inside them.
Numba watches the file of the cached function alone: after an edit of a function that it calls it
would go on returning the old numbers. So the cache lies in a folder named by a hash of every source
that can matter.

With NUMBA_DISABLE_JIT=1 both do nothing, and the same code runs in the debugger.
"""

from __future__ import annotations

import hashlib
import platform
import sys
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import Any, TypeVar, cast

import numba
import numpy as np
from llvmlite import binding
from numpy.typing import NDArray

from explorer.user_cache import cache_named

Function = TypeVar("Function", bound=Callable[..., Any])

njit: Any = numba.njit
config: Any = numba.config
"""What numba says of their types differs between its versions."""
OPTIONS = {"error_model": "numpy", "nogil": True, "_nrt": False}
"""Divisions by zero give infinities, as in arrays. No kernel makes an array: without references
being counted a session takes two thirds of the time."""
PACKAGE = Path(__file__).parents[2]
SOURCES = (Path(__file__).parent, PACKAGE / "physics")
"""Folders whose code may end up in an entry."""


def fingerprint(folders: tuple[Path, ...] = SOURCES) -> str:
    """Hash of all sources in some folders, of the compiler, of Python and of the processor."""
    digest = hashlib.sha256()
    for source in sorted(file for folder in folders for file in folder.glob("*.py")):
        digest.update(source.name.encode() + b"\0" + source.read_bytes() + b"\0")
    features = binding.get_host_cpu_features().flatten()
    about = (numba.__version__, sys.version, platform.machine(), binding.get_host_cpu_name())
    digest.update("\0".join((*about, features)).encode())
    return digest.hexdigest()[:24]


@lru_cache(maxsize=1)
def cache_folder() -> Path | None:
    """The folder that holds this code's machine code; None where no folder can be written."""
    return cache_named(f"kernels-{fingerprint()}")


def law(function: Function) -> Function:
    """Compile a function that other kernels call."""
    return cast(Function, njit(**OPTIONS)(function))


def scalar(function: Callable[..., Any]) -> Callable[..., float]:
    """Compile a law of physics, which also serves arrays, for single numbers."""
    return cast(Callable[..., float], njit(**OPTIONS)(function))


def inlined(function: Function) -> Function:
    """Compile a function into every place that calls it: for those that each step passes."""
    return cast(Function, njit(forceinline=True, **OPTIONS)(function))


def edge(rows: NDArray[Any]) -> NDArray[Any]:
    """Records as entries take them; plain Python wants fields as attributes."""
    return rows.view(np.recarray) if config.DISABLE_JIT else rows


def entry(function: Function) -> Function:
    """Compile a function that is called from outside, when it is first called, and keep it.

    The folder is set for this one function only: other packages keep theirs where they did.
    """
    folder = cache_folder()
    if folder is None or config.DISABLE_JIT:
        return law(function)
    before = config.CACHE_DIR
    config.CACHE_DIR = str(folder)
    try:
        return cast(Function, njit(cache=True, **OPTIONS)(function))
    finally:
        config.CACHE_DIR = before
