"""A clock that takes whole seconds, set to milliseconds: corrected where that helps, and never where it doesn't."""

from __future__ import annotations

import datetime as dt
import statistics
from typing import Any

import pytest
from support.clockwork import NOON, clock_dialect, stand

from noonmark.driver.clockset import CORRECTIONS, worth_s
from noonmark.driver.mount import Unreachable
from noonmark.driver.ticking.clockmeasure import MAY_ROUND, ROUNDS, TRUNCATES
from noonmark.driver.ticking.clockreading import HostSuspended
from noonmark.driver.truth import Truth
from noonmark.sim.injection import MountFault
from noonmark.sim.line_faults import DropsBytes
from noonmark.sim.mount import SimulatedMount
from noonmark.sim.mount_faults import Late
from noonmark.sim.state import Quirks
from noonmark.sim.wire import LineManner

JITTERY = Quirks(lag_before_s=(0.005, 0.020), lag_after_s=(0.001, 0.003))


def test_the_residual_at_9600_baud_with_5_to_20_ms_of_lag() -> None:
    """Median under 10 ms, the worst of 200 under 25 ms; and each interval keeps its word."""
    residuals = []
    for seed in range(200):
        one = stand(seed, quirks=JITTERY)
        brought = one.bring()
        assert brought.measure is not None
        assert one.beyond_s(brought.measure) <= 0.0
        assert len(brought.sends) <= CORRECTIONS + 2
        residuals.append(abs(one.error_s()))
    assert statistics.median(residuals) < 0.010
    assert max(residuals) < 0.025


def test_it_is_corrected_while_the_middle_exceeds_a_third_of_the_half_width() -> None:
    """A mount that needs 60 ms to set its time and 2 ms to tell it: nothing that was read before shows that."""

    class SlowToSet(MountFault):
        def delay_s(self, mount: SimulatedMount, command: bytes, at: float) -> float:
            return 0.06 if command[:2] == b"SL" else 0.0

    for seed in range(20):
        one = stand(seed, mount_faults=[SlowToSet("slow-to-set", 0, 1)], quirks=Quirks((0.001, 0.001), (0.001, 0.001)))
        brought = one.bring()
        assert 2 <= len(brought.sends) <= CORRECTIONS + 2
        assert one.setter is not None
        assert abs(one.setter.tries[0].error_s + 0.06) < 0.02
        assert abs(one.setter.tries[-1].error_s) <= one.setter.tries[-1].half_width_s / 3
        assert abs(one.error_s()) < 0.01


def test_a_steady_mount_is_right_at_once() -> None:
    sends = [len(stand(seed, quirks=Quirks((0.005, 0.005), (0.004, 0.004))).bring().sends) for seed in range(20)]
    assert statistics.median(sends) == 1


def truth_within(half_width_s: float) -> Truth:
    return Truth(True, True, True, -half_width_s, half_width_s, (), "", "")


@pytest.mark.parametrize(
    ("half_width_s", "tolerance_s", "worth"),
    [
        (0.0, 1.0, 0.0),
        (0.02, 1.0, 0.001),  # a network's word
        (0.4, 1.0, 0.02),  # a receiver's
        (0.4, 0.42, 0.005),  # which leaves little of the tolerance
        (0.4, 0.3, 0.0),  # or nothing
        (5.0, 10.0, 0.05),  # and never so much that a phase could not be told by it
    ],
)
def test_how_small_an_error_is_not_worth_another_sending(half_width_s: float, tolerance_s: float, worth: float) -> None:
    """A twentieth of what the truth is known to, a quarter of what that leaves of the tolerance, 50 ms."""
    assert worth_s(truth_within(half_width_s), tolerance_s) == pytest.approx(worth)


def test_what_the_truth_does_not_tell_is_not_corrected_and_the_interval_keeps_its_word() -> None:
    sends: dict[float, list[int]] = {0.0: [], 0.02: []}
    for seed in range(100):
        for worth in sends:
            one = stand(seed, quirks=JITTERY)
            brought = one.bring(worth_s=worth)
            assert brought.measure is not None
            assert one.beyond_s(brought.measure, clock_itself=True) <= 0.0
            assert one.setter is not None
            assert abs(one.error_s()) <= worth + one.setter.tries[-1].half_width_s
            assert one.manner.phase != "kept"
            sends[worth].append(len(brought.sends))
    assert statistics.mean(sends[0.0]) > 1.8
    assert statistics.mean(sends[0.02]) < 1.3, "only where the phase must be told, or one sending went far astray"


@pytest.mark.parametrize("options", [{"phase": "kept"}, {"display_rounds": True}])
def test_the_phase_and_the_rounding_are_found_out_all_the_same(options: dict[str, Any]) -> None:
    for seed in range(40):
        dialect = clock_dialect(**options)
        one, other = stand(seed, dialect=dialect), stand(seed, dialect=dialect)
        brought = one.bring(worth_s=0.05)
        other.bring()
        assert (one.manner.phase, one.manner.rounds) == (other.manner.phase, other.manner.rounds)
        assert brought.measure is not None
        assert one.beyond_s(brought.measure, clock_itself=True) <= 0.0


# --- a mount that keeps its own tick ----------------------------------------------------------------


@pytest.mark.parametrize("auto", [True, False])
def test_a_mount_that_keeps_its_tick_gets_the_second_that_leaves_the_smaller_error(auto: bool) -> None:
    for seed in range(40):
        one = stand(seed, dialect=clock_dialect(phase="kept"))
        brought = one.bring(auto=auto)
        assert brought.measure is not None
        assert one.manner.phase == "kept"
        assert one.beyond_s(brought.measure, clock_itself=True) <= 0.0
        assert any(slug == "clock-phase-kept" and "s remain" in text for slug, text in brought.notes)
        if auto:  # nobody says that the display does not round
            assert MAY_ROUND in brought.measure.assumptions
            assert 2 * brought.measure.half_width_s > 0.5
            assert abs(one.error_s()) < 0.76
        else:
            assert TRUNCATES in brought.measure.assumptions
            assert brought.measure.half_width_s < 0.03
            assert abs(one.error_s()) < 0.52


def test_a_mount_that_keeps_its_tick_is_recognised_though_some_answers_are_late() -> None:
    # the least round trip and the greatest are half a second apart: two sendings alone tell nothing then
    recognised = 0
    for seed in range(60):
        one = stand(seed, dialect=clock_dialect(phase="kept"), mount_faults=[Late("late", 0.5, seed)])
        brought = one.bring()
        assert brought.measure is not None
        assert one.beyond_s(brought.measure, clock_itself=True) <= 0.0
        assert abs(one.error_s()) < 0.76
        recognised += one.manner.phase == "kept"
    assert recognised >= 45


@pytest.mark.parametrize("auto", [True, False])
def test_one_that_keeps_its_tick_and_rounds(auto: bool) -> None:
    for seed in range(40):
        one = stand(seed, dialect=clock_dialect(phase="kept", display_rounds=True))
        brought = one.bring(auto=auto)
        assert brought.measure is not None
        assert one.beyond_s(brought.measure, clock_itself=True) <= 0.0
        assert (MAY_ROUND if auto else ROUNDS) in brought.measure.assumptions
        assert abs(one.error_s()) < (0.76 if auto else 0.52)


def test_a_dialect_that_is_wrong_about_the_phase_is_not_believed() -> None:
    for seed in range(20):
        one = stand(seed, dialect=clock_dialect(phase="kept"))
        told = one.dialect
        one.dialect = clock_dialect(phase="reset")
        brought = one.bring(auto=False)
        one.dialect = told
        assert brought.measure is not None
        assert one.beyond_s(brought.measure, clock_itself=True) <= 0.0
        assert abs(one.error_s()) < 0.52


class HoldsTheSecondBack(MountFault):
    """The second time that is sent is carried out a quarter of a second late."""

    _times = 0

    def delay_s(self, mount: SimulatedMount, command: bytes, at: float) -> float:
        if command[:2] != b"SL":
            return 0.0
        self._times += 1
        if self._times != 2:
            return 0.0
        self.bite()
        return 0.25


def test_a_line_that_holds_one_setting_back_does_not_look_like_a_clock_that_keeps_its_tick() -> None:
    """The clock is right beforehand, so that its phase must be found out by a second setting, a quarter beside."""
    misled = 0
    for seed in range(30):
        fault = HoldsTheSecondBack("holds-the-second-back", 0.25, seed)
        one = stand(seed, error_s=0.0, mount_faults=[fault])
        brought = one.bring()
        misled += len(brought.sends) > 3
        assert fault.bites == 1
        assert one.manner.phase != "kept"
        assert abs(one.error_s()) < 0.02
        assert brought.measure is not None
        assert one.beyond_s(brought.measure) <= 0.0
    assert misled > 5, "some of them were, and then found it out"


# --- a display that rounds --------------------------------------------------------------------------


@pytest.mark.parametrize("auto", [True, False])
def test_a_rounding_display_is_recognised_and_never_corrected(auto: bool) -> None:
    """The clock itself ends up right, though its display is half a second ahead."""
    for seed in range(40):
        one = stand(seed, dialect=clock_dialect(display_rounds=True))
        brought = one.bring(auto=auto)
        assert one.manner.rounds is True
        assert brought.measure is not None
        assert ROUNDS in brought.measure.assumptions
        assert one.beyond_s(brought.measure, clock_itself=True) <= 0.0
        assert abs(one.error_s()) < 0.025
        assert any(slug == "clock-display-rounds" for slug, _ in brought.notes)


def test_a_truncating_display_is_never_taken_for_a_rounding_one() -> None:
    for seed in range(40):
        one = stand(seed, quirks=JITTERY if seed % 2 else Quirks((0.0, 0.15), (0.0, 0.15)))
        one.bring()
        assert not one.manner.rounds


# --- what goes on around it -------------------------------------------------------------------------


def test_a_time_that_is_taken_once_only_stands_and_is_told() -> None:
    refused = 0
    for seed in range(20):
        one = stand(seed, quirks=Quirks((0.001, 0.04), (0.0, 0.0), once_per_power_up=True))
        brought = one.bring()
        assert brought.accepted is True
        assert brought.measure is not None
        assert one.beyond_s(brought.measure) <= 0.0
        if brought.sends[-1].accepted is False:
            refused += 1
            assert len(brought.sends) == 2, "and it is asked no third time"
            assert "refused" in dict(brought.notes)["time-sent"]
    assert refused > 5


def test_a_mount_that_refuses_the_time_is_asked_no_more() -> None:
    one = stand(2, quirks=Quirks(refuses_parked=True))
    one.mount.state.parked = True
    brought = one.bring()
    assert (brought.accepted, brought.measure, len(brought.sends)) == (False, None, 1)


def test_a_clock_found_uneven_is_not_corrected_and_not_trusted() -> None:
    faulty = 0
    for seed in range(30):
        one = stand(seed, quirks=Quirks(uneven_s=0.12))
        brought = one.bring()
        assert brought.measure is not None
        faulty += brought.measure.fault is not None
    assert faulty > 5, "the second look of a `set` finds more"


def test_what_was_sent_is_recorded_with_its_real_instants() -> None:
    one = stand(3, quirks=JITTERY)
    brought = one.bring()
    for sent in brought.sends:
        value = sent.value()
        assert value["last_byte_handed_over"] == pytest.approx(sent.instant - 10 / 9600, abs=1e-9)
        assert sent.heard is not None
        assert value["last_byte_handed_over"] < value["answer_heard"]
        assert value["how"] == "in simulated time"
    heard = [change for change in one.mount.settings_written if change.name == "time"]
    assert len(heard) == len(brought.sends)


@pytest.mark.parametrize("lead_s", [0.2, 0.9, 1.8, 2.6, 4.5, 7.0])
def test_no_time_is_sent_across_midnight(lead_s: float) -> None:
    """Its date must be the next day's when all is over, whether it was set before or after."""
    utc = NOON.replace(hour=0) + dt.timedelta(hours=24 - 10.5, seconds=-lead_s)
    one = stand(1, utc=utc, error_s=0.3, quirks=Quirks((0.001, 0.04), (0.0, 0.0)))
    one.bring()
    one.clock.wait_until(one.clock.monotonic() + 12.0)
    hidden = one.mount.truth().local
    assert hidden.date() == (utc + dt.timedelta(hours=10.5, seconds=12.0)).date()
    assert abs(one.error_s()) < 0.03


def test_a_suspend_amid_the_setting_ends_it() -> None:
    """The truth stands on the monotonic clock, which did not go on: no time may be sent by it any more."""
    one = stand(1, quirks=Quirks((0.001, 0.04), (0.0, 0.0)))
    one.bring()
    assert one.setter is not None
    sent = len(one.mount.settings_written)
    one.clock.suspend(100.0)
    with pytest.raises(HostSuspended):
        one.setter.bring()
    assert len(one.mount.settings_written) == sent


def test_ut1_is_carried_by_the_phase() -> None:
    for ahead_s in (-0.0837, 0.6):
        one = stand(5, quirks=JITTERY)
        one.bring(ahead_s=ahead_s)
        assert abs(one.error_s() - ahead_s) < 0.025


@pytest.mark.parametrize("seed", range(10))
def test_bytes_lost_on_the_line_leave_a_true_interval_or_none(seed: int) -> None:
    one = stand(seed, line_faults=[DropsBytes("drops-bytes", 0.02, seed)])
    try:
        brought = one.bring(before=False)
    except Unreachable:
        return
    if brought.measure is not None and brought.measure.fault is None:
        assert one.beyond_s(brought.measure) <= 0.0


SLOW = Quirks(lag_before_s=(0.05, 0.12), lag_after_s=(0.05, 0.14))


@pytest.mark.parametrize("phase", ["reset", "kept"])
def test_a_rounding_display_of_a_slow_mount_is_recognised_or_allowed_for(phase: str) -> None:
    """Its answers bound its clock to a tenth of a second and more: half a second is told from none all the same, or
    it is said that it may round."""
    recognised = 0
    for seed in range(150):
        one = stand(
            seed, dialect=clock_dialect(display_rounds=True, phase=phase), quirks=SLOW, manner=LineManner(1200),
            drift_ppm=100.0,
        )  # fmt: skip
        brought = one.bring()
        assert brought.measure is not None
        assert one.beyond_s(brought.measure, clock_itself=True) <= 0.0, seed
        assert TRUNCATES not in brought.measure.assumptions, seed
        recognised += one.manner.rounds is True
    assert recognised == 0 if phase == "kept" else recognised > 75, f"{recognised}: most of them"


@pytest.mark.parametrize("phase", ["reset", "kept"])
def test_a_truncating_display_of_a_slow_mount_is_never_taken_for_a_rounding_one(phase: str) -> None:
    for seed in range(150):
        one = stand(seed, dialect=clock_dialect(phase=phase), quirks=SLOW, manner=LineManner(1200), drift_ppm=100.0)
        brought = one.bring()
        assert not one.manner.rounds
        assert brought.measure is not None
        assert one.beyond_s(brought.measure, clock_itself=True) <= 0.0, seed
