"""The line between a simulated device and a program: bytes paced at their rate, adapters and bridges that hold them.

`Wire` is the line by itself, for virtual and real time alike. `SimLink` and `SimStream` are the seams over it: one
event a message, not one a byte, so that a whole run costs little.
"""

from __future__ import annotations

import heapq
import random
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil
from typing import Protocol

from noonmark.protocols.seams import Exchange, LinkError, ReplyReader, StreamError
from noonmark.sim.injection import LineFault, Reply
from noonmark.sim.timeline import Timeline

SILENCE_CAP = 4096
LEAD_S = 0.05  # a timed question leaves so long before its last byte, besides its time on the wire
KEPT_REQUESTS = 100_000
ROUNDING_S = 1e-9  # so that a silence is never short by a rounding
NEVER = float("inf")


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


@dataclass(frozen=True, slots=True)
class LineManner:
    """How a line carries bytes.

    baud: 10 bits a byte; 0: no time at all (a network). hold_s: an adapter hands bytes to the host only so often.
    joins: a bridge hands a message over as one piece, when its last byte is there. lag_s: (least, most) seconds on
    the way to the host, and to the device, drawn for each message.
    """

    baud: int = 9600
    hold_s: float = 0.0
    joins: bool = False
    lag_s: tuple[float, float] = (0.0, 0.0)

    @property
    def byte_s(self) -> float:
        """Seconds of one byte on the wire."""
        return 10.0 / self.baud if self.baud else 0.0


class Segment:
    """Bytes on their way to the host: byte i is there at first_at + i * step_s."""

    __slots__ = ("data", "first_at", "step_s")

    def __init__(self, first_at: float, step_s: float, data: bytes) -> None:
        self.first_at = first_at
        self.step_s = step_s
        self.data = data

    @property
    def last_at(self) -> float:
        return self.first_at + self.step_s * (len(self.data) - 1)

    def split(self, count: int) -> bytes:
        """Take the first `count` bytes off; what remains keeps its instants."""
        taken, self.data = self.data[:count], self.data[count:]
        self.first_at += self.step_s * count
        return taken


class Wire:
    """Both directions of a line, as functions of time.

    What a device will send later waits in `_pending` until its turn: an end mark that comes seconds late must not
    hold up the answers in between. `inbox` holds what is on the wire, in order.
    """

    def __init__(self, manner: LineManner, faults: Sequence[LineFault] = (), seed: int = 0) -> None:
        self.manner = manner
        self.faults = list(faults)
        self.inbox: deque[Segment] = deque()
        self._pending: list[tuple[float, int, bytes]] = []
        self._counted = 0
        self.random = random.Random(f"wire/{seed}")
        self._byte_s = manner.byte_s
        self._up_free = self._down_free = self._delivered = float("-inf")
        self._hold_phase_s = self.random.uniform(0.0, manner.hold_s)

    def gone(self, at: float) -> bool:
        """Whether the port does not exist at this instant."""
        return any(fault.gone(at) for fault in self.faults)

    def to_device(self, data: bytes, at: float) -> tuple[bytes, float]:
        """Bytes handed over at an instant: what arrives, and when its first byte has arrived."""
        held_s = 0.0
        for fault in self.faults:
            data = fault.to_device(data, at)
            held_s += fault.held_s(at)
        start = max(at, self._up_free) + held_s
        if self.manner.lag_s[1] > 0:
            start += self.random.uniform(*self.manner.lag_s)
        self._up_free = start + len(data) * self._byte_s
        return data, start + self._byte_s

    def to_host(self, data: bytes, ready: float) -> None:
        """Bytes that a device can send from an instant on."""
        self._counted += 1
        heapq.heappush(self._pending, (ready, self._counted, data))

    def next_at(self) -> float:
        """When something may next be there for the host; NEVER if nothing is on its way."""
        if self.inbox:
            return self.inbox[0].first_at
        return self._pending[0][0] if self._pending else NEVER

    def _fill(self, limit: float) -> bool:
        """Put what is sent next onto the wire, if that is by `limit`. True: there is something on the wire."""
        while not self.inbox:
            if not self._pending or self._pending[0][0] > limit:
                return False
            ready, _, data = heapq.heappop(self._pending)
            self._send(data, ready)
        return True

    def _send(self, data: bytes, ready: float) -> None:
        for fault in self.faults:
            data = fault.to_host(data, ready)
            ready += fault.held_s(ready)
        if not data:
            return
        first_at = max(ready, self._down_free) + self._byte_s
        self._down_free = first_at + (len(data) - 1) * self._byte_s
        if self.manner.lag_s[1] > 0:
            first_at += self.random.uniform(*self.manner.lag_s)
        first_at = max(first_at, self._delivered)
        if self.manner.hold_s > 0:
            self._hold(data, first_at)
        elif self.manner.joins:
            self._deliver(first_at + (len(data) - 1) * self._byte_s, 0.0, data)
        else:
            self._deliver(first_at, self._byte_s, data)

    def _hold(self, data: bytes, first_at: float) -> None:
        """Group bytes by the adapter's next handing over."""
        hold_s, index = self.manner.hold_s, 0
        while index < len(data):
            arrival = first_at + index * self._byte_s
            handed = ceil((arrival - self._hold_phase_s) / hold_s) * hold_s + self._hold_phase_s
            count = len(data) - index
            if self._byte_s > 0:
                count = min(count, max(1, int((handed - arrival) / self._byte_s) + 1))
            self._deliver(max(handed, arrival), 0.0, data[index : index + count])
            index += count

    def _deliver(self, first_at: float, step_s: float, data: bytes) -> None:
        self._delivered = first_at + step_s * (len(data) - 1)
        self.inbox.append(Segment(first_at, step_s, data))

    def take(self, limit: float, *, by_reply: bool = False) -> tuple[float, float, bytes] | None:
        """The next bytes that are there by `limit`, of one segment: (first, last instant, bytes).

        by_reply: no more than could be one reply. Replies end at `#`, or are a lone `0` or `1`: bytes that arrive
        one after the other are cut there, so that no reader ends amid bytes that are yet to come.
        """
        if not self._fill(limit) or self.inbox[0].first_at > limit:
            return None
        segment = self.inbox[0]
        count = len(segment.data)
        if segment.last_at > limit and segment.step_s > 0:
            count = min(count, int((limit - segment.first_at) / segment.step_s + 1e-9) + 1)
        if by_reply and segment.step_s > 0:
            count = min(count, 1 if segment.data[0] in b"01" else segment.data.find(b"#") + 1 or count)
        first_at, last_at = segment.first_at, segment.first_at + segment.step_s * (count - 1)
        if count == len(segment.data):
            self.inbox.popleft()
            return first_at, last_at, segment.data
        return first_at, last_at, segment.split(count)


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
            t_last = now
            reply += data
            reader.feed(data)
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
