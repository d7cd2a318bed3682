"""Trouble with the mount: silence, noise, half answers, hostile bytes. Within the time limit there is one clear
sentence with the right status, and nothing raw reaches a terminal, a log or a record."""

from __future__ import annotations

import json
import os
import select
import threading
import tty
from collections.abc import Callable

import pytest
from support.processes import Finished, Place, rarely

LIMIT_S = 25.0
BEYOND_S = 15.0  # starting the interpreter and writing the record, on a machine that is busy with other things

ROWS = [  # fault of the simulated mount or its line, codes that are honest, words of the reason
    ("silent", {"mount-silent"}, "does not answer"),
    rarely("silent:5", {"mount-silent"}, "does not answer"),
    ("wrong-baud", {"mount-garbled", "mount-silent"}, "answer"),
    ("busy:1000", {"mount-silent"}, "does not answer"),
]


@pytest.mark.parametrize("verb", ["check", rarely("set")])
@pytest.mark.parametrize(("fault", "codes", "words"), ROWS, ids=["silent", "silent-later", "wrong-baud", "busy"])
def test_a_mount_without_sense_is_unreachable_within_the_limit(
    place: Place, fault: str, codes: set[str], words: str, verb: str
) -> None:
    mount = place.mount("--fault", fault)
    found = place.run(verb, "--config", limited(place, mount.address), "--json")
    assert (found.status, found.document["outcome"]) == (4, "unreachable"), found.document
    assert found.document["code"] in codes
    assert words in found.document["reason"]
    assert found.document["remedy"]
    in_time(found)
    assert not mount.heard("S")
    clean(found)


@pytest.mark.parametrize(
    "arguments", ["check --json", rarely("check --verbose"), rarely("check --log-format json"), "set"]
)
def test_escape_sequences_as_a_mounts_name_reach_nobody_raw(place: Place, arguments: str) -> None:
    """The name is told, escaped, in the table, in JSON, in the log and in the record."""
    mount = place.mount("--fault", "control-bytes")
    verb, *options = arguments.split()
    found = place.run(verb, "--config", str(place.config(mount.address, place.receiver().address)), *options)
    assert found.status == {"check": 1, "set": 0}[verb], found.narration
    clean(found)
    mount.close()
    assert (mount.bites or {}).get("control-bytes", 0) >= 1
    (path,) = place.records.iterdir()
    assert all(32 <= byte < 127 or byte == 10 for byte in path.read_bytes())
    assert "\\x1b[31m" in json.loads(path.read_text())["result"]["mount"]["product"]


def test_a_mount_that_always_breaks_off_is_garbled(place: Place) -> None:
    with Puppet(lambda command: answer_of(command)[:-1]) as puppet:
        found = place.run("check", "--config", limited(place, puppet.address), "--json")
    assert (found.status, found.document["code"]) == (4, "mount-garbled"), found.document
    assert "half a reply" in found.document["reason"]
    in_time(found)
    clean(found)


def test_a_mount_that_answers_with_another_shape_is_garbled(place: Place) -> None:
    with Puppet(lambda command: b"\x1b[31mHELLO\x07#") as puppet:
        found = place.run("check", "--config", limited(place, puppet.address), "--json")
    assert (found.status, found.document["code"]) == (4, "mount-garbled"), found.document
    in_time(found)
    clean(found)


def test_a_line_that_never_falls_silent_ends_within_the_limit(place: Place) -> None:
    """As a receiver's line does that was taken for the mount's: it talks whether it's asked or not."""
    receiver = place.receiver()
    found = place.run(
        "check", "--config", limited(place, receiver.address, receiver=place.receiver().address), "--json"
    )
    assert (found.status, found.document["outcome"]) == (4, "unreachable"), found.document
    in_time(found)
    clean(found)


def test_a_flood_ends_within_the_limit(place: Place) -> None:
    """Megabytes a second, without a pause and without an end mark."""
    with Puppet(None) as puppet:
        found = place.run("check", "--config", limited(place, puppet.address), "--json")
    assert (found.status, found.document["outcome"]) == (4, "unreachable"), found.document
    in_time(found)
    clean(found)


@pytest.mark.parametrize("letters", [rarely("SG"), "SC", "SL"])
def test_a_mount_that_falls_silent_while_it_is_set_is_incomplete_and_told(place: Place, letters: str) -> None:
    """It hears a setting and never answers again: what is written, maybe written and untouched is told truly."""
    mount = place.mount()
    running = place.start("set", "--config", limited(place, mount.address), "--json")
    mount.wait_for(
        lambda rows: any(row.text.startswith(f":{letters}") for row in rows), f"the write of {letters}", running
    )
    mount.freeze()
    found = running.finish()
    document = found.document
    assert (found.status, document["outcome"]) == (6, "incomplete"), document
    assert document["code"] in ("mount-silent", "mount-busy", "time-limit")  # a date may take half a minute
    told = [*document["written"], *document["unconfirmed"], *document["untouched"]]
    assert sorted(told) == ["date", "latitude", "longitude", "offset", "time"]
    sent = {name for name, command in LETTERS.items() if mount.heard(command)}
    assert sent == set(document["written"]) | set(document["unconfirmed"])
    assert {name for name, command in LETTERS.items() if command == letters} <= set(document["unconfirmed"])
    in_time(found)
    clean(found)


def test_a_slewing_mount_is_read_and_never_set(place: Place) -> None:
    mount = place.mount("--fault", "starts-slewing:1")
    config = str(place.config(mount.address, place.receiver().address))
    assert place.run("check", "--config", config, "--json").document["mount"]["slewing"] is True
    found = place.run("set", "--config", config, "--json")
    assert (found.status, found.document["outcome"], found.document["code"]) == (5, "refused", "mount-slewing")
    assert not mount.heard("S")
    assert place.records_kept()


# ----------------------------------------------------------------------------------------------------

LETTERS = {"date": "SC", "time": "SL", "offset": "SG", "longitude": "Sg", "latitude": "St"}


def limited(place: Place, mount: str, receiver: str | None = None) -> str:
    """A configuration with a short limit, and a mount that is expected to answer soon."""
    config = place.config(
        mount, receiver or place.receiver().address, policy={"time_limit_s": LIMIT_S},
        mount_options={"reply_timeout_s": 0.7},
    )  # fmt: skip
    return str(config)


def in_time(found: Finished) -> None:
    """It ended by its time limit, by its own clock, and did not dawdle after that."""
    assert found.document["duration_s"] <= LIMIT_S + 1.0
    assert found.seconds < LIMIT_S + BEYOND_S


def clean(found: Finished) -> None:
    """Printable ASCII and line ends only; no traceback."""
    assert all(32 <= byte < 127 or byte == 10 for byte in found.stdout + found.stderr), (found.stdout, found.stderr)
    assert "Traceback" not in found.narration


def answer_of(command: bytes) -> bytes:
    """What a mount of the usual manner would say to a question."""
    shapes = {b":GC#": b"11/24/26#", b":GL#": b"12:34:56#", b":GS#": b"01:02:03#", b":GG#": b"+06.0#"}
    return shapes.get(command, b"+12*34#")


class Puppet:
    """A pseudo-terminal whose far end answers each command by a rule; with none it pours bytes without a pause."""

    def __init__(self, rule: Callable[[bytes], bytes] | None) -> None:
        self._rule = rule

    def __enter__(self) -> Puppet:
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.address = os.ttyname(self._slave)
        self._stopping, self._stop = os.pipe()
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()
        return self

    def __exit__(self, *exc: object) -> None:
        os.write(self._stop, b"x")
        self._thread.join()
        for descriptor in (self._master, self._slave, self._stopping, self._stop):
            os.close(descriptor)

    def _serve(self) -> None:
        heard = b""
        writing = [self._master] if self._rule is None else []
        while True:
            readable, writable, _ = select.select([self._master, self._stopping], writing, [])
            if self._stopping in readable:
                return
            try:
                if writable:
                    os.write(self._master, b"\x1b[2J~" * 1000)
                if self._master in readable:
                    heard += os.read(self._master, 4096)
            except BlockingIOError:
                continue
            if self._rule is None:
                heard = b""
                continue
            *commands, heard = heard.split(b"#")
            for command in commands:
                os.write(self._master, self._rule(command + b"#"))
