"""The mount's clock measured over a line in virtual time: the interval keeps its word, and says when it can't."""

from __future__ import annotations

import datetime as dt
import statistics

import pytest
from support.clockwork import NOON, Stand, clock_dialect, declared, stand

from noonmark.driver.mount import Unreachable
from noonmark.driver.ticking.clockmeasure import NOT_LATE, TRUNCATES
from noonmark.driver.ticking.clockreading import GARBLED_S, HostSuspended
from noonmark.sim.injection import MountFault, Reply
from noonmark.sim.line_faults import DropsBytes
from noonmark.sim.mount import SimulatedMount
from noonmark.sim.mount_faults import Late, OneReplyLate
from noonmark.sim.state import Quirks

BYTE_S = 10 / 9600


def keeps_its_word(seeds: range) -> float:
    """The widest excess over random mounts of the declared kind, each measured for two seconds or four ticks, half
    of them after their time was set."""
    worst = -1.0
    for seed in seeds:
        phase, hours = "kept" if seed % 3 == 0 else "reset", 12 if seed % 7 == 0 else 24
        one = declared(seed, clock_dialect(phase=phase, display_hours=hours))
        if seed % 2:
            one.talk.write("time", "11:22:33", last_byte_at=one.clock.monotonic() + 0.5)
        found = one.measure(budget_s=4.6 if seed % 4 < 2 else 2.0)
        assert found.fault is None, seed
        worst = max(worst, one.beyond_s(found))
    return worst


def test_the_interval_holds_the_hidden_clock_of_every_mount_of_the_declared_kind() -> None:
    assert keeps_its_word(range(600)) <= 0.0


@pytest.mark.long
def test_the_interval_holds_the_hidden_clock_of_ten_thousand_mounts() -> None:
    assert keeps_its_word(range(10_000)) <= 0.0


@pytest.mark.parametrize("seed", range(20))
def test_measuring_again_carries_on_and_still_keeps_its_word(seed: int) -> None:
    one = declared(seed)
    first = one.measure(budget_s=4.6)
    one.clock.wait_until(one.clock.monotonic() + 3.0)
    again = one.measure(budget_s=4.6, ticks=2, since=first.evidence, doubting=True)
    assert again.fault is None
    assert one.beyond_s(again) <= 0.0
    assert again.rate_ppm is not None
    assert again.rate_ppm[0] <= one.mount.state.drift_ppm <= again.rate_ppm[1]


# --- how sharp, how long ----------------------------------------------------------------------------


def test_after_four_ticks_a_steady_mount_is_known_to_within_half_again_of_the_limit() -> None:
    """The limit is half of (question, least lag, first byte of the answer): 7.6 ms at 9600 baud with 10 ms of lag.
    What is left above it is the rate, which is fitted and not assumed."""
    limit_s = (5 * BYTE_S + 0.010) / 2
    assert limit_s == pytest.approx(0.0076, abs=5e-5)
    steady = Quirks(lag_before_s=(0.007, 0.007), lag_after_s=(0.003, 0.003))
    found = [stand(seed, quirks=steady).measure(budget_s=4.6).half_width_s for seed in range(60)]
    assert statistics.median(found) < 1.5 * limit_s
    assert min(found) >= limit_s - 2e-6


def test_check_measures_for_two_seconds_and_the_last_answer_at_most() -> None:
    for seed in range(120):  # lags, rates of the line and adapters are drawn from it
        one = declared(seed)
        begun = one.clock.monotonic()
        found = one.measure()
        assert found.round_trip_s is not None
        assert one.clock.monotonic() - begun <= 2.0 + found.round_trip_s


def test_measuring_ends_at_the_limit_of_what_can_be_known() -> None:
    quick = Quirks(lag_before_s=(0.03, 0.03), lag_after_s=(0.03, 0.03))
    one = stand(3, quirks=quick)
    begun = one.clock.monotonic()
    found = one.measure(budget_s=60.0, ticks=50)
    assert found.round_trip_s is not None
    assert 2 * found.half_width_s <= 1.1 * found.round_trip_s
    assert one.clock.monotonic() - begun < 12.0


# --- what is not of the declared kind ---------------------------------------------------------------


def test_uneven_ticks_are_reported_with_a_hull_where_they_are_noticed() -> None:
    noticed = 0
    for seed in range(60):
        one = stand(seed, quirks=Quirks(uneven_s=0.08))
        found = one.measure(budget_s=8.6, ticks=8)
        if found.fault is None:
            assert one.beyond_s(found) < 0.08
            continue
        noticed += 1
        assert "uneven by at least" in found.fault
        assert found.rate_ppm is None
        assert one.beyond_s(found) < 0.06
    assert noticed >= 12, "a third of them, in eight seconds; `set` puts what it found to the test besides"


def test_a_display_late_by_a_constant_is_never_called_exact() -> None:
    """Renewed every 100 ms, in step with its own second: it can't be seen, and the interval says so."""
    for seed in range(20):
        one = stand(seed, quirks=Quirks(display_every_s=0.1))
        found = one.measure(budget_s=4.6)
        assert NOT_LATE in found.assumptions
        assert one.beyond_s(found) < 0.1


def test_a_rounding_display_is_never_called_exact() -> None:
    one = stand(5, dialect=clock_dialect(display_rounds=True))
    found = one.measure(budget_s=4.6)
    assert TRUNCATES in found.assumptions
    assert one.beyond_s(found) <= 0.0, "the interval is of the clock as displayed"
    assert one.beyond_s(found, clock_itself=True) > 0.4


# --- answers that are late, lost or garbled ---------------------------------------------------------


def measured_or_unreachable(one: Stand) -> float | None:
    try:
        found = one.measure(budget_s=4.6)
    except Unreachable:
        return None
    return None if found.fault is not None else one.beyond_s(found)


@pytest.mark.parametrize("fault", [OneReplyLate("one-reply-late", 0, 7), Late("late", 2.5, 7), Late("late", 0.4, 7)])
def test_a_reply_one_late_is_never_taken_for_the_next(fault: MountFault) -> None:
    for seed in range(40):
        one = stand(seed, mount_faults=[type(fault)(fault.name, fault.amount, seed)])
        beyond = measured_or_unreachable(one)
        assert beyond is None or beyond <= 0.0, seed


class AlwaysOneBehind(MountFault):
    """Each answer is the one to the question before: nothing is lost, so that nothing but another shape shows it."""

    _held: bytes | None = b"12:00:00#"

    def replies(self, mount: SimulatedMount, command: bytes, replies: list[Reply]) -> list[Reply]:
        if not replies or self._held is None:
            return replies
        self.bite()
        earlier, self._held = self._held, replies[0][1]
        return [(replies[0][0], earlier), *replies[1:]]


def test_a_mount_one_answer_behind_is_no_clock() -> None:
    one = stand(2, mount_faults=[AlwaysOneBehind("always-one-behind", 0, 1)])
    with pytest.raises(Unreachable):
        one.measure()


@pytest.mark.parametrize("seed", range(12))
def test_bytes_lost_on_the_line_don_t_bend_the_interval(seed: int) -> None:
    one = stand(seed, line_faults=[DropsBytes("drops-bytes", 0.03, seed)])
    beyond = measured_or_unreachable(one)
    assert beyond is None or beyond <= 0.0


class GarbledDigit(MountFault):
    """One answer is three seconds off, as a turned bit makes it."""

    def replies(self, mount: SimulatedMount, command: bytes, replies: list[Reply]) -> list[Reply]:
        if command != b"GL" or not self.strikes(0.0):
            return replies
        self.bite()
        text = replies[0][1]
        return [(replies[0][0], text[:6] + bytes((text[6] ^ 4,)) + text[7:]), *replies[1:]]


@pytest.mark.parametrize("seed", range(8))
def test_one_garbled_digit_is_measured_again(seed: int) -> None:
    fault = GarbledDigit("garbled-digit", 0, seed)
    one = stand(seed, mount_faults=[fault])
    found = one.measure(budget_s=4.6)
    assert fault.bites == 1
    assert found.fault is None
    assert one.beyond_s(found) <= 0.0


def test_a_clock_changed_since_it_was_set_is_a_fault() -> None:
    for jump_s in (0.1, 0.7):
        one = stand(6)
        first = one.measure(budget_s=4.6)
        one.mount.firmware.overwrite({"local_shift_s": jump_s}, one.clock.monotonic())
        again = one.measure(budget_s=4.6, ticks=2, since=first.evidence, doubting=True)
        assert again.fault is not None
        if jump_s > GARBLED_S:
            assert one.beyond_s(again) <= 0.0, "what is stated is what it shows now"


# --- this host's clocks, and midnight ---------------------------------------------------------------


def test_a_suspend_of_the_machine_starts_the_measuring_again() -> None:
    one = stand(4)
    one.clock.call_at(one.clock.monotonic() + 0.5, lambda: one.clock.suspend(300.25))
    found = one.measure()
    assert found.fault is None
    assert one.beyond_s(found) <= 0.0
    assert any("suspended for 300.2" in trouble for trouble in one.talk.troubles)


def test_suspend_after_suspend_ends_the_measuring() -> None:
    one = stand(4)
    for number in range(20):
        one.clock.call_at(one.clock.monotonic() + 0.7 * (number + 1), lambda: one.clock.suspend(1.0))
    with pytest.raises(HostSuspended):
        one.measure()


def test_a_step_of_the_hosts_utc_does_not_matter() -> None:
    one = stand(4)
    one.clock.call_at(one.clock.monotonic() + 0.8, lambda: one.clock.step_host(-7200.0))
    found = one.measure()
    assert found.fault is None
    assert one.beyond_s(found) <= 0.0
    assert not one.talk.troubles


@pytest.mark.parametrize("hours", [12, 24])
@pytest.mark.parametrize("lead_s", [0.4, 1.5, 2.6])
def test_midnight_and_noon_amid_the_measuring(hours: int, lead_s: float) -> None:
    for local_h in (0, 12):
        utc = NOON.replace(hour=0) + dt.timedelta(hours=24 + local_h - 10.5, seconds=-lead_s)
        one = stand(1, dialect=clock_dialect(display_hours=hours), utc=utc, error_s=0.0)
        found = one.measure(budget_s=4.6)
        assert found.fault is None
        assert one.beyond_s(found) <= 0.0


class RestlessDate(MountFault):
    """Its date changes at every question."""

    _asked = 0

    def instead(self, mount: SimulatedMount, command: bytes, at: float) -> bytes | None:
        if command != b"GC":
            return None
        self._asked += 1
        return f"11/{self._asked % 28 + 1:02d}/26#".encode()


def test_a_date_that_changes_when_it_is_not_midnight_is_no_date_beside_which_a_time_counts() -> None:
    one = stand(1, mount_faults=[RestlessDate("restless-date", 0, 1)])
    with pytest.raises(Unreachable):
        one.measure()
    assert any("the date changed" in trouble for trouble in one.talk.troubles)
