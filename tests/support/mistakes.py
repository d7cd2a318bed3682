"""What people do wrong when they set a mount up, done to a simulated mount: each in its own words.

Made apart from the driver's table on purpose: by calendar fields and typed texts, with `zoneinfo`, never with the
driver's arithmetic. A hand (what somebody enters) goes through a mistake into a mount's state, and is shown by the
mount's own formats.
"""

from __future__ import annotations

import datetime as dt
import math
import random
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal
from zoneinfo import ZoneInfo

import tzfpy

from noonmark.driver import zones
from noonmark.protocols.dialect import Coordinates, Date, Dialect, Longitude, Offset, TimeOfDay
from noonmark.sim.state import EPOCH, MountState, Pointing, offset_is_held

HOUR = dt.timedelta(hours=1)


@dataclass(frozen=True)
class Hand:
    """What is entered. `offset_h`: local minus UTC, any daylight hour of the mount's own included. `local`: what
    the clock shows at the instant `utc`. `on_utc`: the mount is kept on UTC, since it can't hold the zone."""

    latitude_deg: float
    longitude_deg: float
    offset_h: float
    local: dt.datetime
    utc: dt.datetime
    zone: ZoneInfo
    on_utc: bool

    @property
    def zone_h(self) -> float:
        """The zone's offset now."""
        return (self.utc.astimezone(self.zone).utcoffset() or dt.timedelta()) / HOUR


def right_hand(site: tuple[float, float, str], utc: dt.datetime, dialect: Dialect) -> Hand:
    """Everything as it should be: on the zone's time where the dialect can hold it, else on UTC."""
    zone = zones.load_zone(site[2]).tz  # of the newest database: an older one's offset is a mistake of its own
    local = utc.astimezone(zone)
    offset_h = (local.utcoffset() or dt.timedelta()) / HOUR
    on_utc = dialect.clock.local_is_utc or not offset_is_held(offset_h - _own_hour(dialect), dialect)
    if on_utc:
        return Hand(site[0], site[1], 0.0, utc.replace(tzinfo=None), utc, zone, True)
    return Hand(site[0], site[1], offset_h, local.replace(tzinfo=None), utc, zone, False)


def _own_hour(dialect: Dialect) -> float:
    return 1.0 if dialect.clock.daylight_hour and not dialect.clock.local_is_utc else 0.0


def mount_state(hand: Hand, dialect: Dialect) -> MountState | None:
    """The mount that holds what was entered; None where it can't: a place that is none, an offset it does not take."""
    believed_h = hand.offset_h - _own_hour(dialect)
    place = abs(hand.latitude_deg) <= 90.0 and abs(hand.longitude_deg) <= 180.0
    if not place or not offset_is_held(believed_h, dialect) or not 1980 <= hand.local.year < 2080:
        return None
    unit = 3600 if dialect.coordinates.written == "second" else 60
    utc_s = (hand.utc - EPOCH).total_seconds()
    return MountState(
        round(hand.latitude_deg * unit) / unit,
        round(hand.longitude_deg * unit) / unit,
        believed_h,
        (hand.local.replace(tzinfo=dt.UTC) - EPOCH).total_seconds(),
        utc_s,
        pointing=Pointing("sky", 3.0, -20.0),
    )


# --- the mistakes -----------------------------------------------------------------------------------

Mistake = Callable[[Hand, random.Random], "Hand | None"]


def _hour_more(hours: float, *, missing: bool) -> Mistake:
    def mistake(hand: Hand, chance: random.Random) -> Hand | None:
        saving = (hand.utc.astimezone(hand.zone).dst() or dt.timedelta()) / HOUR
        if hand.on_utc or (missing and saving <= 0):
            return None
        amount = -saving if missing else hours
        where = chance.choice(("offset", "time", "both"))
        offset_h = hand.offset_h + (amount if where != "time" else 0.0)
        local = hand.local + (amount * HOUR if where != "offset" else dt.timedelta())
        return replace(hand, offset_h=offset_h, local=local if where != "time" else _by_watch(local, chance))

    return mistake


def _by_watch(local: dt.datetime, chance: random.Random) -> dt.datetime:
    """Half of the people wait for the second, the others are off by up to half a minute."""
    return local + dt.timedelta(seconds=chance.choice((0.0, chance.uniform(-30.0, 30.0))))


def _offset_sign(hand: Hand, chance: random.Random) -> Hand | None:
    if hand.on_utc or hand.offset_h == 0:
        return None
    turned = -hand.offset_h
    with_time = chance.random() < 0.3
    return replace(hand, offset_h=turned, local=hand.local + (2 * turned * HOUR if with_time else dt.timedelta()))


def _other_zone(hand: Hand, chance: random.Random) -> Hand | None:
    if hand.on_utc:
        return None
    hours = chance.choice((-5, -4, -3, -2, 2, 3, 4, 5))
    with_time = chance.random() < 0.3
    local = hand.local + (hours * HOUR if with_time else dt.timedelta())
    return replace(hand, offset_h=hand.offset_h + hours, local=local)


def _utc_as_local(hand: Hand, chance: random.Random) -> Hand | None:
    if hand.on_utc or hand.zone_h == 0:
        return None
    utc = hand.utc.replace(tzinfo=None)
    date = chance.choice((utc.date(), hand.local.date()))
    return replace(hand, local=_by_watch(dt.datetime.combine(date, utc.time()), chance))


def _local_as_utc(hand: Hand, chance: random.Random) -> Hand | None:
    if hand.zone_h == 0:
        return None
    if not hand.on_utc:
        return replace(hand, offset_h=0.0)
    civil = hand.utc.astimezone(hand.zone).replace(tzinfo=None)
    date = chance.choice((civil.date(), hand.local.date()))
    return replace(hand, local=_by_watch(dt.datetime.combine(date, civil.time()), chance))


def _signs(latitude: int, longitude: int) -> Mistake:
    return lambda hand, chance: replace(
        hand, latitude_deg=hand.latitude_deg * latitude, longitude_deg=hand.longitude_deg * longitude
    )


def _swapped(hand: Hand, chance: random.Random) -> Hand | None:
    return replace(hand, latitude_deg=hand.longitude_deg, longitude_deg=hand.latitude_deg)


def _digits(read: Callable[[float], float | None]) -> Mistake:
    """The digits of a coordinate read in another way: of the latitude, the longitude, or both."""

    def mistake(hand: Hand, chance: random.Random) -> Hand | None:
        which = chance.choice(("latitude", "longitude", "both"))
        latitude = read(hand.latitude_deg) if which != "longitude" else hand.latitude_deg
        longitude = read(hand.longitude_deg) if which != "latitude" else hand.longitude_deg
        if latitude is None or longitude is None:
            return None
        return replace(hand, latitude_deg=latitude, longitude_deg=longitude)

    return mistake


def _minutes_as_decimals(value: float) -> float | None:
    minutes = math.floor(abs(value) * 60)
    return math.copysign(float(f"{minutes // 60}.{minutes % 60:02d}"), value)


def _decimals_as_minutes(value: float) -> float | None:
    whole, minutes = f"{abs(value):.2f}".split(".")
    return math.copysign(int(whole) + int(minutes) / 60, value) if int(minutes) < 60 else None


def _mistyped(hand: Hand, chance: random.Random) -> Hand | None:
    """One digit of the degrees or minutes is another."""
    which = chance.choice(("latitude_deg", "longitude_deg"))
    value = hand.latitude_deg if which == "latitude_deg" else hand.longitude_deg
    minutes = round(abs(value) * 60)
    digits = list(f"{minutes // 60:03d}{minutes % 60:02d}")
    place = chance.randrange(1 if which == "latitude_deg" else 0, 5)
    digits[place] = chance.choice([digit for digit in "0123456789" if digit != digits[place]])
    typed = "".join(digits)
    if int(typed[3:]) > 59:
        return None
    changed = math.copysign(int(typed[:3]) + int(typed[3:]) / 60, value)
    if which == "latitude_deg":
        return replace(hand, latitude_deg=changed)
    return replace(hand, longitude_deg=changed)


def _elsewhere(hand: Hand, chance: random.Random) -> Hand | None:
    latitude, longitude, key = random_site(chance)
    moved = replace(hand, latitude_deg=latitude, longitude_deg=longitude)
    if hand.on_utc or chance.random() < 0.5:
        return moved
    there = hand.utc.astimezone(zones.load_zone(key).tz)
    offset = there.utcoffset() or dt.timedelta()
    return replace(moved, offset_h=offset / HOUR, local=there.replace(tzinfo=None))


def _works_place(hand: Hand, chance: random.Random) -> Hand | None:
    latitude, longitude = chance.choice(((0, 0), (40, -90), (35, 139), (50, 10), (34, -118)))
    return replace(hand, latitude_deg=float(latitude), longitude_deg=float(longitude))


def _works_clock(hand: Hand, chance: random.Random) -> Hand | None:
    year = chance.choice((1990, 2000, 2005, 2010, 2015, 2020))
    return replace(hand, local=dt.datetime(year, 1, 1) + dt.timedelta(seconds=chance.uniform(0, 5 * 86400)))  # noqa: DTZ001


def _works(hand: Hand, chance: random.Random) -> Hand | None:
    place = _works_place(hand, chance)
    assert place is not None
    return replace(_works_clock(place, chance) or place, offset_h=float(chance.choice((-8, -6, 0, 1, 9))))


def _order(hand: Hand, chance: random.Random) -> Hand | None:
    if hand.local.day > 12 or hand.local.day == hand.local.month:
        return None
    return replace(hand, local=hand.local.replace(month=hand.local.day, day=hand.local.month))


def _days(choose: Callable[[random.Random], int]) -> Mistake:
    return lambda hand, chance: replace(hand, local=hand.local + dt.timedelta(days=choose(chance)))


def _year(hand: Hand, chance: random.Random) -> Hand | None:
    if (hand.local.month, hand.local.day) == (2, 29):
        return None
    return replace(hand, local=hand.local.replace(year=hand.local.year + chance.choice((-10, -3, -2, -1, 1, 2))))


def _half_day(hand: Hand, chance: random.Random) -> Hand | None:
    return replace(hand, local=_by_watch(hand.local.replace(hour=(hand.local.hour + 12) % 24), chance))


def _clock(hand: Hand, chance: random.Random) -> Hand | None:
    """From 2 s to 6 h, every order of magnitude alike."""
    seconds = math.exp(chance.uniform(math.log(2.0), math.log(6 * 3600.0))) * chance.choice((-1, 1))
    return replace(hand, local=hand.local + dt.timedelta(seconds=seconds))


MISTAKES: dict[str, Mistake] = {
    "daylight-saving-missing": _hour_more(0.0, missing=True),
    "daylight-saving-extra": _hour_more(1.0, missing=False),
    "offset-sign-reversed": _offset_sign,
    "offset-hours-wrong": _other_zone,
    "utc-entered-as-local": _utc_as_local,
    "local-entered-as-utc": _local_as_utc,
    "longitude-sign-reversed": _signs(1, -1),
    "latitude-sign-reversed": _signs(-1, 1),
    "both-signs-reversed": _signs(-1, -1),
    "latitude-longitude-swapped": _swapped,
    "minutes-read-as-decimals": _digits(_minutes_as_decimals),
    "decimals-read-as-minutes": _digits(_decimals_as_minutes),
    "coordinate-mistyped": _mistyped,
    "site-of-another-place": _elsewhere,
    "factory-site": _works_place,
    "factory-date": _works_clock,
    "factory-state": _works,
    "date-order-swapped": _order,
    "date-off-by-one": _days(lambda chance: chance.choice((-1, 1))),
    "year-wrong": _year,
    "date-wrong": _days(lambda chance: chance.choice((-90, -31, -30, -7, -2, 2, 7, 10, 30, 31))),
    "twelve-hour-clock": _half_day,
    "clock-off": _clock,
}
"""One for each row of the table that shows in what a mount holds at one instant, and needs nothing else."""


# --- chance -----------------------------------------------------------------------------------------


def random_site(chance: random.Random) -> tuple[float, float, str]:
    """A place on land, as like as its area, with its zone. Not within 20 degrees of a pole."""
    while True:
        latitude = math.degrees(math.asin(chance.uniform(-0.94, 0.94)))
        longitude = chance.uniform(-180.0, 180.0)
        key = tzfpy.get_tz(longitude, latitude)
        if key and not key.startswith("Etc/"):
            return round(latitude, 4), round(longitude, 4), str(key)


def random_utc(chance: random.Random) -> dt.datetime:
    """An instant of 2024 to 2030."""
    begin = dt.datetime(2024, 1, 1, tzinfo=dt.UTC)
    return begin + dt.timedelta(seconds=round(chance.uniform(0, 7 * 365.25 * 86400), 3))


def random_dialect(chance: random.Random) -> Dialect:
    """Any manner that changes how settings are shown or what they mean."""
    form: Literal["hours", "tenths", "minutes"] = chance.choice(("hours", "tenths", "tenths", "minutes"))
    kept_on_utc = chance.random() < 0.1
    return Dialect(
        name="chance",
        coordinates=Coordinates(
            shown=chance.choice(("minute", "second")), written=chance.choice(("minute", "second")),
            degree_mark=chance.choice(("*", "0xDF")),
        ),
        longitude=Longitude(
            positive=chance.choice(("west", "east")), range=chance.choice(("0..360", "-180..180"))
        ),
        offset=Offset(sense=chance.choice(("to-utc", "from-utc")), format=form),
        clock=TimeOfDay(
            local_is_utc=kept_on_utc, daylight_hour=chance.random() < 0.1, display_hours=chance.choice((24, 24, 12)),
            holds=chance.choice(("local", "utc")),
        ),
        date=Date(order=chance.choice(("mdy", "dmy")), year_digits=chance.choice((2, 4))),
    )  # fmt: skip
