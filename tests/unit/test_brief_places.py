"""Where the pole star, bright stars and the Sun stand: against skyfield with the same UT1, and published places."""

from __future__ import annotations

import math
import random
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import pytest
import skyfield_data
from skyfield.api import Loader, wgs84
from skyfield.api import Star as SkyfieldStar

from noonmark.driver import earth_orientation, zones
from noonmark.driver.sheet import azimuths, night, pole, pole_drawing
from noonmark.driver.sheet.apparent import Body, geocentric_place, illuminated_fraction, track
from noonmark.driver.sheet.stars import BRIGHT, POLARIS, SIGMA_OCTANTIS, Star
from noonmark.driver.site import Site


def at(text: str) -> datetime:
    return datetime.fromisoformat(text)


def site(latitude_deg: float, longitude_deg: float, elevation_m: float = 0.0) -> Site:
    return Site(latitude_deg=latitude_deg, longitude_deg=longitude_deg, elevation_m=elevation_m, timezone="Etc/UTC")


NORTH, SOUTH = site(52.0, 13.0, 100.0), site(-31.8571, 141.6034, 212.0)


@cache
def ephemeris() -> Any:
    """de421 as the package skyfield-data brings it: 1900 to 2050, nothing downloaded."""
    return Loader(str(Path(skyfield_data.__file__).parent / "data"))("de421.bsp")


@cache
def timescale() -> Any:
    return Loader(str(Path(skyfield_data.__file__).parent / "data")).timescale(builtin=True)


def skyfield_time(utc: datetime) -> Any:
    """skyfield's instant with our UT1-UTC, so that only the astronomy is compared."""
    when = timescale().from_datetime(utc)
    dut1_s = earth_orientation.ut1_utc(utc).value_s
    when.delta_t = 32.184 + earth_orientation.tai_minus_utc_s(utc) - dut1_s
    return when


def skyfield_apparent(place: Site, body: Body, utc: datetime) -> Any:
    target = {"sun": ephemeris()["sun"], "moon": ephemeris()["moon"]}.get(body) if isinstance(body, str) else None
    if isinstance(body, Star):
        target = SkyfieldStar(
            ra_hours=body.ra_deg / 15.0,
            dec_degrees=body.dec_deg,
            ra_mas_per_year=body.pm_ra_mas,
            dec_mas_per_year=body.pm_dec_mas,
            parallax_mas=body.parallax_mas,
            radial_km_per_s=body.velocity_km_s,
        )
    ground = wgs84.latlon(place.latitude_deg, place.longitude_deg, place.elevation_m)
    return (ephemeris()["earth"] + ground).at(skyfield_time(utc)).observe(target).apparent()


def sampled(years: tuple[int, int], count: int, seed: int) -> list[datetime]:
    lots = random.Random(seed)
    begin, end = (datetime(year, 1, 1, tzinfo=UTC) for year in years)
    return [begin + (end - begin) * lots.random() for _ in range(count)]


@pytest.mark.parametrize("place", [NORTH, SOUTH, site(70.0, -150.0), site(-70.0, 20.0), site(0.0, 179.9)])
def test_the_star_at_the_pole_is_where_skyfield_has_it_from_2024_to_2040(place: Site) -> None:
    """Hour angle to 0.005 deg, distance to 0.002 arcmin: a forgotten proper motion is 0.7 arcsec = 0.012 arcmin by
    2040, diurnal aberration alone 0.008 deg of hour angle."""
    for utc in sampled((2024, 2041), 40, 5):
        ours = pole.star_at_pole(place, utc)
        hour_angle, declination, _ = skyfield_apparent(place, pole.pole_star(place.latitude_deg), utc).hadec()
        apart_deg = (ours.hour_angle_h - hour_angle.hours) * 15.0
        assert abs((apart_deg + 180.0) % 360.0 - 180.0) < 0.005
        assert ours.distance_arcmin == pytest.approx((90.0 - abs(declination.degrees)) * 60.0, abs=0.002)


@pytest.mark.parametrize("place", [NORTH, SOUTH])
def test_the_star_on_the_clock_face_is_where_the_eye_sees_it(place: Site) -> None:
    """From skyfield's altitudes and azimuths alone: facing the pole, up is up and growing azimuth is to the right,
    in both hemispheres."""
    for utc in sampled((2024, 2041), 20, 6):
        altitude, azimuth, _ = skyfield_apparent(place, pole.pole_star(place.latitude_deg), utc).altaz()
        facing_deg = 0.0 if place.latitude_deg > 0 else 180.0
        right = (azimuth.degrees - facing_deg + 180.0) % 360.0 - 180.0
        right *= math.cos(altitude.radians)
        up = altitude.degrees - abs(place.latitude_deg)
        hours = math.degrees(math.atan2(right, up)) / 30.0 % 12.0
        star = pole.star_at_pole(place, utc)
        assert star.clock_erect is not None
        assert star.clock_inverted is not None
        # flat against spherical: 1 deg from the pole at 52 deg of altitude, 0.03 h
        assert abs((star.clock_erect - hours + 6.0) % 12.0 - 6.0) < 0.05
        assert (star.clock_inverted - star.clock_erect) % 12.0 == pytest.approx(6.0)


@pytest.mark.parametrize(
    ("jd_tt", "right_ascension_h", "declination_deg"),
    # NOVAS (USNO) with DE405, as in skyfield 1.55's tests/test_against_novas.py: geocentric apparent Polaris of date
    [
        (2440423.345833333, 2.0385816433557173, 89.11999387030946),
        (2448031.5, 2.3329211805288432, 89.22082922133737),
        (2451545.0, 2.5459982729094564, 89.26697328449004),
        (2456164.5, 2.8064741334456413, 89.3136939266471),
    ],
)
def test_the_apparent_place_is_novas(jd_tt: float, right_ascension_h: float, declination_deg: float) -> None:
    hipparcos_1997 = Star(
        "Polaris", 11767, 2.530301028 * 15.0, 89.264109444, 44.22, -11.75, 7.56, -17.4, 2.1
    )  # the catalogue's first edition, as NOVAS was given it
    tt = datetime(2000, 1, 1, 12, tzinfo=UTC) + timedelta(days=jd_tt - 2451545.0)
    utc = tt - timedelta(seconds=32.184 + earth_orientation.tai_minus_utc_s(tt))
    ours = geocentric_place(hipparcos_1997, utc)
    assert ours[0] == pytest.approx(right_ascension_h, abs=2e-6)
    assert ours[1] == pytest.approx(declination_deg, abs=3e-7)


@pytest.mark.parametrize(
    ("utc", "right_ascension_h", "distance_arcmin"),
    # Polaris, geocentric apparent of date: computed apart with ERFA's own catalogue-to-apparent routine and NOVAS, from
    # the new Hipparcos reduction [catalogue values from memory there]
    [
        ("2026-01-01T00:00:00+00:00", 3.113758, 37.314),
        ("2026-07-01T00:00:00+00:00", 3.086425, 37.734),
        ("2026-11-24T00:00:00+00:00", 3.151266, 37.282),
    ],
)
def test_polaris_of_date_is_the_reference_one(utc: str, right_ascension_h: float, distance_arcmin: float) -> None:
    ours = geocentric_place(POLARIS, at(utc))
    assert ours[0] == pytest.approx(right_ascension_h, abs=5e-6)
    assert (90.0 - ours[1]) * 60.0 == pytest.approx(distance_arcmin, abs=0.002)


@pytest.mark.filterwarnings("ignore:ERFA function .epv00")  # it is stated to 2100 only
def test_polaris_is_nearest_the_pole_in_2100() -> None:
    # J. Meeus, Mathematical Astronomy Morsels: 27'09" on 2100-03-24 [as quoted, from memory]
    days = [at("2100-03-24T00:00:00+00:00") + timedelta(days=number) for number in (-500, 0, 500)]
    distances_arcsec = [(90.0 - geocentric_place(POLARIS, day)[1]) * 3600.0 for day in days]
    assert distances_arcsec[1] == pytest.approx(27 * 60 + 9, abs=1.5)
    assert distances_arcsec[1] == min(distances_arcsec)


def test_hour_angle_and_place_on_the_horizon_are_the_reference_ones() -> None:
    # computed apart with ERFA and NOVAS at 155.4681 W, 19.8207 N for 2026-01-01T10:30Z
    place = site(19.8207, -155.4681)
    ours = pole.star_at_pole(place, at("2026-01-01T10:30:00+00:00"))
    assert ours.hour_angle_h == pytest.approx(3.7614, abs=4e-4)  # the reference one is geocentric: 0.3" of aberration
    assert ours.azimuth_deg == pytest.approx(360.0 - 0.5519, abs=5e-4)
    assert ours.altitude_deg == pytest.approx(20.1638, abs=5e-4)


def test_pointing_at_polaris_is_not_pointing_at_the_pole() -> None:
    """37.28 arcminutes of axis error on 2026-11-24, computed apart."""
    star = pole.star_at_pole(NORTH, at("2026-11-24T00:00:00+00:00"))
    assert star.distance_arcmin == pytest.approx(37.28, abs=0.01)


@pytest.mark.parametrize(
    ("hip", "ra_rad", "dec_rad"),
    # Hipparcos, the New Reduction (F. van Leeuwen 2007; CDS I/311, hip2.dat): ICRS at the epoch 1991.25
    [
        (11767, 0.6622851337, 1.5579531082),
        (104382, 5.5360399969, -1.5525840108),
        (32349, 1.7678185359, -0.2916993748),
        (71683, 3.8383352142, -1.0617735850),
        (69673, 3.7335754203, 0.3348810440),
        (24608, 1.3818132039, 0.8028345096),
        (91262, 4.8735545728, 0.6768909262),
    ],
)
def test_the_stars_are_those_of_the_catalogue(hip: int, ra_rad: float, dec_rad: float) -> None:
    """Carried back from J2000 by their proper motions; to 0.01 arcsec on the sky."""
    star = next(one for one in (POLARIS, SIGMA_OCTANTIS, *BRIGHT) if one.hip == hip)
    cos_dec = math.cos(dec_rad)
    back_ra_deg = star.ra_deg - 8.75 * star.pm_ra_mas / 3.6e6 / cos_dec
    back_dec_deg = star.dec_deg - 8.75 * star.pm_dec_mas / 3.6e6
    assert (back_ra_deg - math.degrees(ra_rad)) * cos_dec == pytest.approx(0.0, abs=3e-6)
    assert back_dec_deg == pytest.approx(math.degrees(dec_rad), abs=3e-6)


@pytest.mark.parametrize(
    ("name", "visual"),
    # V of the UBV system as almanacs print it, to 0.1 [from memory]
    [("Sirius", -1.46), ("Canopus", -0.72), ("Vega", 0.03), ("Rigel", 0.12), ("Altair", 0.77), ("Regulus", 1.35)],
)
def test_magnitudes_are_those_a_reader_knows(name: str, visual: float) -> None:
    star = next(one for one in BRIGHT if one.name == name)
    assert star.magnitude == pytest.approx(visual, abs=0.11)


@pytest.mark.parametrize("star", BRIGHT, ids=lambda star: star.name)
def test_bright_stars_stand_where_skyfield_has_them(star: Star) -> None:
    for place in (NORTH, SOUTH):
        for utc in sampled((2024, 2041), 3, star.hip):
            ours = track(place, star, [utc])
            altitude, azimuth, _ = skyfield_apparent(place, star, utc).altaz()
            assert float(ours.altitude_deg[0]) == pytest.approx(altitude.degrees, abs=1e-4)
            turned = (float(ours.azimuth_deg[0]) - azimuth.degrees + 180.0) % 360.0 - 180.0
            assert abs(turned) * math.cos(altitude.radians) < 1e-4


@pytest.mark.parametrize(("body", "tolerance_deg"), [("sun", 2e-5), ("moon", 6e-3)])
def test_sun_and_moon_stand_where_skyfield_has_them(body: Any, tolerance_deg: float) -> None:
    """The Moon's series is good to about 10 arcsec; the Sun's place to 0.1."""
    for place in (NORTH, SOUTH, site(0.0, 179.9), site(90.0, 0.0)):
        for utc in sampled((2024, 2041), 15, 9):
            ours = track(place, body, [utc])
            altitude, azimuth, distance = skyfield_apparent(place, body, utc).altaz()
            assert float(ours.altitude_deg[0]) == pytest.approx(altitude.degrees, abs=tolerance_deg)
            turned = (float(ours.azimuth_deg[0]) - azimuth.degrees + 180.0) % 360.0 - 180.0
            assert abs(turned) * math.cos(altitude.radians) < tolerance_deg
            assert float(ours.distance_au[0]) == pytest.approx(distance.au, rel=1e-4)


def test_the_lit_part_of_the_moon_is_skyfields() -> None:
    from skyfield import almanac

    for utc in sampled((2024, 2041), 15, 10):
        ours = illuminated_fraction(track(NORTH, "sun", [utc]), track(NORTH, "moon", [utc]))
        theirs = almanac.fraction_illuminated(ephemeris(), "moon", skyfield_time(utc))
        assert float(ours[0]) == pytest.approx(float(theirs), abs=0.02)  # theirs is seen from the Earth's centre


@pytest.mark.parametrize("place", [NORTH, SOUTH, site(70.0, 25.0), site(0.01, 179.9)])
def test_culminations_and_elongations_are_extremes(place: Site) -> None:
    """By skyfield's places ten minutes before and after."""
    utc = at("2027-02-03T04:05:06+00:00")
    found = pole.turns(place, utc)
    assert [turn.name for turn in found].count("upper culmination") == 1
    assert len(found) == 4
    assert list(found) == sorted(found, key=lambda turn: turn.utc)
    star = pole.pole_star(place.latitude_deg)
    for turn in found:
        assert utc < turn.utc <= utc + timedelta(hours=24)
        seen = [
            skyfield_apparent(place, star, turn.utc + timedelta(minutes=minutes)).altaz() for minutes in (-10, 0, 10)
        ]
        altitudes = [one[0].degrees for one in seen]
        azimuths_deg = [(one[1].degrees + 90.0) % 360.0 for one in seen]
        if turn.name == "upper culmination":
            assert altitudes[1] == max(altitudes)
        elif turn.name == "lower culmination":
            assert altitudes[1] == min(altitudes)
        else:
            west_is_more = place.latitude_deg < 0  # facing south, west is at the greater azimuth
            greatest = (turn.name == "western elongation") == west_is_more
            assert azimuths_deg[1] == (max(azimuths_deg) if greatest else min(azimuths_deg))


def test_where_the_pole_is_overhead_there_is_neither_clock_face_nor_culmination() -> None:
    for latitude_deg in (90.0, -90.0):
        star = pole.star_at_pole(site(latitude_deg, 0.0), at("2026-06-01T00:00:00+00:00"))
        assert star.clock_erect is None
        assert 30.0 < star.distance_arcmin < 75.0
        assert pole.turns(site(latitude_deg, 0.0), star.utc) == ()


def test_the_altitude_of_the_pole_is_the_latitude_and_the_air_lifts_it() -> None:
    height = pole.pole_altitude(SOUTH)
    assert (height.pole, height.airless_deg) == ("south", 31.8571)
    # Bennett at 32 deg: 1.6'
    assert height.refraction_arcmin == pytest.approx(1.6, abs=0.05)
    assert height.seen_deg == pytest.approx(31.8571 + height.refraction_arcmin / 60.0)
    assert pole.pole_altitude(site(0.0, 0.0)).pole == "north"


@pytest.mark.parametrize(
    ("hour_angle_h", "side", "erect", "inverted"),
    # facing north, west is left: 6 h after the upper culmination the star is at 9 o'clock; facing south, at 3
    [(0, "north", 0, 6), (6, "north", 9, 3), (12, "north", 6, 0), (18, "north", 3, 9), (6, "south", 3, 9)],
)
def test_the_sky_turns_the_right_way_round(hour_angle_h: float, side: Any, erect: float, inverted: float) -> None:
    assert pole.clock_face(hour_angle_h, side, inverted=False) == pytest.approx(erect)
    assert pole.clock_face(hour_angle_h, side, inverted=True) == pytest.approx(inverted)


@pytest.mark.parametrize(
    ("hours", "row", "column"), [(0.0, 0, "middle"), (3.0, 4, "right"), (6.0, 8, "middle"), (9.0, 4, "left")]
)
def test_the_star_is_drawn_at_its_hour(hours: float, row: int, column: str) -> None:
    drawn = pole_drawing.dial(hours)
    star_row = next(number for number, line in enumerate(drawn) if "*" in line)
    at_column = drawn[star_row].index("*")
    assert star_row == row
    assert at_column == {"left": 1, "middle": 10, "right": 19}[column]
    assert sum(line.count("*") for line in drawn) == 1
    assert max(len(line) for line in drawn) <= pole_drawing.COLUMNS


@pytest.mark.parametrize(
    ("hours", "text"), [(0.0, "12:00"), (11.999, "12:00"), (0.5, "12:30"), (1.53, "1:32"), (6.0, "6:00")]
)
def test_hours_on_a_clock_face_are_rounded_once(hours: float, text: str) -> None:
    assert pole_drawing.clock_text(hours) == text


@pytest.mark.parametrize("place", [NORTH, SOUTH, site(-70.0, 25.0), site(0.0, 179.9)])
@pytest.mark.parametrize("utc", ["2026-01-10T09:00:00+00:00", "2035-06-21T16:20:00+00:00"])
def test_the_azimuths_to_check_by_are_skyfields(place: Site, utc: str) -> None:
    zone, instant = zones.load_zone("Etc/UTC"), at(utc)
    checks = (
        ("sun", azimuths.sun_check(place, zone, instant)),
        (None, azimuths.star_check(place, zone, instant, night.night(place, instant))),
    )
    for fixed, check in checks:
        body: Body = "sun" if fixed else next((one for one in BRIGHT if one.name == check.body), POLARIS)
        for one in check.sightings:
            altitude, azimuth, _ = skyfield_apparent(place, body, one.utc).altaz()
            assert one.azimuth_deg == pytest.approx(azimuth.degrees, abs=1e-3)
            assert one.altitude_deg == pytest.approx(altitude.degrees, abs=1e-3)
            assert one.utc.minute == 0
            assert one.utc > instant
        assert bool(check.sightings) != bool(check.why)


def test_full_hours_are_those_of_the_local_clock() -> None:
    half_hour = zones.load_zone("Australia/Broken_Hill")  # 10 h 30 min in January
    hours = azimuths.full_hours(half_hour, at("2026-01-10T09:05:00+00:00"), at("2026-01-10T11:30:00+00:00"))
    assert [f"{hour:%H:%M}" for hour in hours] == ["09:30", "10:30", "11:30"]
