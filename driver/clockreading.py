"""Measure a mount's clock, which shows whole seconds, to milliseconds: an interval, and what it rests on.

Each `:GL#` reply says: my clock showed v at some instant between the moment before the first byte of my question was
handed over and the first byte of the answer. Neither the drain of a port nor nominal byte times are used for an
edge: adapters and bridges make both lie. `ticks` holds what follows from that; here is when to ask.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from noonmark.driver.mount import Talk, Timed, Unreachable
from noonmark.driver.ticks import RATE_LIMIT, Pace, Question, Ticks, next_question
from noonmark.protocols import lx
from noonmark.protocols.seams import Clock

TRUNCATES = "the display truncates to whole seconds"
ROUNDS = "the display rounds to whole seconds: half a second was taken off"
MAY_ROUND = "the display may round to whole seconds: half a second is allowed for it"
DURING = "the answer is computed after the question began and before its first byte"
NOT_LATE = "the display is not late by a constant: the interval is of the clock as displayed"
STEADY = f"its ticks are even, and its rate is steady and within {RATE_LIMIT * 1e6:.0f} ppm of right"

CHECK_S = 2.0  # one tick is seen for certain, and the next one
SETTLED_S = 4.6  # four ticks
TICKS, LEAST_TICKS = 4, 3  # fewer would miss that ticks are uneven
AT_LIMIT = 1.1  # the width beside the least round trip at which another tick would hardly tell more
GARBLED_S = 0.25  # replies that contradict each other by more: a digit was garbled, or the clock was set
EARLIER_S = 1e-3  # between the end of one answer and the next question, where that must be in time
LATE_S = 0.1  # beyond twice the least round trip, where an answer is owed
SUSPEND_S = 0.02
TRIES = 3


class HostSuspended(Exception):  # noqa: N818 - it names the thing, not its consequence
    """The machine slept again and again while the clock was measured."""


@dataclass(frozen=True, slots=True)
class ClockMeasure:
    """`low`, `high`: bounds of local time of day minus monotonic, seconds, not folded, at the monotonic instant `at`.

    fault: why they are a hull and no bounds. rate_ppm: bounds of what the clock gains, fitted. round_trip_s: the
    least one; jitter_s: by how much the most exceeded it. parted_s: boot time minus monotonic, so that a later suspend
    shows. evidence: what it was found from.
    """

    low: float
    high: float
    samples: int
    assumptions: tuple[str, ...] = (TRUNCATES, DURING, NOT_LATE, STEADY)
    fault: str | None = None
    at: float = 0.0
    rate_ppm: tuple[float, float] | None = None
    round_trip_s: float | None = None
    jitter_s: float = 0.0
    parted_s: float | None = None
    evidence: Ticks | None = field(default=None, compare=False, repr=False)

    @property
    def half_width_s(self) -> float:
        return (self.high - self.low) / 2

    @property
    def middle(self) -> float:
        return (self.low + self.high) / 2

    def anchored(self, near: float, display_hours: int) -> tuple[float, float]:
        """The interval moved by whole days (half days on a 12-hour display) to lie nearest to `near`."""
        period = 86400.0 if display_hours == 24 else 43200.0
        shift = round((near - (self.low + self.high) / 2) / period) * period
        return self.low + shift, self.high + shift

    def with_fault(self, fault: str) -> ClockMeasure:
        """The same, not to be trusted."""
        return replace(self, fault=fault)

    def of_the_clock(self, rounds: bool | None, *, may_round: bool = False) -> ClockMeasure:
        """The interval of the clock itself, where the display is known to round, or may do so unseen."""
        if rounds:
            told = tuple(ROUNDS if one == TRUNCATES else one for one in self.assumptions)
            return replace(self, low=self.low - 0.5, high=self.high - 0.5, assumptions=told)
        if rounds is None and may_round:
            told = tuple(MAY_ROUND if one == TRUNCATES else one for one in self.assumptions)
            return replace(self, low=self.low - 0.5, assumptions=told)
        return self


def parted_s(clock: Clock) -> float:
    """Boot time minus monotonic, seconds: a suspend moves it, and nothing else does."""
    before = clock.monotonic()
    boot = clock.boottime()
    return boot - (before + clock.monotonic()) / 2


def bounds(samples: list[Timed], display_hours: int) -> ClockMeasure:
    """The interval from replies. Where they contradict each other: their hull, and the fault named."""
    ticks = Ticks(_period_s(display_hours))
    for sample in samples:
        ticks.add(sample.seconds, sample.resolution_s, sample.t_before, sample.t_first)
    return _conclude(ticks, samples[0].t_before, samples[-1].t_first, [one.spread_s for one in samples], None)


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
            talk.troubles.append(f"the machine was suspended for {asleep:.1f} s while the clock was measured")
        elif not session.ticks.contradicted:
            return replace(session.conclude(parted), fault=fault)
        else:
            gap = session.ticks.contradiction()[0]
            if since is not None and not session.own().contradicted:
                fault = _unsteady(gap)
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

    def __init__(
        self, talk: Talk, display_hours: int, since: Ticks | None, guess: tuple[float, float] | None
    ) -> None:
        self.talk = talk
        self.period_s = _period_s(display_hours)
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
        clock = self.talk.clock
        self.end = min(self.begun + budget_s, self.talk.limit)
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
        if self.waiting:
            self.verify()

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
        return _conclude(self.ticks, self.begun, self.talk.clock.monotonic(), spreads, parted)


def _period_s(display_hours: int) -> float:
    return 86400.0 if display_hours == 24 else 43200.0


def _conclude(
    ticks: Ticks, since: float, until: float, spreads: list[float], parted: float | None
) -> ClockMeasure:
    bound = ticks.narrowest(since, until)
    rate_ppm: tuple[float, float] | None = None
    fault, steady = None, STEADY
    if ticks.contradicted:
        fault = _unsteady(ticks.contradiction()[0])
    else:
        low, high = ticks.rate()
        rate_ppm = (1e6 * low, 1e6 * high)
        steady = f"{STEADY}; fitted: {rate_ppm[0]:+.0f} to {rate_ppm[1]:+.0f} ppm"
    return ClockMeasure(
        bound.low, bound.high, ticks.count, (TRUNCATES, DURING, NOT_LATE, steady), fault, bound.at, rate_ppm,
        round_trip_s=min(spreads), jitter_s=max(spreads) - min(spreads), parted_s=parted, evidence=ticks,
    )  # fmt: skip


def _unsteady(gap_s: float) -> str:
    return (
        f"the replies contradict each other by {gap_s:.3f} s: the ticks are uneven by at least {gap_s / 2:.3f} s, or "
        "the clock was changed meanwhile"
    )


