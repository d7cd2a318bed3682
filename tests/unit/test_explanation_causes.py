"""Every row of the table of causes has a vector, a simulated rig that has it, and its line in the page."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import pytest
from support.causes import FEBRUARY, MOUNT, SiderealShifted, TimeJumpsToAndFro
from support.looks import WRONG
from support.virtual import NIGHT, SITE, UNSYNCHRONISED, rig

import noonmark.driver
from noonmark.driver import check
from noonmark.driver.reasons.causes import CAUSES, ROWS
from noonmark.driver.reasons.causes_page import page
from noonmark.driver.result import CauseValue, Result
from noonmark.protocols.dialect import USUAL
from noonmark.sim.faults import build_fault
from noonmark.sim.injection import ReceiverFault
from noonmark.sim.state import MountState, Quirks, right

ZONE_H = {SITE["timezone"]: 10.5, "Europe/Berlin": 1.0}


def mount_of(slug: str) -> tuple[MountState, dict[str, Any], dt.datetime]:
    """A mount that holds the vector's values, its site and its instant."""
    vector = MOUNT[slug]
    site, utc = vector.site or SITE, vector.utc or NIGHT
    zone_h = 9.5 if utc.month == 7 else ZONE_H[site["timezone"]]
    state = right(utc, site["latitude_deg"], site["longitude_deg"], zone_h)
    for name, value in vector.holds.items():
        setattr(state, name, value)
    state.local_s += vector.shift_s
    return state, site, utc


def check_vector(folder: Path, slug: str) -> Result:
    state, site, utc = mount_of(slug)
    built = rig(folder, site=site, utc=utc, state=state, receiver=False)
    return check(built.config, seams=built.seams, quick=True)


def own(result: Result) -> list[CauseValue]:
    """What was said of the mount."""
    return [one for one in result.explanation if one.source is None]


# --- what the mount shows ---------------------------------------------------------------------------


@pytest.mark.parametrize("slug", MOUNT)
def test_the_mistake_is_the_first_answer_and_its_hour_angle_that_of_the_vector(tmp_path: Path, slug: str) -> None:
    """Through the mount's own bytes. A coordinate is shown to the minute of arc: half of that is the tolerance."""
    first = own(check_vector(tmp_path, slug))[0]
    assert (first.cause, first.source) == (slug, None), first
    assert first.confidence > 0.5 or first.indistinguishable
    wanted = MOUNT[slug].hour_angle_deg
    if wanted is not None:
        assert first.hour_angle_error_deg == pytest.approx(wanted, abs=0.0084 + 0.0005)


@pytest.mark.parametrize("slug", MOUNT)
def test_a_remedy_names_the_value_to_set_where_a_setting_is_wrong(tmp_path: Path, slug: str) -> None:
    first = own(check_vector(tmp_path, slug))[0]
    if "longitude_deg" in MOUNT[slug].holds and MOUNT[slug].site is None:
        assert "141:36:12 E" in first.remedy
    if "offset_h" in MOUNT[slug].holds and MOUNT[slug].utc is None:
        assert "offset +10:30, which this mount shows as -10:30" in first.remedy  # hours to add to reach UTC


def test_a_sidereal_clock_of_its_own_is_named(tmp_path: Path) -> None:
    state = right(NIGHT, SITE["latitude_deg"], SITE["longitude_deg"], 10.5)
    built = rig(tmp_path, state=state, quirks=Quirks(sidereal="frozen"))
    found = check(built.config, seams=built.seams).explanation
    assert [one.cause for one in found] == ["sidereal-clock-independent"]


def test_an_imprecise_sidereal_clock_is_named_with_the_doubt_that_it_is_one_of_its_own(tmp_path: Path) -> None:
    state = right(NIGHT, SITE["latitude_deg"], SITE["longitude_deg"], 10.5)
    fault = SiderealShifted("sidereal-shifted", 62.0, 1)
    built = rig(tmp_path, state=state, mount_faults=[fault], receiver=False)
    found = check(built.config, seams=built.seams).explanation
    assert fault.bites
    assert [one.cause for one in found] == ["sidereal-clock-imprecise"]
    assert 0.5 <= found[0].confidence < 1.0


def test_a_dialect_that_is_not_this_mounts_is_named(tmp_path: Path) -> None:
    """East positive longitude, read by the usual dialect."""
    east = USUAL.model_copy(update={"longitude": USUAL.longitude.model_copy(update={"positive": "east"})})
    state = right(NIGHT, SITE["latitude_deg"], SITE["longitude_deg"], 10.5)
    built = rig(tmp_path, state=state, dialect=east, told="usual", receiver=False)
    result = check(built.config, seams=built.seams)
    assert result.code == "dialect-contradicted"
    assert [one.cause for one in result.explanation] == ["dialect-contradicted"]


def test_zone_rules_that_were_changed_since_are_named_where_an_older_database_has_the_offset(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An older database in which Broken Hill keeps the time of Adelaide's neighbour Perth, UTC+8."""
    from noonmark.driver import zones

    newest = zones.databases()[0]
    old = tmp_path / "old"
    (old / "Australia").mkdir(parents=True)
    (old / "+VERSION").write_text("2019a")
    (old / "Australia" / "Broken_Hill").write_bytes((newest.folder / "Australia" / "Perth").read_bytes())
    state = right(NIGHT, SITE["latitude_deg"], SITE["longitude_deg"], 10.5)
    state.offset_h = 8.0
    built = rig(tmp_path / "records", state=state, receiver=False)
    monkeypatch.setattr("zoneinfo.TZPATH", (str(old),))
    first = own(check(built.config, seams=built.seams))[0]
    assert first.cause == "zone-rules-outdated"
    assert first.hour_angle_error_deg == pytest.approx(2.5 * 15.04106864, abs=1e-3)


def test_three_settings_each_wrong_in_its_own_way_are_not_explained(tmp_path: Path) -> None:
    state = right(NIGHT, SITE["latitude_deg"], SITE["longitude_deg"], 10.5)
    state.latitude_deg, state.offset_h = 12.3, 3.0
    state.local_s += 12345.0
    built = rig(tmp_path, state=state, receiver=False)
    found = own(check(built.config, seams=built.seams))
    assert found[0].cause == "nothing-fits"
    assert "12:18:00 N" in found[0].sentence
    assert "+03:00" in found[0].sentence


# --- what the sources say ---------------------------------------------------------------------------


def sources(folder: Path, *faults: str, **options: Any) -> dict[str, CauseValue]:
    """What is said of the sources of a rig whose mount is right, by the name of the source."""
    built_faults = [build_fault(name, 1) for name in faults]
    receivers = [fault for fault in built_faults if isinstance(fault, ReceiverFault)]
    state = right(NIGHT, SITE["latitude_deg"], SITE["longitude_deg"], 10.5)
    built = rig(folder, state=state, receiver_faults=receivers, **options)
    result = check(built.config, seams=built.seams, quick=True)
    assert all(fault.bites for fault in built_faults)
    return {f"{one.source}": one for one in result.explanation if one.source is not None}


def test_a_week_rollover_is_named(tmp_path: Path) -> None:
    assert sources(tmp_path, "rollover")["nmea:1"].cause == "week-rollover"


def test_missing_leap_seconds_are_named_with_what_they_do_to_the_sky(tmp_path: Path) -> None:
    found = sources(tmp_path, "leap-missing")["nmea:1"]
    assert found.cause == "leap-seconds-missing"
    # PE-18S: 270.7392 arcsec for 18 s; the receiver is late by up to latency_s = 0.9 s, of which half is taken off
    assert found.hour_angle_error_deg == pytest.approx(270.7392 / 3600, abs=0.95 * 15.041 / 3600)


def test_a_simulating_receiver_is_named(tmp_path: Path) -> None:
    assert sources(tmp_path, "simulator-mode")["nmea:1"].cause == "receiver-simulated"


def test_a_receiver_elsewhere_is_named_and_may_as_well_be_the_sites_mistake(tmp_path: Path) -> None:
    found = sources(tmp_path, "elsewhere")["nmea:1"]
    assert (found.cause, found.indistinguishable) == ("receiver-elsewhere", ("site-of-another-place",))


def test_a_receiver_without_a_fix_is_named(tmp_path: Path) -> None:
    assert sources(tmp_path, "no-fix")["nmea:1"].cause == "receiver-no-fix"


def test_a_silent_receiver_is_named(tmp_path: Path) -> None:
    assert sources(tmp_path, "says-nothing")["nmea:1"].cause == "receiver-silent"


def test_a_receiver_whose_time_jumps_is_named(tmp_path: Path) -> None:
    state = right(NIGHT, SITE["latitude_deg"], SITE["longitude_deg"], 10.5)
    fault = TimeJumpsToAndFro("jumps", 4.0, 1)
    built = rig(tmp_path, state=state, receiver_faults=[fault])
    found = {one.source: one.cause for one in check(built.config, seams=built.seams, quick=True).explanation}
    assert fault.bites
    assert found["nmea:1"] == "receiver-time-jumps"


def test_a_host_kept_in_local_time_is_named(tmp_path: Path) -> None:
    found = sources(tmp_path, host_error_s=10.5 * 3600, discipline=UNSYNCHRONISED, policy={"time_origins_required": 1})
    assert found["host"].cause == "host-clock-in-local-time"


def test_a_host_that_was_never_set_is_named(tmp_path: Path) -> None:
    found = sources(
        tmp_path, host_error_s=-9800 * 86400.0 - 4321.0, discipline=UNSYNCHRONISED, policy={"time_origins_required": 1}
    )
    assert found["host"].cause == "host-clock-never-set"


def test_a_host_that_nobody_keeps_is_named_where_nothing_bounds_it(tmp_path: Path) -> None:
    found = sources(tmp_path, discipline=UNSYNCHRONISED, receiver=False)
    assert found["host"].cause == "host-not-synchronised"


@pytest.mark.parametrize(("slug", "change"), [("host-clock-stepped", "utc"), ("host-suspended", "boot")])
def test_a_host_that_was_stepped_or_slept_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, slug: str, change: str
) -> None:
    """A rig whose clock, between the first look and the last, is stepped by 5 s, or sleeps for 5 s."""
    state = right(NIGHT, SITE["latitude_deg"], SITE["longitude_deg"], 10.5)
    built = rig(tmp_path, state=state)
    clock, begin = built.seams.clock, built.seams.clock.monotonic()
    utc_ns, boottime = clock.utc_ns, clock.boottime

    def late() -> float:
        return 5.0 if clock.monotonic() - begin > 1.0 else 0.0

    if change == "utc":
        monkeypatch.setattr(type(clock), "utc_ns", lambda self: utc_ns() + round(late() * 1e9))
    else:
        monkeypatch.setattr(type(clock), "boottime", lambda self: boottime() + late())
    found = {one.source: one.cause for one in check(built.config, seams=built.seams, quick=True).explanation}
    assert found["host"] == slug


# --- completeness -----------------------------------------------------------------------------------

ELSEWHERE_TESTED = {
    "sidereal-clock-independent", "sidereal-clock-imprecise", "dialect-contradicted", "zone-rules-outdated",
    "nothing-fits", "week-rollover", "leap-seconds-missing", "host-clock-in-local-time", "host-clock-never-set",
    "host-not-synchronised", "host-clock-stepped", "host-suspended", "receiver-simulated", "receiver-elsewhere",
    "receiver-no-fix", "receiver-silent", "receiver-time-jumps",
    "clock-runs-fast-or-slow",  # test_explanation_rate: a mount with drift, two records
}  # fmt: skip
"""Rows whose vector and simulated rig are a test of their own, above or where it says."""


def test_every_row_has_a_vector_and_a_simulated_rig() -> None:
    sightings = {row.slug for row in ROWS if row.shows == ("sighting",)}
    assert set(MOUNT) | ELSEWHERE_TESTED | sightings == set(CAUSES)
    assert sightings <= set(WRONG), "a cause of sightings without a telescope that has it (support/looks.py)"
    by_sighting = {row.slug for row in ROWS if "sighting" in row.shows}
    assert by_sighting - {"nothing-fits"} == set(WRONG)


def test_every_row_has_its_line_in_the_page_and_says_everything() -> None:
    text = page()
    for row in ROWS:
        assert f"| `{row.slug}` | {row.sentence} |" in text
        assert f"- `{row.slug}`: {row.remedy}." in text
        assert all((row.settings, row.sky, row.shows))
        assert "|" not in row.sentence + row.settings + row.sky
        assert row.sentence.endswith(".")


def test_the_page_in_the_tree_is_the_one_the_table_makes() -> None:
    written = Path(noonmark.driver.__path__[0]) / "CAUSES.md"
    assert written.read_text("utf-8") == page(), "make it again: noonmark explain --causes > driver/CAUSES.md"


def test_the_vectors_day_and_month_can_be_swapped() -> None:
    local = FEBRUARY + dt.timedelta(hours=10.5)
    swapped = dt.date(local.year, local.day, local.month)
    assert (swapped - local.date()).days == 86
