"""Set a clock that takes whole seconds, and bring what it displays to the truth within milliseconds.

The command is sent so that its last byte arrives as a second begins, ahead by what the mount seems to need; then what
the clock displays is measured, and the sending corrected by it while its likely error, about the middle of the
interval, exceeds a third of the half-width, unless the truth itself is so much less well known that another sending
is not worth its seconds. That works on a mount that begins a new second when its time is set.
Whether this one does, the phase of its ticks tells after two settings at different instants of a second; if it keeps
its own tick, the second is chosen that leaves the smaller error.

A display that rounds hides half a second: on a mount that begins a new second it shows as a residual near +0.5 s,
which is no error and is never corrected.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from math import ceil, copysign
from statistics import median

from noonmark.driver.mount import Talk
from noonmark.driver.ticking.clockmanner import ClockManner, glance, look, manner_of
from noonmark.driver.ticking.clockreading import CHECK_S, SETTLED_S, ClockMeasure, HostSuspended, bounds, measure
from noonmark.driver.ticking.ticks import RATE_LIMIT
from noonmark.driver.ticking.timesending import MOST_NEEDED_S, SetTime, TimeSender, Wanted
from noonmark.driver.truth import Truth
from noonmark.protocols.sexagesimal import wrap_signed

__all__ = [
    "CHECK_S", "SETTLED_S", "Brought", "ClockManner", "ClockMeasure", "ClockSetter", "HostSuspended", "SetTime",
    "Wanted", "bounds", "glance", "look", "manner_of", "measure", "worth_s",
]  # fmt: skip

CORRECTIONS = 3
QUESTION_BYTES, FIRST_BYTES = 4, 1  # `:GL#`, and of its answer what ends the waiting for it
NOT_TAKEN_S = 2.0  # further off than this: the time was not taken, and sending it again is another's decision
MARGIN_S = 0.05  # beyond the least round trip, for a mount that takes longer to set its time than to tell it
TEST_S, MOST_TEST_S = 0.25, 0.45  # so much beside the right instant is a time sent that is to tell the phase
USUAL_RATE = 1e-3  # what a clock may gain while its time is being set, for the phase to be called the same
ROUNDING_S = 0.12  # a residual so near to half a second is a display that rounds
FIRST_TICKS, MORE_TICKS = 2, 2
RESERVE_S = 15.0  # of the time limit, kept for what follows
WORTH_PART, MOST_WORTH_S = 1 / 20, 0.05  # of the truth's half-width: an error that hardly widens what can be stated


def worth_s(truth: Truth, tolerance_s: float) -> float:
    """How small an error of the clock is not worth another sending: a small part of what the truth is known to, and of
    what it leaves of the tolerance, within which the whole interval must lie."""
    left_s = max(tolerance_s - truth.half_width_s, 0.0)
    return min(WORTH_PART * truth.half_width_s, left_s / 4, MOST_WORTH_S)


@dataclass(frozen=True, slots=True)
class Brought:
    """What became of the clock. measure: after the last sending; None where it was not measured."""

    sends: tuple[SetTime, ...]
    measure: ClockMeasure | None = None
    notes: tuple[tuple[str, str], ...] = ()

    @property
    def accepted(self) -> bool | None:
        """What the mount said to the last sending that it did not refuse; False where it refused all."""
        return next((one.accepted for one in reversed(self.sends) if one.accepted is not False), False)

    @property
    def sent_at(self) -> float:
        """When the last time was sent, monotonic."""
        return self.sends[-1].instant


@dataclass(frozen=True, slots=True)
class _Try:
    """One sending, and the display's likely error after it, seconds, at an instant."""

    ahead_s: float
    error_s: float
    half_width_s: float
    at: float
    jitter_s: float


@dataclass(slots=True)
class ClockSetter:
    """Brings one mount's clock right. seen: told each write before it is sent. waited: told what took how long.

    worth_s: no more error than this is worth another sending, whatever the half-width. before: what the clock
    displayed before. Half of the least round trip that its bytes don't explain is taken for the time that the mount
    needs before it carries a command out.
    """

    talk: Talk
    wanted: Wanted
    manner: ClockManner
    display_hours: int
    seen: Callable[[str, str], None]
    waited: Callable[[str, float], None]
    before: ClockMeasure | None = None
    worth_s: float = 0.0
    tries: list[_Try] = field(default_factory=list)
    sender: TimeSender = field(init=False)
    _tested: bool = False
    _beside_s: float = 0.0  # by how much the last sending missed the right instant on purpose

    def __post_init__(self) -> None:
        self.sender = TimeSender(self.talk, self.wanted, self.manner, self.display_hours, self.seen, self.waited)

    def once(self) -> Brought:
        """Send the next whole second, and no more. Raises HostSuspended, LinkError, TimeLimit."""
        self.sender.send_ahead(self._first_ahead_s())
        return Brought(tuple(self.sender.sends))

    def bring(self) -> Brought:
        """Send, measure, and correct. Raises HostSuspended, Unreachable, LinkError, TimeLimit."""
        ahead_s = self._first_ahead_s()
        told = self._keeps_its_tick()
        shown: ClockMeasure | None = None
        while True:
            sent = self.sender.send_ahead(ahead_s)
            if sent.accepted is False:
                if shown is None:
                    return Brought(tuple(self.sender.sends))
                self._refused(shown)
                break
            shown = self._measured(FIRST_TICKS, sent.guess)
            usable = self._tried(sent, shown)
            if usable:
                self._learn()
            if self._keeps_its_tick():
                shown = self._choose_second(shown, told)
                if self._keeps_its_tick():
                    break
                usable = False
            if usable and not self._beyond(1.0) and not self._in_doubt():
                shown = self._measured(MORE_TICKS, None)
                usable = self._tried(sent, shown)
                if usable and not self._beyond(1 / 3):
                    break
            sent_enough = len(self.sender.sends) > CORRECTIONS + self._tested
            if not self._beside_s and (not usable or sent_enough or self._short_of_time()):
                break  # never after what was sent beside the right instant on purpose
            ahead_s = self._next_ahead_s()
        return Brought(tuple(self.sender.sends), self.manner.taken(shown), tuple(self._notes()))

    # --- measuring --------------------------------------------------------------------------------

    def _measured(self, ticks: int, guess: tuple[float, float] | None) -> ClockMeasure:
        clock = self.talk.clock
        begun = clock.monotonic()
        shown = measure(
            self.talk, self.display_hours, budget_s=SETTLED_S, ticks=ticks, since=self.manner.since, guess=guess
        )
        self.manner.since, self.manner.fault = shown.evidence, shown.fault
        self.waited("measuring the mount's clock", clock.monotonic() - begun)
        return shown

    def _error_s(self, shown: ClockMeasure) -> float:
        """What the display's error most likely is: the interval's middle, but for the time that a question's bytes
        nominally need on the wire, before which it is not answered. That is good to aim by, and for no edge."""
        sending_s = (QUESTION_BYTES - FIRST_BYTES) / 2 * self.talk.link.byte_s
        likely = shown.middle - min(sending_s, shown.half_width_s)
        return wrap_signed(likely - (self.wanted.local_s(shown.at) - shown.at), self.sender.period_s)

    def _tried(self, sent: SetTime, shown: ClockMeasure) -> bool:
        """Note what came of a sending. False: nothing that another sending could mend."""
        error_s = self._error_s(shown)
        if len(self.tries) == len(self.sender.sends):
            self.tries.pop()  # the same, measured longer
        self.tries.append(_Try(sent.ahead_s, error_s, shown.half_width_s, shown.at, shown.jitter_s))
        return shown.fault is None and abs(error_s) < NOT_TAKEN_S

    @property
    def _off_s(self) -> float:
        return self.tries[-1].error_s - self.manner.goal_s

    def _beyond(self, part: float) -> bool:
        return abs(self._off_s) > max(part * self.tries[-1].half_width_s, self.worth_s)

    def _short_of_time(self) -> bool:
        return self.talk.limit - self.talk.clock.monotonic() < RESERVE_S

    # --- what follows from it ---------------------------------------------------------------------

    def _first_ahead_s(self) -> float:
        if self.before is None or self.before.round_trip_s is None:
            return 0.0
        needed_s = (self.before.round_trip_s - (QUESTION_BYTES + FIRST_BYTES) * self.talk.link.byte_s) / 2
        return min(max(needed_s, 0.0), MOST_NEEDED_S)

    def _next_ahead_s(self) -> float:
        """What would have been right at the sendings so far, by their median: the mount does not always need as long.
        Where the phase is in doubt and that is about the same instant of a second again, as much beside it as tells."""
        right = median(one.ahead_s - one.error_s + self.manner.goal_s for one in self.tries)
        self._beside_s = 0.0
        if self._in_doubt() or (self.manner.phase == "unknown" and not self._tested and not self._explained()):
            step = wrap_signed(right - self.tries[-1].ahead_s, 1.0)
            least = min(max(TEST_S, 3 * self.tries[-1].half_width_s + self.tries[-1].jitter_s), MOST_TEST_S)
            if abs(step) < least:
                self._tested, self._beside_s = True, copysign(least, step)
        return right + self._beside_s

    def _explained(self) -> bool:
        """Whether a mount that begins a new second at its setting can be so far off: by what it needs for that."""
        round_trip_s = self.before.round_trip_s if self.before is not None else None
        needed_s = (MOST_NEEDED_S if round_trip_s is None else round_trip_s) + MARGIN_S
        half = self.tries[-1].half_width_s
        return -needed_s - half <= self._off_s <= MARGIN_S + half

    def _keeps_its_tick(self) -> bool:
        return self.manner.phase == "kept"

    def _in_doubt(self) -> bool:
        """Whether the phase must be found out by setting at another instant of a second."""
        return self.manner.phase == "unknown" and self.before is not None and not self._tested

    def _learn(self) -> None:
        """What the sendings so far tell of the phase, and then the first one of the display."""
        if len(self.tries) == 1:
            self._learn_from_one()
            return
        first, second = self.tries[-2:]
        meant = wrap_signed(second.ahead_s - first.ahead_s, 1.0)
        moved = wrap_signed(second.error_s - first.error_s, 1.0)
        doubt_s = first.half_width_s + second.half_width_s + RATE_LIMIT * (second.at - first.at)
        if abs(meant) <= doubt_s + max(first.jitter_s, second.jitter_s):
            self.manner.phase = "kept" if self._same_each_time() else self.manner.phase
            return  # too small a step to tell anything more by
        self.manner.phase = "kept" if abs(moved) < abs(wrap_signed(moved - meant, 1.0)) else "reset"
        origin = self.tries[0]
        # both must have been taken, and the first one measured well enough to tell half a second from none, or from
        # what it was sent ahead for a mount that did not need it
        both_taken = abs(wrap_signed(moved - meant, 1.0)) <= doubt_s + max(first.jitter_s, second.jitter_s)
        well_known = origin.error_s - origin.half_width_s > max(origin.ahead_s, 0.0) + MARGIN_S
        near_half = abs(origin.error_s - 0.5) <= ROUNDING_S + origin.half_width_s
        if self.manner.phase == "reset" and both_taken and near_half and not self.manner.rounds:
            self.manner.rounds = True if well_known else self.manner.rounds
            self.manner.rounding_untold = not well_known

    def _same_each_time(self) -> bool:
        """Whether three sendings or more, at instants of a second far apart, left the ticks where they were: however
        unevenly a mount answers, one that begins a new second would have moved them."""
        first, last = self.tries[0], self.tries[-1]
        doubt_s = 2 * max(one.half_width_s for one in self.tries) + RATE_LIMIT * (last.at - first.at)
        moved = [wrap_signed(one.error_s - first.error_s, 1.0) for one in self.tries]
        meant = [wrap_signed(one.ahead_s - first.ahead_s, 1.0) for one in self.tries]
        same = max(moved) - min(moved) <= doubt_s
        return len(self.tries) >= 3 and same and max(meant) - min(meant) > max(TEST_S, 3 * doubt_s)

    def _learn_from_one(self) -> None:
        """A second began anew, where its phase is another than before. Where the error is none that such a mount can
        have, what a dialect says of the phase is in doubt."""
        only = self.tries[0]
        if not self._explained():
            self.manner.phase = "unknown" if self.manner.phase == "reset" else self.manner.phase
        elif self.manner.phase == "unknown" and self.before is not None:
            moved = wrap_signed(only.error_s - self._error_s(self.before), 1.0)
            doubt_s = only.half_width_s + self.before.half_width_s + USUAL_RATE * abs(only.at - self.before.at)
            if abs(moved) > doubt_s:
                self.manner.phase = "reset"

    def _choose_second(self, shown: ClockMeasure, confirmed: bool) -> ClockMeasure:
        """On a mount that keeps its own tick: the second that leaves the smaller error. Where one setting alone said
        that it does, another one must confirm it: a line that held that one back would look the same."""
        beyond = 1 if self.manner.rounds else 0  # what is displayed beyond what was written
        for _ in range(3):
            earlier = self.tries[-1]
            error_s = earlier.error_s
            seconds = round(self.manner.goal_s - error_s)
            if (seconds == 0 and confirmed) or self._short_of_time():
                break
            earliest = self.sender.earliest()
            reading = self.wanted.local_s(earliest) + error_s + seconds
            second = ceil(reading - TEST_S)  # sent a quarter after its tick, so that no half second is near
            instant = earliest + (second + TEST_S - reading)
            sent = self.sender.send(second - beyond, instant, second - beyond - self.wanted.local_s(instant))
            if sent.accepted is False:
                self._refused(shown)
                break
            shown = self._measured(FIRST_TICKS, (shown.low + seconds, shown.high + seconds))
            if not self._tried(sent, shown):
                break
            if abs(wrap_signed(self.tries[-1].error_s - error_s, 1.0)) > TEST_S / 2:
                doubt_s = earlier.half_width_s + self.tries[-1].half_width_s
                self.manner.phase = "reset" if doubt_s < TEST_S / 2 else "unknown"
                self._beside_s = TEST_S
                break
            confirmed = True
            beyond += round(self.tries[-1].error_s - error_s - seconds)
        return shown

    def _refused(self, shown: ClockMeasure) -> None:
        """The mount took the time before, and takes no other: what it showed before still counts."""
        self.manner.since, self.manner.fault = shown.evidence, shown.fault

    def _notes(self) -> list[tuple[str, str]]:
        manner, sends = self.manner, self.sender.sends
        often = {1: "once", 2: "twice"}.get(len(sends), f"{len(sends)} times")
        told = f"the time was sent {often}, {sends[-1].how}"
        if sends[-1].accepted is False:
            told += f"; the last time was refused, so that {self.tries[-1].error_s:+.3f} s remain"
        notes = [("time-sent", told)]
        if manner.phase == "kept":
            left = self.tries[-1].error_s - (0.5 if manner.rounds else 0.0)
            told = f"the mount keeps its own tick when its time is set: {left:+.3f} s remain as displayed, "
            notes.append(("clock-phase-kept", told + "the least that whole seconds allow"))
        if manner.rounds:
            told = "the mount's clock display rounds to whole seconds, half a second ahead of its clock: "
            notes.append(("clock-display-rounds", told + "no error, and not corrected"))
        return notes
