"""The host's clock as a source: how well the system says it is kept, and whether it stepped meanwhile."""

from __future__ import annotations

from noonmark.driver.sources import Claims
from noonmark.driver.truth import Silence, TimeClaim
from noonmark.protocols.seams import Clock

FLOOR_S = 0.4
"""Taken where the system's own bound is 0: some daemons never write it. An assumption, and said."""

STEP_S = 0.1
"""More than this between two readings, beyond the greatest rate a clock is slewed by, is a step; and so is more than
the system's own bound, which it proves wrong."""

SLEW_PPM = 500.0
"""The greatest rate at which a clock is slewed by adjtimex(2)."""

SUSPEND_S = 0.002
"""Boot time and monotonic run at one rate: what they part by beyond the doubt of reading them was slept."""


class HostSource:
    """UTC is read as (monotonic, UTC, monotonic), at the start and again whenever asked."""

    def __init__(self, clock: Clock, *, disciplined_by: str = "network", name: str = "host") -> None:
        self._clock = clock
        self._disciplined_by = disciplined_by
        self.name = name
        self.done = True
        self.discipline = clock.discipline()
        self._first = self._read()
        self._asleep = self._parted()
        self.trouble = ""
        self.code = ""

    def _read(self) -> tuple[float, float, float]:
        """(low, high of UTC - monotonic, monotonic instant)."""
        before = self._clock.monotonic()
        utc = self._clock.utc_ns() / 1e9
        after = self._clock.monotonic()
        return utc - after, utc - before, (before + after) / 2

    def _parted(self) -> tuple[float, float]:
        """(low, high of boot time minus monotonic): however long this program was kept waiting in between."""
        before = self._clock.monotonic()
        boot = self._clock.boottime()
        return boot - self._clock.monotonic(), boot - before

    @property
    def utc_minus_monotonic(self) -> float:
        """This host's UTC minus monotonic, as read at the start, seconds."""
        return (self._first[0] + self._first[1]) / 2

    def utc_s(self) -> float:
        """This host's UTC now, unix seconds."""
        return self._clock.utc_ns() / 1e9

    def recheck(self) -> str:
        """Read again: "" or what is wrong (a step of the clock, a suspend of the machine)."""
        low, high, instant = self._read()
        parted = self._parted()
        allowed = min(self._bound_s, STEP_S) + SLEW_PPM * 1e-6 * (instant - self._first[2])
        if _gap(self._asleep, parted) > SUSPEND_S:
            asleep = (sum(parted) - sum(self._asleep)) / 2
            self.trouble, self.code = f"the machine was suspended for {asleep:.2f} s meanwhile", "host-suspended"
        elif _gap(self._first[:2], (low, high)) > allowed:
            change = (low + high) / 2 - self.utc_minus_monotonic
            self.trouble, self.code = f"the host's clock stepped by {change:+.3f} s meanwhile", "host-clock-stepped"
        return self.trouble

    def collect(self, until: float) -> None:
        """Nothing to wait for."""

    def close(self) -> None:
        """Nothing to let go of."""

    def claims(self) -> Claims:
        low, high, _ = self._first
        if self.trouble:
            return Claims(silences=[Silence(self.name, "host", self.trouble, self.code)])
        if not self.discipline.synchronised:
            return Claims(times=[TimeClaim(self.name, "host", low, high, bounded=False)])
        bound = self._bound_s
        origin = "gnss" if self._disciplined_by == "gnss" else "network"
        return Claims(times=[TimeClaim(self.name, origin, low - bound, high + bound)])

    @property
    def _bound_s(self) -> float:
        """The system's bound on its error; a floor where it writes none."""
        return self.discipline.max_error_s or FLOOR_S

    @property
    def assumption(self) -> str | None:
        """What was assumed where the system gives no bound."""
        if self.discipline.synchronised and not self.discipline.max_error_s:
            return f"the host's clock is synchronised, but its bound is written as 0: {FLOOR_S:g} s is assumed"
        return None


def _gap(one: tuple[float, float], other: tuple[float, float]) -> float:
    """How far apart two intervals lie at least, seconds; below 0 where they overlap."""
    return max(other[0] - one[1], one[0] - other[1])
