"""How a mount of a dialect writes its values and reads arguments: its own code, apart from the driver's.

Common practice of the trade, from memory; no published source. Arguments are taken strictly: whatever is not
exactly a form of the dialect is nonsense, and nonsense is answered with `0`.
"""

from __future__ import annotations

import datetime as dt
import re

from noonmark.protocols.dialect import Dialect

MINUTES_PER_UNIT = {"hours": 60, "tenths": 6, "minutes": 1}
BEYOND_ANY_OFFSET_MINUTES = 23 * 60
YEARS = range(1980, 2100)


class Formats:
    """One dialect's forms, worked out once. Everything taken and given is in our signs (east, local minus UTC)."""

    def __init__(self, dialect: Dialect, *, truncates: bool = False) -> None:
        coordinates, longitude, offset = dialect.coordinates, dialect.longitude, dialect.offset
        self._mark = b"\xdf" if coordinates.degree_mark == "0xDF" else b"*"
        self._seconds_mark = coordinates.seconds_mark.encode()
        self._round = 1e-6 if truncates else 0.5
        self._east_sign = 1.0 if longitude.positive == "east" else -1.0
        self._east_sign_written = 1.0 if dialect.longitude_written_positive == "east" else -1.0
        self._signed = longitude.range == "-180..180"
        self._plus = longitude.plus_sign
        self._drops_sign = longitude.drops_sign
        self._offset_sign = -1 if offset.sense == "to-utc" else 1
        self._offset_form = offset.format
        self._offset_limit_minutes = round(offset.limit_h * 60)
        self._mdy = dialect.date.order == "mdy"
        self._year_digits = dialect.date.year_digits
        seconds = rb"(?:" + self._seconds_mark + rb"(\d\d))?" if coordinates.written == "second" else rb"()"
        body = re.escape(self._mark) + rb"(\d\d)" + seconds + rb"\Z"
        self._longitude_re = re.compile(rb"([+-]?)(\d{3})" + body)
        self._latitude_re = re.compile(rb"([+-])(\d{2})" + body)
        self._offset_re = re.compile(_OFFSET_FORMS[offset.format, offset.finer])

    # --- shown ---------------------------------------------------------------------------------

    def longitude(self, longitude_deg: float, long: bool) -> bytes:
        """An EAST-positive longitude as `:Gg#` shows it, without the end mark."""
        unit = 3600 if long else 60
        value = self._east_sign * longitude_deg % 360.0
        if self._signed and value > 180.0:
            value -= 360.0
        count = int(abs(value) * unit + self._round)
        sign = b""
        if self._signed:
            sign = b"-" if value < 0 and count else (b"+" if self._plus else b"")
        else:
            count %= 360 * unit
            sign = b"+" if self._plus else b""
        return sign + self._sexagesimal(count, 3, long)

    def signed(self, value_deg: float, long: bool) -> bytes:
        """`sDD*MM` or `sDD*MM:SS`: latitude, declination, altitude."""
        count = int(abs(value_deg) * (3600 if long else 60) + self._round)
        return (b"-" if value_deg < 0 and count else b"+") + self._sexagesimal(count, 2, long)

    def azimuth(self, azimuth_deg: float, long: bool) -> bytes:
        """`DDD*MM` or `DDD*MM:SS`."""
        unit = 3600 if long else 60
        return self._sexagesimal(int(azimuth_deg * unit + self._round) % (360 * unit), 3, long)

    def _sexagesimal(self, count: int, digits: int, long: bool) -> bytes:
        if not long:
            return b"%0*d%b%02d" % (digits, count // 60, self._mark, count % 60)
        minutes, second = divmod(count, 60)
        return b"%0*d%b%02d%b%02d" % (digits, minutes // 60, self._mark, minutes % 60, self._seconds_mark, second)

    def right_ascension(self, hours: float, long: bool) -> bytes:
        """`HH:MM:SS` or `HH:MM.T`, cut off."""
        tenths, seconds = divmod(int(hours % 24.0 * 3600.0), 6)
        if long:
            return clock_text(tenths * 6 + seconds)
        return b"%02d:%02d.%d" % (tenths // 600, tenths // 10 % 60, tenths % 10)

    def offset(self, offset_h: float) -> bytes:
        """`sHH`, `sHH.H` or `sHH:MM` in the dialect's sense, cut off towards zero."""
        minutes = round(offset_h * 60) * self._offset_sign
        sign, minutes = (b"-", -minutes) if minutes < 0 else (b"+", minutes)
        if self._offset_form == "hours":
            return b"%b%02d" % (sign, minutes // 60)
        if self._offset_form == "tenths":
            return b"%b%02d.%d" % (sign, minutes // 60, minutes % 60 // 6)
        return b"%b%02d:%02d" % (sign, minutes // 60, minutes % 60)

    def date(self, local_second: int) -> bytes:
        """The local calendar date of a local reading, seconds since 1970."""
        day = dt.date.fromordinal(719163 + local_second // 86400)
        first, second = (day.month, day.day) if self._mdy else (day.day, day.month)
        year = day.year if self._year_digits == 4 else day.year % 100
        return b"%02d/%02d/%0*d" % (first, second, self._year_digits, year)

    # --- taken ---------------------------------------------------------------------------------

    def take_longitude(self, argument: bytes) -> float | None:
        """EAST-positive longitude of an argument, degrees in (-180, 180]; None for nonsense."""
        match = self._longitude_re.match(argument)
        if match is None:
            return None
        value = _angle(match)
        sign = match[1]
        if value is None or not self._sign_stands(sign, value):
            return None
        if sign == b"-" and not self._drops_sign:
            value = -value
        east = self._east_sign_written * value % 360.0
        return east - 360.0 if east > 180.0 else east

    def _sign_stands(self, sign: bytes, value: float) -> bool:
        if self._drops_sign:
            return value < 360.0
        if self._signed:
            plus_right = sign != b"+" if not self._plus else sign != b""
            return plus_right and value <= 180.0
        return (sign == b"" or (sign == b"+" and self._plus)) and value < 360.0

    def take_latitude(self, argument: bytes) -> float | None:
        """North-positive latitude of an argument, degrees; None for nonsense."""
        match = self._latitude_re.match(argument)
        if match is None:
            return None
        value = _angle(match)
        if value is None or value > 90.0:
            return None
        return -value if match[1] == b"-" else value

    def take_offset(self, argument: bytes) -> float | None:
        """Local minus UTC, hours, of an argument; None for nonsense and for what lies beyond the limit."""
        match = self._offset_re.match(argument)
        if match is None:
            return None
        groups = match.groupdict()
        minutes = int(groups.get("m") or 0)
        if minutes > 59:
            return None
        fraction = groups.get("f") or b""
        total = int(match["h"]) * 60 + minutes + int(fraction.ljust(2, b"0") or b"0") * 60 // 100
        total -= total % MINUTES_PER_UNIT[self._offset_form]
        if total > self._offset_limit_minutes or total >= BEYOND_ANY_OFFSET_MINUTES:
            return None
        return (-total if match["s"] == b"-" else total) * self._offset_sign / 60.0 + 0.0

    def take_date(self, argument: bytes) -> dt.date | None:
        """The date of an argument in the dialect's order; a 2-digit year is of 2000 to 2099. None for nonsense."""
        match = _DATE.match(argument)
        if match is None or len(match[3]) != self._year_digits:
            return None
        month, day = (int(match[1]), int(match[2])) if self._mdy else (int(match[2]), int(match[1]))
        year = int(match[3]) + (2000 if self._year_digits == 2 else 0)
        if year not in YEARS:
            return None
        try:
            return dt.date(year, month, day)
        except ValueError:
            return None

    @staticmethod
    def take_time(argument: bytes) -> int | None:
        """Seconds since midnight of `HH:MM:SS`; None for nonsense."""
        match = _TIME.match(argument)
        if match is None:
            return None
        hours, minutes, seconds = int(match[1]), int(match[2]), int(match[3])
        return hours * 3600 + minutes * 60 + seconds if hours < 24 and minutes < 60 and seconds < 60 else None


def clock_text(second_of_day: int, *, twelve: bool = False) -> bytes:
    """`HH:MM:SS`; `twelve`: hours run 12, 1 to 11, without a word on which half of the day."""
    hours = second_of_day // 3600 % 24
    if twelve:
        hours = hours % 12 or 12
    return b"%02d:%02d:%02d" % (hours, second_of_day // 60 % 60, second_of_day % 60)


_DATE = re.compile(rb"(\d\d)/(\d\d)/(\d{4}|\d\d)\Z")
_TIME = re.compile(rb"(\d\d):(\d\d):(\d\d)\Z")
_WHOLE = rb"(?P<s>[+-])(?P<h>\d\d)"
_OFFSET_FORMS = {
    ("hours", "refuse"): _WHOLE + rb"\Z",
    ("hours", "truncate"): _WHOLE + rb"(?:\.(?P<f>\d{1,2})|:(?P<m>\d\d))?\Z",
    ("tenths", "refuse"): _WHOLE + rb"(?:\.(?P<f>\d))?\Z",
    ("tenths", "truncate"): _WHOLE + rb"(?:\.(?P<f>\d{1,2})|:(?P<m>\d\d))?\Z",
    ("minutes", "refuse"): _WHOLE + rb"(?::(?P<m>\d\d))?\Z",
    ("minutes", "truncate"): _WHOLE + rb"(?::(?P<m>\d\d)(?::\d\d)?)?\Z",
}


def _angle(match: re.Match[bytes]) -> float | None:
    minutes, seconds = int(match[3]), int(match[4] or 0)
    if minutes > 59 or seconds > 59:
        return None
    return (int(match[2]) * 3600 + minutes * 60 + seconds) / 3600
