"""Signals, taken without ever cutting a command in half.

The handler only sets a flag. Whoever is about to ask the mount something, or waits, tests it. Once the flag
is up the signals have their default action again, so that a second one ends the process at once, in the
kernel, even while the first is still waiting for a blocked system call to come back.
"""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Iterator
from types import FrameType

SLICE_S = 0.05  # no wait goes on longer than this without testing the flag
CAUGHT = (signal.SIGINT, signal.SIGTERM)


class Interrupted(BaseException):
    """The user or the system wants us to stop. Like KeyboardInterrupt no `except Exception` swallows it."""

    def __init__(self, signal_number: int) -> None:
        super().__init__(f"interrupted by {signal.Signals(signal_number).name}")
        self.signal_number = signal_number

    @property
    def exit_status(self) -> int:
        """128 plus the signal's number, as shells report it: 130 for SIGINT, 143 for SIGTERM."""
        return 128 + self.signal_number


class InterruptFlag:
    """Remembers the first signal."""

    __slots__ = ("_signal_number",)

    def __init__(self) -> None:
        self._signal_number: int | None = None

    @property
    def signal_number(self) -> int | None:
        """The first signal that came, None so far."""
        return self._signal_number

    def set(self, signal_number: int) -> None:
        """Put the flag up; a second signal does not change it."""
        if self._signal_number is None:
            self._signal_number = signal_number

    def check(self) -> None:
        """Raise Interrupted if a signal has come. It goes on raising: nothing more is asked of the mount."""
        if self._signal_number is not None:
            raise Interrupted(self._signal_number)


@contextlib.contextmanager
def catching() -> Iterator[InterruptFlag]:
    """Catch SIGINT and SIGTERM while the context lasts; yields the flag, and puts the old handlers back.

    A signal that was being ignored (as a shell arranges for what it starts in the background) stays ignored.
    Outside the main thread no handler can be installed: the flag is yielded all the same.
    """
    flag = InterruptFlag()
    if threading.current_thread() is not threading.main_thread():
        yield flag
        return

    def note(signal_number: int, frame: FrameType | None) -> None:
        flag.set(signal_number)
        for number in earlier:
            signal.signal(number, signal.SIG_DFL)

    earlier = {
        number: handler
        for number in CAUGHT
        if (handler := signal.getsignal(number)) is not signal.SIG_IGN and handler is not None
    }
    for number in earlier:
        signal.signal(number, note)
    try:
        yield flag
    finally:
        for number, handler in earlier.items():
            signal.signal(number, handler)
