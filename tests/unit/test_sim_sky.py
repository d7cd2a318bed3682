"""The mount's own sky against independent figures: ERFA, and Meeus's printed example."""

from __future__ import annotations

import datetime as dt
import math
import random

import erfa
import pytest

from noonmark.sim import sky


def unix(year: int, month: int, day: int, hour: int = 0, minute: int = 0, second: int = 0) -> float:
    return dt.datetime(year, month, day, hour, minute, second, tzinfo=dt.UTC).timestamp()


def erfa_gmst_h(utc_s: float) -> float:
    days = utc_s / 86400.0
    return math.degrees(erfa.gmst82(2440587.5, days)) / 15.0  # IAU 1982, UT1 taken as UTC


def apart_s(first_h: float, second_h: float) -> float:
    """Difference of two sidereal times in seconds, the short way round."""
    return ((first_h - second_h + 12.0) % 24.0 - 12.0) * 3600.0


def test_meeus_example_12b() -> None:
    # J. Meeus, Astronomical Algorithms, 2nd ed., example 12.b (from memory): 1987 April 10, 19h21m00s UT:
    # mean sidereal time at Greenwich 8h34m57.0896s.
    assert apart_s(sky.greenwich_sidereal_h(unix(1987, 4, 10, 19, 21)), 8 + 34 / 60 + 57.0896 / 3600) == pytest.approx(
        0.0, abs=0.01
    )


@pytest.mark.parametrize("year", [1999, 2000, 2007, 2024, 2026, 2029, 2045, 2099])
def test_mean_sidereal_time_is_good_to_a_tenth_of_a_second_for_a_century(year: int) -> None:
    for day in range(0, 365, 31):
        utc_s = unix(year, 1, 1) + day * 86400 + (day * 7919) % 86400 + 0.25
        # The formula drops the IAU 1982 expression's cubic term only: hundredths of a second.
        assert abs(apart_s(sky.greenwich_sidereal_h(utc_s), erfa_gmst_h(utc_s))) < 0.1


def test_apparent_sidereal_time_has_the_equation_of_the_equinoxes() -> None:
    for year in range(2000, 2050, 3):
        utc_s = unix(year, 7, 1, 3)
        days = utc_s / 86400.0
        apparent_h = math.degrees(erfa.gst94(2440587.5, days)) / 15.0
        # Two terms of nutation of some hundred: within 0.1 s of the whole (which reaches 1.2 s).
        assert abs(apart_s(sky.greenwich_sidereal_h(utc_s, "apparent"), apparent_h)) < 0.1
        assert abs(apart_s(sky.greenwich_sidereal_h(utc_s, "mean"), apparent_h)) < 1.25


def test_single_precision_is_some_tenths_of_a_second_off_and_no_more() -> None:
    worst = max(
        abs(apart_s(sky.greenwich_sidereal_h(utc_s, "imprecise"), erfa_gmst_h(utc_s)))
        for utc_s in (unix(2026, 1, 1) + step * 7001.0 for step in range(2000))
    )
    # 0.0657098 h/day times 9500 days is about 624 h: a single-precision number there is good to 0.11 s.
    assert 0.02 < worst < 1.0


def test_the_longitude_is_counted_east() -> None:
    utc_s = unix(2026, 10, 21, 11, 5, 30)
    east = sky.sidereal_h(utc_s, 141.6034)
    assert apart_s(east, sky.greenwich_sidereal_h(utc_s)) == pytest.approx(141.6034 * 240.0, abs=1e-6)


def test_horizon_coordinates_against_erfa() -> None:
    rng = random.Random(5)
    for _ in range(300):
        sidereal_h, ra_h = rng.uniform(0, 24), rng.uniform(0, 24)
        dec, lat = rng.uniform(-90, 90), rng.uniform(-89, 89)
        altitude, azimuth = sky.horizon_deg(sidereal_h, ra_h, dec, lat)
        az, el = erfa.hd2ae(math.radians((sidereal_h - ra_h) * 15), math.radians(dec), math.radians(lat))
        assert altitude == pytest.approx(math.degrees(el), abs=1e-6)
        off = (azimuth - math.degrees(az) + 180) % 360 - 180
        assert off * math.cos(el) == pytest.approx(0.0, abs=1e-6)


def test_altitude_tells_the_hemispheres_apart_at_the_home_position() -> None:
    assert sky.horizon_deg(3.0, 3.0, -90.0, -31.8571)[0] == pytest.approx(31.8571)
    assert sky.horizon_deg(3.0, 3.0, -90.0, +31.8571)[0] == pytest.approx(-31.8571)
