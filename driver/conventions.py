"""Which signs does the mount mean? Found out by its own sidereal clock.

From local time, date, offset and longitude as shown, each combination of conventions gives a UTC and an east
longitude, and from them the sidereal time the mount WOULD show. Only what it really means matches. The mount's
UTC need not be right for this, only its own; UT1-UTC is no part (its UTC is its own UT1).
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from noonmark.driver.mount import Readings, Timed
from noonmark.protocols.sexagesimal import wrap_signed

EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
SIDEREAL_PER_SOLAR = 1.0027379093507951  # mean sidereal to mean solar rate at J2000 (IAU 1982 expression)
TRUNCATION_S = 1.0
APPARENT_S = 1.2
"""Mean and apparent sidereal time never differ by more: nutation's main term is 17.2 arcsec x cos 23.4 deg / 15 =
1.05 s, the others stay below 0.15 s."""
FIRMWARE_S = 1.0  # a firmware's formula, common practice, no source
SECONDS_PER_DEGREE = 240.0


@dataclass(frozen=True, slots=True, order=True)
class Convention:
    """Which way this mount counts. The usual manner sorts first."""

    local_is_utc: bool = False
    daylight_hour: bool = False
    offset_from_utc: bool = False  # False: hours to ADD to local time to get UTC
    east_positive: bool = False
    day_first: bool = False

    @property
    def date_order(self) -> Literal["mdy", "dmy"]:
        return "dmy" if self.day_first else "mdy"

    @property
    def positive(self) -> Literal["west", "east"]:
        return "east" if self.east_positive else "west"

    def labels(self) -> dict[str, str | bool]:
        """As told to people and scripts."""
        return {
            "longitude_positive": self.positive,
            "offset_sense": "from-utc" if self.offset_from_utc else "to-utc",
            "daylight_hour": self.daylight_hour,
            "date_order": self.date_order,
            "local_is_utc": self.local_is_utc,
        }

    def standard_offset_h(self, shown_h: float) -> float:
        """Local minus UTC, without the mount's own daylight hour, from a value in the mount's sense."""
        return shown_h if self.offset_from_utc else -shown_h

    def shown_offset_h(self, effective_h: float) -> float:
        """The value to write so that local minus UTC becomes `effective_h`, the daylight hour absorbed."""
        standard = effective_h - (1.0 if self.daylight_hour else 0.0)
        return standard if self.offset_from_utc else -standard

    def east_longitude_deg(self, shown_deg: float) -> float:
        """East positive, -180 to 180."""
        return wrap_signed(shown_deg if self.east_positive else -shown_deg, 360.0)


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """A convention applied to what was shown.

    local_s:  local civil time of the mount, seconds since 1970 as if local time were UTC, at `instant`
    offset_h: local minus UTC that follows, daylight hour included
    utc_s:    UTC that follows, seconds since 1970, at `instant`
    longitude_deg: east positive
    residual_s: sidereal time shown minus predicted, -43200 to 43200
    """

    convention: Convention
    local_s: float
    offset_h: float
    utc_s: float
    longitude_deg: float
    residual_s: float
    instant: float
    fits: bool


def greenwich_sidereal_s(utc_s: float) -> float:
    """Mean sidereal time at Greenwich, seconds, of a UTC taken for UT1 (IAU 1982 expression, Aoki et al. 1982).

    Good to some milliseconds beside the IAU 2006 value this century: far below what is judged by it.
    """
    days = utc_s / 86400.0 - 10957.5  # from 2000-01-01T12:00
    centuries = days / 36525.0
    midnight = math.floor(utc_s / 86400.0)
    second = utc_s - midnight * 86400.0
    midnight_centuries = (midnight - 10957.5) / 36525.0
    at_midnight = 24110.54841 + midnight_centuries * (8640184.812866 + midnight_centuries * 0.093104)
    rate = SIDEREAL_PER_SOLAR + 5.9006e-11 * centuries
    return (at_midnight + second * rate) % 86400.0


def tolerance_s(readings: Readings) -> dict[str, float]:
    """The named parts of what the sidereal time shown may differ from the predicted, seconds."""
    local, sidereal = _nearest(readings)
    return {
        "sidereal time shown in whole seconds": TRUNCATION_S,
        "local time shown in whole seconds": TRUNCATION_S / 2,
        "mean or apparent": APPARENT_S,
        "longitude as shown": readings.longitude.resolution_deg * SECONDS_PER_DEGREE,
        "the firmware's formula": FIRMWARE_S,
        "instants of the readings": (local.spread_s + sidereal.spread_s) / 2,
    }


def _nearest(readings: Readings) -> tuple[Timed, Timed]:
    """The pair of local and sidereal readings closest in time: drift between them matters least."""
    pairs = [(local, sidereal) for local in readings.local for sidereal in readings.sidereal]
    return min(pairs, key=lambda pair: abs(pair[0].instant - pair[1].instant))


def hypotheses(readings: Readings, conventions: Iterable[Convention]) -> list[Hypothesis]:
    """Every convention with every hidden offset, half day and century that would show as what was shown."""
    local, sidereal = _nearest(readings)
    allowed = sum(tolerance_s(readings).values())
    found: list[Hypothesis] = []
    days = {order: _days(readings, order) for order in ("mdy", "dmy")}
    times = _times_of_day(local, readings.display_hours)
    shown = _offsets(readings.offset.value_h, readings.offset.resolution_h)
    elapsed = sidereal.instant - local.instant
    for convention in conventions:
        longitude = convention.east_longitude_deg(readings.longitude.value_deg)
        for day in days[convention.date_order]:
            for time in times:
                local_s = day * 86400.0 + time + 0.5 * local.resolution_s
                for value in shown[:1] if convention.local_is_utc else shown:
                    offset = 0.0 if convention.local_is_utc else convention.standard_offset_h(value)
                    offset += 1.0 if convention.daylight_hour else 0.0
                    utc = local_s - offset * 3600.0
                    predicted = greenwich_sidereal_s(utc + elapsed) + longitude * SECONDS_PER_DEGREE
                    # a truncated display is on average half a second behind
                    residual = wrap_signed(sidereal.seconds + 0.5 * sidereal.resolution_s - predicted, 86400.0)
                    found.append(
                        Hypothesis(
                            convention,
                            local_s,
                            offset,
                            utc,
                            longitude,
                            residual,
                            local.instant,
                            abs(residual) <= allowed,
                        )
                    )
    return found


@lru_cache(maxsize=256)
def _offsets(value_h: float, resolution_h: float) -> tuple[float, ...]:
    """The offset shown, then the quarter hours that would show as it in so coarse a format."""
    if resolution_h < 0.02:
        return (value_h,)
    near = round(value_h * 4)
    reach = int(resolution_h * 4) + 1
    quarters = [near + step for step in range(-reach, reach + 1)]
    hidden = [q / 4 for q in quarters if 1e-9 < abs(q / 4 - value_h) < resolution_h - 1e-9]
    return (value_h, *hidden)


def _times_of_day(local: Timed, display_hours: int) -> tuple[float, ...]:
    if display_hours == 24:
        return (local.seconds,)
    morning = local.seconds % 43200.0
    return (morning, morning + 43200.0)


def _days(readings: Readings, order: str) -> list[int]:
    """Days since 1970 of the date shown, in an order of its fields; both centuries for a 2-digit year from 70 on."""
    text = readings.date
    pivots = [2000]
    if text.year_digits == 2 and text.year >= 70:
        pivots.append(1900)
    dates = [text.in_order("dmy" if order == "dmy" else "mdy", pivot) for pivot in pivots]
    return [(date - EPOCH.date()).days for date in dates if date is not None]


ALL: tuple[Convention, ...] = tuple(
    sorted(
        [
            Convention(False, daylight, sense, east, order)
            for daylight in (False, True)
            for sense in (False, True)
            for east in (False, True)
            for order in (False, True)
        ]
        + [Convention(True, False, False, east, order) for east in (False, True) for order in (False, True)]
    )
)
"""Every convention that is asked for. Where local time is taken for UTC, the offset's sense has no meaning."""


def labels_of(conventions: Iterable[Convention]) -> tuple[dict[str, str | float | bool], tuple[str, ...]]:
    """(labels on which all agree, names of those left open)."""
    found = [convention.labels() for convention in conventions]
    if not found:
        return {}, ("longitude_positive", "offset_sense", "daylight_hour", "date_order", "local_is_utc")
    resolved: dict[str, str | float | bool] = {}
    unknown: list[str] = []
    for name, value in found[0].items():
        if all(other[name] == value for other in found):
            resolved[name] = value
        else:
            unknown.append(name)
    return resolved, tuple(unknown)


def sidereal_advance_error_s(readings: Readings) -> float:
    """How far the mount's sidereal clock went beyond what it should between its two readings, seconds."""
    first, last = readings.sidereal[0], readings.sidereal[-1]
    went = wrap_signed(last.seconds - first.seconds, 86400.0)
    return went - (last.instant - first.instant) * SIDEREAL_PER_SOLAR
