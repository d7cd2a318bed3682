"""An axis that is off: against rotation matrices, and against published drift-alignment values."""

from __future__ import annotations

import math

import erfa
import numpy as np
import pytest
from support.looks import axis_matrix, vector

from noonmark.driver.reasons import tube
from noonmark.driver.reasons.tube import Floats

DEGREE = math.pi / 180.0
RATE_DEG_PER_H = 15.04106864  # sidereal (15 x 1.00273790935, Aoki et al. 1982)


def one(value: float) -> Floats:
    return np.array([value])


def found(h: float, d: float, lat: float, east: float, raised: float) -> tuple[float, float]:
    """(dH, dDec) of where a tube sent to H, dec lands, degrees."""
    meant = tube.from_equatorial(one(h), one(d), lat)
    hour, declination = tube.to_equatorial(tube.axis_off(meant, east, raised), lat)
    return (float(hour[0]) - h + 180.0) % 360.0 - 180.0, float(declination[0]) - d


@pytest.mark.parametrize("latitude", [-80.0, -31.9, 0.0, 45.0, 89.0])
@pytest.mark.parametrize("hour_angle", [-170.0, -60.0, 0.0, 45.0, 100.0])
@pytest.mark.parametrize("declination", [-60.0, 0.0, 35.0])
def test_directions_are_erfas(latitude: float, hour_angle: float, declination: float) -> None:
    """ERFA hd2ae and ae2hd."""
    azimuth, altitude = erfa.hd2ae(hour_angle * DEGREE, declination * DEGREE, latitude * DEGREE)
    direction = tube.from_equatorial(one(hour_angle), one(declination), latitude)
    assert np.allclose(direction[0], vector(float(azimuth), float(altitude)), atol=1e-12)
    h, d = tube.to_equatorial(direction, latitude)
    back = erfa.ae2hd(azimuth, altitude, latitude * DEGREE)
    assert (float(h[0]) * DEGREE - float(back[0]) + math.pi) % (2 * math.pi) == pytest.approx(math.pi, abs=1e-9)
    assert float(d[0]) * DEGREE == pytest.approx(float(back[1]), abs=1e-9)


@pytest.mark.parametrize(("east", "raised"), [(1.0, 0.0), (0.0, 1.0), (-7.0, 4.0), (20.0, -11.0)])
def test_an_axis_that_is_off_turns_directions_as_the_matrices_do(east: float, raised: float) -> None:
    directions = tube.from_equatorial(np.linspace(-170, 170, 12), np.linspace(-80, 80, 12), -31.9)
    expected = directions @ axis_matrix(east, raised).T
    assert np.allclose(tube.axis_off(directions, east, raised), expected, atol=1e-12)


def test_the_axis_really_goes_where_its_offset_says() -> None:
    """The north pole, the direction of the axis: raised by E, then turned to the east by A."""
    pole = tube.from_equatorial(one(0.0), one(90.0), 40.0)
    moved = tube.axis_off(pole, 3.0, 2.0)[0]
    assert math.degrees(math.atan2(moved[0], moved[1])) == pytest.approx(3.0, abs=1e-9)
    assert math.degrees(math.asin(moved[2])) == pytest.approx(42.0, abs=1e-9)


@pytest.mark.parametrize("latitude", [-52.0, -31.9, 0.0, 45.0])
@pytest.mark.parametrize("hour_angle", [-90.0, -30.0, 0.0, 75.0])
@pytest.mark.parametrize("declination", [-50.0, 0.0, 20.0])
def test_a_small_offset_moves_the_tube_as_the_formulas_say(
    latitude: float, hour_angle: float, declination: float
) -> None:
    """dH = A (sin lat - cos lat cos H tan dec) - E sin H tan dec; dDec = A cos lat sin H - E cos H (spherical
    geometry). For a hundredth of a degree what is left is of second order: below 1e-5."""
    lat, h, d = latitude * DEGREE, hour_angle * DEGREE, declination * DEGREE
    for east, raised in ((0.01, 0.0), (0.0, 0.01), (-0.01, 0.007)):
        d_hour, d_dec = found(hour_angle, declination, latitude, east, raised)
        hour = east * (math.sin(lat) - math.cos(lat) * math.cos(h) * math.tan(d)) - raised * math.sin(h) * math.tan(d)
        assert d_hour == pytest.approx(hour, abs=1e-5)
        assert d_dec == pytest.approx(east * math.cos(lat) * math.sin(h) - raised * math.cos(h), abs=1e-5)


@pytest.mark.parametrize(
    ("lat", "h", "d", "raised", "east", "arcmin_per_h", "exact"),
    [
        # drift of declination in the mount's frame, north positive. Formula after R. Hook, JBAA 99 (1989) 19
        # (reference from memory); `exact`: vector geometry by erfa.hd2ae and a rotated axis
        (45.0, 0.0, 0.0, 0.0, 1.0, -11.13762, -11.1370524287852),
        (45.0, -90.0, 0.0, 1.0, 0.0, 15.75097, 15.7501705438088),
        (45.0, 90.0, 0.0, 1.0, 0.0, -15.75097, -15.7501705453996),
        (0.0, 0.0, 0.0, 0.0, 0.016667, -0.26252, -0.262516166330576),
        (52.0, 0.0, 20.0, 0.0, 0.083333, -0.80811, -0.808105285727834),
        (-30.0, -60.0, -20.0, 0.2, 0.3, 0.68204, 0.67190379361648),
    ],
)
def test_a_star_drifts_in_the_mounts_frame_at_the_published_rate(
    lat: float, h: float, d: float, raised: float, east: float, arcmin_per_h: float, exact: float
) -> None:
    turn = axis_matrix(east, raised)

    def mount_declination(hour_angle: float) -> float:
        """What the mount must read to have the star: the turn undone."""
        sky = tube.from_equatorial(one(hour_angle), one(d), lat)
        back = sky @ turn  # the transpose of the turn's transpose
        assert np.allclose(tube.axis_off(back, east, raised), sky, atol=1e-12)
        return float(tube.to_equatorial(back, lat)[1][0])

    step = 0.01
    slope = (mount_declination(h + step) - mount_declination(h - step)) / (2 * step)
    drift = slope * RATE_DEG_PER_H * 60.0
    assert drift == pytest.approx(arcmin_per_h, abs=0.02 * abs(arcmin_per_h))  # the small-angle formula's own error
    assert drift == pytest.approx(exact, abs=0.001 + 0.001 * abs(exact))


def test_on_the_meridian_an_azimuth_error_is_purely_one_of_hour_angle() -> None:
    d_hour, d_dec = found(0.0, -20.0, -31.9, 0.5, 0.0)
    assert abs(d_hour) > 0.05
    assert abs(d_dec) < 0.005  # of second order
    d_hour, d_dec = found(75.0, -20.0, -31.9, 0.5, 0.0)
    assert abs(d_dec) > 0.3


def test_how_two_directions_lie_apart_is_erfas_separation_and_bearing() -> None:
    """ERFA seps and pas, at small and at large angles, and at the pole."""
    chance = np.random.default_rng(3)
    for _ in range(50):
        h, d = chance.uniform(-180, 180, 2), chance.uniform(-85, 85, 2)
        a, b = (tube.from_equatorial(one(h[k]), one(d[k]), 37.0) for k in (0, 1))
        west, north = tube.apart_deg(a, b, 37.0)[0]
        # hour angle runs against right ascension: a bearing from north through west
        apart = erfa.seps(-h[0] * DEGREE, d[0] * DEGREE, -h[1] * DEGREE, d[1] * DEGREE) / DEGREE
        bearing = erfa.pas(-h[0] * DEGREE, d[0] * DEGREE, -h[1] * DEGREE, d[1] * DEGREE)
        assert math.hypot(west, north) == pytest.approx(apart, abs=1e-9)
        assert (-west, north) == pytest.approx((apart * math.sin(bearing), apart * math.cos(bearing)), abs=1e-7)
    pole = tube.from_equatorial(one(0.0), one(90.0), 37.0)
    near = tube.from_equatorial(one(30.0), one(88.0), 37.0)
    assert float(np.linalg.norm(tube.apart_deg(pole, near, 37.0))) == pytest.approx(2.0, abs=1e-9)


def test_what_is_lifted_rises_and_keeps_its_azimuth() -> None:
    low = np.array([vector(1.0, 0.2), vector(-2.0, 1.2), vector(0.0, math.pi / 2)])
    risen = tube.lifted(low, np.array([5.0, 0.4, 0.0]))
    assert tube.altitude_deg(risen) - tube.altitude_deg(low) == pytest.approx([5 / 60, 0.4 / 60, 0.0], abs=1e-9)
    assert np.allclose(np.arctan2(risen[:2, 0], risen[:2, 1]), [1.0, -2.0])
    assert np.allclose(np.linalg.norm(risen, axis=-1), 1.0)
