"""Does the mount's clock run fast or slow? Two records of one mount tell, if nobody set it in between.

Each record holds an interval that the clock's error lay in; the rate lies between the slopes of its corners.
"""

from __future__ import annotations

from dataclasses import dataclass

from noonmark.driver.reasons.causes import CAUSES
from noonmark.driver.result import CauseValue, Result

PPM_TO_S_PER_DAY = 0.0864
ARCSEC_PER_S = 15.0 * 1.00273790935
USUAL_PPM = 100.0
"""A quartz that is no better is bad already: common practice, no source."""
MOST_PPM = 5000.0
SET_BETWEEN = 0.05
"""How likely a clock was set between the two, however often it is asked not to be: a presumption."""
LEAST_APART_S = 600.0


class ClockRateError(ValueError):
    """Two records that tell no rate; the message says why."""


@dataclass(frozen=True, slots=True)
class ClockRate:
    """`low_ppm`, `high_ppm`: bounds of the rate, positive gains; `elapsed_s` between the records."""

    low_ppm: float
    high_ppm: float
    elapsed_s: float

    @property
    def middle_ppm(self) -> float:
        return (self.low_ppm + self.high_ppm) / 2.0

    @property
    def steady(self) -> bool:
        """Whether no gain and no loss is within the bounds."""
        return self.low_ppm <= 0.0 <= self.high_ppm


def clock_rate(earlier: tuple[float, Result], later: tuple[float, Result]) -> ClockRate:
    """The rate from two (UTC in seconds since 1970, result), in whatever order. Raises ClockRateError."""
    (utc_a, first), (utc_b, second) = sorted((earlier, later), key=lambda one: one[0])
    elapsed_s = utc_b - utc_a
    if elapsed_s < LEAST_APART_S:
        raise ClockRateError(f"the two records are {elapsed_s:.0f} s apart: expected ten minutes or more, better hours")
    if second.verb != "check" and "time" in second.written:
        raise ClockRateError("the later record is of a run that set the clock: give the record of a check")
    a, b = _error(first), _error(second)
    low, high = (b[0] - a[1]) / elapsed_s * 1e6, (b[1] - a[0]) / elapsed_s * 1e6
    if min(abs(low), abs(high)) > MOST_PPM:
        raise ClockRateError(
            f"the clock's error changed by {(b[0] + b[1] - a[0] - a[1]) / 2.0:+.1f} s in {elapsed_s / 3600.0:.1f} h: "
            "no clock runs so, it was set in between; take two records with no setting between them"
        )
    return ClockRate(low, high, elapsed_s)


def _error(result: Result) -> tuple[float, float]:
    if result.clock is None or result.clock.utc_error_s is None:
        raise ClockRateError(f"the record of {result.started_utc} has no error of the clock: the truth was missing")
    if result.clock.fault:
        raise ClockRateError(f"the clock could not be measured at {result.started_utc}: {result.clock.fault}")
    return result.clock.utc_error_s


def explain_rate(rate: ClockRate) -> CauseValue | None:
    """The cause, with how likely it is beside a clock that was set in between; None for a steady one."""
    if rate.steady:
        return None
    row = CAUSES["clock-runs-fast-or-slow"]
    weight = 1.0 / (1.0 + (rate.middle_ppm / USUAL_PPM) ** 2)
    daily = rate.middle_ppm * PPM_TO_S_PER_DAY
    way = "gains" if daily > 0 else "loses"
    return CauseValue(
        cause=row.slug,
        sentence=f"The mount's clock {way} {abs(daily):.2f} s a day ({rate.low_ppm:+.1f} to {rate.high_ppm:+.1f} parts "
        f"in a million over {rate.elapsed_s / 3600.0:.1f} h), unless somebody set it in between.",
        sky_error_deg=round(abs(daily) * ARCSEC_PER_S / 3600.0, 4),
        confidence=round(weight / (weight + SET_BETWEEN), 4),
        remedy=row.remedy,
        hour_angle_error_deg=round(daily * ARCSEC_PER_S / 3600.0, 4),
        flip_error_min=round(-daily / 60.0 + 0.0, 2),
    )
