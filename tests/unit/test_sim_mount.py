"""The simulated mount: framing of joined and split input, its quirks, its timing, and the truth about it."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from noonmark.protocols.dialect import USUAL, build_dialect
from noonmark.sim.framing import COMMAND_CAP, LONE_MARK, CommandFramer
from noonmark.sim.mount import QUEUE_CAP, SimulatedMount, moves
from noonmark.sim.state import MountState, Pointing, Quirks, factory, right
from noonmark.sim.statefile import StateFileError, load_state, save_state
from noonmark.sim.timeline import VirtualClock

NOW = dt.datetime(2026, 10, 21, 11, 5, 30, tzinfo=dt.UTC)


def mount_of(*, state: MountState | None = None, tables: dict[str, Any] | None = None, **quirks: Any) -> SimulatedMount:
    lags = {"lag_before_s": (0.0, 0.0), "lag_after_s": (0.0, 0.0), **quirks}
    return SimulatedMount(
        build_dialect({"name": "tested", **(tables or {})}, "test"),
        timeline=VirtualClock(NOW),
        state=state or right(NOW, -31.85, 141.6, 10.5),
        quirks=Quirks(**lags),
    )


def ask(mount: SimulatedMount, request: bytes) -> bytes:
    return b"".join(data for _, data in mount.receive(request, mount.timeline.monotonic()))


def wait(mount: SimulatedMount, seconds: float) -> None:
    mount.timeline.wait_until(mount.timeline.monotonic() + seconds)


# --- framing ---------------------------------------------------------------------------------------


def test_joined_commands_are_told_apart_with_the_places_of_their_end_marks() -> None:
    assert CommandFramer().feed(b":GC#:GL#:SL12:00:00#") == [(3, b"GC"), (7, b"GL"), (19, b"SL12:00:00")]


def test_a_half_sent_command_swallows_the_next_one_as_on_real_mounts() -> None:
    framer = CommandFramer()
    assert framer.feed(b":SL12:0") == []
    assert framer.feed(b":GL#") == [(3, b"SL12:0:GL")]


def test_bytes_outside_commands_are_passed_over_and_a_lone_mark_is_told() -> None:
    assert CommandFramer().feed(b"\x06noise:GC#") == [(9, b"GC")]
    assert CommandFramer().feed(b"x#:GC##") == [(5, b"GC"), (6, LONE_MARK)]


def test_an_endless_command_is_thrown_away_up_to_its_end_mark() -> None:
    framer = CommandFramer()
    assert framer.feed(b":" + b"x" * 5000) == []
    assert framer.feed(b"#:GC#") == [(4, b"GC")]
    assert CommandFramer().feed(b":" + b"x" * COMMAND_CAP + b"#") == [(COMMAND_CAP + 1, b"x" * COMMAND_CAP)]
    assert CommandFramer().feed(b":" + b"x" * (COMMAND_CAP + 1) + b"#") == []


COMMAND_BYTES = st.lists(
    st.one_of(st.binary(max_size=8), st.sampled_from([b":GC#", b":GL#", b":SL12:00:00#", b":", b"#", b":U#", b":Mn#"])),
    max_size=12,
).map(b"".join)


@given(COMMAND_BYTES, st.data())
def test_cutting_the_input_anywhere_never_changes_the_commands(data: bytes, draw: st.DataObject) -> None:
    cuts = sorted(draw.draw(st.lists(st.integers(0, len(data)), max_size=4)))
    framer, found = CommandFramer(), []
    for start, end in zip([0, *cuts], [*cuts, len(data)], strict=True):
        found += [(start + index, command) for index, command in framer.feed(data[start:end])]
    assert found == CommandFramer().feed(data)


@given(COMMAND_BYTES)
def test_whatever_bytes_come_the_mount_answers_text_and_does_not_fall_over(data: bytes) -> None:
    mount = mount_of(tables={"date": {"year_digits": 4, "notices": 2}})
    answer = ask(mount, data)
    assert len(answer) <= 80 * (data.count(b"#") + 1)
    mount.truth()
    wait(mount, 1.0)
    assert ask(mount, b"##:GVN#").endswith((b"1.0#", b""))


# --- what it does not do ---------------------------------------------------------------------------


@pytest.mark.parametrize("command", [b"Mn", b"MS", b"CM", b"hP", b"hF", b"Q", b"Sr01:02:03", b"Sd+10*00", b"TQ", b"RS"])
def test_moving_commands_are_noted_and_nothing_else(command: bytes) -> None:
    mount = mount_of()
    before = mount.truth()
    assert ask(mount, b":%b#" % command) == b""
    assert [noted for _, noted in mount.forbidden] == [command]
    assert mount.truth() == before


def test_a_lone_end_mark_is_noted_too() -> None:
    mount = mount_of()
    ask(mount, b"#")
    assert [noted for _, noted in mount.forbidden] == [LONE_MARK]


def test_no_command_of_the_table_counts_as_moving() -> None:
    table = b"GC GL GG Gg Gt GS GR GD GA GZ GVP GVN D GW Gc SC01/02/03 SL01:02:03 SG+01.0 Sg001*02 St+01*02 U"
    assert not [command for command in table.split() if moves(command)]


def test_unknown_commands_get_no_reply_and_are_noted() -> None:
    mount = mount_of(silent=frozenset({"GW"}))
    assert ask(mount, b":GW#:XX#:GLx#:GC#") == b"10/21/26#"
    assert [noted for _, noted in mount.unknown] == [b"GW", b"XX", b"GLx"]


# --- quirks ----------------------------------------------------------------------------------------


def test_settings_are_refused_while_parked() -> None:
    state = right(NOW, -31.85, 141.6, 10.5)
    state.parked = True
    mount = mount_of(state=state, refuses_parked=True)
    assert ask(mount, b":SL12:00:00#:GW#") == b"0GN0#"
    mount.state.parked = False
    assert ask(mount, b":SL12:00:00#") == b"1"


def test_settings_are_accepted_only_once_per_power_up() -> None:
    mount = mount_of(once_per_power_up=True)
    assert ask(mount, b":SL12:00:00#:SL12:00:00#:SG-10.5#") == b"101"
    mount.power_cycle()
    assert ask(mount, b":SL12:00:00#") == b"1"


def test_a_hand_controller_overwrites_what_was_written_some_seconds_ago() -> None:
    mount = mount_of(overwritten_after_s=4.0, overwritten_with={"longitude_deg": -90.0, "local_shift_s": 47.0})
    assert ask(mount, b":Sg200*00#") == b"1"
    wait(mount, 3.9)
    assert ask(mount, b":Gg#") == b"200*00#"
    wait(mount, 0.2)
    assert ask(mount, b":Gg#:GL#") == b"090*00#21:36:21#"  # 4.1 s and 47 s after 21:35:30


def test_setting_the_time_may_start_tracking_and_drop_the_alignment() -> None:
    state = right(NOW, -31.85, 141.6, 10.5)
    state.tracking, state.alignment, state.pointing = False, "2", Pointing("pier", 1.0, 20.0)
    mount = mount_of(state=state, time_starts_tracking=True, time_drops_alignment=True)
    assert ask(mount, b":GW#:SL21:35:30#:GW#") == b"GN2#1GT0#"
    wait(mount, 3600.0)
    assert mount.truth().sidereal_h - mount.firmware.pointing(mount.timeline.monotonic())[0] == pytest.approx(
        2.0, abs=0.01
    )  # it was an hour past the meridian, and tracked on for an hour of sky standing still


def test_slewing_is_told_by_a_text_that_is_not_empty() -> None:
    mount = mount_of()
    assert ask(mount, b":D#") == b"#"
    mount.state.slewing = True
    answer = ask(mount, b":D#")
    assert len(answer) > 1
    assert answer.endswith(b"#")


def test_a_display_that_is_renewed_now_and_then_shows_old_time() -> None:
    mount = mount_of(display_every_s=0.25, state=right(NOW, -31.85, 141.6, 10.5, error_s=-0.1))
    begin = mount.timeline.monotonic()
    shown = []
    for _ in range(100):
        now = mount.timeline.monotonic()
        shown.append((mount.firmware.shown_second(now), now))
        wait(mount, 0.01)
    ticks = [now for (second, now), (before, _) in zip(shown[1:], shown, strict=False) if second != before]
    assert ticks == [pytest.approx(begin + 0.25, abs=0.011)]  # it ticked at 0.1 s


def test_uneven_ticks_come_late_by_no_more_than_was_said() -> None:
    mount = mount_of(uneven_s=0.05)
    begin = mount.timeline.monotonic()
    lateness = []
    for tick in range(1, 200):
        late = next(step for step in range(60) if _whole(mount, begin + tick + step * 1e-3) == tick)
        lateness.append(late * 1e-3)
    assert 0.03 < max(lateness) <= 0.051
    assert min(lateness) < 0.01


def _whole(mount: SimulatedMount, at: float) -> int:
    local_s = NOW.timestamp() + 10.5 * 3600
    return int(mount.firmware.shown_second(at) - local_s)


def test_29_february_may_be_refused_under_a_year_that_has_none() -> None:
    mount = mount_of(checks_date_under_old_year=True)
    assert ask(mount, b":SC02/29/28#") == b"0"
    assert ask(mount, b":SC02/28/28#:SC02/29/28#:GC#") == b"1102/29/28#"


def test_drift_is_what_it_was_told() -> None:
    state = right(NOW, -31.85, 141.6, 10.5)
    state.drift_ppm = 50.0
    mount = mount_of(state=state)
    wait(mount, 10_000.0)
    assert mount.truth().clock_error_s == pytest.approx(0.5, abs=1e-6)


def test_sidereal_clocks_that_do_not_follow_the_settings() -> None:
    for kind, after_h in [("own-clock", 1.0027379), ("frozen", 0.0), ("mean", 1.0027379 - 141.6 / 15.0)]:
        mount = mount_of(sidereal=kind)
        before = mount.truth().sidereal_h
        assert ask(mount, b":Sg000*00#") == b"1"
        wait(mount, 3600.0)
        off_h = (mount.truth().sidereal_h - before - after_h + 12.0) % 24.0 - 12.0
        assert off_h == pytest.approx(0.0, abs=1e-5)


def test_a_site_memory_that_is_not_the_current_one_keeps_its_place() -> None:
    mount = mount_of()
    mount.firmware.select_memory(2, mount.timeline.monotonic())
    assert ask(mount, b":Sg200*00#") == b"1"
    mount.firmware.select_memory(0, mount.timeline.monotonic())
    assert ask(mount, b":Gg#") == b"218*24#"
    mount.firmware.select_memory(2, mount.timeline.monotonic())
    assert ask(mount, b":Gg#") == b"200*00#"


# --- timing ----------------------------------------------------------------------------------------


def test_the_clock_is_read_between_the_question_and_the_first_byte_of_the_answer() -> None:
    mount = mount_of(lag_before_s=(0.2, 0.2), lag_after_s=(0.3, 0.3))
    now = mount.timeline.monotonic()
    ((ready, text),) = mount.receive(b":GL#", now + 0.79, 0.0)
    assert (round(ready - now, 9), text) == (1.29, b"21:35:30#")  # read at 0.99 s
    assert mount.receive(b":GL#", now + 1.79, 0.01)[0][1] == b"21:35:32#"  # the `#` came 0.03 s later: read at 2.02 s


def test_lags_lie_within_their_ranges_and_repeat_from_a_seed() -> None:
    def lags(seed: int) -> list[float]:
        mount = SimulatedMount(
            USUAL, timeline=VirtualClock(NOW), state=factory(NOW), seed=seed,
            quirks=Quirks(lag_before_s=(0.005, 0.015), lag_after_s=(0.0, 0.0)),
        )  # fmt: skip
        return [mount.receive(b":GC#", 2000.0 + step)[0][0] - 2000.0 - step for step in range(50)]

    assert lags(1) == lags(1) != lags(2)
    assert 0.005 <= min(lags(1)) < 0.007
    assert 0.013 < max(lags(1)) <= 0.0150001


def test_a_busy_mount_keeps_so_many_bytes_and_loses_the_rest() -> None:
    mount = mount_of()
    now = mount.timeline.monotonic()
    mount.keep_busy(now + 10.0)
    replies = [reply for _ in range(200) for reply in mount.receive(b":GC#", now)]
    assert len(replies) == QUEUE_CAP // 4
    assert {at for at, _ in replies} == {now + 10.0}


def test_the_trace_shows_both_directions() -> None:
    mount = mount_of()
    seen: list[str] = []
    mount.on_trace = lambda row: seen.append(row.direction)
    ask(mount, b":GC#:U#")
    assert [(row.direction, row.data) for row in mount.trace] == [
        (">", b":GC#"), ("<", b"10/21/26#"), (">", b":U#"),
    ]  # fmt: skip
    assert seen == [">", "<", ">"]


# --- state -----------------------------------------------------------------------------------------


def test_the_factory_state_is_another_hemisphere_another_zone_and_the_year_2000() -> None:
    truth = SimulatedMount(USUAL, timeline=VirtualClock(NOW), state=factory(NOW)).truth()
    assert (truth.latitude_deg, truth.longitude_deg, truth.offset_h) == (40.0, -90.0, -6.0)
    assert truth.local == dt.datetime(2000, 1, 1, tzinfo=dt.timezone(dt.timedelta(hours=-6)))


def test_a_mount_kept_in_a_file_goes_on_ticking_while_it_is_off(tmp_path: Path) -> None:
    path = tmp_path / "mount.json"
    mount = mount_of()
    mount.firmware.set_rate(-20.0, mount.timeline.monotonic())
    ask(mount, b":SL12:00:00#:U#")
    save_state(path, mount.state, mount.timeline.true_utc_s())
    later = VirtualClock(NOW + dt.timedelta(hours=2))
    state = load_state(path)
    assert state == mount.state
    assert state is not None
    again = SimulatedMount(USUAL, timeline=later, state=state)
    wanted = dt.datetime(2026, 10, 21, 14, tzinfo=dt.timezone(dt.timedelta(hours=10.5)))
    assert again.truth().local - wanted == dt.timedelta(seconds=-0.144)  # -20 ppm of 7200 s


@pytest.mark.parametrize(
    ("text", "named"),
    [("{", "mount.json"), ("[]", "form"), ('{"form": "noonmark-simulated-mount-1"}', "form"), ("\udcff", "mount.json")],
)
def test_a_state_file_that_is_none_is_named(tmp_path: Path, text: str, named: str) -> None:
    path = tmp_path / "mount.json"
    path.write_bytes(text.encode("utf-8", "surrogateescape"))
    with pytest.raises(StateFileError, match=named):
        load_state(path)


@pytest.mark.parametrize(
    ("key", "value"),
    [("latitude_deg", "north"), ("latitude_deg", float("nan")), ("parked", 1), ("pointing", {"kind": "moon"}),
     ("pointing", {"hours": "x"}), ("memories", {"1": [1]}), ("accepted", []), ("alignment", "12"), ("colour", "red")],
)  # fmt: skip
def test_a_wrong_key_of_a_state_is_named(tmp_path: Path, key: str, value: object) -> None:
    path = tmp_path / "mount.json"
    data = {"form": "noonmark-simulated-mount-1", "state": {**factory(NOW).to_data(), key: value}}
    path.write_text(json.dumps(data), "utf-8")
    with pytest.raises(StateFileError, match=key):
        load_state(path)


def test_a_missing_key_of_a_state_is_named(tmp_path: Path) -> None:
    path = tmp_path / "mount.json"
    state = factory(NOW).to_data()
    del state["local_s"]
    path.write_text(json.dumps({"form": "noonmark-simulated-mount-1", "state": state}), "utf-8")
    with pytest.raises(StateFileError, match="local_s"):
        load_state(path)


def test_no_state_file_is_no_state_and_an_unwritable_one_is_named(tmp_path: Path) -> None:
    assert load_state(tmp_path / "none.json") is None
    with pytest.raises(StateFileError, match="nowhere"):
        save_state(tmp_path / "nowhere" / "mount.json", factory(NOW), 0.0)
