"""Magnetic declination against NOAA's test values, and what it does to an axis."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest

from noonmark.driver.sheet import magnetic
from noonmark.driver.sheet.magnetic import MagneticModelError

# (decimal year, km above the ellipsoid, latitude, longitude deg east, declination deg east)
TEST_VALUES: list[tuple[float, float, float, float, float]] = [
    # NOAA NCEI, WMM2025_TEST_VALUES.txt (rows of its 100)
    (2025.0, 28.0, 89.0, -121.0, -99.77),
    (2025.0, 65.0, 43.0, 93.0, 0.5),
    (2025.0, 18.0, 0.0, 21.0, 1.29),
    (2025.5, 63.0, 26.0, 81.0, 0.51),
    (2025.5, 44.0, 33.0, -118.0, 11.1),
    (2025.5, 50.0, -81.0, -67.0, 28.13),
    (2026.0, 69.0, 23.0, 63.0, 1.17),
    (2026.5, 14.0, 0.0, 80.0, -3.1),
    (2026.5, 64.0, 10.0, 78.0, -1.53),
    (2026.5, 12.0, -79.0, 115.0, -137.58),
    (2027.0, 67.0, 72.0, -115.0, 13.73),
    (2027.0, 67.0, -47.0, -32.0, -13.52),
    (2027.5, 0.0, -13.0, -59.0, -17.49),
    (2028.0, 86.0, -85.0, -79.0, 41.09),
    (2028.5, 39.0, -65.0, -88.0, 29.45),
    (2029.0, 95.0, -60.0, -59.0, 8.58),
    (2029.5, 31.0, 13.0, -132.0, 9.04),
    (2029.5, 77.0, -18.0, 138.0, 4.45),
    # NOAA/BGS, WMM2025 technical report, table of test values
    (2025.0, 0.0, 80.0, 0.0, 1.28),
    (2025.0, 0.0, 0.0, 120.0, -0.16),
    (2025.0, 0.0, -80.0, 240.0, 68.78),
    (2025.0, 100.0, 80.0, 0.0, 0.85),
    (2025.0, 100.0, 0.0, 120.0, -0.15),
    (2025.0, 100.0, -80.0, 240.0, 68.21),
    (2027.5, 0.0, 80.0, 0.0, 2.59),
    (2027.5, 0.0, 0.0, 120.0, -0.24),
    (2027.5, 0.0, -80.0, 240.0, 68.49),
    (2027.5, 100.0, 80.0, 0.0, 2.16),
    (2027.5, 100.0, 0.0, 120.0, -0.23),
    (2027.5, 100.0, -80.0, 240.0, 67.93),
    # NOAA, WMM2020testvalues.pdf
    (2020.0, 0.0, 80.0, 0.0, -1.28),
    (2020.0, 0.0, 0.0, 120.0, 0.16),
    (2020.0, 0.0, -80.0, 240.0, 69.36),
    (2022.5, 100.0, 80.0, 0.0, -0.41),
    (2022.5, 100.0, 0.0, 120.0, -0.05),
    (2022.5, 100.0, -80.0, 240.0, 68.55),
    # NOAA, WMM2010testvalues.pdf
    (2010.0, 0.0, 80.0, 0.0, -6.13),
    (2010.0, 0.0, 0.0, 120.0, 0.97),
    (2012.5, 100.0, -80.0, 240.0, 69.45),
]


@pytest.mark.parametrize(("year", "height_km", "latitude_deg", "longitude_deg", "declination_deg"), TEST_VALUES)
def test_declination_is_noaas(
    year: float, height_km: float, latitude_deg: float, longitude_deg: float, declination_deg: float
) -> None:
    """Printed to 0.01 deg."""
    ours = magnetic.declination_in_year(latitude_deg, longitude_deg, height_km * 1000.0, year)
    assert ours.declination_deg == pytest.approx(declination_deg, abs=0.0051)


def test_a_date_becomes_the_decimal_year_of_a_published_example() -> None:
    # Published example of a numerical toolbox: 42.283 N, 71.35 W, 1000 m, 2028-07-04: -13.6891 deg, 2028.50546
    instant = datetime(2028, 7, 4, tzinfo=UTC)
    assert magnetic.decimal_year(instant) == pytest.approx(2028.5054644808743, abs=1e-9)
    ours = magnetic.declination(42.283, -71.35, 1000.0, instant)
    assert ours.declination_deg == pytest.approx(-13.6891, abs=0.003)


@pytest.mark.parametrize(
    ("latitude_deg", "longitude_deg", "in_2010_deg", "by_2005_deg"),
    [
        # corners of the contiguous USA, 2008.5 by the published coefficients of WMM2005 (not among the installed
        # models), and what WMM2010 gives at its first day
        (47.157, -67.94, -18.21, -18.30),
        (48.383, -124.714, 17.64, 17.90),
        (48.999, -122.75, 17.50, 17.76),
    ],
)
def test_the_trades_eighteen_degrees_are_those_of_its_time(
    latitude_deg: float, longitude_deg: float, in_2010_deg: float, by_2005_deg: float
) -> None:
    """ "A compass is up to 18 degrees off in the contiguous USA": common practice, no source. It was so about 2005 to
    2010, and has shrunk since."""
    ours = magnetic.declination_in_year(latitude_deg, longitude_deg, 0.0, 2010.0)
    assert ours.declination_deg == pytest.approx(in_2010_deg, abs=0.01)
    assert abs(by_2005_deg) == pytest.approx(18.0, abs=0.5)
    assert abs(ours.declination_deg) == pytest.approx(abs(by_2005_deg), abs=0.4)
    today = magnetic.declination_in_year(latitude_deg, longitude_deg, 0.0, 2026.9)
    assert abs(today.declination_deg) < abs(ours.declination_deg) - 2.0


def test_eighteen_degrees_of_azimuth_are_less_on_the_sky() -> None:
    # great circle at altitude = latitude: 2 asin(cos 45 sin 9)
    assert magnetic.axis_error_deg(18.0, 45.0) == pytest.approx(12.7016, abs=1e-4)
    assert magnetic.axis_error_deg(-18.0, -45.0) == pytest.approx(12.7016, abs=1e-4)
    assert magnetic.axis_error_deg(18.0, 90.0) == pytest.approx(0.0, abs=1e-9)


def test_the_compass_reads_less_than_true_where_the_needle_points_east() -> None:
    """Needle 8.5 deg east of true north: held to true north it reads 351.5, to true south 171.5."""
    assert magnetic.compass_reading_deg(8.5, 0.0) == pytest.approx(351.5)
    assert magnetic.compass_reading_deg(8.5, 180.0) == pytest.approx(171.5)
    assert magnetic.compass_reading_deg(-8.5, 0.0) == pytest.approx(8.5)
    assert magnetic.compass_reading_deg(0.0, 0.0) == 0.0


def test_the_newest_models_last_day_is_told_and_nothing_is_stretched_beyond() -> None:
    last = magnetic.declination(50.0, 10.0, 0.0, datetime(2029, 12, 31, 23, 59, tzinfo=UTC))
    assert (last.model, last.last_day) == ("WMM-2025", date(2029, 12, 31))
    assert last.annual_change_deg is None
    with pytest.raises(MagneticModelError, match=r"2029-12-31.*not stretched.*upgrade the package pygeomag"):
        magnetic.declination(50.0, 10.0, 0.0, datetime(2030, 1, 1, tzinfo=UTC))
    with pytest.raises(MagneticModelError, match="begin in 2010"):
        magnetic.declination(50.0, 10.0, 0.0, datetime(2009, 12, 31, tzinfo=UTC))


def test_each_five_years_have_their_own_model() -> None:
    models = [magnetic.declination_in_year(50.0, 10.0, 0.0, year).model for year in (2012.0, 2017.0, 2022.0, 2027.0)]
    assert models == ["WMM-2010", "WMM-2015v2", "WMM-2020", "WMM-2025"]


def test_the_uncertainty_is_the_models_own() -> None:
    # WMM2025 error model: sqrt(0.26^2 + (5417/H)^2) deg, H in nT (NOAA/BGS, WMM2025 report)
    ours = magnetic.declination_in_year(-31.8571, 141.6034, 212.0, 2026.9)
    assert ours.uncertainty_deg == pytest.approx((0.26**2 + (5417 / ours.horizontal_nt) ** 2) ** 0.5, abs=1e-9)
    assert magnetic.declination_in_year(0.0, 0.0, 0.0, 2012.0).uncertainty_deg is None


def test_near_the_magnetic_poles_a_compass_is_called_useless() -> None:
    """The model's own zones: horizontal intensity below 2000 nT blackout, below 6000 nT caution."""
    north = magnetic.declination_in_year(86.0, 140.0, 0.0, 2026.0)
    assert north.horizontal_nt < 2000.0
    assert north.trust == "useless"
    caution = magnetic.declination_in_year(78.0, -100.0, 0.0, 2026.0)
    assert 2000.0 < caution.horizontal_nt < 6000.0
    assert caution.trust == "caution"
    assert magnetic.declination_in_year(0.0, 0.0, 0.0, 2026.0).trust == "usable"
