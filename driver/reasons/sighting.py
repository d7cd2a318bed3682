"""One look through the telescope: aimed here, found there. What was seen, made fit for comparing.

Both positions are brought to the true equator and equinox of date before they are compared: two equinoxes mixed would
fake a third of a degree. What is found is lifted by the air's refraction, since the tube points to where a thing is
seen; the mount is taken not to mind refraction. Aberration (20 arcsec) moves both alike and is left out. Longitude
EAST positive; hour angle positive west of the meridian.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

import erfa
import numpy as np

from noonmark.driver import sky
from noonmark.driver.reasons import tube
from noonmark.driver.reasons.tube import Floats
from noonmark.driver.sheet import refraction
from noonmark.driver.site import Site

Equinox = Literal["J2000", "date"]
Axis = Literal["equatorial", "horizon"]
LOWEST_DEG = -2.0
"""A thing found lower than this was not seen then, or not there."""


class SightingError(ValueError):
    """A sighting that can't have been; the message says why, and what to mend."""


@dataclass(frozen=True, slots=True)
class Sighting:
    """Right ascension in hours, declination in degrees, each of its equinox; `utc`: aware, when it was seen."""

    aimed_ra_h: float
    aimed_dec_deg: float
    found_ra_h: float
    found_dec_deg: float
    utc: datetime
    aimed_equinox: Equinox = "J2000"
    found_equinox: Equinox = "J2000"


@dataclass(frozen=True, slots=True)
class Scene:
    """Several sightings from one site. Arrays of one length, by true sidereal time and the equinox of date.

    hour_angle_deg, declination_deg: aimed at. seen: directions in which the tube really pointed, refraction in.
    turned_deg: found minus aimed in hour angle (-180 to 180); north_deg: in declination, both without refraction.
    other_equinox: what was aimed at, had the mount mixed its equinoxes: (words, hour angles, declinations).
    """

    site: Site
    hour_angle_deg: Floats
    declination_deg: Floats
    seen: Floats
    turned_deg: Floats
    north_deg: Floats
    other_equinox: tuple[tuple[str, Floats, Floats], ...]
    utc: datetime

    @property
    def count(self) -> int:
        return len(self.hour_angle_deg)


def scene(site: Site, sightings: Sequence[Sighting]) -> Scene:
    """Everything a comparison needs. Raises SightingError for none, and for what was below the horizon."""
    if not sightings:
        raise SightingError("no sighting was given: expected at least one pair of aimed and found")
    aimed, found, sidereal_deg = [], [], []
    mixed: list[list[tuple[float, float]]] = [[], []]
    for one in sightings:
        matrix = _precession(one.utc)
        numbers = (one.aimed_ra_h, one.aimed_dec_deg)
        aimed.append(_of_date(*numbers, one.aimed_equinox, matrix))
        found.append(_of_date(one.found_ra_h, one.found_dec_deg, one.found_equinox, matrix))
        sidereal_deg.append(sky.sidereal_time_h(one.utc, site.longitude_deg) * 15.0)
        mixed[0].append(_turned(*aimed[-1], matrix.T))
        mixed[1].append(_turned(*aimed[-1], matrix))
    lst = np.array(sidereal_deg)
    h_aimed, d_aimed = _hour_angles(lst, aimed)
    h_found, d_found = _hour_angles(lst, found)
    airless = tube.from_equatorial(h_found, d_found, site.latitude_deg)
    _require_above(airless, sightings)
    words = ("J2000 coordinates were taken for those of date", "coordinates of date were taken for J2000")
    return Scene(
        site=site,
        hour_angle_deg=h_aimed,
        declination_deg=d_aimed,
        seen=tube.lifted(airless, _refraction_arcmin(airless, site)),
        turned_deg=_wrapped(h_found - h_aimed),
        north_deg=d_found - d_aimed,
        other_equinox=tuple(
            (text, *_hour_angles(lst, positions)) for text, positions in zip(words, mixed, strict=True)
        ),
        utc=sightings[0].utc,
    )


def _precession(utc: datetime) -> Any:
    """GCRS to true equator and equinox of date (IAU 2006/2000A, ERFA pnm06a)."""
    _, _, day, fraction = sky.ut1_and_tt(utc)
    return erfa.pnm06a(day, fraction)


def _of_date(ra_h: float, dec_deg: float, equinox: Equinox, matrix: Any) -> tuple[float, float]:
    return (ra_h * 15.0, dec_deg) if equinox == "date" else _turned(ra_h * 15.0, dec_deg, matrix)


def _turned(ra_deg: float, dec_deg: float, matrix: Any) -> tuple[float, float]:
    vector = erfa.rxp(matrix, erfa.s2c(math.radians(ra_deg), math.radians(dec_deg)))
    ra, dec = erfa.c2s(vector)
    return math.degrees(float(ra)) % 360.0, math.degrees(float(dec))


def _hour_angles(lst_deg: Floats, positions: Sequence[tuple[float, float]]) -> tuple[Floats, Floats]:
    both = np.array(positions)
    return _wrapped(lst_deg - both[:, 0]), both[:, 1]


def _wrapped(degrees: Floats) -> Floats:
    return (degrees + 180.0) % 360.0 - 180.0


def _refraction_arcmin(airless: Floats, site: Site) -> Floats:
    pressure = refraction.standard_pressure_hpa(site.elevation_m)
    return np.array(
        [refraction.from_true_arcmin(float(one), pressure_hpa=pressure) for one in tube.altitude_deg(airless)]
    )


def _require_above(airless: Floats, sightings: Sequence[Sighting]) -> None:
    for number, (altitude, one) in enumerate(zip(tube.altitude_deg(airless), sightings, strict=True), 1):
        if altitude < LOWEST_DEG:
            raise SightingError(
                f"sighting {number}: what was found stood {-altitude:.0f} deg below the horizon at "
                f"{one.utc:%Y-%m-%d %H:%M} UTC, so it can't have been seen; mend the time (UTC), the site's signs, or "
                "the position found"
            )


def separation_deg(places: Scene) -> Floats:
    """How far the tube was from where it was sent, degrees, refraction in."""
    meant = tube.from_equatorial(places.hour_angle_deg, places.declination_deg, places.site.latitude_deg)
    apart: Floats = np.linalg.norm(tube.apart_deg(meant, places.seen, places.site.latitude_deg), axis=-1)
    return apart
