"""Measure a mount's clock, which shows whole seconds, to milliseconds: an interval, and what it rests on.

Each `:GL#` reply says: my clock showed v at some instant between the moment before the first byte of my question was
handed over and the first byte of the answer. Neither the drain of a port nor nominal byte times are used for an
edge: adapters and bridges make both lie. `ticks` holds what follows from that; here is when to ask.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from noonmark.driver.mount import Talk, Timed, Unreachable
from noonmark.driver.ticking.clockmeasure import ClockMeasure, bounds, conclude, period_s, unsteady
from noonmark.driver.ticking.ticks import Pace, Question, Ticks, next_question
from noonmark.protocols import lx
from noonmark.protocols.seams import Clock

__all__ = ["CHECK_S", "SETTLED_S", "SUSPEND_S", "ClockMeasure", "HostSuspended", "bounds", "measure", "parted_s"]

CHECK_S = 2.0  # one tick is seen for certain, and the next one
SETTLED_S = 4.6  # four ticks
TICKS, LEAST_TICKS = 4, 3  # fewer would miss that ticks are uneven
AT_LIMIT = 1.1  # the width beside the least round trip at which another tick would hardly tell more
GARBLED_S = 0.25  # replies that contradict each other by more: a digit was garbled, or the clock was set
EARLIER_S = 1e-3  # between the end of one answer and the next question, where that must be in time
LATE_S = 0.1  # beyond twice the least round trip, where an answer is owed
SUSPEND_S = 0.02
TRIES = 3


class HostSuspended(Exception):
    """The machine slept again and again while the clock was measured."""


def parted_s(clock: Clock) -> float:
    """Boot time minus monotonic, seconds: a suspend moves it, and nothing else does."""
    before = clock.monotonic()
    boot = clock.boottime()
    return boot - (before + clock.monotonic()) / 2


def measure(
    talk: Talk,
    display_hours: int = 24,
    *,
    budget_s: float = CHECK_S,
    ticks: int = TICKS,
    earlier: Iterable[Timed] = (),
    since: Ticks | None = None,
    guess: tuple[float, float] | None = None,
    doubting: bool = False,
) -> ClockMeasure:
    """Ask for the time, and in between for the date, until the limit is reached, `ticks` were seen, or `budget_s`.

    earlier: readings of just before. since: what the clock showed since it was set, to be carried on: where the new
    replies fit it no longer, that is the fault; `doubting`: put it to the test, rather than narrow it further. guess:
    what K is thought to be, which only spares questions. Raises Unreachable, TimeLimit, HostSuspended.
    """
    fault: str | None = None
    for attempt in range(TRIES):
        session = _Session(talk, display_hours, since, guess)
        parted = parted_s(talk.clock)
        for one in earlier:
            session.take(one)
        session.verify()
        patience_s = budget_s if attempt == 0 else max(budget_s, CHECK_S)
        session.run(patience_s, ticks, doubting=doubting and since is not None)
        asleep = parted_s(talk.clock) - parted
        if abs(asleep) > SUSPEND_S:
            talk.troubles.append(f"the machine was suspended for {asleep:.2f} s while the clock was measured")
        elif not session.ticks.contradicted:
            return replace(session.conclude(parted), fault=fault)
        else:
            gap = session.ticks.contradiction()[0]
            if since is not None and not session.own().contradicted:
                fault = unsteady(gap)
                if gap < GARBLED_S and session.tick_seen():
                    return session.conclude(parted)
            elif gap < GARBLED_S or attempt == TRIES - 1:
                return session.conclude(parted)
            else:
                talk.troubles.append(f"times of day contradict each other by {gap:.3f} s")
        earlier, since, guess = (), None, None
    raise HostSuspended("the machine was suspended again and again while the mount's clock was measured")


class _Session:
    """One go at measuring. Replies count once a question of another shape was answered rightly after them: a reply
    one late would have been met there."""

    def __init__(self, talk: Talk, display_hours: int, since: Ticks | None, guess: tuple[float, float] | None) -> None:
        self.talk = talk
        self.period_s = period_s(display_hours)
        self.since = since
        self.ticks = Ticks(self.period_s) if since is None else since.copy()
        self.waiting: list[Timed] = []
        self.taken: list[Timed] = []
        self.guess = guess
        self.pace: Pace | None = None
        self.slowest_s = 0.0  # of all cycles
        self.begun = self.end = talk.clock.monotonic()
        self._date: lx.DateText | None = None
        self._troubles = len(talk.troubles)
        self._prolonged = False

    def take(self, sample: Timed) -> None:
        self.waiting.append(sample)
        self.ticks.add(sample.seconds, sample.resolution_s, sample.t_before, sample.t_first)

    def verify(self) -> None:
        """Ask for the date. Where anything went wrong since the last time, what was heard since does not count."""
        date, _, _ = self.talk.ask("get-date", lx.parse_date)
        if self._date not in (None, date) and not self._about_midnight():
            self.talk.troubles.append("the date changed while it was not midnight")
        self._date = date
        if len(self.talk.troubles) != self._troubles:
            self._troubles = len(self.talk.troubles)
            self.waiting.clear()
            self.ticks = self._told_by(self.taken, self.since)
            if not self._prolonged:  # getting in step took the time in which a tick was to be seen
                self._prolonged, self.end = True, min(self.talk.clock.monotonic() + CHECK_S, self.talk.limit)
            return
        self.taken += self.waiting
        self.waiting.clear()

    def _about_midnight(self) -> bool:
        shown = [*self.taken[-1:], *self.waiting]
        return any(min(one.seconds % self.period_s, -one.seconds % self.period_s) < 60.0 for one in shown)

    def ask(self) -> None:
        """One reading, taken, unless it may be the late answer to a question that was given up."""
        clock = self.talk.clock
        sample = self.talk.read_time()
        cycle_s = clock.monotonic() - sample.t_before
        late = self.pace is not None and sample.spread_s > 2 * self.pace.round_trip_s + LATE_S
        if late and any("no answer" in trouble for trouble in self.talk.troubles):
            return
        self.slowest_s = max(self.slowest_s, min(cycle_s, 0.4))
        self.pace = (
            Pace(sample.spread_s, cycle_s) if self.pace is None else self.pace.with_one(sample.spread_s, cycle_s)
        )
        self.take(sample)

    def run(self, budget_s: float, wanted: int, *, doubting: bool) -> None:
        """Ask until there is no use in going on. doubting: test what was found, rather than narrow it further."""
        self.end = max(self.end, min(self.begun + budget_s, self.talk.limit))
        self._run(wanted, doubting)
        prolonged = self._prolonged
        if self.waiting:
            self.verify()
        if self._prolonged and not prolonged:
            self._run(wanted, doubting)
            if self.waiting:
                self.verify()

    def _run(self, wanted: int, doubting: bool) -> None:
        clock = self.talk.clock
        seen, tick = 0, 0
        while self.ticks.contradiction()[0] < GARBLED_S:  # where ticks are uneven, the more of them the better
            now = clock.monotonic()
            if self.pace is None or not self.ticks.count:
                if now > self.end and self.pace is not None:
                    break
                self.ask()
                continue
            question = next_question(self.ticks, now, self.pace, self.guess)
            if tick and question.tick != tick:
                if question.sweeping:  # it was not where it was thought to be
                    self.guess, tick = None, 0
                    continue
                seen, tick = seen + 1, 0
                self.verify()
                if self._enough(seen, wanted):
                    return
                continue
            if not self._in_time(question.instant):
                break
            tick = question.tick
            if question.sweeping:
                clock.wait_until(question.instant)
                self.ask()
            elif doubting:
                self._ask_beside(question, late=seen % 2 == 1)
            else:
                self._ask_around(question.instant)

    def _in_time(self, instant: float) -> bool:
        """Whether a question begun then, and the last one for the date, are answered before the end."""
        assert self.pace is not None
        return instant + 2 * self.slowest_s <= self.end

    def _ask_around(self, instant: float) -> None:
        """The question that tells most, and one on either side of it whose answer should be known already: only they
        can contradict what was found so far."""
        clock = self.talk.clock
        early = instant - self.slowest_s - EARLIER_S
        if early > clock.monotonic():
            clock.wait_until(early)
            self.ask()
        if clock.monotonic() < instant:
            clock.wait_until(instant)
        self.ask()
        if self._in_time(clock.monotonic()):
            self.ask()

    def _ask_beside(self, question: Question, *, late: bool) -> None:
        """Two questions as near to a tick as its bounds allow, of which the one should come before it and the other
        after: either bound put to the test."""
        assert self.pace is not None
        clock = self.talk.clock
        begin = question.latest + EARLIER_S - self.slowest_s if late else question.earliest - EARLIER_S
        if begin > clock.monotonic():
            clock.wait_until(begin)
        self.ask()
        if late and clock.monotonic() < question.latest + EARLIER_S:
            clock.wait_until(question.latest + EARLIER_S)
        self.ask()

    def _enough(self, seen: int, wanted: int) -> bool:
        assert self.pace is not None
        if not self.ticks.count:
            return False
        if self.ticks.contradicted or seen < LEAST_TICKS:
            return seen >= wanted
        bound = self.ticks.narrowest(self.begun, self.talk.clock.monotonic())
        return seen >= wanted or bound.width_s <= AT_LIMIT * self.pace.round_trip_s

    def own(self) -> Ticks:
        """What the replies of this session say by themselves."""
        return self._told_by([*self.taken, *self.waiting], None)

    def _told_by(self, samples: list[Timed], since: Ticks | None) -> Ticks:
        ticks = Ticks(self.period_s) if since is None else since.copy()
        for sample in samples:
            ticks.add(sample.seconds, sample.resolution_s, sample.t_before, sample.t_first)
        return ticks

    def tick_seen(self) -> bool:
        """Whether the replies of this session show a tick by themselves."""
        own = self.own()
        return own.count > 0 and own.narrowest(self.begun, self.talk.clock.monotonic()).width_s < 0.5

    def conclude(self, parted: float) -> ClockMeasure:
        """What was found. Raises Unreachable where nothing could be read in step."""
        for _ in range(TRIES):
            if not self.ticks.count:
                self.ask()
                self.ask()
                self.verify()
        if not self.ticks.count:
            raise Unreachable(
                "the mount's clock could not be read: its answers come late or are lost", "mount-garbled",
                "check the baud rate, and that no other program talks on this line",
            )  # fmt: skip
        spreads = [one.spread_s for one in (*self.taken, *self.waiting)] or [self.ticks.round_trip_s]
        return conclude(self.ticks, self.begun, self.talk.clock.monotonic(), spreads, parted)
