"""Set a clock that takes whole seconds, and bring what it displays to the truth within milliseconds.

The command is sent so that its last byte arrives as a second begins, ahead by what the mount seems to need; then what
the clock displays is measured, and the sending corrected by it while the middle of the interval exceeds a third of
its half-width. That works on a mount that begins a new second when its time is set. Whether this one does, the phase
of its ticks tells after two settings at different instants of a second; if it keeps its own tick, the second is chosen
that leaves the smaller error.

A display that rounds hides half a second: on a mount that begins a new second it shows as a residual near +0.5 s,
which is no error and is never corrected.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from math import ceil, floor
from typing import Any, Literal

from noonmark.driver.clockreading import (
    SETTLED_S,
    SUSPEND_S,
    ClockMeasure,
    HostSuspended,
    bounds,
    measure,
    parted_s,
)
from noonmark.driver.mount import Readings, Talk
from noonmark.driver.priority import undisturbed
from noonmark.driver.ticks import RATE_LIMIT, Ticks
from noonmark.driver.truth import Truth
from noonmark.protocols import lx
from noonmark.protocols.dialect import Dialect
from noonmark.protocols.sexagesimal import wrap_signed

__all__ = [
    "ClockManner", "ClockMeasure", "ClockSetter", "HostSuspended", "SetTime", "Wanted", "bounds", "look", "manner_of",
    "measure",
]  # fmt: skip

CORRECTIONS = 3
LEAD_S = 0.08  # the link wants to be asked so long before a timed byte
QUESTION_BYTES, COMMAND_BYTES = 4, 12  # `:GL#`, `:SLHH:MM:SS#`
MOST_AHEAD_S = 0.15
NOT_TAKEN_S = 2.0  # further off than this: the time was not taken, and sending it again is another's decision
ROUNDING_S = 0.12  # a residual so near to half a second is a display that rounds
FIRST_TICKS, MORE_TICKS = 2, 2
RESERVE_S = 15.0  # of the time limit, kept for what follows
BEFORE_MIDNIGHT_S, AFTER_MIDNIGHT_S = 1.6, 1.2

Phase = Literal["reset", "kept", "unknown"]


@dataclass(slots=True)
class ClockManner:
    """What is known of how this mount's clock is set and shown.

    phase: whether its second begins when its time is set. rounds: its display; None where nothing tells. told_rounds:
    a dialect has the word on that. since: what the clock showed since it was last set. fault: what was found
    uneven since then.
    """

    phase: Phase = "unknown"
    rounds: bool | None = None
    told_rounds: bool = False
    since: Ticks | None = None
    fault: str | None = None

    @property
    def goal_s(self) -> float:
        """What the display's error should be: half a second where it rounds; between the two where it may."""
        if self.rounds is None:
            return 0.25 if self.phase == "kept" else 0.0
        return 0.5 if self.rounds else 0.0

    def of_the_clock(self, measure: ClockMeasure) -> ClockMeasure:
        """The interval of the clock from that of its display."""
        return measure.of_the_clock(self.rounds, may_round=self.phase == "kept")


def manner_of(dialect: Dialect, auto: bool) -> ClockManner:
    """What a dialect tells before anything was seen; nothing where it is to be found out."""
    if auto:
        return ClockManner()
    return ClockManner(dialect.clock.phase, dialect.clock.display_rounds, True)


def look(talk: Talk, readings: Readings, manner: ClockManner, budget_s: float) -> ClockMeasure:
    """Measure the clock beside a reading of everything. What was found since it was set is carried on, and so is
    any fault. Raises Unreachable, TimeLimit, HostSuspended."""
    shown = measure(
        talk, readings.display_hours, budget_s=budget_s, earlier=readings.local if manner.since is None else (),
        since=manner.since,
    )  # fmt: skip
    return _kept_in_mind(shown, manner)


def _kept_in_mind(shown: ClockMeasure, manner: ClockManner) -> ClockMeasure:
    if manner.since is not None:
        manner.since = shown.evidence
        manner.fault = shown.fault or manner.fault
    found = manner.of_the_clock(shown)
    return found if manner.fault is None else found.with_fault(manner.fault)


@dataclass(frozen=True, slots=True)
class Wanted:
    """The local time that the clock shall show. ahead_s: of UTC, where another time scale is wanted (UT1-UTC)."""

    truth: Truth
    offset_h: float
    ahead_s: float = 0.0

    def local_s(self, instant: float) -> float:
        """Seconds since 1970 of local time at a monotonic instant."""
        return self.truth.utc_s(instant) + self.offset_h * 3600.0 + self.ahead_s


@dataclass(frozen=True, slots=True)
class SetTime:
    """A time that was sent. seconds_of_day: written. instant: when its last byte was to arrive (monotonic).

    ahead_s: how long before the second that was. handed_over: the instant read just before the last byte was handed
    over, heard: when the acknowledgement's first byte came; None for none. how: under which scheduling.
    """

    seconds_of_day: int
    instant: float
    ahead_s: float
    accepted: bool | None
    handed_over: float | None
    heard: float | None
    how: str

    @property
    def guess(self) -> tuple[float, float] | None:
        """What the clock minus monotonic should be, if it began the second while the command was answered."""
        if self.handed_over is None:
            return None
        latest = self.heard if self.heard is not None else self.handed_over + MOST_AHEAD_S
        return self.seconds_of_day - latest, self.seconds_of_day - self.handed_over

    def value(self) -> dict[str, Any]:
        """For the record; `late_s`: by how much the last byte left after the instant meant."""
        return {
            "seconds_of_day": self.seconds_of_day, "ahead_s": self.ahead_s, "accepted": self.accepted,
            "meant_monotonic": self.instant, "handed_over_monotonic": self.handed_over, "heard_monotonic": self.heard,
            "scheduling": self.how,
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class Brought:
    """What became of the clock. measure: after the last sending; None where it was not measured."""

    sends: tuple[SetTime, ...]
    measure: ClockMeasure | None
    notes: tuple[tuple[str, str], ...] = ()

    @property
    def accepted(self) -> bool | None:
        return self.sends[-1].accepted


@dataclass(frozen=True, slots=True)
class _Try:
    """One sending and what the display's error was after it (the interval's middle, seconds), at an instant."""

    ahead_s: float
    error_s: float
    half_width_s: float
    at: float


@dataclass(slots=True)
class ClockSetter:
    """Sends the time to one mount. seen: told each write before it is sent. waited: told what took how long.

    round_trip_s: the least one of a `:GL#`, where known: half of what its bytes don't explain is taken for the time
    that the mount needs before it carries a command out.
    """

    talk: Talk
    wanted: Wanted
    manner: ClockManner
    display_hours: int
    seen: Callable[[str, str], None]
    waited: Callable[[str, float], None]
    round_trip_s: float | None = None
    sends: list[SetTime] = field(default_factory=list)
    tries: list[_Try] = field(default_factory=list)
    parted_s: float = 0.0

    def __post_init__(self) -> None:
        self.parted_s = parted_s(self.talk.clock)

    # --- sending ----------------------------------------------------------------------------------

    def once(self) -> Brought:
        """Send the next whole second, and no more. Raises HostSuspended, LinkError, TimeLimit."""
        self._send_ahead(self._first_ahead_s())
        return Brought(tuple(self.sends), None)

    def _first_ahead_s(self) -> float:
        if self.round_trip_s is None:
            return 0.0
        return min(max(self.round_trip_s / 2 - QUESTION_BYTES * self.talk.link.byte_s, 0.0), MOST_AHEAD_S)

    def _earliest(self) -> float:
        """The first instant at which the last byte of a command can arrive, clear of midnight: a time written on one
        side of it and carried out on the other would be a day off."""
        clock = self.talk.clock
        lead_s = LEAD_S + (COMMAND_BYTES + 1) * self.talk.link.byte_s
        left = 86400.0 - self.wanted.local_s(clock.monotonic() + lead_s) % 86400.0
        if left < BEFORE_MIDNIGHT_S or left > 86400.0 - AFTER_MIDNIGHT_S:
            wait_s = left % 86400.0 + AFTER_MIDNIGHT_S if left < BEFORE_MIDNIGHT_S else left - 86400.0 + AFTER_MIDNIGHT_S
            clock.wait_until(clock.monotonic() + wait_s)
            self.waited("local midnight", wait_s)
        return clock.monotonic() + lead_s

    def _send_ahead(self, ahead_s: float) -> SetTime:
        """Send the next second, so that its last byte arrives `ahead_s` before it begins."""
        earliest = self._earliest()
        local = self.wanted.local_s(earliest)
        second = ceil(local + ahead_s)
        return self._send(second, earliest + (second - ahead_s - local), ahead_s)

    def _send(self, second: int, instant: float, ahead_s: float) -> SetTime:
        clock = self.talk.clock
        asleep = parted_s(clock) - self.parted_s
        if abs(asleep) > SUSPEND_S:
            raise HostSuspended(f"the machine was suspended for {asleep:.1f} s while the mount's clock was set")
        begun = clock.monotonic()
        argument = lx.time_argument(second % 86400)
        self.seen("time", argument)
        self.manner.since, self.manner.fault = Ticks(self._period_s), None
        with undisturbed(clock) as how:
            accepted, exchange = self.talk.write("time", argument, last_byte_at=instant)
        self.waited("sending the time at its second", clock.monotonic() - begun)
        handed = exchange.t_last_before if exchange is not None else None
        heard = exchange.t_first if exchange is not None else None
        sent = SetTime(second % 86400, instant, ahead_s, accepted, handed, heard, how)
        self.sends.append(sent)
        return sent

    # --- bringing it right ------------------------------------------------------------------------

    def bring(self) -> Brought:
        """Send, measure, and correct. Raises HostSuspended, Unreachable, LinkError, TimeLimit."""
        ahead_s = self._first_ahead_s()
        while True:
            sent = self._send_ahead(ahead_s)
            if sent.accepted is False:
                return Brought(tuple(self.sends), None)
            shown = self._measured(FIRST_TICKS, sent.guess)
            if not self._tried(sent, shown):
                break
            self._learn()
            if self.manner.phase == "kept":
                shown = self._choose_second(shown)
                break
            if self._good_enough():
                shown = self._measured(MORE_TICKS, None)
                if not self._tried(sent, shown) or self._good_enough():
                    break
            if len(self.sends) > CORRECTIONS + bool(self.manner.rounds) or self._short_of_time():
                break
            ahead_s = self._next_ahead_s()
        return Brought(tuple(self.sends), _kept_in_mind(shown, self.manner), tuple(self._notes()))

    @property
    def _period_s(self) -> float:
        return 86400.0 if self.display_hours == 24 else 43200.0

    def _measured(self, ticks: int, guess: tuple[float, float] | None) -> ClockMeasure:
        clock = self.talk.clock
        begun = clock.monotonic()
        shown = measure(
            self.talk, self.display_hours, budget_s=SETTLED_S, ticks=ticks, since=self.manner.since,
            guess=guess,
        )  # fmt: skip
        self.manner.since = shown.evidence
        self.manner.fault = shown.fault
        self.waited("measuring the mount's clock", clock.monotonic() - begun)
        return shown

    def _error_s(self, shown: ClockMeasure) -> float:
        return wrap_signed(shown.middle - (self.wanted.local_s(shown.at) - shown.at), self._period_s)

    def _tried(self, sent: SetTime, shown: ClockMeasure) -> bool:
        """Note what came of a sending. False: nothing that another sending could mend."""
        error_s = self._error_s(shown)
        if self.tries and len(self.tries) == len(self.sends):
            self.tries.pop()  # the same, measured longer
        self.tries.append(_Try(sent.ahead_s, error_s, shown.half_width_s, shown.at))
        return shown.fault is None and abs(error_s) < NOT_TAKEN_S

    def _good_enough(self) -> bool:
        last = self.tries[-1]
        return abs(last.error_s - self.manner.goal_s) <= last.half_width_s / 3

    def _short_of_time(self) -> bool:
        return self.talk.limit - self.talk.clock.monotonic() < RESERVE_S

    def _next_ahead_s(self) -> float:
        """What would have been right at the sendings so far, on average: the mount does not always need as long."""
        return sum(one.ahead_s - one.error_s + self.manner.goal_s for one in self.tries) / len(self.tries)

    def _learn(self) -> None:
        """What the last two sendings tell of the phase, and then the first of the display."""
        if len(self.tries) < 2:
            return
        first, second = self.tries[-2:]
        meant = wrap_signed(second.ahead_s - first.ahead_s, 1.0)
        moved = wrap_signed(second.error_s - first.error_s, 1.0)
        doubt_s = first.half_width_s + second.half_width_s + RATE_LIMIT * (second.at - first.at)
        if abs(meant) <= doubt_s + (self.round_trip_s or 0.0):
            return  # too small a step to tell anything by
        self.manner.phase = "kept" if abs(moved) < abs(wrap_signed(moved - meant, 1.0)) else "reset"
        origin = self.tries[0]
        margin_s = ROUNDING_S + origin.half_width_s
        if self.manner.phase == "reset" and not self.manner.rounds and abs(origin.error_s - 0.5) <= margin_s:
            self.manner.rounds = True

    def _choose_second(self, shown: ClockMeasure) -> ClockMeasure:
        """On a mount that keeps its own tick: the second that leaves the smaller error."""
        for _ in range(2):
            error_s = self.tries[-1].error_s
            seconds = round(self.manner.goal_s - error_s)
            if seconds == 0 or self._short_of_time():
                break
            earliest = self._earliest()
            reading = self.wanted.local_s(earliest) + error_s + seconds
            second = ceil(reading - 0.25)  # sent a quarter after its tick, so that no half second is near
            sent = self._send(second, earliest + (second + 0.25 - reading), 0.0)
            shown = self._measured(FIRST_TICKS, (shown.low + seconds, shown.high + seconds))
            if not self._tried(sent, shown):
                break
        return shown

    def _notes(self) -> list[tuple[str, str]]:
        last = self.tries[-1]
        left = last.error_s - (0.5 if self.manner.rounds else 0.0)
        times = len(self.sends)
        notes = [("time-sent", f"the time was {self.sends[-1].how.replace('sent', f'sent {_times(times)}', 1)}")]
        if self.manner.phase == "kept":
            notes.append(
                ("clock-phase-kept", f"the mount keeps its own tick when its time is set: {left:+.3f} s remain, "
                 "the least that whole seconds allow"))  # fmt: skip
        if self.manner.rounds:
            notes.append(
                ("clock-display-rounds", "the mount's clock display rounds to whole seconds: half a second ahead of its "
                 "clock, which was not corrected"))  # fmt: skip
        return notes


def _times(count: int) -> str:
    return {1: "once", 2: "twice"}.get(count, f"{count} times")
