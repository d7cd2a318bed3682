"""The night at a site: Sun, twilights and Moon, and what else happens in it.

Sunrise and sunset: the Sun's centre at -50 arcminutes, which is its upper limb on a sea-level horizon under 34
arcminutes of refraction. Moonrise and moonset: the Moon's upper limb likewise, with its own semidiameter. Twilights:
the Sun's centre at -6, -12, -18 degrees, airless. (Definitions of the Astronomical Almanac.) The horizon is
that of the sea: hills, and a site above them, move all of these.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, timedelta
from typing import Literal

import numpy as np
from pydantic import BaseModel, ConfigDict

from noonmark.driver.earth_orientation import leap_second_between, leap_seconds
from noonmark.driver.sheet.apparent import Floats, Frame, illuminated_fraction, track
from noonmark.driver.site import Site
from noonmark.driver.sky import sidereal_time_h

RISE_SET_DEG = -50.0 / 60.0
HORIZON_REFRACTION_DEG = 34.0 / 60.0
TWILIGHTS: tuple[tuple[str, float], ...] = (("civil", -6.0), ("nautical", -12.0), ("astronomical", -18.0))

DAY, HOUR = timedelta(hours=24), timedelta(hours=1)
_STEP = timedelta(minutes=5)

SunState = Literal["rises and sets", "stays up", "stays down"]
Darkness = Literal["daylight", "civil twilight", "nautical twilight", "astronomical twilight", "dark"]
_DARKNESS: tuple[tuple[float, Darkness], ...] = (
    (-18.0, "dark"),
    (-12.0, "astronomical twilight"),
    (-6.0, "nautical twilight"),
    (RISE_SET_DEG, "civil twilight"),
)


class _Model(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Event(_Model):
    """Something that rises, sets, or reaches a twilight's altitude."""

    name: str
    utc: datetime
    azimuth_deg: float


class Span(_Model):
    """From one instant to another."""

    start: datetime
    end: datetime

    @property
    def hours(self) -> float:
        """Its length in hours."""
        return (self.end - self.start) / timedelta(hours=1)


class Night(_Model):
    """From one solar noon to the next.

    `darkest`: the least light of the night. `dark`: when it is so; `moonless`: the part of it with the Moon
    down. `sidereal_dusk_h`, `sidereal_dawn_h`: apparent local sidereal time when that begins and ends; None where
    it lasts from noon to noon. Where the Sun never goes down, both tuples are empty and they are None.
    """

    start: datetime
    end: datetime
    sun: SunState
    darkest: Darkness
    sun_lowest_deg: float
    events: tuple[Event, ...]
    dark: tuple[Span, ...]
    moonless: tuple[Span, ...]
    sidereal_dusk_h: float | None
    sidereal_dawn_h: float | None
    moon_illuminated: float
    moon_waxing: bool
    leap_second: date | None
    leap_seconds_known_until: date


def solar_noon_before(site: Site, instant: datetime) -> datetime:
    """The solar noon with which the night of an instant begins.

    In the afternoon and at night the one before; in the morning, once the Sun is up, the one to come.
    """
    sun = track(site, "sun", [instant])
    hour_angle_h, altitude_deg = float(sun.hour_angle_h[0]), float(sun.altitude_deg[0])
    if hour_angle_h < 0.0 and altitude_deg < RISE_SET_DEG:
        hour_angle_h += 24.0
    return instant - timedelta(hours=hour_angle_h)


def night(site: Site, instant: datetime) -> Night:
    """The night under way at an aware instant, or by day the one to come.

    Where the Sun stays down no sunrise ends a night: there it is over when less than an hour of its darkest part is
    left.
    """
    found = _night_from(site, solar_noon_before(site, instant))
    if found.sun == "stays down" and found.dark[-1].end - instant < HOUR:
        return _night_from(site, found.end)
    return found


def _night_from(site: Site, start: datetime) -> Night:
    """The night from a solar noon on."""
    grid = [start + number * _STEP for number in range(DAY // _STEP + 1)]
    frame = Frame(site, grid)
    sun, moon = frame.track("sun"), frame.track("moon")
    lowest = float(sun.altitude_deg.min())
    darkest: Darkness = next((name for limit, name in _DARKNESS if lowest < limit), "daylight")
    dark = _spans_below(_limit_of(darkest), grid, sun.altitude_deg)
    moon_up = moon.altitude_deg + moon.semidiameter_deg + HORIZON_REFRACTION_DEG
    moon_down = _spans_below(0.0, grid, moon_up)
    middle = int(np.argmin(sun.altitude_deg))
    lit = illuminated_fraction(sun, moon)
    events = _sun_events(site, grid, sun.altitude_deg) + _moon_events(site, grid, moon_up)
    return Night(
        start=grid[0],
        end=grid[-1],
        sun=_sun_state(sun.altitude_deg),
        darkest=darkest,
        sun_lowest_deg=lowest,
        events=tuple(sorted(events, key=lambda event: event.utc)),
        dark=dark,
        moonless=_common(dark, moon_down),
        sidereal_dusk_h=_sidereal(site, dark[0].start, grid) if dark else None,
        sidereal_dawn_h=_sidereal(site, dark[-1].end, grid) if dark else None,
        moon_illuminated=float(lit[middle]),
        moon_waxing=_waxing(sun.right_ascension_h[middle], moon.right_ascension_h[middle]),
        leap_second=leap_second_between(grid[0], grid[-1]),
        leap_seconds_known_until=leap_seconds().expires,
    )


def _sidereal(site: Site, edge: datetime, grid: Sequence[datetime]) -> float | None:
    """Sidereal time at dusk or dawn; None where the edge is only that of the grid."""
    return sidereal_time_h(edge, site.longitude_deg) if grid[0] < edge < grid[-1] else None


def _limit_of(darkest: Darkness) -> float:
    """The altitude of the Sun below which it is as dark as that; by day nothing is."""
    return next((limit for limit, name in _DARKNESS if name == darkest), -91.0)


def _waxing(sun_h: float, moon_h: float) -> bool:
    """The Moon waxes while it stands east of the Sun."""
    return bool((moon_h - sun_h) % 24.0 < 12.0)


def _sun_state(altitude_deg: Floats) -> SunState:
    if float(altitude_deg.min()) >= RISE_SET_DEG:
        return "stays up"
    return "stays down" if float(altitude_deg.max()) < RISE_SET_DEG else "rises and sets"


def _sun_events(site: Site, grid: Sequence[datetime], altitude_deg: Floats) -> list[Event]:
    names = [("sunset", "sunrise", RISE_SET_DEG)]
    names += [(f"{name} dusk", f"{name} dawn", limit) for name, limit in TWILIGHTS]
    found = [
        (up if rising else down, when)
        for down, up, limit in names
        for when, rising in crossings(limit, grid, altitude_deg)
    ]
    return _events(site, "sun", found)


def _moon_events(site: Site, grid: Sequence[datetime], upper_limb_deg: Floats) -> list[Event]:
    found = [("moonrise" if rising else "moonset", when) for when, rising in crossings(0.0, grid, upper_limb_deg)]
    return _events(site, "moon", found)


def _events(site: Site, body: Literal["sun", "moon"], found: Sequence[tuple[str, datetime]]) -> list[Event]:
    if not found:
        return []
    azimuth_deg = track(site, body, [when for _, when in found]).azimuth_deg
    return [
        Event(name=name, utc=when, azimuth_deg=float(azimuth_deg[number])) for number, (name, when) in enumerate(found)
    ]


def crossings(limit_deg: float, grid: Sequence[datetime], values: Floats) -> list[tuple[datetime, bool]]:
    """When a smooth altitude crosses a limit between the instants of a grid: (instant, upwards).

    By the cubic through four neighbours: with 5 minutes between them it leaves out less than 1 mas of altitude.
    """
    above = values >= limit_deg
    found = []
    for number in np.flatnonzero(above[1:] != above[:-1]).tolist():
        first = min(max(number - 1, 0), len(grid) - 4)
        cubic = np.polynomial.Polynomial.fit(range(4), values[first : first + 4] - limit_deg, 3)
        rising = bool(above[number + 1])
        low, high = float(number - first), float(number - first + 1)
        for _ in range(40):
            middle = (low + high) / 2.0
            low, high = (low, middle) if (float(cubic(middle)) >= 0.0) == rising else (middle, high)
        found.append((grid[first] + low * _STEP, rising))
    return found


def _spans_below(limit_deg: float, grid: Sequence[datetime], values: Floats) -> tuple[Span, ...]:
    """When an altitude is below a limit."""
    spans = []
    start = grid[0] if values[0] < limit_deg else None
    for when, rising in crossings(limit_deg, grid, values):
        if not rising:
            start = when
        elif start is not None:
            spans.append(Span(start=start, end=when))
            start = None
    if start is not None:
        spans.append(Span(start=start, end=grid[-1]))
    return tuple(spans)


def _common(one: Sequence[Span], other: Sequence[Span]) -> tuple[Span, ...]:
    """What two rows of spans have in common."""
    both = []
    for a in one:
        for b in other:
            start, end = max(a.start, b.start), min(a.end, b.end)
            if start < end:
                both.append(Span(start=start, end=end))
    return tuple(both)
