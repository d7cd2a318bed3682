"""What sightings betray: every mistake, with an axis a little off; what they can't tell; and how sure they are.

The telescopes of support/looks.py are made apart from the driver: ERFA's turns, plain matrices, another precession,
another refraction formula, calendar and zone by zoneinfo.
"""

from __future__ import annotations

import datetime as dt
import math
import random
from dataclasses import replace

import erfa
import numpy as np
import pytest
from support.looks import WRONG, Mount, look, right_of, small_axis
from support.mistakes import Hand

from noonmark.driver.reasons.sighting import Sighting, SightingError, scene
from noonmark.driver.reasons.sighting_explanation import SightingExplanation, explain_sightings
from noonmark.driver.reasons.sighting_fit import least_squares
from noonmark.driver.site import Site

# longitude and latitude can be swapped here; on 5 February day and month can
PLACE = (38.25, 68.75, "Asia/Dushanbe")
NIGHT = dt.datetime(2026, 2, 5, 17, 0, tzinfo=dt.UTC)
RIDGE = (-31.8571, 141.6034, "Australia/Broken_Hill")
SUMMER = dt.datetime(2026, 11, 24, 12, 34, 56, tzinfo=dt.UTC)


def site_of(place: tuple[float, float, str]) -> Site:
    return Site(latitude_deg=place[0], longitude_deg=place[1], timezone=place[2])


def looks(
    mount: Mount, right: Hand, place: tuple[float, float, str], utc: dt.datetime, count: int, noise_deg: float,
    seed: str,
) -> list[Sighting]:  # fmt: skip
    """So many looks at random places of the sky that stand high enough."""
    chance, found = random.Random(seed), list[Sighting]()
    for _ in range(2000):
        one = look(mount, right, chance.uniform(0, 360), chance.uniform(-75, 75), utc, noise_deg, chance)
        if one is not None:
            found.append(one)
        if len(found) == count:
            return found
    raise AssertionError("nothing stood high enough")


def answer(slug: str, seed: int, count: int = 1, noise_deg: float = 0.05) -> SightingExplanation | None:
    place, utc = (RIDGE, SUMMER) if slug == "daylight-saving-missing" else (PLACE, NIGHT)
    right, chance = right_of(place, utc), random.Random(f"{slug}/{seed}")
    mount = WRONG[slug](right, chance)
    if mount is None or (mount.hand.offset_h != right.offset_h and mount.hand.local != right.local):
        return None  # can't be made there, or leaves the sky as it was
    found = looks(small_axis(mount, chance, 0.02), right, place, utc, count, noise_deg, f"{slug}/{seed}")
    return explain_sightings(found, site_of(place), noise_arcmin=noise_deg * 60)


# mistakes that move the tube less than half a degree hide in what any axis may be off
SMALL = {"minutes-read-as-decimals", "decimals-read-as-minutes", "date-off-by-one", "equinox-mixed", "clock-off",
         "coordinate-mistyped"}  # fmt: skip


@pytest.mark.parametrize("slug", sorted(set(WRONG) - SMALL))
def test_one_sighting_names_the_mistake_or_one_that_sends_the_tube_to_the_same_place(slug: str) -> None:
    found = [one for one in (answer(slug, seed) for seed in range(6)) if one is not None]
    assert found
    hits = [one for one in found if slug in (one.explanation[0].cause, *one.explanation[0].indistinguishable)]
    assert len(hits) >= len(found) - 1, [(one.explanation[0].cause, one.sentence) for one in found]


@pytest.mark.parametrize("slug", ["date-off-by-one", "equinox-mixed", "minutes-read-as-decimals"])
def test_a_small_mistake_is_among_the_answers_of_three_sightings(slug: str) -> None:
    """With 3 arcmin a look and an axis of 0.02 deg."""
    found = [one for one in (answer(slug, seed, count=3) for seed in range(4)) if one is not None]
    for one in found:
        causes = {cause.cause for cause in one.explanation}
        others = {other for cause in one.explanation for other in cause.indistinguishable}
        assert slug in causes | others or one.right_confidence > 0.3, one


def test_a_mount_that_points_where_it_should_is_given_no_cause_first() -> None:
    right = right_of(PLACE, NIGHT)
    for seed in range(6):
        mount = small_axis(Mount(right), random.Random(f"right/{seed}"))
        for count in (1, 3):
            found = looks(mount, right, PLACE, NIGHT, count, 0.5, f"right/{seed}")
            said = explain_sightings(found, site_of(PLACE), noise_arcmin=30)
            assert said.right_confidence > 0.5
            assert said.sentence.startswith("The mount points where it should")


# --- numbers ----------------------------------------------------------------------------------------


def exact(ra_h: float, dec_deg: float, turned_h: float = 0.0) -> Sighting:
    """Found `turned_h` further west than aimed, both of date, high in the sky."""
    return Sighting(ra_h, dec_deg, (ra_h - turned_h) % 24, dec_deg, SUMMER, "date", "date")


def overhead_ra_h(place: tuple[float, float, str], utc: dt.datetime) -> float:
    """Right ascension on the meridian: sidereal time by ERFA's 1994 expression."""
    days = (utc - dt.datetime(2000, 1, 1, 12, tzinfo=dt.UTC)) / dt.timedelta(days=1)
    return (float(erfa.gst94(2451545.0, days)) * 12 / math.pi + place[1] / 15) % 24


def test_found_minus_aimed_is_true_minus_the_mounts_sidereal_time_and_declination_is_untouched() -> None:
    """A mount whose UTC is an hour behind: its sidereal time is 15.041 deg small, it turns to a smaller hour angle
    than it should, which is east, and finds what has 15.041 deg more right ascension."""
    right = right_of(RIDGE, SUMMER)
    behind = Mount(replace(right, local=right.local - dt.timedelta(hours=1)))
    one = looks(behind, right, RIDGE, SUMMER, 1, 0.0, "hour")[0]
    said = explain_sightings([one], site_of(RIDGE), noise_arcmin=3)
    assert said.seen[0].found_minus_aimed_ra_deg == pytest.approx(15.041, abs=0.15)  # refraction moves it a little
    assert said.seen[0].found_minus_aimed_dec_deg == pytest.approx(0.0, abs=0.1)
    assert said.explanation[0].hour_angle_error_deg == pytest.approx(-15.041, abs=0.01)
    assert said.explanation[0].flip_error_min == pytest.approx(60.0, abs=0.1)


def test_two_equinoxes_are_not_taken_for_an_error_where_they_are_told() -> None:
    """A star found just where it was aimed, once told for J2000 and once for date: a third of a degree apart."""
    ra_h = overhead_ra_h(PLACE, NIGHT)
    days = (NIGHT - dt.datetime(2000, 1, 1, 12, tzinfo=dt.UTC)) / dt.timedelta(days=1)
    vector = erfa.pnm06a(2451545.0, days) @ erfa.s2c(math.radians(ra_h * 15), math.radians(20.0))
    of_date = [math.degrees(float(value)) for value in erfa.c2s(vector)]
    told = Sighting(ra_h, 20.0, of_date[0] % 360 / 15, of_date[1], NIGHT, "J2000", "date")
    assert abs(scene(site_of(PLACE), [told]).turned_deg[0]) < 1e-6
    mixed = replace(told, found_equinox="J2000")
    apart = scene(site_of(PLACE), [mixed])
    assert 0.25 < abs(float(apart.turned_deg[0])) < 0.42  # 26.1 years of up to 50.3 arcsec


def test_refraction_is_applied_and_said() -> None:
    """At 13 degrees the air lifts by 4.1 arcmin (Bennett 1982): a mount that finds its star exactly points low."""
    low = Sighting((overhead_ra_h(RIDGE, SUMMER) + 5.0) % 24, 0.0, 0.0, 0.0, SUMMER, "date", "date")
    low = replace(low, found_ra_h=low.aimed_ra_h)
    said = explain_sightings([low], site_of(RIDGE), noise_arcmin=3)
    altitude = math.degrees(math.asin(math.cos(math.radians(RIDGE[0])) * math.cos(math.radians(75.0))))
    lifted = 1 / math.tan(math.radians(altitude + 7.31 / (altitude + 4.4))) / 60
    assert said.seen[0].separation_deg == pytest.approx(lifted, rel=0.06)  # the site is 0 m high here, 1013 hPa
    assert "refraction is applied" in said.advice[-1]


def test_an_error_of_hour_angle_and_an_axis_are_solved_for_from_three_sightings() -> None:
    """Without noise, to what the two formulas of refraction and of precession leave."""
    right = right_of(RIDGE, SUMMER)
    late = replace(right, local=right.local + dt.timedelta(seconds=600))  # 10 min ahead: +2.5068 deg
    mount = Mount(late, east_deg=1.2, raised_deg=-0.7)
    said = explain_sightings(looks(mount, right, RIDGE, SUMMER, 5, 0.0, "solve"), site_of(RIDGE), noise_arcmin=1)
    found = said.solution
    assert found is not None
    assert found.hour_angle_deg == pytest.approx(600 * 15.041 / 3600, abs=0.03)
    assert found.axis_east_deg == pytest.approx(1.2, abs=0.03)
    assert found.axis_raised_deg == pytest.approx(-0.7, abs=0.03)
    assert found.rms_deg < 0.02


def test_the_standard_errors_are_honest() -> None:
    """Over 80 sets the error divided by its standard error has a spread of 1 (chi-square of 240: 0.87 to 1.13 holds
    in 99.6%; they are not independent within a set, so 0.8 to 1.2)."""
    right, sums, count = right_of(RIDGE, SUMMER), np.zeros(3), 0
    for seed in range(80):
        chance = random.Random(f"errors/{seed}")
        true = (chance.uniform(-3, 3), chance.uniform(-1, 1), chance.uniform(-1, 1))
        late = replace(right, local=right.local + dt.timedelta(seconds=true[0] * 3600 / 15.04107))
        found = looks(Mount(late, true[1], true[2]), right, RIDGE, SUMMER, 4, 0.2, f"errors/{seed}")
        solved = least_squares(scene(site_of(RIDGE), found), 0.2)
        values = (solved.hour_angle_deg, solved.axis_east_deg, solved.axis_raised_deg)
        assert None not in solved.errors_deg
        sums += [((v - t) / (e or 1.0)) ** 2 for v, t, e in zip(values, true, solved.errors_deg, strict=True)]
        count += 1
    assert np.all(np.sqrt(sums / count) < 1.2), np.sqrt(sums / count)
    assert np.all(np.sqrt(sums / count) > 0.6), np.sqrt(sums / count)  # errors are never made smaller than the noise


def test_sightings_that_lie_together_determine_nothing_and_say_so() -> None:
    right = right_of(RIDGE, SUMMER)
    one = looks(Mount(right), right, RIDGE, SUMMER, 1, 0.0, "together")[0]
    said = explain_sightings([one, one, one], site_of(RIDGE), noise_arcmin=30)
    assert said.solution is not None
    assert said.solution.hour_angle_error_deg is None or said.solution.hour_angle_error_deg > 0.5


def test_of_three_sightings_one_that_does_not_belong_is_named() -> None:
    right = right_of(PLACE, NIGHT)
    found = looks(Mount(right), right, PLACE, NIGHT, 4, 0.1, "odd")
    found[2] = replace(found[2], found_dec_deg=found[2].found_dec_deg - 9.0)
    said = explain_sightings(found, site_of(PLACE), noise_arcmin=10)
    assert said.explanation[0].cause == "not-a-setting"
    assert "sighting 3 does not belong" in said.sentence


# --- what can't be told -----------------------------------------------------------------------------


def test_on_the_meridian_one_sighting_asks_for_another_4_to_6_hours_off() -> None:
    ra_h = overhead_ra_h(RIDGE, SUMMER)
    said = explain_sightings([exact(ra_h, -5.0, turned_h=4.0 / 15)], site_of(RIDGE), noise_arcmin=6)
    asked = [one for one in said.advice if "4 to 6 hours" in one]
    assert asked
    assert "on the meridian" in asked[0]
    assert {"polar-axis-off", "clock-off"} <= {one.cause for one in said.explanation}


def test_off_the_meridian_a_shift_in_declination_is_the_axis() -> None:
    right = right_of(RIDGE, SUMMER)
    said = explain_sightings(
        looks(Mount(right, east_deg=3.0, raised_deg=2.0), right, RIDGE, SUMMER, 2, 0.05, "axis"), site_of(RIDGE),
        noise_arcmin=3,
    )  # fmt: skip
    first = said.explanation[0]
    assert first.cause == "polar-axis-off"
    assert (first.hour_angle_error_deg, first.sky_error_deg) == (None, None)  # it differs over the sky
    # in the south it is the south end that is aligned: what moves the north end east and up moves it west and down
    assert "upper (south) end points" in first.sentence
    assert "too far west" in first.sentence
    assert "too low" in first.sentence
    assert "anticlockwise" in first.remedy
    assert "raise the axis's upper end" in first.remedy


def test_all_errors_of_hour_angle_are_one_and_the_same_to_a_sighting_and_it_says_so() -> None:
    said = explain_sightings([exact(overhead_ra_h(RIDGE, SUMMER) + 1, 10.0, 7.77 / 15)], site_of(RIDGE))
    assert any("one and the same" in one for one in said.advice)
    free = [one for one in said.explanation if one.cause == "clock-off"]
    assert free
    assert "coordinate-mistyped" in free[0].indistinguishable


@pytest.mark.parametrize("off_deg", [1.6, 15.041])
def test_on_the_meridian_another_sighting_is_asked_for_whatever_the_size(off_deg: float) -> None:
    """At declination 0 on the meridian an axis A off in azimuth is A sin(lat) of hour angle and nothing else (spherical
    geometry). Even where the odds put first that nothing is wrong, or an hour, one sighting there can't know."""
    one = exact(overhead_ra_h(RIDGE, SUMMER), 0.0, -off_deg / 15.0)
    said = explain_sightings([one], site_of(RIDGE))
    assert any("on the meridian" in note and "4 to 6 hours" in note for note in said.advice), said


def test_what_is_hardly_likelier_than_a_mistake_is_not_told_as_sure() -> None:
    """1.6 deg off with half a degree a look: neither right nor wrong beyond doubt, and the sentence says so."""
    said = explain_sightings([exact(overhead_ra_h(RIDGE, SUMMER), 0.0, -1.6 / 15.0)], site_of(RIDGE))
    assert said.right_confidence < 0.5
    assert not said.sentence.startswith("The mount points where it should"), said


def test_a_good_sighting_after_a_sync_clears_nothing() -> None:
    """An hour of error, and a sync that took it up: the sighting is good, and the text does not say that all is."""
    good = exact(overhead_ra_h(RIDGE, SUMMER), -20.0)
    said = explain_sightings([good], site_of(RIDGE), synced=True, noise_arcmin=6)
    assert "clears neither clock nor place" in said.sentence
    assert any("clears nothing" in one and "meridian flip" in one for one in said.advice)
    assert not {one.cause for one in said.explanation} & {"offset-hours-wrong", "clock-off", "daylight-saving-missing"}
    unsynced = explain_sightings([good], site_of(RIDGE), noise_arcmin=6)
    assert not any("clears nothing" in one for one in unsynced.advice)


def test_what_was_below_the_horizon_was_not_seen() -> None:
    down = exact(overhead_ra_h(RIDGE, SUMMER) + 12, 30.0)
    with pytest.raises(SightingError, match="below the horizon"):
        explain_sightings([down], site_of(RIDGE))
    with pytest.raises(SightingError, match="no sighting"):
        explain_sightings([], site_of(RIDGE))


def test_a_horizon_mount_with_a_latitude_of_the_wrong_sign_is_found() -> None:
    """It turns to the azimuth and altitude that the target has over the opposite latitude (ERFA hd2ae)."""
    ra_h, lat = overhead_ra_h(RIDGE, SUMMER) + 2.0, math.radians(RIDGE[0])
    h, d = math.radians(-30.0), math.radians(-5.0)
    azimuth, altitude = erfa.hd2ae(h, d, -lat)
    h_found, d_found = (math.degrees(float(one)) for one in erfa.ae2hd(azimuth, altitude, lat))
    one = Sighting(ra_h % 24, -5.0, (overhead_ra_h(RIDGE, SUMMER) - h_found / 15) % 24, d_found, SUMMER, "date", "date")
    said = explain_sightings([one], site_of(RIDGE), axis="horizon", noise_arcmin=6)
    assert said.explanation[0].cause == "latitude-sign-reversed"


def test_three_sightings_are_surer_than_one() -> None:
    right = right_of(PLACE, NIGHT)
    mount = Mount(replace(right, local=right.local - dt.timedelta(hours=5)))
    found = looks(mount, right, PLACE, NIGHT, 3, 0.3, "surer")
    one, three = (explain_sightings(found[:count], site_of(PLACE), noise_arcmin=18) for count in (1, 3))
    wanted = {"utc-entered-as-local", "offset-hours-wrong"}
    assert one.explanation[0].cause in wanted
    assert three.explanation[0].cause in wanted
    assert three.right_confidence < 1e-3


def test_by_one_sighting_nobody_is_told_to_turn_the_axis() -> None:
    right = right_of(RIDGE, SUMMER)
    found = looks(Mount(right, east_deg=3.0, raised_deg=2.0), right, RIDGE, SUMMER, 1, 0.05, "axis")
    first = explain_sightings(found, site_of(RIDGE), noise_arcmin=3).explanation[0]
    assert first.cause == "polar-axis-off"
    assert "roughly" in first.sentence
    assert "before the axis is touched" in first.remedy
    assert "turn the base" not in first.remedy
