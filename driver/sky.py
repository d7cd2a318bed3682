"""Sidereal time and the turn between hour angle and horizon: what proves a mount's place and clock.

Formulas are the IAU's (2006 precession, 2000A nutation) as ERFA has them: `gst06a`, `gmst06`,
`hd2ae`. Only pyerfa is loaded, since a cold start through a coordinate library costs ten times as much.
Longitude is EAST positive, azimuth runs from north through east, hour angle is positive west of the meridian.
"""

from __future__ import annotations

import math
from datetime import datetime

import erfa

from noonmark.driver.earth_orientation import DAY_S, TT_MINUS_TAI_S, mjd_split, tai_minus_utc_s, ut1_utc

MJD_ZERO = 2400000.5

SIDEREAL_RATIO = 1.00273781191135448
"""Turns of the Earth per day of UT1: the rate of the Earth rotation angle (IAU 2000 resolution B1.8; IERS
Conventions 2010, equation 5.15). Sidereal time runs 1.4e-10 a day faster still, by precession."""


def ut1_and_tt(utc: datetime, dut1_s: float | None = None) -> tuple[float, float, float, float]:
    """(UT1 day, UT1 fraction, TT day, TT fraction) as two-part Julian Dates of an aware instant.

    `dut1_s` is UT1-UTC in seconds; None takes it from the table. Raises ValueError for a naive datetime.
    """
    day, second = mjd_split(utc)
    dut1 = ut1_utc(utc).value_s if dut1_s is None else dut1_s
    midnight = MJD_ZERO + day
    ut1 = (second + dut1) / DAY_S
    tt = (second + tai_minus_utc_s(utc) + TT_MINUS_TAI_S) / DAY_S
    return midnight, ut1, midnight, tt


def sidereal_time_h(
    utc: datetime, longitude_deg: float, *, apparent: bool = True, dut1_s: float | None = None
) -> float:
    """Local sidereal time in hours, 0 <= value < 24, at an aware instant and an EAST longitude in degrees.

    Apparent (with nutation) or mean. `dut1_s` is UT1-UTC in seconds; None takes it from the table, which is
    0 outside its days (`earth_orientation.ut1_utc` tells). Good to 10 microseconds of time for the given UT1.
    Raises ValueError for a naive datetime or a longitude that is not a number.
    """
    if not math.isfinite(longitude_deg):
        raise ValueError(f"longitude_deg is {longitude_deg}: expected degrees, east positive")
    dates = ut1_and_tt(utc, dut1_s)
    greenwich_rad = erfa.gst06a(*dates) if apparent else erfa.gmst06(*dates)
    return wrap_24(math.degrees(float(greenwich_rad)) / 15.0 + longitude_deg / 15.0)


def wrap_24(hours: float) -> float:
    """Hours turned into 0 <= value < 24."""
    wrapped = hours % 24.0
    return 0.0 if wrapped >= 24.0 else wrapped  # -1e-20 % 24 is 24.0


def wrap_12(hours: float) -> float:
    """Hours turned into -12 <= value < 12: the shorter way round a day."""
    return wrap_24(hours + 12.0) - 12.0


def hour_angle_h(sidereal_h: float, right_ascension_h: float) -> float:
    """Hour angle in hours, -12 <= value < 12, positive west of the meridian."""
    return wrap_12(sidereal_h - right_ascension_h)


def horizon_from_equatorial(hour_angle_h: float, declination_deg: float, latitude_deg: float) -> tuple[float, float]:
    """(azimuth, altitude) in degrees, azimuth 0 <= value < 360 from north through east; no refraction.

    At the zenith and at the poles the azimuth is arbitrary. Source: ERFA hd2ae.
    """
    azimuth, altitude = erfa.hd2ae(
        math.radians(hour_angle_h * 15.0), math.radians(declination_deg), math.radians(latitude_deg)
    )
    azimuth_deg = math.degrees(float(azimuth)) % 360.0
    return (0.0 if azimuth_deg >= 360.0 else azimuth_deg), math.degrees(float(altitude))


def sky_error_deg(hour_angle_error_h: float, declination_deg: float) -> float:
    """How far on the sky, in degrees, an error of hour angle sends the tube at a declination: never negative.

    sin(s/2) = cos(dec) sin(dH/2), the great circle between two points of one declination.
    """
    half = math.cos(math.radians(declination_deg)) * math.sin(math.radians(hour_angle_error_h * 15.0) / 2.0)
    return math.degrees(2.0 * math.asin(min(1.0, abs(half))))
