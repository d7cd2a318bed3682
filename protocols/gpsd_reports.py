"""The GNSS daemon's reports as values, and one line of its JSON read into one (protocol 3).

Fields are omitted, never null. What has the wrong type counts as omitted: it leaves a reason in `Tpv.why_not`.
`ept` is no bound on anything and is not read.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any, Literal

from noonmark.protocols.epochs import known_hdop, why_not

__all__ = [
    "SPOILING_STATUS",
    "DaemonError",
    "Device",
    "Devices",
    "LineFault",
    "Malformed",
    "Other",
    "Report",
    "Sky",
    "Tpv",
    "Version",
    "Watch",
    "read_report",
]

LineFault = Literal["not-json", "no-class", "too-long", "cut-short"]

_MAX_SHOWN = 200

_TIME = re.compile(r"(\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:)(\d{2})(?:\.(\d*))?Z", re.ASCII)

SPOILING_STATUS = {5: "estimated", 7: "manual", 8: "simulated"}
"""`status` of a TPV (protocol 3.14): the values that spoil a fix for us. 7 is "surveyed in", but the daemon also
gives it for a position entered by hand (seen with release 3.22), so it can't count."""


@dataclass(frozen=True, slots=True)
class Version:
    """What the daemon calls itself. Texts of all reports are escaped, and cut at 200 characters."""

    release: str
    proto_major: int | None
    proto_minor: int | None


@dataclass(frozen=True, slots=True)
class Devices:
    """The receivers that the daemon listens to; none is no error for it."""

    paths: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Device:
    """A receiver came (`active`) or went."""

    path: str
    active: bool


@dataclass(frozen=True, slots=True)
class Watch:
    """The daemon's answer to `watch_command`: whether it will report."""

    enabled: bool
    json: bool


@dataclass(frozen=True, slots=True)
class DaemonError:
    """The daemon refused something."""

    message: str


@dataclass(frozen=True, slots=True)
class Other:
    """A report of a class that isn't read here."""

    name: str


@dataclass(frozen=True, slots=True)
class Malformed:
    """A line that is no report. `raw` is the first 256 bytes of it: bytes from a wire, show the repr only.

    `fault`: not a JSON object in UTF-8; an object without `class`; a line beyond the cap; the end of the
    stream within a line.
    """

    fault: LineFault
    raw: bytes
    instant: float | None = None


@dataclass(frozen=True, slots=True)
class Sky:
    """Satellites. `satellites`: how many are used in the fix; None for what is omitted or unknown."""

    device: str
    hdop: float | None
    satellites: int | None
    instant: float | None = None


@dataclass(frozen=True, slots=True)
class Tpv:
    """Time, position, velocity: of these, time and position. Signs and units as in `Epoch`.

    utc:         aware; None where omitted, malformed, or with a second of 60
    mode:        0 unknown, 1 no fix (and yet there may be a time), 2 without altitude, 3 with it
    altitude_m:  above mean sea level: `altMSL`, or `alt` of older daemons
    status:      as the daemon numbers it (8 is simulated); None where omitted
    key:         equal for reports of one instant: `utc`, or its text where that is no calendar time
    instant:     monotonic arrival of the chunk that held the line's first byte
    """

    device: str
    mode: int
    utc: datetime | None
    key: datetime | str | None
    latitude_deg: float | None
    longitude_deg: float | None
    altitude_m: float | None
    status: int | None
    leapseconds: int | None
    slug: str
    instant: float | None = None

    @property
    def usable(self) -> bool:
        """Time and position of a fix, not simulated: see `why_not`."""
        return not self.slug

    @property
    def why_not(self) -> str:
        """Empty when usable, else a slug of `epochs.WHY_NOT`, a colon, and words for people."""
        return why_not(self.slug)

    @property
    def voice(self) -> str:
        return self.device

    @property
    def calendar(self) -> date | None:
        return None  # the key holds it


Report = Version | Devices | Device | Watch | Tpv | Sky | DaemonError | Other | Malformed


def read_report(line: bytes, instant: float | None = None) -> Report | Literal["not-json", "no-class"]:
    """One line, without its end, as a report, or the fault of it. Never raises."""
    try:
        fields = json.loads(line.decode("utf-8"))
    except (ValueError, RecursionError):  # not UTF-8, not JSON, a number too long, nested too deep
        return "not-json"
    if not isinstance(fields, dict):
        return "not-json"
    name = fields.get("class")
    if not isinstance(name, str):
        return "no-class"
    reader = _READERS.get(name)
    return reader(fields, instant) if reader else Other(_text(name))


def _tpv(fields: dict[str, Any], instant: float | None) -> Tpv:
    utc, key, time_slug = _time(fields.get("time"))
    mode = _whole(fields.get("mode"))
    status = _whole(fields.get("status"))
    latitude, longitude, place_slug = _place(_number(fields.get("lat")), _number(fields.get("lon")))
    fixed = mode in (2, 3)
    altitude = _number(fields.get("altMSL"))
    return Tpv(
        device=_text(fields.get("device")),
        mode=mode if mode in (0, 1, 2, 3) else 0,
        utc=utc,
        key=key,
        latitude_deg=latitude,
        longitude_deg=longitude,
        altitude_m=altitude if altitude is not None else _number(fields.get("alt")),
        status=status,
        leapseconds=_whole(fields.get("leapseconds")),
        slug=(time_slug if key is None else "")
        or SPOILING_STATUS.get(-1 if status is None else status, "")
        or ("" if fixed else "no-fix")
        or place_slug
        or time_slug,
        instant=instant,
    )


def _sky(fields: dict[str, Any], instant: float | None) -> Sky:
    used = _whole(fields.get("uSat"))
    satellites = fields.get("satellites")
    if used is None and isinstance(satellites, list):  # daemons before `uSat`
        used = sum(1 for each in satellites if isinstance(each, dict) and each.get("used") is True)
    return Sky(_text(fields.get("device")), known_hdop(_number(fields.get("hdop"))), used, instant)


def _devices(fields: dict[str, Any], instant: float | None) -> Devices:
    listed = fields.get("devices")
    entries = listed if isinstance(listed, list) else []
    return Devices(tuple(_text(each["path"]) for each in entries if isinstance(each, dict) and "path" in each))


def _device(fields: dict[str, Any], instant: float | None) -> Device:
    return Device(_text(fields.get("path")), active=fields.get("activated", 0) != 0)


def _watch(fields: dict[str, Any], instant: float | None) -> Watch:
    return Watch(enabled=fields.get("enable") is True, json=fields.get("json") is True)


def _version(fields: dict[str, Any], instant: float | None) -> Version:
    return Version(_text(fields.get("release")), _whole(fields.get("proto_major")), _whole(fields.get("proto_minor")))


def _error(fields: dict[str, Any], instant: float | None) -> DaemonError:
    return DaemonError(_text(fields.get("message")))


_READERS: dict[str, Callable[[dict[str, Any], float | None], Report]] = {
    "TPV": _tpv,
    "SKY": _sky,
    "DEVICES": _devices,
    "DEVICE": _device,
    "WATCH": _watch,
    "VERSION": _version,
    "ERROR": _error,
}


def _time(value: object) -> tuple[datetime | None, datetime | str | None, str]:
    """ISO 8601 in UTC: the time, what tells its instant from others, and the slug of what is wrong."""
    if value is None:
        return None, None, "no-time"
    match = _TIME.fullmatch(value) if isinstance(value, str) else None
    if not match:
        return None, None, "time-malformed"
    upto_minute, second, fraction = match.groups()
    if second == "60":
        return None, match.string, "second-60"
    try:
        utc = datetime.fromisoformat(f"{upto_minute}{second}").replace(
            microsecond=int(f"{fraction or '':0<6}"[:6]), tzinfo=UTC
        )
    except ValueError:
        return None, None, "time-malformed"
    return utc, utc, ""


def _place(latitude: float | None, longitude: float | None) -> tuple[float | None, float | None, str]:
    if latitude is None or longitude is None:
        return None, None, "no-position"
    if abs(latitude) > 90.0 or abs(longitude) > 180.0:
        return None, None, "position-malformed"
    if latitude == 0.0 and longitude == 0.0:
        return None, None, "zero-position"
    return latitude, longitude, ""


def _number(value: object) -> float | None:
    """A finite number; None for what is omitted or none (JSON as Python reads it also has NaN and 1e999)."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) else None


def _whole(value: object) -> int | None:
    number = _number(value)
    return int(number) if number is not None and number == int(number) else None


def _text(value: object) -> str:
    """Text from the wire, escaped so that it can be shown; empty where omitted."""
    return value[:_MAX_SHOWN].encode("unicode_escape").decode("ascii") if isinstance(value, str) else ""
