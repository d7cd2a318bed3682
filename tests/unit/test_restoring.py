"""Putting the earlier settings back: whatever manner the mount speaks, its inside is again what it was.

The inside is read from the simulated mount itself; the clock must run on as if nothing had been written.
"""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from support.lawbreaking import instant_disk  # noqa: F401 - used by every test here
from support.virtual import NIGHT, UNSYNCHRONISED, Rig, rig

from noonmark.driver import check, restore, set_mount
from noonmark.driver.dialects import resolve, shipped
from noonmark.protocols.dialect import Dialect, build_dialect
from noonmark.sim.state import MountState, Quirks, factory, right

FAST = {"rate_hz": 5.0, "sentences": ("RMC", "GGA")}


def built(folder: Path, **options: Any) -> Rig:
    return rig(folder, **({"receiver_options": FAST} | options))


def dialect(**tables: Any) -> Dialect:
    return build_dialect({"name": "differs", **tables}, "differs")


def there_and_back(one: Rig, clock_s: float = 0.12) -> None:
    """Set, restore, and compare the mount's inside with what it was. `clock_s`: the time is sent in whole seconds, at
    an instant that is right within what the mount needs before it carries a command out."""
    before = replace(one.mount.state)
    was_local_s = one.mount.firmware.local_s(one.clock.monotonic())
    begun_s = one.clock.true_utc_s()
    done = set_mount(one.config, seams=one.seams)
    assert done.written, (done.code, done.reason)
    back = restore(one.config, seams=one.seams)
    assert (back.outcome, back.code) == ("confirmed", "restored"), back.reason
    now = one.mount.state
    half = 0.5 / (3600 if one.mount.dialect.coordinates.written == "second" else 60) + 1e-9
    assert now.latitude_deg == pytest.approx(before.latitude_deg, abs=half)
    assert (now.longitude_deg - before.longitude_deg + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=half)
    assert now.offset_h == pytest.approx(before.offset_h, abs=1e-6)
    expected_s = was_local_s + one.clock.true_utc_s() - begun_s
    assert one.mount.firmware.local_s(one.clock.monotonic()) == pytest.approx(expected_s, abs=clock_s)


@pytest.mark.parametrize("told", ["auto", "itself"])
@pytest.mark.parametrize("name", sorted(shipped()))
def test_every_shipped_dialect(tmp_path: Path, name: str, told: str) -> None:
    clock_s = 0.12
    there_and_back(built(tmp_path, dialect=resolve(name), told=name if told == "itself" else "auto"), clock_s)


@pytest.mark.parametrize(
    "spoken",
    [
        dialect(longitude={"positive": "east", "written_positive": "west", "range": "-180..180"}),
        dialect(longitude={"positive": "west", "written_positive": "east"}),
        dialect(longitude={"drops_sign": True}),
        dialect(coordinates={"degree_mark": "0xDF", "shown": "second", "written": "second", "seconds_mark": "'"}),
        dialect(clock={"holds": "utc"}, offset={"sense": "from-utc", "format": "minutes"}),
        dialect(date={"resets_time": True}),
        dialect(date={"order": "dmy", "year_digits": 4}),
        dialect(date={"notices": 2, "blocks_s": 20.0}),
        dialect(acknowledgement="none"),
    ],
    ids=lambda one: str(one.model_dump(exclude_defaults=True, exclude={"name"})),
)
def test_other_manners(tmp_path: Path, spoken: Dialect) -> None:
    file = tmp_path / "mine.toml"
    from noonmark.driver.cli.dialects import as_toml

    file.write_text(as_toml(spoken))
    there_and_back(built(tmp_path / "records", dialect=spoken, told=str(file)))


def test_a_longitude_taken_with_the_other_sign_than_it_is_shown_with(tmp_path: Path) -> None:
    there_and_back(built(tmp_path, dialect=dialect(longitude={"positive": "west", "written_positive": "east"})))


@pytest.mark.parametrize("phase", ["reset", "kept"])
def test_a_clock_that_keeps_its_tick_is_put_back_to_the_second(tmp_path: Path, phase: str) -> None:
    there_and_back(built(tmp_path, dialect=dialect(clock={"phase": phase})), 0.12 if phase == "reset" else 1.0)


def stopped_at(local: dt.datetime, utc: dt.datetime = NIGHT) -> MountState:
    """A mount whose clock reads `local` (naive: its own idea) at `utc`."""
    local_s = (local.replace(tzinfo=dt.UTC) - dt.datetime(1970, 1, 1, tzinfo=dt.UTC)).total_seconds()
    return replace(factory(utc), local_s=local_s)


@pytest.mark.parametrize("before_s", [*range(1, 14, 4), *(16.5 + 0.3 * number for number in range(20)), 40])
def test_midnight_of_the_mounts_own_clock_at_any_moment(tmp_path: Path, before_s: float) -> None:
    """Its own midnight passes while it is read, set or put back (some 18 s after the beginning): its date must come
    out right all the same."""
    local = dt.datetime(2003, 7, 1) - dt.timedelta(seconds=before_s)  # noqa: DTZ001 - the mount's own idea
    there_and_back(built(tmp_path, state=stopped_at(local)))


@pytest.mark.parametrize(
    "local",
    [dt.datetime(1999, 12, 31, 12, 0), dt.datetime(2028, 2, 29, 3, 0), dt.datetime(2000, 1, 1)],  # noqa: DTZ001
)
def test_dates_of_any_year(tmp_path: Path, local: dt.datetime) -> None:
    one = built(tmp_path, state=stopped_at(local), dialect=dialect(date={"year_digits": 4 if local.year < 2000 else 2}))
    if local.year < 2000:  # this mount takes years from 1980 to 2099
        assert one.mount.firmware.ask(b"GC", one.clock.monotonic()) == b"12/31/1999"
    there_and_back(one)


@pytest.mark.parametrize("hour", [1, 11, 13, 23])
def test_a_12_hour_display(tmp_path: Path, hour: int) -> None:
    """Which half of the day it was is known by its sidereal clock."""
    local = dt.datetime(2024, 7, 25, hour, 20, 0)  # noqa: DTZ001
    spoken = dialect(clock={"display_hours": 12})
    there_and_back(built(tmp_path, state=stopped_at(local), dialect=spoken))


def test_it_is_the_newest_set_of_this_port_that_is_undone(tmp_path: Path) -> None:
    one = built(tmp_path)
    set_mount(one.config, seams=one.seams)
    check(one.config, seams=one.seams)
    again = set_mount(one.config, seams=one.seams)
    assert again.written == ()  # nothing to do: nothing to undo
    assert restore(one.config, seams=one.seams).outcome == "confirmed"
    assert one.mount.state.longitude_deg == -90.0


def test_an_earlier_record_can_be_named(tmp_path: Path) -> None:
    one = built(tmp_path)
    first = set_mount(one.config, seams=one.seams)
    one.mount.state.latitude_deg = 10.0
    second = set_mount(one.config, seams=one.seams)
    assert second.written
    assert first.record is not None
    assert restore(one.config, first.record, seams=one.seams).outcome == "confirmed"
    assert one.mount.state.latitude_deg == 40.0


def test_a_restore_can_be_undone_too_by_its_own_record(tmp_path: Path) -> None:
    one = built(tmp_path)
    set_mount(one.config, seams=one.seams)
    back = restore(one.config, seams=one.seams)
    assert back.record is not None
    assert restore(one.config, back.record, seams=one.seams).outcome == "confirmed"
    assert one.mount.state.longitude_deg == pytest.approx(141.6)


def test_without_a_truth_the_clock_is_put_back_by_this_hosts(tmp_path: Path) -> None:
    one = built(tmp_path)
    set_mount(one.config, seams=one.seams)
    one.clock.set_discipline(UNSYNCHRONISED)
    alone = rig(tmp_path, sources=[{"kind": "host"}], policy={"time_origins_required": 1, "place_origins_required": 1})
    result = restore(alone.config, seams=replace(one.seams))
    assert result.outcome == "confirmed"
    assert "clock-by-host" in {note.note for note in result.notes}


# --- what can't be put back -------------------------------------------------------------------------


def spoilt(folder: Path, **changes: Any) -> tuple[Rig, Path]:
    """A rig with a record of a `set`, changed by hand."""
    one = built(folder)
    done = set_mount(one.config, seams=one.seams)
    assert done.record is not None
    path = Path(done.record)
    data = json.loads(path.read_text())
    data.update({key: value for key, value in changes.items() if key != "earlier"})
    data["earlier"] = {**data["earlier"], **changes.get("earlier", {})}
    path.write_text(json.dumps(data))
    return one, path


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"schema": "another"}, "record-unreadable"),
        ({"earlier": {"longitude": "218:99"}}, "record-unreadable"),
        ({"earlier": {"longitude": None}}, "record-unreadable"),
        ({"earlier": {"longitude": "\u2603"}}, "record-unreadable"),
        ({"earlier": {"offset": "\ud800"}}, "record-unreadable"),
        ({"earlier": {"clock_minus_utc_s": "soon"}}, "record-unreadable"),
        ({"earlier": {"clock_minus_utc_s": float("nan")}}, "record-unreadable"),
        ({"earlier": {"clock_minus_utc_s": 1e300}}, "record-unreadable"),
        ({"earlier": {"clock_minus_utc_s": True}}, "record-unreadable"),
        ({"port": "/dev/another"}, "record-of-another-port"),
        ({"port": "\ud800\x1b[2J"}, "record-of-another-port"),
    ],
    ids=str,
)
def test_a_spoilt_record_is_refused_and_nothing_is_written(tmp_path: Path, changes: dict[str, Any], code: str) -> None:
    one, path = spoilt(tmp_path, **changes)
    taken = len(one.mount.settings_written)
    result = restore(one.config, path, seams=one.seams)
    assert (result.outcome, result.code, result.exit_status) == ("refused", code, 5)
    assert result.reason.isprintable()
    assert len(one.mount.settings_written) == taken


@pytest.mark.parametrize(
    ("content", "code"),
    [(None, "record-absent"), (b"", "record-unreadable"), (b"{", "record-unreadable"), (b"\xff", "record-unreadable"),
     (b"[]", "record-unreadable"), (b"[" * 100_000, "record-unreadable"),
     (b'{"schema": "noonmark-record-1"}', "record-absent")],
)  # fmt: skip
def test_no_record_at_all_is_refused(tmp_path: Path, content: bytes | None, code: str) -> None:
    path = tmp_path / "mine.json"
    if content is not None:
        path.write_bytes(content)
    one = built(tmp_path / "records")
    result = restore(one.config, path, seams=one.seams)
    assert (result.outcome, result.code) == ("refused", code)
    assert one.mount.settings_written == []


def test_without_any_record_restore_is_refused_with_the_folder(tmp_path: Path) -> None:
    one = built(tmp_path)
    result = restore(one.config, seams=one.seams)
    assert (result.outcome, result.code, result.exit_status) == ("refused", "record-absent", 5)
    assert str(tmp_path) in result.reason


def test_a_clock_that_was_unknown_is_left_alone(tmp_path: Path) -> None:
    one, path = spoilt(tmp_path, earlier={"clock_minus_utc_s": None})
    before_s = one.mount.firmware.local_s(one.clock.monotonic())
    begun_s = one.clock.true_utc_s()
    result = restore(one.config, path, seams=one.seams)
    assert result.outcome == "confirmed"
    local_s = one.mount.firmware.local_s(one.clock.monotonic())
    assert local_s == pytest.approx(before_s + one.clock.true_utc_s() - begun_s, abs=1e-3)


def test_a_mount_that_no_longer_takes_settings_is_told(tmp_path: Path) -> None:
    one = built(tmp_path, quirks=Quirks(once_per_power_up=True))
    assert set_mount(one.config, seams=one.seams).outcome == "confirmed"
    result = restore(one.config, seams=one.seams)
    assert (result.outcome, result.code, result.exit_status) == ("incomplete", "settings-not-taken", 6)
    assert set(result.unconfirmed) == {"longitude", "latitude", "offset", "date", "time"}


def test_what_is_as_it_was_is_not_written_again(tmp_path: Path) -> None:
    one = built(tmp_path, state=right(NIGHT, -31.8571, 141.6034, 9.5))
    set_mount(one.config, seams=one.seams)
    taken = len(one.mount.settings_written)
    assert restore(one.config, seams=one.seams).outcome == "confirmed"
    assert {change.name for change in one.mount.settings_written[taken:]} == {"offset", "date", "time"}


@pytest.mark.parametrize("told", ["auto", "usual"])
def test_what_is_back_is_told_in_our_signs_and_of_the_clock_as_it_is_now(tmp_path: Path, told: str) -> None:
    """A mount from the works stands at 90 W, six hours behind UTC, on the first of January 2000: so must be said, and
    not what it shows in its own signs, nor that its clock is right as it was before the earlier one was put back."""
    one = built(tmp_path, told=told)
    set_mount(one.config, seams=one.seams)
    result = restore(one.config, seams=one.seams)
    assert result.outcome == "confirmed"
    longitude, offset = result.setting("longitude"), result.setting("offset")
    assert longitude is not None
    assert offset is not None
    assert (longitude.expected, longitude.read, longitude.residual) == (-90.0, -90.0, 0.0)
    assert (offset.expected, offset.read, offset.residual) == (-6.0, -6.0, 0.0)
    assert result.clock is not None
    assert result.clock.utc_error_s is not None
    assert result.clock.utc_error_s[1] < -20 * 365 * 86400.0
    assert set(result.written) == {"longitude", "latitude", "offset", "date", "time"}
    assert result.unconfirmed == ()


def test_where_the_signs_are_not_known_only_the_mounts_own_text_is_told(tmp_path: Path) -> None:
    one = built(tmp_path)
    set_mount(one.config, seams=one.seams)
    one.mount.firmware.freeze_sidereal(one.clock.monotonic())
    result = restore(one.config, seams=one.seams)
    assert result.outcome == "confirmed"
    longitude = result.setting("longitude")
    assert longitude is not None
    assert (longitude.read, longitude.wire, longitude.ok) == (None, "090*00", True)
