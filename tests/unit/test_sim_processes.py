"""Served devices as real processes on a pseudo-terminal or a TCP port: only os, select and socket look at them."""

from __future__ import annotations

import contextlib
import json
import os
import select
import signal
import socket
import stat
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

RIGHT = ("--right", "-31.8571", "141.6034", "10.5")
PLACE = ("--latitude", "-31.8571", "--longitude", "141.6034", "--altitude", "212")
PATIENCE_S = 10.0


class Served:
    """One process of `python -m noonmark.sim`, and a descriptor on what it serves."""

    def __init__(self, *arguments: str, lines: int = 1) -> None:
        command = [sys.executable, "-m", "noonmark.sim", *arguments]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        assert self.process.stdout is not None
        self.addresses = [self.process.stdout.readline().strip() for _ in range(lines)]
        assert all(self.addresses), self.process.communicate()
        self._socket: socket.socket | None = None
        self.fd = -1

    def open(self, path: str | None = None) -> None:
        address = path or self.addresses[0]
        if address.startswith("socket://"):
            host, port = address.removeprefix("socket://").split(":")
            self._socket = socket.create_connection((host, int(port)))
            self.fd = self._socket.fileno()
        else:
            self.fd = os.open(address, os.O_RDWR | os.O_NOCTTY)

    def close(self) -> None:
        if self._socket is not None:
            self._socket.close()
            self._socket = None
        elif self.fd >= 0:
            os.close(self.fd)
        self.fd = -1

    def read_until(self, mark: bytes, within_s: float = PATIENCE_S) -> list[tuple[float, bytes]]:
        """Chunks with the instants of their coming, until `mark` has come."""
        chunks: list[tuple[float, bytes]] = []
        deadline = time.monotonic() + within_s
        while mark not in b"".join(data for _, data in chunks):
            ready = select.select([self.fd], [], [], max(0.0, deadline - time.monotonic()))[0]
            assert ready, f"{mark!r} did not come; {chunks!r} did"
            data = os.read(self.fd, 4096)
            assert data, "the line was closed"
            chunks.append((time.monotonic(), data))
        return chunks

    def ask(self, request: bytes) -> bytes:
        os.write(self.fd, request)
        return b"".join(data for _, data in self.read_until(b"#"))

    def ask_often(self, request: bytes, times: int) -> None:
        for _ in range(times):
            self.ask(request)

    def stop(self, number: int = signal.SIGTERM) -> int:
        self.process.send_signal(number)
        return self.process.wait(PATIENCE_S)


@contextlib.contextmanager
def served(*arguments: str, lines: int = 1) -> Iterator[Served]:
    one = Served(*arguments, lines=lines)
    try:
        yield one
    finally:
        one.close()
        if one.process.poll() is None:
            one.process.kill()
        one.process.communicate()


def test_a_mount_on_a_pseudo_terminal_answers_at_the_rate_of_the_line_and_ends_cleanly(tmp_path: Path) -> None:
    trace, link = tmp_path / "trace.jsonl", tmp_path / "mount"
    with served("mount", *RIGHT, "--trace", str(trace), "--link", str(link), "--baud", "1200") as mount:
        status = Path(mount.addresses[0]).stat()
        assert stat.S_ISCHR(status.st_mode)
        assert status.st_mode & 0o777 == 0o666  # daemons that drop their privileges can read it
        assert link.resolve() == Path(mount.addresses[0])
        mount.open(str(link))
        begin = time.monotonic()
        os.write(mount.fd, b":Gt#")
        chunks = mount.read_until(b"#")
        assert b"".join(data for _, data in chunks) == b"-31*51#"
        byte_s = 10.0 / 1200.0
        # Never early: four bytes there, then the first one back; seven in all. Late only by this machine.
        assert chunks[0][0] - begin >= 5 * byte_s
        assert chunks[-1][0] - begin >= 11 * byte_s
        assert len(chunks) >= 2  # byte by byte, save for what the machine joined
        local = time.gmtime(time.time() + 10.5 * 3600)
        assert abs(int(mount.ask(b":GL#")[:2]) - local.tm_hour) % 23 <= 1
        assert mount.stop() == 0
    assert not link.is_symlink()
    rows = [json.loads(line) for line in trace.read_text("ascii").splitlines()]
    assert [row["bytes"] for row in rows[:2]] == [":Gt#", "-31*51#"]
    assert rows[1]["instant"] > rows[0]["instant"]
    assert rows[-1] == {"faults": {}}


def test_a_client_may_come_and_go_and_what_came_while_nobody_listened_is_lost() -> None:
    with served("mount", *RIGHT) as mount:
        mount.open()
        os.write(mount.fd, b":GVN#")
        mount.close()
        mount.open()
        os.write(mount.fd, b":Gt#")
        came = b"".join(data for _, data in mount.read_until(b"51#"))
        assert came in (b"-31*51#", b"1.0#-31*51#")  # as the timing was; nothing else comes
        assert mount.stop(signal.SIGINT) == 0


def test_a_mount_on_a_tcp_port_turns_a_second_client_away() -> None:
    with served("mount", "--tcp", "0") as mount:
        mount.open()
        assert mount.ask(b":GVN#") == b"1.0#"
        host, port = mount.addresses[0].removeprefix("socket://").split(":")
        with socket.create_connection((host, int(port))) as second:
            second.settimeout(PATIENCE_S)
            assert second.recv(10) == b""
        assert mount.ask(b":GVN#") == b"1.0#"
        mount.close()
        mount.open()
        assert mount.ask(b":GVN#") == b"1.0#"
        assert mount.stop() == 0


def test_a_state_file_is_kept_and_goes_on(tmp_path: Path) -> None:
    state = tmp_path / "mount.json"
    with served("mount", "--tcp", "0", "--state", str(state)) as mount:
        mount.open()
        assert mount.ask(b":Gt#") == b"+40*00#"
        os.write(mount.fd, b":St-31*51#")
        mount.read_until(b"1")
        assert json.loads(state.read_text("utf-8"))["state"]["latitude_deg"] == pytest.approx(-31.85)
        assert mount.stop() == 0
    with served("mount", "--tcp", "0", "--state", str(state)) as mount:
        mount.open()
        assert mount.ask(b":Gt#") == b"-31*51#"
        assert mount.ask(b":GC#").endswith(b"/00#")  # its clock went on from the year 2000
        assert mount.stop() == 0
    assert [path.name for path in tmp_path.iterdir()] == ["mount.json"]


def test_a_port_that_vanishes_comes_back_under_the_same_name(tmp_path: Path) -> None:
    link = tmp_path / "mount"
    with served("mount", *RIGHT, "--fault", "comes-back:0.3", "--link", str(link)) as mount:
        mount.open(str(link))
        with pytest.raises((OSError, AssertionError)):
            mount.ask_often(b":GVN#", 20)
        mount.close()
        deadline = time.monotonic() + PATIENCE_S
        while True:
            try:
                mount.open(str(link))
                break
            except OSError:
                assert time.monotonic() < deadline
                select.select([], [], [], 0.05)
        assert mount.ask(b":GVN#") == b"1.0#"
        assert mount.stop() == 0


def test_a_receiver_says_present_time_to_whoever_listens() -> None:
    with served("receiver", *PLACE, "--tcp", "0", "--baud", "38400") as receiver:
        receiver.open()
        chunks = receiver.read_until(b"\r\n$GPZDA")
        text = b"".join(data for _, data in chunks)
        sentence = next(line for line in text.split(b"\r\n") if line.startswith(b"$GPRMC"))
        fields = sentence.split(b",")
        at = next(at for at, data in chunks if b"$" in data)
        said_s = int(fields[1][:2]) * 3600 + int(fields[1][2:4]) * 60 + float(fields[1][4:])
        now_s = (time.time() - (time.monotonic() - at)) % 86400.0
        late_s = (now_s - said_s + 43200.0) % 86400.0 - 43200.0
        assert 0.04 < late_s < 3.0  # 0.05 to 0.7 s, and this machine's delay
        assert fields[3:7] == [fields[3], b"S", fields[5], b"E"]
        assert receiver.stop(signal.SIGINT) == 0


def test_a_rig_is_a_mount_and_a_receiver_of_one_world(tmp_path: Path) -> None:
    folder = tmp_path / "rig"
    with served("rig", *PLACE, *RIGHT, "--folder", str(folder), lines=2) as rig:
        assert [(folder / name).resolve() for name in ("mount", "receiver")] == [Path(name) for name in rig.addresses]
        rig.open(str(folder / "mount"))
        assert rig.ask(b":Gt#") == b"-31*51#"
        rig.close()
        rig.open(str(folder / "receiver"))
        rig.read_until(b"$GP")
        assert rig.stop() == 0


WRONG = [
    (("mount", "--fault", "lat"), "'late'"),
    (("mount", "--pty", "--tcp", "0"), "exclude"),
    (("mount", "--tcp", "0", "--link", "x"), "--link"),
    (("mount", "--factory", *RIGHT), "exclude"),
    (("mount", "--dialect", "usul"), "'usual'"),
    (("mount", "--link", "/nowhere/mount"), "/nowhere/mount"),
    (("receiver",), "--latitude"),
    (("receiver", "--latitude", "95", "--longitude", "0", "--altitude", "0"), "no place"),
    (("receiver", "--site", "/nowhere.toml"), "/nowhere.toml"),
    (("receiver", "--latitude", "1", "--longitude", "2", "--altitude", "nan"), "altitude"),
    (("mount", "--error-s", "inf"), "error"),
    (("mount", "--drift-ppm", "nan"), "drift"),
    (("mount", "--right", "1", "2", "nan"), "offset"),
    (("mount", "--factory", "--state", "/"), "--state"),
]


@pytest.mark.parametrize(("arguments", "named"), WRONG)
def test_a_wrong_command_line_is_exit_2_and_names_the_remedy(arguments: tuple[str, ...], named: str) -> None:
    from click.testing import CliRunner

    from noonmark.sim.cli import sim

    result = CliRunner().invoke(sim, arguments)
    assert result.exit_code == 2
    assert named in result.output


def test_the_site_may_come_from_a_configuration(tmp_path: Path) -> None:
    site = tmp_path / "noonmark.toml"
    site.write_text("[site]\nlatitude_deg = -31.8571\nlongitude_deg = 141.6034\nelevation_m = 212.0\n", "utf-8")
    with served("receiver", "--site", str(site), "--tcp", "0", "--rate-hz", "10", "--baud", "115200") as receiver:
        receiver.open()
        assert b",S,14136." in b"".join(data for _, data in receiver.read_until(b"E,1,"))
        assert receiver.stop() == 0


def test_the_faults_are_listed_for_people_and_programs() -> None:
    from click.testing import CliRunner

    from noonmark.sim.cli import sim
    from noonmark.sim.faults import FAULTS

    lines = iter(CliRunner().invoke(sim, ["faults"]).stdout.splitlines())
    for name, row in FAULTS.items():
        said, allowed = next(lines), next(lines)
        assert said.split()[:2] == [row.kind, name]
        assert row.what in said
        assert "e+" not in said, "an amount is for people"
        assert allowed.split(" -> ")[1].split(", ") == list(row.allowed), (
            "which outcomes are honest is a part of the row"
        )
    assert not list(lines)
    rows = json.loads(CliRunner().invoke(sim, ["faults", "--json"]).output)["faults"]
    assert [row["name"] for row in rows] == list(FAULTS)
