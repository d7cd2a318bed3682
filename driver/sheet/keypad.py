"""What a person types into a mount's keypad: place, date, time and offset, in every habit of sign and form."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from pydantic import BaseModel, ConfigDict

from noonmark.driver import zones
from noonmark.driver.site import Site
from noonmark.driver.zones import Zone
from noonmark.protocols import sexagesimal


class _Model(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class PlaceForms(_Model):
    """A position written for typing. Letters and signs are always both said, so that neither is left at a default.

    Longitude east positive, west positive, and the two forms without a sign, 0 to 360.
    """

    latitude_decimal: str
    latitude_minutes: str
    latitude_seconds: str
    latitude_signed: str
    longitude_decimal: str
    longitude_minutes: str
    longitude_seconds: str
    longitude_east_positive: str
    longitude_west_positive: str
    longitude_east_0_360: str
    longitude_west_0_360: str


class ZoneChange(_Model):
    """When the zone's offset next changes, and the offsets (local minus UTC, hours) before and after."""

    utc: datetime
    local: str
    offset_before_h: float
    offset_after_h: float


class Keypad(_Model):
    """The settings for one full minute.

    `offset_h` is local minus UTC; `offset_east` writes it so, `offset_west` the other way: what is to be added to
    local time to get UTC. `daylight`: whether a seasonal advance is in it; `standard_offset` leaves that out.
    """

    utc: datetime
    local_date: str
    local_time: str
    offset_h: float
    offset_east: str
    offset_west: str
    daylight: bool
    standard_offset: str
    next_change: ZoneChange | None
    place: PlaceForms


def hours_text(offset_h: float) -> str:
    """An offset as +HH:MM; with seconds where it has them."""
    text = sexagesimal.text(offset_h, digits=2)
    return text.removesuffix(":00")


def angle_text(value_deg: float, letters: str, *, seconds: bool) -> str:
    """Degrees with a hemisphere letter: `31 deg 51' 26" S`, to the second or to the minute of arc."""
    parts = sexagesimal.split(value_deg, seconds=seconds)
    letter = letters[1] if parts.negative else letters[0]
    tail = f' {parts.seconds:02d}"' if seconds else ""
    return f"{parts.whole} deg {parts.minutes:02d}'{tail} {letter}"


def _signed(value_deg: float) -> str:
    return sexagesimal.text(value_deg, digits=2, marks=(" ", " "))


def _unsigned(value_deg: float) -> str:
    return sexagesimal.text(value_deg % 360.0, digits=3, marks=(" ", " "), plus=False, wrap=360)


def place_forms(latitude_deg: float, longitude_deg: float) -> PlaceForms:
    """The forms of a position, longitude EAST positive, each rounded once to its last unit."""
    return PlaceForms(
        latitude_decimal=f"{latitude_deg:+.5f}",
        latitude_minutes=angle_text(latitude_deg, "NS", seconds=False),
        latitude_seconds=angle_text(latitude_deg, "NS", seconds=True),
        latitude_signed=_signed(latitude_deg),
        longitude_decimal=f"{longitude_deg:+.5f}",
        longitude_minutes=angle_text(longitude_deg, "EW", seconds=False),
        longitude_seconds=angle_text(longitude_deg, "EW", seconds=True),
        longitude_east_positive=_signed(longitude_deg),
        longitude_west_positive=_signed(-longitude_deg),
        longitude_east_0_360=_unsigned(longitude_deg),
        longitude_west_0_360=_unsigned(-longitude_deg),
    )


def next_full_minute(instant: datetime) -> datetime:
    """The first full minute after an aware instant, in UTC."""
    utc = instant.astimezone(UTC)
    return utc.replace(second=0, microsecond=0) + timedelta(minutes=1)


def keypad(site: Site, zone: Zone, instant: datetime) -> Keypad:
    """What to type at the next full minute after an aware instant."""
    minute = next_full_minute(instant)
    local = minute.astimezone(zone.tz)
    offset_h = zones.offset_h(zone, minute)
    change = zones.next_change(zone, instant)
    daylight = zones.is_daylight(zone, minute)
    return Keypad(
        utc=minute,
        local_date=f"{local:%Y-%m-%d}",
        local_time=f"{local:%H:%M:%S}",
        offset_h=offset_h,
        offset_east=hours_text(offset_h),
        offset_west=hours_text(-offset_h),
        daylight=daylight,
        standard_offset=hours_text(offset_h - zones.daylight_saving_h(zone, minute)),
        next_change=None if change is None else _change(change),
        place=place_forms(site.latitude_deg, site.longitude_deg),
    )


def _change(change: zones.Change) -> ZoneChange:
    """`local` is the time on the clocks up to the change."""
    before = change.instant + timedelta(hours=change.offset_before_h)
    return ZoneChange(
        utc=change.instant,
        local=f"{before:%Y-%m-%d %H:%M}",
        offset_before_h=change.offset_before_h,
        offset_after_h=change.offset_after_h,
    )
