"""Ends the program on Ctrl-C and SIGTERM: one line, the status that shells expect, no worker left.

The first signal raises `Stopped` in the main thread, so that files and transactions are closed as
after any failure; from then on nothing but the one line is written to standard error. Where that
does not end the program within `GRACE_S`, it is ended as it is.
"""

from __future__ import annotations

import atexit
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from types import FrameType
from typing import NoReturn

WORDS = "stopped; launch again to go on from here\n"
GRACE_S, CLEAN_UP_S = 3.0, 1.0
"""Together less than the five seconds after which nobody may be left."""
WATCH_S = 0.5
"""How often a worker looks whether it still has somebody to work for."""
SIGNALS = (signal.SIGINT, signal.SIGTERM)


class Stopped(BaseException):
    """A signal has asked the program to end."""


class _State:
    """Of the one program that runs in this process."""

    status: int | None = None
    """What the program will exit with once a signal has come."""
    held = 0
    ended = False
    """Nothing is left to unwind."""
    answering = False
    """The work is done: what is left is to say so."""
    late: int | None = None
    """The exit status that a signal has asked for since then."""


def status() -> int | None:
    """The exit status that a signal has asked for, None as long as there was none."""
    return _State.status


def answering() -> None:
    """From now on a signal lets the program end by itself with its own status: its work is done.
    One that cannot get rid of its answer is ended after `GRACE_S`.
    """
    _State.answering = True


def run_program(program: Callable[[], None]) -> None:
    """Run a program that ends with SystemExit; a signal ends it with 130 or 143."""
    for number in SIGNALS:
        signal.signal(number, _on_signal)
    if hasattr(signal, "SIGALRM"):
        signal.signal(signal.SIGALRM, lambda number, frame: _end_at_once())
    try:
        program()
    except BaseException:
        # What follows from a signal, such as workers that are gone, is no failure of its own.
        _State.ended = True
        if _State.status is None:
            raise
    _State.ended = True
    if _State.status is not None:
        _end_workers()
        _say()
        _leave(_State.status)


@contextmanager
def starting_workers() -> Iterator[None]:
    """Within it, a signal waits until all processes that are being started are known.

    They never see the SIGINT that a terminal sends to every process of a command: each would write
    a traceback. Their parent ends them.
    """
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    from multiprocessing import resource_tracker

    _State.held += 1
    resource_tracker.ensure_running()  # whose start would lift the mask again
    # A mask is inherited by processes, and by the threads that start more of them later.
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        _State.held -= 1
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
    if _State.status is not None and not _State.held:
        raise Stopped


def end_with(parent: int) -> None:
    """In a worker: end once the process that started it is gone, which a kill gives no time to see
    to. Without this it would wait for work for minutes.
    """
    if os.name != "posix":  # where a process is the child of its parent for ever
        return

    def watch() -> None:
        while os.getppid() == parent:
            time.sleep(WATCH_S)
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


def _on_signal(number: int, frame: FrameType | None) -> None:
    if _State.answering and hasattr(signal, "setitimer"):
        if _State.late is None:
            _State.late = 128 + number
            signal.setitimer(signal.ITIMER_REAL, GRACE_S)
        return
    if _State.status is not None:
        return
    _State.status = 128 + number
    if _State.ended:
        _end_at_once()
    sys.stderr = open(os.devnull, "w")  # noqa: SIM115 (for as long as the process lives)
    if hasattr(signal, "setitimer"):
        signal.setitimer(signal.ITIMER_REAL, GRACE_S)
    if not _State.held:
        raise Stopped


def _end_at_once() -> None:
    """End where unwinding hangs, or where there is nothing to unwind."""
    _kill_children()
    _say()
    _leave(_State.status or _State.late or 1)


def _leave(status: int) -> NoReturn:
    """End the process. Not by the interpreter's own end: there no handler is left for an alarm that
    is still to come, and threads of libraries that a signal has interrupted crash in it.
    """
    if hasattr(signal, "setitimer"):
        signal.signal(signal.SIGALRM, lambda number, frame: os._exit(status))
        signal.setitimer(signal.ITIMER_REAL, CLEAN_UP_S)
    with suppress(BaseException):
        sys.stdout.flush()
    with suppress(BaseException):
        # Semaphores and folders of the workers: what is left of them is complained of by a helper
        # process of joblib, on the terminal and after our end.
        atexit._run_exitfuncs()
    os._exit(status)


def _end_workers() -> None:
    """End joblib's processes, busy or idle, and whatever else was started with them."""
    started = sys.modules.get("joblib.externals.loky.reusable_executor")
    executor = getattr(started, "_executor", None)
    if executor is not None:
        with suppress(Exception):
            executor.shutdown(wait=True, kill_workers=True)
    _kill_children()


def _kill_children() -> None:
    multiprocessing = sys.modules.get("multiprocessing")
    if multiprocessing is None:
        return
    for child in multiprocessing.active_children():
        with suppress(OSError):
            os.kill(child.pid, getattr(signal, "SIGKILL", signal.SIGTERM))  # Windows has one


def _say() -> None:
    with suppress(OSError):
        os.write(2, WORDS.encode())
