"""The mathematics of whole-second readings, against brute force and by hand."""

from __future__ import annotations

import itertools
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from noonmark.driver.ticking.ticks import RATE_LIMIT, READING_S, Pace, Ticks, next_question

Row = tuple[float, float, float]  # second shown, before the question, first byte of the answer


def taken(rows: list[Row], period_s: float = 86400.0) -> Ticks:
    ticks = Ticks(period_s)
    for seconds, before, first in rows:
        ticks.add(seconds, 1.0, before, first)
    return ticks


def replies(error_s: float, rate: float, draw: random.Random, count: int = 12) -> list[Row]:
    """Replies of a steady clock that reads `t + error + rate * t`, asked at random instants."""
    rows, now = [], 0.0
    for _ in range(count):
        before = now + draw.uniform(0.0, 0.7)
        read = before + draw.uniform(0.0, 0.1)
        now = read + draw.uniform(0.0, 0.1)
        rows.append((float((read + error_s + rate * read) // 1 % 86400), before, now))
    return rows


def brute_force(rows: list[Row], at: float) -> tuple[float, float]:
    """The least and the most of K(at) over all corners where two constraints meet and no other is broken."""
    planes = [(first, seconds - first - READING_S, 1.0) for seconds, _, first in rows]
    planes += [(before, seconds + 1.0 - before + READING_S, -1.0) for seconds, before, _ in rows]
    corners = []
    for (t1, k1, _), (t2, k2, _) in itertools.combinations(planes, 2):
        if abs(t1 - t2) > 1e-9:
            rate = (k2 - k1) / (t2 - t1)
            corners.append((k1 - rate * t1, rate))
    for (t, k, _), rate in itertools.product(planes, (-RATE_LIMIT, RATE_LIMIT)):
        corners.append((k - rate * t, rate))
    fine = [
        k + rate * at
        for k, rate in corners
        if abs(rate) <= RATE_LIMIT + 1e-12 and all(side * (k + rate * t - bound) >= -1e-9 for t, bound, side in planes)
    ]
    return min(fine), max(fine)


@pytest.mark.parametrize("seed", range(25))
def test_the_interval_is_the_one_that_brute_force_finds(seed: int) -> None:
    draw = random.Random(seed)
    rows = replies(draw.uniform(100.0, 80000.0), draw.uniform(-0.005, 0.005), draw)
    ticks = taken(rows)
    for at in (rows[0][1], rows[6][1], rows[-1][2], rows[-1][2] + 5.0):
        assert ticks.at(at) == pytest.approx(brute_force(rows, at), abs=1e-8)


@given(
    error_s=st.floats(0.0, 80000.0),
    rate=st.floats(-0.005, 0.005),
    seed=st.integers(0, 10_000),
    count=st.integers(1, 30),
)
def test_no_reply_of_a_steady_clock_excludes_the_clock_itself(
    error_s: float, rate: float, seed: int, count: int
) -> None:
    rows = replies(error_s, rate, random.Random(seed), count)
    ticks = taken(rows)
    assert not ticks.contradicted
    for at in (rows[0][1], rows[-1][2]):
        low, high = ticks.at(at)
        assert low <= error_s + rate * at <= high
    bound = ticks.narrowest(rows[0][1], rows[-1][2])
    assert bound.low <= error_s + rate * bound.at <= bound.high
    low_rate, high_rate = ticks.rate()
    assert low_rate <= rate <= high_rate


def test_the_narrowest_bound_is_nowhere_beaten() -> None:
    rows = replies(5000.3, 0.001, random.Random(4))
    ticks = taken(rows)
    begin, end = rows[0][1], rows[-1][2]
    best = ticks.narrowest(begin, end)
    for step in range(401):
        low, high = ticks.at(begin + (end - begin) * step / 400)
        assert high - low >= best.width_s - 2e-9


def test_the_rate_is_fitted_and_not_assumed() -> None:
    """A clock that gains 3000 ppm, its ticks bracketed to a millisecond over eight seconds, by hand."""
    rows = [
        row
        for n in range(9)
        for row in ((100.0 + n, n / 1.003 - 0.001, n / 1.003 - 0.0005), (101.0 + n, n / 1.003, n / 1.003 + 0.0005))
    ]
    low, high = taken(rows).rate()
    assert 0.003 - 2 * 0.0015 / 8 < low < 0.003 < high < 0.003 + 2 * 0.0015 / 8


def test_midnight_and_noon_are_no_jumps() -> None:
    across = [(86399.0, 10.2, 10.3), (86399.0, 10.7, 10.8), (0.0, 11.1, 11.2), (0.0, 11.9, 12.0), (1.0, 12.1, 12.2)]
    assert not taken(across).contradicted
    half = [(43199.0 if seconds == 86399.0 else seconds, before, first) for seconds, before, first in across]
    assert not taken(half, 43200.0).contradicted
    assert taken(half, 86400.0).contradicted


def test_a_contradiction_is_measured_with_the_rate_that_reconciles_best() -> None:
    """The second tick comes 40 ms late. By hand: K(1.001) >= -0.001 and K(2.039) <= -0.039, and a clock may lose
    5.5 ms a second, so that 0.038 - 0.0055 * 1.038 = 0.0323 s are left."""
    ticks = taken([(0.0, 0.999, 1.000), (1.0, 1.000, 1.001), (1.0, 2.039, 2.040), (2.0, 2.040, 2.041)])
    assert ticks.contradicted
    gap, rate = ticks.contradiction()
    assert gap == pytest.approx(0.038 - RATE_LIMIT * 1.038, abs=5e-6)
    assert rate == pytest.approx(-RATE_LIMIT, abs=1e-6)
    low, high = ticks.at(1.5)
    assert low < -0.041 < -0.001 < high, "the hull spans both ticks"


def test_even_ticks_have_no_contradiction() -> None:
    ticks = taken([(0.0, 0.999, 1.000), (1.0, 1.000, 1.001), (1.0, 1.999, 2.000), (2.0, 2.000, 2.001)])
    assert ticks.contradiction() == (0.0, 0.0)


# --- when to ask ------------------------------------------------------------------------------------

PACE = Pace(0.015, 0.024)


def test_a_question_is_begun_where_it_halves_what_is_open() -> None:
    """(A + B - r) / 2 with [A, B] the tick's bounds and r the least round trip, where the rate leaves no doubt."""
    # ticks bracketed to 2 to 30 ms a long time ago and just now: the rate is known to 0.01 ppm of a second
    rows = [row for n in (-3000, -1) for row in ((n + 3000.0, n + 0.998, n + 0.999), (n + 3001.0, n + 1.0, n + 1.0305))]
    ticks = taken(rows)
    low, high = ticks.at(1.0)
    question = next_question(ticks, 0.2, PACE)
    earliest, latest = question.tick - high, question.tick - low
    assert not question.sweeping
    assert question.instant == pytest.approx((earliest + latest - PACE.round_trip_s) / 2, abs=2e-4)


@pytest.mark.parametrize("answer", ["before the tick", "after it"])
def test_either_answer_halves_what_is_open(answer: str) -> None:
    ticks = taken([(9.0, 0.100, 0.115), (10.0, 0.124, 0.139)])
    question = next_question(ticks, 0.2, PACE)
    open_before = question.latest - question.earliest
    seconds = question.tick - 1.0 if answer == "before the tick" else float(question.tick)
    ticks.add(seconds, 1.0, question.instant, question.instant + PACE.round_trip_s)
    low, high = ticks.at(question.instant)
    assert high - low - PACE.round_trip_s < 0.6 * open_before


def test_a_tick_not_yet_found_is_asked_for_without_a_pause() -> None:
    ticks = taken([(9.0, 0.100, 0.115)])
    question = next_question(ticks, 0.124, PACE)
    assert question.sweeping
    assert question.instant == pytest.approx(0.124)


def test_a_guess_spares_the_questions_long_before_the_tick_and_proves_nothing() -> None:
    ticks = taken([(9.0, 0.100, 0.115)])
    without = ticks.at(0.5)
    question = next_question(ticks, 0.124, PACE, (3.30, 3.31))  # whole seconds aside, the tick comes at 0.69
    assert question.sweeping
    assert question.instant == pytest.approx(0.69 - PACE.round_trip_s, abs=1e-6)
    assert ticks.at(0.5) == without
    assert next_question(ticks, 0.124, PACE, (3.95, 3.96)).instant < 1.2, "one that can't be right is no guide"
