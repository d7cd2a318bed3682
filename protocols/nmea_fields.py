"""One sentence decoded: the few fields that date and place an epoch, and on whose word.

Five kinds of sentence, decoded here rather than by a general parser: that one takes 60 minutes of arc and 360
degrees of latitude for values, gives blank, malformed and second-60 times as one and the same, and imports
sockets, threads and logging, which this room keeps out. The tests hold the two against each other.

Field numbers below are the standard's (NMEA 0183), the address being field 0.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from typing import Literal, NamedTuple

from noonmark.protocols.nmea_framing import Sentence

__all__ = ["Decoded", "Standing", "TimeOfDay", "decode"]

Standing = Literal["fix", "no-fix", "simulated", "manual", "estimated", "silent"]
"""What a sentence says of its own worth; `silent`: it says nothing of it."""

Fault = Literal["", "blank", "malformed", "zero"]

FIRST_YEAR_OF_1900 = 80
"""Two-digit years from here to 99 are 19yy, the others 20yy. Whether such a year can be is judged elsewhere."""

_TIME = re.compile(r"([0-9]{2})([0-9]{2})([0-9]{2})(?:\.([0-9]*))?")
_SHORT_DATE = re.compile(r"([0-9]{2})([0-9]{2})([0-9]{2})")
_ANGLE = re.compile(r"([0-9]{1,3})([0-9]{2}(?:\.[0-9]*)?)")
_NUMBER = re.compile(r"-?[0-9]+(?:\.[0-9]*)?|-?\.[0-9]+")
_COUNT = re.compile(r"[0-9]{1,3}")

# Mode indicator of RMC, GLL and (one per system) GNS. Absent before edition 2.3 of the standard.
_MODES: dict[str, Standing] = {
    "": "fix",
    "A": "fix",  # autonomous
    "D": "fix",  # differential
    "F": "fix",  # float real-time kinematic
    "P": "fix",  # precise
    "R": "fix",  # real-time kinematic
    "E": "estimated",
    "M": "manual",
    "N": "no-fix",
    "S": "simulated",
}
_QUALITIES: dict[str, Standing] = {
    "": "silent",
    "0": "no-fix",
    **dict.fromkeys("12345", "fix"),
    "6": "estimated",
    "7": "manual",
    "8": "simulated",
}


class TimeOfDay(NamedTuple):
    """UTC time of day. The second may be 60, and then it names no calendar time."""

    hour: int
    minute: int
    second: int
    microsecond: int


@dataclass(frozen=True, slots=True)
class Decoded:
    """What one RMC, GGA, ZDA, GNS or GLL says. Signs and units as in `Epoch`; None where blank or malformed.

    `status` is RMC's and GLL's own (`A`, `V`), never the navigational status that ends newer RMCs.
    The faults tell a blank field from a malformed one; a position of 0,0 is the fault `zero`.
    """

    talker: str
    formatter: str
    instant: float | None
    time: TimeOfDay | None
    time_fault: Fault
    standing: Standing
    status: str = ""
    day: date | None = None
    date_fault: Fault = "blank"
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    position_fault: Fault = "blank"
    altitude_m: float | None = None
    hdop: float | None = None
    satellites: int | None = None

    @property
    def voice(self) -> str:
        return self.talker + self.formatter

    @property
    def key(self) -> TimeOfDay | None:
        return self.time

    @property
    def calendar(self) -> date | None:
        return self.day


def decode(sentence: Sentence) -> Decoded | None:
    """What `sentence` says of an epoch; None for a sentence of another kind. Never raises."""
    decoder = _DECODERS.get(sentence.formatter)
    return decoder(sentence, _Fields(sentence.fields)) if decoder else None


class _Fields:
    """Fields by the standard's number; those that an older edition doesn't have are blank."""

    __slots__ = ("_texts",)

    def __init__(self, texts: tuple[str, ...]) -> None:
        self._texts = texts

    def __getitem__(self, number: int) -> str:
        return self._texts[number] if number < len(self._texts) else ""


def _rmc(said: Sentence, field: _Fields) -> Decoded:
    """RMC: 1 time, 2 status, 3-6 position, 7 speed, 8 course, 9 ddmmyy, 10-11 variation, 12 mode, 13 nav status."""
    time, time_fault = _time(field[1])
    day, date_fault = _short_date(field[9])
    latitude, longitude, position_fault = _position(field, 3)
    return Decoded(
        said.talker, said.formatter, said.instant, time, time_fault, _standing(field[2], field[12]),
        status=field[2], day=day, date_fault=date_fault,
        latitude_deg=latitude, longitude_deg=longitude, position_fault=position_fault,
    )  # fmt: skip


def _gga(said: Sentence, field: _Fields) -> Decoded:
    """GGA: 1 time, 2-5 position, 6 quality, 7 satellites, 8 HDOP, 9 altitude, 10 M, 11-12 geoid, 13-14 differential."""
    time, time_fault = _time(field[1])
    latitude, longitude, position_fault = _position(field, 2)
    return Decoded(
        said.talker, said.formatter, said.instant, time, time_fault, _QUALITIES.get(field[6], "no-fix"),
        latitude_deg=latitude, longitude_deg=longitude, position_fault=position_fault,
        altitude_m=_number(field[9]) if field[10] == "M" else None,
        hdop=_number(field[8]), satellites=_count(field[7]),
    )  # fmt: skip


def _zda(said: Sentence, field: _Fields) -> Decoded:
    """ZDA: 1 time, 2 day, 3 month, 4 year, 5-6 local zone. It has no flag of validity.

    The zone is not read: receivers write 00,00 anywhere, and the editions contradict each other on its sign.
    """
    time, time_fault = _time(field[1])
    day, date_fault = _long_date(field[2], field[3], field[4])
    return Decoded(
        said.talker, said.formatter, said.instant, time, time_fault, "silent", day=day, date_fault=date_fault
    )


def _gns(said: Sentence, field: _Fields) -> Decoded:
    """GNS: 1 time, 2-5 position, 6 a mode for each system, 7 satellites, 8 HDOP, 9 altitude (always metres)."""
    time, time_fault = _time(field[1])
    latitude, longitude, position_fault = _position(field, 2)
    return Decoded(
        said.talker, said.formatter, said.instant, time, time_fault, _joint_standing(field[6]),
        latitude_deg=latitude, longitude_deg=longitude, position_fault=position_fault,
        altitude_m=_number(field[9]), hdop=_number(field[8]), satellites=_count(field[7]),
    )  # fmt: skip


def _gll(said: Sentence, field: _Fields) -> Decoded:
    """GLL: 1-4 position, 5 time, 6 status, 7 mode."""
    time, time_fault = _time(field[5])
    latitude, longitude, position_fault = _position(field, 1)
    return Decoded(
        said.talker, said.formatter, said.instant, time, time_fault, _standing(field[6], field[7]),
        status=field[6], latitude_deg=latitude, longitude_deg=longitude, position_fault=position_fault,
    )  # fmt: skip


_DECODERS: dict[str, Callable[[Sentence, _Fields], Decoded]] = {
    "RMC": _rmc,
    "GGA": _gga,
    "ZDA": _zda,
    "GNS": _gns,
    "GLL": _gll,
}


def _standing(status: str, mode: str) -> Standing:
    """Status and mode together. A mode that isn't in the standard vouches for nothing."""
    by_mode = _MODES.get(mode, "no-fix")
    return "no-fix" if by_mode == "fix" and status != "A" else by_mode


def _joint_standing(modes: str) -> Standing:
    """GNS: a simulator or a hand in any system is one in the fix; one measured system is a measured fix."""
    told = {_MODES.get(mode, "no-fix") for mode in modes}
    for standing in ("simulated", "manual", "fix", "estimated", "no-fix"):
        if standing in told:
            return standing
    return "silent"


def _time(text: str) -> tuple[TimeOfDay | None, Fault]:
    """hhmmss or hhmmss.s...; beyond microseconds the digits are cut off."""
    if not text:
        return None, "blank"
    match = _TIME.fullmatch(text)
    if not match:
        return None, "malformed"
    hour, minute, second = (int(part) for part in match.group(1, 2, 3))
    if hour > 23 or minute > 59 or second > 60:
        return None, "malformed"
    return TimeOfDay(hour, minute, second, int(f"{match[4] or '':0<6}"[:6])), ""


def _short_date(text: str) -> tuple[date | None, Fault]:
    """ddmmyy."""
    if not text:
        return None, "blank"
    match = _SHORT_DATE.fullmatch(text)
    if not match:
        return None, "malformed"
    day, month, year = (int(part) for part in match.groups())
    return _calendar(year + (1900 if year >= FIRST_YEAR_OF_1900 else 2000), month, day)


def _long_date(day: str, month: str, year: str) -> tuple[date | None, Fault]:
    if not (day or month or year):
        return None, "blank"
    if not (_COUNT.fullmatch(day) and _COUNT.fullmatch(month) and re.fullmatch("[0-9]{4}", year)):
        return None, "malformed"
    return _calendar(int(year), int(month), int(day))


def _calendar(year: int, month: int, day: int) -> tuple[date | None, Fault]:
    try:
        return date(year, month, day), ""
    except ValueError:
        return None, "malformed"


def _position(field: _Fields, first: int) -> tuple[float | None, float | None, Fault]:
    """Latitude ddmm.m, N or S, longitude dddmm.m, E or W, from field `first` on."""
    texts = [field[first + n] for n in range(4)]
    if not all(texts):
        return None, None, "blank"
    latitude = _angle(texts[0], texts[1], "NS", 90.0)
    longitude = _angle(texts[2], texts[3], "EW", 180.0)
    if latitude is None or longitude is None:
        return None, None, "malformed"
    if latitude == 0.0 and longitude == 0.0:
        return None, None, "zero"
    return latitude, longitude, ""


def _angle(text: str, letter: str, letters: str, limit_deg: float) -> float | None:
    match = _ANGLE.fullmatch(text)
    if not match or letter not in tuple(letters):
        return None
    degrees, minutes = int(match[1]), float(match[2])
    angle_deg = degrees + minutes / 60.0
    if minutes >= 60.0 or angle_deg > limit_deg:
        return None
    return angle_deg if letter == letters[0] else -angle_deg


def _number(text: str) -> float | None:
    return float(text) if _NUMBER.fullmatch(text) else None


def _count(text: str) -> int | None:
    return int(text) if _COUNT.fullmatch(text) else None
