"""Set a clock that takes whole seconds, and bound what remains.

Each `:GL#` reply says: my clock showed v at some instant between the moment before the first byte of my question
was handed over and the first byte of the answer. That bounds K = local time of day minus monotonic time on both
sides: v - t_first <= K < v + 1 - t_before. The intersection over several replies is an interval. Neither the
drain of a port nor nominal byte times are used for an edge: adapters and bridges make both lie.
"""

from __future__ import annotations

from dataclasses import dataclass

from noonmark.driver.mount import Talk, Timed
from noonmark.driver.truth import Truth
from noonmark.protocols import lx

ASSUMPTIONS = (
    "the display truncates to whole seconds",
    "the answer is computed after the question began and before its first byte",
    "the display is not late by a constant: the interval is of the clock as displayed",
    "the clock's rate is right within the seconds of measuring",
)
MEASURE_S = 1.5  # one tick is seen for certain, and one more reply after it


@dataclass(frozen=True, slots=True)
class ClockMeasure:
    """`low`, `high`: bounds of local time of day minus monotonic, seconds, not folded. `fault`: why they are a hull."""

    low: float
    high: float
    samples: int
    assumptions: tuple[str, ...] = ASSUMPTIONS
    fault: str | None = None

    def anchored(self, near: float, display_hours: int) -> tuple[float, float]:
        """The interval moved by whole days (half days on a 12-hour display) to lie nearest to `near`."""
        period = 86400.0 if display_hours == 24 else 43200.0
        shift = round((near - (self.low + self.high) / 2) / period) * period
        return self.low + shift, self.high + shift


def bounds(samples: list[Timed], display_hours: int) -> ClockMeasure:
    """The interval from replies. Where they contradict each other: their hull, and the fault named."""
    period = 86400.0 if display_hours == 24 else 43200.0
    reference = samples[0].seconds - samples[0].t_before
    lows: list[float] = []
    highs: list[float] = []
    for sample in samples:
        value = sample.seconds - sample.t_before
        value -= round((value - reference) / period) * period  # midnight, or noon on a 12-hour display
        seconds = value + sample.t_before
        lows.append(seconds - sample.t_first)
        highs.append(seconds + sample.resolution_s - sample.t_before)
    low, high = max(lows), min(highs)
    if low <= high:
        return ClockMeasure(low, high, len(samples))
    return ClockMeasure(
        min(lows), max(highs), len(samples),
        fault=f"the replies contradict each other by {low - high:.3f} s: the ticks are uneven by at least "
        f"{(low - high) / 2:.3f} s, or the clock was changed meanwhile",
    )  # fmt: skip


def measure(talk: Talk, display_hours: int = 24, *, budget_s: float = MEASURE_S) -> ClockMeasure:
    """Ask for the time without a pause until a tick has been seen and `budget_s` is over. Raises Unreachable."""
    start = talk.clock.monotonic()
    samples = [talk.read_time()]
    ticked = 0
    while talk.clock.monotonic() - start < budget_s:
        sample = talk.read_time()
        ticked += sample.seconds != samples[-1].seconds
        samples.append(sample)
        if ticked >= 1 and len(samples) >= 4 and samples[-1].seconds == samples[-2].seconds:
            break
    # a question of another shape, so that a reply one late is noticed
    talk.ask("get-date", lx.parse_date)
    return bounds(samples, display_hours)


@dataclass(frozen=True, slots=True)
class SetTime:
    """A time that was sent: local seconds of day, the second's monotonic instant, and the acknowledgement."""

    seconds_of_day: int
    instant: float
    accepted: bool | None
    handed_over: float | None


def set_time(talk: Talk, truth: Truth, offset_h: float, lead_s: float = 0.08) -> SetTime:
    """Send `:SL` so that its last byte arrives as a second of local time begins.

    The second chosen is the next one for which all but the last byte can be sent before.
    """
    earliest = talk.clock.monotonic() + lead_s + 13 * talk.link.byte_s
    local = truth.utc_s(earliest) + offset_h * 3600.0
    second = int(local) + 1
    instant = earliest + (second - local)
    seconds_of_day = second % 86400
    accepted, exchange = talk.write("time", lx.time_argument(seconds_of_day), last_byte_at=instant)
    handed = exchange.t_last_before if exchange is not None else None
    return SetTime(seconds_of_day, instant, accepted, handed)
