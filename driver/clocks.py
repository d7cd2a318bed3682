"""The system's clocks, for real runs; everything above takes whatever satisfies `seams.Clock`."""

from __future__ import annotations

import time

from noonmark.driver.interrupts import SLICE_S, InterruptFlag
from noonmark.protocols.seams import Discipline

SPIN_S = 0.002  # time.sleep oversleeps by 0.1 ms as a rule and by 1.7 ms at worst: the rest is spun away

_STA_UNSYNC = 0x0040  # <linux/timex.h>, also in adjtimex(2)


class SystemClock:
    """CLOCK_MONOTONIC, CLOCK_REALTIME and CLOCK_BOOTTIME of this host.

    `interrupt`: tested at least every 50 ms while `wait_until` waits.
    """

    def __init__(self, interrupt: InterruptFlag | None = None) -> None:
        self.interrupt = InterruptFlag() if interrupt is None else interrupt

    def monotonic(self) -> float:
        """Seconds that never step."""
        return time.monotonic()

    def utc_ns(self) -> int:
        """The host's idea of UTC, nanoseconds since 1970."""
        return time.time_ns()

    def boottime(self) -> float:
        """Like `monotonic`, but it goes on while the machine is suspended."""
        return time.clock_gettime(time.CLOCK_BOOTTIME)

    def discipline(self) -> Discipline:
        """How the system keeps CLOCK_REALTIME, by adjtimex(2), which is only read."""
        return _read_discipline()

    def wait_until(self, instant: float) -> None:
        """Sleep until the monotonic `instant`, some 0.1 ms late. Raises Interrupted, 50 ms after a signal."""
        self.interrupt.check()
        while (remaining_s := instant - time.monotonic()) > 0:
            time.sleep(min(remaining_s, SLICE_S))
            self.interrupt.check()

    def spin_until(self, instant: float) -> None:
        """Return within microseconds of the monotonic `instant`: sleep to 2 ms before it, then spin.

        Never tests for an interrupt: it is there for the middle of a write.
        """
        while (remaining_s := instant - time.monotonic() - SPIN_S) > 0:
            time.sleep(remaining_s)
        while time.monotonic() < instant:
            pass


def _read_discipline() -> Discipline:
    """adjtimex(2) with `modes` 0: it needs no privilege, but a sandbox may deny it all the same."""
    import ctypes  # costs milliseconds, and only this needs it

    class Timex(ctypes.Structure):
        """struct timex of <sys/timex.h>, whose members are C longs."""

        _fields_ = (
            ("modes", ctypes.c_int),
            ("offset", ctypes.c_long),
            ("freq", ctypes.c_long),
            ("maxerror", ctypes.c_long),  # microseconds
            ("esterror", ctypes.c_long),  # microseconds
            ("status", ctypes.c_int),
            ("unread", ctypes.c_byte * 256),  # the members we have no use for, and room to spare
        )

    try:
        call = ctypes.CDLL(None, use_errno=True).adjtimex
    except (OSError, AttributeError):
        return Discipline(None, why="this system has no adjtimex call")
    answer = Timex()  # all zero: modes 0 reads and changes nothing
    if call(ctypes.byref(answer)) == -1:
        return Discipline(None, why=f"adjtimex was refused: {_refusal(ctypes.get_errno())}")
    unsynchronised = bool(answer.status & _STA_UNSYNC)
    return Discipline(
        synchronised=not unsynchronised,
        max_error_s=answer.maxerror / 1e6,
        estimated_error_s=answer.esterror / 1e6,
        why=f"adjtimex: STA_UNSYNC {'set' if unsynchronised else 'clear'}, maxerror {answer.maxerror} us",
    )


def _refusal(number: int) -> str:
    import errno
    import os

    name = errno.errorcode.get(number, str(number))
    hint = " (a unit's system call filter must allow @clock)" if number == errno.EPERM else ""
    return f"{name}, {os.strerror(number)}{hint}"
