"""Where a tube points in the sky over a site, and where it points when the axis it turns on is off.

Directions are unit vectors (east, north, up), one row each. Hour angle is positive west of the meridian. The axis is
told by its NORTH end, also where the elevated pole is the south one: turned by A degrees towards the east, raised by
E degrees. To first order the tube then lands, from where it was sent,

    dH   =  A (sin lat - cos lat cos H tan dec) - E sin H tan dec
    dDec =  A cos lat sin H - E cos H

(spherical geometry; here the rotations are done whole, and the tests hold both against each other). A horizon
mount's base that is turned or tilted along the meridian moves its tube in the very same way.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def from_equatorial(hour_angle_deg: Floats, declination_deg: Floats, latitude_deg: float) -> Floats:
    """Directions of hour angles and declinations over a latitude."""
    h, d, lat = np.radians(hour_angle_deg), np.radians(declination_deg), math.radians(latitude_deg)
    east = -np.cos(d) * np.sin(h)
    north = np.sin(d) * math.cos(lat) - np.cos(d) * np.cos(h) * math.sin(lat)
    up = np.sin(d) * math.sin(lat) + np.cos(d) * np.cos(h) * math.cos(lat)
    return np.stack((east, north, up), axis=-1)


def to_equatorial(direction: Floats, latitude_deg: float) -> tuple[Floats, Floats]:
    """(hour angle in -180 to 180, declination) in degrees of directions over a latitude."""
    east, north, up = direction[..., 0], direction[..., 1], direction[..., 2]
    lat = math.radians(latitude_deg)
    meridian = up * math.cos(lat) - north * math.sin(lat)
    pole = up * math.sin(lat) + north * math.cos(lat)
    return np.degrees(np.arctan2(-east, meridian)), np.degrees(np.arctan2(pole, np.hypot(east, meridian)))


def axis_off(direction: Floats, east_deg: float, raised_deg: float) -> Floats:
    """Where the tube really points that its mount takes to point so: its axis raised, then turned to the east."""
    a, e = math.radians(east_deg), math.radians(raised_deg)
    east, north, up = direction[..., 0], direction[..., 1], direction[..., 2]
    level = north * math.cos(e) - up * math.sin(e)
    risen = up * math.cos(e) + north * math.sin(e)
    return np.stack(
        (east * math.cos(a) + level * math.sin(a), level * math.cos(a) - east * math.sin(a), risen), axis=-1
    )


def lifted(direction: Floats, refraction_arcmin: Floats) -> Floats:
    """Directions raised towards the zenith by so much, as the air does."""
    flat = np.hypot(direction[..., 0], direction[..., 1])
    altitude = np.arctan2(direction[..., 2], flat)
    raised = altitude + np.radians(refraction_arcmin / 60.0)
    scale = np.where(flat > 1e-12, np.cos(raised) / np.maximum(flat, 1e-12), 0.0)
    return np.stack((direction[..., 0] * scale, direction[..., 1] * scale, np.sin(raised)), axis=-1)


def altitude_deg(direction: Floats) -> Floats:
    """Altitudes of directions."""
    altitude: Floats = np.degrees(np.arctan2(direction[..., 2], np.hypot(direction[..., 0], direction[..., 1])))
    return altitude


def apart_deg(meant: Floats, seen: Floats, latitude_deg: float) -> Floats:
    """How `seen` lies from `meant`: rows of (towards greater hour angle, towards the north pole), great-circle
    degrees at `meant`, so that a row's length is the angle between the two."""
    c, s = math.cos(math.radians(latitude_deg)), math.sin(math.radians(latitude_deg))
    east, north, up = meant[..., 0], meant[..., 1], meant[..., 2]
    west_e, west_n, west_u = north * s - up * c, -east * s, east * c  # the direction crossed with the pole
    size = np.sqrt(west_e**2 + west_n**2 + west_u**2)
    at_pole = size < 1e-9
    size = np.where(at_pole, 1.0, size)
    west_e, west_n, west_u = np.where(at_pole, -1.0, west_e / size), west_n / size, west_u / size
    seen_e, seen_n, seen_u = seen[..., 0], seen[..., 1], seen[..., 2]
    to_west = seen_e * west_e + seen_n * west_n + seen_u * west_u
    to_north = (
        seen_e * (west_n * up - west_u * north)
        + seen_n * (west_u * east - west_e * up)
        + seen_u * (west_e * north - west_n * east)
    )
    sine = np.hypot(to_west, to_north)
    angle = np.degrees(np.arctan2(sine, seen_e * east + seen_n * north + seen_u * up))
    factor = np.where(sine > 1e-12, angle / np.maximum(sine, 1e-12), math.degrees(1.0))
    return np.stack((to_west * factor, to_north * factor), axis=-1)
