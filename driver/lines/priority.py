"""Real-time scheduling for the few milliseconds in which an instant matters, where the system permits it."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator

from noonmark.driver.clocks import SystemClock
from noonmark.protocols.seams import Clock

GRANTED = "under real-time scheduling"
DENIED = "without real-time scheduling, which is not permitted here (it needs CAP_SYS_NICE or an rtprio limit)"
ABSENT = "without real-time scheduling, which this system does not have"
SIMULATED = "in simulated time"


@contextlib.contextmanager
def undisturbed(clock: Clock) -> Iterator[str]:
    """This thread before all ordinary ones while the context lasts; yields which it was, for the record.

    The former scheduling is put back. Time that is not this machine's own needs none of it.
    """
    if not isinstance(clock, SystemClock):
        yield SIMULATED
        return
    if not hasattr(os, "sched_setscheduler"):
        yield ABSENT
        return
    try:
        before = os.sched_getscheduler(0), os.sched_getparam(0)
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(1))
    except OSError:
        yield DENIED
        return
    try:
        yield GRANTED
    finally:
        with contextlib.suppress(OSError):
            os.sched_setscheduler(0, *before)
