"""A rig described in one file: served by one process, ready when it says so, gone when it is told; mistakes named."""

from __future__ import annotations

import json
import os
import select
import signal
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from noonmark.sim import rigfile
from noonmark.sim.rigfile import RigFileError, build_rig
from noonmark.sim.serve import HostClock
from noonmark.sim.timeline import RealTimeline

DEMO = Path(__file__).parents[2] / "demo" / "rig.toml"
PATIENCE_S = 15.0


def build(folder: Path, text: str) -> rigfile.RigFile:
    file = folder / "rig.toml"
    file.write_text(text, "utf-8")
    return build_rig(file, RealTimeline(HostClock()))


def ask(fd: int, request: bytes) -> bytes:
    os.write(fd, request)
    heard = b""
    while b"#" not in heard:
        assert select.select([fd], [], [], PATIENCE_S)[0], f"{request!r} got {heard!r}"
        heard += os.read(fd, 4096)
    return heard


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_one_process_serves_all_devices_says_when_it_is_ready_and_ends_at_a_signal(tmp_path: Path, number: int) -> None:
    file = tmp_path / "rig.toml"
    file.write_text(
        """
        [[mount]]
        name = "east"
        link = "east.tty"
        right = [-31.85, 141.6, 10.5]
        state = "east.json"
        trace = "east.trace"
        faults = ["control-bytes"]
        [[mount]]
        name = "west"
        port = 0
        baud = 115200
        [[receiver]]
        name = "roof"
        latitude_deg = -31.85
        longitude_deg = 141.6
        altitude_m = 212
        rate_hz = 10
        baud = 115200
        """,
        "utf-8",
    )
    command = [sys.executable, "-m", "noonmark.sim", "rig", str(file)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        try:
            told = dict(process.stdout.readline().split() for _ in range(3))
            assert process.stdout.readline() == "ready\n"
            assert list(told) == ["east", "west", "roof"]
            assert (tmp_path / "east.tty").resolve() == Path(told["east"])
            east = os.open(tmp_path / "east.tty", os.O_RDWR | os.O_NOCTTY)
            assert ask(east, b":Gt#") == b"-31*51#"
            assert b"\x1b[31m" in ask(east, b":GVP#")
            host, port = told["west"].removeprefix("socket://").split(":")
            with socket.create_connection((host, int(port))) as west:
                assert ask(west.fileno(), b":Gt#") == b"+40*00#", "another mount, fresh from the works"
            roof = os.open(told["roof"], os.O_RDWR | os.O_NOCTTY)
            assert select.select([roof], [], [], PATIENCE_S)[0]
            process.send_signal(number)
            assert process.wait(PATIENCE_S) == 0
        finally:
            process.kill()
    os.close(east)
    os.close(roof)
    assert not (tmp_path / "east.tty").is_symlink()
    assert json.loads((tmp_path / "east.json").read_text("utf-8"))["state"]["latitude_deg"] == -31.85
    rows = [json.loads(line) for line in (tmp_path / "east.trace").read_text("ascii").splitlines()]
    assert rows[0]["bytes"] == ":Gt#"
    assert rows[-1] == {"faults": {"control-bytes": 1}}


def test_the_example_of_the_demonstration_is_served() -> None:
    rig = build_rig(DEMO, RealTimeline(HostClock()))
    try:
        names = [line.split()[0] for line in rig.lines]
        assert names == ["east-pier", "west-pier", "dome", "roof", "workshop", "ready"]
        assert rig.devices[2].address.startswith("socket://127.0.0.1:")
        assert [fault.name for one in rig.devices for fault in one.faults] == ["late", "cold-start"]
    finally:
        rig.close()


def test_every_key_is_in_the_module_s_own_example() -> None:
    text = rigfile.__doc__ or ""
    assert [key for keys in rigfile.KEYS.values() for key in keys if f"{key}" not in text] == []


PLACE = "latitude_deg = 1\nlongitude_deg = 2\naltitude_m = 3\n"
WRONG = [
    ("", "names no device"),
    ("mount = 3", r"\[\[mount\]\]"),
    ("[[mont]]\nname = 'a'", "'mont'; the nearest known key is 'mount'"),
    ("seed = 'x'\n[[mount]]\nname = 'a'", "'seed'"),
    ("[[mount]]", "mount number 0: 'name'"),
    ("[[mount]]\nname = 'a b'", "'name'"),
    ("[[mount]]\nname = 'a'\n[[receiver]]\nname = 'a'\n" + PLACE, "another device has this name"),
    ("[[mount]]\nname = 'a'\ndialet = 'usual'", "'dialet'; the nearest known key is 'dialect'"),
    ("[[mount]]\nname = 'a'\ndialect = 'usul'", "'usual'"),
    ("[[mount]]\nname = 'a'\nbaud = 3", "'baud'"),
    ("[[mount]]\nname = 'a'\nbaud = '9600'", "'baud': expected a whole number"),
    ("[[mount]]\nname = 'a'\nright = [1, 2]", "'right'"),
    ("[[mount]]\nname = 'a'\nright = [91, 2, 3]", "no place"),
    ("[[mount]]\nname = 'a'\nfaults = ['lat']", "'late'"),
    ("[[mount]]\nname = 'a'\nfaults = ['rollover']", "rollover"),
    ("[[mount]]\nname = 'a'\nquirks = ['late_mark:1']", "late_mark_s"),
    ("[[mount]]\nname = 'a'\non = 'usb'", "'on'"),
    ("[[mount]]\nname = 'a'\non = 'pty'\nport = 1", "'port'"),
    ("[[mount]]\nname = 'a'\non = 'tcp'\nlink = 'x'", "'link'"),
    ("[[mount]]\nname = 'a'\nport = 70000", "'port'"),
    ("[[mount]]\nname = 'a'\ntrace = 'no/such/folder'", "'trace'"),
    ("[[mount]]\nname = 'a'\nlink = 'no/such/folder'", "no/such/folder"),
    ("[[receiver]]\nname = 'a'", "where is it"),
    ("[[receiver]]\nname = 'a'\nsite = 'absent.toml'", "absent.toml"),
    ("[[receiver]]\nname = 'a'\nrate_hz = 100\n" + PLACE, "rate_hz"),
    ("[[receiver]]\nname = 'a'\ntalker = 'gps'\n" + PLACE, "talker"),
    ("[[mount]\n", "not TOML"),
]


@pytest.mark.parametrize(("text", "named"), WRONG)
def test_a_mistake_is_named_with_its_device_and_key(tmp_path: Path, text: str, named: str) -> None:
    with pytest.raises(RigFileError, match=named) as caught:
        build(tmp_path, text)
    assert "rig.toml" in str(caught.value)


def test_a_port_that_is_taken_is_told_and_the_others_are_let_go(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(RigFileError, match=f"TCP port {port} is in use"):
            build(tmp_path, f"[[mount]]\nname = 'a'\nlink = 'a.tty'\n[[mount]]\nname = 'b'\nport = {port}")
    assert not (tmp_path / "a.tty").is_symlink()
