"""What a source says of a place, how far that is from the site, and which slip in the site would account for it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from noonmark.driver.site import Site

EARTH_RADIUS_M = 6_371_008.8  # mean radius of WGS 84 (IUGG)


@dataclass(frozen=True, slots=True)
class PlaceClaim:
    """A point with a radius, in metres, that holds the true place."""

    source: str
    origin: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float | None
    radius_m: float


def distance_m(latitude_a_deg: float, longitude_a_deg: float, latitude_b_deg: float, longitude_b_deg: float) -> float:
    """Great-circle distance in metres on a sphere of the mean radius; off by up to 0.562% from the ellipsoid's
    (most along a meridian at the equator: 6371.0088 km over a radius of curvature of 6335.4393 km)."""
    phi_a, phi_b = math.radians(latitude_a_deg), math.radians(latitude_b_deg)
    half_lat, half_lon = (phi_b - phi_a) / 2, math.radians(longitude_b_deg - longitude_a_deg) / 2
    h = math.sin(half_lat) ** 2 + math.cos(phi_a) * math.cos(phi_b) * math.sin(half_lon) ** 2
    return 2 * EARTH_RADIUS_M * math.asin(min(1.0, math.sqrt(h)))


def place_cause(site: Site, found: PlaceClaim, tolerance_m: float) -> tuple[str, str]:
    """Which single slip in the configured site would make it fit the place found: (slug, words)."""
    lat, lon = site.latitude_deg, site.longitude_deg
    variants = [
        ("latitude-sign-reversed", "the site's latitude has the wrong sign", -lat, lon),
        ("longitude-sign-reversed", "the site's longitude has the wrong sign", lat, -lon),
        ("both-signs-reversed", "both of the site's signs are wrong", -lat, -lon),
        ("minutes-read-as-decimals", "degrees and minutes were read as decimal degrees in the site",
         _minutes_as_decimals(lat), _minutes_as_decimals(lon)),
        ("decimals-read-as-minutes", "decimal degrees were read as degrees and minutes in the site",
         _decimals_as_minutes(lat), _decimals_as_minutes(lon)),
        ("minutes-read-as-decimals", "degrees and minutes were read as decimal degrees in the site's latitude",
         _minutes_as_decimals(lat), lon),
        ("minutes-read-as-decimals", "degrees and minutes were read as decimal degrees in the site's longitude",
         lat, _minutes_as_decimals(lon)),
        ("decimals-read-as-minutes", "decimal degrees were read as degrees and minutes in the site's latitude",
         _decimals_as_minutes(lat), lon),
        ("decimals-read-as-minutes", "decimal degrees were read as degrees and minutes in the site's longitude",
         lat, _decimals_as_minutes(lon)),
    ]  # fmt: skip
    if abs(lon) <= 90:
        variants.append(("latitude-longitude-swapped", "the site's latitude and longitude are swapped", lon, lat))
    for slug, words, latitude, longitude in variants:
        if latitude is None or longitude is None:
            continue
        gap = distance_m(latitude, longitude, found.latitude_deg, found.longitude_deg)
        if gap <= tolerance_m + found.radius_m:
            return slug, words
    return "site-of-another-place", "a site of another place, or a receiver that stands elsewhere"


def _minutes_as_decimals(value: float) -> float | None:
    """31.57 that meant 31 degrees 57 minutes."""
    whole = math.trunc(value)
    minutes = round(abs(value - whole) * 100, 6)
    if minutes >= 60:
        return None
    return math.copysign(abs(whole) + minutes / 60, value)


def _decimals_as_minutes(value: float) -> float:
    """31 degrees 57 minutes, kept as 31.95, that meant 31.57."""
    whole = math.trunc(value)
    return math.copysign(abs(whole) + abs(value - whole) * 0.6, value)
