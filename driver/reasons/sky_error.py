"""What wrong settings do to the sky: where the tube goes, and when it crosses the meridian.

A mount that starts from its true home turns by its own hour angle: sidereal time minus right ascension. An error of
its sidereal time is therefore an error of hour angle dH, and at declination d the tube lands 2 asin(cos d sin(dH/2))
from its target (the great circle between two points of one declination). A latitude of the wrong sign turns hour
angle and declination into their negatives, since axis and motor are driven as for the other pole.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from noonmark.driver.conventions import EPOCH, SECONDS_PER_DEGREE, SIDEREAL_PER_SOLAR, greenwich_sidereal_s
from noonmark.driver.reasons.slips import Context, Settings
from noonmark.driver.sky import sky_error_deg
from noonmark.protocols.sexagesimal import wrap_signed

SIDEREAL_DAY_S = 86400.0


@dataclass(frozen=True, slots=True)
class Aim:
    """Where the mount points, by its own word: hour angle (by the true sidereal time, where that is known)."""

    declination_deg: float
    hour_angle_h: float | None = None


@dataclass(frozen=True, slots=True)
class SkyError:
    """hour_angle_deg: the mount's sidereal time minus the true one, -180 to 180 degrees; positive: it takes every
    star to be further west. equator_deg: how far the tube lands from a target on the celestial equator; where the
    latitude is wrong, at least how far the pole is put wrong. at_pointing_deg: at the declination pointed to.
    flip_min: the crossing of the meridian comes so many minutes of time too late (negative: too early)."""

    hour_angle_deg: float
    latitude_deg: float
    equator_deg: float
    at_pointing_deg: float | None
    flip_min: float


def sidereal_error_s(ctx: Context, settings: Settings) -> float:
    """The sidereal time that follows from settings minus that from the right ones, -43200 to 43200 s."""
    utc_s = (ctx.utc - EPOCH).total_seconds()
    gained = greenwich_sidereal_s(utc_s + ctx.utc_error_s(settings)) - greenwich_sidereal_s(
        utc_s + ctx.utc_error_s(ctx.right)
    )
    east_deg = settings.longitude_deg - ctx.right.longitude_deg
    return wrap_signed(gained + east_deg * SECONDS_PER_DEGREE, SIDEREAL_DAY_S)


def sky_error(ctx: Context, settings: Settings, aim: Aim | None = None) -> SkyError:
    """What these settings, beside the right ones, do to the sky."""
    error_s = sidereal_error_s(ctx, settings)
    north_deg = settings.latitude_deg - ctx.right.latitude_deg
    other_pole = settings.latitude_deg * ctx.right.latitude_deg < 0.0
    hours = error_s / 3600.0
    return SkyError(
        hour_angle_deg=error_s / SECONDS_PER_DEGREE,
        latitude_deg=north_deg,
        equator_deg=max(sky_error_deg(hours, 0.0), abs(north_deg)),
        at_pointing_deg=None if aim is None else _at(aim, hours, other_pole),
        flip_min=-error_s / SIDEREAL_PER_SOLAR / 60.0 + 0.0,
    )


def _at(aim: Aim, error_h: float, other_pole: bool) -> float | None:
    if not other_pole:
        return sky_error_deg(error_h, aim.declination_deg)
    if aim.hour_angle_h is None:
        return None
    return separation_deg(aim.hour_angle_h, aim.declination_deg, -(aim.hour_angle_h + error_h), -aim.declination_deg)


def separation_deg(hour_angle_a_h: float, dec_a_deg: float, hour_angle_b_h: float, dec_b_deg: float) -> float:
    """The great circle between two directions, degrees (haversine: good at small and at large angles)."""
    a, b = math.radians(dec_a_deg), math.radians(dec_b_deg)
    turned = math.radians((hour_angle_b_h - hour_angle_a_h) * 15.0)
    half = math.sin((b - a) / 2) ** 2 + math.cos(a) * math.cos(b) * math.sin(turned / 2) ** 2
    return math.degrees(2.0 * math.asin(min(1.0, math.sqrt(half))))
