"""Refraction, geodesy, tilt, balance, and ISO 6709 against handbooks, standards and second libraries."""

from __future__ import annotations

import math
import random

import pytest
from geographiclib.geodesic import Geodesic
from pydantic import ValidationError

from noonmark.driver import iso6709
from noonmark.driver.geodesy import Tangent
from noonmark.driver.sheet import level, refraction
from noonmark.driver.sheet.balance import Load, Payload, balance


@pytest.mark.parametrize(
    ("apparent_deg", "arcmin"),
    [
        # G. G. Bennett, J. Inst. Navigation 35, 255 (1982), the formula's values at 1010 hPa, 10 C [from memory]
        *(
            (0, 34.4775),
            (5, 9.8831),
            (10, 5.3915),
            (20, 2.7034),
            (30, 1.7173),
            (45, 0.9948),
            (60, 0.5747),
            (80, 0.1748),
        ),
        # J. Meeus, Astronomical Algorithms, 2nd ed., example 16.a: lower limb at 0.5 deg [from memory]
        (0.5, 28.754),
    ],
)
def test_refraction_is_bennetts(apparent_deg: float, arcmin: float) -> None:
    """His formula takes the altitude as seen, ours the true one: each is good to 0.1 arcminute, so they agree to 0.2."""
    assert refraction.from_true_arcmin(apparent_deg - arcmin / 60.0) == pytest.approx(arcmin, abs=0.2)


def test_refraction_from_the_true_altitude_is_the_handbooks() -> None:
    # J. Meeus, Astronomical Algorithms, 2nd ed., example 16.a: upper limb at 33.246' [from memory]
    assert refraction.from_true_arcmin(33.246 / 60.0) == pytest.approx(24.618, abs=0.003)


def test_refraction_never_lowers_and_never_runs_away() -> None:
    for altitude_deg in (-90.0, -5.0, -4.4, -1.0, 0.0, 89.9, 90.0):
        assert 0.0 <= refraction.from_true_arcmin(altitude_deg) < 60.0


def test_thin_air_refracts_less() -> None:
    # ICAO standard atmosphere: 1013.25 hPa at sea level, 795.0 hPa at 2000 m, 540.2 hPa at 5000 m
    assert refraction.standard_pressure_hpa(0.0) == pytest.approx(1013.25)
    assert refraction.standard_pressure_hpa(2000.0) == pytest.approx(795.0, abs=0.3)
    assert refraction.standard_pressure_hpa(5000.0) == pytest.approx(540.2, abs=0.3)
    assert refraction.from_true_arcmin(30.0, pressure_hpa=505.0) == pytest.approx(
        refraction.from_true_arcmin(30.0) / 2.0
    )


def test_distances_in_the_plane_are_geographiclibs() -> None:
    lots = random.Random(11)
    for _ in range(300):
        latitude_deg, longitude_deg = lots.uniform(-90, 90), lots.uniform(-180, 180)
        bearing_deg, length_m = lots.uniform(0, 360), lots.uniform(0, 1000)
        there = Geodesic.WGS84.Direct(latitude_deg, longitude_deg, bearing_deg, length_m)
        tangent = Tangent(latitude_deg, longitude_deg)
        east_m, north_m = tangent.east_north_m(there["lat2"], there["lon2"])
        assert math.hypot(east_m, north_m) == pytest.approx(length_m, abs=1e-3)
        assert east_m == pytest.approx(length_m * math.sin(math.radians(bearing_deg)), abs=0.01)
        back = tangent.place_deg(east_m, north_m)
        off = Geodesic.WGS84.Inverse(*back, there["lat2"], there["lon2"])["s12"]
        assert off < 1e-3


@pytest.mark.parametrize(("latitude_deg", "longitude_deg"), [(90.0, 0.0), (-90.0, 0.0), (10.0, 180.0), (10.0, -180.0)])
def test_neither_pole_nor_date_line_is_special(latitude_deg: float, longitude_deg: float) -> None:
    tangent = Tangent(latitude_deg, longitude_deg)
    there = Geodesic.WGS84.Direct(latitude_deg, longitude_deg, 100.0, 50.0)
    assert math.hypot(*tangent.east_north_m(there["lat2"], there["lon2"])) == pytest.approx(50.0, abs=1e-6)
    latitude, longitude = tangent.place_deg(0.0, 0.0)
    assert latitude == pytest.approx(latitude_deg, abs=1e-9)
    assert math.cos(math.radians(longitude - longitude_deg)) == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("latitude_deg", "shift_deg", "azimuth_deg", "altitude_deg"),
    # geometry of rotations: shift = tilt x sin(lat), azimuth by tan(lat); worked out apart to the digits given
    [(20, 0.34202, 0.3639, 0.00318), (45, 0.70711, 0.9998, 0.00873), (60, 0.86603, 1.7314, 0.01511)],
)
def test_a_tilted_base_moves_the_axis_by_the_rotation(
    latitude_deg: float, shift_deg: float, azimuth_deg: float, altitude_deg: float
) -> None:
    for signed in (latitude_deg, -latitude_deg):
        lean = level.tilt(signed)
        assert lean.towards_altitude_deg == 1.0
        assert lean.east_shift_deg == pytest.approx(shift_deg, abs=2e-4)
        assert lean.east_azimuth_deg == pytest.approx(azimuth_deg, abs=1e-3)
        assert lean.east_altitude_deg == pytest.approx(altitude_deg, abs=1e-5)


def test_where_the_pole_is_overhead_the_axis_has_no_azimuth() -> None:
    assert level.tilt(90.0).east_azimuth_deg is None
    assert level.tilt(90.0).east_shift_deg == pytest.approx(1.0)
    assert level.tilt(0.0).east_shift_deg == 0.0


# International system of units, and a lever: 8 kg at 250 mm against 5 kg must stand at 400 mm
LEVER = {"loads": [{"name": "tube", "mass_kg": 8.0, "distance_mm": 250.0}], "weights_kg": [2.0, 3.0]}


def test_balance_is_the_law_of_the_lever() -> None:
    result = balance(Payload.model_validate({**LEVER, "shaft_from_mm": 100, "shaft_to_mm": 450, "capacity_kg": 10}))
    assert result.fit == "fits"
    assert result.weights_at_mm == pytest.approx(400.0)
    assert result.share_of_capacity == pytest.approx(0.8)
    # 5 kg x 9.80665 m/s2 x 1 mm
    assert result.torque_per_mm_nm == pytest.approx(0.04903325)


def test_the_shafts_own_mass_helps() -> None:
    shaft = {"shaft_from_mm": 100, "shaft_to_mm": 450, "shaft_mass_kg": 2.0, "shaft_centre_mm": 250.0}
    # (8 x 250 - 2 x 250) / 5
    assert balance(Payload.model_validate({**LEVER, **shaft})).weights_at_mm == pytest.approx(300.0)


def test_what_does_not_fit_on_the_shaft_is_told_in_kilograms() -> None:
    short = balance(Payload.model_validate({**LEVER, "shaft_from_mm": 100, "shaft_to_mm": 200}))
    assert short.fit == "too-light"
    assert short.lacking_kg == pytest.approx(5.0)  # 2000 kg mm / 200 mm = 10 kg
    far = balance(Payload.model_validate({**LEVER, "shaft_from_mm": 500, "shaft_to_mm": 600}))
    assert far.fit == "too-heavy"
    assert far.surplus_kg == pytest.approx(1.0)  # 2000 kg mm / 500 mm = 4 kg


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"shaft_to_mm": 50}, "larger than shaft_from_mm"),
        ({"weights_kg": [0.0]}, "above 0"),
        ({"weights_kg": []}, "weights_kg"),
        ({"shaft_mass_kg": 1.0}, "needs shaft_centre_mm"),
        ({"loads": []}, "loads"),
        ({"tube_kg": 3}, "tube_kg"),
    ],
)
def test_a_payload_that_can_not_be_is_refused_by_name(change: dict[str, object], told: str) -> None:
    with pytest.raises(ValidationError, match=told):
        Payload.model_validate({**LEVER, "shaft_from_mm": 100, "shaft_to_mm": 450, **change})


def test_a_load_counts_at_its_own_distance() -> None:
    two = (Load(name="tube", mass_kg=6, distance_mm=200), Load(name="camera", mass_kg=2, distance_mm=400))
    result = balance(Payload(loads=two, weights_kg=(5.0,), shaft_from_mm=1, shaft_to_mm=900))
    assert result.weights_at_mm == pytest.approx((6 * 200 + 2 * 400) / 5)


@pytest.mark.parametrize(
    ("string", "latitude_deg", "longitude_deg", "height_m"),
    [
        # examples of ISO 6709 in public documents
        ("+27.5916+086.5640+8850CRSWGS_84/", 27.5916, 86.564, 8850.0),
        ("+275916+0865640+8849/", 27.987777778, 86.944444444, 8849.0),
        ("+4852+00220/", 48.866666667, 2.333333333, None),
        ("+00-025/", 0.0, -25.0, None),
        ("+48.8577+002.295/", 48.8577, 2.295, None),
        ("+90+000/", 90.0, 0.0, None),
        ("-90+000+2800/", -90.0, 0.0, 2800.0),
        ("+40.6894-074.0447/", 40.6894, -74.0447, None),
    ],
)
def test_iso_6709_is_read_as_published(
    string: str, latitude_deg: float, longitude_deg: float, height_m: float | None
) -> None:
    point = iso6709.parse(string)
    assert point.latitude_deg == pytest.approx(latitude_deg, abs=1e-9)
    assert point.longitude_deg == pytest.approx(longitude_deg, abs=1e-9)
    assert point.height_m == height_m


def test_the_same_digits_with_and_without_a_point_are_two_places() -> None:
    """58 km apart: +27.5916 is decimal degrees, +275916 degrees, minutes and seconds."""
    one, other = iso6709.parse("+27.5916+086.5640/"), iso6709.parse("+275916+0865640/")
    apart_m = Geodesic.WGS84.Inverse(one.latitude_deg, one.longitude_deg, other.latitude_deg, other.longitude_deg)
    assert apart_m["s12"] == pytest.approx(57_730, abs=20)


@pytest.mark.parametrize(
    ("latitude_deg", "longitude_deg", "elevation_m", "string"),
    [
        (-31.8571, 141.6034, 212.0, "-31.8571+141.6034+212/"),
        (27.5916, 86.564, 8850.0, "+27.5916+086.5640+8850/"),
        (0.0, -25.0, None, "+00.0000-025.0000/"),
        (-0.00001, -0.00001, -3.2, "+00.0000+000.0000-3/"),
        (40.6894, -74.0447, None, "+40.6894-074.0447/"),
        (-90.0, 0.0, 2800.0, "-90.0000+000.0000+2800/"),
    ],
)
def test_iso_6709_is_written_as_published(
    latitude_deg: float, longitude_deg: float, elevation_m: float | None, string: str
) -> None:
    assert iso6709.text(latitude_deg, longitude_deg, elevation_m) == string


@pytest.mark.parametrize(
    "string",
    [
        "",
        "31.8+141.6/",
        "+31.8/",
        "+3+141/",
        "+91+000/",
        "+00+181/",
        "+0060+00000/",
        "+31 +141/",
        "+31.8+141.6\n",
        "+314+1410/",
        "\x1b[2J",
    ],
)
def test_what_is_no_position_is_refused_printably(string: str) -> None:
    with pytest.raises(ValueError, match=r"expected|below 60") as caught:
        iso6709.parse(string)
    assert str(caught.value).isprintable()


def test_a_position_off_the_globe_is_not_written() -> None:
    with pytest.raises(ValueError, match="expected"):
        iso6709.text(91.0, 0.0)
