"""The wire between a device and the host as functions of time: bytes paced at their rate, adapters and bridges that
hold them, and faults of the line. The same for virtual and for real time."""

from __future__ import annotations

import heapq
import random
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil

from noonmark.sim.injection import LineFault

NEVER = float("inf")


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
