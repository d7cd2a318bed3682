"""The fixtures for an observatory's own tests: what they give, that they cost nobody anything, and that a fault which
never happened does not pass for a test of it."""

from __future__ import annotations

import datetime as dt
import os
import select
import socket
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from noonmark.driver import check
from noonmark.driver.config import Config, build_config
from noonmark.driver.seams import seams_for
from noonmark.protocols.dialect import build_dialect
from noonmark.sim.addresses import SimAddressError
from noonmark.sim.timeline import RealTimeline
from noonmark.sim.world import World, WorldMount, WorldReceiver

PLACE: dict[str, Any] = {"latitude_deg": -31.8571, "longitude_deg": 141.6034}
PATIENCE_S = 15.0


def configured(mount: WorldMount, receiver: WorldReceiver, folder: Path) -> Config:
    return build_config(
        {
            "site": {"name": "here", **PLACE, "elevation_m": 212.0, "timezone": "Australia/Broken_Hill"},
            "mount": {"port": mount.port},
            "sources": [{"kind": "host"}, {"kind": "nmea", "port": receiver.port}],
            "record": {"folder": str(folder)},
        }
    )


def until_mark(fd: int) -> bytes:
    heard = b""
    while b"#" not in heard:
        assert select.select([fd], [], [], PATIENCE_S)[0], heard
        heard += os.read(fd, 4096)
    return heard


def test_in_virtual_time_state_trace_and_bites_are_those_of_the_run(tmp_path: Path) -> None:
    with World() as world:
        utc = dt.datetime(2030, 6, 1, 12, tzinfo=dt.UTC)
        mount = world.mount(
            on="virtual",
            utc=utc,
            right=(PLACE["latitude_deg"], PLACE["longitude_deg"], 9.5),
            error_s=0.25,
            faults=["late:0.5"],
            seed=3,
        )
        receiver = world.receiver(on="virtual", altitude_m=212.0, **PLACE)
        config = configured(mount, receiver, tmp_path)
        result = check(config, seams=seams_for(config, timeline=world.clock))
        assert result.outcome == "confirmed", result.reason
        assert result.started_utc.startswith("2030-06-01T12:00:00")
        assert mount.state().clock_error_s == pytest.approx(0.25, abs=1e-3)
        assert (":GL#", ">") in {(row.data.decode(), row.direction) for row in mount.trace}
        assert mount.bites["late"] >= 1
        assert any(row.data.startswith(b"$") for row in receiver.trace)
        assert receiver.state().utc == mount.state().utc - dt.timedelta(seconds=mount.state().utc_error_s)
        assert world.idle_faults() == []


def test_a_dialect_may_be_a_value_of_one_s_own() -> None:
    spoken = build_dialect({"name": "own", "coordinates": {"degree_mark": "0xDF"}}, "own")
    with World() as world:
        mount = world.mount(on="virtual", dialect=spoken)
        assert mount.mount.dialect is spoken


def test_on_a_pseudo_terminal_and_on_a_tcp_port_they_are_served_meanwhile(tmp_path: Path) -> None:
    link = tmp_path / "mount"
    with World() as world:
        mount = world.mount(on="pty", link=link, baud=115200)
        other = world.mount(on="tcp", dialect="east-long", right=(1.0, 2.0, 3.0))
        fd = os.open(link, os.O_RDWR | os.O_NOCTTY)
        os.write(fd, b":Gt#")
        assert until_mark(fd) == b"+40*00#"
        os.write(fd, b":MS#:Gt#")
        until_mark(fd)
        os.close(fd)
        assert mount.forbidden == (b"MS",)
        host, port = other.port.removeprefix("socket://").split(":")
        with socket.create_connection((host, int(port))) as line:
            line.sendall(b":Gt#")
            assert until_mark(line.fileno()).startswith(b"+01")
        assert other.state().longitude_deg == 2.0
        assert isinstance(world.clock, RealTimeline)
        assert abs(other.state().utc_error_s) < 0.1
    assert not link.is_symlink(), "the port is taken away with the world"


@pytest.mark.parametrize(
    ("first", "second", "named"),
    [
        ({"on": "virtual"}, {"on": "pty"}, "virtual time and in real time"),
        ({"on": "virtual"}, {"on": "virtual", "utc": dt.datetime(2030, 1, 1, tzinfo=dt.UTC)}, "has begun"),
        ({"on": "pty", "utc": dt.datetime(2030, 1, 1, tzinfo=dt.UTC)}, {}, "'utc' is for virtual time"),
        ({"on": "usb"}, {}, "'on' is pty, tcp or virtual"),
        ({"on": "tcp", "link": Path("x")}, {}, "'link'"),
        ({"on": "virtual", "faults": ["lat"]}, {}, "'late'"),
        ({"on": "virtual", "faults": ["rollover"]}, {}, "rollover"),
        ({"on": "virtual", "dialect": "usul"}, {}, "'usual'"),
    ],
)
def test_what_can_not_be_had_is_told(first: dict[str, object], second: dict[str, object], named: str) -> None:
    with World() as world, pytest.raises(SimAddressError, match=named):  # noqa: PT012 - the one or the other
        world.mount(**first)  # type: ignore[arg-type]
        world.mount(**second)  # type: ignore[arg-type]


def test_loading_the_plugin_imports_nothing_that_is_slow() -> None:
    code = "import sys, noonmark.sim.fixtures; print([name for name in sys.modules if name.startswith('noonmark.')])"
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert told.strip() == "['noonmark.sim', 'noonmark.sim.fixtures']"


SUITE = """
def test_never_talks_to_it(noonmark_mount):
    noonmark_mount(on="virtual", faults=["late"])

def test_means_it(noonmark_mount):
    noonmark_mount(on="virtual", faults=["late"], must_bite=False)
"""


def test_a_fault_that_never_bit_fails_its_test(tmp_path: Path) -> None:
    (tmp_path / "test_theirs.py").write_text(SUITE, "utf-8")
    (tmp_path / "pytest.ini").write_text("[pytest]\n", "utf-8")
    plugin = [] if _registered() else ["-p", "noonmark.sim.fixtures"]
    command = [sys.executable, "-m", "pytest", *plugin, "-q", "-p", "no:cacheprovider", str(tmp_path)]
    told = subprocess.run(command, capture_output=True, text=True, check=False, cwd=tmp_path)
    assert "2 passed, 1 error" in told.stdout, told.stdout + told.stderr
    assert "injected faults that never bit: late" in told.stdout


def _registered() -> bool:
    from importlib.metadata import entry_points

    return any(one.value == "noonmark.sim.fixtures" for one in entry_points(group="pytest11"))
