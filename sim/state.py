"""What a simulated mount believes, what is odd about it, and what can be said of it from outside.

Longitude EAST positive, offset = local minus UTC, whatever signs the mount shows on its wire.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from noonmark.protocols.dialect import USUAL, Dialect

EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
FACTORY_LOCAL_S = 946684800.0  # 2000-01-01 00:00:00 as a local reading
MINUTES_PER_UNIT = {"hours": 60, "tenths": 6, "minutes": 1}


@dataclass(slots=True)
class Pointing:
    """Where the tube points. "home": the pole of the believed hemisphere. "sky": a right ascension (hours) and
    declination that tracking keeps. "pier": an hour angle (hours) and declination, as where nothing tracks."""

    kind: Literal["home", "sky", "pier"] = "home"
    hours: float = 0.0
    declination_deg: float = 0.0


@dataclass(slots=True)
class MountState:
    """Everything a mount remembers, as plain data that JSON can hold.

    local_s: what its local clock reads, seconds since 1970 as if that reading were UTC; it read so when true UTC
    was at_utc_s (seconds since 1970). drift_ppm: positive gains. daylight: one more hour between local time and
    UTC (None: as the dialect says). long_format: coordinates to the second (None: as the dialect shows).
    accepted: how many settings of each name it took since power-up. memories: places of the site memories that
    are not current, by number; the current one's place is latitude_deg, longitude_deg.
    """

    latitude_deg: float
    longitude_deg: float
    offset_h: float
    local_s: float
    at_utc_s: float
    drift_ppm: float = 0.0
    daylight: bool | None = None
    parked: bool = False
    tracking: bool = True
    slewing: bool = False
    kind: str = "G"
    alignment: str = "0"
    long_format: bool | None = None
    pointing: Pointing = field(default_factory=Pointing)
    accepted: dict[str, int] = field(default_factory=dict)
    memory: int = 0
    memories: dict[str, list[float]] = field(default_factory=dict)

    def to_data(self) -> dict[str, Any]:
        """Plain data, as JSON can hold it."""
        return dataclasses.asdict(self)

    @classmethod
    def from_data(cls, data: Mapping[str, Any]) -> MountState:
        """From what `to_data` gave. Raises ValueError naming the key that is missing, unknown or of a wrong kind."""
        for key in data:
            if key not in _KINDS:
                raise ValueError(f"unknown key '{key}' in a mount's state; known are {', '.join(_KINDS)}")
        for key, (kind, needed) in _KINDS.items():
            if key not in data:
                if needed:
                    raise ValueError(f"key '{key}' of a mount's state is missing")
                continue
            if not _is(kind, data[key]):
                raise ValueError(f"key '{key}' of a mount's state must be {kind}; it is {data[key]!r}")
        values = dict(data)
        if "pointing" in values:
            values["pointing"] = Pointing(**values["pointing"])
        return cls(**values)


_KINDS = {
    "latitude_deg": ("a number", True),
    "longitude_deg": ("a number", True),
    "offset_h": ("a number", True),
    "local_s": ("a number", True),
    "at_utc_s": ("a number", True),
    "drift_ppm": ("a number", False),
    "daylight": ("true, false or null", False),
    "parked": ("true or false", False),
    "tracking": ("true or false", False),
    "slewing": ("true or false", False),
    "kind": ("one letter", False),
    "alignment": ("one letter", False),
    "long_format": ("true, false or null", False),
    "pointing": ("a table of kind, hours and declination_deg", False),
    "accepted": ("a table of numbers", False),
    "memory": ("a number", False),
    "memories": ("a table of places", False),
}


def _is(kind: str, value: object) -> bool:
    number = isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e12
    if kind == "a number":
        return number
    if kind == "one letter":
        return isinstance(value, str) and len(value) == 1 and value.isascii()
    if kind.startswith("true"):
        return isinstance(value, bool) or (value is None and kind.endswith("null"))
    if not isinstance(value, dict):
        return False
    if kind == "a table of numbers":
        return _all_numbers(value.values())
    if kind == "a table of places":
        return all(isinstance(place, list) and len(place) == 2 and _all_numbers(place) for place in value.values())
    return (
        set(value) <= {"kind", "hours", "declination_deg"}
        and value.get("kind", "home") in ("home", "sky", "pier")
        and _all_numbers(item for key, item in value.items() if key != "kind")
    )


def _all_numbers(values: Iterable[object]) -> bool:
    return all(_is("a number", value) for value in values)


def factory(true_utc: dt.datetime | float) -> MountState:
    """As it leaves the works: 40 N, 90 W, six hours behind UTC, its clock just started at 2000-01-01 00:00:00."""
    return MountState(40.0, -90.0, -6.0, FACTORY_LOCAL_S, seconds_of(true_utc))


def right(
    true_utc: dt.datetime | float,
    latitude_deg: float,
    longitude_deg: float,
    offset_h: float,
    *,
    dialect: Dialect = USUAL,
    error_s: float = 0.0,
) -> MountState:
    """As it stands after a proper setting up, its clock ahead by error_s.

    Where the dialect can't hold the offset, or takes local time for UTC, it is set to UTC with offset 0. The
    place is rounded as a written one would be.
    """
    now_s = seconds_of(true_utc)
    daylight_h = 1.0 if dialect.clock.daylight_hour else 0.0
    believed_h = offset_h - daylight_h
    if dialect.clock.local_is_utc or not offset_is_held(believed_h, dialect):
        believed_h, offset_h = 0.0 if dialect.clock.local_is_utc else -daylight_h, 0.0
    unit = 3600 if dialect.coordinates.written == "second" else 60
    return MountState(
        round(latitude_deg * unit) / unit,
        round(longitude_deg * unit) / unit,
        believed_h,
        now_s + offset_h * 3600.0 + error_s,
        now_s,
    )


def offset_is_held(offset_h: float, dialect: Dialect) -> bool:
    """Whether a mount of this dialect can hold an offset exactly."""
    minutes = round(offset_h * 60)
    within = abs(offset_h) <= dialect.offset.limit_h + 1e-9
    return within and abs(offset_h * 60 - minutes) < 1e-6 and minutes % MINUTES_PER_UNIT[dialect.offset.format] == 0


def seconds_of(true_utc: dt.datetime | float) -> float:
    """Seconds since 1970 of an aware datetime, or of a number that already is that."""
    if isinstance(true_utc, dt.datetime):
        if true_utc.tzinfo is None:
            raise ValueError("true_utc must be an aware datetime; give it tzinfo=datetime.UTC")
        return (true_utc - EPOCH).total_seconds()
    return float(true_utc)


@dataclass(frozen=True, slots=True)
class Quirks:
    """What is odd about one mount beyond its dialect. Ranges are (least, most), drawn for each command.

    lag_before_s: from a command's last byte to the moment it is carried out; lag_after_s: from there to the
        answer's first byte. display_every_s: the shown clock is renewed only so often. uneven_s: ticks of the
        shown clock come late by up to this much.
    overwritten_after_s: so long after the last setting its hand controller (or built-in receiver) writes
        overwritten_with: any of latitude_deg, longitude_deg, offset_h, local_shift_s. None: never.
    late_mark_s: the end mark of an acknowledgement comes this much later ("end-mark" dialects).
    silent: letters of commands that this mount does not know ("GW", "D", "GVP"...).
    sidereal: "mean"; "apparent"; "imprecise"; "own-clock" runs by itself whatever is set; "frozen" stands still.
    automatic_daylight: the daylight hour comes and goes by the date it believes (second Sunday of March to first
        Sunday of November). checks_date_under_old_year: 29 February is refused while the year it has is no leap
        year. truncates_coordinates: shown coordinates are cut off, not rounded.
    """

    lag_before_s: tuple[float, float] = (0.004, 0.008)
    lag_after_s: tuple[float, float] = (0.001, 0.003)
    display_every_s: float = 0.0
    uneven_s: float = 0.0
    refuses_parked: bool = False
    once_per_power_up: bool = False
    overwritten_after_s: float | None = None
    overwritten_with: Mapping[str, float] = field(default_factory=dict)
    time_starts_tracking: bool = False
    time_drops_alignment: bool = False
    late_mark_s: float = 0.0
    silent: frozenset[str] = frozenset()
    product: bytes = b"Simulated mount"
    firmware: bytes = b"1.0"
    sidereal: Literal["mean", "apparent", "imprecise", "own-clock", "frozen"] = "mean"
    automatic_daylight: bool = False
    checks_date_under_old_year: bool = False
    truncates_coordinates: bool = False


@dataclass(frozen=True, slots=True)
class HiddenState:
    """What is really inside a mount at an instant, in our signs.

    utc: what its sky stands on. local: its local clock, aware with what it adds to UTC. clock_error_s: its local
    clock minus (true UTC + what it adds), positive ahead. display_error_s: the same of the clock as displayed (a
    rounding display runs half a second ahead). offset_h: as it would say itself; daylight_h: 1 where it adds an
    hour of its own. pole_altitude_deg: of the north celestial pole.
    """

    latitude_deg: float
    longitude_deg: float
    offset_h: float
    daylight_h: float
    utc: dt.datetime
    local: dt.datetime
    clock_error_s: float
    display_error_s: float
    utc_error_s: float
    sidereal_h: float
    pole_altitude_deg: float
    parked: bool
    tracking: bool
    slewing: bool
    alignment: str


@dataclass(frozen=True, slots=True)
class Change:
    """One accepted setting: when, its name, the argument as it came, and what the mount held before and after
    (degrees, hours; for date and time the local reading in seconds since 1970)."""

    instant: float
    name: str
    argument: bytes
    before: float
    after: float
