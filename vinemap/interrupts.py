"""Ctrl-C and other signals that ask to stop: held while outputs are exchanged, and answered in one true line.

`stop_cleanly` is for the command line. It does not go by ``KeyboardInterrupt``, which compiled code and imports swallow
or turn into other errors, but ends the process from the handler itself, after undoing what is half done. Who calls the
library keeps Python's own handlers; `held` defers those likewise.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from types import FrameType

_NAMES = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")
# SIGINT first: held first, let through last, so that no exception breaks into the changing of the others.
_SIGNALS = tuple(getattr(signal, name) for name in _NAMES if hasattr(signal, name))
_CLEAR_SPINNER = "\r\x1b[2K\x1b[?25h"

_undo: list[Callable[[], None]] = []
_written: dict[str, None] = {}


def stop_cleanly() -> None:
    """Make a signal that asks to stop end the process: exit code 1, one plain line, nothing half done.

    A signal that the caller's shell ignores, as ``nohup`` does, stays ignored.
    """
    for number in _SIGNALS:
        if signal.getsignal(number) is not signal.SIG_IGN:
            signal.signal(number, _stop)


def finish_quietly() -> None:
    """Let no signal that asks to stop break into the end of a process that has done and said everything.

    Python takes its handlers away while it shuts down, so that a signal would end it without a word and with a code
    that denies what was done; what is ignored stays ignored.
    """
    for number in _SIGNALS:
        if signal.getsignal(number) is _stop:
            signal.signal(number, signal.SIG_IGN)


@contextmanager
def on_stop(undo: Callable[[], None]) -> Iterator[None]:
    """Have something undone first where `stop_cleanly` ends the process within the block."""
    _undo.append(undo)
    try:
        yield
    finally:
        _undo.remove(undo)


def note_written(what: str, former: str | None = None) -> None:
    """Remember, for `written`, that outputs stand in their place, and forget what this says anew.

    Parameters
    ----------
    what : str
        Fit for a terminal.
    former : str, optional
        Of an earlier call.
    """
    if former is not None:
        _written.pop(former, None)
    _written[what] = None


def stopped() -> str:
    """Return the line that says what a stop left behind."""
    return f"Stopped; {written()}."


def written() -> str:
    """Say what this process has written by now."""
    return f"{' and '.join(_written)} had been written, whole" if _written else "nothing was written"


@contextmanager
def held() -> Iterator[None]:
    """Hold signals that ask to stop until the end of the block, which must be short; then let them through.

    Python runs signal handlers in the main thread alone, so that a block in another thread needs no holding.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    waiting: list[int] = []

    def wait(number: int, _: FrameType | None) -> None:
        waiting.append(number)

    before: dict[int, Callable[[int, FrameType | None], object] | int] = {}
    try:
        for number in _SIGNALS:
            handler = signal.getsignal(number)
            if handler is not None and handler is not signal.SIG_IGN:
                before[number] = handler
                signal.signal(number, wait)
        yield
    finally:
        for number, handler in reversed(before.items()):
            signal.signal(number, handler)
        for number in dict.fromkeys(waiting):
            signal.raise_signal(number)


def _stop(_: int, __: FrameType | None) -> None:
    for number in _SIGNALS:
        signal.signal(number, signal.SIG_IGN)
    for undo in reversed(_undo):
        with suppress(Exception):
            undo()
    # No printing through objects that the interrupted code may be in the middle of.
    lead = _CLEAR_SPINNER if sys.stderr is not None and sys.stderr.isatty() else ""
    with suppress(OSError):
        os.write(2, f"{lead}{stopped()}\n".encode(errors="replace"))
    os._exit(1)
