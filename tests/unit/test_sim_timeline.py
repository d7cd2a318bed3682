"""Virtual time passes only when someone waits, runs events in order, and keeps true UTC apart from the host's."""

from __future__ import annotations

import datetime as dt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from noonmark.protocols.seams import Clock, Discipline
from noonmark.sim.timeline import RealTimeline, VirtualClock

START = dt.datetime(2026, 10, 21, 11, 5, 30, 250000, tzinfo=dt.UTC)
START_S = 1792580730.25  # date -u -d '2026-10-21 11:05:30.25' +%s.%N


def test_time_passes_only_when_someone_waits() -> None:
    clock = VirtualClock(START)
    assert isinstance(clock, Clock)
    begin = clock.monotonic()
    assert [clock.monotonic() for _ in range(3)] == [begin] * 3
    clock.wait_until(begin + 12.5)
    assert clock.monotonic() == begin + 12.5
    clock.wait_until(begin)
    assert clock.monotonic() == begin + 12.5


def test_utc_starts_where_it_was_told_and_goes_on_with_the_monotonic_clock() -> None:
    clock = VirtualClock(START)
    assert clock.true_utc_s() == pytest.approx(START_S, abs=1e-6)
    assert clock.utc_ns() == 1792580730_250000000
    clock.wait_until(clock.monotonic() + 3600.0)
    assert clock.utc_ns() == 1792584330_250000000
    assert clock.true_utc_at(clock.instant_of(START_S + 99.0)) == pytest.approx(START_S + 99.0, abs=1e-6)


def test_a_naive_start_is_refused() -> None:
    with pytest.raises(ValueError, match="aware"):
        VirtualClock(dt.datetime(2026, 10, 21))  # noqa: DTZ001 - this is what is refused


def test_a_wrong_host_clock_leaves_true_utc_alone() -> None:
    clock = VirtualClock(START, host_error_s=-2.5, host_rate_ppm=100.0)
    assert clock.utc_ns() == 1792580727_750000000
    clock.wait_until(clock.monotonic() + 1000.0)
    assert clock.host_error_s == pytest.approx(-2.4)  # 100 ppm of 1000 s is 0.1 s
    clock.step_host(10.0)
    assert clock.host_error_s == pytest.approx(7.6)
    assert clock.true_utc_s() == pytest.approx(START_S + 1000.0, abs=1e-6)


def test_a_suspend_shows_in_boot_time_and_utc_and_not_in_the_monotonic_clock() -> None:
    clock = VirtualClock(START)
    monotonic, boot = clock.monotonic(), clock.boottime()
    clock.suspend(60.0)
    assert clock.monotonic() == monotonic
    assert clock.boottime() == boot + 60.0
    assert clock.true_utc_s() == pytest.approx(START_S + 60.0, abs=1e-6)
    assert clock.utc_ns() == 1792580790_250000000


def test_the_discipline_can_be_lost() -> None:
    clock = VirtualClock(START)
    assert clock.discipline().synchronised is True
    clock.set_discipline(Discipline(False, why="daemon stopped"))
    assert clock.discipline().synchronised is False


@given(st.lists(st.floats(0.0, 50.0), max_size=12))
def test_events_run_in_order_of_time_each_at_its_instant(delays: list[float]) -> None:
    clock = VirtualClock(START)
    begin, ran = clock.monotonic(), []
    for delay in delays:
        clock.call_at(begin + delay, lambda: ran.append(clock.monotonic()))
    clock.wait_until(begin + 25.0)
    assert ran == sorted(begin + delay for delay in delays if begin + delay <= begin + 25.0)
    assert clock.monotonic() == begin + 25.0
    while clock.run_next(begin + 50.0):
        pass
    assert len(ran) == len(delays)


def test_an_event_may_ask_for_another_one_on_the_way() -> None:
    clock = VirtualClock(START)
    begin, ran = clock.monotonic(), []

    def first() -> None:
        clock.call_at(clock.monotonic() + 1.0, lambda: ran.append(clock.monotonic()))

    clock.call_at(begin + 1.0, first)
    clock.wait_until(begin + 5.0)
    assert ran == [begin + 2.0]


class _StepClock:
    """A real clock's twin that can be moved by hand."""

    def __init__(self) -> None:
        self.now, self.asleep_s, self.utc_error_s = 50.0, 0.0, 0.0

    def monotonic(self) -> float:
        return self.now

    def boottime(self) -> float:
        return self.now + self.asleep_s

    def utc_ns(self) -> int:
        return round((START_S - 50.0 + self.now + self.asleep_s + self.utc_error_s) * 1e9)

    def discipline(self) -> Discipline:
        return Discipline(None)

    def wait_until(self, instant: float) -> None:
        self.now = max(self.now, instant)


def test_a_real_timeline_really_waits_and_runs_its_events() -> None:
    clock = _StepClock()
    timeline, ran = RealTimeline(clock), []
    timeline.call_at(51.0, lambda: ran.append(timeline.monotonic()))
    timeline.wait_until(52.0)
    assert (ran, clock.now) == ([51.0], 52.0)


def test_a_step_of_the_real_host_is_no_step_of_the_simulated_world_but_a_suspend_is_lived_through() -> None:
    clock = _StepClock()
    timeline = RealTimeline(clock)
    clock.utc_error_s = 30.0
    assert timeline.true_utc_s() == pytest.approx(START_S, abs=1e-5)
    clock.asleep_s = 100.0
    assert timeline.true_utc_s() == pytest.approx(START_S + 100.0, abs=1e-5)
    assert timeline.true_utc_at(timeline.instant_of(START_S + 7.0)) == pytest.approx(START_S + 7.0, abs=1e-5)
