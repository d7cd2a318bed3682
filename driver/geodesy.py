"""Metres on the WGS 84 ellipsoid around a place: east and north, to millimetres over a few kilometres.

Done in Earth-fixed coordinates, so that neither a pole nor the 180th meridian is special. Longitude EAST
positive.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

SEMI_MAJOR_M = 6378137.0
FLATTENING = 1.0 / 298.257223563
"""WGS 84 (NGA.STND.0036)."""

_E2 = FLATTENING * (2.0 - FLATTENING)
Vector = tuple[float, float, float]


def earth_fixed_m(latitude_deg: float, longitude_deg: float) -> Vector:
    """Earth-fixed x, y, z in metres of a point on the ellipsoid (height 0)."""
    lat, lon = math.radians(latitude_deg), math.radians(longitude_deg)
    normal = SEMI_MAJOR_M / math.sqrt(1.0 - _E2 * math.sin(lat) ** 2)
    across = normal * math.cos(lat)
    return across * math.cos(lon), across * math.sin(lon), normal * (1.0 - _E2) * math.sin(lat)


@dataclass(frozen=True, slots=True)
class Tangent:
    """The plane that touches the ellipsoid at a place; (east, north) in metres from there.

    Distances in it are short of those along the ground by s^3/24 R^2: 1 mm at 10 km.
    """

    latitude_deg: float
    longitude_deg: float

    def east_north_m(self, latitude_deg: float, longitude_deg: float) -> tuple[float, float]:
        """Where a point on the ellipsoid lies from here."""
        here = earth_fixed_m(self.latitude_deg, self.longitude_deg)
        there = earth_fixed_m(latitude_deg, longitude_deg)
        x, y, z = (b - a for a, b in zip(here, there, strict=True))
        sin_lat, cos_lat = _sin_cos(self.latitude_deg)
        sin_lon, cos_lon = _sin_cos(self.longitude_deg)
        inward = cos_lon * x + sin_lon * y
        return cos_lon * y - sin_lon * x, cos_lat * z - sin_lat * inward

    def place_deg(self, east_m: float, north_m: float) -> tuple[float, float]:
        """(latitude, longitude) of a point of the plane, brought down to the ellipsoid."""
        sin_lat, cos_lat = _sin_cos(self.latitude_deg)
        sin_lon, cos_lon = _sin_cos(self.longitude_deg)
        x0, y0, z0 = earth_fixed_m(self.latitude_deg, self.longitude_deg)
        x = x0 - sin_lon * east_m - sin_lat * cos_lon * north_m
        y = y0 + cos_lon * east_m - sin_lat * sin_lon * north_m
        z = z0 + cos_lat * north_m
        return _geodetic(x, y, z)


def _sin_cos(angle_deg: float) -> tuple[float, float]:
    return math.sin(math.radians(angle_deg)), math.cos(math.radians(angle_deg))


def _geodetic(x: float, y: float, z: float) -> tuple[float, float]:
    """Latitude and longitude by iteration (Bowring's first step is exact to 1e-11 rad near the ground)."""
    across = math.hypot(x, y)
    reduced = math.atan2(z, across * (1.0 - FLATTENING))
    for _ in range(3):
        lat = math.atan2(
            z + _E2 / (1.0 - FLATTENING) * SEMI_MAJOR_M * math.sin(reduced) ** 3,
            across - _E2 * SEMI_MAJOR_M * math.cos(reduced) ** 3,
        )
        reduced = math.atan2((1.0 - FLATTENING) * math.sin(lat), math.cos(lat))
    return math.degrees(lat), math.degrees(math.atan2(y, x)) if across > 0.0 else 0.0
