"""The real GNSS daemon between a simulated receiver and the driver: `gpsd` of the distribution, in the foreground,
listening on a loopback port of its own."""

from __future__ import annotations

import json
import select
import shutil
import signal
import socket
import time
from collections.abc import Callable
from typing import Any

import pytest
from support.processes import Device, Place, Running, judge_state, offset_h

pytestmark = pytest.mark.daemon
READY_S = 30.0  # the daemon recognises a receiver within some seconds


@pytest.mark.parametrize("rate_hz", ["1", "5"])
def test_check_set_check_with_the_daemon_end_in_1_0_0(place: Place, rate_hz: str) -> None:
    state = place.folder / "state.json"
    mount = place.mount("--state", str(state))
    daemon = Daemon(place, place.slow_receiver("--rate-hz", rate_hz, "--baud", "115200"))
    config = daemon.config(mount)
    ends = [place.run(verb, "--config", config, "--json") for verb in ("check", "set", "check")]
    assert [end.status for end in ends] == [1, 0, 0], [end.document["reason"] for end in ends]
    for end in ends:
        assert end.claims["gpsd:1", "time"]["agrees"] is True
        assert end.claims["gpsd:1", "time"]["origin"] == "gnss"
        assert end.claims["gpsd:1", "place"]["agrees"] is True
        low, high = end.document["truth"]["utc_interval_s"]
        assert low <= 0.0 <= high, "the receiver lives by this host's clock"
        assert high - low <= 0.91
    mount.close()
    assert judge_state(state) == []


def test_the_daemon_and_the_same_receiver_read_directly_are_one_origin(place: Place) -> None:
    mount = place.right_mount()
    daemon = Daemon(place, place.receiver())
    config = place.config(
        mount.address, place.receiver().address, host=False, sources=[{"kind": "gpsd", "address": daemon.address}]
    )
    found = place.run("check", "--config", str(config), "--json")
    assert (found.status, found.document["code"]) == (2, "too-few-origins")


@pytest.mark.parametrize(("fault", "kind", "words"), [
    ("elsewhere", "place", "3.0 km"),
    ("other-hemisphere", "place", "wrong sign"),
], ids=["3-km-away", "other-hemisphere"])  # fmt: skip
def test_what_is_wrong_with_a_receiver_is_named_through_the_daemon_too(
    place: Place, fault: str, kind: str, words: str
) -> None:
    mount = place.mount()
    daemon = Daemon(place, place.receiver("--fault", fault))
    found = place.run("set", "--config", daemon.config(mount), "--json")
    assert (found.status, found.document["outcome"]) == (3, "untrusted"), found.document
    assert words in found.document["reason"], found.document["reason"]
    assert not mount.heard("S")
    assert kind in {claim["kind"] for claim in found.claims.values()}


def test_a_rollover_is_mended_by_the_daemon_or_named_by_us(place: Place) -> None:
    """The daemon compares a receiver's weeks with its host's date, and may add the 1024 that are missing: then what
    is confirmed must be true. Otherwise the rollover is named and nothing is written."""
    state = place.folder / "state.json"
    mount = place.mount("--state", str(state))
    daemon = Daemon(place, place.receiver("--fault", "rollover"))
    found = place.run("set", "--config", daemon.config(mount), "--json")
    if found.status == 0:
        mount.close()
        assert judge_state(state) == []
    else:
        assert (found.status, found.document["outcome"]) == (3, "untrusted"), found.document
        assert "1024 weeks" in found.document["reason"], found.document["reason"]
        assert not mount.heard("S")


def test_a_daemon_whose_receiver_has_no_fix_leaves_no_truth(place: Place) -> None:
    mount = place.mount()
    daemon = Daemon(place, place.receiver("--fault", "no-fix"), fixed=False)
    config = daemon.config(mount, policy={"time_limit_s": 20.0})
    found = place.run("set", "--config", config, "--json")
    assert (found.status, found.document["code"]) == (3, "no-bounded-source"), found.document
    assert found.claims["gpsd:1", "time"]["agrees"] is None
    assert not mount.heard("S")


def test_a_daemon_that_is_not_there_is_a_source_that_says_why(place: Place) -> None:
    mount = place.right_mount()
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
    config = place.config(mount.address, sources=[{"kind": "gpsd", "address": f"127.0.0.1:{port}"}])
    found = place.run("check", "--config", str(config), "--json")
    assert (found.status, found.document["code"]) == (3, "no-bounded-source")
    assert str(port) in found.claims["gpsd:1", "time"]["why"]


def test_a_daemon_that_ends_in_mid_run_is_a_source_that_says_why(place: Place) -> None:
    mount = place.right_mount()
    daemon = Daemon(place, place.slow_receiver())
    running = place.start("check", "--config", daemon.config(mount), "--json")
    mount.wait_for(lambda rows: any(row.text.startswith(":GZ") for row in rows), "the first look", running)
    daemon.running.send(signal.SIGTERM)
    found = running.finish()
    assert (found.status, found.document["code"]) == (3, "no-bounded-source"), found.document
    assert "closed" in found.claims["gpsd:1", "time"]["why"]


def test_a_simulated_mount_beside_the_real_daemon_lives_in_true_time(place: Place) -> None:
    """`sim:` with a source that is not simulated: nothing runs ahead of the receiver."""
    daemon = Daemon(place, place.receiver())
    address = f"sim:?right=-31.8571,141.6034,{offset_h()}"
    config = place.config(address, sources=[{"kind": "gpsd", "address": daemon.address}])
    started = time.monotonic()
    found = place.run("check", "--config", str(config), "--json")
    assert found.status == 0, found.document
    assert found.document["duration_s"] <= time.monotonic() - started


class Daemon:
    """`gpsd` reading one receiver, seen to report a position."""

    def __init__(self, place: Place, receiver: Device, fixed: bool = True) -> None:
        program = shutil.which("gpsd", path="/usr/sbin:/usr/local/sbin:/usr/bin")
        if program is None:
            pytest.skip("gpsd is not installed (apt install gpsd)")
        self._place = place
        with socket.create_server(("127.0.0.1", 0)) as server:
            self.port = server.getsockname()[1]
        self.address = f"127.0.0.1:{self.port}"
        # -N in the foreground, -n listens to the receiver at once, -b never writes to it, -S a port of its own
        command = [program, "-N", "-n", "-b", "-S", str(self.port), receiver.address]
        self.running: Running = place.start_command(command, place.environment())
        receiver.wait_for(bool, "the daemon to open the receiver", self.running, READY_S)
        self._wait_until(lambda report: report.get("class") == "TPV" and (not fixed or report.get("mode", 0) >= 2))

    def config(self, mount: Device, **how: Any) -> str:
        """A configuration with this daemon and the host as sources."""
        return str(self._place.config(mount.address, sources=[{"kind": "gpsd", "address": self.address}], **how))

    def _wait_until(self, wanted: Callable[[dict[str, Any]], bool]) -> None:
        """Ask it to watch, and read its reports until one is as wanted."""
        deadline = time.monotonic() + READY_S
        with socket.create_connection(("127.0.0.1", self.port), timeout=READY_S) as line:
            line.sendall(b'?WATCH={"enable":true,"json":true};\n')
            rest = b""
            while (left := deadline - time.monotonic()) > 0:
                if not select.select([line], [], [], left)[0]:
                    break
                rest += line.recv(65536)
                *reports, rest = rest.split(b"\n")
                if any(wanted(json.loads(report)) for report in reports if report.strip()):
                    return
        raise AssertionError("the daemon reported nothing usable")
