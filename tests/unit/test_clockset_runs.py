"""The clock in whole runs: what `check` and `set` state of it, how long that takes, and what may come in between."""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from support.clockwork import clock_dialect
from support.virtual import NIGHT, SITE, UNSYNCHRONISED, Rig, rig

from noonmark.driver import check, set_mount, zones
from noonmark.driver.interrupts import InterruptFlag
from noonmark.driver.result import Result
from noonmark.protocols.dialect import USUAL, Dialect
from noonmark.sim.state import MountState, Quirks, right
from noonmark.sim.timeline import VirtualClock
from noonmark.sim.wire import LineManner

UT1_UTC_S = -0.0837
"""On 2026-11-24 by the IERS's prediction in `finals2000A.all` (Bulletin A of November 2026), within 0.012 s."""


def stands(
    error_s: float = 0.0, utc: dt.datetime = NIGHT, offset_h: float = 10.5, dialect: Dialect = USUAL
) -> MountState:
    """A mount set up rightly, its clock ahead by `error_s`."""
    return right(utc, SITE["latitude_deg"], SITE["longitude_deg"], offset_h, error_s=error_s, dialect=dialect)


def holds(one: Rig, result: Result) -> bool:
    """Whether the interval stated holds the hidden error of the clock, now."""
    assert result.clock is not None
    assert result.clock.utc_error_s is not None
    low, high = result.clock.utc_error_s
    return low <= one.mount.truth().utc_error_s <= high


# --- check ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("receiver", [True, False])
@pytest.mark.parametrize("lag_s", [0.0, 0.01])
@pytest.mark.parametrize("baud", [9600, 115200])
def test_check_states_the_clocks_error_in_two_seconds_more_at_most(
    tmp_path: Path, receiver: bool, lag_s: float, baud: int
) -> None:
    """All that is asked because of it among them, and what was asked before it once more after it."""
    lag = (lag_s / 2, lag_s / 2)
    for seed in range(25):
        utc = NIGHT + dt.timedelta(seconds=0.04 * seed)
        took: list[float] = []
        widths: list[float] = []
        for quick in (True, False):
            one = rig(
                tmp_path, seed=seed, utc=utc, state=stands(0.04, utc), receiver=receiver, host_error_s=0.01,
                quirks=Quirks(lag, lag), manner=LineManner(baud),
            )  # fmt: skip
            result = check(one.config, seams=one.seams, quick=quick)
            assert result.code in (("confirmed", "clock-not-bounded") if quick else ("confirmed",))
            assert holds(one, result)
            assert result.clock is not None
            assert result.clock.host_error_s is not None
            took.append(result.duration_s)
            widths.append(result.clock.host_error_s[1] - result.clock.host_error_s[0])
            assert result.clock.host_error_s[0] <= 0.04 - 0.01 <= result.clock.host_error_s[1]
        assert took[1] - took[0] <= 2.0
        assert widths[1] < 0.06 < widths[0]


def test_a_clock_that_may_be_right_is_not_confirmed_and_not_called_off_either(tmp_path: Path) -> None:
    """The tolerance is narrower than a quick look can bound the clock: nothing says that it is wrong."""
    one = rig(tmp_path, state=stands(0.0), policy={"clock_tolerance_s": 0.05, "clock_rewrite_s": 0.01})
    result = check(one.config, seams=one.seams, quick=True)
    assert (result.outcome, result.code) == ("discrepant", "clock-not-bounded")
    assert holds(one, result)
    assert "clock_tolerance_s = 0.05 s" in result.reason
    assert result.explanation == ()
    off = rig(tmp_path, state=stands(5.0))
    surely = check(off.config, seams=off.seams, quick=True)
    assert surely.code == "settings-differ"
    assert "clock-off" in {one.cause for one in surely.explanation}


def test_the_assumptions_are_printed_and_the_rate_is_among_what_was_fitted(tmp_path: Path) -> None:
    one = rig(tmp_path, state=stands())
    result = check(one.config, seams=one.seams)
    assert result.clock is not None
    told = " ".join(result.clock.assumptions)
    for words in ("truncates", "computed after the question began", "not late by a constant", "even", "fitted:", "ppm"):
        assert words in told


def test_a_dialect_that_says_the_display_rounds_is_minded_by_check(tmp_path: Path) -> None:
    dialect = clock_dialect(display_rounds=True)
    (tmp_path / "rounds.toml").write_text('name = "rounds"\n[clock]\ndisplay_rounds = true\n')
    for told, error_s in ((str(tmp_path / "rounds.toml"), 0.0), ("auto", 0.5)):
        one = rig(tmp_path, state=stands(0.0, dialect=dialect), dialect=dialect, told=told)
        result = check(one.config, seams=one.seams)
        assert result.clock is not None
        assert result.clock.utc_error_s is not None
        low, high = result.clock.utc_error_s
        assert low <= error_s <= high
        assert high - low < 0.12


# --- set --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("options", [{}, {"phase": "kept"}, {"display_rounds": True}, {"display_hours": 12}])
def test_set_ends_confirmed_with_an_interval_that_holds(tmp_path: Path, options: dict[str, Any]) -> None:
    dialect = clock_dialect(**options)
    for seed in range(6):
        one = rig(tmp_path, seed=seed, dialect=dialect)
        result = set_mount(one.config, seams=one.seams)
        assert (result.outcome, result.clock and result.clock.fault) == ("confirmed", None)
        assert holds(one, result)
        if "phase" not in options:
            assert abs(one.mount.truth().utc_error_s) < 0.02
        again = check(one.config, seams=one.seams)
        assert again.outcome == "confirmed"


def test_the_wall_time_is_told_part_by_part(tmp_path: Path) -> None:
    one = rig(tmp_path)
    result = set_mount(one.config, seams=one.seams)
    parts = {wait.what: wait.seconds for wait in result.waits}
    assert len(parts) == len(result.waits), "each part once"
    for what in (
        "reading the mount's settings",
        "measuring the mount's clock",
        "consecutive epochs of the receivers",
        "writing the settings",
        "sending the time at its second",
        "a second look after the last write",
    ):
        assert parts[what] > 0.0
    assert sum(parts.values()) == pytest.approx(result.duration_s, abs=0.35)


def test_the_sends_are_in_the_record_with_the_scheduling(tmp_path: Path) -> None:
    one = rig(tmp_path)
    result = set_mount(one.config, seams=one.seams)
    assert result.record is not None
    sends = json.loads(Path(result.record).read_text())["time_sends"]
    assert len(sends) == sum(change.name == "time" for change in one.mount.settings_written)
    assert {"arrival_meant", "last_byte_handed_over", "answer_heard", "how", "ahead_s"} <= set(sends[0])
    assert any(note.note == "time-sent" and "in simulated time" in note.text for note in result.notes)


def test_nothing_found_uneven_is_ever_confirmed(tmp_path: Path) -> None:
    """Ticks up to 80 ms late, each by another amount: found by a third of the runs, and then never confirmed."""
    outcomes = set()
    found = 0
    for seed in range(24):
        one = rig(tmp_path, seed=seed, quirks=Quirks(uneven_s=0.08))
        for verb in (set_mount, check):
            result = verb(one.config, seams=one.seams)
            assert result.clock is not None
            if result.clock.fault is not None:
                found += 1
                outcomes.add((result.verb, result.outcome, result.code))
                assert "uneven by at least" in result.clock.fault
    assert found >= 8
    assert outcomes <= {("set", "incomplete", "clock-uneven"), ("check", "discrepant", "clock-uneven")}
    assert len(outcomes) == 2


def test_a_mount_known_to_keep_its_tick_is_not_set_again_for_what_can_not_be_mended(tmp_path: Path) -> None:
    (tmp_path / "kept.toml").write_text('name = "kept"\n[clock]\nphase = "kept"\n')
    for seed in range(6):
        one = rig(tmp_path, seed=seed, dialect=clock_dialect(phase="kept"), told=str(tmp_path / "kept.toml"))
        assert set_mount(one.config, seams=one.seams).outcome == "confirmed"
        assert abs(one.mount.truth().utc_error_s) < 0.55
        again = set_mount(one.config, seams=one.seams)
        assert (again.outcome, again.written) == ("confirmed", ())


# --- UT1 --------------------------------------------------------------------------------------------


def test_a_mount_that_knows_no_ut1_can_be_set_and_judged_by_it(tmp_path: Path) -> None:
    one = rig(tmp_path, policy={"timescale": "ut1"})
    result = set_mount(one.config, seams=one.seams)
    assert result.outcome == "confirmed"
    assert one.mount.truth().utc_error_s == pytest.approx(UT1_UTC_S, abs=0.035)
    assert any(note.note == "clock-on-ut1" and "-0.08" in note.text for note in result.notes)
    row = result.setting("time")
    assert row is not None
    assert row.residual == pytest.approx(0.0, abs=0.03), "judged by UT1"
    assert holds(one, result), "and the error from UTC is still that from UTC"


def test_by_utc_nothing_is_shifted(tmp_path: Path) -> None:
    one = rig(tmp_path)
    assert set_mount(one.config, seams=one.seams).outcome == "confirmed"
    assert abs(one.mount.truth().utc_error_s) < 0.02


# --- midnight, a change of the zone's offset, a suspend ----------------------------------------------


@pytest.mark.parametrize("lead_s", [1.0, 9.0, 10.5, 11.5, 12.5, 14.0, 16.0, 18.0, 20.0])
@pytest.mark.parametrize("wrong_s", [None, -40.0, 40.0])
def test_local_midnight_at_every_stage_of_a_set(tmp_path: Path, lead_s: float, wrong_s: float | None) -> None:
    """Broken Hill is 10.5 h ahead of UTC in summer: its midnight is 13:30 UTC."""
    utc = dt.datetime(2026, 11, 24, 13, 30, tzinfo=dt.UTC) - dt.timedelta(seconds=lead_s)
    state = None if wrong_s is None else stands(wrong_s, utc)
    one = rig(tmp_path, utc=utc, state=state)
    result = set_mount(one.config, seams=one.seams)
    assert result.outcome == "confirmed", (result.code, result.reason)
    assert result.duration_s < 45.0
    one.clock.wait_until(one.clock.monotonic() + 30.0)
    hidden = one.mount.truth()
    assert abs(hidden.utc_error_s) < 0.02
    assert check(one.config, seams=one.seams).outcome == "confirmed"


def test_midnight_amid_a_check(tmp_path: Path) -> None:
    for tenth in range(0, 40, 3):
        utc = dt.datetime(2026, 11, 24, 13, 30, tzinfo=dt.UTC) - dt.timedelta(seconds=tenth / 10)
        one = rig(tmp_path, utc=utc, state=stands(0.03, utc))
        result = check(one.config, seams=one.seams)
        assert result.outcome == "confirmed"
        assert holds(one, result)


CHANGE = dt.datetime(2026, 10, 3, 16, 30, tzinfo=dt.UTC)
"""Daylight saving begins in New South Wales on the first Sunday of October at 02:00 standard time, 4 October 2026, and
Broken Hill keeps 9.5 h before and 10.5 h after (Standard Time Act 1987 (NSW); IANA database 2026)."""


def test_the_change_is_where_the_law_has_it() -> None:
    found = zones.next_change(zones.load_zone(SITE["timezone"]), CHANGE - dt.timedelta(days=3))
    assert found is not None
    assert (found.instant, found.offset_before_h, found.offset_after_h) == (CHANGE, 9.5, 10.5)


@pytest.mark.parametrize("lead_s", [1.0, 5.0, 12.0, 20.0, 30.0])
def test_a_change_of_offset_within_half_a_minute_is_waited_out(tmp_path: Path, lead_s: float) -> None:
    one = rig(tmp_path, utc=CHANGE - dt.timedelta(seconds=lead_s))
    result = set_mount(one.config, seams=one.seams)
    assert result.outcome == "confirmed"
    assert result.duration_s < 75.0
    hidden = one.mount.truth()
    assert (hidden.offset_h, abs(hidden.utc_error_s) < 0.02) == (10.5, True)
    assert result.truth is not None
    assert result.truth.zone_offset_h == 10.5


def test_a_change_of_offset_in_some_minutes_is_not_waited_for_and_told(tmp_path: Path) -> None:
    one = rig(tmp_path, utc=CHANGE - dt.timedelta(minutes=4))
    result = set_mount(one.config, seams=one.seams)
    assert result.outcome == "confirmed"
    assert result.duration_s < 40.0
    assert one.mount.truth().offset_h == 9.5
    assert any(note.note == "zone-changes-soon" and "16:30" in note.text for note in result.notes)


def test_where_the_limit_leaves_no_room_to_wait_nothing_is_written(tmp_path: Path) -> None:
    one = rig(tmp_path, utc=CHANGE - dt.timedelta(seconds=30), policy={"time_limit_s": 40.0})
    result = set_mount(one.config, seams=one.seams)
    assert (result.outcome, result.code) == ("refused", "zone-changes-now")
    assert not one.mount.settings_written


def test_check_judges_by_the_offset_after_the_change_that_came_while_it_waited(tmp_path: Path) -> None:
    utc = CHANGE - dt.timedelta(seconds=5)
    one = rig(tmp_path, utc=utc, state=stands(0.0, utc, 9.5))
    result = check(one.config, seams=one.seams)
    assert (result.outcome, result.truth and result.truth.zone_offset_h) == ("discrepant", 10.5)
    row = result.setting("offset")
    assert row is not None
    assert row.ok is False


@pytest.mark.parametrize("after_s", [0.5, 2.0, 5.0, 9.0])
def test_a_suspend_amid_a_check_is_untrusted(tmp_path: Path, after_s: float) -> None:
    one = rig(tmp_path, state=stands())
    one.clock.call_at(one.clock.monotonic() + after_s, lambda: one.clock.suspend(5.0))
    result = check(one.config, seams=one.seams)
    assert (result.outcome, result.code) == ("untrusted", "host-suspended")


@pytest.mark.parametrize("after_s", [11.0, 12.0, 13.0, 14.5, 16.5, 17.5])
def test_a_suspend_amid_the_writes_is_never_confirmed(tmp_path: Path, after_s: float) -> None:
    one = rig(tmp_path)
    one.clock.call_at(one.clock.monotonic() + after_s, lambda: one.clock.suspend(0.7))
    result = set_mount(one.config, seams=one.seams)
    assert (result.outcome, result.code) in {("incomplete", "host-suspended"), ("untrusted", "host-suspended")}
    assert result.outcome == "incomplete" or not one.mount.settings_written


@pytest.mark.parametrize("receiver", [True, False])
def test_the_parts_of_the_wall_time_leave_next_to_nothing_unnamed(tmp_path: Path, receiver: bool) -> None:
    for verb in (check, set_mount):
        one = rig(tmp_path, receiver=receiver, quirks=Quirks((0.01, 0.02), (0.01, 0.02)), manner=LineManner(9600))
        result = verb(one.config, seams=one.seams)
        assert result.duration_s - sum(part.seconds for part in result.waits) == pytest.approx(0.0, abs=0.06)


def test_a_truth_known_to_half_a_second_costs_no_corrections_of_milliseconds(tmp_path: Path) -> None:
    """The receiver alone tells the second: its latency of up to 0.9 s is nearly all that the interval is."""
    jittery = Quirks(lag_before_s=(0.005, 0.020), lag_after_s=(0.0, 0.0))
    once = 0
    for seed in range(20):
        one = rig(tmp_path, seed=seed, quirks=jittery, discipline=UNSYNCHRONISED)
        result = set_mount(one.config, seams=one.seams)
        assert result.outcome == "confirmed"
        assert holds(one, result)
        assert result.truth is not None
        assert result.truth.utc_interval_s is not None
        assert result.clock is not None
        assert result.clock.utc_error_s is not None
        low, high = result.clock.utc_error_s
        known_s = result.truth.utc_interval_s[1] - result.truth.utc_interval_s[0]
        assert max(-low, high) < 1.2 * known_s / 2
        once += any(note.note == "time-sent" and "once" in note.text for note in result.notes)
    assert once >= 12


@pytest.mark.parametrize("asleep_s", [0.03, 0.7, 30.0])
@pytest.mark.parametrize("after_s", [0.5, 2.0, 11.0, 12.0, 14.5, 17.5])
def test_no_interval_is_stated_across_a_suspend(tmp_path: Path, after_s: float, asleep_s: float) -> None:
    """Neither from UTC nor from this host's clock: a monotonic instant before it says nothing after it."""
    one = rig(tmp_path)
    one.clock.call_at(one.clock.monotonic() + after_s, lambda: one.clock.suspend(asleep_s))
    result = set_mount(one.config, seams=one.seams)
    assert result.code == "host-suspended"
    assert result.clock is None or (result.clock.utc_error_s, result.clock.host_error_s) == (None, None)


def test_an_interrupted_set_states_no_error_of_a_clock_that_it_wrote_to_and_did_not_measure(tmp_path: Path) -> None:
    interrupted = 0
    for tenths in range(95, 145, 5):
        one = rig(tmp_path, state=stands(30.0))
        flag = one.seams.interrupt
        one.clock.call_at(one.clock.monotonic() + tenths / 10, partial(flag.set, 15))

        def wait_until(instant: float, clock: VirtualClock = one.clock, flag: InterruptFlag = flag) -> None:
            VirtualClock.wait_until(clock, instant)
            flag.check()

        one.clock.wait_until = wait_until  # type: ignore[method-assign]
        result = set_mount(one.config, seams=one.seams)
        assert result.code == "interrupted"
        assert result.clock is not None
        if one.mount.settings_written:
            interrupted += 1
            assert result.clock.fault == "it was written to since it was last measured"
        assert result.clock.utc_error_s is None or holds(one, result)
    assert interrupted > 2


@pytest.mark.parametrize("rate_hz", [1.0, 5.0])
def test_a_truth_without_the_hosts_word_is_judged_anew_where_the_host_stepped(tmp_path: Path, rate_hz: float) -> None:
    """A sole receiver's word needs thirty epochs, and is known to less than a second."""
    options = {"rate_hz": rate_hz, "baud": 115200}
    one = rig(tmp_path, policy={"time_origins_required": 1}, receiver_options=options)
    one.clock.call_at(one.clock.monotonic() + 12.0, lambda: one.clock.step_host(0.08))
    result = set_mount(one.config, seams=one.seams)
    assert any(note.note == "host-clock-stepped" for note in result.notes)
    assert result.clock is not None
    assert result.clock.host_error_s is None
    if rate_hz < 2.0:
        assert (result.code, result.clock.utc_error_s) == ("host-clock-stepped", None)
        return
    assert result.outcome == "confirmed"
    assert result.truth is not None
    assert [one.source for one in result.truth.claims if one.kind == "time" and one.agrees] == ["nmea:1"]
    assert result.clock.utc_error_s is not None
    low, high = result.clock.utc_error_s
    assert high - low > 0.5
    assert holds(one, result)


def test_a_step_of_the_hosts_clock_amid_a_check_spoils_no_interval(tmp_path: Path) -> None:
    one = rig(tmp_path, state=replace(stands(0.2)), policy={"time_origins_required": 1})
    one.clock.call_at(one.clock.monotonic() + 1.5, lambda: one.clock.step_host(3600.0))
    result = check(one.config, seams=one.seams)
    if result.outcome == "confirmed":
        assert holds(one, result)
