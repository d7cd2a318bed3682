"""The sky as a mount's firmware works it out: mean sidereal time by a low-precision formula, UT1 taken as UTC.

This is the mount's own opinion, made apart from the driver's sky on purpose: a slip in one shows against the
other. Formula: Greenwich mean sidereal time of the Astronomical Almanac's low-precision section, coefficients
from memory, checked in the tests against ERFA (`gmst82`); good to about 0.1 s in this century.
"""

from __future__ import annotations

import struct
from math import asin, atan2, cos, degrees, floor, radians, sin
from typing import Literal

SkyKind = Literal["mean", "apparent", "imprecise"]
J2000_UTC_S = 946728000.0  # 2000-01-01T12:00 as seconds since 1970, leap seconds not counted
SIDEREAL_RATE = 1.00273790935


def greenwich_sidereal_h(utc_s: float, kind: SkyKind = "mean") -> float:
    """Sidereal time at Greenwich, hours in [0, 24), at a UTC in seconds since 1970.

    "apparent" adds a two-term nutation; "imprecise" works in single precision (some tenths of a second off).
    """
    midnight_s = floor(utc_s / 86400.0) * 86400.0
    days = (midnight_s - J2000_UTC_S) / 86400.0
    hours = (utc_s - midnight_s) / 3600.0
    if kind == "imprecise":
        return (
            _single(
                _single(6.697374558)
                + _single(_single(0.06570982441908) * days)
                + _single(_single(SIDEREAL_RATE) * _single(hours))
            )
            % 24.0
        )
    centuries = (days + hours / 24.0) / 36525.0
    sidereal = 6.697374558 + 0.06570982441908 * days + SIDEREAL_RATE * hours + 0.000026 * centuries * centuries
    if kind == "apparent":
        sidereal += _equation_of_equinoxes_h(days + hours / 24.0)
    return sidereal % 24.0


def sidereal_h(utc_s: float, longitude_deg: float, kind: SkyKind = "mean") -> float:
    """Local sidereal time, hours in [0, 24), at an EAST-positive longitude."""
    return (greenwich_sidereal_h(utc_s, kind) + longitude_deg / 15.0) % 24.0


def horizon_deg(
    sidereal_time_h: float, right_ascension_h: float, declination_deg: float, latitude_deg: float
) -> tuple[float, float]:
    """(altitude, azimuth) in degrees, azimuth from north through east in [0, 360). No refraction."""
    hour_angle = radians((sidereal_time_h - right_ascension_h) * 15.0)
    declination, latitude = radians(declination_deg), radians(latitude_deg)
    east = -cos(declination) * sin(hour_angle)
    north = sin(declination) * cos(latitude) - cos(declination) * cos(hour_angle) * sin(latitude)
    up = sin(declination) * sin(latitude) + cos(declination) * cos(hour_angle) * cos(latitude)
    return degrees(asin(max(-1.0, min(1.0, up)))), degrees(atan2(east, north)) % 360.0


def _equation_of_equinoxes_h(days: float) -> float:
    """Apparent minus mean sidereal time, hours; two terms, as the Almanac's low-precision section (from memory)."""
    node = radians(125.04 - 0.052954 * days)
    sun = radians(280.47 + 0.98565 * days)
    obliquity = radians(23.4393 - 0.0000004 * days)
    return (-0.000319 * sin(node) - 0.000024 * sin(2 * sun)) * cos(obliquity)


def _single(value: float) -> float:
    """The nearest single-precision number."""
    return float(struct.unpack("<f", struct.pack("<f", value))[0])
