"""Mistakes as arithmetic: what each makes of right settings. Here those whose effect is fixed.

Longitude EAST positive, offset = local minus UTC.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import NamedTuple

from noonmark.driver.reasons.coordinate_slips import decimals_as_minutes, hours_as_decimals, minutes_as_decimals

LATITUDE, LONGITUDE, OFFSET, DATE, TIME = 1, 2, 4, 8, 16
PLACE, LOCAL = LATITUDE | LONGITUDE, DATE | TIME
DAY_S, HALF_DAY_S = 86400.0, 43200.0
HAIR = 1e-9


class Settings(NamedTuple):
    """`local_s`: the mount's local time minus true UTC, seconds."""

    latitude_deg: float
    longitude_deg: float
    offset_h: float
    local_s: float


class Tolerances(NamedTuple):
    """What each may be off and still be right, in its unit."""

    latitude_deg: float
    longitude_deg: float
    offset_h: float
    local_s: float


@dataclass(frozen=True, slots=True)
class Context:
    """Where and when, and what is right. `right`: for this mount, which may be kept on UTC (offset 0).

    zone_offset_h: the zone's now. saving_h: the seasonal advance in it; other_saving_h: that of the other season
    (1 where the zone knows none). outdated_h: offsets that other zone databases have for now. local_is_utc: the
    mount's sky takes its local time for UTC, whatever the offset.
    """

    right: Settings
    utc: dt.datetime
    zone_offset_h: float
    saving_h: float = 0.0
    other_saving_h: float = 1.0
    outdated_h: tuple[float, ...] = ()
    local_is_utc: bool = False

    @property
    def civil(self) -> bool:
        """Whether the mount is rightly kept on the zone's time, not on UTC."""
        return abs(self.right.offset_h - self.zone_offset_h) < 1e-6

    def local(self, settings: Settings) -> dt.datetime:
        """The local date and time that the mount shows, naive."""
        return self.utc.replace(tzinfo=None) + dt.timedelta(seconds=settings.local_s)

    def utc_error_s(self, settings: Settings) -> float:
        """The UTC that the mount's sky stands on, minus true UTC."""
        return settings.local_s - (0.0 if self.local_is_utc else settings.offset_h * 3600.0)


@dataclass(frozen=True, slots=True)
class Slip:
    """A mistake with a fixed effect. `typed`: the settings it entered by hand, to a minute of time or of arc, so
    that as much more or less is no second mistake. `apply`: None where it can't be made of these settings."""

    slug: str
    touches: int
    words: str
    apply: Callable[[Settings], Settings | None]
    typed: int = 0


# --- with a fixed effect ----------------------------------------------------------------------------


def fixed_slips(ctx: Context) -> list[Slip]:
    """Every slip with a fixed effect that can be made here and now."""
    return [*_hours(ctx), *_utc_and_local(ctx), *_place(ctx), *_date(ctx), *_halves(ctx)]


def _moved(slug: str, hours: float, words: str) -> Iterator[Slip]:
    """An amount of hours in the offset, in the time, or in both alike."""
    seconds = hours * 3600.0
    yield Slip(slug, OFFSET, f"{words} in the offset", lambda s: s._replace(offset_h=s.offset_h + hours))
    yield Slip(slug, LOCAL, f"{words} in the local time", lambda s: s._replace(local_s=s.local_s + seconds), LOCAL)
    yield Slip(
        slug, OFFSET | LOCAL, f"{words} in offset and local time alike, so that its UTC is right",
        lambda s: s._replace(offset_h=s.offset_h + hours, local_s=s.local_s + seconds),
    )  # fmt: skip


def _hours(ctx: Context) -> Iterator[Slip]:
    if not ctx.civil:
        return
    if ctx.saving_h:
        yield from _moved("daylight-saving-missing", -ctx.saving_h, "Daylight saving is missing")
    for extra in dict.fromkeys((1.0, ctx.other_saving_h)):
        twice = " counted twice" if ctx.saving_h else " counted although it is not in force"
        yield from _moved("daylight-saving-extra", extra, f"Daylight saving is{twice}")
    for other_h in ctx.outdated_h:
        yield from _moved(
            "zone-rules-outdated", other_h - ctx.zone_offset_h, "Zone rules that were changed since were used"
        )
    if abs(ctx.zone_offset_h) > HAIR:
        yield Slip("offset-sign-reversed", OFFSET, "The offset's sign is reversed",
                   lambda s: s._replace(offset_h=-s.offset_h))  # fmt: skip
        yield Slip(
            "offset-sign-reversed", OFFSET | LOCAL,
            "The offset's sign is reversed, and the local time went with it, so that its UTC is right",
            lambda s: s._replace(offset_h=-s.offset_h, local_s=s.local_s - 7200.0 * s.offset_h),
        )  # fmt: skip
    decimal_h = hours_as_decimals(ctx.zone_offset_h)
    if decimal_h is not None:
        yield Slip("minutes-read-as-decimals", OFFSET, "The offset's minutes were entered as decimals",
                   lambda s: s._replace(offset_h=decimal_h))  # fmt: skip


def _utc_and_local(ctx: Context) -> Iterator[Slip]:
    if abs(ctx.zone_offset_h) < 1.0 / 60.0:
        return
    for keeps_date in (False, True):
        touches = TIME if keeps_date else LOCAL
        if ctx.civil:
            yield Slip("utc-entered-as-local", touches, "UTC was entered as the local time",
                       _typed(ctx, 0.0, keeps_date), LOCAL)  # fmt: skip
        else:
            yield Slip("local-entered-as-utc", touches, "Local time was entered into a clock that is kept on UTC",
                       _typed(ctx, ctx.zone_offset_h * 3600.0, keeps_date), LOCAL)  # fmt: skip
    if ctx.civil:
        yield Slip("local-entered-as-utc", OFFSET, "The clock holds local time while the offset is 0, as on UTC",
                   lambda s: s._replace(offset_h=0.0))  # fmt: skip


def _typed(ctx: Context, local_s: float, keeps_date: bool) -> Callable[[Settings], Settings | None]:
    """A date and time typed in; with the time alone the date stays (None where that is the same date)."""

    def apply(s: Settings) -> Settings | None:
        typed = s._replace(local_s=local_s)
        if not keeps_date:
            return typed
        days = (ctx.local(s).date() - ctx.local(typed).date()).days
        return typed._replace(local_s=local_s + days * DAY_S) if days else None

    return apply


def _place(ctx: Context) -> Iterator[Slip]:
    yield Slip("longitude-sign-reversed", LONGITUDE, "The longitude's sign is reversed",
               lambda s: s._replace(longitude_deg=-s.longitude_deg), LONGITUDE)  # fmt: skip
    yield Slip("latitude-sign-reversed", LATITUDE, "The latitude's sign is reversed",
               lambda s: s._replace(latitude_deg=-s.latitude_deg), LATITUDE)  # fmt: skip
    yield Slip("both-signs-reversed", PLACE,
               "Both signs of the place are reversed, its hemispheres left as they came",
               lambda s: s._replace(latitude_deg=-s.latitude_deg, longitude_deg=-s.longitude_deg), PLACE)  # fmt: skip
    if abs(ctx.right.longitude_deg) <= 90.0:
        yield Slip("latitude-longitude-swapped", PLACE, "Latitude and longitude are swapped",
                   lambda s: s._replace(latitude_deg=s.longitude_deg, longitude_deg=s.latitude_deg), PLACE)  # fmt: skip
    yield from _rewritten("minutes-read-as-decimals", "Degrees and minutes were entered as decimal degrees",
                          minutes_as_decimals, ctx)  # fmt: skip
    yield from _rewritten("decimals-read-as-minutes", "Decimal degrees were entered as degrees and minutes",
                          decimals_as_minutes, ctx)  # fmt: skip


def _rewritten(slug: str, words: str, rewrite: Callable[[float], tuple[float, ...]], ctx: Context) -> Iterator[Slip]:
    """A coordinate written in another form: latitude, longitude, or both in the same way."""
    latitudes, longitudes = rewrite(ctx.right.latitude_deg), rewrite(ctx.right.longitude_deg)
    for value in dict.fromkeys(latitudes):
        yield Slip(slug, LATITUDE, f"{words} in the latitude", _latitude(value), LATITUDE)
    for value in dict.fromkeys(longitudes):
        yield Slip(slug, LONGITUDE, f"{words} in the longitude", _longitude(value), LONGITUDE)
    for both in dict.fromkeys(zip(latitudes, longitudes, strict=False)):
        yield Slip(slug, PLACE, words, _both(*both), PLACE)


def _latitude(value: float) -> Callable[[Settings], Settings]:
    return lambda s: s._replace(latitude_deg=math.copysign(value, s.latitude_deg))


def _longitude(value: float) -> Callable[[Settings], Settings]:
    return lambda s: s._replace(longitude_deg=math.copysign(value, s.longitude_deg))


def _both(latitude_deg: float, longitude_deg: float) -> Callable[[Settings], Settings]:
    return lambda s: s._replace(
        latitude_deg=math.copysign(latitude_deg, s.latitude_deg),
        longitude_deg=math.copysign(longitude_deg, s.longitude_deg),
    )


def _date(ctx: Context) -> Iterator[Slip]:
    def swapped(s: Settings) -> Settings | None:
        shown = ctx.local(s).date()
        if shown.day > 12 or shown.day == shown.month:
            return None
        days = (shown.replace(month=shown.day, day=shown.month) - shown).days
        return s._replace(local_s=s.local_s + days * DAY_S)

    yield Slip("date-order-swapped", DATE, "Day and month are swapped in the date", swapped)
    yield Slip("date-off-by-one", DATE, "The date is tomorrow's", lambda s: s._replace(local_s=s.local_s + DAY_S))
    yield Slip("date-off-by-one", DATE, "The date is yesterday's", lambda s: s._replace(local_s=s.local_s - DAY_S))


def _halves(ctx: Context) -> Iterator[Slip]:
    def turned(s: Settings) -> Settings:
        half = -HALF_DAY_S if ctx.local(s).hour >= 12 else HALF_DAY_S
        return s._replace(local_s=s.local_s + half)

    yield Slip("twelve-hour-clock", TIME, "Morning and evening are mistaken, so that the time is twelve hours off",
               turned, LOCAL)  # fmt: skip
