"""Serial ports as device files: ours alone while we hold them, and a clear word when we can't."""

from __future__ import annotations

import contextlib
import fcntl
import os
import pwd
import stat
import subprocess
import sys
import termios
import tty
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import serial

from noonmark.driver.clocks import SystemClock
from noonmark.driver.lines import devices, locks
from noonmark.driver.links import adapter_latency_ms, open_link
from noonmark.driver.streams import open_stream
from noonmark.protocols.seams import LinkError, StreamError

HOLD_OPEN = "import os, sys; os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY); print('open', flush=True); sys.stdin.read()"
HOLD_LOCK = (
    "import fcntl, os, sys; fd = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY);"
    "fcntl.flock(fd, fcntl.LOCK_EX); print('open', flush=True); sys.stdin.read()"
)
AS_ROOT = pytest.mark.skipif(os.geteuid() != 0, reason="dropping privilege needs root")


@pytest.fixture
def port() -> Iterator[str]:
    """A pseudo-terminal's device file. Both ends are open in this process, as in one that serves it."""
    master, slave = os.openpty()
    tty.setraw(slave)
    yield os.ttyname(slave)
    os.close(slave)
    os.close(master)


@contextlib.contextmanager
def held_by(program: str, port: str) -> Iterator[int]:
    """Another process that has the port open; its process number."""
    with subprocess.Popen(
        [sys.executable, "-S", "-c", program, port], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == b"open\n"
        yield child.pid
        assert child.stdin is not None
        child.stdin.close()


def as_nobody(action: Callable[[], str]) -> str:
    """What `action` returns in a child process without privilege."""
    read_end, write_end = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            nobody = pwd.getpwnam("nobody")
            os.setgroups([])
            os.setgid(nobody.pw_gid)
            os.setuid(nobody.pw_uid)
            os.write(write_end, action().encode())
        except BaseException as error:
            os.write(write_end, repr(error).encode())
        finally:
            os._exit(0)
    os.close(write_end)
    with os.fdopen(read_end, "rb") as pipe:
        told = pipe.read().decode()
    os.waitpid(child, 0)
    return told


def opened(port: str, baud: int = 9600) -> LinkError:
    """The error that opening gives."""
    with pytest.raises(LinkError) as caught:
        open_link(port, baud=baud, clock=SystemClock())
    return caught.value


@pytest.mark.parametrize("program", [HOLD_OPEN, HOLD_LOCK])
def test_a_port_that_another_program_has_open_is_busy_and_the_program_named(port: str, program: str) -> None:
    with held_by(program, port) as pid:
        error = opened(port)
        assert error.code == "port-busy"
        assert f"process {pid} (" in str(error)
        with pytest.raises(StreamError) as caught:
            open_stream(port, baud=9600, clock=SystemClock())
        assert caught.value.code == "port-busy"


def test_a_busy_port_is_left_exactly_as_it_was(port: str) -> None:
    # opening would raise DTR and change the holder's baud: it must not even come to that
    with held_by(HOLD_OPEN, port):
        fd = os.open(port, os.O_RDWR | os.O_NOCTTY)
        before = termios.tcgetattr(fd)
        opened(port, baud=19200)
        assert termios.tcgetattr(fd) == before
        os.close(fd)


def test_a_lock_whose_holder_is_hidden_from_us_is_still_found(port: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(devices, "holders", lambda status: [])
    with held_by(HOLD_LOCK, port) as pid:
        error = opened(port)
        assert error.code == "port-busy"
        assert f"process {pid} (" in str(error)


def test_a_port_opened_twice_by_ourselves_is_busy(port: str) -> None:
    with contextlib.closing(open_link(port, baud=9600, clock=SystemClock())):
        fds = len(os.listdir("/proc/self/fd"))  # noqa: PTH208
        assert opened(port).code == "port-busy"
        assert len(os.listdir("/proc/self/fd")) == fds  # noqa: PTH208


def test_the_program_that_serves_a_pseudo_terminal_is_no_rival(port: str) -> None:
    status = Path(port).stat()
    assert locks.holders(status) == []
    with held_by(HOLD_OPEN, port) as pid:
        assert [holder.pid for holder in locks.holders(status)] == [pid]


def test_a_program_name_from_elsewhere_is_shown_escaped(port: str) -> None:
    program = f"open('/proc/self/comm', 'w').write('\\x1b[31mred');{HOLD_OPEN}"
    with held_by(program, port):
        assert r"(\x1b[31mred)" in str(opened(port))


@AS_ROOT
def test_while_we_hold_a_port_no_other_user_can_open_it_and_afterwards_they_can(port: str) -> None:
    Path(port).chmod(0o666)

    def plain_open() -> str:
        os.close(os.open(port, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK))
        return "opened"

    assert as_nobody(plain_open) == "opened"
    link = open_link(port, baud=9600, clock=SystemClock())
    try:
        assert "Device or resource busy" in as_nobody(plain_open)
    finally:
        link.close()
    assert as_nobody(plain_open) == "opened"


@AS_ROOT
def test_a_port_closed_to_us_by_another_programs_lock_is_busy(port: str) -> None:
    Path(port).chmod(0o666)
    fd = os.open(port, os.O_RDWR | os.O_NOCTTY)
    locks.exclude_others(fd)

    def ours() -> str:
        error = opened(port)
        return f"{error.code}: {error}"

    told = as_nobody(ours)
    locks.admit_others(fd)
    os.close(fd)
    assert told.startswith("port-busy: ")
    assert "a program that this user may not see" in told


@AS_ROOT
@pytest.mark.parametrize(("mode", "remedy"), [(0o660, "usermod -aG root USER"), (0o600, "right to read and write")])
def test_a_port_we_may_not_open_says_so_and_names_the_group_that_may(port: str, mode: int, remedy: str) -> None:
    Path(port).chmod(mode)
    os.chown(port, 0, 0)

    def ours() -> str:
        error = opened(port)
        return f"{error.code}: {error.remedy}"

    told = as_nobody(ours)
    assert told.startswith("port-not-permitted: ")
    assert remedy in told


def test_an_absent_port_is_named_so_with_those_that_are_present(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    by_id = tmp_path / "by-id"
    by_id.mkdir()
    (by_id / "usb-\x1bmount-port0").symlink_to("../../ttyUSB7")
    monkeypatch.setattr(devices, "_BY_ID", by_id)
    error = opened("/dev/ttyUSB93")
    assert error.code == "port-absent"
    assert "/dev/ttyUSB93" in str(error)
    assert r"usb-\x1bmount-port0" in error.remedy


def test_without_any_port_the_user_is_asked_whether_the_adapter_is_plugged_in(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import serial.tools.list_ports

    monkeypatch.setattr(devices, "_BY_ID", tmp_path / "none")
    monkeypatch.setattr(serial.tools.list_ports, "comports", list)
    assert opened("/dev/ttyUSB93").remedy == "No serial port is present: is the adapter plugged in?"


def test_names_that_survive_replugging_come_first_and_each_port_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import serial.tools.list_ports
    from serial.tools.list_ports_common import ListPortInfo

    device = tmp_path / "ttyUSB7"
    device.touch()
    by_id = tmp_path / "by-id"
    by_id.mkdir()
    (by_id / "usb-mount").symlink_to(device)
    monkeypatch.setattr(devices, "_BY_ID", by_id)
    other = str(tmp_path / "ttyS0")
    monkeypatch.setattr(serial.tools.list_ports, "comports", lambda: [ListPortInfo(other), ListPortInfo(str(device))])
    assert devices.ports_present() == [str(by_id / "usb-mount"), other]


@pytest.mark.parametrize("path", ["/dev/null", "/etc/passwd", "/"])
def test_what_is_no_serial_port_is_told_from_an_absent_one(path: str) -> None:
    error = opened(path)
    assert error.code == "address-invalid"
    assert "not a serial port" in str(error)


@pytest.mark.parametrize("baud", [0, -9600])
def test_a_rate_that_makes_no_sense_is_refused(port: str, baud: int) -> None:
    assert opened(port, baud=baud).code == "baud-invalid"


def test_a_rate_that_the_system_can_not_express_is_refused(port: str) -> None:
    assert opened(port, baud=2**40).code == "baud-invalid"
    assert locks.holders(Path(port).stat()) == []


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (serial.SerialException(6, "No such device or address"), "port-absent"),
        (serial.SerialException(24, "Too many open files"), "port-unusable"),
        (OSError(5, "Input/output error"), "port-absent"),
        (termios.error(5, "Input/output error"), "port-absent"),  # no OSError
        (termios.error(22, "Invalid argument"), "baud-invalid"),
    ],
)
def test_whatever_opening_raises_becomes_the_one_error(
    port: str, monkeypatch: pytest.MonkeyPatch, error: Exception, code: str
) -> None:
    def fails(*_: object, **__: object) -> None:
        raise error

    monkeypatch.setattr(serial, "serial_for_url", fails)
    assert opened(port).code == code


def test_the_port_is_locked_and_exclusive_while_open_and_neither_afterwards(port: str) -> None:
    status = Path(port).stat()
    link = open_link(port, baud=9600, clock=SystemClock())
    assert [holder.pid for holder in locks.lockers(status)] == [os.getpid()]
    link.close()
    assert locks.lockers(status) == []
    fd = os.open(port, os.O_RDWR | os.O_NOCTTY)
    fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    os.close(fd)


def test_a_usb_adapters_latency_is_read_where_sysfs_shows_it(tmp_path: Path) -> None:
    device = tmp_path / "sys" / "class" / "tty" / "ttyUSB7" / "device"
    device.mkdir(parents=True)
    (device / "latency_timer").write_text("16\n")
    (tmp_path / "ttyUSB7").touch()
    link = tmp_path / "usb-mount"
    link.symlink_to("ttyUSB7")
    assert adapter_latency_ms(str(link), tmp_path / "sys") == 16
    assert adapter_latency_ms("/dev/ttyS0", tmp_path / "sys") is None
    assert adapter_latency_ms("socket://bridge:4001") is None
    (device / "latency_timer").write_text("none\n")
    assert adapter_latency_ms(str(link), tmp_path / "sys") is None


def test_a_pseudo_terminal_is_a_character_device(port: str) -> None:
    assert stat.S_ISCHR(Path(port).stat().st_mode)  # what the tests above stand on
