"""LX-style commands: one table of commands, what they carry as values, and their encoders and parsers.

A command is `:` + letters + argument + `#`. Common practice of the trade, from memory; no published source.
Parsers are liberal in the marks they take (field reality) and strict in everything that changes a value.
Longitudes and offsets are returned as the mount WROTE them; what they mean is a convention of that mount.
"""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass
from typing import Literal

from noonmark.protocols import sexagesimal
from noonmark.protocols.dialect import Dialect
from noonmark.protocols.seams import ReplyError

Shape = Literal["text", "flag", "date-flag", "nothing"]


@dataclass(frozen=True, slots=True)
class Command:
    """One row of the table. `writes`: which setting it sets; None for a question."""

    name: str
    letters: str
    shape: Shape
    meaning: str
    writes: str | None = None
    empty_ok: bool = False

    def request(self, argument: str = "") -> bytes:
        """The bytes of this command. Characters up to 0xFF stand for themselves (0xDF, the degree mark)."""
        return f":{self.letters}{argument}#".encode("latin-1")


COMMANDS: dict[str, Command] = {
    row.name: row
    for row in (
        Command("get-date", "GC", "text", "local calendar date"),
        Command("get-time", "GL", "text", "local time"),
        Command("get-offset", "GG", "text", "hours to add to local time to get UTC, in the usual convention"),
        Command("get-longitude", "Gg", "text", "longitude, usually west positive"),
        Command("get-latitude", "Gt", "text", "latitude, north positive"),
        Command("get-sidereal", "GS", "text", "sidereal time"),
        Command("get-right-ascension", "GR", "text", "right ascension"),
        Command("get-declination", "GD", "text", "declination"),
        Command("get-altitude", "GA", "text", "altitude"),
        Command("get-azimuth", "GZ", "text", "azimuth"),
        Command("get-product", "GVP", "text", "what the mount calls itself"),
        Command("get-firmware", "GVN", "text", "firmware number"),
        Command("get-slewing", "D", "text", "empty text when at rest", empty_ok=True),
        Command("get-status", "GW", "text", "kind of mount, tracking, alignment"),
        Command("get-clock-display", "Gc", "text", "12 or 24 hour display"),
        Command("set-date", "SC", "date-flag", "set the date", writes="date"),
        Command("set-time", "SL", "flag", "set local time", writes="time"),
        Command("set-offset", "SG", "flag", "set the offset", writes="offset"),
        Command("set-longitude", "Sg", "flag", "set the longitude", writes="longitude"),
        Command("set-latitude", "St", "flag", "set the latitude", writes="latitude"),
        Command("toggle-precision", "U", "nothing", "toggle long and short coordinate formats"),
    )
}
SETTERS: dict[str, Command] = {row.writes: row for row in COMMANDS.values() if row.writes is not None}


# --- values ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Angle:
    """An angle as shown, degrees, in the mount's own sense; `signed`: a sign stood before it."""

    value_deg: float
    resolution_deg: float
    signed: bool


@dataclass(frozen=True, slots=True)
class DayTime:
    """A time of day as shown, seconds since midnight of that clock; `resolution_s` of its display."""

    seconds: float
    resolution_s: float


@dataclass(frozen=True, slots=True)
class DateText:
    """A date as shown: two fields whose order is a convention, and a year."""

    first: int
    second: int
    year: int
    year_digits: int

    def in_order(self, order: Literal["mdy", "dmy"], pivot: int = 2000) -> dt.date | None:
        """The date under an order of fields; a 2-digit year counts from `pivot`. None: no such date, or a year
        that no mount's clock can mean (before 1900, from 2200 on)."""
        month, day = (self.first, self.second) if order == "mdy" else (self.second, self.first)
        year = self.year
        if self.year_digits == 2:
            year = pivot + (year - pivot) % 100
        if not 1900 <= year < 2200:
            return None
        try:
            return dt.date(year, month, day)
        except ValueError:
            return None


@dataclass(frozen=True, slots=True)
class OffsetText:
    """An offset as shown, hours in the mount's own sense, with the step of its format."""

    value_h: float
    resolution_h: float


_COORDINATE = re.compile(
    rb"^(?P<sign>[+-]?)(?P<whole>\d{1,3})[*\xdf:](?P<min>\d{2})(?:[:'](?P<sec>\d{2})(?P<frac>\.\d{1,3})?|')?$"
)
_TIME = re.compile(rb"^(?P<h>\d{2}):(?P<m>\d{2}):(?P<s>\d{2})(?P<frac>\.\d{1,3})?$")
_SHORT_TIME = re.compile(rb"^(?P<h>\d{2}):(?P<m>\d{2})\.(?P<tenth>\d)$")
_DATE = re.compile(rb"^(\d{2})[/-](\d{2})[/-](\d{4}|\d{2})$")  # never `:`, which tells a time of day apart
_OFFSET = re.compile(rb"^(?P<sign>[+-]?)(?P<h>\d{1,2})(?:\.(?P<frac>\d{1,2})|:(?P<min>\d{2}))?$")
_STATUS = re.compile(rb"^([A-Za-z])([A-Za-z])([A-Za-z0-9])$")


def _refuse(what: str, text: bytes, expected: str) -> ReplyError:
    return ReplyError(f"{what}: {text[:40]!r} came where {expected} was expected")


def parse_longitude(text: bytes) -> Angle:
    """`sDDD*MM` or `DDD*MM:SS`: three digits before the mark tell it from a latitude. Raises ReplyError."""
    match = _COORDINATE.match(text)
    if match is None or len(match["whole"]) != 3:
        raise _refuse("longitude", text, "DDD*MM or DDD*MM:SS")
    angle = _angle(match)
    if not -180 <= angle.value_deg <= 360:
        raise _refuse("longitude", text, "at most 360 degrees, at most 180 below zero")
    return angle


def parse_latitude(text: bytes) -> Angle:
    """`sDD*MM` or `sDD*MM:SS`. Raises ReplyError."""
    match = _COORDINATE.match(text)
    if match is None or len(match["whole"]) != 2:
        raise _refuse("latitude", text, "sDD*MM or sDD*MM:SS")
    angle = _angle(match)
    if abs(angle.value_deg) > 90:
        raise _refuse("latitude", text, "at most 90 degrees")
    return angle


def parse_sexagesimal(text: bytes) -> Angle:
    """Any sexagesimal text (declination, altitude, azimuth), whatever the digits. Raises ReplyError."""
    match = _COORDINATE.match(text)
    if match is None:
        raise _refuse("coordinate", text, "sDD*MM or sDD*MM:SS")
    return _angle(match)


def _angle(match: re.Match[bytes]) -> Angle:
    minutes = int(match["min"])
    seconds = int(match["sec"] or 0) + float(match["frac"] or 0)
    if minutes > 59 or seconds >= 60:
        raise _refuse("coordinate", match.group(0), "minutes and seconds below 60")
    value = int(match["whole"]) + minutes / 60 + seconds / 3600
    resolution = 1 / 60 if match["sec"] is None else 1 / 3600
    return Angle(-value if match["sign"] == b"-" else value, resolution, bool(match["sign"]))


def parse_time(text: bytes) -> DayTime:
    """`HH:MM:SS`. Raises ReplyError."""
    match = _TIME.match(text)
    if match is None:
        raise _refuse("time of day", text, "HH:MM:SS")
    hours, minutes, seconds = int(match["h"]), int(match["m"]), int(match["s"])
    if hours > 24 or minutes > 59 or seconds > 59 or (hours == 24 and minutes + seconds > 0):
        raise _refuse("time of day", text, "hours to 23, minutes and seconds to 59")
    fraction = float(match["frac"] or 0)
    resolution = 1.0 if match["frac"] is None else 10.0 ** -(len(match["frac"]) - 1)
    return DayTime((hours % 24) * 3600 + minutes * 60 + seconds + fraction, resolution)


def parse_right_ascension(text: bytes) -> DayTime:
    """`HH:MM:SS` or the short form `HH:MM.T`. Raises ReplyError."""
    match = _SHORT_TIME.match(text)
    if match is None:
        return parse_time(text)
    hours, minutes = int(match["h"]), int(match["m"])
    if hours > 23 or minutes > 59:
        raise _refuse("right ascension", text, "hours to 23, minutes to 59")
    return DayTime(hours * 3600 + minutes * 60 + int(match["tenth"]) * 6, 6.0)


def parse_date(text: bytes) -> DateText:
    """`MM/DD/YY`, the fields in whatever order, the year with 2 or 4 digits. Raises ReplyError.

    A zero for month or day, as an empty clock shows it, is taken: whether such a date exists is for `in_order`.
    """
    match = _DATE.match(text)
    if match is None:
        raise _refuse("date", text, "MM/DD/YY")
    first, second, year = (int(match[group]) for group in (1, 2, 3))
    if not (first <= 31 and second <= 31 and min(first, second) <= 12):
        raise _refuse("date", text, "a month and a day")
    return DateText(first, second, year, len(match[3]))


def parse_offset(text: bytes) -> OffsetText:
    """`sHH`, `sHH.H` or `sHH:MM`. Raises ReplyError."""
    match = _OFFSET.match(text)
    if match is None or int(match["h"]) > 24 or int(match["min"] or 0) > 59:
        raise _refuse("offset", text, "sHH, sHH.H or sHH:MM")
    if match["min"] is not None:
        value, resolution = int(match["h"]) + int(match["min"]) / 60, 1 / 60
    elif match["frac"] is not None:
        value, resolution = float(match["h"] + b"." + match["frac"]), 10.0 ** -len(match["frac"])
    else:
        value, resolution = float(match["h"]), 1.0
    return OffsetText(-value if match["sign"] == b"-" else value, resolution)


def parse_status(text: bytes) -> tuple[str, str, str]:
    """`:GW#`: kind of mount, tracking (T or N), alignment, one character each. Raises ReplyError."""
    match = _STATUS.match(text)
    if match is None:
        raise _refuse("status", text, "three letters")
    return match[1].decode().upper(), match[2].decode().upper(), match[3].decode().upper()


def parse_clock_display(text: bytes) -> int:
    """12 or 24. Raises ReplyError."""
    stripped = text.strip(b"()")
    if stripped not in (b"12", b"24"):
        raise _refuse("clock display", text, "12 or 24")
    return int(stripped)


# --- encoders -------------------------------------------------------------------------------------


def date_argument(date: dt.date, *, order: str, year_digits: int) -> str:
    """`MM/DD/YY` in the mount's order and digits."""
    first, second = (date.month, date.day) if order == "mdy" else (date.day, date.month)
    year = f"{date.year:04d}" if year_digits == 4 else f"{date.year % 100:02d}"
    return f"{first:02d}/{second:02d}/{year}"


def time_argument(seconds_of_day: int) -> str:
    """`HH:MM:SS` from whole seconds since midnight."""
    if not 0 <= seconds_of_day < 86400:
        raise ValueError(f"seconds of day must be 0 to 86399, not {seconds_of_day}")
    return f"{seconds_of_day // 3600:02d}:{seconds_of_day // 60 % 60:02d}:{seconds_of_day % 60:02d}"


def offset_argument(value_h: float, *, form: str) -> str:
    """`sHH`, `sHH.H` or `sHH:MM` (form "hours", "tenths", "minutes") of a value in the mount's sense.

    Raises ValueError where the value can't be written exactly in that form.
    """
    if not offset_fits(value_h, form=form):
        raise ValueError(f"offset {value_h} h can't be written exactly in {form}")
    sign = "-" if value_h < 0 else "+"
    minutes = round(abs(value_h) * 60)
    if form == "hours":
        return f"{sign}{minutes // 60:02d}"
    if form == "tenths":
        return f"{sign}{minutes // 60:02d}.{minutes % 60 // 6}"
    return f"{sign}{minutes // 60:02d}:{minutes % 60:02d}"


def offset_fits(value_h: float, *, form: str) -> bool:
    """Whether a value is a whole number of the form's last unit (to a hundredth of a minute)."""
    minutes = abs(value_h) * 60
    unit = {"hours": 60, "tenths": 6, "minutes": 1}[form]
    return abs(minutes - round(minutes)) < 0.01 and round(minutes) % unit == 0


def longitude_argument(
    longitude_deg: float,
    dialect: Dialect,
    *,
    positive: Literal["west", "east"],
    unsigned: bool,
    precision: Literal["minute", "second"],
) -> str:
    """`DDD*MM` or `DDD*MM:SS` of an EAST-positive longitude, counted as the mount takes it.

    `unsigned`: written 0 to 360, as where the form shown bears no sign.
    """
    value = longitude_deg if positive == "east" else -longitude_deg
    if unsigned:
        value %= 360.0
    seconds = precision == "second"
    return sexagesimal.text(
        value,
        digits=3,
        marks=_marks(dialect),
        seconds=seconds,
        plus=dialect.longitude.plus_sign and not unsigned,
        wrap=360 if unsigned else None,
    )


def latitude_argument(latitude_deg: float, dialect: Dialect, *, precision: Literal["minute", "second"]) -> str:
    """`sDD*MM` or `sDD*MM:SS`, north positive, always signed."""
    return sexagesimal.text(latitude_deg, digits=2, marks=_marks(dialect), seconds=precision == "second")


def _marks(dialect: Dialect) -> tuple[str, str]:
    mark = dialect.coordinates.degree_mark
    return ("\xdf" if mark == "0xDF" else mark, dialect.coordinates.seconds_mark)
