"""Lines to a mount, for real: one question at a time, with the instants that bound when it was answered."""

from __future__ import annotations

import contextlib
import gc
from collections.abc import Iterator

from noonmark.driver.allowlist import GuardedLink
from noonmark.driver.clocks import SystemClock
from noonmark.driver.interrupts import SLICE_S, InterruptFlag
from noonmark.driver.lines.addresses import escaped
from noonmark.driver.lines.devices import adapter_latency_ms
from noonmark.driver.lines.ports import Port, open_port
from noonmark.driver.lines.priority import undisturbed
from noonmark.protocols.seams import Exchange, LinkError, ReplyError, ReplyReader

__all__ = ["adapter_latency_ms", "open_link"]

REPLY_CAP_BYTES = 4096  # no reply of a mount comes near; beyond it the line is babbling
KEPT_BYTES = 4096  # of what was not asked for, the first so many are kept
_DRAIN_CAP_BYTES = 65536  # and so many are read before a question is sent all the same
_LEAD_S = 0.05  # all but the last byte leave this long before the last, besides their time on the wire


def open_link(
    address: str,
    *,
    baud: int,
    clock: SystemClock,
    interrupt: InterruptFlag | None = None,
    reads_only: bool = False,
) -> GuardedLink:
    """Open a line to a mount: a device file, socket://host:port or rfc2217://host:port.

    It is locked against other programs where the system can, and only lets through what the allow-list
    permits; `reads_only` narrows that to reads. `interrupt`: tested before each exchange and in waits, the
    clock's own by default. Raises LinkError (codes in `open_port`) and Interrupted.
    """
    flag = clock.interrupt if interrupt is None else interrupt
    port = open_port(address, baud=baud, clock=clock, interrupt=flag, fault=LinkError)
    return GuardedLink(_SerialLink(address, port, clock, flag), reads_only=reads_only)


class _SerialLink:
    """`seams.Link` over a raw port. Nothing but a guarded link ever holds one."""

    def __init__(self, address: str, port: Port, clock: SystemClock, interrupt: InterruptFlag) -> None:
        self._address, self._port, self._clock, self._interrupt = address, port, clock, interrupt

    @property
    def address(self) -> str:
        return self._address

    @property
    def byte_s(self) -> float:
        return self._port.byte_s

    def exchange(
        self, request: bytes, reader: ReplyReader, deadline: float, *, last_byte_at: float | None = None
    ) -> Exchange:
        self._interrupt.check()
        latest = self._clock.monotonic() if last_byte_at is None else last_byte_at
        if deadline <= latest:
            raise LinkError(
                f"{escaped(self._address)}: the deadline is not after the question; nothing was sent",
                code="deadline-passed",
            )
        stray = bytearray()
        self._drain(stray)
        if last_byte_at is None:
            sent = self._send(request, deadline)
        else:
            sent = self._send_timed(request, deadline, last_byte_at - self.byte_s, stray)
        return self._hear(request, reader, deadline, sent, bytes(stray))

    def silence(self, quiet_s: float, deadline: float) -> bytes:
        heard = bytearray()
        quiet_until = self._clock.monotonic() + quiet_s
        while self._await(min(quiet_until, deadline)):
            if chunk := self._port.take():
                heard += chunk[: KEPT_BYTES - len(heard)]
                quiet_until = self._clock.monotonic() + quiet_s
            if self._clock.monotonic() >= deadline:
                break
        return bytes(heard)

    def close(self) -> None:
        self._port.close()

    # --- sending: no interrupt is tested from the first byte to the last --------------------------

    def _send(self, request: bytes, deadline: float) -> tuple[float, float, float | None]:
        """Send at once; (t_before, t_written, t_last_before)."""
        t_before = self._clock.monotonic()
        self._port.put(request, deadline)
        return t_before, self._clock.monotonic(), None

    def _send_timed(
        self, request: bytes, deadline: float, hand_over_at: float, stray: bytearray
    ) -> tuple[float, float, float | None]:
        """Send all but the last byte, and that one at the monotonic `hand_over_at`, or at once if too late."""
        self._pause(hand_over_at - _LEAD_S - len(request) * self.byte_s)
        self._drain(stray)
        with _uncollected(self._clock):
            t_before = self._clock.monotonic()
            self._port.put(request[:-1], deadline)
            self._clock.spin_until(hand_over_at - 0.001)
            self._drain(stray)  # what comes before the question is whole answers something else
            self._clock.spin_until(hand_over_at)
            t_last_before = self._clock.monotonic()
            self._port.put(request[-1:], deadline)
            t_written = self._clock.monotonic()
        return t_before, t_written, t_last_before

    # --- hearing ----------------------------------------------------------------------------------

    def _hear(
        self,
        request: bytes,
        reader: ReplyReader,
        deadline: float,
        sent: tuple[float, float, float | None],
        stray: bytes,
    ) -> Exchange:
        t_before, t_written, t_last_before = sent
        t_first = t_last = None
        came = bytearray()
        reply_bytes = 0
        quiet_since = t_written
        while reader.state != "done":
            until = deadline
            if reader.state == "enough":
                until = min(deadline, quiet_since + reader.grace_s)
            if not self._await(until):
                break
            t_waiting = self._clock.monotonic()  # the first byte had come by then
            chunk = self._port.take()
            quiet_since = self._clock.monotonic()  # and so had the last
            came += chunk
            reader.feed(chunk)
            if len(came) - len(reader.rest) > reply_bytes:
                reply_bytes = len(came) - len(reader.rest)
                t_first = t_waiting if t_first is None else t_first
                t_last = quiet_since
            if len(came) > REPLY_CAP_BYTES:
                raise ReplyError(f"more than {REPLY_CAP_BYTES} bytes came without making a reply")
            if quiet_since >= deadline:  # a line that never falls silent is no reason to go on
                break
        complete = reader.state == "done" or (reader.state == "enough" and quiet_since + reader.grace_s <= deadline)
        return Exchange(
            request=request,
            reply=bytes(came[:reply_bytes]),
            t_before=t_before,
            t_written=t_written,
            t_first=t_first,
            t_last=t_last,
            complete=complete,
            stray=stray,
            rest=bytes(came[reply_bytes:])[:KEPT_BYTES],
            t_last_before=t_last_before,
        )

    def _pause(self, until: float) -> None:
        """Wait until the monotonic instant; tests the flag every 50 ms."""
        while (now := self._clock.monotonic()) < until:
            self._interrupt.check()
            self._clock.wait_until(min(until, now + SLICE_S))
        self._interrupt.check()

    def _await(self, until: float) -> bool:
        """Whether something can be taken by the monotonic instant `until`; tests the flag every 50 ms."""
        while True:
            self._interrupt.check()
            remaining_s = until - self._clock.monotonic()
            if self._port.wait(min(SLICE_S, remaining_s)):
                return True
            if remaining_s <= SLICE_S and self._clock.monotonic() >= until:
                return False

    def _drain(self, stray: bytearray) -> None:
        """Move what lies unread to `stray`; gives up on a line that never falls silent."""
        drained = 0
        while drained < _DRAIN_CAP_BYTES and (chunk := self._port.take()):
            drained += len(chunk)
            stray += chunk[: KEPT_BYTES - len(stray)]


@contextlib.contextmanager
def _uncollected(clock: SystemClock) -> Iterator[None]:
    """No garbage collection in here, and real-time scheduling of this thread where the system permits it.

    On a busy machine that is the difference between microseconds and more than 10 ms.
    """
    collecting = gc.isenabled()
    gc.disable()
    try:
        with undisturbed(clock):
            yield
    finally:
        if collecting:
            gc.enable()
