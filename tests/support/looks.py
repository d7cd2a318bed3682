"""Looks through a telescope with something wrong, made apart from the driver: ERFA's turns and plain matrices.

What is aimed at is a J2000 position; the mount turns by its own sidereal time, on an axis that may be off; where its
tube really points, less the refraction (Bennett 1982), is what was found.
"""

from __future__ import annotations

import datetime as dt
import math
import random
from collections.abc import Callable
from dataclasses import dataclass, replace

import erfa
import numpy as np

from noonmark.driver.reasons.sighting import Sighting
from noonmark.protocols.dialect import USUAL
from support.judging import sidereal_h
from support.mistakes import MISTAKES, Hand, right_hand

DEGREE = math.pi / 180


@dataclass(frozen=True)
class Mount:
    """How a mount turns. `hand`: its settings; `east_deg`, `raised_deg`: its axis's north end; `pier`: on the other
    side; `mixed`: it takes J2000 coordinates for those of date; `anywhere`: slipped, to this azimuth and altitude."""

    hand: Hand
    east_deg: float = 0.0
    raised_deg: float = 0.0
    pier: bool = False
    mixed: bool = False
    anywhere: tuple[float, float] | None = None


def frame(utc: dt.datetime) -> np.ndarray:
    """J2000 to mean equator and equinox of date (IAU 1976 precession, Lieske 1977: another one than the driver's)."""
    days = (utc - dt.datetime(2000, 1, 1, 12, tzinfo=dt.UTC)) / dt.timedelta(days=1)
    return np.asarray(erfa.pmat76(2451545.0, days))


def turned(matrix: np.ndarray, ra_deg: float, dec_deg: float) -> tuple[float, float]:
    """A position in another frame, degrees."""
    ra, dec = erfa.c2s(matrix @ erfa.s2c(ra_deg * DEGREE, dec_deg * DEGREE))
    return float(ra) / DEGREE % 360, float(dec) / DEGREE


def axis_matrix(east_deg: float, raised_deg: float) -> np.ndarray:
    """North end of the axis raised, then turned to the east; on column vectors (east, north, up)."""
    a, e = east_deg * DEGREE, raised_deg * DEGREE
    raise_ = np.array([[1, 0, 0], [0, math.cos(e), -math.sin(e)], [0, math.sin(e), math.cos(e)]])
    turn = np.array([[math.cos(a), math.sin(a), 0], [-math.sin(a), math.cos(a), 0], [0, 0, 1]])
    return np.asarray(turn @ raise_)


def vector(azimuth: float, altitude: float) -> np.ndarray:
    """East, north, up of an azimuth (from north through east) and altitude in radians."""
    flat = math.cos(altitude)
    return np.array([flat * math.sin(azimuth), flat * math.cos(azimuth), math.sin(altitude)])


def look(
    mount: Mount, right: Hand, ra_deg: float, dec_deg: float, utc: dt.datetime, noise_deg: float,
    chance: random.Random,
) -> Sighting | None:  # fmt: skip
    """Aimed at a J2000 position; None where it, or what is found, stands lower than 12 degrees."""
    mean = frame(utc)
    aimed = (ra_deg, dec_deg) if mount.mixed else turned(mean, ra_deg, dec_deg)
    lst_true = sidereal_h(utc, right.longitude_deg) * 15
    error = (mount.hand.local - right.local) - dt.timedelta(hours=mount.hand.offset_h - right.offset_h)
    lst_mount = sidereal_h(utc + error, mount.hand.longitude_deg) * 15
    h, d = (lst_mount - aimed[0]) + (180 if mount.pier else 0), aimed[1]
    if mount.hand.latitude_deg * right.latitude_deg < 0:
        h, d = -h, -d
    lat = right.latitude_deg * DEGREE
    azimuth, altitude = erfa.hd2ae(h * DEGREE, d * DEGREE, lat)
    points = axis_matrix(mount.east_deg, mount.raised_deg) @ vector(float(azimuth), float(altitude))
    azimuth, seen = math.atan2(points[0], points[1]), math.asin(max(-1.0, min(1.0, points[2])))
    if mount.anywhere is not None:
        azimuth, seen = mount.anywhere[0] * DEGREE, mount.anywhere[1] * DEGREE
    true_altitude = float(erfa.hd2ae((lst_true - turned(mean, ra_deg, dec_deg)[0]) * DEGREE, aimed[1] * DEGREE, lat)[1])
    if min(seen, true_altitude) < 12 * DEGREE:
        return None
    seen_deg = seen / DEGREE
    airless = seen_deg - 1 / math.tan((seen_deg + 7.31 / (seen_deg + 4.4)) * DEGREE) / 60
    h_found, d_found = (float(one) / DEGREE for one in erfa.ae2hd(azimuth, airless * DEGREE, lat))
    d_found += chance.gauss(0, noise_deg)
    h_found += chance.gauss(0, noise_deg) / max(0.05, math.cos(d_found * DEGREE))
    if abs(d_found) > 89:
        return None
    found = turned(mean.T, lst_true - h_found, d_found)
    return Sighting(ra_deg / 15, dec_deg, found[0] / 15, found[1], utc)


# --- mounts with something wrong --------------------------------------------------------------------


def _settings(slug: str) -> Callable[[Hand, random.Random], Mount | None]:
    def make(right: Hand, chance: random.Random) -> Mount | None:
        hand = MISTAKES[slug](right, chance)
        return None if hand is None or abs(hand.latitude_deg) > 90 else Mount(hand)

    return make


def _axis(right: Hand, chance: random.Random) -> Mount | None:
    size, way = chance.uniform(2, 8), chance.uniform(0, 2 * math.pi)
    return Mount(right, size * math.sin(way), size * math.cos(way))


def _anywhere(right: Hand, chance: random.Random) -> Mount | None:
    return Mount(right, anywhere=(chance.uniform(0, 360), chance.uniform(15, 85)))


BY_SETTINGS = (
    "daylight-saving-missing", "daylight-saving-extra", "offset-sign-reversed", "offset-hours-wrong",
    "utc-entered-as-local", "local-entered-as-utc", "longitude-sign-reversed", "latitude-sign-reversed",
    "both-signs-reversed", "latitude-longitude-swapped", "date-order-swapped", "date-off-by-one",
    "twelve-hour-clock", "clock-off", "coordinate-mistyped", "minutes-read-as-decimals", "decimals-read-as-minutes",
)  # fmt: skip
WRONG: dict[str, Callable[[Hand, random.Random], Mount | None]] = {
    **{slug: _settings(slug) for slug in BY_SETTINGS},
    "polar-axis-off": _axis,
    "other-side-of-the-pier": lambda right, chance: Mount(right, pier=True),
    "equinox-mixed": lambda right, chance: Mount(right, mixed=True),
    "not-a-setting": _anywhere,
}
"""One for each row of the table that a sighting can betray."""


def small_axis(mount: Mount, chance: random.Random, size_deg: float = 0.3) -> Mount:
    """The same with an axis as well aligned as axes are."""
    east_deg, raised_deg = chance.gauss(0, size_deg), chance.gauss(0, size_deg)
    return replace(mount, east_deg=mount.east_deg + east_deg, raised_deg=mount.raised_deg + raised_deg)


def right_of(site: tuple[float, float, str], utc: dt.datetime) -> Hand:
    """Right settings on the zone's own time, whatever the zone."""
    minutes = USUAL.model_copy(update={"offset": USUAL.offset.model_copy(update={"format": "minutes"})})
    return right_hand(site, utc, minutes)
