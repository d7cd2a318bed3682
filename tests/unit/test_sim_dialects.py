"""The simulated mount speaks its dialect to the byte. Vectors are made by hand from the table of commands in the
design (common practice of the trade, from memory; no published source)."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from noonmark.protocols.dialect import build_dialect
from noonmark.sim.mount import SimulatedMount
from noonmark.sim.state import MountState, Pointing, Quirks, right
from noonmark.sim.timeline import VirtualClock

NOW = dt.datetime(2026, 10, 21, 11, 5, 30, tzinfo=dt.UTC)  # 21:35:30 at an offset of 10.5 h
AT_ONCE: dict[str, Any] = {"lag_before_s": (0.0, 0.0), "lag_after_s": (0.0, 0.0)}


def mount_of(
    tables: dict[str, Any] | None = None, *, latitude_deg: float = -31.85, longitude_deg: float = 141.6,
    offset_h: float = 10.5, quirks: dict[str, Any] | None = None, **fields: Any
) -> SimulatedMount:  # fmt: skip
    """A mount whose clock reads local time right, at Saltbush Ridge unless told otherwise."""
    dialect = build_dialect({"name": "tested", **(tables or {})}, "test")
    now_s = NOW.timestamp()
    state = MountState(latitude_deg, longitude_deg, offset_h, now_s + offset_h * 3600.0, now_s, **fields)
    return SimulatedMount(dialect, timeline=VirtualClock(NOW), state=state, quirks=Quirks(**AT_ONCE, **(quirks or {})))


def ask(mount: SimulatedMount, request: bytes) -> bytes:
    """What comes back to some bytes, whenever."""
    return b"".join(data for _, data in mount.receive(request, mount.timeline.monotonic()))


def wait(mount: SimulatedMount, seconds: float) -> None:
    mount.timeline.wait_until(mount.timeline.monotonic() + seconds)


# --- the usual manner ------------------------------------------------------------------------------

USUAL_ANSWERS = [
    (b":GC#", b"10/21/26#"),
    (b":GL#", b"21:35:30#"),
    (b":GG#", b"-10.5#"),  # to ADD to local time to get UTC
    (b":Gg#", b"218*24#"),  # 360 - 141.6 = 218.4, west positive
    (b":Gt#", b"-31*51#"),
    (b":D#", b"#"),
    (b":GW#", b"GT0#"),
    (b":Gc#", b"24#"),
    (b":GVP#", b"Simulated mount#"),
    (b":GVN#", b"1.0#"),
    (b":U#", b""),
]


@pytest.mark.parametrize(("request_bytes", "answer"), USUAL_ANSWERS)
def test_the_usual_answers(request_bytes: bytes, answer: bytes) -> None:
    assert ask(mount_of(), request_bytes) == answer


def test_sidereal_time_and_pointing_are_shown_by_its_own_sky() -> None:
    mount = mount_of()
    shown = ask(mount, b":GS#")
    hours = mount.truth().sidereal_h
    assert shown == b"%02d:%02d:%02d#" % (hours, hours * 60 % 60, hours * 3600 % 60)
    assert ask(mount, b":GD#") == b"-90*00#"  # at home: the pole of its hemisphere
    assert ask(mount, b":GA#") == b"+31*51#"
    mount = mount_of(pointing=Pointing("sky", 5.5, 12.25))
    assert ask(mount, b":GR#:GD#") == b"05:30.0#+12*15#"
    assert ask(mount, b":U#:GR#:GD#") == b"05:30:00#+12*15:00#"


USUAL_SETTINGS = [
    (b":SC02/29/28#", b"1"), (b":SC02/29/27#", b"0"), (b":SC13/01/26#", b"0"), (b":SC1/1/26#", b"0"),
    (b":SC10/21/2026#", b"0"), (b":SL23:59:59#", b"1"), (b":SL24:00:00#", b"0"), (b":SL12:00#", b"0"),
    (b":SL12:60:00#", b"0"), (b":SG-10.5#", b"1"), (b":SG+05#", b"1"), (b":SG10.5#", b"0"), (b":SG-10.55#", b"0"),
    (b":SG-10:30#", b"0"), (b":SG+14.0#", b"1"), (b":SG+14.1#", b"0"), (b":Sg218*24#", b"1"), (b":Sg360*00#", b"0"),
    (b":Sg359*59#", b"1"), (b":Sg218*24:00#", b"0"), (b":Sg-141*36#", b"0"), (b":Sg+218*24#", b"0"),
    (b":Sg218\xdf24#", b"0"), (b":Sg18*24#", b"0"), (b":Sg218*60#", b"0"), (b":St-31*51#", b"1"),
    (b":St31*51#", b"0"), (b":St+90*00#", b"1"), (b":St+90*01#", b"0"), (b":St-31*51:00#", b"0"), (b":SL#", b"0"),
    (b":SC\xff\xff#", b"0"),
]  # fmt: skip


@pytest.mark.parametrize(("request_bytes", "answer"), USUAL_SETTINGS)
def test_settings_of_the_usual_form_are_taken_and_nonsense_is_refused(request_bytes: bytes, answer: bytes) -> None:
    mount = mount_of()
    before = mount.truth()
    assert ask(mount, request_bytes) == answer
    assert len(mount.settings_written) == (answer == b"1")
    if answer == b"0":
        assert mount.truth() == before


def test_what_was_written_is_what_is_believed_and_shown() -> None:
    mount = mount_of(latitude_deg=40.0, longitude_deg=-90.0, offset_h=-6.0)
    assert ask(mount, b":SG-10.5#:Sg218*24#:St-31*51#:SC10/21/26#:SL21:35:30#") == b"11111"
    truth = mount.truth()
    assert [truth.longitude_deg, truth.latitude_deg, truth.offset_h] == pytest.approx([141.6, -31.85, 10.5])
    assert truth.utc == NOW
    assert truth.utc_error_s == pytest.approx(0.0, abs=1e-6)
    assert ask(mount, b":Gg#:Gt#:GG#:GC#:GL#") == b"218*24#-31*51#-10.5#10/21/26#21:35:30#"
    assert [change.name for change in mount.settings_written] == ["offset", "longitude", "latitude", "date", "time"]


# --- one manner after the other --------------------------------------------------------------------

SHOWN = [
    ({"coordinates": {"degree_mark": "0xDF"}}, b":Gg#:Gt#", b"218\xdf24#-31\xdf51#"),
    ({"coordinates": {"shown": "second"}}, b":Gg#:Gt#", b"218*24:00#-31*51:00#"),
    ({"coordinates": {"shown": "second", "seconds_mark": "'"}}, b":Gt#", b"-31*51'00#"),
    ({}, b":U#:Gt#:U#:Gt#", b"-31*51:00#-31*51#"),
    ({"coordinates": {"toggles": False}}, b":U#:Gt#", b"-31*51#"),
    ({"longitude": {"positive": "east"}}, b":Gg#", b"141*36#"),
    ({"longitude": {"positive": "east", "range": "-180..180"}}, b":Gg#", b"141*36#"),
    ({"longitude": {"positive": "east", "range": "-180..180", "plus_sign": True}}, b":Gg#", b"+141*36#"),
    ({"longitude": {"range": "-180..180"}}, b":Gg#", b"-141*36#"),
    ({"offset": {"sense": "from-utc"}}, b":GG#", b"+10.5#"),
    ({"offset": {"format": "hours"}}, b":GG#", b"-10#"),
    ({"offset": {"format": "minutes"}}, b":GG#", b"-10:30#"),
    ({"clock": {"display_hours": 12}}, b":GL#:Gc#", b"09:35:30#12#"),
    ({"date": {"order": "dmy"}}, b":GC#", b"21/10/26#"),
    ({"date": {"year_digits": 4}}, b":GC#", b"10/21/2026#"),
]


@pytest.mark.parametrize(("tables", "request_bytes", "answer"), SHOWN)
def test_each_manner_of_showing(tables: dict[str, Any], request_bytes: bytes, answer: bytes) -> None:
    assert ask(mount_of(tables), request_bytes) == answer


TAKEN = [
    ({"coordinates": {"degree_mark": "0xDF"}}, b":St-10\xdf30#", b"1", "latitude_deg", -10.5),
    ({"coordinates": {"degree_mark": "0xDF"}}, b":St-10*30#", b"0", "latitude_deg", -31.85),
    ({"coordinates": {"written": "second"}}, b":St-10*30:36#", b"1", "latitude_deg", -10.51),
    ({"coordinates": {"written": "second"}}, b":St-10*30#", b"1", "latitude_deg", -10.5),
    ({"coordinates": {"written": "second", "seconds_mark": "'"}}, b":St-10*30'36#", b"1", "latitude_deg", -10.51),
    ({"coordinates": {"written": "second", "seconds_mark": "'"}}, b":St-10*30:36#", b"0", "latitude_deg", -31.85),
    ({"longitude": {"positive": "east"}}, b":Sg010*30#", b"1", "longitude_deg", 10.5),
    ({"longitude": {"written_positive": "east"}}, b":Sg010*30#", b"1", "longitude_deg", 10.5),
    ({"longitude": {"positive": "east", "written_positive": "west"}}, b":Sg010*30#", b"1", "longitude_deg", -10.5),
    ({"longitude": {"range": "-180..180"}}, b":Sg-010*30#", b"1", "longitude_deg", 10.5),
    ({"longitude": {"range": "-180..180"}}, b":Sg+010*30#", b"0", "longitude_deg", 141.6),
    ({"longitude": {"range": "-180..180", "plus_sign": True}}, b":Sg+010*30#", b"1", "longitude_deg", -10.5),
    ({"longitude": {"range": "-180..180", "plus_sign": True}}, b":Sg010*30#", b"0", "longitude_deg", 141.6),
    ({"longitude": {"range": "-180..180"}}, b":Sg218*24#", b"0", "longitude_deg", 141.6),
    ({"longitude": {"drops_sign": True}}, b":Sg-010*30#", b"1", "longitude_deg", -10.5),
    ({"longitude": {"drops_sign": True}}, b":Sg349*30#", b"1", "longitude_deg", 10.5),
    ({"offset": {"sense": "from-utc"}}, b":SG+09.5#", b"1", "offset_h", 9.5),
    ({"offset": {"format": "hours"}}, b":SG-09#", b"1", "offset_h", 9.0),
    ({"offset": {"format": "hours"}}, b":SG-09.5#", b"0", "offset_h", 10.5),
    ({"offset": {"format": "hours", "finer": "truncate"}}, b":SG-09.5#", b"1", "offset_h", 9.0),
    ({"offset": {"format": "hours", "finer": "truncate"}}, b":SG+09:30#", b"1", "offset_h", -9.0),
    ({"offset": {"finer": "truncate"}}, b":SG-05.75#", b"1", "offset_h", 5.7),
    ({"offset": {"finer": "truncate"}}, b":SG-05:45#", b"1", "offset_h", 5.7),
    ({"offset": {"format": "minutes"}}, b":SG-05:45#", b"1", "offset_h", 5.75),
    ({"offset": {"format": "minutes"}}, b":SG-05.7#", b"0", "offset_h", 10.5),
    ({"offset": {"limit_h": 12.0}}, b":SG-12.0#", b"1", "offset_h", 12.0),
    ({"offset": {"limit_h": 12.0}}, b":SG-12.1#", b"0", "offset_h", 10.5),
]


@pytest.mark.parametrize(("tables", "request_bytes", "answer", "field", "value"), TAKEN)
def test_each_manner_of_taking(
    tables: dict[str, Any], request_bytes: bytes, answer: bytes, field: str, value: float
) -> None:
    mount = mount_of(tables)
    assert ask(mount, request_bytes) == answer
    assert getattr(mount.truth(), field) == pytest.approx(value)


DATES = [
    ({"order": "dmy"}, b":SC03/04/27#", b"1", dt.date(2027, 4, 3)),
    ({}, b":SC03/04/27#", b"1", dt.date(2027, 3, 4)),
    ({"order": "dmy"}, b":SC10/21/26#", b"0", dt.date(2026, 10, 21)),
    ({"year_digits": 4}, b":SC03/04/2027#", b"1", dt.date(2027, 3, 4)),
    ({"year_digits": 4}, b":SC03/04/27#", b"0", dt.date(2026, 10, 21)),
]


@pytest.mark.parametrize(("table", "request_bytes", "answer", "date"), DATES)
def test_each_manner_of_dates(table: dict[str, Any], request_bytes: bytes, answer: bytes, date: dt.date) -> None:
    mount = mount_of({"date": table})
    assert ask(mount, request_bytes) == answer
    local = mount.truth().local
    assert (local.date(), local.time()) == (date, dt.time(21, 35, 30))


def test_acknowledgements_with_an_end_mark_and_without_any() -> None:
    assert ask(mount_of({"acknowledgement": "end-mark"}), b":SL12:00:00#:SLx#") == b"1#0#"
    silent = mount_of({"acknowledgement": "none"})
    assert ask(silent, b":SL12:00:00#:SC10/22/26#:GL#") == b"12:00:00#"


def test_an_end_mark_may_come_late() -> None:
    mount = mount_of({"acknowledgement": "end-mark"}, quirks={"late_mark_s": 3.0})
    now = mount.timeline.monotonic()
    assert mount.receive(b":SL12:00:00#", now) == [(now, b"1"), (now + 3.0, b"#")]


@pytest.mark.parametrize(("notices", "count"), [(0, 1), (1, 2), (2, 3)])
def test_a_date_may_block_and_be_followed_by_notices(notices: int, count: int) -> None:
    mount = mount_of({"date": {"notices": notices, "blocks_s": 25.0}})
    now = mount.timeline.monotonic()
    replies = mount.receive(b":SC10/22/26#:GC#", now)
    assert len(replies) == count + 1
    assert replies[-1][1] == b"10/22/26#"  # asked while it was busy, answered after
    assert replies[0] == (now if notices else now + 25.0, b"1")
    for at, text in replies[1:-1]:
        assert at == now + 25.0
        assert text.endswith(b"#")
    assert replies[-1][0] >= now + 25.0


def test_a_refused_date_neither_blocks_nor_is_followed_by_notices() -> None:
    mount = mount_of({"date": {"notices": 2, "blocks_s": 25.0}})
    assert mount.receive(b":SC99/99/99#", mount.timeline.monotonic()) == [(mount.timeline.monotonic(), b"0")]


# --- the clock -------------------------------------------------------------------------------------


def test_a_clock_that_holds_local_time_keeps_it_when_the_offset_is_written() -> None:
    mount = mount_of()
    assert ask(mount, b":SG-09.5#:GL#") == b"121:35:30#"
    assert mount.truth().utc == NOW + dt.timedelta(hours=1)


def test_a_clock_that_holds_utc_moves_local_time_and_date_when_the_offset_is_written() -> None:
    mount = mount_of({"clock": {"holds": "utc"}})
    assert ask(mount, b":SG-13.5#:GL#:GC#") == b"100:35:30#10/22/26#"
    assert mount.truth().utc == NOW


def test_local_time_taken_for_utc_whatever_the_offset() -> None:
    mount = mount_of({"clock": {"local_is_utc": True}})
    shown = ask(mount, b":GS#")
    assert ask(mount, b":SG+03.0#:GS#") == b"1" + shown
    assert mount.truth().utc == NOW + dt.timedelta(hours=10.5)


def test_a_daylight_hour_that_no_command_shows() -> None:
    mount = mount_of({"clock": {"daylight_hour": True}})
    assert ask(mount, b":GL#:GG#") == b"21:35:30#-10.5#"
    truth = mount.truth()
    assert (truth.utc, truth.daylight_h) == (NOW - dt.timedelta(hours=1), 1.0)
    assert truth.local.utcoffset() == dt.timedelta(hours=11.5)


def test_a_daylight_hour_that_comes_and_goes_by_the_date_it_believes() -> None:
    mount = mount_of(quirks={"automatic_daylight": True})
    assert mount.truth().daylight_h == 1.0  # 21 October lies between March and November
    for date, hour in [(b"03/07/26", 0.0), (b"03/09/26", 1.0), (b"10/31/26", 1.0), (b"11/02/26", 0.0)]:
        assert ask(mount, b":SC%b#" % date) == b"1"  # in the USA: 8 March to 1 November 2026
        assert mount.truth().daylight_h == hour


def test_the_phase_is_reset_when_the_time_is_set_or_kept() -> None:
    for phase, seen in [("reset", [b"12:00:00#", b"12:00:00#", b"12:00:01#"]),
                        ("kept", [b"12:00:00#", b"12:00:01#", b"12:00:01#"])]:  # fmt: skip
        mount = mount_of({"clock": {"phase": phase}})
        wait(mount, 0.4)  # the old tick is 0.6 s away
        assert ask(mount, b":SL12:00:00#") == b"1"
        shown = []
        for _ in range(3):
            shown.append(ask(mount, b":GL#"))
            wait(mount, 0.65 if len(shown) == 1 else 0.5)
        assert shown == seen


def test_a_rounding_display_ticks_first_after_half_a_second() -> None:
    mount = mount_of({"clock": {"display_rounds": True}})
    assert ask(mount, b":SL12:00:00#:GL#") == b"112:00:00#"
    wait(mount, 0.51)
    assert ask(mount, b":GL#") == b"12:00:01#"
    assert mount.truth().display_error_s - mount.truth().clock_error_s == 0.5


def test_setting_the_date_may_reset_the_time() -> None:
    assert ask(mount_of({"date": {"resets_time": True}}), b":SC10/22/26#:GL#") == b"100:00:00#"


def test_sidereal_time_renewed_only_when_the_time_is_set() -> None:
    mount = mount_of({"clock": {"sidereal_renewed": "at-set-time"}})
    before = mount.truth().sidereal_h
    assert ask(mount, b":Sg000*00#") == b"1"
    assert mount.truth().sidereal_h == pytest.approx(before)
    assert ask(mount, b":SL21:35:30#") == b"1"
    moved_h = (mount.truth().sidereal_h - before) % 24.0
    assert moved_h == pytest.approx(-141.6 / 15.0 % 24.0)


def test_right_is_right_under_every_convention() -> None:
    for clock in ({}, {"daylight_hour": True}, {"local_is_utc": True}, {"holds": "utc"}):
        dialect = build_dialect({"name": "tested", "clock": clock}, "test")
        state = right(NOW, -31.8571, 141.6034, 10.5, dialect=dialect)
        truth = SimulatedMount(dialect, timeline=VirtualClock(NOW), state=state).truth()
        assert truth.utc == NOW
        assert abs(truth.latitude_deg + 31.8571) <= 0.5 / 60
        assert abs(truth.longitude_deg - 141.6034) <= 0.5 / 60


def test_right_falls_back_to_utc_where_the_offset_cannot_be_held() -> None:
    dialect = build_dialect({"name": "tested", "offset": {"format": "tenths", "limit_h": 12.0}}, "test")
    for offset_h in (5.75, 13.75):
        state = right(NOW, 0.0, 0.0, offset_h, dialect=dialect)
        truth = SimulatedMount(dialect, timeline=VirtualClock(NOW), state=state).truth()
        assert (truth.utc, truth.offset_h, truth.local.utcoffset()) == (NOW, 0.0, dt.timedelta(0))
