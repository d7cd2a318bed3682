"""Sidereal time, horizon coordinates and UT1-UTC against published values and second libraries."""

from __future__ import annotations

import math
import random
import subprocess
import sys
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path

import astropy_iers_data
import erfa
import numpy as np
import pytest

from noonmark.driver import earth_orientation, sky
from noonmark.driver.earth_orientation import EarthOrientationError, ut1_utc


def at(text: str) -> datetime:
    return datetime.fromisoformat(text)


def difference_s(one_h: float, other_h: float) -> float:
    """Seconds of time between two sidereal times, the shorter way round."""
    return abs(sky.wrap_12(one_h - other_h)) * 3600.0


# (source, UTC, UT1-UTC s, longitude deg east, apparent, hours, tolerance in hours)
PUBLISHED = [
    # USNO NOVAS C3.1 User's Guide (2011), output of its example program; 5 us for its single-double date
    ("NOVAS guide, GAST", "2008-04-24T10:36:18+00:00", -0.387845, 0.0, True, 0.79362134148, 2e-9),
    ("NOVAS guide, LAST at 70 W", "2008-04-24T10:36:18+00:00", -0.387845, -70.0, True, 20.12695467481, 2e-9),
    # IAU SOFA "Tools for Earth Attitude", section 5: 13.412417084674 deg, IAU 2000A with its dX, dY, which
    # move it by 1e-7 deg
    ("SOFA cookbook, GST", "2007-04-05T12:00:00+00:00", -0.072073685, 0.0, True, 0.894161138978, 7e-8),
    # ERFA v2.0.1 t_erfa_c.c, t_gmst06 and t_gst06a at MJD 53736.0 of UT1 and TT both: here TT is 65 s later,
    # which is 6 us of time by precession and up to 10 us by nutation
    ("ERFA t_gmst06", "2006-01-01T00:00:00+00:00", 0.0, 0.0, False, 1.7541749718700912 * 12 / math.pi, 2e-9),
    ("ERFA t_gst06a", "2006-01-01T00:00:00+00:00", 0.0, 0.0, True, 1.754166137675019 * 12 / math.pi, 5e-9),
    # J. Meeus, Astronomical Algorithms, 2nd ed., examples 12.a and 12.b [from memory]; UT1, and the formula
    # of 1982, which is up to 4 ms (1.2e-6 h) from that of 2006
    ("Meeus 12.a mean", "1987-04-10T00:00:00+00:00", 0.0, 0.0, False, 13.179546333333333, 1.3e-6),
    ("Meeus 12.a apparent", "1987-04-10T00:00:00+00:00", 0.0, 0.0, True, 13.179481972222222, 1.3e-6),
    ("Meeus 12.b mean", "1987-04-10T19:21:00+00:00", 0.0, 0.0, False, 8.582524888888889, 1.3e-6),
    # P. Duffett-Smith, Practical Astronomy with your Calculator, sections 12 and 14 [from memory], to 0.01 s
    # and with an older formula still
    ("Duffett-Smith GST", "1980-04-22T14:36:51.670+00:00", 0.0, 0.0, False, 4.668119444444445, 6e-6),
    ("Duffett-Smith LST", "1980-04-22T14:36:51.670+00:00", 0.0, -64.0, False, 0.4014527777777778, 6e-6),
    # computed with ERFA and with NOVAS from the same UT1-UTC (two independent codes), 7 us
    ("two codes, LAST", "2026-11-24T22:00:00+00:00", -0.084084, -70.4045, True, 21.564554131, 2e-9),
    ("two codes, LMST", "2026-11-24T22:00:00+00:00", -0.084084, -70.4045, False, 21.564412752, 2e-9),
    ("two codes, LAST", "2026-01-01T10:30:00+00:00", 0.074055, -155.4681, True, 6.875045101, 2e-9),
    ("two codes, LMST", "2026-01-01T10:30:00+00:00", 0.074055, -155.4681, False, 6.874951514, 2e-9),
    ("two codes, LAST", "2027-07-01T12:34:56+00:00", 0.0, 149.0661, True, 17.142910195, 2e-9),
    ("two codes, LMST", "2027-07-01T12:34:56+00:00", 0.0, 149.0661, False, 17.142698308, 2e-9),
]


@pytest.mark.parametrize(("source", "utc", "dut1_s", "longitude_deg", "apparent", "hours", "tolerance_h"), PUBLISHED)
def test_sidereal_time_is_the_published_one(
    source: str,
    utc: str,
    dut1_s: float,
    longitude_deg: float,
    apparent: bool,
    hours: float,
    tolerance_h: float,
) -> None:
    ours = sky.sidereal_time_h(at(utc), longitude_deg, apparent=apparent, dut1_s=dut1_s)
    assert difference_s(ours, hours) <= tolerance_h * 3600.0, source


@pytest.mark.parametrize(
    ("ut1_day", "ut1_fraction", "era_deg", "tolerance_deg"),
    [
        # IAU SOFA "Tools for Earth Attitude", section 5: 2007 April 5 12h UTC
        (2454195.5, 0.499999165813831, 13.318492966097, 1e-11),
        # IAU 2000 resolution B1.8: the Earth rotation angle at J2000 [from memory]
        (2451545.0, 0.0, 280.46061837504, 1e-9),
    ],
)
def test_the_rate_constant_is_that_of_the_earth_rotation_angle(
    ut1_day: float, ut1_fraction: float, era_deg: float, tolerance_deg: float
) -> None:
    days = (ut1_day - 2451545.0) + ut1_fraction
    turns = 0.7790572732640 + (sky.SIDEREAL_RATIO - 1.0) * days + (days % 1.0)
    assert (turns % 1.0) * 360.0 == pytest.approx(era_deg, abs=max(tolerance_deg, 1e-9))


def test_tt_and_ut1_fractions_are_those_of_the_cookbook() -> None:
    # IAU SOFA "Tools for Earth Attitude", section 5: 2007 April 5 12h UTC, UT1-UTC = -0.072073685 s
    day, ut1, tt_day, tt = sky.ut1_and_tt(at("2007-04-05T12:00:00+00:00"), -0.072073685)
    assert (day, tt_day) == (2454195.5, 2454195.5)
    assert ut1 == pytest.approx(0.499999165813831, abs=1e-14)
    assert tt == pytest.approx(0.500754444444444, abs=1e-14)


def test_sidereal_time_is_skyfields_at_200_places_and_instants() -> None:
    from skyfield.api import load

    timescale = load.timescale(builtin=True)
    lots = random.Random(20261124)
    for _ in range(200):
        utc = datetime(2000, 1, 1, tzinfo=UTC) + timedelta(seconds=lots.uniform(0, 40 * 365.25 * 86400))
        longitude_deg, dut1_s = lots.uniform(-180, 180), lots.uniform(-0.9, 0.9)
        theirs = timescale.from_datetime(utc)
        theirs.delta_t = 32.184 + earth_orientation.tai_minus_utc_s(utc) - dut1_s  # the same UT1
        for apparent, greenwich_h in ((True, theirs.gast), (False, theirs.gmst)):
            ours = sky.sidereal_time_h(utc, longitude_deg, apparent=apparent, dut1_s=dut1_s)
            assert difference_s(ours, float(greenwich_h) + longitude_deg / 15.0) < 10e-6


def test_a_naive_datetime_is_refused_with_the_remedy() -> None:
    with pytest.raises(ValueError, match=r"no time zone.*aware"):
        sky.sidereal_time_h(datetime(2026, 1, 1), 0.0)  # noqa: DTZ001
    with pytest.raises(ValueError, match=r"no time zone"):
        ut1_utc(datetime(2026, 1, 1))  # noqa: DTZ001
    with pytest.raises(ValueError, match="longitude_deg"):
        sky.sidereal_time_h(at("2026-01-01T00:00:00+00:00"), math.nan)


def test_any_zone_of_the_same_instant_gives_the_same_sidereal_time() -> None:
    utc = at("2026-07-01T03:04:05+00:00")
    assert sky.sidereal_time_h(utc, 10.0) == sky.sidereal_time_h(
        utc.astimezone(timezone(timedelta(hours=10, minutes=30))), 10.0
    )


def test_east_is_later() -> None:
    utc = at("2026-07-01T03:04:05+00:00")
    assert difference_s(sky.sidereal_time_h(utc, 15.0), sky.sidereal_time_h(utc, 0.0) + 1.0) < 1e-9


@pytest.mark.parametrize("year", [1960, 1972, 1999, 2028, 2029, 2035, 2099])
def test_no_year_warns_or_fails_and_hours_stay_in_the_day(year: int) -> None:
    """ERFA calls years from 2029 on dubious; warnings are errors in this suite."""
    for longitude_deg in (-180.0, 0.0, 179.999999, 180.0):
        assert 0.0 <= sky.sidereal_time_h(datetime(year, 6, 1, tzinfo=UTC), longitude_deg) < 24.0


def test_the_horizon_turn_is_erfas_published_one() -> None:
    # ERFA v2.0.1 t_erfa_c.c: t_hd2ae
    azimuth_deg, altitude_deg = sky.horizon_from_equatorial(
        math.degrees(1.1) / 15, math.degrees(1.2), math.degrees(0.3)
    )
    assert math.radians(azimuth_deg) == pytest.approx(5.916889243730066, abs=1e-13)
    assert math.radians(altitude_deg) == pytest.approx(0.44721863049904864, abs=1e-13)


@pytest.mark.parametrize(
    ("hour_angle_h", "declination_deg", "latitude_deg", "azimuth_deg", "altitude_deg", "tolerance_deg"),
    [
        # J. Meeus, Astronomical Algorithms, 2nd ed., example 13.b [from memory]; its azimuth is from south
        (64.352133 / 15, -6.719891666666666, 38.921388888888885, 248.0337, 15.1249, 1e-4),
        # P. Duffett-Smith, Practical Astronomy with your Calculator, section 25 [from memory]
        (
            5 + 51 / 60 + 44 / 3600,
            23 + 13 / 60 + 10 / 3600,
            52.0,
            283.27102777777776,
            19.334344444444444,
            2e-6,
        ),
    ],
)
def test_the_horizon_turn_is_the_handbooks(
    hour_angle_h: float,
    declination_deg: float,
    latitude_deg: float,
    azimuth_deg: float,
    altitude_deg: float,
    tolerance_deg: float,
) -> None:
    azimuth, altitude = sky.horizon_from_equatorial(hour_angle_h, declination_deg, latitude_deg)
    assert azimuth == pytest.approx(azimuth_deg, abs=tolerance_deg)
    assert altitude == pytest.approx(altitude_deg, abs=tolerance_deg)


def test_hour_angle_is_the_handbooks() -> None:
    # P. Duffett-Smith, section 24 [from memory]: LST 0h24m05.23s, RA 18h32m21s, HA 5h51m44.23s
    sidereal_h, right_ascension_h = 0.4014527777777778, 18 + 32 / 60 + 21 / 3600
    assert sky.hour_angle_h(sidereal_h, right_ascension_h) == pytest.approx(5.862286111111111, abs=3e-6)


@pytest.mark.parametrize(
    ("error_h", "declination_deg", "expected_deg"),
    # sin(s/2) = cos(dec) sin(dH/2) with dH = 15.04106864 deg, worked out by hand to 1e-4 deg
    [(1, 0, 15.0411), (1, 30, 13.0166), (1, 60, 7.5043), (1, 80, 2.6046), (1, 89, 0.2617), (-1, 60, 7.5043)],
)
def test_an_hour_of_clock_error_moves_the_tube_by_the_great_circle(
    error_h: float, declination_deg: float, expected_deg: float
) -> None:
    moved = sky.sky_error_deg(error_h * sky.SIDEREAL_RATIO, declination_deg)
    assert moved == pytest.approx(expected_deg, abs=6e-5)


@pytest.mark.parametrize(
    ("day", "published_s"),
    # IERS finals2000A and C04 as bundled in astropy-iers-data 0.2026.11.2 (final, final, rapid); 0.2 ms
    [("2026-01-01", 0.0740869), ("2026-07-01", 0.0144916), ("2026-09-29", -0.0206337)],
)
def test_ut1_utc_is_the_published_one(day: str, published_s: float) -> None:
    assert ut1_utc(at(f"{day}T00:00:00+00:00")).value_s == pytest.approx(published_s, abs=2e-4)


def test_ut1_utc_is_astropys_across_leap_seconds_too() -> None:
    from astropy.utils import iers

    table = iers.IERS_A.open(astropy_iers_data.IERS_A_FILE)
    lots = random.Random(7)
    last = earth_orientation.table_last_day()
    span_s = (last - date(1973, 1, 3)).days * 86400.0
    instants = [datetime(1973, 1, 3, tzinfo=UTC) + timedelta(seconds=lots.uniform(0, span_s)) for _ in range(300)]
    instants += [at(f"{day}T{hour}:00:00+00:00") for day in ("2016-12-31", "2015-06-30") for hour in ("00", "12", "23")]
    days, seconds = np.array([earth_orientation.mjd_split(utc) for utc in instants]).T
    theirs_s = table.ut1_utc(2400000.5 + days, seconds / 86400.0).value  # all at once: one call costs 15 ms
    for utc, expected_s in zip(instants, theirs_s.tolist(), strict=True):
        assert ut1_utc(utc).value_s == pytest.approx(expected_s, abs=1e-6)


def test_the_bound_covers_what_the_other_series_says() -> None:
    """astropy's default table replaces Bulletin B by the C04 series: they differ by less than the bound."""
    from astropy.utils import iers

    table = iers.IERS_B.open(astropy_iers_data.IERS_B_FILE)
    lots = random.Random(8)
    last_mjd = int(table["MJD"][-1].value)
    days = [lots.randint(41700, last_mjd - 1) for _ in range(200)]
    for mjd, theirs_s in zip(days, table.ut1_utc(2400000.5 + np.array(days), 0.0).value.tolist(), strict=True):
        ours = ut1_utc(earth_orientation.MJD_EPOCH + timedelta(days=mjd))
        assert abs(ours.value_s - theirs_s) <= ours.bound_s


@pytest.mark.parametrize("day", [date(1972, 6, 1), date(1973, 1, 1)])
def test_before_the_table_nothing_is_frozen(day: date) -> None:
    answer = ut1_utc(datetime(day.year, day.month, day.day, tzinfo=UTC))
    assert (answer.value_s, answer.bound_s, answer.in_table) == (0.0, 0.9, False)
    assert "assumed" in answer.source


def test_after_the_last_day_nothing_is_frozen_and_it_is_said() -> None:
    last = earth_orientation.table_last_day()
    midnight = datetime(last.year, last.month, last.day, tzinfo=UTC)
    inside, outside = ut1_utc(midnight), ut1_utc(midnight + timedelta(seconds=1))
    assert inside.in_table
    assert inside.value_s != 0.0
    assert (outside.value_s, outside.bound_s, outside.in_table) == (0.0, 0.9, False)
    assert str(last) in outside.source
    assert ut1_utc(midnight - timedelta(seconds=1)).in_table


def test_a_prediction_is_called_one_and_is_worse_bounded_than_a_final_value() -> None:
    last = earth_orientation.table_last_day()
    predicted = ut1_utc(datetime(last.year, last.month, last.day, tzinfo=UTC))
    final = ut1_utc(at("2020-01-01T00:00:00+00:00"))
    assert "predicted" in predicted.source
    assert final.source == "Bulletin B"
    assert final.bound_s < 1e-3 < predicted.bound_s


def test_a_table_with_a_day_missing_is_refused(tmp_path: Path) -> None:
    lines = Path(astropy_iers_data.IERS_A_FILE).read_bytes().splitlines(keepends=True)
    broken = tmp_path / "finals2000A.all"
    broken.write_bytes(b"".join(lines[:40] + lines[41:80]))
    with pytest.raises(EarthOrientationError, match=r"finals2000A\.all.*one a day"):
        ut1_utc(at("1973-02-20T00:00:00+00:00"), path=broken)
    with pytest.raises(EarthOrientationError, match="reinstall"):
        ut1_utc(at("1973-02-20T00:00:00+00:00"), path=tmp_path / "absent")


def test_leap_seconds_are_erfas_and_those_of_bulletin_c() -> None:
    table = earth_orientation.leap_seconds()
    theirs = [(date(int(y), int(m), 1), int(s)) for y, m, s in erfa.leap_seconds.get() if y >= 1972]
    assert list(zip(table.since, table.tai_utc_s, strict=True))[: len(theirs)] == theirs
    # IERS Bulletin C: TAI-UTC
    for day, count in (("2016-12-31", 36), ("2017-01-01", 37), ("1972-01-01", 10), ("1999-01-01", 32)):
        assert earth_orientation.tai_minus_utc_s(at(f"{day}T00:00:00+00:00")) == count
    assert earth_orientation.tai_minus_utc_s(at("2016-12-31T23:59:59+00:00")) == 36
    assert table.expires >= date(2027, 6, 28)


def test_a_leap_second_in_the_night_is_found() -> None:
    dusk, dawn = at("2016-12-31T18:00:00+00:00"), at("2017-01-01T06:00:00+00:00")
    assert earth_orientation.leap_second_between(dusk, dawn) == date(2017, 1, 1)
    assert earth_orientation.leap_second_between(dawn, dawn + timedelta(days=1)) is None


def test_sidereal_time_needs_neither_astropy_nor_the_network() -> None:
    program = (
        "import sys, socket\n"
        "def refuse(*a, **k): raise OSError('no network here')\n"
        "socket.socket.connect = refuse\n"
        "socket.create_connection = refuse\n"
        "from datetime import datetime, UTC\n"
        "from noonmark.driver.sky import sidereal_time_h\n"
        "sidereal_time_h(datetime(2026, 11, 24, tzinfo=UTC), 10.0)\n"
        "sys.exit(1 if 'astropy' in sys.modules else 0)\n"
    )
    assert subprocess.run([sys.executable, "-c", program], check=False, timeout=60).returncode == 0
