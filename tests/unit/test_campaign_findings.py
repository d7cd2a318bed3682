"""What the campaign has found once, kept: each as a sweep through the instants at which it can happen, so that no
change of the driver's pace hides it again."""

from __future__ import annotations

import dataclasses
import datetime as dt
import tempfile
from collections.abc import Iterable
from pathlib import Path
from typing import Any, cast

import pytest
from support.campaign_cases import Case, FaultDraw
from support.campaign_run import Outcome, bench, run_case

from noonmark.driver import set_mount
from noonmark.driver.mount import Talk
from noonmark.driver.result import Result
from noonmark.driver.writing import Writer


def case(*faults: str | FaultDraw, **values: Any) -> Case:
    drawn = tuple(FaultDraw(one) if isinstance(one, str) else one for one in faults)
    return Case("finding", "wild", faults=drawn, **values)


def sweep(cases: Iterable[Case]) -> list[Outcome]:
    """Run them all; none may fail."""
    outcomes = [run_case(one) for one in cases]
    failed = [(one.case.to_json(), one.failures) for one in outcomes if one.failures]
    assert not failed, failed[:3]
    return outcomes


def result_of(one: Case) -> Result:
    with tempfile.TemporaryDirectory() as folder:
        rig = bench(one, Path(folder))
        return set_mount(rig.config, seams=rig.seams)


# --- what changes while the last look goes on --------------------------------------------------------


def test_a_setting_that_is_undone_during_the_last_look_is_noticed() -> None:
    # the date was read, then the clock measured for seconds, and the date that was read there was not looked at
    sweep(case(f"forgets:{tenths / 10}") for tenths in range(20, 130, 2))


def test_what_another_hand_writes_during_the_last_look_is_noticed() -> None:
    sweep(case(f"overwritten:{tenths / 10}") for tenths in range(20, 130, 3))


def test_a_clock_that_another_hand_moves_while_it_is_measured_the_last_time_is_noticed() -> None:
    # what was asked again after measuring told a time that did not fit what was measured, and nobody compared them
    dialect = {"clock": {"sidereal_renewed": "at-set-time"}}
    sweep(
        case(dialect=dialect, quirks={"overwritten_after_s": tenths / 10, "overwritten_with": {"local_shift_s": 47.0}})
        for tenths in range(62, 84)
    )


@pytest.mark.parametrize("fault", ["turns-offset", "switches-memory", "resets-to-factory", "starts-slewing"])
def test_what_happens_at_any_command_is_noticed_or_told(fault: str) -> None:
    # an offset that means the opposite from then on shows in the sidereal time only: it is asked last
    sweep(case(f"{fault}:{number}", then="restore") for number in range(1, 240, 5))


def test_a_zone_that_changes_at_any_moment_of_the_run_is_noticed() -> None:
    # Europe/London leaves summer time on 31 October 2027 at 01:00 UTC: last Sunday of October (IANA zone database)
    change = dt.datetime(2027, 10, 31, 1, 0, tzinfo=dt.UTC)
    site = {"latitude_deg": 51.4779, "longitude_deg": -0.3, "elevation_m": 40.0, "timezone": "Europe/London"}
    begins = [change - dt.timedelta(seconds=seconds) for seconds in range(0, 60, 2)]
    told = sweep(case(site=site, utc=begin.isoformat()) for begin in begins)
    assert {one.told[0].outcome for one in told} <= {"confirmed", "incomplete", "refused"}
    slow = {"date": {"blocks_s": 12.0}, "clock": {"phase": "kept", "sidereal_renewed": "at-set-time"}}
    sweep(case(site=site, utc=begin.isoformat(), dialect=slow) for begin in begins)


# --- claims -----------------------------------------------------------------------------------------


def test_what_was_lost_after_it_was_read_back_is_not_called_written() -> None:
    late = {"time_limit_s": 20.0}
    sweep(case(f"resets-to-factory:{number}", policy=late) for number in range(60, 200, 4))
    sweep(
        case("overwritten:2.5", f"silent:{number}", dialect={"acknowledgement": "none"}) for number in range(60, 200, 5)
    )


def test_a_clock_lost_between_its_measuring_and_the_look_after_it_is_not_called_written() -> None:
    # it had been measured right after it was set, and the time read seconds later was not held against that
    dialect = {"clock": {"phase": "kept", "sidereal_renewed": "at-set-time"}}
    sweep(
        case(f"forgets:{tenths / 10}", told="declared", utc="2040-12-27T16:06:11.517713+00:00", dialect=dialect)
        for tenths in range(14, 50, 2)
    )


def test_an_acknowledgement_that_comes_late_is_not_taken_for_the_value_read_back() -> None:
    # the end mark of `:SG+00.0#` was lost: what refused the two commands run together was `0#`, an offset of 0
    shows_at_first, mount_takes = [True, False], []

    class Unheard:
        acknowledgement = "unknown"

        def write(self, name: str, argument: str) -> tuple[None, None]:
            mount_takes.append(argument)
            return None, None

    there = iter([*shows_at_first, True, True])
    writer = Writer(cast(Talk, Unheard()), lambda _name, _argument: None)
    assert writer.setting("offset", ["+00.0"], lambda: next(there)) == "there"
    assert mount_takes == ["+00.0"] * 2, "written once more, since it was not there"
    assert writer.setting("offset", ["+00.0"], lambda: False) == "unheard"


def test_a_restore_judges_by_what_the_mount_shows_at_the_end() -> None:
    for fault in ("clock-stopped", "overwritten"):
        outcome = sweep([case(fault, then="restore")])[0]
        assert (outcome.told[1].outcome, outcome.told[1].code) == ("incomplete", "settings-overwritten"), fault


# --- the clock --------------------------------------------------------------------------------------


@pytest.mark.parametrize("spec", ["flips-said:0", "drops-said:0", "drops-bytes:0"])
def test_one_lost_or_turned_byte_anywhere_is_got_over(spec: str) -> None:
    # where all times heard at the end of a measuring were to be discarded, there was nothing left to measure by
    outcomes = sweep(case(FaultDraw(spec, first), quirks={"uneven_s": 0.002}) for first in range(1, 160, 3))
    bit = [one for one in outcomes if any(one.bites.values())]
    assert len(bit) > 30
    assert sum(one.told[0].outcome == "confirmed" for one in bit) >= 0.95 * len(bit)


def test_a_time_that_came_damaged_and_was_refused_is_sent_again() -> None:
    # where nothing but the time is written, one refusal was a mount that refuses every setting
    start = {"kind": "right", "error_s": 0.5}
    outcomes = sweep(
        case(FaultDraw(spec, first), start=start, seed=first)
        for spec, firsts in (("drops-bytes:0", range(115, 125)), ("flips-heard:0", range(56, 66))) for first in firsts
    )  # fmt: skip
    assert {one.told[0].outcome for one in outcomes} == {"confirmed"}


def test_a_clock_that_stands_still_is_not_called_right_where_bytes_are_lost() -> None:
    # getting in step took the time in which a tick was to be seen; with no receiver to wait for, nobody looked again
    alone = {"time_origins_required": 1, "place_origins_required": 1}
    outcomes = sweep(
        case("clock-stopped", FaultDraw(spec, first), start={"kind": "right"}, verb="check", policy=policy, receivers=heard)
        for spec in ("drops-bytes:0", "drops-said:0") for first in range(3, 100, 5)
        for policy, heard in (({}, ({},)), (alone, ()))
    )  # fmt: skip
    assert all(one.told[0].outcome != "confirmed" for one in outcomes)


def test_half_a_second_that_was_there_before_is_not_taken_for_a_display_that_rounds() -> None:
    # a sending that was lost left the clock half a second ahead, as it had been: no rounding follows from that
    for seed in range(20):
        one = case("drops-heard:0.1", start={"kind": "right", "error_s": 0.5}, seed=seed)
        notes = {note.note for note in result_of(one).notes}
        assert "clock-display-rounds" not in notes, seed


# --- signs ------------------------------------------------------------------------------------------

BISHKEK = {
    "latitude_deg": 42.81013,
    "longitude_deg": 74.50512,
    "elevation_m": 800.0,
    "timezone": "Asia/Bishkek",
}  # UTC+6


def test_a_longitude_of_0_to_360_that_bears_a_plus_is_never_written_with_a_minus() -> None:
    # longitude 0 was written in a stage and shown as +000: from then on a minus was tried, which the mount refuses
    tucuman = {"latitude_deg": -26.97326, "longitude_deg": -65.20982, "elevation_m": 450.0,
               "timezone": "America/Argentina/Tucuman"}  # fmt: skip
    dialect = {"longitude": {"positive": "east", "plus_sign": True}, "clock": {"sidereal_renewed": "at-set-time"}}
    for local_is_utc in (True, False):
        clock = {"sidereal_renewed": "at-set-time", "local_is_utc": local_is_utc}
        told = sweep(
            case(
                site=tucuman,
                utc=f"2034-10-22T02:58:{second}+00:00",
                dialect={**dialect, "clock": clock},
                told="declared",
            )
            for second in range(40, 60, 4)
        )
        assert {one.told[0].outcome for one in told} == {"confirmed"}


def test_plus_and_minus_six_hours_are_told_apart_on_a_display_of_half_a_day() -> None:
    for sense in ("to-utc", "from-utc"):
        dialect = {"offset": {"sense": sense}, "clock": {"display_hours": 12}}
        assert sweep([case(site=BISHKEK, dialect=dialect)])[0].told[0].outcome == "confirmed", sense


def test_an_offset_written_in_the_wrong_sense_is_written_in_the_right_one_before_utc_is_tried() -> None:
    moscow = {"latitude_deg": 55.7558, "longitude_deg": 37.6173, "elevation_m": 150.0, "timezone": "Europe/Moscow"}
    dialect = {
        "offset": {"sense": "from-utc"},
        "clock": {"display_hours": 12, "phase": "kept"},
        "date": {"order": "dmy"},
    }
    result = result_of(case(site=moscow, dialect=dialect, utc="2032-12-31T23:58:28+00:00"))
    assert result.outcome == "confirmed"
    assert "mount-on-utc" not in {note.note for note in result.notes}


def test_a_date_that_blocks_is_not_written_in_every_stage() -> None:
    hong_kong = {
        "latitude_deg": 22.32687,
        "longitude_deg": 114.08533,
        "elevation_m": 104.0,
        "timezone": "Asia/Hong_Kong",
    }
    start = {"kind": "one-off", "off": "a-year"}
    one = case(site=hong_kong, start=start, dialect={"date": {"blocks_s": 12.0}})
    outcome = sweep([dataclasses.replace(one, utc="2039-06-30T12:00:00+00:00")])[0]
    assert outcome.told[0].outcome == "confirmed"
    assert outcome.told[0].duration_s < 60.0
