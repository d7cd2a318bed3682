"""Where stars, Sun and Moon stand in the sky of a site: apparent places, by ERFA alone.

Proper motion, parallax, annual and diurnal aberration, light deflection by the Sun, IAU 2006 precession and 2000A
nutation are in; polar motion (below 0.5 arcsec) is not, nor is refraction, unless said. The Earth's place is from
ERFA's epv00, the Moon's from moon98 (about 10 arcsec). Hour angle is positive west, azimuth from north through
east, longitude EAST positive.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

import erfa
import numpy as np
from numpy.typing import NDArray

from noonmark.driver.sheet.stars import Star
from noonmark.driver.site import Site
from noonmark.driver.sky import ut1_and_tt

Floats = NDArray[np.float64]
Body = Star | Literal["sun", "moon"]

AU_KM = 149597870.7
LIGHT_DAY_PER_AU = 499.004783836156 / 86400.0
SUN_SEMIDIAMETER_ARCSEC = 959.63
"""At one astronomical unit (IAU 1976 value of Auwers; Explanatory Supplement)."""
MOON_RADIUS_KM = 1737.4

_MAS_RAD = math.radians(1.0 / 3.6e6)


@dataclass(frozen=True, slots=True)
class Track:
    """Topocentric apparent places at a row of instants, airless. Arrays of one length.

    `semidiameter_deg` is 0 for a star; `distance_au` is 0 for a star too.
    """

    hour_angle_h: Floats
    declination_deg: Floats
    right_ascension_h: Floats
    azimuth_deg: Floats
    altitude_deg: Floats
    semidiameter_deg: Floats
    distance_au: Floats


class Frame:
    """The sky's frame over a site at a row of aware instants: computed once, used for several bodies."""

    def __init__(self, site: Site, instants: Sequence[datetime]) -> None:
        dates = np.array([ut1_and_tt(instant) for instant in instants], dtype=np.float64)
        self._tt = (dates[:, 2], dates[:, 3])
        self._heliocentric, self._barycentric = erfa.epv00(*self._tt)
        x, y, s, self._equation_of_origins = _orientation(*self._tt)
        self._astrom: Any = erfa.apco(
            *self._tt, self._barycentric, self._heliocentric["p"], x, y, s, erfa.era00(dates[:, 0], dates[:, 1]),
            math.radians(site.longitude_deg), math.radians(site.latitude_deg), site.elevation_m,
            0.0, 0.0, erfa.sp00(*self._tt), 0.0, 0.0,
        )  # fmt: skip

    def track(self, body: Body) -> Track:
        """The places of a body at every instant of the frame."""
        if isinstance(body, Star):
            ri, di = erfa.atciq(*_catalogue(body), self._astrom)
            nothing = np.zeros(len(ri))
            return self._track(ri, di, nothing, nothing)
        direction, distance_au = self._direction(body)
        ri, di = _spherical(erfa.rxp(self._astrom["bpn"], direction))
        if body == "sun":
            semidiameter = SUN_SEMIDIAMETER_ARCSEC / 3600.0 / distance_au
        else:
            semidiameter = np.degrees(np.arcsin(MOON_RADIUS_KM / (distance_au * AU_KM)))
        return self._track(ri, di, semidiameter, distance_au)

    def _direction(self, body: Literal["sun", "moon"]) -> tuple[Floats, Floats]:
        """Apparent direction (GCRS) and distance of a body of the solar system: light time and aberration.

        Both move straight enough while their light is under way (the Moon's 1.3 s, the Sun about the barycentre).
        """
        position, velocity = self._barycentre(body)
        vector = position - self._astrom["eb"]
        delay = np.linalg.norm(vector, axis=-1) * LIGHT_DAY_PER_AU
        vector = vector - velocity * delay[:, None]
        distance = np.linalg.norm(vector, axis=-1)
        seen = erfa.ab(vector / distance[:, None], self._astrom["v"], self._astrom["em"], self._astrom["bm1"])
        return seen, distance

    def _barycentre(self, body: Literal["sun", "moon"]) -> tuple[Floats, Floats]:
        """Position and velocity from the solar system's barycentre, au and au per day."""
        earth = self._barycentric
        if body == "sun":
            return earth["p"] - self._heliocentric["p"], earth["v"] - self._heliocentric["v"]
        moon = erfa.moon98(*self._tt)
        return earth["p"] + moon["p"], earth["v"] + moon["v"]

    def _track(self, ri: Floats, di: Floats, semidiameter: Floats, distance: Floats) -> Track:
        azimuth, zenith_distance, hour_angle, declination, _ = erfa.atioq(ri, di, self._astrom)
        return Track(
            hour_angle_h=(np.degrees(hour_angle) / 15.0 + 12.0) % 24.0 - 12.0,
            declination_deg=np.degrees(declination),
            right_ascension_h=(np.degrees(ri - self._equation_of_origins) / 15.0) % 24.0,
            azimuth_deg=np.degrees(azimuth) % 360.0,
            altitude_deg=90.0 - np.degrees(zenith_distance),
            semidiameter_deg=semidiameter,
            distance_au=distance,
        )


def _orientation(day: Any, fraction: Any) -> tuple[Any, Any, Any, Any]:
    """CIP coordinates x, y, the CIO locator s, and the equation of the origins."""
    matrix = erfa.pnm06a(day, fraction)
    x, y = erfa.bpn2xy(matrix)
    s = erfa.s06(day, fraction, x, y)
    return x, y, s, erfa.eors(matrix, s)


def _catalogue(star: Star) -> tuple[float, float, float, float, float, float]:
    dec = math.radians(star.dec_deg)
    return (
        math.radians(star.ra_deg),
        dec,
        star.pm_ra_mas * _MAS_RAD / math.cos(dec),
        star.pm_dec_mas * _MAS_RAD,
        star.parallax_mas / 1000.0,
        star.velocity_km_s,
    )


def _spherical(vector: Any) -> tuple[Any, Any]:
    longitude, latitude = erfa.c2s(vector)
    return longitude % (2.0 * math.pi), latitude


def track(site: Site, body: Body, instants: Sequence[datetime]) -> Track:
    """The places of a body in the sky of a site at a row of aware instants."""
    return Frame(site, instants).track(body)


def geocentric_place(star: Star, instant: datetime) -> tuple[float, float]:
    """(right ascension in hours, declination in degrees): geocentric, true equator and equinox of date."""
    _, _, day, fraction = ut1_and_tt(instant)
    heliocentric, barycentric = erfa.epv00(day, fraction)
    x, y, s, equation_of_origins = _orientation(day, fraction)
    astrom = erfa.apci(day, fraction, barycentric, heliocentric["p"], x, y, s)
    ri, di = erfa.atciq(*_catalogue(star), astrom)
    return math.degrees(float(ri - equation_of_origins)) / 15.0 % 24.0, math.degrees(float(di))


def illuminated_fraction(sun: Track, moon: Track) -> Floats:
    """The part of the Moon's disc that is lit, 0 to 1, from the angle between Sun and Moon as seen.

    Meeus, Astronomical Algorithms, 2nd ed., equations 48.2 to 48.4 [from memory].
    """
    d_sun, d_moon = np.radians(sun.declination_deg), np.radians(moon.declination_deg)
    apart = np.radians((sun.right_ascension_h - moon.right_ascension_h) * 15.0)
    cosine = np.sin(d_sun) * np.sin(d_moon) + np.cos(d_sun) * np.cos(d_moon) * np.cos(apart)
    elongation = np.arccos(np.clip(cosine, -1.0, 1.0))
    phase = np.arctan2(sun.distance_au * np.sin(elongation), moon.distance_au - sun.distance_au * np.cos(elongation))
    lit: Floats = (1.0 + np.cos(phase)) / 2.0
    return lit
