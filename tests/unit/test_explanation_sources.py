"""Why a source does not agree: origins, sizes, shares; and a clock's rate from two records."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest
from support.virtual import NIGHT, SITE, rig

from noonmark.driver import check
from noonmark.driver.places import PlaceClaim
from noonmark.driver.reasons.source_causes import explain_sources, time_reasons
from noonmark.driver.result import Result
from noonmark.driver.site import Site
from noonmark.driver.ticking.clock_rate import ClockRateError, clock_rate, explain_rate
from noonmark.driver.truth import Silence, TimeClaim, Truth, establish
from noonmark.sim.state import MountState, right

ROLLOVER_S = 1024 * 7 * 86400.0  # IS-GPS-200: ten bits of week number
HERE = Site(latitude_deg=-31.8571, longitude_deg=141.6034, timezone="Australia/Broken_Hill")


@pytest.mark.parametrize(
    ("gap_s", "origin", "slug"),
    [
        (-ROLLOVER_S, "gnss", "week-rollover"),
        (-2 * ROLLOVER_S + 18.0, "gnss", "week-rollover"),
        (18.0, "gnss", "leap-seconds-missing"),  # GPS - UTC since 2017 (IERS Bulletin C 52)
        (1.0, "gnss", "leap-seconds-missing"),
        (-18.0, "gnss", "clock-off"),  # missing leap seconds put a receiver ahead, never behind
        (47.0, "gnss", "clock-off"),
        (10.5 * 3600.0, "host", "host-clock-in-local-time"),
        (3600.0, "host", "host-clock-in-local-time"),
        (18.0, "host", "clock-off"),  # a host has no leap seconds to miss
        (-ROLLOVER_S - 7000.0, "host", "host-clock-never-set"),  # nor a week number
        (-777.0, "network", "clock-off"),
        (-800e6, "host", "host-clock-never-set"),
    ],
)
def test_the_likeliest_reason_of_a_gap_depends_on_who_says_it(gap_s: float, origin: str, slug: str) -> None:
    assert time_reasons(gap_s, 0.5, origin, 10.5)[0].slug == slug


def test_a_host_in_this_zones_local_time_is_surer_than_one_in_another_zones() -> None:
    own = time_reasons(10.5 * 3600.0, 0.5, "host", 10.5)
    other = time_reasons(5.75 * 3600.0, 0.5, "host", 10.5)
    assert own[0].cost < other[0].cost < other[-1].cost


def truth_of(*claims: TimeClaim, places: tuple[PlaceClaim, ...] = (), silences: tuple[Silence, ...] = ()) -> Truth:
    return establish(
        list(claims), list(places), list(silences), HERE, time_origins_required=1, place_origins_required=1,
        site_tolerance_m=500.0,
    )  # fmt: skip


def test_every_claim_outside_gets_a_reason_and_none_inside_does() -> None:
    claims = (
        TimeClaim("a", "network", -0.1, 0.1), TimeClaim("b", "gnss", -0.2, 0.4), TimeClaim("c", "gnss", 17.9, 18.6),
    )  # fmt: skip
    truth = truth_of(*claims, silences=(Silence("d", "gnss", "no fix", "receiver-no-fix"),))
    found = explain_sources(truth, claims, (), HERE, zone_offset_h=10.5)
    assert [(one.source, one.cause) for one in found] == [("c", "leap-seconds-missing"), ("d", "receiver-no-fix")]
    assert found[0].confidence > 0.8


def test_of_two_that_disagree_either_may_be_wrong_and_the_shares_say_so() -> None:
    """A receiver an exact rollover behind a synchronised host: the receiver is the likelier one to be wrong."""
    claims = (TimeClaim("host", "network", -0.1, 0.1), TimeClaim("nmea:1", "gnss", -ROLLOVER_S, -ROLLOVER_S + 0.9))
    truth = truth_of(*claims)
    assert not truth.time_established
    found = {one.source: one for one in explain_sources(truth, claims, (), HERE)}
    assert found["nmea:1"].cause == "week-rollover"
    assert found["nmea:1"].confidence > 0.9 > 0.1 > found["host"].confidence
    assert sum(one.confidence for one in found.values()) <= 1.0 + 1e-9


@pytest.mark.parametrize(
    ("latitude_deg", "longitude_deg", "slug"),
    [
        (31.8571, 141.6034, "latitude-sign-reversed"),
        (-31.8571, -141.6034, "longitude-sign-reversed"),
        (31.8571, -141.6034, "both-signs-reversed"),
        (-30.0, 150.0, "receiver-elsewhere"),
    ],
)
def test_a_place_that_contradicts_the_site_is_explained_by_the_slip_that_makes_it(
    latitude_deg: float, longitude_deg: float, slug: str
) -> None:
    places = (PlaceClaim("nmea:1", "gnss", latitude_deg, longitude_deg, 212.0, 25.0),)
    truth = truth_of(TimeClaim("host", "network", -0.1, 0.1), places=places)
    found = explain_sources(truth, (), places, HERE)
    assert [one.cause for one in found] == [slug]
    assert found[0].sky_error_deg is not None
    assert (found[0].confidence == 0.5) is (slug == "receiver-elsewhere")


# --- two records ------------------------------------------------------------------------------------


def look(folder: Path, utc: dt.datetime, state: MountState) -> tuple[float, Result]:
    built = rig(folder, utc=utc, state=state, receiver=False)
    return utc.timestamp(), check(built.config, seams=built.seams)


def drifting(ppm: float) -> MountState:
    state = right(NIGHT, SITE["latitude_deg"], SITE["longitude_deg"], 10.5)
    state.drift_ppm = ppm
    return state


@pytest.mark.parametrize("ppm", [40.0, -120.0])
def test_a_clock_that_drifts_is_found_in_two_records_with_bounds_that_hold_its_rate(tmp_path: Path, ppm: float) -> None:
    first, second = (look(tmp_path, NIGHT + dt.timedelta(hours=hours), drifting(ppm)) for hours in (0, 20))
    rate = clock_rate(second, first)  # in whatever order
    assert rate.low_ppm <= ppm <= rate.high_ppm
    assert rate.high_ppm - rate.low_ppm < 5.0
    cause = explain_rate(rate)
    assert cause is not None
    assert cause.cause == "clock-runs-fast-or-slow"
    assert ("gains" if ppm > 0 else "loses") in cause.sentence
    # 40 ppm are 3.456 s a day, 15.041 arcsec each
    assert cause.hour_angle_error_deg == pytest.approx(ppm * 0.0864 * 15.041 / 3600.0, abs=5 * 0.0864 * 15.041 / 3600.0)


def test_a_steady_clock_is_given_no_rate(tmp_path: Path) -> None:
    first, second = (look(tmp_path, NIGHT + dt.timedelta(hours=hours), drifting(0.0)) for hours in (0, 20))
    rate = clock_rate(first, second)
    assert rate.steady
    assert explain_rate(rate) is None


def test_a_clock_that_was_set_in_between_is_given_no_rate(tmp_path: Path) -> None:
    early = look(tmp_path, NIGHT, drifting(0.0))
    state = drifting(0.0)
    state.local_s += 3600.0
    late = look(tmp_path, NIGHT + dt.timedelta(hours=20), state)
    with pytest.raises(ClockRateError, match="set in between"):
        clock_rate(early, late)


def test_two_records_of_one_minute_are_given_no_rate(tmp_path: Path) -> None:
    first, second = (look(tmp_path, NIGHT + dt.timedelta(minutes=minutes), drifting(0.0)) for minutes in (0, 1))
    with pytest.raises(ClockRateError, match="ten minutes"):
        clock_rate(first, second)
