"""The host's clocks, and what the host says of its own."""

from __future__ import annotations

import ctypes
import errno
import signal
import struct
import time
from collections.abc import Callable

import pytest

from noonmark.driver.clocks import SystemClock
from noonmark.driver.interrupts import Interrupted, InterruptFlag

# struct timex of the kernel's <linux/timex.h> on a 64-bit machine, offsets in bytes (from memory)
STATUS_AT, MAXERROR_AT, ESTERROR_AT, TIMEX_BYTES = 40, 24, 32, 208
STA_PLL, STA_UNSYNC, STA_NANO = 0x0001, 0x0040, 0x2000  # <linux/timex.h>, from memory


def test_the_clock_counts_as_the_operating_system_does() -> None:
    clock = SystemClock()
    assert clock.monotonic() == pytest.approx(time.monotonic(), abs=0.5)
    assert clock.utc_ns() == pytest.approx(time.time_ns(), abs=500_000_000)
    monotonic = clock.monotonic()
    assert clock.boottime() >= monotonic  # it counts what the other leaves out


def test_spinning_is_never_early() -> None:
    clock = SystemClock()
    for ahead_s in (-1.0, 0.0, 0.0005, 0.004):
        instant = time.monotonic() + ahead_s
        clock.spin_until(instant)
        assert time.monotonic() >= instant


def test_a_wait_is_given_up_when_a_signal_has_come() -> None:
    flag = InterruptFlag()
    clock = SystemClock(flag)
    flag.set(signal.SIGTERM)
    start = time.monotonic()
    with pytest.raises(Interrupted):
        clock.wait_until(start + 60.0)
    assert time.monotonic() - start < 5.0


def answering(status: int, maxerror_us: int, esterror_us: int, returns: int = 0) -> Callable[[], object]:
    """A C library whose adjtimex fills the kernel's layout in, and refuses to be asked for a change."""

    def adjtimex(pointer: object) -> int:
        address = ctypes.cast(pointer, ctypes.c_void_p).value  # type: ignore[arg-type]
        assert address is not None
        before = ctypes.string_at(address, TIMEX_BYTES)
        assert before == bytes(TIMEX_BYTES), "modes must be 0: read only"
        ctypes.memmove(address + MAXERROR_AT, struct.pack("q", maxerror_us), 8)
        ctypes.memmove(address + ESTERROR_AT, struct.pack("q", esterror_us), 8)
        ctypes.memmove(address + STATUS_AT, struct.pack("i", status), 4)
        ctypes.memset(address + TIMEX_BYTES - 8, 0xFF, 8)  # the struct must have room to its end
        return returns

    class Library:
        pass

    library = Library()
    library.adjtimex = adjtimex  # type: ignore[attr-defined]
    return lambda: library


@pytest.fixture
def c_library(monkeypatch: pytest.MonkeyPatch) -> Callable[[Callable[[], object]], None]:
    if ctypes.sizeof(ctypes.c_long) != 8:
        pytest.skip("the vectors are those of a 64-bit machine")
    return lambda make: monkeypatch.setattr(ctypes, "CDLL", lambda *_, **__: make())


@pytest.mark.parametrize(
    ("status", "synchronised"),
    [(STA_PLL | STA_NANO, True), (0, True), (STA_UNSYNC, False), (STA_PLL | STA_UNSYNC | STA_NANO, False)],
)
def test_synchronised_is_what_sta_unsync_says_and_errors_are_in_seconds(
    c_library: Callable[[Callable[[], object]], None], status: int, synchronised: bool
) -> None:
    c_library(answering(status, 482_500, 1_250))
    discipline = SystemClock().discipline()
    assert discipline.synchronised is synchronised
    assert discipline.max_error_s == pytest.approx(0.4825)
    assert discipline.estimated_error_s == pytest.approx(0.00125)


def test_a_sandbox_that_denies_the_call_makes_it_unknown_with_the_remedy(
    c_library: Callable[[Callable[[], object]], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    c_library(answering(0, 0, 0, returns=-1))
    monkeypatch.setattr(ctypes, "get_errno", lambda: errno.EPERM)
    discipline = SystemClock().discipline()
    assert (discipline.synchronised, discipline.max_error_s) == (None, None)
    assert "EPERM" in discipline.why
    assert "@clock" in discipline.why


def test_a_system_without_the_call_makes_it_unknown(
    c_library: Callable[[Callable[[], object]], None],
) -> None:
    c_library(object)
    discipline = SystemClock().discipline()
    assert (discipline.synchronised, discipline.max_error_s) == (None, None)
    assert "adjtimex" in discipline.why


def test_the_kernel_itself_gives_an_answer_that_makes_sense() -> None:
    discipline = SystemClock().discipline()
    if discipline.synchronised is None:
        pytest.skip(discipline.why)
    assert discipline.max_error_s is not None
    assert 0 <= discipline.max_error_s <= 1000
    assert discipline.estimated_error_s is not None
    assert 0 <= discipline.estimated_error_s <= 1000
