"""What mistakes do to the sky: against published rates, spherical trigonometry and ERFA."""

from __future__ import annotations

import datetime as dt
import math

import erfa
import pytest

from noonmark.driver.reasons.sky_error import Aim, sky_error
from noonmark.driver.reasons.slips import Context, Settings

NIGHT = dt.datetime(2026, 11, 24, 12, 34, 56, tzinfo=dt.UTC)


def at(latitude_deg: float, longitude_deg: float, offset_h: float, utc: dt.datetime = NIGHT) -> Context:
    return Context(Settings(latitude_deg, longitude_deg, offset_h, offset_h * 3600.0), utc, offset_h)


HERE = at(-31.8571, 141.6034, 10.5)


@pytest.mark.parametrize(
    ("error_s", "degrees", "tolerance"),
    [
        (3600.0, 15.04106864, 1e-6),  # K = 1.00273790935 (Aoki et al. 1982), seen with pyerfa.gmst06 and NOVAS
        (1800.0, 7.52053432, 1e-6),
        (900.0, 3.76026716, 1e-6),
        (18.0, 270.7392 / 3600.0, 0.002 / 3600.0),  # GPS time taken for UTC
        (1.0, 15.04106864 / 3600.0, 0.002 / 3600.0),
        (86400.0, 0.98564736, 2e-6),  # 360 (K - 1): 3 m 56.555 s (Explanatory Supplement; from memory)
        (365 * 86400.0, -0.2387, 0.002),  # a year: nearly invisible
        (1461 * 86400.0, 0.0308, 0.002),  # four years
        (31 * 86400.0, 30.555, 0.002),  # a month
    ],
)
def test_a_clock_that_is_ahead_turns_the_sky_by_the_published_rate(
    error_s: float, degrees: float, tolerance: float
) -> None:
    found = sky_error(HERE, HERE.right._replace(local_s=HERE.right.local_s + error_s))
    assert found.hour_angle_deg == pytest.approx(degrees, abs=tolerance)


def test_a_day_of_the_date_is_3_min_56_555_s_of_sidereal_time() -> None:
    found = sky_error(HERE, HERE.right._replace(local_s=HERE.right.local_s + 86400.0))
    assert found.hour_angle_deg * 240.0 == pytest.approx(3 * 60 + 56.555, abs=0.001)


def test_an_offset_too_great_puts_the_sky_behind() -> None:
    """Local time right, offset an hour too great: UTC, and the sidereal time, an hour behind."""
    found = sky_error(HERE, HERE.right._replace(offset_h=11.5))
    assert found.hour_angle_deg == pytest.approx(-15.04106864, abs=1e-6)
    assert found.flip_min == pytest.approx(60.0, abs=1e-6)  # the mount waits an hour too long at the meridian


def test_offset_and_local_time_wrong_alike_leave_the_sky_right() -> None:
    found = sky_error(HERE, HERE.right._replace(offset_h=9.5, local_s=9.5 * 3600.0))
    assert found.hour_angle_deg == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(
    ("longitude_deg", "hours"),
    [(-70.4045, 9.387267)],  # dLST = dlon/15: twice 70.4045 deg (definition)
)
def test_a_longitude_of_the_wrong_sign_turns_the_sky_by_twice_itself(longitude_deg: float, hours: float) -> None:
    ctx = at(-24.6, longitude_deg, -4.0)
    found = sky_error(ctx, ctx.right._replace(longitude_deg=-longitude_deg))
    assert found.hour_angle_deg / 15.0 == pytest.approx(hours, abs=1e-6)


def test_an_offset_sign_reversed_in_india_turns_the_sky_by_165_4518_deg() -> None:
    """Eleven hours (pyerfa.gmst06: 165.451755)."""
    ctx = at(28.6, 77.2, 5.5)
    found = sky_error(ctx, ctx.right._replace(offset_h=-5.5))
    assert abs(found.hour_angle_deg) == pytest.approx(165.4518, abs=0.001)


@pytest.mark.parametrize(
    ("declination_deg", "degrees"),
    [(0.0, 15.0411), (30.0, 13.0166), (60.0, 7.5043), (80.0, 2.6046), (89.0, 0.2617)],
)
def test_an_hour_on_the_sky_is_less_towards_the_pole(declination_deg: float, degrees: float) -> None:
    """sin(s/2) = cos(dec) sin(dH/2), seen with pyerfa.seps and another library's separation."""
    found = sky_error(HERE, HERE.right._replace(local_s=HERE.right.local_s + 3600.0), Aim(declination_deg))
    assert found.at_pointing_deg == pytest.approx(degrees, abs=1e-4)
    assert found.equator_deg == pytest.approx(15.0411, abs=1e-4)


@pytest.mark.parametrize("hour_angle_h", [-5.0, 0.0, 2.0])
@pytest.mark.parametrize("error_s", [0.0, 3600.0])
def test_a_latitude_of_the_wrong_sign_sends_the_tube_to_the_negatives_of_both_angles(
    hour_angle_h: float, error_s: float
) -> None:
    """Against ERFA's separation of (H, dec) and (-(H + dH), -dec)."""
    wrong = HERE.right._replace(latitude_deg=31.8571, local_s=HERE.right.local_s + error_s)
    found = sky_error(HERE, wrong, Aim(-40.0, hour_angle_h))
    h, d = math.radians(hour_angle_h * 15.0), math.radians(-40.0)
    turned = h + math.radians(15.04106864 * error_s / 3600.0)
    assert found.at_pointing_deg == pytest.approx(math.degrees(erfa.seps(h, d, -turned, -d)), abs=1e-6)
    assert found.equator_deg >= 2 * 31.8571 - 1e-9  # how far the pole is put wrong


@pytest.mark.parametrize("days", [0, 1, 365, -9824])
def test_the_turn_of_the_sky_is_that_of_erfas_sidereal_time(days: int) -> None:
    """Greenwich mean sidereal time, IAU 2006, at the two instants. The older expression used here for a difference
    of 27 years is good to some hundredths of a second, which is 0.2 arcsec."""
    found = sky_error(HERE, HERE.right._replace(local_s=HERE.right.local_s + days * 86400.0 + 1234.0))
    mjd = 2400000.5
    day = (NIGHT - dt.datetime(1858, 11, 17, tzinfo=dt.UTC)) / dt.timedelta(days=1)
    wrong = day + days + 1234.0 / 86400.0
    turned = erfa.gmst06(mjd, wrong, mjd, wrong) - erfa.gmst06(mjd, day, mjd, day)
    expected = (math.degrees(float(turned)) + 180.0) % 360.0 - 180.0
    assert found.hour_angle_deg == pytest.approx(expected, abs=2e-4)
