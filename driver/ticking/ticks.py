"""What readings in whole seconds say of a clock: every steady clock that none of them contradicts.

Pure. K(t) is the clock as displayed minus monotonic time, seconds. A reply that showed the second v at some instant
between b (before the question's first byte) and f (the answer's first byte) says K(f) >= v - f and K(b) <= v + 1 - b.
A clock of steady rate is a straight line K(t) = k + rate * t, so that each reply cuts two half planes off the plane of
(k, rate): what remains is a convex polygon, and what K can be at an instant is the range of its corners.

The narrowing: where [A, B] bounds a tick and r is the least round trip, a question begun at (A + B - r) / 2 halves
B - A - r whichever way it is answered.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import floor

RATE_LIMIT = 5.5e-3
"""How far from right a steady rate is looked for, 1: twice what a clock on sidereal rate gains (0.0027379)."""

READING_S = 1e-6  # what the instants of a reply, and our arithmetic, may be wrong by
_HALVINGS = 60
_BISECTIONS = 6

Corner = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Bound:
    """What K is at an instant: `low` to `high`, seconds."""

    at: float
    low: float
    high: float

    @property
    def width_s(self) -> float:
        return self.high - self.low

    @property
    def middle(self) -> float:
        return (self.low + self.high) / 2


class Ticks:
    """All steady clocks that fit the replies so far.

    period_s: after which the display repeats itself (a day, or half of one). `contradicted`: no steady clock fits;
    everything added since is kept for the hull, and bounds are no longer given by `at`.
    """

    __slots__ = (
        "_corners", "_highs", "_lows", "contradicted", "count", "origin", "period_s", "reference", "round_trip_s",
        "unit_s",
    )  # fmt: skip

    def __init__(self, period_s: float = 86400.0) -> None:
        self.period_s = period_s
        self.unit_s = 1.0
        self.origin = 0.0  # of the instants, and
        self.reference = 0.0  # of K in the corners, so that no digit is lost
        self.round_trip_s = 0.0  # the least
        self.count = 0
        self.contradicted = False
        self._corners: list[Corner] = []
        self._lows: list[tuple[float, float]] = []  # (instant, bound) since the origin
        self._highs: list[tuple[float, float]] = []

    def copy(self) -> Ticks:
        """The same, to be carried on by itself."""
        other = Ticks(self.period_s)
        for name in ("unit_s", "origin", "reference", "round_trip_s", "count", "contradicted"):
            setattr(other, name, getattr(self, name))
        other._corners, other._lows, other._highs = list(self._corners), list(self._lows), list(self._highs)
        return other

    def add(self, seconds: float, unit_s: float, before: float, first: float) -> None:
        """Take a reply: `seconds` of the day shown in steps of `unit_s`, between the instants `before` and `first`."""
        if not self.count:
            self.origin, self.reference, self.unit_s = before, seconds - before, unit_s
            low, high = before - first - 0.01 * unit_s, 1.01 * unit_s
            self._corners = [(low, -RATE_LIMIT), (high, -RATE_LIMIT), (high, RATE_LIMIT), (low, RATE_LIMIT)]
        self.round_trip_s = min(self.round_trip_s, first - before) if self.count else first - before
        self.count += 1
        value = seconds - before - self.reference
        value -= round(value / self.period_s) * self.period_s  # midnight, or noon on a display of 12 hours
        self._cut(first - self.origin, value + before - first - READING_S, self._lows, 1.0)
        self._cut(before - self.origin, value + unit_s + READING_S, self._highs, -1.0)

    def _cut(self, at: float, bound: float, kept: list[tuple[float, float]], sign: float) -> None:
        """Keep the corners' side of K(at) = bound: above it for sign 1, below it for sign -1."""
        kept.append((at, bound))
        if self._corners:
            self._corners = _clipped(self._corners, at, bound, sign)
            self.contradicted = self.contradicted or not self._corners

    def halving(self, tick: int, earliest: float, latest: float, round_trip_s: float) -> float:
        """When to begin the question about a tick, so that either answer leaves as much of the polygon: of the clock's
        error and of its rate together. Without doubt about the rate this is (A + B - r) / 2."""
        due = tick * self.unit_s - self.reference
        for _ in range(_BISECTIONS):
            begin = (earliest + latest) / 2
            since = begin - self.origin
            old = _area(_clipped(self._corners, since, due - begin, -1.0))
            new = _area(_clipped(self._corners, since + round_trip_s, due - begin - round_trip_s, 1.0))
            if old > new:
                earliest = begin
            else:
                latest = begin
        return (earliest + latest) / 2

    # --- what they say ----------------------------------------------------------------------------

    def at(self, instant: float) -> tuple[float, float]:
        """(least, most) that K can be at an instant; the hull where the replies contradict each other."""
        if not self._corners:
            hull = self.hull(instant)
            return hull.low, hull.high
        elapsed = instant - self.origin
        values = [k + rate * elapsed for k, rate in self._corners]
        return self.reference + min(values), self.reference + max(values)

    def narrowest(self, since: float, until: float) -> Bound:
        """The bound at the instant between `since` and `until` at which K is known best."""
        if not self._corners:
            return self.hull((since + until) / 2)
        instants = [until, since]
        previous = self._corners[-1]
        for corner in self._corners:  # each edge is a constraint, and its slope the instant of it
            steeper = corner[1] - previous[1]
            if steeper:
                instant = self.origin - (corner[0] - previous[0]) / steeper
                if since < instant < until:
                    instants.append(instant)
            previous = corner
        best = Bound(until, *self.at(until))
        for instant in instants[1:]:
            low, high = self.at(instant)
            if high - low < best.width_s - 1e-9:
                best = Bound(instant, low, high)
        return best

    def rate(self) -> tuple[float, float]:
        """(least, most) that the rate can be, K's change per second; what was looked for where nothing fits."""
        rates = [corner[1] for corner in self._corners]
        return (min(rates), max(rates)) if rates else (-RATE_LIMIT, RATE_LIMIT)

    def contradiction(self) -> tuple[float, float]:
        """(seconds by which replies contradict each other, 0 for none; the rate that reconciles them best)."""
        if not self.contradicted:
            return 0.0, 0.0
        least, most = -RATE_LIMIT, RATE_LIMIT
        for _ in range(_HALVINGS):  # the gap is a convex function of the rate
            third = (most - least) / 3
            if self._gap(least + third) <= self._gap(most - third):
                most -= third
            else:
                least += third
        rate = (least + most) / 2
        return max(self._gap(rate), 0.0), rate

    def _gap(self, rate: float) -> float:
        return max(bound - rate * at for at, bound in self._lows) - min(bound - rate * at for at, bound in self._highs)

    def hull(self, instant: float) -> Bound:
        """What spans the replies that contradict each other, and on either side as much again and the least round trip:
        no bound, but where the clock as displayed was seen to be."""
        gap, rate = self.contradiction()
        elapsed = instant - self.origin
        beside_s = gap + self.round_trip_s
        low = min(bound + rate * (elapsed - at) for at, bound in self._highs) - beside_s
        high = max(bound + rate * (elapsed - at) for at, bound in self._lows) + beside_s
        return Bound(instant, self.reference + low, self.reference + high)


def _clipped(corners: list[Corner], at: float, bound: float, sign: float) -> list[Corner]:
    """The corners of what lies above K(at) = bound for sign 1, below it for sign -1."""
    sides = [sign * (k + rate * at - bound) for k, rate in corners]
    if min(sides) >= 0.0:
        return corners
    left: list[Corner] = []
    previous, side_before = corners[-1], sides[-1]
    for corner, side in zip(corners, sides, strict=True):
        if (side < 0.0) != (side_before < 0.0):
            part = side_before / (side_before - side)
            (k0, rate0), (k1, rate1) = previous, corner
            left.append((k0 + part * (k1 - k0), rate0 + part * (rate1 - rate0)))
        if side >= 0.0:
            left.append(corner)
        previous, side_before = corner, side
    return left


def _area(corners: list[Corner]) -> float:
    """Twice the area, of either sense."""
    if not corners:
        return 0.0
    x_before, y_before = corners[-1]
    x0, y0 = corners[0]
    total = 0.0
    for x, y in corners:
        total += (x_before - x0) * (y - y0) - (x - x0) * (y_before - y0)
        x_before, y_before = x, y
    return abs(total)


@dataclass(frozen=True, slots=True)
class Pace:
    """How fast questions can follow each other: least round trip (first byte to first byte) and least whole cycle."""

    round_trip_s: float
    cycle_s: float

    def with_one(self, round_trip_s: float, cycle_s: float) -> Pace:
        """After one more exchange."""
        return Pace(min(self.round_trip_s, round_trip_s), min(self.cycle_s, cycle_s))


@dataclass(frozen=True, slots=True)
class Question:
    """When to begin the next question, and the tick that it is for. `sweeping`: one of many in a row.

    earliest, latest: begun before the one it is answered before the tick, begun after the other after it.
    """

    instant: float
    tick: int
    sweeping: bool
    earliest: float
    latest: float


def next_question(ticks: Ticks, now: float, pace: Pace, guess: tuple[float, float] | None = None) -> Question:
    """The question that tells most, not before `now`.

    A tick known to less than two cycles is halved; before that, questions follow each other through it. `guess`: what
    K is thought to be without proof, whole units aside; it only spares questions long before the tick.
    """
    unit, round_trip = ticks.unit_s, pace.round_trip_s
    low, high = ticks.at(now)
    likely = None if guess is None else _likely(guess, low, high, unit)
    tick = floor((now + round_trip + low) / unit) + 1  # the next one that may not have passed when we are answered
    while True:
        low, high = ticks.at(max(now, tick * unit - high))
        earliest, latest = tick * unit - high, tick * unit - low - round_trip
        open_s = latest - earliest
        sweeping = open_s > 2 * pace.cycle_s
        if sweeping:
            begin = max(earliest + pace.cycle_s, now)
            if likely is not None:
                begin = min(max(begin, tick * unit - likely - round_trip), max(latest - pace.cycle_s, now))
        else:
            begin = earliest + open_s / 2
            if begin >= now and open_s > 0 and not ticks.contradicted:
                begin = ticks.halving(tick, earliest, latest, round_trip)
            if begin < now < latest - 0.1 * open_s:
                begin = now
        if begin >= now and begin < max(latest, earliest + READING_S):
            return Question(begin, tick, sweeping, earliest, latest)
        tick += 1


def _likely(guess: tuple[float, float], low: float, high: float, unit_s: float) -> float | None:
    """The most that K is thought to be, within its bounds; None where it can't be."""
    shift = round((low + high - guess[0] - guess[1]) / (2 * unit_s)) * unit_s
    if guess[0] + shift > high or guess[1] + shift < low:
        return None
    return min(high, guess[1] + shift)
