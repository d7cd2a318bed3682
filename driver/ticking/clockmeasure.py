"""What was found of a mount's clock: an interval, and what it rests on.

A reply to `:GL#` bounds the clock on both sides; `ticks` holds what follows from many of them.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from noonmark.driver.mount import Timed
from noonmark.driver.ticking.ticks import RATE_LIMIT, Ticks

TRUNCATES = "the display truncates to whole seconds"
ROUNDS = "the display rounds to whole seconds: half a second was taken off"
MAY_ROUND = "the display may round to whole seconds: half a second is allowed for it"
DURING = "the answer is computed after the question began and before its first byte"
NOT_LATE = "the display is not late by a constant: the interval is of the clock as displayed"
STEADY = f"its ticks are even, and its rate is steady and within {RATE_LIMIT * 1e6:.0f} ppm of right"


@dataclass(frozen=True, slots=True)
class ClockMeasure:
    """`low`, `high`: bounds of local time of day minus monotonic, seconds, not folded, at the monotonic instant `at`.

    fault: why they are a hull and no bounds. rate_ppm: bounds of what the clock gains, fitted. round_trip_s: the
    least one; jitter_s: by how much the most exceeded it. parted_s: boot time minus monotonic, so that a later suspend
    shows. evidence: what it was found from.
    """

    low: float
    high: float
    samples: int
    assumptions: tuple[str, ...] = (TRUNCATES, DURING, NOT_LATE, STEADY)
    fault: str | None = None
    at: float = 0.0
    rate_ppm: tuple[float, float] | None = None
    round_trip_s: float | None = None
    jitter_s: float = 0.0
    parted_s: float | None = None
    evidence: Ticks | None = field(default=None, compare=False, repr=False)

    @property
    def half_width_s(self) -> float:
        return (self.high - self.low) / 2

    @property
    def middle(self) -> float:
        return (self.low + self.high) / 2

    def anchored(self, near: float, display_hours: int) -> tuple[float, float]:
        """The interval moved by whole days (half days on a 12-hour display) to lie nearest to `near`."""
        period = 86400.0 if display_hours == 24 else 43200.0
        shift = round((near - (self.low + self.high) / 2) / period) * period
        return self.low + shift, self.high + shift

    def with_fault(self, fault: str) -> ClockMeasure:
        """The same, not to be trusted."""
        return replace(self, fault=fault)

    def of_the_clock(self, rounds: bool | None, *, may_round: bool = False) -> ClockMeasure:
        """The interval of the clock itself, where the display is known to round, or may do so unseen."""
        if rounds:
            told = tuple(ROUNDS if one == TRUNCATES else one for one in self.assumptions)
            return replace(self, low=self.low - 0.5, high=self.high - 0.5, assumptions=told)
        if rounds is None and may_round:
            told = tuple(MAY_ROUND if one == TRUNCATES else one for one in self.assumptions)
            return replace(self, low=self.low - 0.5, assumptions=told)
        return self


def bounds(samples: list[Timed], display_hours: int) -> ClockMeasure:
    """The interval from replies. Where they contradict each other: their hull, and the fault named."""
    ticks = Ticks(period_s(display_hours))
    for sample in samples:
        ticks.add(sample.seconds, sample.resolution_s, sample.t_before, sample.t_first)
    return conclude(ticks, samples[0].t_before, samples[-1].t_first, [one.spread_s for one in samples], None)


def period_s(display_hours: int) -> float:
    """After which a display of 12 or 24 hours repeats itself."""
    return 86400.0 if display_hours == 24 else 43200.0


def conclude(ticks: Ticks, since: float, until: float, spreads: list[float], parted: float | None) -> ClockMeasure:
    """The measure at the instant between `since` and `until` at which the clock is known best, or the hull there.
    spreads: the round trips."""
    bound = ticks.narrowest(since, until)
    rate_ppm: tuple[float, float] | None = None
    fault, steady = None, STEADY
    if ticks.contradicted:
        fault = unsteady(ticks.contradiction()[0])
    else:
        low, high = ticks.rate()
        rate_ppm = (1e6 * low, 1e6 * high)
        steady = f"{STEADY}; fitted: {rate_ppm[0]:+.0f} to {rate_ppm[1]:+.0f} ppm"
    return ClockMeasure(
        bound.low, bound.high, ticks.count, (TRUNCATES, DURING, NOT_LATE, steady), fault, bound.at, rate_ppm,
        round_trip_s=min(spreads), jitter_s=max(spreads) - min(spreads), parted_s=parted, evidence=ticks,
    )  # fmt: skip


def unsteady(gap_s: float) -> str:
    """Replies that contradict each other, in words."""
    return (
        f"the replies contradict each other by {gap_s:.3f} s: the ticks are uneven by at least {gap_s / 2:.3f} s, or "
        "the clock was changed meanwhile"
    )
