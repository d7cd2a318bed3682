"""Real links under the traps of real lines: interrupts, stale bytes, babble, full buffers, thieves.

What any link promises is in test_seam_contract; this is what only a real one can get wrong.
"""

from __future__ import annotations

import contextlib
import gc
import os
import select
import signal
import termios
import threading
import time
import tty
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import pytest
from support.readers import Nothing, UpToHash

from noonmark.driver.allowlist import ForbiddenCommand, GuardedLink
from noonmark.driver.clocks import SystemClock
from noonmark.driver.interrupts import Interrupted, InterruptFlag, catching
from noonmark.driver.links import open_link
from noonmark.protocols.seams import LinkError, ReplyError

SET_TIME = b":SL21:05:30#"


@dataclass
class Pty:
    """Both ends of a pseudo-terminal; the far one is served on demand, in threads that are joined."""

    master: int
    slave: int
    threads: list[threading.Thread] = field(default_factory=list)

    @property
    def path(self) -> str:
        return os.ttyname(self.slave)

    def on_hearing(self, expected: bytes, action: Callable[[], object]) -> None:
        """Once, in a thread: when `expected` has come, do `action`."""

        def serve() -> None:
            heard = b""
            while expected not in heard and select.select([self.master], [], [], 5.0)[0]:
                heard += os.read(self.master, 4096)
            action()

        self.threads.append(threading.Thread(target=serve))
        self.threads[-1].start()

    def say(self, data: bytes) -> None:
        os.write(self.master, data)

    def say_before_being_read(self, data: bytes) -> None:
        self.say(data)
        assert select.select([self.slave], [], [], 5.0)[0]

    def heard(self) -> bytes:
        """What came and was not yet taken."""
        data = b""
        while select.select([self.master], [], [], 0.02)[0]:
            data += os.read(self.master, 4096)
        return data


@pytest.fixture
def pty() -> Iterator[Pty]:
    master, slave = os.openpty()
    tty.setraw(slave)
    ends = Pty(master, slave)
    yield ends
    for thread in ends.threads:
        thread.join()
    os.close(slave)
    os.close(master)


@pytest.fixture
def flag() -> InterruptFlag:
    return InterruptFlag()


@pytest.fixture
def link(pty: Pty, flag: InterruptFlag) -> Iterator[GuardedLink]:
    with contextlib.closing(open_link(pty.path, baud=9600, clock=SystemClock(), interrupt=flag)) as opened:
        yield opened


def soon(seconds: float = 5.0) -> float:
    return time.monotonic() + seconds


# --- interrupts -----------------------------------------------------------------------------------


def test_after_a_signal_nothing_more_is_asked(pty: Pty, link: GuardedLink, flag: InterruptFlag) -> None:
    flag.set(signal.SIGTERM)
    with pytest.raises(Interrupted):
        link.exchange(b":GC#", UpToHash(), soon())
    with pytest.raises(Interrupted):
        link.silence(1.0, soon())
    assert pty.heard() == b""


def test_a_signal_ends_the_wait_for_a_reply(pty: Pty, link: GuardedLink, flag: InterruptFlag) -> None:
    pty.on_hearing(b":GC#", lambda: flag.set(signal.SIGINT))
    start = time.monotonic()
    with pytest.raises(Interrupted) as caught:
        link.exchange(b":GC#", UpToHash(), soon(60.0))
    assert caught.value.exit_status == 130
    assert time.monotonic() - start < 5.0


def test_a_real_signal_ends_the_wait_for_a_reply(pty: Pty) -> None:
    with (
        catching() as flag,
        contextlib.closing(open_link(pty.path, baud=9600, clock=SystemClock(flag))) as link,
    ):
        pty.on_hearing(b":GC#", lambda: os.kill(os.getpid(), signal.SIGTERM))
        with pytest.raises(Interrupted) as caught:
            link.exchange(b":GC#", UpToHash(), soon(60.0))
    assert caught.value.signal_number == signal.SIGTERM


def test_a_signal_in_the_middle_of_a_timed_command_lets_it_be_sent_whole(
    pty: Pty, link: GuardedLink, flag: InterruptFlag
) -> None:
    pty.on_hearing(SET_TIME[:-1], lambda: flag.set(signal.SIGINT))
    with pytest.raises(Interrupted):
        link.exchange(SET_TIME, UpToHash(), soon(), last_byte_at=soon(0.1))
    pty.threads[-1].join()
    assert pty.heard() == b"#"


def test_a_signal_while_the_instant_is_awaited_sends_nothing(pty: Pty, link: GuardedLink, flag: InterruptFlag) -> None:
    timer = threading.Timer(0.02, lambda: flag.set(signal.SIGINT))
    timer.start()
    start = time.monotonic()
    with pytest.raises(Interrupted):
        link.exchange(SET_TIME, UpToHash(), soon(60.0), last_byte_at=soon(30.0))
    assert time.monotonic() - start < 5.0
    assert pty.heard() == b""
    timer.join()


# --- the timed send -------------------------------------------------------------------------------


@pytest.mark.parametrize("collecting", [True, False])
def test_a_timed_send_leaves_the_garbage_collector_and_the_scheduling_as_they_were(
    pty: Pty, link: GuardedLink, collecting: bool
) -> None:
    before = gc.isenabled()
    os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))
    scheduling = os.sched_getscheduler(0), os.sched_getparam(0)
    (gc.enable if collecting else gc.disable)()
    try:
        link.exchange(SET_TIME, Nothing(), soon(), last_byte_at=soon(0.01))
        assert gc.isenabled() is collecting
        os.close(pty.master)
        with pytest.raises(LinkError):
            link.exchange(SET_TIME, Nothing(), soon(), last_byte_at=soon(0.01))
        assert gc.isenabled() is collecting
        assert (os.sched_getscheduler(0), os.sched_getparam(0)) == scheduling
    finally:
        (gc.enable if before else gc.disable)()
        pty.master = os.open("/dev/null", os.O_RDONLY)  # for the fixture to close


def test_a_timed_send_does_without_the_real_time_scheduling_that_is_denied(
    pty: Pty, link: GuardedLink, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[int] = []

    def denied(pid: int, policy: int, parameter: object) -> None:
        asked.append(policy)
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "sched_setscheduler", denied)
    got = link.exchange(SET_TIME, Nothing(), soon(), last_byte_at=soon(0.01))
    assert got.t_last_before is not None
    assert asked[0] == os.SCHED_FIFO
    assert pty.heard() == SET_TIME


def test_the_last_byte_is_handed_over_the_time_of_a_byte_before_its_instant(pty: Pty, link: GuardedLink) -> None:
    assert link.byte_s == pytest.approx(10 / 9600)  # a start bit, eight bits, a stop bit
    arrival = soon(0.1)
    got = link.exchange(SET_TIME, Nothing(), soon(), last_byte_at=arrival)
    assert got.t_last_before is not None
    assert got.t_last_before >= arrival - link.byte_s
    assert got.t_before < arrival - len(SET_TIME) * link.byte_s  # the others had time to leave


# --- what lies on the line ------------------------------------------------------------------------


def test_what_lay_in_the_buffer_at_opening_is_thrown_away(pty: Pty) -> None:
    pty.say_before_being_read(b"stale#")
    with contextlib.closing(open_link(pty.path, baud=9600, clock=SystemClock())) as link:
        pty.on_hearing(b":GC#", lambda: pty.say(b"10/21/26#"))
        got = link.exchange(b":GC#", UpToHash(), soon())
    assert (got.stray, got.reply) == (b"", b"10/21/26#")


def test_stray_bytes_are_kept_up_to_a_bound_and_all_of_them_read(pty: Pty, link: GuardedLink) -> None:
    def flood() -> None:
        for _ in range(9):
            while not select.select([], [pty.master], [], 1.0)[1]:
                pass
            pty.say(b"x" * 1000)
        pty.say(b"#")

    pty.on_hearing(b":U#", flood)
    link.exchange(b":U#", Nothing(), soon())
    assert select.select([pty.slave], [], [], 5.0)[0]
    pty.on_hearing(b":GL#", lambda: pty.say(b"21:05:30#"))
    got = link.exchange(b":GL#", UpToHash(), soon())
    assert len(got.stray) <= 4096
    assert len(got.rest) <= 4096
    assert set(got.stray) == {ord("x")}


def test_a_reply_without_end_is_refused_before_it_fills_the_memory(pty: Pty, link: GuardedLink) -> None:
    def babble() -> None:
        for _ in range(6):
            while not select.select([], [pty.master], [], 1.0)[1]:
                pass
            pty.say(b"x" * 1000)

    pty.on_hearing(b":GC#", babble)
    with pytest.raises(ReplyError, match="4096"):
        link.exchange(b":GC#", UpToHash(), soon())


def test_babble_does_not_stretch_the_deadline(pty: Pty, link: GuardedLink) -> None:
    over = threading.Event()

    def babble() -> None:
        while not over.wait(0.005):
            pty.say(b"x")

    pty.on_hearing(b":GC#", babble)
    deadline = soon(0.1)
    got = link.exchange(b":GC#", UpToHash(), deadline)
    over.set()
    assert not got.complete
    assert deadline <= time.monotonic() < deadline + 0.5


# --- faults of the line ---------------------------------------------------------------------------


def test_a_line_that_takes_no_bytes_says_that_they_may_have_been_sent(pty: Pty, link: GuardedLink) -> None:
    termios.tcflow(pty.slave, termios.TCOOFF)
    deadline = soon(0.1)
    with pytest.raises(LinkError) as caught:
        link.exchange(b":GC#", UpToHash(), deadline)
    assert caught.value.code == "write-timeout"
    assert "0 of 4 bytes" in str(caught.value)
    assert "may have been sent" in str(caught.value)
    assert deadline <= time.monotonic() < deadline + 0.5
    termios.tcflow(pty.slave, termios.TCOON)
    pty.on_hearing(b":GC#", lambda: pty.say(b"10/21/26#"))
    assert link.exchange(b":GC#", UpToHash(), soon()).reply == b"10/21/26#"


@pytest.mark.parametrize("error", [OSError(5, "Input/output error"), OSError(19, "No such device \x1b[0m")])
def test_a_device_that_fails_while_read_is_named_vanished(
    pty: Pty, link: GuardedLink, monkeypatch: pytest.MonkeyPatch, error: OSError
) -> None:
    def fails(fd: int, size: int) -> bytes:
        raise error

    pty.say_before_being_read(b"x")
    monkeypatch.setattr(os, "read", fails)
    with pytest.raises(LinkError) as caught:
        link.exchange(b":GC#", UpToHash(), soon())
    monkeypatch.undo()
    assert caught.value.code == "port-vanished"
    assert "\x1b" not in str(caught.value)


def test_bytes_that_another_program_takes_are_not_mistaken_for_an_unplugged_cable(
    pty: Pty, link: GuardedLink, monkeypatch: pytest.MonkeyPatch
) -> None:
    pty.say_before_being_read(b"x")
    monkeypatch.setattr(os, "read", lambda fd, size: b"")  # readable, then nothing: someone was faster
    with pytest.raises(LinkError) as caught:
        link.exchange(b":GC#", UpToHash(), soon())
    monkeypatch.undo()
    assert caught.value.code == "port-busy"


def test_the_line_is_set_to_the_rate_that_was_asked_for(pty: Pty) -> None:
    with contextlib.closing(open_link(pty.path, baud=19200, clock=SystemClock())) as link:
        assert termios.tcgetattr(pty.slave)[4:6] == [termios.B19200, termios.B19200]
        assert link.byte_s == pytest.approx(10 / 19200)
        assert link.address == pty.path


def test_a_link_opened_for_reading_can_not_write_a_setting(pty: Pty) -> None:
    with contextlib.closing(open_link(pty.path, baud=9600, clock=SystemClock(), reads_only=True)) as link:
        with pytest.raises(ForbiddenCommand):
            link.exchange(SET_TIME, Nothing(), soon())
        assert pty.heard() == b""
