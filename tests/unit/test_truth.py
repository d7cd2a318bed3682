"""What is held true, and on whose word: intervals that agree, origins that count, and reasons for what does not.

Expectations are worked out by hand from the interval intersection of network timekeeping (RFC 5905, 11.2.1), and from
its known examples (Marzullo's, from memory).
"""

from __future__ import annotations

import math

import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given
from hypothesis import strategies as st

from noonmark.driver.places import PlaceClaim, distance_m
from noonmark.driver.reasons.causes import CAUSES
from noonmark.driver.site import Site
from noonmark.driver.truth import Silence, TimeClaim, Truth, establish, largest_agreement, likely_cause

# An invented place (demo: Saltbush Ridge).
SITE = Site(
    name="Saltbush Ridge", latitude_deg=-31.8571, longitude_deg=141.6034, elevation_m=212.0,
    timezone="Australia/Broken_Hill",
)  # fmt: skip
HERE = PlaceClaim("nmea:1", "gnss", -31.8571, 141.6034, 212.0, 25.0)
DAY_S = 86400.0


def claim(origin: str, low: float, high: float, source: str = "") -> TimeClaim:
    return TimeClaim(source or origin, origin, low, high)


def loose(middle: float, origin: str = "host") -> TimeClaim:
    """A clock that nobody keeps."""
    return TimeClaim("host", origin, middle, middle, bounded=False)


def judged(
    *claims: TimeClaim,
    places: list[PlaceClaim] | None = None,
    silences: list[Silence] | None = None,
    site: Site = SITE,
    required: int = 2,
    places_required: int = 1,
) -> Truth:
    return establish(
        list(claims), places or [], silences or [], site,
        time_origins_required=required, place_origins_required=places_required, site_tolerance_m=500.0,
    )  # fmt: skip


def cause_of(truth: Truth, source: str) -> str | None:
    return next(one.cause for one in truth.verdicts if one.source == source)


def agrees(truth: Truth, source: str) -> bool | None:
    return next(one.agrees for one in truth.verdicts if one.source == source)


# --- intersection -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("intervals", "expected"),
    [
        ([(8, 12), (11, 13), (10, 12)], (11, 12)),  # all three meet
        ([(8, 12), (11, 13), (14, 15)], (11, 12)),  # one is out
        ([(0, 10), (2, 4), (3, 20), (9, 30), (3, 3.5)], (3, 3.5)),  # four of five meet; 9 to 30 is out
        ([(0, 10)], (0, 10)),
        ([(0, 5), (5, 10)], (5, 5)),  # a common point is enough
        ([(0, 1), (0.5, 2), (0.25, 0.75), (10, 11)], (0.5, 0.75)),
    ],
)
def test_the_truth_is_where_most_intervals_meet(
    intervals: list[tuple[float, float]], expected: tuple[float, float]
) -> None:
    claims = [claim(f"origin-{number}", low, high) for number, (low, high) in enumerate(intervals)]
    truth = judged(*claims, required=1)
    assert truth.time_established
    assert (truth.low, truth.high) == expected


@pytest.mark.parametrize(
    "intervals",
    [
        [(0, 1), (2, 3)],  # two that disagree
        [(8, 9), (8, 12), (10, 12)],  # two pairs of equal size
        [(0, 1), (0, 1), (5, 6), (5, 6)],  # two against two
        [(0, 1), (2, 3), (4, 5)],
        [(0, 1), (0.5, 2), (5, 6), (7, 8)],  # half is outside: fewer than half may be
    ],
)
@pytest.mark.parametrize("required", [1, 2])
def test_sources_that_disagree_are_never_settled_by_picking_one(
    intervals: list[tuple[float, float]], required: int
) -> None:
    claims = [claim(f"origin-{number}", low, high) for number, (low, high) in enumerate(intervals)]
    truth = judged(*claims, required=required)
    assert not truth.established
    assert not truth.time_established
    assert truth.code == "sources-disagree"
    assert math.isnan(truth.low)
    assert all(one.agrees is False for one in truth.verdicts if one.kind == "time")


@given(st.lists(st.tuples(st.integers(0, 40), st.integers(0, 10)), min_size=1, max_size=6))
def test_the_largest_set_is_the_largest(intervals: list[tuple[int, int]]) -> None:
    """By brute force: how many intervals hold each half-integer point."""
    claims = [claim(f"o{number}", low, low + width) for number, (low, width) in enumerate(intervals)]
    most = max(sum(one.low <= point / 2 <= one.high for one in claims) for point in range(0, 120))
    sets = largest_agreement(claims)
    assert all(len(members) == most for members in sets)
    for members in sets:
        assert max(one.low for one in members) <= min(one.high for one in members)


@given(
    st.floats(-1.0, 1.0),
    st.lists(st.tuples(st.floats(0.0, 2.0), st.floats(0.0, 2.0)), min_size=2, max_size=5),
    st.floats(3.0, 1e9),
)
def test_one_liar_among_honest_ones_never_moves_the_truth(
    true: float, honest: list[tuple[float, float]], gap: float
) -> None:
    """Honest intervals all hold the true value; the liar is beyond them. Two honest ones at least outvote it."""
    claims = [claim(f"honest-{number}", true - below, true + above) for number, (below, above) in enumerate(honest)]
    truth = judged(*claims, claim("liar", true + gap, true + gap))
    assert truth.time_established
    assert truth.low <= true <= truth.high
    assert agrees(truth, "liar") is False


# --- origins ----------------------------------------------------------------------------------------


def test_three_with_one_out_stand_on_the_other_two() -> None:
    good, odd = claim("gnss", -0.3, 0.6, "nmea:1"), claim("gnss", 17.5, 18.4, "nmea:2")
    truth = judged(claim("network", -0.02, 0.02), good, odd)
    assert truth.time_established
    assert (truth.low, truth.high) == (-0.02, 0.02)
    assert agrees(truth, "nmea:2") is False
    assert cause_of(truth, "nmea:2") == "leap-seconds-missing"


def test_an_origin_that_speaks_twice_counts_once() -> None:
    """Two receivers share the rollover and the leap seconds: alone they are one origin, and don't reach two."""
    truth = judged(claim("gnss", -0.3, 0.6, "nmea:1"), claim("gnss", -0.2, 0.7, "nmea:2"))
    assert not truth.time_established
    assert truth.code == "too-few-origins-agree"
    assert "1 origin (gnss)" in truth.why


def test_two_voices_of_one_origin_never_outvote_another_origin() -> None:
    for required in (1, 2):
        truth = judged(
            claim("gnss", 17.7, 18.6, "nmea:1"), claim("gnss", 17.8, 18.7, "nmea:2"), claim("network", -0.02, 0.02),
            required=required,
        )  # fmt: skip
        assert not truth.time_established
        assert truth.code == "sources-disagree"


def test_two_receivers_that_disagree_are_not_settled_by_a_third_that_is_tied() -> None:
    truth = judged(
        claim("gnss", -0.3, 0.6, "a"), claim("gnss", -0.3, 0.6, "b"), claim("gnss", 17.0, 17.9, "c"), required=1
    )
    assert truth.time_established  # three voices, one of them odd: fewer than half is outside
    truth = judged(claim("gnss", -0.3, 0.6, "a"), claim("gnss", 17.0, 17.9, "c"), required=1)
    assert not truth.time_established


@pytest.mark.parametrize("off_s", [-59.9, -1.0, 0.0, 30.0, 59.9])
def test_a_clock_that_nobody_keeps_counts_for_date_and_hour_within_a_minute(off_s: float) -> None:
    truth = judged(claim("gnss", -0.45, 0.45, "nmea:1"), loose(off_s))
    assert truth.time_established
    assert (truth.low, truth.high) == (-0.45, 0.45)  # it says nothing of the second
    assert agrees(truth, "host") is True


@pytest.mark.parametrize(
    ("off_s", "cause"),
    [
        (61.0, "clock-off"),
        (-61.0, "clock-off"),
        (37800.0, "host-clock-in-local-time"),  # +10.5 h
        (-3600.0, "host-clock-in-local-time"),
        (3600.0, "host-clock-in-local-time"),
        (-26.9 * 365.25 * DAY_S, "host-clock-never-set"),  # 2000 for 2026
        (-7168 * DAY_S, "host-clock-never-set"),  # a host does not roll over
    ],
)
def test_a_clock_that_nobody_keeps_abstains_further_off_and_is_named(off_s: float, cause: str) -> None:
    truth = judged(claim("gnss", -0.45, 0.45, "nmea:1"), loose(off_s))
    assert not truth.time_established
    assert truth.code == "too-few-origins-agree"
    assert agrees(truth, "host") is None
    assert cause_of(truth, "host") == cause
    assert "host" in truth.why


@pytest.mark.parametrize("required", [1, 2])
@pytest.mark.parametrize("off_s", [-19.4, -18.0, -16.6])
def test_a_clock_that_nobody_keeps_and_that_is_behind_by_the_leap_seconds_is_no_voice_for_a_receiver(
    off_s: float, required: int
) -> None:
    """GPS - UTC is 18 s since 2017 (IERS Bulletin C 52): either clock may be the wrong one, so neither is picked."""
    truth = judged(claim("gnss", -0.45, 0.45, "nmea:1"), loose(off_s), required=required)
    assert not truth.time_established
    assert truth.code == "leap-seconds-missing"
    assert agrees(truth, "host") is None
    assert cause_of(truth, "host") == "leap-seconds-missing"
    assert "13 minutes" in truth.why


@pytest.mark.parametrize("off_s", [-21.0, -15.0, 18.0])
def test_a_clock_that_nobody_keeps_may_be_off_by_anything_else_within_a_minute(off_s: float) -> None:
    assert judged(claim("gnss", -0.45, 0.45, "nmea:1"), loose(off_s)).time_established


def test_a_synchronised_clock_behind_by_the_leap_seconds_is_a_disagreement() -> None:
    truth = judged(claim("gnss", -0.45, 0.45, "nmea:1"), claim("network", -18.02, -17.98), loose(-18.0))
    assert truth.code == "sources-disagree"


def test_a_clock_that_nobody_keeps_never_settles_a_disagreement() -> None:
    truth = judged(claim("gnss", -0.45, 0.45, "nmea:1"), claim("network", 3600.0, 3600.1), loose(0.0), required=1)
    assert truth.code == "sources-disagree"
    assert agrees(truth, "host") is None


def test_a_clock_that_nobody_keeps_is_no_truth_alone() -> None:
    truth = judged(loose(0.0), required=1)
    assert not truth.time_established
    assert truth.code == "no-bounded-source"


def test_no_source_at_all_is_no_truth() -> None:
    truth = judged(silences=[Silence("nmea:1", "gnss", "silent: not a byte came", "receiver-silent")], required=1)
    assert not truth.established
    assert truth.code == "no-bounded-source"
    assert agrees(truth, "nmea:1") is None


def test_the_reason_names_every_source_that_said_nothing_and_why() -> None:
    """One sentence must do: "no source" alone sends a user looking for what the claims hold."""
    quiet = [
        Silence("nmea:1", "gnss", "no-fix: the receiver has no fix", "receiver-no-fix"),
        Silence("gpsd:2", "gnss", "127.0.0.1:2947 can't be reached"),
    ]
    for truth in (judged(loose(0.0), silences=quiet), judged(claim("network", 0.0, 0.1), silences=quiet)):
        assert not truth.time_established
        assert "nmea:1: no-fix: the receiver has no fix" in truth.why
        assert "gpsd:2: 127.0.0.1:2947 can't be reached" in truth.why


def test_a_sole_source_must_be_fit_to_stand_alone() -> None:
    fit = TimeClaim("nmea:0", "gnss", -0.4, 0.5)
    unfit = TimeClaim("nmea:0", "gnss", -0.4, 0.5, alone_not="12 consecutive epochs, of 30")
    assert judged(fit, required=1).time_established
    truth = judged(unfit, required=1)
    assert not truth.time_established
    assert truth.code == "sole-source-not-enough"
    assert "12 consecutive epochs" in truth.why
    assert judged(unfit, claim("network", 0.0, 0.1)).time_established  # beside another origin it need not be


def test_what_kept_silent_is_named_in_the_reason() -> None:
    truth = judged(
        claim("network", -0.02, 0.02, "host"),
        silences=[Silence("nmea:1", "gnss", "no-fix: the receiver has no fix", "receiver-no-fix")],
    )
    assert not truth.time_established
    assert "nmea:1: no-fix" in truth.why
    assert cause_of(truth, "nmea:1") == "receiver-no-fix"


def test_the_estimate_is_the_middle_of_the_interval() -> None:
    truth = judged(claim("network", 100.0, 100.4), claim("gnss", 100.1, 101.0))
    assert truth.utc_s(50.0) == pytest.approx(150.25)
    assert truth.half_width_s == pytest.approx(0.15)


# --- likely causes ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("gap_s", "origin", "cause"),
    [
        # 1024 weeks of 7 days: the ten-bit week number of IS-GPS-200
        (-1024 * 7 * DAY_S, "gnss", "week-rollover"),
        (-2048 * 7 * DAY_S + 0.4, "gnss", "week-rollover"),
        (1024 * 7 * DAY_S, "gnss", "week-rollover"),
        (18.0, "gnss", "leap-seconds-missing"),  # GPS-UTC since 2017 (IERS Bulletin C 52)
        (18.4, "gnss", "leap-seconds-missing"),
        (1.0, "gnss", "leap-seconds-missing"),
        (-18.0, "gnss", None),  # a receiver that lacks leap seconds is ahead, never behind
        (18.0, "network", None),  # and a host lacks none
        (3600.0, "gnss", "clock-off"),
        (37800.0, "network", "host-clock-in-local-time"),
        (-3600.0, "network", "host-clock-in-local-time"),
        (45900.0, "host", "host-clock-in-local-time"),  # 12 h 45 min
        (-26 * 365.25 * DAY_S, "host", "host-clock-never-set"),
        (-7168 * DAY_S, "network", "host-clock-never-set"),
        (-3 * 365.25 * DAY_S, "gnss", "clock-off"),
        (DAY_S * 20, "network", None),
        (400.0, "network", None),
    ],
)
def test_the_likely_cause_of_a_gap(gap_s: float, origin: str, cause: str | None) -> None:
    assert likely_cause(gap_s, origin)[0] == cause


def test_a_receiver_that_rolled_over_is_named_and_never_mended() -> None:
    truth = judged(claim("network", -0.02, 0.02, "host"), claim("gnss", -7168 * DAY_S, -7168 * DAY_S + 0.9, "nmea:1"))
    assert not truth.time_established
    assert cause_of(truth, "nmea:1") == "week-rollover"
    assert "week number" in truth.why


# --- place ------------------------------------------------------------------------------------------


def test_the_configured_site_and_a_receiver_are_two_origins() -> None:
    truth = judged(claim("network", 0, 1), places=[HERE], required=1, places_required=2)
    assert truth.established
    truth = judged(claim("network", 0, 1), required=1, places_required=2)
    assert truth.code == "place-too-few-origins"
    assert truth.time_established
    assert not truth.established


def degrees(whole: int, minutes: int) -> float:
    return whole + minutes / 60.0


@pytest.mark.parametrize(
    ("site", "found", "cause"),
    [
        ((31.8571, 141.6034), (-31.8571, 141.6034), "latitude-sign-reversed"),
        ((-31.8571, -141.6034), (-31.8571, 141.6034), "longitude-sign-reversed"),
        ((31.8571, -141.6034), (-31.8571, 141.6034), "both-signs-reversed"),
        ((41.60, -31.86), (-31.86, 41.60), "latitude-longitude-swapped"),
        # 31 deg 57 min and 141 deg 36 min, typed with a point
        ((-31.57, 141.36), (-degrees(31, 57), degrees(141, 36)), "minutes-read-as-decimals"),
        # 31.57 deg and 141.36 deg, read as 31 deg 57 min and 141 deg 36 min
        ((-degrees(31, 57), degrees(141, 36)), (-31.57, 141.36), "decimals-read-as-minutes"),
        ((-31.57, 141.6034), (-degrees(31, 57), 141.6034), "minutes-read-as-decimals"),
        ((-31.8571, degrees(141, 36)), (-31.8571, 141.36), "decimals-read-as-minutes"),
        ((-31.8571, 141.6034), (-31.8571, 141.6351), "site-of-another-place"),  # 3 km east
        ((40.0, -90.0), (-31.8571, 141.6034), "site-of-another-place"),
    ],
)
def test_a_site_that_is_contradicted_is_explained(
    site: tuple[float, float], found: tuple[float, float], cause: str
) -> None:
    wrong = Site(latitude_deg=site[0], longitude_deg=site[1], timezone="UTC")
    place = PlaceClaim("nmea:1", "gnss", *found, 0.0, 25.0)
    truth = judged(claim("network", 0, 1), places=[place], site=wrong, required=1, places_required=2)
    assert not truth.established
    assert truth.time_established
    assert truth.code == "place-contradicted"
    assert cause_of(truth, "nmea:1") == cause
    assert agrees(truth, "site") is None  # neither is picked


def test_one_receiver_that_contradicts_is_not_outvoted_by_one_that_agrees() -> None:
    away = PlaceClaim("nmea:2", "gnss", -31.9, 141.6034, 0.0, 25.0)
    truth = judged(claim("network", 0, 1), places=[HERE, away], required=1, places_required=2)
    assert truth.code == "place-contradicted"


@pytest.mark.parametrize(("east_m", "good"), [(0.0, True), (520.0, True), (560.0, False)])
def test_the_tolerance_of_the_site_is_that_of_the_policy_and_the_receivers_scatter(east_m: float, good: bool) -> None:
    """500 m of the policy and 25 m of the claim; the place is put there by geodesy of another library."""
    there = Geodesic.WGS84.Direct(SITE.latitude_deg, SITE.longitude_deg, 90.0, east_m)
    place = PlaceClaim("nmea:1", "gnss", there["lat2"], there["lon2"], 0.0, 25.0)
    truth = judged(claim("network", 0, 1), places=[place], required=1, places_required=2)
    assert truth.place_established is good


WORST = 6371008.8 / 6335439.327 - 1
"""Mean radius (IUGG) over the least radius of curvature of WGS 84, a(1 - e^2), of a meridian at the equator."""


@given(st.floats(-90, 90), st.floats(-180, 180), st.floats(-90, 90), st.floats(-180, 180))
def test_distances_are_within_what_is_stated_of_the_ellipsoids(
    latitude_a: float, longitude_a: float, latitude_b: float, longitude_b: float
) -> None:
    expected = Geodesic.WGS84.Inverse(latitude_a, longitude_a, latitude_b, longitude_b)["s12"]
    assert distance_m(latitude_a, longitude_a, latitude_b, longitude_b) == pytest.approx(expected, rel=WORST, abs=1e-3)


def test_a_distance_as_published() -> None:
    """GeographicLib's example JFK to LHR: 5551.759400 km."""
    assert distance_m(40.6, -73.8, 51.6, -0.5) == pytest.approx(5551759.4, rel=0.0056)


@pytest.mark.parametrize("offset_deg", [359.9999, 0.0001])
def test_the_180th_meridian_is_no_wall(offset_deg: float) -> None:
    assert distance_m(10.0, 180.0 - offset_deg / 2, 10.0, 180.0 + offset_deg / 2) < 12.0


@given(st.floats(-5e9, 5e9), st.sampled_from(["gnss", "network", "host"]))
def test_every_cause_of_a_claim_is_in_the_table(gap_s: float, origin: str) -> None:
    slug, words = likely_cause(gap_s, origin)
    assert slug is None or slug in CAUSES
    assert (slug is None) or words
