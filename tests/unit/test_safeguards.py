"""The last safeguards, one by one: each is also covered by another on most days, and has its own test for the rest."""

from __future__ import annotations

import dataclasses
import datetime as dt
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any, ClassVar

import pytest
from support.campaign_cases import Case, FaultDraw
from support.campaign_judge import wrong_items
from support.campaign_run import Bench, bench
from support.lawbreaking import Answers, AtFirstWrite, instant_disk  # noqa: F401 - a disk that needn't be waited for
from support.virtual import NIGHT, SITE, rig

from noonmark.driver import check, restore, set_mount
from noonmark.driver.conventions import Convention
from noonmark.driver.mount import Talk
from noonmark.driver.result import Result
from noonmark.driver.site import Site
from noonmark.driver.sources.receiver import ReceiverSource
from noonmark.driver.ticking.clockmanner import ClockManner
from noonmark.driver.ticking.clockmeasure import ClockMeasure
from noonmark.driver.ticking.ticks import Ticks
from noonmark.driver.truth import TimeClaim, establish
from noonmark.driver.writing import Target, latitude_there, longitude_there, offset_there
from noonmark.protocols import lx
from noonmark.protocols.epochs import Epoch
from noonmark.protocols.seams import Exchange, ReplyReader
from noonmark.sim import sky
from noonmark.sim.faults import build_fault
from noonmark.sim.injection import MountFault
from noonmark.sim.mount import SimulatedMount
from noonmark.sim.state import Pointing, right
from noonmark.sim.timeline import VirtualClock


def run(case: Case, verb: Callable[..., Result] = set_mount) -> tuple[Bench, Result]:
    with tempfile.TemporaryDirectory() as folder:
        one = bench(case, Path(folder))
        return one, verb(one.config, seams=one.seams)


def wild(*faults: FaultDraw | str, **values: Any) -> Case:
    drawn = tuple(FaultDraw(one) if isinstance(one, str) else one for one in faults)
    return dataclasses.replace(Case("safeguard", "wild", faults=drawn), **values)


# --- the last look ----------------------------------------------------------------------------------

LAST_READINGS = 7  # offset, latitude, time, longitude, date, sidereal time; and the command that changed it all


class Moves(MountFault):
    """As command number `amount` arrives, another hand changes one thing."""

    heard_of = 0
    values: ClassVar[dict[str, float]] = {}

    def delay_s(self, mount: SimulatedMount, command: bytes, at: float) -> float:
        self.heard_of += 1
        if self.heard_of == self.amount:
            mount.firmware.overwrite(self.values, at)
            self.bite()
        return 0.0


class MovesLatitude(Moves):
    values: ClassVar[dict[str, float]] = {"latitude_deg": -31.5}


class MovesLongitude(Moves):
    values: ClassVar[dict[str, float]] = {"longitude_deg": 141.0}


@pytest.mark.parametrize("kind", [MovesLatitude, MovesLongitude])
def test_what_changes_while_the_clock_is_measured_for_the_last_time_is_seen(kind: type[Moves]) -> None:
    bitten = 0
    for number in range(60, 200, 3):
        with tempfile.TemporaryDirectory() as folder:
            one = bench(Case("safeguard", "wild"), Path(folder))
            fault = kind("moves", float(number), 0)
            one.mount.faults.append(fault)
            result = set_mount(one.config, seams=one.seams)
        asked = sum(row.direction == ">" for row in one.mount.trace)
        now = one.clock.monotonic()
        if result.outcome == "confirmed" and wrong_items(one, one.mount.truth(now), now, 1.0):
            assert number > asked - LAST_READINGS, (number, asked)
        bitten += fault.bites
    assert bitten > 20


def test_the_clock_is_brought_nearer_though_it_lies_within_the_tolerance() -> None:
    one, result = run(Case("safeguard", start={"kind": "right", "error_s": 0.5}))
    assert (result.outcome, result.written) == ("confirmed", ("time",))
    assert abs(one.mount.truth().utc_error_s) < 0.1  # policy.clock_rewrite_s


@pytest.mark.parametrize("told", ["the truth", "the other hemisphere's"])
def test_a_latitude_that_the_sky_contradicts_is_discrepant(tmp_path: Path, told: str) -> None:
    state = right(NIGHT, SITE["latitude_deg"], SITE["longitude_deg"], 10.5)
    state.pointing = Pointing("pier", 2.0, -10.0)  # the tube stands two hours from the meridian
    altitude_deg, _ = sky.horizon_deg(2.0, 0.0, -10.0, -SITE["latitude_deg"])
    answers = {"GA": b"%+03d*%02d#" % divmod(round(altitude_deg * 60), 60)} if told != "the truth" else {}
    one = rig(tmp_path, state=state, mount_faults=[Answers(**answers)])
    result = check(one.config, seams=one.seams)
    expected = ("confirmed", "confirmed") if told == "the truth" else ("discrepant", "latitude-sign-contradicted")
    assert (result.outcome, result.code) == expected


def test_a_receiver_whose_time_jumps_after_the_writes_leaves_nothing_confirmed() -> None:
    one, result = run(wild(receivers=({"faults": ["time-jumps:3600"]},)))
    assert (result.outcome, result.code) == ("incomplete", "receiver-time-jumps")
    assert one.mount.settings_written


# --- slewing ----------------------------------------------------------------------------------------


def test_a_mount_that_began_to_slew_is_not_written_to_again() -> None:
    """It slews from the first sending of the time on; the longitude was not taken, and another pass would be due."""

    def slew(mount: SimulatedMount) -> None:
        mount.state.slewing = True

    with tempfile.TemporaryDirectory() as folder:
        one = bench(Case("safeguard"), Path(folder))
        refusing = build_fault("acknowledges-only")
        assert isinstance(refusing, MountFault)
        refusing.letters = b"Sg"  # type: ignore[attr-defined]
        one.mount.faults += [refusing, AtFirstWrite(slew, b":SL")]
        result = set_mount(one.config, seams=one.seams)
    assert (result.outcome, result.code) == ("incomplete", "mount-slewing")
    sent = [row.data[:3] for row in one.mount.trace if row.data.startswith(b":S")]
    assert set(sent[sent.index(b":SL") :]) == {b":SL"}, "the clock of that pass is brought right, and no more"


def test_a_mount_that_slewed_while_it_was_read_is_refused_though_it_has_come_to_rest() -> None:
    class ComesToRest(MountFault):
        def after(self, mount: SimulatedMount, command: bytes, at: float) -> None:
            if command == b"GS":
                mount.state.slewing = False
                self.bite()

    with tempfile.TemporaryDirectory() as folder:
        one = bench(Case("safeguard", "wild", start={"kind": "factory", "slewing": True}), Path(folder))
        one.mount.faults.append(ComesToRest("comes-to-rest", 0.0, 0))
        result = set_mount(one.config, seams=one.seams)
    assert (result.outcome, result.code) == ("refused", "mount-slewing")
    assert not one.mount.settings_written


def test_nothing_is_put_back_into_a_mount_that_slews() -> None:
    with tempfile.TemporaryDirectory() as folder:
        one = bench(Case("safeguard"), Path(folder))
        assert set_mount(one.config, seams=one.seams).outcome == "confirmed"
        written = len(one.mount.settings_written)
        one.mount.state.slewing = True
        result = restore(one.config, seams=one.seams)
    assert (result.outcome, result.code) == ("refused", "mount-slewing")
    assert len(one.mount.settings_written) == written


@pytest.mark.parametrize("fault", [None, "silent:40", "vanishes:40", "refuses-setting", "starts-slewing:5"])
def test_the_line_is_let_go_of_whatever_comes_of_the_run(fault: str | None) -> None:
    one, _ = run(wild(*[fault] if fault else []))
    assert one.links
    assert all(link.closed for link in one.links)


# --- midnight ---------------------------------------------------------------------------------------


def test_no_time_is_sent_beside_local_midnight() -> None:
    midnight = dt.datetime(2026, 11, 26, 13, 30, tzinfo=dt.UTC)  # 00:00 at Saltbush Ridge, UTC+10:30
    sent = 0
    for tenths in range(60, 160, 2):
        one, result = run(Case("safeguard", utc=(midnight - dt.timedelta(seconds=tenths / 10)).isoformat()))
        assert result.outcome == "confirmed", result.reason
        for change in one.mount.settings_written:
            if change.name == "time":
                beside_s = one.clock.true_utc_at(change.instant) - midnight.timestamp()
                assert abs(beside_s) > 1.0, (tenths, beside_s)
                sent += 1
    assert sent >= 50


# --- readings ---------------------------------------------------------------------------------------


class Line:
    """A line that answers from a list: (question, answer, bytes that lay there before)."""

    address, byte_s = "list:", 0.001

    def __init__(self, clock: VirtualClock, answers: list[tuple[bytes, bytes, bytes]]) -> None:
        self.clock, self.answers = clock, answers

    def exchange(
        self, request: bytes, reader: ReplyReader, deadline: float, *, last_byte_at: float | None = None
    ) -> Exchange:
        question, answer, stray = self.answers.pop(0)
        assert request == question
        begun = self.clock.monotonic()
        reader.feed(answer)
        self.clock.wait_until(begun + 0.01 if answer else deadline)
        ended = self.clock.monotonic()
        return Exchange(request, answer, begun, begun, ended, ended, reader.state == "done", stray=stray)

    def silence(self, quiet_s: float, deadline: float) -> bytes:
        self.clock.wait_until(self.clock.monotonic() + quiet_s)
        return b""

    def close(self) -> None: ...


def talk(answers: list[tuple[bytes, bytes, bytes]]) -> Talk:
    clock = VirtualClock(NIGHT)
    return Talk(Line(clock, answers), clock, 2.0, clock.monotonic() + 90.0)


IN_STEP = [(b":GC#", b"11/24/26#", b""), (b":GL#", b"23:04:56#", b"")]


def test_a_right_answer_beside_bytes_of_something_else_is_asked_for_again() -> None:
    """What lay there may be the answer, and this one belong to the question before it."""
    answers = [(b":Gt#", b"-31*51#", b"+40*0"), *IN_STEP, (b":Gt#", b"-31*52#", b"")]
    value, _, _ = talk(answers).ask("get-latitude", lx.parse_latitude)
    assert value.value_deg == pytest.approx(-31 - 52 / 60)
    assert not answers


def test_in_step_are_two_right_answers_of_different_shape() -> None:
    """A date that comes one late answers the question for the date, and then the one for the time as well."""
    answers = [
        (b":Gt#", b"nonsense#", b""), (b":GC#", b"11/24/26#", b""), (b":GL#", b"11/24/26#", b""), *IN_STEP,
        (b":Gt#", b"-31*51#", b""),
    ]  # fmt: skip
    value, _, _ = talk(answers).ask("get-latitude", lx.parse_latitude)
    assert value.value_deg == pytest.approx(-31.85)
    assert not answers


def test_what_was_written_is_there_only_with_its_sign_and_to_the_hour() -> None:
    target = Target(Convention(), -31.8571, 141.6034, 10.5)
    assert latitude_there(lx.Angle(-31.85, 1 / 60, True), target)
    assert not latitude_there(lx.Angle(31.85, 1 / 60, True), target)
    assert longitude_there(lx.Angle(360 - 141.6, 1 / 60, False), target)
    assert not longitude_there(lx.Angle(141.6, 1 / 60, False), target)
    assert offset_there(lx.OffsetText(-10.5, 0.1), target)
    assert not offset_there(lx.OffsetText(-9.5, 0.1), target)
    assert not offset_there(lx.OffsetText(10.5, 0.1), target)


# --- sources and clock ------------------------------------------------------------------------------


def test_half_of_the_sources_are_no_majority() -> None:
    """RFC 5905, 11.2.1: fewer than half may be outside. Here a host and a receiver agree, and two receivers do."""
    claims = [
        TimeClaim("host", "network", 0.0, 0.1), TimeClaim("nmea:1", "gnss", 0.0, 0.2),
        TimeClaim("nmea:2", "gnss", 5.0, 6.0), TimeClaim("nmea:3", "gnss", 5.0, 6.0),
    ]  # fmt: skip
    site = Site(**SITE)
    policy = {"time_origins_required": 1, "place_origins_required": 1}
    truth = establish(claims, [], [], site, **policy, site_tolerance_m=500.0)
    assert (truth.time_established, truth.code) == (False, "sources-disagree")
    assert establish(claims[:3], [], [], site, **policy, site_tolerance_m=500.0).time_established


def test_an_epoch_that_does_not_count_ends_the_run_of_those_that_do() -> None:
    clock = VirtualClock(NIGHT)

    class Receiver:
        """One epoch a second; the tenth is of no use."""

        address = "list:"
        number = 0

        def read(self, until: float) -> list[tuple[float, bytes]]:
            self.number += 1
            clock.wait_until(clock.monotonic() + 1.0)
            return [(clock.monotonic(), b"x")]

        def write(self, data: bytes) -> None: ...

        def close(self) -> None: ...

        def feed(self, chunk: bytes, instant: float | None = None) -> list[Epoch]:
            utc = dt.datetime.fromtimestamp(clock.true_utc_s() - 0.1, dt.UTC)
            usable = self.number != 10
            return [
                Epoch(
                    utc,
                    -31.8571,
                    141.6034,
                    212.0,
                    0.9,
                    9,
                    usable,
                    usable,
                    "" if usable else "no-fix: no fix",
                    instant,
                    False,
                )
            ]

        def flush_older_than(self, instant: float) -> list[Epoch]:
            return []

        def finish(self) -> list[Epoch]:
            return []

    receiver = Receiver()
    source = ReceiverSource("list", receiver, receiver, clock.monotonic, latency_s=0.9)
    for _ in range(11):
        source.collect(clock.monotonic() + 1.0)
    assert not source.done
    assert not source.claims().times, "nine, one of no use, and one"
    for _ in range(9):
        source.collect(clock.monotonic() + 1.0)
    assert source.claims().times


def test_a_fault_found_since_the_clock_was_set_is_not_forgotten_at_a_look_that_misses_it() -> None:
    manner = ClockManner(since=Ticks())
    assert manner.taken(ClockMeasure(0.0, 0.1, samples=9, fault="uneven", evidence=Ticks())).fault == "uneven"
    assert manner.taken(ClockMeasure(0.0, 0.1, samples=9, evidence=Ticks())).fault == "uneven"
