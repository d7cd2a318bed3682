"""Time for simulated devices: a virtual clock on which time passes only when someone waits, and its real twin.

True UTC is the simulated world's own truth; the host's UTC may be wrong beside it. Devices are functions of an
instant: they are asked for what they show at a monotonic instant, and need neither threads nor ticks.
"""

from __future__ import annotations

import datetime as dt
import heapq
from collections.abc import Callable
from typing import Protocol

from noonmark.protocols.seams import Clock, Discipline

SYNCHRONISED = Discipline(synchronised=True, max_error_s=0.02, estimated_error_s=0.002, why="simulated")
START_S = 1000.0  # the virtual clock's first monotonic instant


class Timeline(Clock, Protocol):
    """A clock that also knows the simulated world's true UTC, and runs events on the way.

    devices: what lives on this timeline, by its address: who opens one twice finds the same one again.
    """

    devices: dict[str, object]

    def true_utc_s(self) -> float:
        """True UTC now, seconds since 1970-01-01T00:00Z, leap seconds not counted."""
        ...

    def true_utc_at(self, instant: float) -> float:
        """True UTC at a monotonic instant, as long as the host is not suspended in between."""
        ...

    def instant_of(self, true_utc_s: float) -> float:
        """The monotonic instant of a true UTC, as long as the host is not suspended in between."""
        ...

    def call_at(self, instant: float, event: Callable[[], None]) -> None:
        """Run `event` when time reaches `instant`: at once on the next wait if it has passed."""
        ...

    def run_next(self, limit: float) -> bool:
        """Run the next event at or before `limit`, moving time to it. False: there is none."""
        ...


class _Events:
    """What is to happen, in order of time and then of asking."""

    def __init__(self) -> None:
        self._heap: list[tuple[float, int, Callable[[], None]]] = []
        self._asked = 0

    def add(self, instant: float, event: Callable[[], None]) -> None:
        self._asked += 1
        heapq.heappush(self._heap, (instant, self._asked, event))

    def due(self, limit: float) -> tuple[float, Callable[[], None]] | None:
        if not self._heap or self._heap[0][0] > limit:
            return None
        instant, _, event = heapq.heappop(self._heap)
        return instant, event

    def first(self) -> float | None:
        return self._heap[0][0] if self._heap else None


class VirtualClock:
    """`seams.Clock` in which time passes only when someone waits; a `Timeline`.

    utc_start: true UTC at the first instant, aware. host_error_s: host UTC minus true UTC at the start,
    host_rate_ppm: how fast that error grows. Nothing here costs real time.
    """

    def __init__(
        self,
        utc_start: dt.datetime,
        *,
        discipline: Discipline = SYNCHRONISED,
        host_error_s: float = 0.0,
        host_rate_ppm: float = 0.0,
    ) -> None:
        if utc_start.tzinfo is None:
            raise ValueError("utc_start must be an aware datetime; give it tzinfo=datetime.UTC")
        since = utc_start - dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
        self._start_ns = (since.days * 86400 + since.seconds) * 10**9 + since.microseconds * 1000
        self._utc_minus_monotonic_s = self._start_ns / 1e9 - START_S
        self._now = START_S
        self._suspended_s = 0.0
        self._host_error_s = host_error_s
        self._host_rate = host_rate_ppm * 1e-6
        self._discipline = discipline
        self._events = _Events()
        self.devices: dict[str, object] = {}

    def monotonic(self) -> float:
        return self._now

    def boottime(self) -> float:
        return self._now + self._suspended_s

    def utc_ns(self) -> int:
        elapsed_s = self._now - START_S + self._suspended_s
        return self._start_ns + round((elapsed_s + self._host_error_s + self._host_rate * elapsed_s) * 1e9)

    def discipline(self) -> Discipline:
        return self._discipline

    def set_discipline(self, discipline: Discipline) -> None:
        """What the operating system says of the host's clock from now on."""
        self._discipline = discipline

    @property
    def host_error_s(self) -> float:
        """Host UTC minus true UTC now, seconds."""
        return self._host_error_s + self._host_rate * (self._now - START_S + self._suspended_s)

    def step_host(self, seconds: float) -> None:
        """Step the host's UTC; true UTC and the monotonic clock know nothing of it."""
        self._host_error_s += seconds

    def suspend(self, seconds: float) -> None:
        """The host sleeps: the world and boot time go on, the monotonic clock does not."""
        if seconds < 0:
            raise ValueError(f"a suspend lasts 0 s or more, not {seconds}")
        self._suspended_s += seconds
        self._utc_minus_monotonic_s += seconds

    def true_utc_s(self) -> float:
        return self._now + self._utc_minus_monotonic_s

    def true_utc_at(self, instant: float) -> float:
        return instant + self._utc_minus_monotonic_s

    def instant_of(self, true_utc_s: float) -> float:
        return true_utc_s - self._utc_minus_monotonic_s

    def call_at(self, instant: float, event: Callable[[], None]) -> None:
        self._events.add(instant, event)

    def run_next(self, limit: float) -> bool:
        due = self._events.due(limit)
        if due is None:
            return False
        self._now = max(self._now, due[0])
        due[1]()
        return True

    def wait_until(self, instant: float) -> None:
        first = self._events.first()
        if first is not None and first <= max(instant, self._now):
            limit = max(instant, self._now)
            while self.run_next(limit):
                pass
        if instant > self._now:
            self._now = instant


class RealTimeline:
    """The same over a real `Clock`: simulated devices live beside real ones within a process.

    True UTC is taken to be the host's UTC at construction, carried on by boot time: a later step of the host's
    clock is a step of the host, not of the simulated world.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._utc_minus_boot_s = clock.utc_ns() / 1e9 - clock.boottime()
        self._parted_s = clock.boottime() - clock.monotonic()
        self._events = _Events()
        self.devices: dict[str, object] = {}

    def monotonic(self) -> float:
        return self._clock.monotonic()

    def boottime(self) -> float:
        return self._clock.boottime()

    def utc_ns(self) -> int:
        return self._clock.utc_ns()

    def discipline(self) -> Discipline:
        return self._clock.discipline()

    def true_utc_s(self) -> float:
        return self._clock.monotonic() + self._utc_minus_monotonic_s()

    def true_utc_at(self, instant: float) -> float:
        return instant + self._utc_minus_monotonic_s()

    def instant_of(self, true_utc_s: float) -> float:
        return true_utc_s - self._utc_minus_monotonic_s()

    def _utc_minus_monotonic_s(self) -> float:
        # The two clocks are read one after the other, microseconds apart: only a real parting (a suspend) counts,
        # so that one instant always gives one UTC.
        parted = self._clock.boottime() - self._clock.monotonic()
        if abs(parted - self._parted_s) > 0.01:
            self._parted_s = parted
        return self._utc_minus_boot_s + self._parted_s

    def call_at(self, instant: float, event: Callable[[], None]) -> None:
        self._events.add(instant, event)

    def run_next(self, limit: float) -> bool:
        due = self._events.due(limit)
        if due is None:
            return False
        self._clock.wait_until(due[0])
        due[1]()
        return True

    def wait_until(self, instant: float) -> None:
        while self.run_next(instant):
            pass
        self._clock.wait_until(instant)
