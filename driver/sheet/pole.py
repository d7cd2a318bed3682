"""The pole of the sky from a site: how high it stands, and where the star near it stands around it.

In the north the star is Polaris, in the south sigma Octantis. The hour angle says where it stands: facing the
pole, the sky turns anticlockwise in the north and clockwise in the south, and 12 o'clock is towards the zenith.
"""

from __future__ import annotations

import math
from datetime import datetime, timedelta
from typing import Literal

from pydantic import BaseModel, ConfigDict

from noonmark.driver.sheet import refraction
from noonmark.driver.sheet.apparent import track
from noonmark.driver.sheet.stars import POLARIS, SIGMA_OCTANTIS, Star
from noonmark.driver.site import Site
from noonmark.driver.sky import SIDEREAL_RATIO, wrap_24

POLE_OVERHEAD_DEG = 89.9
"""Beyond this latitude the pole is the zenith for a mount: no meridian, no 12 o'clock."""

LOW_POLE_DEG = 5.0
"""Below this altitude the air moves the pole by minutes of arc that no formula knows."""


class _Model(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class PoleAltitude(_Model):
    """Of the elevated pole: airless, which is the latitude; as seen, for the named air."""

    pole: Literal["north", "south"]
    airless_deg: float
    refraction_arcmin: float
    seen_deg: float
    pressure_hpa: float
    temperature_c: float


class StarAtPole(_Model):
    """Where the star near the pole stands at one instant: topocentric apparent place of date.

    `clock_erect` and `clock_inverted` are hours on a clock face, 0 <= value < 12, seen facing the pole: as to
    the naked eye, and through optics that turn the picture upside down (no mirror in either). None where
    the pole is overhead. Right ascension is from the true equinox of date.
    """

    star: str
    utc: datetime
    right_ascension_h: float
    declination_deg: float
    distance_arcmin: float
    hour_angle_h: float
    clock_erect: float | None
    clock_inverted: float | None
    azimuth_deg: float
    altitude_deg: float


class Turn(_Model):
    """A culmination or elongation of the star: when, and its airless azimuth and altitude then."""

    name: Literal["upper culmination", "western elongation", "lower culmination", "eastern elongation"]
    utc: datetime
    azimuth_deg: float
    altitude_deg: float


def elevated_pole(latitude_deg: float) -> Literal["north", "south"]:
    """The pole above the horizon; on the equator, where both lie on it, the north one."""
    return "south" if latitude_deg < 0.0 else "north"


def pole_star(latitude_deg: float) -> Star:
    """The star by which the elevated pole is found."""
    return SIGMA_OCTANTIS if elevated_pole(latitude_deg) == "south" else POLARIS


def pole_altitude(site: Site, *, temperature_c: float = refraction.STANDARD_C) -> PoleAltitude:
    """How high the elevated pole stands, without and with refraction, for the standard air at the site.

    The altitude is the geodetic latitude: the plumb line differs from it by up to an arcminute in mountains.
    """
    airless = abs(site.latitude_deg)
    pressure = refraction.standard_pressure_hpa(site.elevation_m)
    lifted = refraction.from_true_arcmin(airless, pressure_hpa=pressure, temperature_c=temperature_c)
    return PoleAltitude(
        pole=elevated_pole(site.latitude_deg),
        airless_deg=airless,
        refraction_arcmin=lifted,
        seen_deg=airless + lifted / 60.0,
        pressure_hpa=pressure,
        temperature_c=temperature_c,
    )


def clock_face(hour_angle_h: float, pole: Literal["north", "south"], *, inverted: bool) -> float:
    """Where on a clock face a star of this hour angle stands around the pole, 0 <= hours < 12."""
    turned = hour_angle_h / 2.0 if pole == "south" else -hour_angle_h / 2.0
    hours = (turned + (6.0 if inverted else 0.0)) % 12.0
    return 0.0 if hours >= 12.0 else hours


def star_at_pole(site: Site, instant: datetime) -> StarAtPole:
    """The star near the elevated pole at an aware instant."""
    star, pole = pole_star(site.latitude_deg), elevated_pole(site.latitude_deg)
    place = track(site, star, [instant])
    hour_angle, declination = float(place.hour_angle_h[0]), float(place.declination_deg[0])
    overhead = abs(site.latitude_deg) > POLE_OVERHEAD_DEG
    return StarAtPole(
        star=star.name,
        utc=instant,
        right_ascension_h=float(place.right_ascension_h[0]),
        declination_deg=declination,
        distance_arcmin=(90.0 - abs(declination)) * 60.0,
        hour_angle_h=wrap_24(hour_angle),
        clock_erect=None if overhead else clock_face(hour_angle, pole, inverted=False),
        clock_inverted=None if overhead else clock_face(hour_angle, pole, inverted=True),
        azimuth_deg=float(place.azimuth_deg[0]),
        altitude_deg=float(place.altitude_deg[0]),
    )


def turns(site: Site, instant: datetime) -> tuple[Turn, ...]:
    """The next culminations and elongations after an aware instant, in order of time.

    Elongation: cos H = tan(latitude)/tan(declination); there is none where the star passes between pole and
    zenith. Empty where the pole is overhead.
    """
    if abs(site.latitude_deg) > POLE_OVERHEAD_DEG:
        return ()
    star = pole_star(site.latitude_deg)
    declination = float(track(site, star, [instant]).declination_deg[0])
    wanted: list[tuple[float, Literal["upper culmination", "lower culmination"]]] = [
        (0.0, "upper culmination"),
        (12.0, "lower culmination"),
    ]
    found = [_next(site, star, instant, hour_angle_h, name) for hour_angle_h, name in wanted]
    cosine = math.tan(math.radians(site.latitude_deg)) / math.tan(math.radians(declination))
    if abs(cosine) < 1.0:
        half = math.degrees(math.acos(cosine)) / 15.0
        found += [
            _next(site, star, instant, half, "western elongation"),
            _next(site, star, instant, 24.0 - half, "eastern elongation"),
        ]
    return tuple(sorted(found, key=lambda turn: turn.utc))


def _next(
    site: Site,
    star: Star,
    instant: datetime,
    hour_angle_h: float,
    name: Literal["upper culmination", "western elongation", "lower culmination", "eastern elongation"],
) -> Turn:
    """When the star next has this hour angle. It advances by sidereal time, and the rest is iterated away."""
    when = instant
    for round_number in range(3):
        now = float(track(site, star, [when]).hour_angle_h[0])
        ahead = wrap_24(hour_angle_h - now)
        if round_number and ahead > 12.0:
            ahead -= 24.0
        when += timedelta(hours=ahead / SIDEREAL_RATIO)
    place = track(site, star, [when])
    return Turn(name=name, utc=when, azimuth_deg=float(place.azimuth_deg[0]), altitude_deg=float(place.altitude_deg[0]))
