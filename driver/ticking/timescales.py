"""The time scale that a mount's clock shall show: UTC, or UT1 for a mount that knows no UT1-UTC.

A mount computes sidereal time from its clock as if that were UT1. Set to UTC it is off by UT1-UTC, under a second and
15 arcseconds of hour angle at most by definition; set to UT1 it is not.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from typing import Literal

from noonmark.driver import earth_orientation
from noonmark.driver.truth import Truth

TimeScale = Literal["utc", "ut1"]


@dataclass(frozen=True, slots=True)
class Shift:
    """A time scale minus UTC: `ahead_s` within `bound_s`, seconds; `source` of the value, for people."""

    scale: TimeScale
    ahead_s: float
    bound_s: float
    source: str

    def of(self, truth: Truth) -> Truth:
        """The same truth in this scale: what it calls UTC is the scale's time."""
        if self.scale == "utc":
            return truth
        return replace(
            truth, low=truth.low + self.ahead_s - self.bound_s, high=truth.high + self.ahead_s + self.bound_s
        )

    @property
    def told(self) -> str:
        """One sentence for people."""
        return (
            f"the clock is set and judged by UT1, {self.ahead_s:+.3f} s from UTC within {self.bound_s:.3f} s "
            f"({self.source})"
        )


UTC = Shift("utc", 0.0, 0.0, "")


def shift(scale: TimeScale, utc: dt.datetime) -> Shift:
    """What a scale is ahead of UTC at an aware instant. Raises EarthOrientationError for a table that can't be read."""
    if scale == "utc":
        return UTC
    found = earth_orientation.ut1_utc(utc)
    return Shift(scale, found.value_s, found.bound_s, found.source)
