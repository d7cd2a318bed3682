"""The seams over a simulated line: `SimLink` to a mount, `SimStream` of a receiver.

One event a message, not one a byte, so that a whole run costs little.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from typing import Protocol

from noonmark.protocols.seams import Exchange, LinkError, ReplyReader, StreamError
from noonmark.sim.injection import LineFault, Reply
from noonmark.sim.timeline import Timeline
from noonmark.sim.wire import NEVER, LineManner, Wire

__all__ = ["NEVER", "Device", "LineManner", "SimLink", "SimStream", "Source", "Wire"]

SILENCE_CAP = 4096
LEAD_S = 0.05  # a timed question leaves so long before its last byte, besides its time on the wire
KEPT_REQUESTS = 100_000
ROUNDING_S = 1e-9  # so that a silence is never short by a rounding


class Device(Protocol):
    """What a `SimLink` leads to: a `SimulatedMount`, or any function of arrivals."""

    def receive(self, data: bytes, first_at: float, step_s: float = 0.0) -> list[Reply]:
        """Bytes have come, the first at first_at, each other step_s later: (ready, bytes) of every answer."""
        ...


class Source(Protocol):
    """What a `SimStream` listens to: a `SimulatedReceiver`, or any function of time."""

    def open(self, at: float) -> None: ...

    def take(self, now: float) -> list[tuple[float, bytes]]:
        """Chunks that came by now and were not taken yet, in order."""
        ...

    def next_at(self) -> float:
        """When something may come next; after what `take` was given last."""
        ...

    def hear(self, data: bytes, at: float) -> None:
        """Bytes that the program sent."""
        ...


class SimLink:
    """`seams.Link` to a simulated mount. `requests`: (instant, bytes) of everything the program handed over."""

    def __init__(
        self,
        mount: Device,
        timeline: Timeline,
        *,
        manner: LineManner | None = None,
        faults: Sequence[LineFault] = (),
        seed: int = 0,
        address: str = "sim:",
    ) -> None:
        self.mount = mount
        self.wire = Wire(LineManner() if manner is None else manner, faults, seed)
        self.requests: deque[tuple[float, bytes]] = deque(maxlen=KEPT_REQUESTS)
        self.closed = False
        self._unplugged = False
        self._timeline = timeline
        self._address = address
        for fault in self.wire.faults:
            fault.opened(timeline.monotonic(), address)

    @property
    def address(self) -> str:
        return self._address

    @property
    def byte_s(self) -> float:
        return self.wire.manner.byte_s

    def exchange(
        self, request: bytes, reader: ReplyReader, deadline: float, *, last_byte_at: float | None = None
    ) -> Exchange:
        timeline = self._timeline
        self._check()
        now = timeline.monotonic()
        if deadline <= (now if last_byte_at is None else last_byte_at):
            raise LinkError(
                f"{self._address}: the deadline is not after the question; nothing was sent", code="deadline-passed"
            )
        t_last_before: float | None = None
        if last_byte_at is not None:
            hand_over_at = last_byte_at - self.byte_s
            timeline.wait_until(hand_over_at - LEAD_S - len(request) * self.byte_s)
        stray = self._arrived(timeline.monotonic())
        t_before = timeline.monotonic()
        if last_byte_at is None:
            self._hand_over(request)
        else:
            self._hand_over(request[:-1])
            timeline.wait_until(hand_over_at)
            t_last_before = timeline.monotonic()
            stray += self._arrived(t_last_before)  # it came before the question was whole
            self._hand_over(request[-1:])
        self.requests.append((t_before, request))
        t_written = timeline.monotonic()
        reply, rest, t_first, t_last = self._await_reply(reader, deadline)
        complete = reader.state == "done" or (
            reader.state == "enough" and (timeline.monotonic() < deadline or t_last is None)
        )
        return Exchange(request, reply, t_before, t_written, t_first, t_last, complete, stray, rest, t_last_before)

    def _await_reply(self, reader: ReplyReader, deadline: float) -> tuple[bytes, bytes, float | None, float | None]:
        timeline, wire = self._timeline, self.wire
        reply = bytearray()
        t_first: float | None = None
        t_last: float | None = None
        while reader.state != "done":
            limit = deadline
            if reader.state == "enough" and t_last is not None:
                limit = min(deadline, t_last + reader.grace_s + ROUNDING_S)
            piece = wire.take(limit, by_reply=True)
            if piece is None:
                timeline.wait_until(limit)
                self._check()
                if wire.next_at() > limit:
                    break
                continue
            first_at, last_at, data = piece
            timeline.wait_until(first_at)
            self._check()
            now = timeline.monotonic()
            if t_first is None:
                t_first = now
            if last_at > now:
                timeline.wait_until(last_at)
                self._check()
                now = timeline.monotonic()
            reply += data
            reader.feed(data)
            if t_last is None or len(reader.rest) < len(data):  # else none of it belongs to the reply
                t_last = now
        rest = bytes(reader.rest)
        if rest and reply.endswith(rest):
            del reply[len(reply) - len(rest) :]
        return bytes(reply), rest, t_first, t_last

    def silence(self, quiet_s: float, deadline: float) -> bytes:
        heard = bytearray()
        self._check()
        quiet_from = self._timeline.monotonic()
        while True:
            limit = min(deadline, quiet_from + quiet_s)
            piece = self.wire.take(limit)
            if piece is None:
                self._timeline.wait_until(limit)
                self._check()
                return bytes(heard)
            self._timeline.wait_until(piece[1])
            self._check()
            quiet_from = max(quiet_from, piece[1])
            heard += piece[2][: SILENCE_CAP - len(heard)]

    def close(self) -> None:
        self.closed = True

    def unplug(self) -> None:
        """From now on the port does not exist."""
        self._unplugged = True

    def _hand_over(self, data: bytes) -> None:
        self._check()
        arriving, first_at = self.wire.to_device(data, self._timeline.monotonic())
        if not arriving:
            return
        for ready, answer in self.mount.receive(arriving, first_at, self.byte_s):
            self.wire.to_host(answer, ready)

    def _arrived(self, now: float) -> bytes:
        heard = bytearray()
        while (piece := self.wire.take(now)) is not None:
            heard += piece[2]
        return bytes(heard[:SILENCE_CAP])

    def _check(self) -> None:
        if self.closed:
            raise LinkError(f"{self._address} was closed", code="port-closed")
        if self._unplugged or (self.wire.faults and self.wire.gone(self._timeline.monotonic())):
            raise LinkError(
                f"{self._address} is gone: the adapter was unplugged or lost its power",
                code="port-vanished",
                remedy="Look at the cable and its supply, then run again.",
            )


class SimStream:
    """`seams.Stream` of a simulated receiver."""

    def __init__(
        self,
        receiver: Source,
        timeline: Timeline,
        *,
        faults: Sequence[LineFault] = (),
        address: str = "sim:receiver",
    ) -> None:
        self.receiver = receiver
        self.faults = list(faults)
        self.closed = False
        self._unplugged_at = NEVER
        self._timeline = timeline
        self._address = address
        for fault in self.faults:
            fault.opened(timeline.monotonic(), address)
        receiver.open(timeline.monotonic())

    @property
    def address(self) -> str:
        return self._address

    def read(self, until: float) -> list[tuple[float, bytes]]:
        timeline = self._timeline
        while True:
            now = timeline.monotonic()
            chunks = self.receiver.take(min(now, self._unplugged_at))
            if self.faults:
                chunks = self._damaged(chunks)
            if chunks:
                return chunks
            self._check(now)
            if now >= until:
                return []
            timeline.wait_until(min(until, self.receiver.next_at()))

    def _damaged(self, chunks: list[tuple[float, bytes]]) -> list[tuple[float, bytes]]:
        kept: list[tuple[float, bytes]] = []
        for at, data in chunks:
            if any(fault.gone(at) for fault in self.faults):
                continue
            for fault in self.faults:
                data = fault.to_host(data, at)
            if data:
                kept.append((at, data))
        return kept

    def write(self, data: bytes) -> None:
        now = self._timeline.monotonic()
        self._check(now)
        self.receiver.hear(data, now)

    def close(self) -> None:
        self.closed = True

    def unplug(self) -> None:
        """From now on the port does not exist."""
        self._unplugged_at = min(self._unplugged_at, self._timeline.monotonic())

    def _check(self, now: float) -> None:
        if self.closed:
            raise StreamError(f"{self._address} was closed", code="port-closed")
        if now >= self._unplugged_at or any(fault.gone(now) for fault in self.faults):
            raise StreamError(
                f"{self._address} is gone: the adapter was unplugged or lost its power",
                code="port-vanished",
                remedy="Look at the cable and its supply, then run again.",
            )
