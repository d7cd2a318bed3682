"""Trouble with the port: one clear sentence, the right exit status and code, and never a line left locked."""

from __future__ import annotations

import fcntl
import os
import shutil
import socket
import subprocess
import termios
from pathlib import Path

import pytest
from support.processes import Finished, Place, rarely

NOBODY = 65534


def one_sentence(found: Finished, status: int, code: str, *words: str) -> None:
    """The status and code are these, the reason says the words, nothing is raw, nothing is a traceback."""
    document = found.document
    assert (found.status, document["exit_status"], document["code"]) == (status, status, code), (
        document,
        found.narration,
    )
    for word in words:
        assert word in document["reason"] + " " + document["remedy"], document
    assert "\n" not in document["reason"]
    assert "Traceback" not in found.narration
    assert all(32 <= byte < 127 or byte == 10 for byte in found.stdout + found.stderr)


def test_an_absent_port_is_named_and_those_present_are_listed(place: Place) -> None:
    config = str(place.config("/dev/no-such-port", place.receiver().address))
    found = place.run("set", "--config", config, "--json")
    one_sentence(found, 4, "port-absent", "/dev/no-such-port", "present")


def test_a_file_that_is_no_port_is_told_from_an_absent_one(place: Place) -> None:
    config = str(place.config("/etc/hostname", place.receiver().address))
    one_sentence(place.run("check", "--config", config, "--json"), 4, "address-invalid", "not a serial port")


def test_a_port_that_another_program_holds_unlocked_is_busy_and_the_holder_named(place: Place) -> None:
    mount = place.right_mount()
    config = str(place.config(mount.address, place.receiver().address))
    with Path(mount.address).open("rb", buffering=0) as line:
        other = subprocess.Popen(["/bin/cat"], stdin=line, stdout=subprocess.DEVNULL)
    try:
        found = place.run("set", "--config", config, "--json")
        one_sentence(found, 4, "port-busy", "in use by", f"process {other.pid} (cat)")
    finally:
        other.kill()
        other.wait()
    assert not mount.rows, "it was asked although the port is busy"
    assert place.run("check", "--config", config).status == 0, "free again, once the other has gone"


def test_a_port_that_another_program_locked_is_busy_even_for_one_who_may_not_see_it(place: Place) -> None:
    mount = place.right_mount()
    config = place.config(mount.address, place.receiver().address)
    descriptor = os.open(mount.address, os.O_RDWR | os.O_NOCTTY)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        one_sentence(place.run("check", "--config", str(config), "--json"), 4, "port-busy", f"process {os.getpid()}")
        fcntl.ioctl(descriptor, termios.TIOCEXCL)
        found = as_nobody(place, "check", "--config", str(config), "--json")
        one_sentence(found, 4, "port-busy", "in use by")
    finally:
        fcntl.ioctl(descriptor, termios.TIOCNXCL)
        os.close(descriptor)


def test_a_bridge_that_another_run_uses_is_busy(place: Place) -> None:
    """A TCP bridge knows no lock: two runs of one user are kept apart all the same."""
    mount = place.mount("--tcp", "0")
    config = str(place.config(mount.address, place.receiver().address))
    first = place.start("set", "--config", config, "--json")
    mount.wait_for(bool, "the first question", first)
    one_sentence(place.run("check", "--config", config, "--json"), 4, "port-busy", "in use by", "noonmark")
    assert first.finish().status == 0


def test_a_bridge_that_is_not_there_is_unreachable(place: Place) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
    config = str(place.config(f"socket://127.0.0.1:{port}", place.receiver().address))
    one_sentence(place.run("check", "--config", config, "--json"), 4, "port-unreachable", str(port), "refused")


def test_a_bridge_that_hangs_up_at_once_is_told(place: Place) -> None:
    """As a TCP server does that serves one client and has one already."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
        running = place.start(
            "check", "--config", str(place.config(f"socket://127.0.0.1:{port}", place.receiver().address)), "--json"
        )
        server.settimeout(60)
        server.accept()[0].close()
        one_sentence(running.finish(), 4, "port-vanished", str(port), "closed by the far end")


def test_a_port_that_this_user_may_not_open_says_which_group_may(place: Place) -> None:
    mount = place.right_mount()
    config = place.config(mount.address, place.receiver().address)
    os.chmod(mount.address, 0o600)  # noqa: PTH101
    one_sentence(
        as_nobody(place, "check", "--config", str(config), "--json"), 4, "port-not-permitted", mount.address, "right"
    )
    os.chmod(mount.address, 0o660)  # noqa: PTH101
    group = Path(mount.address).group()
    found = as_nobody(place, "check", "--config", str(config), "--json")
    one_sentence(found, 4, "port-not-permitted", mount.address, group, "usermod")


@pytest.mark.parametrize("verb", ["check", rarely("set")])
def test_a_port_that_vanishes_while_reading_is_unreachable(place: Place, verb: str) -> None:
    mount = place.mount("--fault", "vanishes:8")
    found = place.run(verb, "--config", str(place.config(mount.address, place.receiver().address)), "--json")
    one_sentence(found, 4, "port-vanished", mount.address, "unplugged")
    assert found.document["outcome"] == "unreachable"
    assert found.document["duration_s"] < 10.0
    mount.close()
    assert (mount.bites or {}).get("vanishes", 0) >= 1


def test_a_port_that_vanishes_while_writing_leaves_a_record_of_what_stands(place: Place) -> None:
    """It is gone right after the third setting: two are confirmed, one is maybe written, and both are told."""
    mount = place.mount()
    config = str(place.config(mount.address, place.receiver().address))
    running = place.start("set", "--config", config, "--json")
    mount.wait_for(lambda rows: any(row.text.startswith(":SG") for row in rows), "the offset to be written", running)
    mount.close()  # its end of the pseudo-terminal goes with it, as an adapter that is pulled
    found = running.finish()
    one_sentence(found, 6, "port-vanished")
    document = found.document
    assert document["outcome"] == "incomplete"
    assert set(document["written"]) == {"longitude", "latitude"}
    assert "offset" in document["unconfirmed"]
    assert set(document["written"]) | set(document["unconfirmed"]) | set(document["untouched"]) == {
        "longitude", "latitude", "offset", "date", "time"
    }  # fmt: skip
    (record,) = place.records_kept()
    assert record["stage"] == "finished"
    assert record["earlier"]["longitude"].startswith(("090", "+090"))
    assert record["result"]["outcome"] == "incomplete"


def test_a_receiver_whose_port_vanishes_is_a_source_that_says_why(place: Place) -> None:
    mount, receiver = place.right_mount(), place.slow_receiver()
    running = place.start("check", "--config", str(place.config(mount.address, receiver.address, baud=9600)), "--json")
    receiver.wait_for(
        lambda rows: sum("RMC" in row.text or row.text == "$" for row in rows) > 3, "its first epochs", running
    )
    receiver.close()
    found = running.finish()
    one_sentence(found, 3, "no-bounded-source")
    assert "unplugged" in found.claims["nmea:1", "time"]["why"]
    assert found.document["duration_s"] < 45.0


def test_a_receiver_whose_port_is_absent_or_busy_is_a_source_that_says_why(place: Place) -> None:
    mount, receiver = place.right_mount(), place.receiver()
    config = str(place.config(mount.address, "/dev/no-such-port", name="absent.toml"))
    found = place.run("check", "--config", config, "--json")
    one_sentence(found, 3, "no-bounded-source")
    assert "no such port" in found.claims["nmea:1", "time"]["why"]
    descriptor = os.open(receiver.address, os.O_RDONLY | os.O_NOCTTY)
    try:
        found = place.run("check", "--config", str(place.config(mount.address, receiver.address)), "--json")
    finally:
        os.close(descriptor)
    one_sentence(found, 3, "no-bounded-source")
    assert "in use by" in found.claims["nmea:1", "time"]["why"]


def as_nobody(place: Place, *arguments: str) -> Finished:
    """Run as a user without rights. The right to *read* any file stays, so that the package itself can be
    imported from wherever it lies; it opens no port for writing, and shows no other user's open files."""
    if os.geteuid() != 0:
        pytest.skip("only root can run something as another user")
    if shutil.which("setpriv") is None:
        pytest.skip("setpriv (util-linux) is not installed")
    os.chmod(place.folder, 0o755)  # noqa: PTH101
    for name in ("home", "run", "records"):
        os.chown(place.folder / name, NOBODY, NOBODY)
    keep = "-all,+dac_read_search"
    before = ["setpriv", f"--reuid={NOBODY}", f"--regid={NOBODY}", "--clear-groups", f"--inh-caps={keep}",
              f"--ambient-caps={keep}", f"--bounding-set={keep}"]  # fmt: skip
    return place.run(*arguments, before=before)
