"""What every Clock, Link and Stream promises, run over every implementation.

A further implementation is a further row of CLOCKS, LINKS or STREAMS: a context manager that gives the thing
itself, the clock it lives by, and the far end of its line, programmed through `FarEnd`.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import fcntl
import os
import random
import select
import socket
import struct
import termios
import threading
import tty
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

import pytest
from support.readers import Flag, Nothing, UpToHash

from noonmark.driver.allowlist import ForbiddenCommand, GuardedLink
from noonmark.driver.clocks import SystemClock
from noonmark.driver.links import open_link
from noonmark.driver.streams import open_stream
from noonmark.protocols.seams import (
    Clock,
    Discipline,
    Exchange,
    Link,
    LinkError,
    ReplyError,
    ReplyReader,
    Stream,
    StreamError,
)
from noonmark.sim.line import LineManner, SimLink, SimStream
from noonmark.sim.timeline import RealTimeline, VirtualClock

SOON_S = 0.5  # "not much later", on a busy machine
QUESTION = b":GC#"
OTHER = b":GL#"
CAP = 4096


class FarEnd(Protocol):
    """The device at the other end of a line."""

    def answers(self, request: bytes, *parts: tuple[float, bytes]) -> None:
        """From now on answer `request` with these parts, each after its delay in seconds."""
        ...

    def says(self, data: bytes) -> None:
        """Send bytes unasked. A link can read them a millisecond after the return, a stream soon after."""
        ...

    def vanishes(self) -> None:
        """As if unplugged."""
        ...

    @property
    def heard(self) -> bytes:
        """All that came to the device so far."""
        ...


@dataclass(frozen=True)
class LinkUnderTest:
    link: Link
    clock: Clock
    far: FarEnd


@dataclass(frozen=True)
class StreamUnderTest:
    stream: Stream
    clock: Clock
    far: FarEnd


# --- real far ends --------------------------------------------------------------------------------


@dataclass
class Responder:
    """A device in a thread of its own, on a descriptor."""

    fd: int
    arrived: Callable[[], bool]  # whether all that was said can be read at the near end
    close: Callable[[], None]
    decode: Callable[[bytes], bytes] = bytes
    encode: Callable[[bytes], bytes] = bytes
    heard: bytes = b""
    _rules: dict[bytes, tuple[tuple[float, bytes], ...]] = field(default_factory=dict)
    _pending: bytes = b""
    _stop: threading.Event = field(default_factory=threading.Event)
    _thread: threading.Thread | None = None

    def start(self) -> Responder:
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()
        return self

    def answers(self, request: bytes, *parts: tuple[float, bytes]) -> None:
        self._rules = {**self._rules, request: parts}

    def forget(self) -> None:
        self._rules, self._pending, self.heard = {}, b"", b""

    def says(self, data: bytes) -> None:
        self._write(data)
        while not self.arrived():
            select.select([], [], [], 0.0005)

    def vanishes(self) -> None:
        if not self._stop.is_set():
            self._stop.set()
            if self._thread is not None:
                self._thread.join()
            self.close()

    def _serve(self) -> None:
        poll = select.poll()
        poll.register(self.fd, select.POLLIN)
        while not self._stop.is_set():
            if not poll.poll(5):
                continue
            try:
                data = os.read(self.fd, 4096)
            except OSError:
                return
            if not data:
                return
            self.heard += (plain := self.decode(data))
            self._pending += plain
            self._reply()

    def _reply(self) -> None:
        for request, parts in self._rules.items():
            if request in self._pending:
                self._pending = self._pending.partition(request)[2]
                for delay_s, data in parts:
                    if self._stop.wait(delay_s):
                        return
                    self._write(data)

    def _write(self, data: bytes) -> None:
        data = self.encode(data)
        while data:
            select.select([], [self.fd], [], 1.0)
            data = data[os.write(self.fd, data) :]


@contextlib.contextmanager
def pty_line(opener: Callable[..., Any]) -> Iterator[tuple[Any, Responder]]:
    master, slave = os.openpty()
    tty.setraw(slave)

    def arrived() -> bool:
        return bool(select.select([slave], [], [], 0)[0])

    far = Responder(master, arrived, lambda: os.close(master)).start()
    try:
        with contextlib.closing(opener(os.ttyname(slave), baud=9600)) as near:
            yield near, far
    finally:
        far.vanishes()
        os.close(slave)


@contextlib.contextmanager
def tcp_line(opener: Callable[..., Any], form: str = "socket://127.0.0.1:{}") -> Iterator[tuple[Any, Responder]]:
    with contextlib.ExitStack() as held:
        server = held.enter_context(socket.create_server(("127.0.0.1", 0)))
        near = held.enter_context(contextlib.closing(opener(form.format(server.getsockname()[1]), baud=9600)))
        connection = server.accept()[0]

        def arrived() -> bool:  # nothing sent is left unacknowledged (tcp(7), SIOCOUTQ)
            unsent = fcntl.ioctl(connection.fileno(), termios.TIOCOUTQ, b"\0\0\0\0")
            return bool(struct.unpack("i", unsent)[0] == 0)

        far = Responder(connection.fileno(), arrived, connection.close).start()
        held.callback(far.vanishes)
        yield near, far


@contextlib.contextmanager
def bridge_line(opener: Callable[..., Any]) -> Iterator[tuple[Any, Responder]]:
    """An RFC 2217 bridge; the server's side of the protocol is pyserial's."""
    import serial
    import serial.rfc2217

    with socket.create_server(("127.0.0.1", 0)) as server:
        started: list[Responder] = []

        def serve() -> None:
            connection = server.accept()[0]

            class Wire:
                write = staticmethod(connection.sendall)

            settings: Any = serial.serial_for_url("loop://")
            wire: Any = Wire()
            manager: Any = serial.rfc2217.PortManager(settings, wire)
            started.append(
                Responder(
                    connection.fileno(),
                    lambda: False,
                    connection.close,
                    decode=lambda data: b"".join(manager.filter(data)),
                    encode=lambda data: b"".join(manager.escape(data)),
                ).start()
            )

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        with contextlib.closing(opener(f"rfc2217://127.0.0.1:{server.getsockname()[1]}", baud=9600)) as near:
            thread.join()
            far = started[0]
            far.arrived = lambda: bool(near._GuardedLink__link._port._bridge.in_waiting)
            try:
                yield near, far
            finally:
                far.vanishes()


@contextlib.contextmanager
def real_link(line: Callable[..., Any]) -> Iterator[LinkUnderTest]:
    clock = SystemClock()
    with line(lambda address, baud: open_link(address, baud=baud, clock=clock)) as (link, far):
        yield LinkUnderTest(link, clock, far)


@contextlib.contextmanager
def real_stream(line: Callable[..., Any]) -> Iterator[StreamUnderTest]:
    clock = SystemClock()
    with line(lambda address, baud: open_stream(address, baud=baud, clock=clock)) as (stream, far):
        far.arrived = lambda: bool(stream._chunks)  # the stream's own thread has taken it
        yield StreamUnderTest(stream, clock, far)


# --- virtual time ---------------------------------------------------------------------------------


@dataclass
class ScriptedDevice:
    """The far end of a virtual line: answers what it was told to, at its instants."""

    clock: VirtualClock
    say: Callable[[bytes, float], None] = lambda data, at: None
    unplug: Callable[[], None] = lambda: None
    heard: bytes = b""
    _rules: dict[bytes, tuple[tuple[float, bytes], ...]] = field(default_factory=dict)
    _pending: bytes = b""
    _chunks: list[tuple[float, bytes]] = field(default_factory=list)

    def answers(self, request: bytes, *parts: tuple[float, bytes]) -> None:
        self._rules[request] = parts

    def says(self, data: bytes) -> None:
        self.say(data, self.clock.monotonic())
        self.clock.wait_until(self.clock.monotonic() + 1e-6)

    def vanishes(self) -> None:
        self.unplug()

    def receive(self, data: bytes, first_at: float, step_s: float = 0.0) -> list[tuple[float, bytes]]:
        self.heard += data
        replies: list[tuple[float, bytes]] = []
        for index in range(len(data)):
            self._pending += data[index : index + 1]
            for request, parts in self._rules.items():
                if self._pending.endswith(request):
                    at, self._pending = first_at + index * step_s + 1e-6, b""
                    for delay, part in parts:
                        at += delay
                        replies.append((at, part))
        return replies

    def open(self, at: float) -> None:
        self._chunks.clear()

    def take(self, now: float) -> list[tuple[float, bytes]]:
        come = [chunk for chunk in self._chunks if chunk[0] <= now]
        self._chunks = [chunk for chunk in self._chunks if chunk[0] > now]
        return come

    def next_at(self) -> float:
        return min((at for at, _ in self._chunks), default=float("inf"))

    def hear(self, data: bytes, at: float) -> None:
        self._chunks += self.receive(data, at)


@contextlib.contextmanager
def virtual_link() -> Iterator[LinkUnderTest]:
    clock = VirtualClock(dt.datetime(2026, 10, 21, 11, 5, 30, tzinfo=dt.UTC))
    far = ScriptedDevice(clock)
    link = SimLink(far, clock, manner=LineManner(baud=0))
    far.say, far.unplug = link.wire.to_host, link.unplug
    yield LinkUnderTest(GuardedLink(link), clock, far)


@contextlib.contextmanager
def virtual_stream() -> Iterator[StreamUnderTest]:
    clock = VirtualClock(dt.datetime(2026, 10, 21, 11, 5, 30, tzinfo=dt.UTC))
    far = ScriptedDevice(clock)
    stream = SimStream(far, clock)
    far.say, far.unplug = lambda data, at: far._chunks.append((at, data)), stream.unplug
    yield StreamUnderTest(stream, clock, far)


# --- the implementations --------------------------------------------------------------------------

CLOCKS: dict[str, Callable[[], Clock]] = {
    "system": SystemClock,
    "virtual": lambda: VirtualClock(dt.datetime(2026, 10, 21, 11, 5, 30, tzinfo=dt.UTC)),
    "simulated world in real time": lambda: RealTimeline(SystemClock()),
}
LINKS: dict[str, Callable[[], AbstractContextManager[LinkUnderTest]]] = {
    "pseudo-terminal": lambda: real_link(pty_line),
    "socket": lambda: real_link(tcp_line),
    "rfc2217": lambda: real_link(bridge_line),
    "virtual": virtual_link,
}
STREAMS: dict[str, Callable[[], AbstractContextManager[StreamUnderTest]]] = {
    "pseudo-terminal": lambda: real_stream(pty_line),
    "socket": lambda: real_stream(tcp_line),
    "daemon": lambda: real_stream(lambda opener: tcp_line(opener, "127.0.0.1:{}")),
    "virtual": virtual_stream,
}


@pytest.fixture(autouse=True)
def _runtime_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))


@pytest.fixture(params=CLOCKS)
def clock(request: pytest.FixtureRequest) -> Clock:
    return CLOCKS[request.param]()


@pytest.fixture(scope="module")
def shared_bridge() -> Iterator[LinkUnderTest]:
    with LINKS["rfc2217"]() as under_test:
        yield under_test


@pytest.fixture(params=LINKS)
def line(request: pytest.FixtureRequest) -> Iterator[LinkUnderTest]:
    """A line that the test leaves usable. Negotiating with a bridge takes 0.7 s: one serves all tests."""
    if request.param != "rfc2217":
        with LINKS[request.param]() as under_test:
            yield under_test
        return
    shared: LinkUnderTest = request.getfixturevalue("shared_bridge")
    assert isinstance(shared.far, Responder)
    shared.link.silence(0.05, shared.clock.monotonic() + 5.0)
    shared.far.forget()
    yield shared


@pytest.fixture(params=LINKS)
def own_line(request: pytest.FixtureRequest) -> Iterator[LinkUnderTest]:
    """A line that the test may spoil."""
    with LINKS[request.param]() as under_test:
        yield under_test


@pytest.fixture(params=STREAMS)
def receiver(request: pytest.FixtureRequest) -> Iterator[StreamUnderTest]:
    with STREAMS[request.param]() as under_test:
        yield under_test


def ask(
    line: LinkUnderTest,
    request: bytes = QUESTION,
    reader: ReplyReader | None = None,
    *,
    within_s: float = 2.0,
    last_byte_in_s: float | None = None,
) -> Exchange:
    now = line.clock.monotonic()
    return line.link.exchange(
        request,
        UpToHash() if reader is None else reader,
        now + within_s,
        last_byte_at=None if last_byte_in_s is None else now + last_byte_in_s,
    )


# --- clocks ---------------------------------------------------------------------------------------


def test_a_wait_ends_at_or_after_its_instant_and_the_clock_never_goes_back(clock: Clock) -> None:
    assert isinstance(clock, Clock)
    instant = clock.monotonic() + 0.02
    clock.wait_until(instant)
    reached = clock.monotonic()
    assert reached >= instant
    clock.wait_until(instant - 1.0)
    assert reached <= clock.monotonic() < reached + SOON_S


def test_utc_and_boot_time_go_on_with_the_monotonic_clock(clock: Clock) -> None:
    utc_ns, boot, start = clock.utc_ns(), clock.boottime(), clock.monotonic()
    clock.wait_until(start + 0.02)
    went = clock.monotonic() - start
    assert clock.boottime() - boot == pytest.approx(went, abs=SOON_S)
    assert (clock.utc_ns() - utc_ns) / 1e9 == pytest.approx(went, abs=SOON_S)
    assert isinstance(utc_ns, int)


def test_the_discipline_is_told_or_why_it_is_unknown(clock: Clock) -> None:
    discipline = clock.discipline()
    assert isinstance(discipline, Discipline)
    assert discipline.why or discipline.synchronised is not None


# --- links ----------------------------------------------------------------------------------------


def test_a_whole_reply_comes_with_the_instants_that_bound_it(line: LinkUnderTest) -> None:
    line.far.answers(QUESTION, (0.0, b"10/21/26#"))
    start = line.clock.monotonic()
    got = ask(line)
    assert (got.request, got.reply, got.complete) == (QUESTION, b"10/21/26#", True)
    assert (got.stray, got.rest, got.t_last_before) == (b"", b"", None)
    assert got.t_first is not None
    assert got.t_last is not None
    assert start <= got.t_before <= got.t_written <= got.t_last <= line.clock.monotonic()
    assert got.t_before <= got.t_first <= got.t_last
    assert line.far.heard == QUESTION
    assert isinstance(line.link, Link)
    assert line.link.byte_s >= 0


def test_a_reply_in_pieces_is_joined_and_first_and_last_byte_told_apart(line: LinkUnderTest) -> None:
    line.far.answers(QUESTION, (0.0, b"10/2"), (0.03, b"1/26"), (0.03, b"#"))
    got = ask(line)
    assert (got.reply, got.complete) == (b"10/21/26#", True)
    assert got.t_first is not None
    assert got.t_last is not None
    assert got.t_last - got.t_first > 0.03


def test_bytes_that_lay_there_before_the_question_are_no_part_of_the_reply(line: LinkUnderTest) -> None:
    line.far.answers(QUESTION, (0.0, b"10/21/26#"))
    line.far.says(b"1#")
    line.clock.wait_until(line.clock.monotonic() + 1e-3)
    got = ask(line)
    assert (got.stray, got.reply) == (b"1#", b"10/21/26#")


def test_bytes_that_come_before_the_last_byte_of_the_question_are_no_part_of_the_reply(
    line: LinkUnderTest,
) -> None:
    line.far.answers(b":SL2", (0.0, b"late#"))
    line.far.answers(b":SL21:05:30#", (0.0, b"on time#"))
    line.far.answers(b"1:05:30#", (0.0, b"on time#"))
    for _ in range(8):  # on a busy machine a device in a thread may say it after the last byte for once
        got = ask(line, b":SL21:05:30#", last_byte_in_s=0.08)
        if got.stray:
            break
        line.link.silence(0.1, line.clock.monotonic() + 5.0)
    assert (got.stray, got.reply) == (b"late#", b"on time#")


def test_bytes_after_the_end_of_a_reply_are_kept_apart(line: LinkUnderTest) -> None:
    line.far.answers(QUESTION, (0.0, b"10/21/26#21:05:30#"))
    got = ask(line)
    assert got.reply == b"10/21/26#"
    line.far.answers(OTHER, (0.0, b"x#"))
    assert got.rest + ask(line, OTHER).stray == b"21:05:30#"


def test_half_a_reply_is_incomplete_at_the_deadline_and_not_much_later(line: LinkUnderTest) -> None:
    line.far.answers(QUESTION, (0.0, b"10/2"))
    start = line.clock.monotonic()
    got = ask(line, within_s=0.08)
    assert (got.reply, got.complete) == (b"10/2", False)
    assert 0.08 <= line.clock.monotonic() - start < 0.08 + SOON_S


def test_no_reply_is_told_from_an_empty_one(line: LinkUnderTest) -> None:
    got = ask(line, within_s=0.06)
    assert (got.reply, got.complete, got.t_first, got.t_last) == (b"", False, None, None)
    line.far.answers(QUESTION, (0.0, b"#"))
    got = ask(line)
    assert (got.reply, got.complete) == (b"#", True)


def test_a_question_without_answer_returns_at_once(line: LinkUnderTest) -> None:
    start = line.clock.monotonic()
    got = ask(line, b":U#", Nothing(), within_s=10.0)
    assert (got.reply, got.complete, got.t_first) == (b"", True, None)
    assert line.clock.monotonic() - start < 5.0
    line.far.answers(OTHER, (0.0, b"x#"))
    assert ask(line, OTHER).complete
    assert line.far.heard == b":U#" + OTHER


def test_bytes_that_are_no_reply_are_refused_and_the_line_remains_usable(line: LinkUnderTest) -> None:
    line.far.answers(QUESTION, (0.0, b"?!"))
    with pytest.raises(ReplyError):
        ask(line)
    line.far.answers(OTHER, (0.0, b"21:05:30#"))
    assert ask(line, OTHER).reply == b"21:05:30#"


def test_a_flag_is_complete_once_its_grace_was_silent(line: LinkUnderTest) -> None:
    line.far.answers(QUESTION, (0.0, b"1"))
    got = ask(line, reader=Flag())
    assert (got.reply, got.complete) == (b"1", True)
    assert got.t_last is not None
    assert line.clock.monotonic() - got.t_last >= Flag().grace_s


def test_a_late_end_mark_within_the_grace_belongs_to_the_flag(line: LinkUnderTest) -> None:
    line.far.answers(QUESTION, (0.0, b"1"), (0.02, b"#"))
    got = ask(line, reader=Flag(grace_s=1.0))
    assert (got.reply, got.complete) == (b"1#", True)


def test_what_follows_a_flag_and_is_not_its_end_mark_does_not_move_its_last_instant(line: LinkUnderTest) -> None:
    line.far.answers(QUESTION, (0.0, b"1"), (0.1, b"x"))
    got = ask(line, reader=Flag(grace_s=1.0))
    assert (got.reply, got.rest, got.complete) == (b"1", b"x", True)
    assert got.t_first is not None
    assert got.t_last is not None
    assert got.t_last - got.t_first < 0.1


def test_a_flag_whose_grace_outlasts_the_deadline_is_incomplete(line: LinkUnderTest) -> None:
    line.far.answers(QUESTION, (0.0, b"1"))
    got = ask(line, reader=Flag(grace_s=5.0), within_s=0.08)
    assert (got.reply, got.complete) == (b"1", False)


def test_a_timed_send_is_never_early_and_notes_its_real_instants(line: LinkUnderTest) -> None:
    line.far.answers(b":SL21:05:30#", (0.0, b"1"))
    wanted = line.clock.monotonic() + 0.12
    got = line.link.exchange(b":SL21:05:30#", Flag(), wanted + 2.0, last_byte_at=wanted)
    assert got.t_last_before is not None
    assert got.t_first is not None
    assert got.t_before < got.t_last_before <= got.t_written
    assert wanted - line.link.byte_s <= got.t_last_before < wanted + SOON_S
    assert got.t_first > got.t_last_before
    assert (got.reply, line.far.heard) == (b"1", b":SL21:05:30#")


def test_a_timed_send_whose_instant_has_passed_is_sent_at_once(line: LinkUnderTest) -> None:
    line.far.answers(b":SL21:05:30#", (0.0, b"1"))
    got = ask(line, b":SL21:05:30#", Flag(), last_byte_in_s=-1.0)
    assert got.t_last_before is not None
    assert got.t_before <= got.t_last_before <= got.t_written
    assert got.reply == b"1"


@pytest.mark.parametrize(("within_s", "last_byte_in_s"), [(-0.1, None), (0.1, 0.2)])
def test_a_deadline_that_leaves_no_time_for_the_question_sends_nothing(
    line: LinkUnderTest, within_s: float, last_byte_in_s: float | None
) -> None:
    with pytest.raises(LinkError) as caught:
        ask(line, within_s=within_s, last_byte_in_s=last_byte_in_s)
    assert caught.value.code == "deadline-passed"
    line.far.answers(OTHER, (0.0, b"x#"))
    ask(line, OTHER)
    assert line.far.heard == OTHER


def test_nothing_of_a_forbidden_command_is_sent(line: LinkUnderTest) -> None:
    for command in (b":Mn#", b":CM#", b":hP#", b"#", QUESTION + OTHER, b""):
        with pytest.raises(ForbiddenCommand):
            ask(line, command)
    line.far.answers(OTHER, (0.0, b"x#"))
    ask(line, OTHER)
    assert line.far.heard == OTHER


def test_silence_returns_what_came_once_the_line_was_quiet(line: LinkUnderTest) -> None:
    line.far.answers(QUESTION, (0.0, b"#a"), (0.02, b"b"))
    got = ask(line)
    start = line.clock.monotonic()
    heard = line.link.silence(0.1, start + 5.0)
    assert got.rest + heard == b"ab"
    assert 0.1 <= line.clock.monotonic() - start < 5.0


def test_silence_ends_at_its_deadline_on_a_line_that_never_falls_silent(line: LinkUnderTest) -> None:
    line.far.answers(QUESTION, (0.0, b"#"), *[(0.01, b"x")] * 40)
    ask(line)
    start = line.clock.monotonic()
    assert set(line.link.silence(0.2, start + 0.1)) == {ord("x")}
    assert line.clock.monotonic() - start < 0.1 + SOON_S


def test_silence_keeps_the_first_bytes_of_a_flood(line: LinkUnderTest) -> None:
    flood = random.Random(7).randbytes(3 * CAP)
    pieces = [(0.0, flood[at : at + 1024]) for at in range(0, len(flood), 1024)]
    line.far.answers(QUESTION, (0.0, b"#"), *pieces)
    got = ask(line)
    kept = line.link.silence(0.1, line.clock.monotonic() + 5.0)
    assert len(kept) <= CAP
    assert flood.startswith(got.rest + kept)
    assert len(got.rest + kept) >= CAP - 1


def test_a_line_that_vanishes_is_named_so(own_line: LinkUnderTest) -> None:
    own_line.far.answers(QUESTION, (0.0, b"10/21/26#"))
    assert ask(own_line).complete
    own_line.far.vanishes()
    for _ in range(2):
        with pytest.raises(LinkError) as caught:
            ask(own_line)
        assert caught.value.code == "port-vanished"


def test_a_closed_link_answers_nothing_and_closes_again_without_a_word(own_line: LinkUnderTest) -> None:
    own_line.link.close()
    own_line.link.close()
    with pytest.raises(LinkError):
        ask(own_line)


# --- streams --------------------------------------------------------------------------------------


def read_bytes(receiver: StreamUnderTest, count: int) -> tuple[bytes, list[float]]:
    data, instants = b"", []
    deadline = receiver.clock.monotonic() + 5.0
    while len(data) < count and receiver.clock.monotonic() < deadline:
        for instant, chunk in receiver.stream.read(deadline):
            data += chunk
            instants.append(instant)
    return data, instants


def test_chunks_come_in_order_each_with_the_instant_of_its_arrival(receiver: StreamUnderTest) -> None:
    assert isinstance(receiver.stream, Stream)
    start = receiver.clock.monotonic()
    receiver.far.says(b"$GP")
    first, instants = read_bytes(receiver, 3)
    between = receiver.clock.monotonic()
    receiver.far.says(b"RMC")
    second, later = read_bytes(receiver, 3)
    assert (first, second) == (b"$GP", b"RMC")
    assert start <= min(instants) <= max(instants) <= between <= min(later) <= receiver.clock.monotonic()


def test_nothing_is_returned_only_when_the_time_has_passed(receiver: StreamUnderTest) -> None:
    until = receiver.clock.monotonic() + 0.1
    assert receiver.stream.read(until) == []
    assert until <= receiver.clock.monotonic() < until + SOON_S


def test_a_read_returns_as_soon_as_there_is_something(receiver: StreamUnderTest) -> None:
    start = receiver.clock.monotonic()
    receiver.far.says(b"x")
    assert b"".join(chunk for _, chunk in receiver.stream.read(start + 10.0)) == b"x"
    assert receiver.clock.monotonic() < start + 5.0


def test_every_byte_comes_once_and_in_order(receiver: StreamUnderTest) -> None:
    sent = random.Random(11).randbytes(20_000)
    receiver.far.answers(b"go", *[(0.0, sent[at : at + 500]) for at in range(0, len(sent), 500)])
    receiver.stream.write(b"go")
    received, instants = read_bytes(receiver, len(sent))
    assert received == sent
    assert instants == sorted(instants)


def test_what_is_written_is_heard_at_the_far_end(receiver: StreamUnderTest) -> None:
    request = b'?WATCH={"enable":true,"json":true};\n'
    receiver.far.answers(request, (0.0, b"ok"))
    receiver.stream.write(request)
    assert read_bytes(receiver, 2)[0] == b"ok"
    assert receiver.far.heard == request


def test_what_came_before_the_line_vanished_is_given_before_the_error(receiver: StreamUnderTest) -> None:
    receiver.far.says(b"last words")
    receiver.clock.wait_until(receiver.clock.monotonic() + 0.01)
    receiver.far.vanishes()
    assert read_bytes(receiver, 10)[0] == b"last words"
    for _ in range(2):
        with pytest.raises(StreamError) as caught:
            receiver.stream.read(receiver.clock.monotonic() + 5.0)
        assert caught.value.code == "port-vanished"


def test_a_closed_stream_gives_an_error_and_closes_again_without_a_word(receiver: StreamUnderTest) -> None:
    receiver.stream.close()
    receiver.stream.close()
    with pytest.raises(StreamError):
        receiver.stream.read(receiver.clock.monotonic() + 0.1)
