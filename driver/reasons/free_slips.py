"""Mistakes whose size is free: another place, a clock that is off, a clock from the works.

Such a slip takes its value from what was read and pays for the choice: `cost` is the natural logarithm of how many
values it could have had, in units of the tolerance. So a mistake with a fixed effect that fits is always the
likelier one. Longitude EAST positive, offset = local minus UTC.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from noonmark.driver.reasons.slips import (
    DATE,
    DAY_S,
    HALF_DAY_S,
    LATITUDE,
    LOCAL,
    LONGITUDE,
    OFFSET,
    PLACE,
    TIME,
    Context,
    Settings,
    Tolerances,
)
from noonmark.protocols.sexagesimal import wrap_signed

DEFAULT_PLACES, DEFAULT_YEARS = 50.0, 57.0  # so many could be a works' default: common practice, no source
WHOLE_HOURS, QUARTERS, MINUTES = 27.0, 107.0, 1621.0  # offsets from -13 to +14 h
MOST_DAYS = 20_000.0  # since 1970, and a little more
SOLAR_REACH_H = 3.6  # civil time strays no further from the Sun's own (see zones.OFFSET_MINUS_LONGITUDE_H)


@dataclass(frozen=True, slots=True)
class FreeSlip:
    """A mistake whose value is taken from what was read: `solve(before, read)` gives what becomes, and the cost."""

    slug: str
    touches: int
    words: str
    solve: Callable[[Settings, Settings], tuple[Settings, float] | None]


def free_slips(ctx: Context, tolerance: Tolerances) -> list[FreeSlip]:
    """Every slip whose value is found from what was read."""
    return [
        *_free_place(ctx, tolerance), *_free_offset(tolerance), *_free_clock(ctx, tolerance), *_works(ctx, tolerance),
    ]  # fmt: skip


def size_cost(amount: float, unit: float, reach: float) -> float:
    """What an error of no known size costs: ln(|amount| / unit x ln(reach / unit)).

    Every order of magnitude from `unit` to `reach` is taken for equally likely, and either sign.
    """
    return math.log(max(abs(amount), unit) / unit * max(math.log(reach / unit), 1.0))


def _free_place(ctx: Context, tolerance: Tolerances) -> Iterator[FreeSlip]:
    def off(s: Settings, read: Settings) -> tuple[float, float]:
        return read.latitude_deg - s.latitude_deg, wrap_signed(read.longitude_deg - s.longitude_deg, 360.0)

    def latitude(s: Settings, read: Settings) -> tuple[Settings, float] | None:
        return s._replace(latitude_deg=read.latitude_deg), size_cost(off(s, read)[0], tolerance.latitude_deg, 180.0)

    def longitude(s: Settings, read: Settings) -> tuple[Settings, float] | None:
        return s._replace(longitude_deg=read.longitude_deg), size_cost(off(s, read)[1], tolerance.longitude_deg, 180.0)

    def place(s: Settings, read: Settings) -> tuple[Settings, float] | None:
        north, east = off(s, read)
        if abs(north) <= tolerance.latitude_deg or abs(east) <= tolerance.longitude_deg:
            return None
        cost = size_cost(north, tolerance.latitude_deg, 180.0) + size_cost(east, tolerance.longitude_deg, 180.0)
        return s._replace(latitude_deg=read.latitude_deg, longitude_deg=read.longitude_deg), cost

    def place_and_zone(s: Settings, read: Settings) -> tuple[Settings, float] | None:
        moved = place(s, read)
        hours = read.offset_h - s.offset_h
        if moved is None or abs(hours) <= tolerance.offset_h:
            return None
        if abs(wrap_signed(read.offset_h - read.longitude_deg / 15.0, 24.0)) > SOLAR_REACH_H:
            return None
        if abs(read.offset_h * 4.0 - round(read.offset_h * 4.0)) > 4.0 * tolerance.offset_h:
            return None  # no zone keeps such an offset
        there = moved[0]._replace(offset_h=read.offset_h, local_s=s.local_s + hours * 3600.0)
        return there, moved[1] + math.log(8.0 * SOLAR_REACH_H)

    def works(s: Settings, read: Settings) -> tuple[Settings, float] | None:
        if not whole_degrees(read, tolerance) or whole_degrees(ctx.right, tolerance):
            return None
        return s._replace(latitude_deg=read.latitude_deg, longitude_deg=read.longitude_deg), math.log(DEFAULT_PLACES)

    yield FreeSlip("coordinate-mistyped", LATITUDE, "The latitude is wrong, the longitude right", latitude)
    yield FreeSlip("coordinate-mistyped", LONGITUDE, "The longitude is wrong, the latitude right", longitude)
    yield FreeSlip("site-of-another-place", PLACE, "The site is that of another place", place)
    yield FreeSlip("site-of-another-place", PLACE | OFFSET | LOCAL,
                   "Site, offset and local time are those of another place", place_and_zone)  # fmt: skip
    yield FreeSlip("factory-site", PLACE, "The site was never set, it is whole degrees as from the works", works)


def whole_degrees(s: Settings, tolerance: Tolerances) -> bool:
    """Whether latitude and longitude are whole degrees to the last unit shown: nobody's place, but a default."""
    return all(
        abs(value - round(value)) < 0.2 * unit
        for value, unit in ((s.latitude_deg, tolerance.latitude_deg), (s.longitude_deg, tolerance.longitude_deg))
    )


def _free_offset(tolerance: Tolerances) -> Iterator[FreeSlip]:
    def cost(hours: float) -> float:
        for step, count in ((1.0, WHOLE_HOURS), (0.25, QUARTERS)):
            if abs(hours - round(hours / step) * step) <= tolerance.offset_h:
                return math.log(count)
        return math.log(MINUTES)

    def offset(s: Settings, read: Settings) -> tuple[Settings, float] | None:
        return s._replace(offset_h=read.offset_h), cost(read.offset_h - s.offset_h)

    def alike(s: Settings, read: Settings) -> tuple[Settings, float] | None:
        hours = read.offset_h - s.offset_h
        return s._replace(offset_h=read.offset_h, local_s=s.local_s + hours * 3600.0), cost(hours)

    yield FreeSlip("offset-hours-wrong", OFFSET, "The offset is another zone's", offset)
    yield FreeSlip("offset-hours-wrong", OFFSET | LOCAL,
                   "Offset and local time are another zone's, so that its UTC is right", alike)  # fmt: skip


def from_the_works(shown: dt.datetime, utc: dt.datetime) -> bool:
    """Whether a local reading looks like a clock that began at a default: in January of an earlier year."""
    return shown.month == 1 and shown.year < utc.year and (utc.replace(tzinfo=None) - shown).days > 45


def _free_clock(ctx: Context, tolerance: Tolerances) -> Iterator[FreeSlip]:
    def clock(s: Settings, read: Settings) -> tuple[Settings, float] | None:
        off = read.local_s - s.local_s
        if abs(off) > HALF_DAY_S or (abs(off) <= tolerance.local_s and s.local_s != ctx.right.local_s):
            return None  # of the date; or right already
        return s._replace(local_s=read.local_s), size_cost(off, tolerance.local_s, HALF_DAY_S)

    def date(s: Settings, read: Settings) -> tuple[Settings, float] | None:
        days = round((read.local_s - s.local_s) / DAY_S)
        if abs(days) < 2:
            return None  # a day more or less is a row of its own
        return s._replace(local_s=s.local_s + days * DAY_S), size_cost(days, 1.0, MOST_DAYS)

    def year(s: Settings, read: Settings) -> tuple[Settings, float] | None:
        days = round((read.local_s - s.local_s) / DAY_S)
        before = ctx.local(s).date()
        after = before + dt.timedelta(days=days)
        if after.year == before.year or (after.month, after.day) != (before.month, before.day):
            return None
        return s._replace(local_s=s.local_s + days * DAY_S), size_cost(after.year - before.year, 1.0, DEFAULT_YEARS)

    def works(s: Settings, read: Settings) -> tuple[Settings, float] | None:
        if not from_the_works(ctx.local(read), ctx.utc):
            return None
        return s._replace(local_s=read.local_s), math.log(DEFAULT_YEARS) + math.log(31.0 * DAY_S / tolerance.local_s)

    yield FreeSlip("clock-off", TIME, "The clock is off", clock)
    yield FreeSlip("date-wrong", DATE, "The date is wrong, the time of day right", date)
    yield FreeSlip("year-wrong", DATE, "Day and month are right, the year is wrong", year)
    yield FreeSlip("factory-date", LOCAL, "The clock was never set since it lost its power, and began at a default",
                   works)  # fmt: skip


def _works(ctx: Context, tolerance: Tolerances) -> Iterator[FreeSlip]:
    def works(s: Settings, read: Settings) -> tuple[Settings, float] | None:
        if not whole_degrees(read, tolerance) or not from_the_works(ctx.local(read), ctx.utc):
            return None
        return read, math.log(DEFAULT_PLACES * DEFAULT_YEARS * 31.0 * DAY_S / tolerance.local_s)

    for touches in (PLACE | OFFSET | LOCAL, PLACE | LOCAL):  # its offset may be right by chance
        yield FreeSlip("factory-state", touches, "The mount is as from the works, nothing was ever set", works)
