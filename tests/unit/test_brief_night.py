"""The night's times against skyfield, at all latitudes, and what else happens in a night."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import pytest
import skyfield_data
from skyfield import almanac
from skyfield.api import Loader, wgs84

from noonmark.driver.sheet.azimuths import star_check
from noonmark.driver.sheet.night import RISE_SET_DEG, Night, night, solar_noon_before
from noonmark.driver.site import Site
from noonmark.driver.zones import load_zone

DATES = ("2026-01-15", "2026-06-21", "2026-11-24", "2034-09-01")
TEMPERATE = [(-31.8571, 141.6034), (0.0, 179.9), (-45.0, -70.0), (59.9, 10.0)]
POLAR = [(65.0, 25.0), (70.0, 25.0), (-70.0, -60.0), (-78.0, 166.0), (82.0, -60.0)]

LIMITS_DEG: dict[str, float] = {"sunset": RISE_SET_DEG, "sunrise": RISE_SET_DEG}
for _name, _limit in (("civil", -6.0), ("nautical", -12.0), ("astronomical", -18.0)):
    LIMITS_DEG |= {f"{_name} dusk": _limit, f"{_name} dawn": _limit}


def at(text: str) -> datetime:
    return datetime.fromisoformat(text)


def site(latitude_deg: float, longitude_deg: float) -> Site:
    return Site(latitude_deg=latitude_deg, longitude_deg=longitude_deg, timezone="Etc/UTC")


@cache
def sky() -> tuple[Any, Any]:
    """(timescale, ephemeris) as the package skyfield-data brings them."""
    loader = Loader(str(Path(skyfield_data.__file__).parent / "data"))
    return loader.timescale(builtin=True), loader("de421.bsp")


def observer(place: Site) -> Any:
    return sky()[1]["earth"] + wgs84.latlon(place.latitude_deg, place.longitude_deg)


def skyfield_events(place: Site, found: Night) -> dict[str, list[datetime]]:
    """Rise, set and twilights by skyfield's own search, within the night."""
    timescale, ephemeris = sky()
    begin, end = timescale.from_datetime(found.start), timescale.from_datetime(found.end)
    events: dict[str, list[datetime]] = {}

    def search(name: str, finder: Any, body: str, horizon_deg: float | None) -> None:
        times, real = finder(observer(place), ephemeris[body], begin, end, horizon_deg)
        events[name] = [when for when, crosses in zip(times.utc_datetime(), real, strict=True) if crosses]

    for name, limit in LIMITS_DEG.items():
        finder = almanac.find_settings if name.endswith(("set", "dusk")) else almanac.find_risings
        search(name, finder, "sun", limit)
    search("moonrise", almanac.find_risings, "moon", None)
    search("moonset", almanac.find_settings, "moon", None)
    return events


@pytest.mark.parametrize(("latitude_deg", "longitude_deg"), TEMPERATE)
@pytest.mark.parametrize("day", DATES)
def test_rise_set_and_twilights_are_skyfields_within_a_minute(
    latitude_deg: float, longitude_deg: float, day: str
) -> None:
    place = site(latitude_deg, longitude_deg)
    found = night(place, at(f"{day}T12:00:00+00:00"))
    expected = skyfield_events(place, found)
    for name, instants in expected.items():
        ours = [event.utc for event in found.events if event.name == name]
        # near a twilight that is barely reached the times run apart though the altitude does not
        grazing = name in LIMITS_DEG and abs(found.sun_lowest_deg - LIMITS_DEG[name]) < 0.3
        assert len(ours) == len(instants) or grazing, name
        for one, other in zip(ours, instants, strict=False):
            assert abs(one - other) < timedelta(minutes=1) or grazing, name
    assert {event.name for event in found.events} <= set(expected)


@pytest.mark.parametrize(("latitude_deg", "longitude_deg"), POLAR)
@pytest.mark.parametrize("day", DATES)
def test_beyond_60_degrees_every_time_is_right_to_an_arcminute_of_altitude(
    latitude_deg: float, longitude_deg: float, day: str
) -> None:
    place = site(latitude_deg, longitude_deg)
    found = night(place, at(f"{day}T12:00:00+00:00"))
    timescale, ephemeris = sky()
    for event in found.events:
        if event.name in LIMITS_DEG:
            seen = observer(place).at(timescale.from_datetime(event.utc)).observe(ephemeris["sun"]).apparent()
            assert seen.altaz()[0].degrees == pytest.approx(LIMITS_DEG[event.name], abs=1.0 / 60.0)
            assert seen.altaz()[1].degrees == pytest.approx(event.azimuth_deg, abs=0.05)


@pytest.mark.parametrize(("latitude_deg", "longitude_deg"), POLAR)
@pytest.mark.parametrize("day", DATES)
def test_what_is_said_of_a_polar_day_or_night_is_what_skyfield_sees(
    latitude_deg: float, longitude_deg: float, day: str
) -> None:
    place = site(latitude_deg, longitude_deg)
    found = night(place, at(f"{day}T12:00:00+00:00"))
    timescale, ephemeris = sky()
    grid = timescale.from_datetimes([found.start + timedelta(minutes=10 * number) for number in range(145)])
    altitudes = observer(place).at(grid).observe(ephemeris["sun"]).apparent().altaz()[0].degrees
    assert found.sun_lowest_deg == pytest.approx(min(altitudes), abs=0.02)
    if min(altitudes) > RISE_SET_DEG + 0.1:
        assert (found.sun, found.darkest, found.dark) == ("stays up", "daylight", ())
        assert found.sidereal_dusk_h is None
    elif max(altitudes) < RISE_SET_DEG - 0.1:
        assert found.sun == "stays down"
    elif min(altitudes) < RISE_SET_DEG - 0.1 and max(altitudes) > RISE_SET_DEG + 0.1:
        assert found.sun == "rises and sets"
    if min(altitudes) < -18.1:
        assert found.darkest == "dark"


def test_the_night_under_way_is_meant_until_sunrise_and_the_next_one_after() -> None:
    place = site(-31.8571, 141.6034)
    evening = night(place, at("2026-11-24T12:00:00+00:00"))
    before_dawn = night(place, at("2026-11-24T19:00:00+00:00"))
    morning = night(place, at("2026-11-24T20:00:00+00:00"))
    assert abs(before_dawn.start - evening.start) < timedelta(minutes=2)
    assert morning.start - evening.start > timedelta(hours=23)
    assert [event.name for event in evening.events if event.name.startswith("sun")] == ["sunset", "sunrise"]


@pytest.mark.parametrize("hour", range(24))
def test_the_night_contains_the_instant_or_is_to_come(hour: int) -> None:
    place, instant = site(52.0, 13.0), datetime(2026, 4, 1, hour, tzinfo=UTC)
    noon = solar_noon_before(place, instant)
    assert instant - timedelta(hours=24) < noon < instant + timedelta(hours=12)


def test_the_dark_without_the_moon_is_dark_and_without_the_moon() -> None:
    place = site(-31.8571, 141.6034)
    timescale, ephemeris = sky()
    for day in range(0, 30, 3):
        found = night(place, at("2026-11-10T12:00:00+00:00") + timedelta(days=day))
        for span in found.moonless:
            instants = [span.start + part * (span.end - span.start) for part in (0.01, 0.5, 0.99)]
            here = observer(place).at(timescale.from_datetimes(instants))
            assert max(here.observe(ephemeris["sun"]).apparent().altaz()[0].degrees) < -18.0 + 0.01
            assert max(here.observe(ephemeris["moon"]).apparent().altaz()[0].degrees) < -0.5


def test_sidereal_time_at_dusk_is_that_of_its_instant() -> None:
    place = site(-31.8571, 141.6034)
    found = night(place, at("2026-11-24T12:00:00+00:00"))
    dusk = next(event for event in found.events if event.name == "astronomical dusk")
    theirs = (float(sky()[0].from_datetime(dusk.utc).gast) + 141.6034 / 15.0) % 24.0
    assert found.sidereal_dusk_h == pytest.approx(theirs, abs=2e-4)  # its own UT1-UTC: 0.2 s


def test_full_and_new_moon_are_told_as_such() -> None:
    # Moon phases of 2026 by skyfield's almanac: full 24 November 14:54 UTC, new 9 November 07:02 UTC
    timescale, ephemeris = sky()
    times, phases = almanac.find_discrete(
        timescale.utc(2026, 11, 8), timescale.utc(2026, 11, 26), almanac.moon_phases(ephemeris)
    )
    by_phase = dict(zip(phases.tolist(), times.utc_datetime(), strict=True))
    place = site(52.0, 13.0)
    full, new = night(place, by_phase[2]), night(place, by_phase[0])
    assert full.moon_illuminated > 0.99
    assert new.moon_illuminated < 0.02
    assert night(place, by_phase[1]).moon_waxing
    assert night(place, by_phase[1]).moon_illuminated == pytest.approx(0.5, abs=0.06)
    assert not night(place, by_phase[2] + timedelta(days=3)).moon_waxing


def test_a_leap_second_tonight_is_told() -> None:
    # IERS Bulletin C 52: a leap second at the end of 2016-12-31
    assert night(site(51.5, 0.0), at("2016-12-31T20:00:00+00:00")).leap_second == date(2017, 1, 1)
    assert night(site(51.5, 0.0), at("2016-12-30T20:00:00+00:00")).leap_second is None
    assert night(site(51.5, 0.0), at("2026-11-24T20:00:00+00:00")).leap_seconds_known_until >= date(2027, 6, 28)


def test_a_polar_twilight_without_end_has_no_dusk() -> None:
    found = night(site(90.0, 0.0), at("2026-09-25T00:00:00+00:00"))
    assert (found.sun, found.darkest) == ("stays down", "civil twilight")
    assert found.sidereal_dusk_h is None
    assert [span.hours for span in found.dark] == [24.0]


@pytest.mark.parametrize(
    ("latitude_deg", "instant"),
    [(70.0, "2026-12-21T09:30:00+00:00"), (-90.0, "2026-06-21T12:00:00+00:00"), (78.0, "2026-12-21T09:00:00+00:00")],
)
def test_where_no_sunrise_ends_it_a_night_that_is_over_is_not_tonights(latitude_deg: float, instant: str) -> None:
    """In the polar night of a late morning the night before was shown: its dusk yesterday, no hour left of it."""
    place = site(latitude_deg, 0.0)
    found = night(place, at(instant))
    assert found.sun == "stays down"
    assert found.dark[-1].end > at(instant) + timedelta(hours=1)
    assert found.start < at(instant) + timedelta(hours=4)
    assert star_check(place, load_zone("Etc/UTC"), at(instant), found).sightings
