"""The sources of truth: this host's clock and a receiver, each with everything that can be wrong with it.

What is promised: the interval of a claim holds true UTC, unless a source lies about the time itself; and then the
truth names it, or is not established.
"""

from __future__ import annotations

import datetime as dt
import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.virtual import NIGHT, SITE

from noonmark.driver.sources import Claims
from noonmark.driver.sources.host import FLOOR_S, HostSource
from noonmark.driver.sources.receiver import RUN, SOLE_RUN, ReceiverSource
from noonmark.driver.truth import Silence, TimeClaim, Truth, establish, likely_cause
from noonmark.driver.version import BUILD_DATE
from noonmark.protocols.nmea import EpochAssembler
from noonmark.protocols.seams import Discipline, StreamError
from noonmark.sim.faults import FAULTS, build_faults
from noonmark.sim.injection import LineFault, ReceiverFault
from noonmark.sim.line import SimStream
from noonmark.sim.receiver import SimulatedReceiver
from noonmark.sim.timeline import VirtualClock

LATITUDE, LONGITUDE = SITE["latitude_deg"], SITE["longitude_deg"]
LATENCY_S = 0.9


# --- the host's clock -------------------------------------------------------------------------------


def host_claim(discipline: Discipline, *, error_s: float = 0.0, disciplined_by: str = "network") -> TimeClaim:
    clock = VirtualClock(NIGHT, discipline=discipline, host_error_s=error_s)
    (claim,) = HostSource(clock, disciplined_by=disciplined_by).claims().times
    return claim


def true_utc_minus_monotonic_s(clock: VirtualClock) -> float:
    return clock.true_utc_s() - clock.monotonic()


@pytest.mark.parametrize(
    ("error_s", "bound_s"), [(0.0, 0.02), (0.019, 0.02), (-0.019, 0.02), (0.39, 0.0), (-0.39, 0.0)]
)
def test_the_interval_of_a_kept_host_holds_utc(error_s: float, bound_s: float) -> None:
    claim = host_claim(Discipline(True, bound_s, 0.001), error_s=error_s)
    true = true_utc_minus_monotonic_s(VirtualClock(NIGHT))
    assert claim.bounded
    assert claim.low <= true <= claim.high
    assert claim.high - claim.low == pytest.approx(2 * (bound_s or 0.4), abs=1e-3)


def test_a_bound_of_nought_is_replaced_by_a_floor_and_said() -> None:
    source = HostSource(VirtualClock(NIGHT, discipline=Discipline(True, 0.0, 0.0)))
    assert FLOOR_S == 0.4
    assert source.assumption is not None
    assert "0.4 s is assumed" in source.assumption
    assert HostSource(VirtualClock(NIGHT, discipline=Discipline(True, None))).assumption is not None
    assert HostSource(VirtualClock(NIGHT, discipline=Discipline(True, 0.01))).assumption is None


@pytest.mark.parametrize("discipline", [Discipline(False, 16.0), Discipline(None, why="adjtimex was refused: EPERM")])
def test_a_host_that_is_not_known_to_be_kept_has_no_interval(discipline: Discipline) -> None:
    claim = host_claim(discipline)
    assert not claim.bounded
    assert claim.origin == "host"


@pytest.mark.parametrize(("by", "origin"), [("network", "network"), ("gnss", "gnss")])
def test_a_host_kept_by_the_receiver_is_of_its_origin(by: str, origin: str) -> None:
    assert host_claim(Discipline(True, 0.01), disciplined_by=by).origin == origin


@pytest.mark.parametrize("step_s", [0.5, -0.5, 3600.0, -86400.0])
def test_a_step_of_the_hosts_clock_is_noticed(step_s: float) -> None:
    clock = VirtualClock(NIGHT, discipline=Discipline(True, 0.01))
    source = HostSource(clock)
    clock.wait_until(clock.monotonic() + 10.0)
    assert source.recheck() == ""
    clock.step_host(step_s)
    assert "stepped" in source.recheck()
    assert source.code == "host-clock-stepped"
    assert source.claims().times == []
    assert source.claims().silences[0].cause == "host-clock-stepped"


@pytest.mark.parametrize("asleep_s", [0.2, 30.0, 3600.0])
def test_a_suspend_is_noticed(asleep_s: float) -> None:
    clock = VirtualClock(NIGHT, discipline=Discipline(True, 0.01))
    source = HostSource(clock)
    clock.suspend(asleep_s)
    assert "suspended" in source.recheck()
    assert source.code == "host-suspended"
    assert source.claims().times == []


def test_a_step_beyond_the_systems_own_bound_is_noticed_and_one_within_it_leaves_its_claim_true() -> None:
    for bound_s, step_s, noticed in ((0.01, 0.06, True), (0.01, -0.06, True), (0.09, 0.06, False), (0.0, 0.06, False)):
        clock = VirtualClock(NIGHT, discipline=Discipline(True, bound_s))
        source = HostSource(clock)
        clock.wait_until(clock.monotonic() + 10.0)
        clock.step_host(step_s)
        assert ("stepped" in source.recheck()) == noticed, (bound_s, step_s)


@pytest.mark.parametrize("asleep_s", [0.01, 0.03])
def test_a_short_suspend_is_noticed(asleep_s: float) -> None:
    """What was asked before it and after it does not go together to milliseconds."""
    clock = VirtualClock(NIGHT, discipline=Discipline(True, 0.01))
    source = HostSource(clock)
    clock.suspend(asleep_s)
    assert f"suspended for {asleep_s:.2f} s" in source.recheck()


def test_a_program_kept_waiting_while_it_reads_the_clocks_was_not_suspended() -> None:
    class Busy(VirtualClock):
        """Another program has the processor for a while, now and then, before any clock is read."""

        kept_s = 0.0

        def monotonic(self) -> float:
            self.wait_until(super().monotonic() + self.kept_s)
            return super().monotonic()

    clock = Busy(NIGHT, discipline=Discipline(True, 0.01))
    source = HostSource(clock)
    clock.kept_s = 0.3
    assert source.recheck() == ""


def test_a_slewed_clock_is_no_step() -> None:
    """500 ppm is the greatest rate at which a clock is slewed (adjtimex(2), RFC 5905 on the kernel discipline)."""
    clock = VirtualClock(NIGHT, discipline=Discipline(True, 0.01), host_rate_ppm=500.0)
    source = HostSource(clock)
    clock.wait_until(clock.monotonic() + 600.0)
    assert source.recheck() == ""


# --- a receiver -------------------------------------------------------------------------------------


class Collected:
    """A receiver that was listened to until it had said enough."""

    def __init__(
        self,
        *faults: str,
        seed: int = 0,
        utc: dt.datetime = NIGHT,
        wanted: int = RUN,
        newest_record_s: float = 0.0,
        line: tuple[LineFault, ...] = (),
        extra: tuple[ReceiverFault, ...] = (),
        **options: Any,
    ) -> None:
        self.clock = VirtualClock(utc)
        self.faults = (*build_faults(faults, seed).receiver, *extra)
        where = {"latitude_deg": LATITUDE, "longitude_deg": LONGITUDE, "altitude_m": 212.0} | options
        receiver = SimulatedReceiver(timeline=self.clock, seed=seed, faults=self.faults, **where)
        self.stream = SimStream(receiver, self.clock, faults=line)
        self.source = ReceiverSource(
            "nmea:1", self.stream, EpochAssembler(), self.clock.monotonic, latency_s=LATENCY_S, epochs_wanted=wanted,
            newest_record_s=newest_record_s,
        )  # fmt: skip
        self.started = self.clock.monotonic()
        while not self.source.done:
            self.source.collect(self.clock.monotonic() + 0.25)
        self.took_s = self.clock.monotonic() - self.started
        self.claims: Claims = self.source.claims()

    @property
    def true(self) -> float:
        return true_utc_minus_monotonic_s(self.clock)

    @property
    def claim(self) -> TimeClaim:
        (claim,) = self.claims.times
        return claim

    @property
    def silence(self) -> Silence:
        (silence,) = self.claims.silences
        return silence

    def truth(self, host_error_s: float = 0.0) -> Truth:
        """Together with a synchronised host, as the policy has it by default."""
        from noonmark.driver.site import Site

        network = TimeClaim("host", "network", self.true + host_error_s - 0.02, self.true + host_error_s + 0.02)
        return establish(
            [*self.claims.times, network], self.claims.places, self.claims.silences, Site(**SITE),
            time_origins_required=2, place_origins_required=2, site_tolerance_m=500.0,
        )  # fmt: skip


HONEST = ["", "cold-start", "lateness-wanders", "stale-burst", "checksum-errors", "binary-between", "position-walks",
          "place-jumps", "elsewhere", "other-hemisphere", "five-hertz", "other-talkers"]  # fmt: skip
LIARS = ["rollover", "leap-missing", "labels-next-second"]
MUTE = ["no-fix", "null-island", "simulator-mode", "says-nothing"]


def test_every_fault_of_a_receiver_is_tried_here() -> None:
    named = {name for name, row in FAULTS.items() if row.kind == "receiver"}
    assert named == set(HONEST[1:]) | set(LIARS) | set(MUTE) | {"time-jumps"}


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("fault", HONEST)
def test_the_interval_holds_utc_whatever_else_is_wrong(fault: str, seed: int) -> None:
    wanted = SOLE_RUN if fault == "place-jumps" else RUN  # it jumps after 15 s
    heard = Collected(*filter(None, [fault]), seed=seed, wanted=wanted)
    assert all(one.bites for one in heard.faults)
    if not heard.claims.times:
        assert not heard.truth().time_established
        return
    assert heard.claim.low <= heard.true <= heard.claim.high
    assert heard.claim.high - heard.claim.low <= LATENCY_S + 0.02
    assert heard.truth().time_established


@pytest.mark.parametrize("fault", ["lateness-wanders", "stale-burst", "checksum-errors", "five-hertz", "cold-start"])
def test_what_a_receiver_can_get_over_it_gets_over(fault: str) -> None:
    """In at least five of six cases a claim comes of it after all."""
    assert sum(bool(Collected(fault, seed=seed).claims.times) for seed in range(6)) >= 5


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(
    ("fault", "cause"), [("rollover", "week-rollover"), ("leap-missing", "leap-seconds-missing"),
                         ("leap-missing:1", "leap-seconds-missing"), ("labels-next-second", "leap-seconds-missing")]
)  # fmt: skip
def test_a_receiver_that_lies_about_time_is_never_believed_and_is_named(fault: str, cause: str, seed: int) -> None:
    heard = Collected(fault, seed=seed)
    assert not heard.claim.low <= heard.true <= heard.claim.high
    truth = heard.truth()
    assert not truth.time_established
    gap = (heard.claim.low + heard.claim.high) / 2 - heard.true
    assert likely_cause(gap, "gnss")[0] == cause
    assert next(one.cause for one in truth.verdicts if one.source == "nmea:1") == cause


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(
    ("fault", "cause"),
    [("no-fix", "receiver-no-fix"), ("null-island", "receiver-no-fix"), ("simulator-mode", "receiver-simulated"),
     ("says-nothing", "receiver-silent")],
)  # fmt: skip
def test_a_receiver_without_a_fix_says_nothing_that_counts_and_is_named(fault: str, cause: str, seed: int) -> None:
    """Status V with a plausible time, a fix at 0,0, a simulator's mode, or silence: no claim of either kind."""
    heard = Collected(fault, seed=seed)
    assert heard.claims.times == []
    assert heard.claims.places == []
    assert heard.silence.cause == cause
    assert heard.silence.why
    assert not heard.truth().established


def test_silence_is_given_up_sooner_than_a_cold_start() -> None:
    assert Collected("says-nothing").took_s < 8.0
    assert Collected("no-fix").took_s < 40.0
    assert Collected("cold-start").claims.times


@pytest.mark.parametrize(("fault", "cause"), [("elsewhere", "site-of-another-place"),
                                              ("other-hemisphere", "latitude-sign-reversed")])  # fmt: skip
def test_a_receiver_elsewhere_contradicts_the_site_and_is_named(fault: str, cause: str) -> None:
    truth = Collected(fault).truth()
    assert truth.time_established
    assert not truth.established
    assert truth.code == "place-contradicted"
    assert next(one.cause for one in truth.verdicts if one.kind == "place" and one.source == "nmea:1") == cause


@pytest.mark.parametrize("seed", range(3))
def test_a_time_that_jumps_after_its_claim_is_noticed(seed: int) -> None:
    heard = Collected("time-jumps", seed=seed)
    assert heard.claim.low <= heard.true <= heard.claim.high  # it jumps only after 15 s
    assert heard.source.jumped() == ""
    heard.clock.wait_until(heard.started + 22.0)
    heard.source.drain()
    assert "jumped" in heard.source.jumped()


@pytest.mark.parametrize("seed", range(3))
def test_a_time_that_jumps_amid_a_run_breaks_it(seed: int) -> None:
    heard = Collected("time-jumps:7200", seed=seed, wanted=SOLE_RUN)
    assert heard.source.done
    for claim in heard.claims.times:
        lies = not claim.low <= heard.true <= claim.high
        assert not lies or not heard.truth().time_established


class QuickBurst(ReceiverFault):
    """At opening, `amount` seconds' worth of epochs at the receiver's own rate lie in the buffer."""

    def opened(self, receiver: SimulatedReceiver, at: float) -> bytes:
        self.bite()
        count = round(self.amount * receiver.rate_hz)
        now = math.floor(receiver.timeline.true_utc_at(at) * receiver.rate_hz)
        epochs = (receiver.epoch_of((now - ago) / receiver.rate_hz) for ago in range(count, 0, -1))
        return b"".join(sentence for epoch in epochs for sentence in receiver.say(epoch))


@pytest.mark.parametrize("rate_hz", [1.0, 5.0, 10.0, 20.0])
@pytest.mark.parametrize("seconds", [1.0, 1.1, 2.0, 8.0])
def test_what_lay_in_the_buffer_is_never_taken_for_now(rate_hz: float, seconds: float) -> None:
    """At several epochs a second no single step of the burst exceeds 0.2 s; all of it together does."""
    burst = QuickBurst("burst", seconds, 0)
    heard = Collected(
        extra=(burst,), rate_hz=rate_hz, lateness=(0.02, 0.04), sentences=("RMC",), baud=115200,
    )  # fmt: skip
    assert burst.bites == 1
    assert heard.claim.low <= heard.true <= heard.claim.high


@pytest.mark.parametrize("late_s", [0.01, 0.4, 0.7, 0.85])
def test_a_constant_lateness_within_the_bound_is_covered(late_s: float) -> None:
    heard = Collected(lateness=(late_s, late_s))
    assert heard.claim.low <= heard.true <= heard.claim.high


def test_a_receiver_later_than_its_bound_contradicts_a_kept_host() -> None:
    heard = Collected(lateness=(1.4, 1.4))
    assert not heard.claim.low <= heard.true <= heard.claim.high
    assert heard.truth().code == "sources-disagree"


def test_a_line_that_vanishes_is_silent_with_its_reason() -> None:
    class Gone(LineFault):
        def gone(self, at: float) -> bool:
            return at > 1005.0

    heard = Collected(line=(Gone("gone", 0.0, 0),))
    assert heard.claims.times == []
    assert "unplugged" in heard.silence.why


def test_a_receiver_that_could_not_be_opened_is_silent_with_its_reason() -> None:
    source = ReceiverSource("nmea:1", None, EpochAssembler(), lambda: 0.0, latency_s=0.9, trouble="no such port")
    assert source.done
    assert source.claims().silences == [Silence("nmea:1", "gnss", "no such port")]
    source.close()


# --- alone ------------------------------------------------------------------------------------------


def test_a_sole_receiver_needs_thirty_epochs() -> None:
    assert "of 30" in Collected().claim.alone_not
    assert Collected(wanted=SOLE_RUN).claim.alone_not == ""


def build_utc() -> dt.datetime:
    return dt.datetime(BUILD_DATE.year, BUILD_DATE.month, BUILD_DATE.day, tzinfo=dt.UTC)


@pytest.mark.parametrize(
    ("utc", "newest", "expected"),
    [
        (build_utc() - dt.timedelta(days=2), None, "before this program was built"),
        (build_utc() + dt.timedelta(days=7169), None, "7168 days or more"),
        (build_utc() + dt.timedelta(days=30), build_utc() + dt.timedelta(days=31), "before the newest record"),
        (build_utc() + dt.timedelta(days=30), build_utc() + dt.timedelta(days=29), ""),
        (build_utc() + dt.timedelta(days=7166), None, ""),
    ],
)
def test_a_sole_receivers_date_must_be_possible(utc: dt.datetime, newest: dt.datetime | None, expected: str) -> None:
    newest_s = newest.timestamp() if newest is not None else 0.0
    told = Collected(utc=utc, wanted=SOLE_RUN, newest_record_s=newest_s).claim.alone_not
    assert expected in told
    assert bool(told) == bool(expected)


# --- place ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("latitude", "longitude"), [(LATITUDE, LONGITUDE), (-17.0, 179.99999), (64.0, -179.99999)])
def test_the_place_is_the_median_of_the_epochs_across_any_meridian(latitude: float, longitude: float) -> None:
    heard = Collected(latitude_deg=latitude, longitude_deg=longitude, noise_m=5.0)
    (place,) = heard.claims.places
    assert place.latitude_deg == pytest.approx(latitude, abs=1e-4)
    assert (place.longitude_deg - longitude + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=2e-4)
    assert -180.0 <= place.longitude_deg <= 180.0
    assert place.radius_m >= 25.0


# --- anything at all --------------------------------------------------------------------------------


class Bytes:
    """A stream of given bytes, all at once, a second apart."""

    def __init__(self, chunks: list[bytes], clock: VirtualClock) -> None:
        self._chunks, self._clock = list(chunks), clock

    @property
    def address(self) -> str:
        return "bytes"

    def read(self, until: float) -> list[tuple[float, bytes]]:
        self._clock.wait_until(min(until, self._clock.monotonic() + 1.0))
        if self._chunks:
            return [(self._clock.monotonic(), self._chunks.pop(0))]
        raise StreamError("over", code="port-vanished")

    def write(self, data: bytes) -> None:
        raise StreamError("never")

    def close(self) -> None:
        """Nothing."""


SENTENCE = st.sampled_from(
    [b"$GPRMC,123456.00,A,3151.4260,S,14136.2040,E,0.02,,241126,,,A*5B\r\n",
     b"$GPZDA,123456.00,24,11,2026,00,00*61\r\n", b"$GPRMC,,V,,,,,,,,,,N*53\r\n", b"$", b"\r\n", b"*00"]
)  # fmt: skip


@settings(max_examples=60)
@given(st.lists(st.one_of(st.binary(max_size=100), SENTENCE), max_size=40))
def test_arbitrary_bytes_never_stop_it_and_never_give_a_claim_out_of_nothing(chunks: list[bytes]) -> None:
    clock = VirtualClock(NIGHT)
    source = ReceiverSource("nmea:1", Bytes(chunks, clock), EpochAssembler(), clock.monotonic, latency_s=0.9)
    start = clock.monotonic()
    while not source.done:
        source.collect(clock.monotonic() + 0.25)
        assert clock.monotonic() < start + 120.0
    claims = source.claims()
    assert claims.times == []
    assert claims.silences[0].why.isprintable()
