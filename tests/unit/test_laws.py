"""Laws 1 to 3: what `confirmed` means, the record before the first write, what may leave the link.

The mount's inside is judged by another computation than the driver's (`support.judging`: ERFA's 1982 expression), at
an invented place. Everything runs in virtual time.
"""

from __future__ import annotations

import errno
import json
import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from support.lawbreaking import (
    ALLOWED,
    LETTERS,
    NAMES,
    READS,
    Answers,
    AtFirstWrite,
    built,
    inside,
    instant_disk,  # noqa: F401 - used by every test here
    rightly_set,
    sent,
    writes,
)
from support.virtual import NIGHT, SITE

from noonmark.driver import check, restore, set_mount
from noonmark.driver.allowlist import ForbiddenCommand
from noonmark.driver.dialects import resolve, shipped
from noonmark.protocols import lx
from noonmark.protocols.dialect import build_dialect
from noonmark.sim.faults import build_faults
from noonmark.sim.injection import MountFault, Reply
from noonmark.sim.mount import SimulatedMount
from noonmark.sim.state import MountState, Quirks, factory, right

# --- 1: what `confirmed` means ----------------------------------------------------------------------


@pytest.mark.parametrize("spoken", ["usual", "usual-end-mark", "east-from-utc", "clock-on-utc"])
@pytest.mark.parametrize("name", NAMES)
def test_law_1_a_mount_that_acknowledges_without_doing_is_never_confirmed(
    tmp_path: Path, name: str, spoken: str
) -> None:
    dialect = resolve(spoken)
    flag = b"1#" if dialect.acknowledgement == "end-mark" else b"1"
    one = built(tmp_path, dialect=dialect, mount_faults=[Answers(**{LETTERS[name].decode(): flag})])
    result = set_mount(one.config, seams=one.seams)
    assert inside(one)
    assert (result.outcome, result.exit_status) == ("incomplete", 6)
    assert name in result.unconfirmed
    assert name not in result.written


@pytest.mark.parametrize("name", NAMES)
def test_law_1_a_mount_that_refuses_one_setting_is_never_confirmed(tmp_path: Path, name: str) -> None:
    one = built(tmp_path, mount_faults=[Answers(**{LETTERS[name].decode(): b"0"})])
    result = set_mount(one.config, seams=one.seams)
    assert inside(one)
    assert result.outcome == "incomplete"
    assert name not in result.written


@pytest.mark.parametrize("after_s", [0.2, 1.0, 3.0, 4.0, 4.9])
@pytest.mark.parametrize(
    "with_what",
    [{"longitude_deg": -90.0}, {"latitude_deg": 40.0}, {"offset_h": -6.0}, {"local_shift_s": 47.0},
     {"local_shift_s": -1.6}],
    ids=str,
)  # fmt: skip
def test_law_1_settings_that_are_overwritten_within_five_seconds_are_never_confirmed(
    tmp_path: Path, with_what: dict[str, float], after_s: float
) -> None:
    """After the last write something else has its word; the law holds if it is noticed, or harmless."""
    quirks = Quirks(overwritten_after_s=after_s, overwritten_with=with_what)
    one = built(tmp_path, quirks=quirks)
    result = set_mount(one.config, seams=one.seams)
    if result.outcome == "confirmed":
        assert inside(one) == []
    else:
        assert (result.outcome, result.exit_status) == ("incomplete", 6)


def test_law_1_a_mount_that_answers_refused_and_does_it_is_judged_by_what_it_shows(tmp_path: Path) -> None:
    class Contrary(MountFault):
        def replies(self, mount: SimulatedMount, command: bytes, replies: list[Reply]) -> list[Reply]:
            if not command.startswith(b"S"):
                return replies
            self.bite()
            return [(ready, b"0") for ready, _ in replies[:1]]

    fault = Contrary("contrary", 0.0, 0)
    one = built(tmp_path, mount_faults=[fault])
    result = set_mount(one.config, seams=one.seams)
    assert fault.bites
    assert one.mount.settings_written
    assert result.outcome in ("confirmed", "incomplete")  # never "refused: it is as it was"
    assert (result.outcome == "confirmed") <= (inside(one) == [])


REVERSED = build_dialect(
    {"name": "reversed", "longitude": {"positive": "east"}, "offset": {"sense": "from-utc", "format": "minutes"}}, "x"
)
ON_LOCUS = {"latitude_deg": 33.3, "longitude_deg": 45.123, "timezone": "Asia/Baghdad"}  # 15.041 x 3 h


def misread() -> MountState:
    """What it shows is right in the usual manner, and it means the opposite place and offset by it: its sidereal time
    is nearly that of the right ones."""
    return right(NIGHT, 33.3, -45.123, -3.0, error_s=6.0 * 3600.0)


def test_law_1_values_that_another_convention_would_make_right_are_never_confirmed_by_check(tmp_path: Path) -> None:
    one = built(tmp_path, site=ON_LOCUS, dialect=REVERSED, state=misread())
    assert inside(one)
    result = check(one.config, seams=one.seams)
    assert (result.outcome, result.code) == ("refused", "signs-ambiguous")
    assert writes(one) == []


def test_law_1_such_signs_are_told_apart_by_writing_in_stages(tmp_path: Path) -> None:
    one = built(tmp_path, site=ON_LOCUS, dialect=REVERSED, state=misread())
    result = set_mount(one.config, seams=one.seams)
    assert result.outcome == "confirmed"
    assert inside(one) == []


def test_law_1_such_signs_told_wrongly_by_a_dialect_are_found_out(tmp_path: Path) -> None:
    one = built(tmp_path, site=ON_LOCUS, dialect=REVERSED, state=misread(), told="usual")
    assert check(one.config, seams=one.seams).outcome == "refused"
    result = set_mount(one.config, seams=one.seams)
    assert result.outcome != "confirmed" or inside(one) == []


@pytest.mark.parametrize("asleep_s", [2.0, 60.0])
@pytest.mark.parametrize("letters", [b":Sg", b":SL", b":SC"])
def test_law_1_a_machine_that_slept_amid_the_writes_confirms_nothing(
    tmp_path: Path, letters: bytes, asleep_s: float
) -> None:
    """The truth stands on the monotonic clock, which does not go on while the machine is suspended."""

    def sleep(mount: SimulatedMount) -> None:
        one.clock.suspend(asleep_s)

    fault = AtFirstWrite(sleep, letters)
    one = built(tmp_path, mount_faults=[fault])
    result = set_mount(one.config, seams=one.seams)
    assert fault.bites == 1
    assert (result.outcome, result.code) == ("incomplete", "host-suspended")


def test_law_1_a_hosts_clock_that_steps_amid_the_writes_confirms_nothing(tmp_path: Path) -> None:
    def step(mount: SimulatedMount) -> None:
        one.clock.step_host(3.0)

    one = built(tmp_path, mount_faults=[AtFirstWrite(step)])
    result = set_mount(one.config, seams=one.seams)
    assert (result.outcome, result.code) == ("incomplete", "host-clock-stepped")


class OneBitTurned(MountFault):
    """In the answer to a question, when it comes for the nth time, one bit makes of what it holds what is right."""

    def __init__(self, letters: bytes, nth: int, held: bytes, right: bytes) -> None:
        super().__init__("one-bit-turned", 0.0, 0)
        self.letters, self.left, self.held, self.right = letters, nth, held, right
        assert sum((a ^ b).bit_count() for a, b in zip(held, right, strict=True)) == 1

    def replies(self, mount: SimulatedMount, command: bytes, replies: list[Reply]) -> list[Reply]:
        if command != self.letters:
            return replies
        self.left -= 1
        if self.left:
            return replies
        self.bite()
        return [(ready, data.replace(self.held, self.right)) for ready, data in replies]


@pytest.mark.parametrize("quick", [True, False])
@pytest.mark.parametrize("nth", [1, 2])
@pytest.mark.parametrize(
    ("letters", "held", "right_text", "wrong"),
    [
        (
            b"Gt",
            b"-30*51",
            b"-31*51",
            {"latitude_deg": -(30 + 51 / 60)},
        ),  # of the latitude the sidereal clock says nothing
        (b"Gg", b"141*34", b"141*36", {"longitude_deg": 141 + 34 / 60}),  # 8 s of sidereal time: within its budget
    ],
)
def test_law_1_one_bit_of_one_answer_never_makes_a_wrong_place_right(
    tmp_path: Path, quick: bool, nth: int, letters: bytes, held: bytes, right_text: bytes, wrong: dict[str, float]
) -> None:
    fault = OneBitTurned(letters, nth, held, right_text)
    east = build_dialect({"name": "east", "longitude": {"positive": "east", "range": "-180..180"}}, "here")
    one = built(tmp_path, dialect=east, state=rightly_set(**wrong), mount_faults=[fault])
    result = check(one.config, seams=one.seams, quick=quick)
    assert fault.bites == 1
    assert (result.outcome, result.code) == ("discrepant", "settings-differ")


@pytest.mark.parametrize("name", sorted(shipped()))
def test_law_1_a_check_that_finds_all_this_is_confirmed_too(tmp_path: Path, name: str) -> None:
    dialect = resolve(name)
    state = right(NIGHT, SITE["latitude_deg"], SITE["longitude_deg"], 10.5, dialect=dialect)
    one = built(tmp_path, dialect=dialect, state=state)
    result = check(one.config, seams=one.seams)
    assert result.outcome == "confirmed", (result.code, result.reason)
    assert inside(one) == []
    assert {row.name for row in result.settings if row.ok} == {*NAMES, "sidereal"}


@pytest.mark.parametrize(
    ("changes", "wrong"),
    [({"latitude_deg": 31.8571}, "latitude"), ({"longitude_deg": -141.6}, "longitude"), ({"offset_h": 9.5}, "offset")],
)
def test_law_1_a_check_of_one_wrong_setting_is_discrepant(
    tmp_path: Path, changes: dict[str, float], wrong: str
) -> None:
    one = built(tmp_path, state=rightly_set(**changes))
    result = check(one.config, seams=one.seams)
    assert (result.outcome, result.exit_status) == ("discrepant", 1)
    assert wrong in [row.name for row in result.settings if row.ok is False]


# --- 2: nothing is written before the earlier settings are on disk -----------------------------------


@pytest.mark.parametrize("name", sorted(shipped()))
def test_law_2_the_earlier_settings_are_on_disk_before_the_first_byte_of_a_write(tmp_path: Path, name: str) -> None:
    """Read from within the mount, as the first byte of the first set command reaches it."""
    dialect = resolve(name)
    found: list[dict[str, Any]] = []
    shown: dict[str, str] = {}

    def look(mount: SimulatedMount) -> None:
        for path in tmp_path.glob("*.json"):
            found.append(json.loads(path.read_text()))
        now = mount.timeline.monotonic()
        for key, letters in (("date", b"GC"), ("offset", b"GG"), ("longitude", b"Gg"), ("latitude", b"Gt")):
            answer = mount.firmware.ask(letters, now)
            assert answer is not None
            shown[key] = answer.decode("latin-1")

    fault = AtFirstWrite(look)
    one = built(tmp_path, dialect=dialect, mount_faults=[fault])
    set_mount(one.config, seams=one.seams)
    assert fault.bites == 1
    (record,) = found
    assert record["stage"] == "planned"
    assert {key: record["earlier"][key] for key in shown} == shown
    local = factory(NIGHT).local_s - NIGHT.timestamp()
    assert record["earlier"]["clock_minus_utc_s"] == pytest.approx(local, abs=0.6)
    assert [row["name"] for row in record["planned"]] == list(NAMES)


def test_law_2_the_disk_is_waited_for_before_the_first_write(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Temporary file, fsync, rename, fsync of the folder; and all of it again after the writes and at the end."""
    done: list[str] = []
    replace_file = os.replace

    def fsync(descriptor: int) -> None:
        done.append("fsync of the folder" if os.path.isdir(f"/proc/self/fd/{descriptor}") else "fsync")  # noqa: PTH112

    def rename(source: Path, target: Path) -> None:
        done.append(f"rename {json.loads(Path(source).read_text())['stage']}")
        replace_file(source, target)

    monkeypatch.setattr(os, "fsync", fsync)
    monkeypatch.setattr(os, "replace", rename)
    one = built(tmp_path, mount_faults=[AtFirstWrite(lambda mount: done.append("first write"))])
    assert set_mount(one.config, seams=one.seams).outcome == "confirmed"
    assert done[:4] == ["fsync", "rename planned", "fsync of the folder", "first write"]
    assert done[4:7] == ["fsync", "rename written", "fsync of the folder"]
    assert done[-3:] == ["fsync", "rename finished", "fsync of the folder"]


def broken(call: str, number: int) -> Callable[[pytest.MonkeyPatch], None]:
    """A system call that fails."""

    def patch(monkeypatch: pytest.MonkeyPatch) -> None:
        def fail(*_: Any, **__: Any) -> Any:
            raise OSError(number, os.strerror(number))

        monkeypatch.setattr(os, call, fail)

    return patch


def unbroken(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing fails by itself: the folder is of no use."""


def a_file(folder: Path) -> Path:
    (folder / "taken").write_text("not a folder")
    return folder / "taken"


TROUBLES: list[Any] = [
    pytest.param(a_file, unbroken, id="the folder is a file"),
    pytest.param(lambda folder: a_file(folder) / "below", unbroken, id="the folder is below a file"),
    pytest.param(lambda folder: Path("/proc/nowhere/records"), unbroken, id="no folder can be made there"),
    pytest.param(lambda folder: folder / ("x" * 300), unbroken, id="a name too long"),
    pytest.param(lambda folder: folder, broken("write", errno.ENOSPC), id="the disk is full"),
    pytest.param(lambda folder: folder, broken("fsync", errno.EIO), id="the disk fails"),
    pytest.param(lambda folder: folder, broken("replace", errno.EROFS), id="the disk turned read-only"),
]


@pytest.mark.parametrize(("where", "patch"), TROUBLES)
def test_law_2_where_no_record_can_be_written_set_is_refused_and_check_warns(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, where: Callable[[Path], Path], patch: Callable[..., None]
) -> None:
    one = built(where(tmp_path))
    patch(monkeypatch)
    result = set_mount(one.config, seams=one.seams)
    assert (result.outcome, result.code, result.exit_status) == ("refused", "record-not-writable", 5)
    assert result.remedy
    assert result.record is None
    assert writes(one) == []
    assert one.mount.settings_written == []
    assert (result.written, result.unconfirmed, set(result.untouched)) == ((), (), set(NAMES))
    looked = built(where(tmp_path), state=rightly_set())
    seen = check(looked.config, seams=looked.seams)
    assert seen.outcome == "confirmed"
    assert "record-not-written" in {note.note for note in seen.notes}
    monkeypatch.undo()
    assert [path for path in tmp_path.rglob("*") if path.name.startswith(".")] == []  # no half-written file


def test_law_2_a_record_that_fails_after_the_first_write_stands_at_its_first_stage(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fill_up(mount: SimulatedMount) -> None:
        broken("write", errno.ENOSPC)(monkeypatch)

    one = built(tmp_path, mount_faults=[AtFirstWrite(fill_up)])
    result = set_mount(one.config, seams=one.seams)
    monkeypatch.undo()
    assert result.outcome == "confirmed"
    assert "record-not-written" in {note.note for note in result.notes}
    (path,) = tmp_path.glob("*.json")
    record = json.loads(path.read_text())
    assert record["stage"] == "planned"  # "maybe written"
    assert "result" not in record
    assert restore(one.config, path, seams=one.seams).outcome == "confirmed"


def test_law_2_a_set_with_nothing_to_do_writes_nothing(tmp_path: Path) -> None:
    one = built(tmp_path, state=rightly_set())
    result = set_mount(one.config, seams=one.seams)
    assert (result.outcome, result.written, result.planned) == ("confirmed", (), ())
    assert writes(one) == []


def test_law_2_a_dry_run_writes_nothing_and_says_what_it_would(tmp_path: Path) -> None:
    one = built(tmp_path)
    result = set_mount(one.config, dry_run=True, seams=one.seams)
    assert (result.outcome, result.exit_status) == ("discrepant", 1)
    assert [row.name for row in result.planned] == list(NAMES)
    assert bytes.fromhex(result.planned[0].bytes) == b":Sg218*24#"
    assert writes(one) == []
    assert "earlier" not in json.loads(next(tmp_path.glob("*.json")).read_text())


# --- 3: what may leave the link ---------------------------------------------------------------------


@pytest.mark.parametrize("name", sorted(shipped()))
def test_law_3_only_questions_and_well_formed_settings_ever_leave(tmp_path: Path, name: str) -> None:
    one = built(tmp_path, dialect=resolve(name))
    set_mount(one.config, seams=one.seams)
    check(one.config, seams=one.seams)
    restore(one.config, seams=one.seams)
    assert len(one.links) == 3
    assert all(ALLOWED.fullmatch(request) for request in sent(one))
    assert list(one.mount.forbidden) == []
    assert b":U#" not in sent(one)


@pytest.mark.parametrize("state", [factory(NIGHT), rightly_set()], ids=["factory", "right"])
@pytest.mark.parametrize("name", sorted(shipped()))
def test_law_3_check_sends_nothing_but_questions(tmp_path: Path, name: str, state: MountState) -> None:
    one = built(tmp_path, dialect=resolve(name), state=replace(state))
    check(one.config, seams=one.seams)
    set_mount(one.config, dry_run=True, seams=one.seams)
    assert all(READS.fullmatch(request) for request in sent(one))
    assert one.mount.settings_written == []


@pytest.mark.parametrize("letters", ["MS", "Mn", "CM", "hP", "Q", "", "U"])
def test_law_3_a_fault_of_our_own_cannot_move_the_mount(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, letters: str
) -> None:
    """The table of commands is corrupted: the allow-list at the link refuses what it does not know."""
    monkeypatch.setitem(lx.COMMANDS, "get-slewing", lx.Command("get-slewing", letters, "text", "", empty_ok=True))
    one = built(tmp_path)
    with pytest.raises(ForbiddenCommand):
        check(one.config, seams=one.seams)
    assert list(one.mount.forbidden) == []
    assert all(READS.fullmatch(request) for request in sent(one))


@pytest.mark.parametrize("told", ["auto", "usual"])
def test_law_3_a_slewing_mount_is_checked_and_never_set(tmp_path: Path, told: str) -> None:
    one = built(tmp_path, state=rightly_set(slewing=True), told=told)
    assert check(one.config, seams=one.seams).outcome == "confirmed"
    moved = built(tmp_path, state=replace(factory(NIGHT), slewing=True), told=told)
    result = set_mount(moved.config, seams=moved.seams)
    assert (result.outcome, result.code, result.exit_status) == ("refused", "mount-slewing", 5)
    assert writes(moved) == []
    assert restore(moved.config, seams=moved.seams).outcome == "refused"


@pytest.mark.parametrize("command", [15, 30, 45, 60])
def test_law_3_a_mount_that_begins_to_slew_before_the_first_write_is_not_set(tmp_path: Path, command: int) -> None:
    one = built(tmp_path, mount_faults=build_faults([f"starts-slewing:{command}"]).mount)
    result = set_mount(one.config, seams=one.seams)
    assert result.code == "mount-slewing"
    assert result.outcome == ("incomplete" if writes(one) else "refused")


def test_law_3_a_mount_that_tracks_is_warned_of(tmp_path: Path) -> None:
    one = built(tmp_path)
    assert "mount-tracking" in {note.note for note in set_mount(one.config, seams=one.seams).notes}
    still = built(tmp_path, state=replace(factory(NIGHT), tracking=False))
    assert "mount-tracking" not in {note.note for note in set_mount(still.config, seams=still.seams).notes}
