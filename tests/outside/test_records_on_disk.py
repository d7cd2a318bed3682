"""The record comes first: where it can't be written nothing is set, whatever the reason; and kill -9 at any instant
leaves a record that is whole, says what may have been written, and can be restored from."""

from __future__ import annotations

import contextlib
import json
import os
import random
import shutil
import signal
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from support.processes import END_S, Device, Place, judge_state, rarely

LETTERS = {"date": ":SC", "time": ":SL", "offset": ":SG", "longitude": ":Sg", "latitude": ":St"}
STAGES = ("planned", "written", "finished")


# --- the record can't be written --------------------------------------------------------------------


def refused(place: Place, config: str, mount: Device, **how: Any) -> dict[str, Any]:
    """A `set` that is refused for want of a record; a `check` that warns and does its work."""
    checked = place.run("check", "--config", config, "--json", **how)
    assert (checked.status, checked.document["outcome"]) == (1, "discrepant")
    assert "record-not-written" in {note["note"] for note in checked.document["notes"]}
    assert checked.document["record"] is None
    found = place.run("set", "--config", config, "--json", **how)
    document = found.document
    assert (found.status, document["outcome"], document["code"]) == (5, "refused", "record-not-writable"), document
    assert "nothing was written" in document["reason"]
    assert str(place.records) in document["reason"] or "record" in document["reason"]
    assert document["remedy"]
    assert document["record"] is None
    assert not mount.heard("S"), "it wrote to the mount without a record"
    return document


def test_a_full_disk_refuses_set_and_check_warns(place: Place) -> None:
    mount = place.mount()
    config = str(place.config(mount.address, place.receiver().address))
    with small_disk(place.records):
        fill(place.records)
        document = refused(place, config, mount)
        assert "space" in document["reason"].lower()


def test_a_limit_on_files_refuses_set_and_check_warns(place: Place) -> None:
    """As a quota does: not a byte of a file can be written. (Python ignores SIGXFSZ, so that it shows as EFBIG.)"""
    mount = place.mount()
    config = str(place.config(mount.address, place.receiver().address))
    refused(place, config, mount, before=files_up_to(0))
    assert list(place.records.iterdir()) == [], "a temporary file was left behind"


@pytest.mark.parametrize("how", ["a-file-is-there", rarely("a-dangling-link")])
def test_a_records_folder_that_is_none_refuses_set(place: Place, how: str) -> None:
    mount = place.mount()
    place.records.rmdir()
    if how == "a-file-is-there":
        place.records.write_text("not a folder")
    else:
        place.records.symlink_to(place.folder / "gone" / "away", target_is_directory=True)
        (place.folder / "gone").write_text("in the way")
    refused(place, str(place.config(mount.address, place.receiver().address)), mount)


def test_a_read_only_folder_refuses_set(place: Place) -> None:
    """Root writes through permissions, so the folder is one that the kernel itself keeps anybody from writing in."""
    mount = place.mount()
    config = str(place.config(mount.address, place.receiver().address))
    with read_only(place.records):
        document = refused(place, config, mount)
    assert "read-only" in document["reason"].lower() or "permi" in document["reason"].lower()


def test_a_disk_that_fills_after_the_first_stage_leaves_that_stage_and_says_so(place: Place) -> None:
    """The plan fits, the end does not: the mount is set and proven, the record says "maybe written", a note why."""
    state = place.folder / "state.json"
    mount = place.mount("--state", str(state))
    config = str(place.config(mount.address, place.receiver().address))
    limit_bytes = 3072  # the plan with the earlier settings is smaller, a result is larger
    found = place.run("set", "--config", config, "--json", before=files_up_to(limit_bytes))
    document = found.document
    assert (found.status, document["outcome"]) == (0, "confirmed"), document
    assert "record-not-written" in {note["note"] for note in document["notes"]}
    (record,) = place.records_kept()
    assert record["stage"] in ("planned", "written")
    assert document["record"] == str(next(place.records.glob("*.json")))
    assert record["earlier"]["longitude"].startswith("090")
    back = place.run("restore", "--config", config, "--json")
    assert (back.status, back.document["outcome"]) == (0, "confirmed"), back.document
    assert not [path for path in place.records.iterdir() if path.name.startswith(".")]


def test_what_a_killed_run_left_half_written_is_swept_away_a_day_later(place: Place) -> None:
    """A temporary file of ours that is older, and nothing else: neither a fresh one nor somebody's own file."""
    old, fresh, own = (
        place.records / name
        for name in (
            ".000001-20261101T000000.000000Z-set-abcdef.json.0123abcd",
            ".000002-20261102T000000.000000Z-set-abcdef.json.0123abcd",
            ".notes.json.old",
        )
    )
    for path in (old, fresh, own):
        path.write_text("{")
    for path in (old, own):
        os.utime(path, (1_700_000_000, 1_700_000_000))
    assert place.run("check", "--config", str(place.config("sim:", "sim:receiver?rate_hz=10"))).status == 1
    assert (old.exists(), fresh.exists(), own.exists()) == (False, True, True)


def test_the_plan_is_on_disk_before_the_first_write(place: Place) -> None:
    """When the mount hears the first setting, the record with the earlier ones can be read already."""
    mount = place.mount()
    running = place.start("set", "--config", str(place.config(mount.address, place.receiver().address)))
    mount.wait_for(lambda rows: any(row.text.startswith(":S") for row in rows), "the first write", running)
    mount.freeze()
    running.send(signal.SIGKILL)
    assert running.finish().status == 137
    (record,) = place.records_kept()
    assert record["stage"] == "planned"
    assert {one["name"] for one in record["planned"]} == set(LETTERS)
    assert record["earlier"]["latitude"].startswith("+40")


# --- kill -9 ----------------------------------------------------------------------------------------

EVERYDAY, LONG = 4, 40
SEED = 20261124
# A `set` on a factory mount leaves about 240 rows in the mount's trace, one for a question and one for an answer. By
# row 84 it has been read, by 110 all is written, the rest measures its clock, reads it again and takes a second look.
WHOLE, WRITING = (1, 240), (80, 114)
LASTS_S = 13.0


def instants(count: int) -> list[int]:
    """After so many rows of the trace the driver is killed; every other time while it writes."""
    return [random.Random(f"{SEED}/{number}").randint(*(WRITING if number % 2 else WHOLE)) for number in range(count)]


@pytest.mark.parametrize("rows", instants(EVERYDAY))
def test_killed_at_a_random_instant_the_record_is_true_and_restore_and_set_end_well(place: Place, rows: int) -> None:
    killed(place, rows, END_S)


@pytest.mark.long
@pytest.mark.parametrize("rows", instants(LONG)[EVERYDAY:])
def test_killed_at_many_random_instants_the_record_is_true(place: Place, rows: int) -> None:
    killed(place, rows, END_S)


@pytest.mark.long
@pytest.mark.parametrize(
    "after_s", [round(random.Random(SEED + number).uniform(0.0, LASTS_S), 3) for number in range(20)]
)
def test_killed_after_a_random_time_the_record_is_true(place: Place, after_s: float) -> None:
    """By the clock, so that it also strikes between two commands: while a record is written, while it waits."""
    killed(place, None, after_s)


def killed(place: Place, rows: int | None, after_s: float) -> None:
    """Kill a `set` when the mount's trace has so many rows, or after so long; then what is on disk, `restore`, and
    the next `set`."""
    state = place.folder / "state.json"
    mount, receiver = place.mount("--state", str(state)), place.receiver()
    config = str(place.config(mount.address, receiver.address))
    earlier = json.loads(state.read_text())["state"]
    running = place.start("set", "--config", config)
    if rows is None:
        running.ends_within(after_s)
    else:
        ended = running.process.poll
        mount.wait_for(lambda seen: len(seen) >= rows or ended() is not None, f"{rows} rows", within_s=after_s)
    running.send(signal.SIGKILL)
    running.finish()
    sent = {name for name, letters in LETTERS.items() if mount.heard(letters[1:])}

    records = place.records_kept()  # whole JSON, every one of them
    assert all(record["stage"] in STAGES for record in records)
    if sent:
        (record,) = records
        assert record["earlier"]["offset"].startswith("+06")
        back = place.run("restore", "--config", config, "--json")
        assert (back.status, back.document["outcome"]) == (0, "confirmed"), back.document
        now = json.loads(state.read_text())["state"]
        for name in ("latitude_deg", "longitude_deg", "offset_h"):
            assert now[name] == pytest.approx(earlier[name], abs=1e-9)
        shift_s = (now["local_s"] - now["at_utc_s"]) - (earlier["local_s"] - earlier["at_utc_s"])
        assert abs(shift_s) < 1.0, "as if nothing had been written, but for what the receiver leaves open"
    last = place.run("set", "--config", config, "--json")
    assert (last.status, last.document["outcome"]) == (0, "confirmed"), last.document
    mount.close()
    assert judge_state(state) == []


# --- two at once ------------------------------------------------------------------------------------


@pytest.mark.parametrize("line", ["pty", "tcp"])
def test_of_two_sets_at_once_on_one_port_one_is_confirmed_and_one_finds_it_busy(place: Place, line: str) -> None:
    state = place.folder / "state.json"
    mount = place.mount("--state", str(state), *(["--tcp", "0"] if line == "tcp" else []))
    config = str(place.config(mount.address, place.receiver().address))
    both = [place.start("set", "--config", config, "--json") for _ in range(2)]
    ended = sorted((one.finish() for one in both), key=lambda one: one.status)
    assert [one.status for one in ended] == [0, 4], [one.document for one in ended]
    assert [one.document["outcome"] for one in ended] == ["confirmed", "unreachable"]
    assert ended[1].document["code"] == "port-busy"
    mount.close()
    assert judge_state(state) == []


# --- limits and disks ------------------------------------------------------------------------------------------


def files_up_to(size_bytes: int) -> list[str]:
    """Stands before a command: no file can be larger (POSIX `ulimit -f` counts blocks of 512 bytes).

    The limit is for the files of the run, not for the bytecode that Python would save cut off in the middle of a tree
    that other tests import from.
    """
    return ["/bin/sh", "-c", f'ulimit -f {size_bytes // 512}; exec "$@"', "sh", "env", "PYTHONDONTWRITEBYTECODE=1"]


@contextlib.contextmanager
def mounted(folder: Path, *options: str) -> Iterator[None]:
    """Something mounted on a folder; skips where that is not permitted."""
    if os.geteuid() != 0 or shutil.which("mount") is None:
        pytest.skip("only root can mount a small disk")
    done = subprocess.run(["mount", *options, str(folder)], capture_output=True, check=False)
    if done.returncode:
        pytest.skip(f"mounting is not permitted here: {done.stderr.decode().strip()}")
    try:
        yield
    finally:
        subprocess.run(["umount", str(folder)], check=True)


@contextlib.contextmanager
def small_disk(folder: Path) -> Iterator[None]:
    """64 kB of room."""
    with mounted(folder, "-t", "tmpfs", "-o", "size=64k", "tmpfs"):
        yield


@contextlib.contextmanager
def read_only(folder: Path) -> Iterator[None]:
    if os.geteuid() != 0:
        folder.chmod(0o500)
        yield
        folder.chmod(0o700)
        return
    with mounted(folder, "-t", "tmpfs", "-o", "ro,size=64k", "tmpfs"):
        yield


def fill(folder: Path) -> None:
    """Until not a byte more fits."""
    with (folder / "ballast").open("wb", buffering=0) as file, contextlib.suppress(OSError):
        while True:
            file.write(b"\0" * 4096)
