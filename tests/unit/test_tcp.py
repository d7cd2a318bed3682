"""Lines on a network: reached within a time, or not; kept apart from our other sessions; bridges' own traps."""

from __future__ import annotations

import contextlib
import select
import signal
import socket
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
import serial
import serial.rfc2217
from support.readers import UpToHash

from noonmark.driver.clocks import SystemClock
from noonmark.driver.interrupts import Interrupted, InterruptFlag
from noonmark.driver.lines import locks, tcp
from noonmark.driver.lines.addresses import NetworkAddress
from noonmark.driver.links import open_link
from noonmark.driver.streams import open_stream
from noonmark.protocols.seams import LinkError


@pytest.fixture(autouse=True)
def runtime_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    return tmp_path


@pytest.fixture
def server() -> Iterator[socket.socket]:
    with socket.create_server(("127.0.0.1", 0)) as listening:
        yield listening


def port_of(server: socket.socket) -> int:
    return int(server.getsockname()[1])


def failed(address: str, clock: SystemClock | None = None) -> LinkError:
    with pytest.raises(LinkError) as caught:
        open_link(address, baud=9600, clock=clock or SystemClock())
    return caught.value


# --- reaching -------------------------------------------------------------------------------------


def test_a_port_where_nothing_listens_can_not_be_reached(server: socket.socket) -> None:
    port = port_of(server)
    server.close()
    error = failed(f"socket://127.0.0.1:{port}")
    assert error.code == "port-unreachable"
    assert "Connection refused" in str(error)


def test_a_name_that_is_nowhere_can_not_be_reached(monkeypatch: pytest.MonkeyPatch) -> None:
    def unknown(*_: object, **__: object) -> None:
        raise socket.gaierror(-2, "Name or service not known")

    monkeypatch.setattr(socket, "getaddrinfo", unknown)
    error = failed("socket://nowhere.invalid:4001")  # RFC 6761: never a host
    assert error.code == "port-unreachable"
    assert "Name or service not known" in str(error)


def test_a_name_that_can_not_be_one_is_no_fault_of_ours() -> None:
    assert failed(f"socket://{'x' * 70}.invalid:4001").code == "port-unreachable"


@pytest.fixture
def stuck_resolver(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    release = threading.Event()

    def ask(*_: object, **__: object) -> None:
        release.wait()
        raise socket.gaierror(-3, "Temporary failure in name resolution")

    monkeypatch.setattr(socket, "getaddrinfo", ask)
    yield
    release.set()


@pytest.mark.usefixtures("stuck_resolver")
def test_a_resolver_that_hangs_does_not_hang_us(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tcp, "RESOLVE_S", 0.05)
    error = failed("socket://bridge.invalid:4001")
    assert error.code == "port-unreachable"
    assert "resolved" in str(error)


@pytest.mark.usefixtures("stuck_resolver")
def test_a_signal_ends_the_wait_for_a_name() -> None:
    flag = InterruptFlag()
    threading.Timer(0.02, lambda: flag.set(signal.SIGINT)).start()
    start = time.monotonic()
    with pytest.raises(Interrupted):
        open_link("socket://bridge.invalid:4001", baud=9600, clock=SystemClock(), interrupt=flag)
    assert time.monotonic() - start < 4.0


def test_a_host_that_never_answers_is_given_up_in_time(server: socket.socket, monkeypatch: pytest.MonkeyPatch) -> None:
    # a listener whose queue is full drops further attempts: the same silence as a host that is off
    monkeypatch.setattr(tcp, "CONNECT_S", 0.1)
    with contextlib.ExitStack() as held, socket.socket() as full:
        full.bind(("127.0.0.1", 0))
        full.listen(0)
        for _ in range(4):
            one = held.enter_context(socket.socket())
            one.setblocking(False)
            one.connect_ex(full.getsockname())
        error = failed(f"socket://127.0.0.1:{full.getsockname()[1]}")
    assert error.code == "port-unreachable"
    assert "timed out" in str(error)


def test_the_next_address_of_a_host_is_tried_and_each_byte_is_sent_at_once(server: socket.socket) -> None:
    dead = (socket.AF_INET, ("127.0.0.1", 1))
    place = NetworkAddress("socket", "bridge", port_of(server))
    clock = SystemClock()
    endpoints = [dead, (socket.AF_INET, ("127.0.0.1", port_of(server)))]
    with tcp.connect(endpoints, place, clock, clock.interrupt, LinkError) as line:
        assert line.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)  # else Nagle holds the last byte back
        assert not line.getblocking()


# --- the lock -------------------------------------------------------------------------------------


def test_a_bridge_serves_one_of_our_sessions_at_a_time(server: socket.socket) -> None:
    port = port_of(server)
    with contextlib.closing(open_link(f"socket://127.0.0.1:{port}", baud=9600, clock=SystemClock())):
        for address in (f"socket://localhost:{port}", f"rfc2217://127.0.0.1:{port}"):
            error = failed(address)
            assert error.code == "port-busy"
            assert "this program itself" in str(error)
    open_link(f"socket://127.0.0.1:{port}", baud=9600, clock=SystemClock()).close()


def test_a_bridge_that_could_not_be_reached_stays_free(server: socket.socket, runtime_folder: Path) -> None:
    port = port_of(server)
    server.close()
    for _ in range(2):
        assert failed(f"socket://127.0.0.1:{port}").code == "port-unreachable"
    (lock,) = (runtime_folder / "noonmark").iterdir()
    assert locks.lockers(lock.stat()) == []


def test_a_daemon_serves_many(server: socket.socket) -> None:
    address = f"127.0.0.1:{port_of(server)}"
    with (
        contextlib.closing(open_stream(address, baud=9600, clock=SystemClock())),
        contextlib.closing(open_stream(address, baud=9600, clock=SystemClock())),
    ):
        pass


def test_a_lock_that_can_not_be_written_says_where_it_should_have_been(
    server: socket.socket, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(locks, "_runtime_folder", lambda: tmp_path / "none")
    error = failed(f"socket://127.0.0.1:{port_of(server)}")
    assert error.code == "lock-not-writable"
    assert str(tmp_path / "none") in str(error)
    assert "XDG_RUNTIME_DIR" in error.remedy


def test_a_lock_file_that_is_a_link_is_not_followed(server: socket.socket, runtime_folder: Path) -> None:
    folder = runtime_folder / "noonmark"
    folder.mkdir(mode=0o700)
    target = runtime_folder / "precious"
    (folder / f"line-127.0.0.1_{port_of(server)}.lock").symlink_to(target)
    assert failed(f"socket://127.0.0.1:{port_of(server)}").code == "lock-not-writable"
    assert not target.exists()


# --- RFC 2217 -------------------------------------------------------------------------------------


@dataclass
class Bridge:
    """An RFC 2217 bridge's address, and what it has of each client; the server's side is pyserial's."""

    address: str
    connections: list[socket.socket] = field(default_factory=list)
    settings: list[Any] = field(default_factory=list)


@pytest.fixture
def bridge(server: socket.socket) -> Iterator[Bridge]:
    made = Bridge(f"rfc2217://127.0.0.1:{port_of(server)}")

    def serve() -> None:
        connection = server.accept()[0]
        made.connections.append(connection)

        class Wire:
            write = staticmethod(connection.sendall)

        wire: Any = Wire()
        settings: Any = serial.serial_for_url("loop://")
        made.settings.append(settings)
        manager = serial.rfc2217.PortManager(settings, wire)
        with contextlib.suppress(OSError):
            while data := connection.recv(1024):
                for _ in manager.filter(data):
                    pass
        connection.close()

    thread = threading.Thread(target=serve)
    thread.start()
    yield made
    for connection in made.connections:  # a client that a failed test left open must not hold the next ones up
        with contextlib.suppress(OSError):
            connection.shutdown(socket.SHUT_RDWR)
    thread.join()


def test_a_bridge_that_breaks_the_protocol_is_an_error_and_no_traceback(
    bridge: Bridge,
) -> None:
    address, connections = bridge.address, bridge.connections
    with contextlib.closing(open_link(address, baud=9600, clock=SystemClock())) as link:
        connections[0].sendall(b"\xff\xf0")  # IAC SE: the end of a negotiation that never began
        with pytest.raises(LinkError) as caught:
            link.exchange(b":GC#", UpToHash(), time.monotonic() + 5.0)
        assert caught.value.code == "port-vanished"


def test_a_bridge_that_floods_us_is_held_back(bridge: Bridge) -> None:
    link: Any = open_link(bridge.address, baud=9600, clock=SystemClock())
    with contextlib.closing(link):
        waiting = link._GuardedLink__link._port._bridge._read_buffer

        def flood() -> None:
            with contextlib.suppress(OSError):
                bridge.connections[0].sendall(b"x" * 300_000)

        flooding = threading.Thread(target=flood)
        flooding.start()
        deadline = time.monotonic() + 20.0
        while not waiting.full() and time.monotonic() < deadline:
            select.select([], [], [], 0.005)
        assert waiting.qsize() == 65536
        start = time.monotonic()
        link.close()
        assert time.monotonic() - start < 3.0  # the thread that waited for room saw the end
    flooding.join()
    assert not [thread for thread in threading.enumerate() if "rfc2217" in thread.name.lower()]


def test_what_is_no_such_bridge_is_given_up_in_time(server: socket.socket) -> None:
    error = failed(f"rfc2217://127.0.0.1:{port_of(server)}?timeout=0")
    assert error.code == "port-unreachable"


def test_the_rate_is_set_at_the_far_end(bridge: Bridge) -> None:
    address = bridge.address
    with contextlib.closing(open_link(address, baud=19200, clock=SystemClock())) as link:
        assert bridge.settings[0].baudrate == 19200
        assert link.byte_s == pytest.approx(10 / 19200)
