"""A simulated mount: commands in, answers out, each at its instant, in the manner of its dialect.

It is a function of arrival instants: `receive` says what will be answered and from which instant on it can be
sent, so that a virtual line and a real pseudo-terminal pace the very same mount.
"""

from __future__ import annotations

import random
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from noonmark.protocols.dialect import Dialect
from noonmark.sim.firmware import Firmware
from noonmark.sim.framing import LONE_MARK, CommandFramer
from noonmark.sim.injection import MountFault, Reply
from noonmark.sim.state import Change, HiddenState, MountState, Quirks
from noonmark.sim.timeline import Timeline

KEPT_ROWS = 100_000  # of what passed; a mount may run for months
QUEUE_CAP = 256  # bytes a busy mount keeps waiting; what comes beyond is lost

# Our own wording of the notices that some mounts send after a date; the second one is padded with blanks.
NOTICES = (b"Sky tables renewed#", b"                        #")

SETTINGS = {b"SC": "date", b"SL": "time", b"SG": "offset", b"Sg": "longitude", b"St": "latitude"}

# First letters of what moves, stops, parks, synchronises or aims a mount, or changes how it tracks
# (common practice of the trade, from memory).
_MOVING = (b"M", b"Q", b"C", b"h", b"K", b"R", b"T", b"A", b"Sr", b"Sd", b"Sa", b"Sz", b"Sw", b"SM", b"I", b"N", b"O")


def moves(command: bytes) -> bool:
    """Whether a command (without `:` and `#`) can move, stop, park, sync or aim a mount, or is a lone mark."""
    return command == LONE_MARK or command.startswith(_MOVING)


@dataclass(frozen=True, slots=True)
class TraceRow:
    """One thing that passed the mount's socket. direction: ">" to the mount, "<" from it."""

    instant: float
    direction: str
    data: bytes


class SimulatedMount:
    """A mount of a dialect on a timeline.

    trace: what passed; on_trace is told of each row. forbidden: (instant, command) of every command that could
    move it, and of lone marks: they are otherwise ignored. unknown: commands that it does not know.
    settings_written: what it accepted.
    """

    def __init__(
        self,
        dialect: Dialect,
        *,
        timeline: Timeline,
        state: MountState,
        quirks: Quirks | None = None,
        seed: int = 0,
        faults: Sequence[MountFault] = (),
    ) -> None:
        self.dialect = dialect
        self.quirks = Quirks() if quirks is None else quirks
        self.timeline = timeline
        self.firmware = Firmware(dialect, state, self.quirks, timeline, seed)
        self.faults: list[MountFault] = list(faults)
        self.trace: deque[TraceRow] = deque(maxlen=KEPT_ROWS)
        self.forbidden: deque[tuple[float, bytes]] = deque(maxlen=KEPT_ROWS)
        self.unknown: deque[tuple[float, bytes]] = deque(maxlen=KEPT_ROWS)
        self.on_trace: Callable[[TraceRow], None] | None = None
        self.random = random.Random(f"mount/{seed}")
        self._framer = CommandFramer()
        self._busy_until = float("-inf")
        self._waiting: deque[tuple[float, int]] = deque()  # (when carried out, bytes) of what is queued
        self._acknowledges = dialect.acknowledgement
        self._notices = NOTICES[: dialect.date.notices]
        self._blocks_s = dialect.date.blocks_s
        for fault in self.faults:
            fault.attached(self)

    @property
    def state(self) -> MountState:
        """What it remembers now."""
        return self.firmware.state

    @property
    def settings_written(self) -> list[Change]:
        """Every setting it accepted, oldest first."""
        return self.firmware.changes

    def truth(self, now: float | None = None) -> HiddenState:
        """What is really inside, at a monotonic instant (default: now)."""
        return self.firmware.truth(self.timeline.monotonic() if now is None else now)

    def receive(self, data: bytes, first_at: float, step_s: float = 0.0) -> list[Reply]:
        """Take bytes of which the first has arrived at first_at, and each other step_s after the one before.

        Returns the answers, each as (instant from which its first byte can be sent, bytes), in order.
        """
        for fault in self.faults:
            data = fault.heard(self, data)
        replies: list[Reply] = []
        for index, command in self._framer.feed(data):
            arrived = first_at + index * step_s
            self._note(arrived, ">", b":%b#" % command if command != LONE_MARK else command)
            if not self._queued(arrived, len(command) + 2):
                continue
            for reply in self._carry_out(command, arrived):
                replies.append(reply)
                self._note(reply[0], "<", reply[1])
        return replies

    def _note(self, instant: float, direction: str, data: bytes) -> None:
        row = TraceRow(instant, direction, data)
        self.trace.append(row)
        if self.on_trace is not None:
            self.on_trace(row)

    def _queued(self, arrived: float, size: int) -> bool:
        waiting = self._waiting
        while waiting and waiting[0][0] <= arrived:
            waiting.popleft()
        if waiting and sum(item[1] for item in waiting) + size > QUEUE_CAP:
            return False
        if self._busy_until > arrived:
            waiting.append((self._busy_until, size))
        return True

    def _carry_out(self, command: bytes, arrived: float) -> list[Reply]:
        at = max(arrived, self._busy_until) + self.random.uniform(*self.quirks.lag_before_s)
        self.firmware.advance(at)
        instead: bytes | None = None
        for fault in self.faults:
            at += fault.delay_s(self, command, at)
            if instead is None:
                instead = fault.instead(self, command, at)
        ready = at + self.random.uniform(*self.quirks.lag_after_s)
        replies = self._answer(command, at, ready) if instead is None else _spoken([(ready, instead)])
        self._busy_until = max(self._busy_until, ready)
        for fault in self.faults:
            fault.after(self, command, at)
            replies = _spoken(fault.replies(self, command, replies))
        return replies

    def _answer(self, command: bytes, at: float, ready: float) -> list[Reply]:
        name = SETTINGS.get(command[:2])
        if name is not None:
            argument = command[2:]
            for fault in self.faults:
                argument = fault.argument(self, command[:2], argument)
            return self._acknowledge(name, self.firmware.write(name, argument, at), ready)
        if moves(command):
            self.forbidden.append((at, command))
            return []
        text = self.firmware.ask(command, at)
        if text is None:
            if command != b"U":
                self.unknown.append((at, command))
            return []
        return [(ready, text + b"#")]

    def _acknowledge(self, name: str, accepted: bool, ready: float) -> list[Reply]:
        """`0` or `1` in the dialect's manner; a date's may come late, or be followed by notices."""
        blocks_s = self._blocks_s if name == "date" and accepted else 0.0
        notices = self._notices if name == "date" and accepted else ()
        free = ready + blocks_s
        self._busy_until = max(self._busy_until, free)
        if self._acknowledges == "none":
            return []
        flag = b"1" if accepted else b"0"
        flag_at = ready if notices else free
        if self._acknowledges == "plain":
            replies = [(flag_at, flag)]
        elif self.quirks.late_mark_s > 0:
            replies = [(flag_at, flag), (flag_at + self.quirks.late_mark_s, b"#")]
        else:
            replies = [(flag_at, flag + b"#")]
        return replies + [(free, notice) for notice in notices]

    def power_cycle(self, at: float | None = None) -> None:
        """Off and on again: half-received bytes, formats and counts are gone, the clock goes on by its battery."""
        self._framer.reset()
        self.firmware.power_cycle(self.timeline.monotonic() if at is None else at)

    def keep_busy(self, until: float) -> None:
        """Carry nothing out before this instant."""
        self._busy_until = max(self._busy_until, until)


def _spoken(replies: list[Reply]) -> list[Reply]:
    """Without those of no bytes."""
    return [reply for reply in replies if reply[1]]
