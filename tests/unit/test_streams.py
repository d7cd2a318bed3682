"""Real streams: the thread that listens, its bounded queue, and what a stream never sends."""

from __future__ import annotations

import contextlib
import os
import select
import signal
import socket
import threading
import time
import tty
from collections import deque
from collections.abc import Iterator

import pytest

from noonmark.driver import streams
from noonmark.driver.allowlist import ForbiddenCommand
from noonmark.driver.clocks import SystemClock
from noonmark.driver.interrupts import Interrupted, InterruptFlag
from noonmark.driver.streams import SerialStream, open_stream
from noonmark.protocols.seams import StreamError


class Script:
    """A port that gives these chunks one after the other, then falls silent, or fails."""

    byte_s = 0.001

    def __init__(self, chunks: list[bytes], failure: Exception | None = None) -> None:
        self.chunks, self.failure = deque(chunks), failure
        self.given = threading.Event()
        self.closed = False

    def wait(self, timeout_s: float) -> bool:
        if self.chunks or self.failure:
            return True
        self.given.set()
        return bool(select.select([], [], [], min(timeout_s, 0.005))[0])

    def take(self) -> bytes:
        if not self.chunks and self.failure:
            raise self.failure
        return self.chunks.popleft()

    def put(self, data: bytes, limit: float) -> None:
        raise StreamError("it takes nothing", code="write-timeout")

    def close(self) -> None:
        self.closed = True


@contextlib.contextmanager
def stream_of(port: Script, flag: InterruptFlag | None = None) -> Iterator[SerialStream]:
    clock = SystemClock(flag)
    with contextlib.closing(SerialStream("script", port, clock, clock.interrupt)) as stream:
        yield stream


def test_a_full_queue_drops_the_oldest_and_counts_them(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(streams, "CHUNKS_KEPT", 3)
    port = Script([b"a", b"b", b"c", b"d", b"e"])
    with stream_of(port) as stream:
        assert port.given.wait(5.0)
        assert [chunk for _, chunk in stream.read(time.monotonic())] == [b"c", b"d", b"e"]
        assert stream.dropped_chunks == 2


def test_the_queue_is_bounded_in_bytes_too(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(streams, "BYTES_KEPT", 10)
    port = Script([b"aaaa", b"bbbb", b"cccc"])
    with stream_of(port) as stream:
        assert port.given.wait(5.0)
        assert [chunk for _, chunk in stream.read(time.monotonic())] == [b"bbbb", b"cccc"]
        assert stream.dropped_chunks == 1
        assert stream.read(time.monotonic()) == []


def test_a_read_of_a_queue_with_room_drops_nothing() -> None:
    port = Script([b"a"] * 200)
    with stream_of(port) as stream:
        assert port.given.wait(5.0)
        assert len(stream.read(time.monotonic())) == 200
        assert stream.dropped_chunks == 0


def test_a_fault_of_ours_in_the_thread_is_told_and_not_taken_for_silence() -> None:
    with stream_of(Script([b"a"], RuntimeError("\x1b[31m"))) as stream:
        deadline = time.monotonic() + 30.0
        assert [chunk for _, chunk in stream.read(deadline)] == [b"a"]
        with pytest.raises(StreamError, match=r"^script: reading failed: [ -~]*$"):
            stream.read(deadline)


def test_a_signal_ends_the_wait_for_a_receiver() -> None:
    flag = InterruptFlag()
    with stream_of(Script([]), flag) as stream:
        threading.Timer(0.02, lambda: flag.set(signal.SIGTERM)).start()
        start = time.monotonic()
        with pytest.raises(Interrupted):
            stream.read(start + 60.0)
        assert time.monotonic() - start < 5.0


def test_closing_ends_the_thread_and_lets_go_of_the_port() -> None:
    port = Script([])
    with stream_of(port) as stream:
        assert any(thread.name == "noonmark-stream" for thread in threading.enumerate())
        stream.close()
        assert not any(thread.name == "noonmark-stream" for thread in threading.enumerate())
        assert port.closed


@pytest.mark.parametrize("data", [b"#", b":MS#", b':GC#{"class":"VERSION"}'])
def test_a_receivers_line_never_carries_the_end_mark_of_a_mounts_command(data: bytes) -> None:
    # a mount's port written where the receiver's belongs must not be able to move the mount
    with stream_of(Script([])) as stream, pytest.raises(ForbiddenCommand):
        stream.write(data)


def test_a_write_that_fails_is_the_streams_error() -> None:
    with stream_of(Script([])) as stream, pytest.raises(StreamError):
        stream.write(b"?WATCH;")


def test_what_a_receiver_sent_before_we_opened_its_port_is_thrown_away() -> None:
    master, slave = os.openpty()
    try:
        tty.setraw(slave)
        os.write(master, b"$GPRMC,stale")
        assert select.select([slave], [], [], 5.0)[0]
        with contextlib.closing(open_stream(os.ttyname(slave), baud=9600, clock=SystemClock())) as stream:
            os.write(master, b"fresh")
            received = b""
            while len(received) < 5:
                received += b"".join(chunk for _, chunk in stream.read(time.monotonic() + 5.0))
            assert received == b"fresh"
    finally:
        os.close(slave)
        os.close(master)


def test_the_first_words_of_a_daemon_are_not_lost() -> None:
    # it greets each client at once: nothing of it may be taken for stale
    greeting = b'{"class":"VERSION"}\r\n'
    with socket.create_server(("127.0.0.1", 0)) as server:

        def greet() -> None:
            with server.accept()[0] as connection:
                connection.sendall(greeting)
                connection.recv(1)  # until the client goes

        greeter = threading.Thread(target=greet)
        greeter.start()
        address = f"127.0.0.1:{server.getsockname()[1]}"
        received = b""
        with contextlib.closing(open_stream(address, baud=9600, clock=SystemClock())) as stream:
            while len(received) < len(greeting):
                received += b"".join(chunk for _, chunk in stream.read(time.monotonic() + 5.0))
        greeter.join()
    assert received == greeting
