"""Every fault bites where it is injected and does what its row says; a row without its test fails here."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.virtual import rig as virtual

from noonmark.driver import check
from noonmark.protocols.dialect import build_dialect
from noonmark.protocols.lx import COMMANDS
from noonmark.protocols.seams import LinkError
from noonmark.sim.faults import FAULTS, FaultError, FaultSet, build_fault, build_faults
from noonmark.sim.line import LineManner, SimLink, SimStream
from noonmark.sim.mount import SimulatedMount
from noonmark.sim.receiver import SimulatedReceiver
from noonmark.sim.state import Quirks, right
from noonmark.sim.timeline import VirtualClock

NOW = dt.datetime(2026, 10, 21, 11, 5, 30, tzinfo=dt.UTC)
OUTCOMES = {"confirmed", "discrepant", "incomplete", "untrusted", "unreachable", "refused"}
SETTINGS = (b":SC10/22/26#", b":SL12:00:00#", b":SG-09.5#", b":Sg218*30#", b":St-31*52#")


class Listener:
    """Takes whatever comes within a second."""

    state, grace_s, rest = "more", 0.0, b""

    def feed(self, chunk: bytes) -> None:
        pass


class Rig:
    """A rightly set mount with faults, and the line to it."""

    def __init__(self, *specs: str, seed: int = 1, tables: dict[str, Any] | None = None) -> None:
        self.clock = VirtualClock(NOW)
        self.faults = build_faults(specs, seed)
        self.mount = SimulatedMount(
            build_dialect({"name": "tested", **(tables or {})}, "test"),
            timeline=self.clock,
            state=right(NOW, -31.85, 141.6, 10.5),
            quirks=Quirks(lag_before_s=(0.001, 0.001), lag_after_s=(0.001, 0.001)),
            faults=self.faults.mount,
        )
        self.open()

    def open(self) -> None:
        self.link = SimLink(self.mount, self.clock, manner=LineManner(baud=115200), faults=self.faults.line)

    def ask(self, request: bytes, within_s: float = 1.0) -> bytes:
        """All that comes within so many seconds, strays included."""
        got = self.link.exchange(request, Listener(), self.clock.monotonic() + within_s)
        return got.stray + got.reply

    def answers(self, request: bytes, count: int) -> list[bytes]:
        return [self.ask(request) for _ in range(count)]

    @property
    def bites(self) -> list[int]:
        return [fault.bites for fault in self.faults.all]


# --- the table -------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", FAULTS)
def test_a_row_says_what_it_does_and_which_outcomes_are_honest(name: str) -> None:
    row = FAULTS[name]
    assert row.what
    assert row.allowed
    assert set(row.allowed) <= OUTCOMES
    assert build_fault(name).name == name
    assert (row.kind == "receiver") or "untrusted" not in row.allowed


def test_unknown_faults_and_wrong_amounts_are_named() -> None:
    for spec, named in [("lat", "late"), ("late:x", "1.5"), ("late:nan", "late"), ("half-reply:2", "no amount")]:
        with pytest.raises(FaultError, match=named):
            build_fault(spec)


@pytest.mark.parametrize("name", [name for name, row in FAULTS.items() if row.unit])
def test_an_amount_is_such_as_the_device_can_carry_out(name: str) -> None:
    """At both ends of what is taken an ordinary run ends in an outcome; beyond them the amount is refused."""
    row = FAULTS[name]
    least, most = row.within
    assert least <= row.amount <= most
    for amount in (least - 1, most * 2 + 1):
        with pytest.raises(FaultError, match=re.escape(f"from {least:g} to {most:g}")):
            build_fault(f"{name}:{amount!r}")
    for amount in (least, most):
        faults = build_faults([f"{name}:{amount:g}"])
        with TemporaryDirectory() as folder:
            one = virtual(folder, mount_faults=faults.mount, line_faults=faults.line, receiver_faults=faults.receiver)
            assert check(one.config, seams=one.seams).outcome is not None


def test_faults_repeat_from_a_seed() -> None:
    def run(seed: int) -> list[bytes]:
        return Rig("flips-said:0.3", "drops-heard:0.3", seed=seed).answers(b":GL#", 40)

    assert run(1) == run(1) != run(2)


# --- mount -----------------------------------------------------------------------------------------

MOUNT_TESTS: dict[str, Callable[[], None]] = {}


def proves(name: str) -> Callable[[Callable[[], None]], Callable[[], None]]:
    """The proof of a mount's or a line's fault."""

    def register(proof: Callable[[], None]) -> Callable[[], None]:
        MOUNT_TESTS[name] = proof
        return proof

    return register


@proves("silent")
def _() -> None:
    assert Rig("silent").answers(b":GC#", 3) == [b"", b"", b""]
    assert Rig("silent:2").answers(b":GC#", 3) == [b"10/21/26#", b"10/21/26#", b""]


@proves("late")
def _() -> None:
    rig = Rig("late:1.5")
    answers = rig.answers(b":GC#", 8)
    assert b"" in answers  # not within a second
    assert b"10/21/26#10/21/26#" in answers  # and then with the next one
    assert sum(answer.count(b"#") for answer in answers) == 8


@proves("one-reply-late")
def _() -> None:
    answers = Rig("one-reply-late").answers(b":GC#", 8)
    assert answers[answers.index(b"") + 1] == b"10/21/26#10/21/26#"


@proves("half-reply")
def _() -> None:
    assert b"10/2" in Rig("half-reply").answers(b":GC#", 5)


@proves("doubled-reply")
def _() -> None:
    assert b"10/21/26#10/21/26#" in Rig("doubled-reply").answers(b":GC#", 5)


@proves("drops-said")
def _() -> None:
    assert min(len(answer) for answer in Rig("drops-said").answers(b":GC#", 5)) == 8


@proves("flips-said")
def _() -> None:
    damaged = [answer for answer in Rig("flips-said").answers(b":GC#", 5) if answer != b"10/21/26#"]
    assert damaged
    for answer in damaged:
        assert sum((a ^ b).bit_count() for a, b in zip(answer, b"10/21/26#", strict=True)) == 1


@proves("drops-heard")
def _() -> None:
    rig = Rig("drops-heard")
    assert set(rig.answers(b":GC#", 5)) != {b"10/21/26#"}
    assert {data for _, data in rig.link.requests} == {b":GC#"}  # the program sent it whole


@proves("flips-heard")
def _() -> None:
    assert set(Rig("flips-heard").answers(b":GC#", 5)) != {b"10/21/26#"}


@proves("noise")
def _() -> None:
    answers = Rig("noise").answers(b":GC#", 5)
    assert max(map(len, answers)) > 9
    assert all(answer.endswith(b"10/21/26#") for answer in answers)


@proves("busy")
def _() -> None:
    answers = Rig("busy:2.5").answers(b":GC#", 8)
    assert answers.count(b"") == 2
    assert b"10/21/26#" * 3 in answers


@proves("refuses-setting")
def _() -> None:
    rig = Rig("refuses-setting")
    assert sorted(rig.ask(setting) for setting in SETTINGS) == [b"0", b"1", b"1", b"1", b"1"]
    assert len(rig.mount.settings_written) == 4


@proves("acknowledges-only")
def _() -> None:
    rig = Rig("acknowledges-only")
    assert [rig.ask(setting) for setting in SETTINGS] == [b"1"] * 5
    assert len(rig.mount.settings_written) == 4


@proves("clamps-value")
def _() -> None:
    rig = Rig("clamps-value")
    assert [rig.ask(setting) for setting in SETTINGS] == [b"1"] * 5
    assert rig.ask(b":Gg#:Gt#:GG#") == b"100*30#-30*52#-08.5#"


@proves("truncates-value")
def _() -> None:
    rig = Rig("truncates-value")
    assert [rig.ask(setting) for setting in SETTINGS] == [b"1"] * 5
    assert rig.ask(b":Gg#:Gt#:GG#:GL#")[:-9] == b"218*00#-31*00#-09.0#"


@proves("forgets")
def _() -> None:
    rig = Rig("forgets:3")
    rig.ask(b":Sg100*00#:SL12:00:00#")
    assert rig.ask(b":Gg#") == b"100*00#"
    rig.clock.wait_until(rig.clock.monotonic() + 3.0)
    assert rig.ask(b":Gg#") == b"218*24#"
    assert abs(rig.mount.truth().clock_error_s) < 0.01


@proves("resets-to-factory")
def _() -> None:
    answers = Rig("resets-to-factory:3").answers(b":Gt#", 4)
    assert answers == [b"-31*51#", b"-31*51#", b"+40*00#", b"+40*00#"]


@proves("turns-offset")
def _() -> None:
    rig = Rig("turns-offset:3")
    assert rig.answers(b":GG#", 2) == [b"-10.5#"] * 2
    assert rig.mount.truth().offset_h == 10.5
    assert rig.ask(b":GG#", 3.0) == b"-10.5#"  # it shows the same, and means the opposite
    assert rig.mount.truth().offset_h == -10.5
    assert rig.ask(b":SG-09.5#:GG#") == b"1-09.5#"
    assert rig.mount.truth().offset_h == -9.5


@proves("clock-stopped")
def _() -> None:
    rig = Rig("clock-stopped")
    assert set(rig.answers(b":GL#", 4)) == {b"21:35:30#"}


@proves("clock-fast")
def _() -> None:
    rig = Rig("clock-fast:20000")
    rig.answers(b":GL#", 100)
    assert rig.mount.truth().clock_error_s == pytest.approx(2.0, rel=0.01)


@proves("sidereal-frozen")
def _() -> None:
    assert len(set(Rig("sidereal-frozen").answers(b":GS#", 5))) == 1


@proves("starts-slewing")
def _() -> None:
    assert [len(answer) > 1 for answer in Rig("starts-slewing:3").answers(b":D#", 4)] == [False, False, True, True]


@proves("overwritten")
def _() -> None:
    rig = Rig("overwritten:2")
    rig.ask(b":SG-10.5#")
    rig.clock.wait_until(rig.clock.monotonic() + 2.0)
    assert rig.ask(b":Gg#:Gt#") == b"090*00#+40*00#"
    assert rig.mount.truth().clock_error_s == pytest.approx(47.0, abs=0.01)


@proves("switches-memory")
def _() -> None:
    assert Rig("switches-memory:2").answers(b":Gg#", 2) == [b"218*24#", b"090*00#"]


@proves("control-bytes")
def _() -> None:
    assert b"\x1b" in Rig("control-bytes").ask(b":GVP#")


# --- line ------------------------------------------------------------------------------------------


@proves("vanishes")
def _() -> None:
    rig = Rig("vanishes:3")
    rig.answers(b":GC#", 3)
    for _ in range(2):
        with pytest.raises(LinkError) as caught:
            rig.ask(b":GC#")
        assert caught.value.code == "port-vanished"
        rig.open()


@proves("comes-back")
def _() -> None:
    rig = Rig("comes-back:1.5")
    with pytest.raises(LinkError, match="gone"):
        rig.answers(b":GC#", 20)
    with pytest.raises(LinkError) as caught:
        rig.open()
    assert caught.value.code == "port-absent"
    rig.clock.wait_until(rig.clock.monotonic() + 1.6)
    rig.open()
    assert rig.ask(b":GC#") == b"10/21/26#"


@proves("stalls")
def _() -> None:
    answers = Rig("stalls:1.5").answers(b":GC#", 10)
    assert b"" in answers
    assert sum(answer.count(b"#") for answer in answers) == 10


@proves("drops-bytes")
def _() -> None:
    assert set(Rig("drops-bytes").answers(b":GC#", 6)) != {b"10/21/26#"}


@proves("doubles-bytes")
def _() -> None:
    damaged = [answer for answer in Rig("doubles-bytes").answers(b":GC#", 20) if answer != b"10/21/26#"]
    assert any(len(answer) == 10 and set(answer) <= set(b"10/21/26#") for answer in damaged)


@proves("wrong-baud")
def _() -> None:
    rig = Rig("wrong-baud")
    answers = b"".join(rig.answers(b":GC#", 6) + rig.answers(b":GL#", 6))
    assert b"/" not in answers
    assert not rig.mount.forbidden


@proves("other-program")
def _() -> None:
    answers = Rig("other-program:0.5").answers(b":GC#", 30)
    assert len({answer for answer in answers if answer != b"10/21/26#"}) > 2


def _line_or_mount() -> list[str]:
    return [name for name, row in FAULTS.items() if row.kind != "receiver"]


@pytest.mark.parametrize("name", _line_or_mount())
def test_each_fault_does_what_its_row_says(name: str) -> None:
    MOUNT_TESTS[name]()


@pytest.mark.parametrize("name", _line_or_mount())
def test_each_fault_of_a_mount_or_line_bites_in_an_ordinary_run(name: str) -> None:
    for seed in range(5):
        rig = Rig(name, seed=seed)
        try:
            for _ in range(3):
                for question in (b":GVP#", b":GC#", b":GL#", b":GG#", b":Gg#", b":Gt#", b":GS#", b":D#", b":GW#"):
                    rig.ask(question)
            for setting in SETTINGS:
                rig.ask(setting)
            rig.clock.wait_until(rig.clock.monotonic() + 6.0)
            for question in (b":GC#", b":GL#", b":GS#"):
                rig.ask(question)
        except LinkError:
            pass
        assert rig.bites[0] > 0, f"seed {seed}"


@pytest.mark.parametrize("name", [name for name, row in FAULTS.items() if row.kind == "receiver"])
def test_each_fault_of_a_receiver_bites_in_an_ordinary_run(name: str) -> None:
    for seed in range(3):
        clock = VirtualClock(NOW)
        faults = build_faults([name], seed)
        receiver = SimulatedReceiver(
            timeline=clock, latitude_deg=-31.8571, longitude_deg=141.6034, altitude_m=212.0, faults=faults.receiver
        )
        stream = SimStream(receiver, clock)
        while stream.read(1030.0):
            pass
        assert faults.all[0].bites > 0, f"seed {seed}"


# --- together --------------------------------------------------------------------------------------

QUESTIONS = [row.request() for row in COMMANDS.values() if row.writes is None and row.shape == "text"]


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.sampled_from(_line_or_mount()), min_size=2, max_size=5, unique=True),
    st.integers(0, 1000),
    st.lists(st.sampled_from([*QUESTIONS, *SETTINGS]), min_size=1, max_size=30),
)
def test_faults_combine_and_an_exchange_always_ends_in_time(names: list[str], seed: int, requests: list[bytes]) -> None:
    rig = Rig(*names, seed=seed, tables={"date": {"notices": 2, "blocks_s": 5.0}})
    for request in requests:
        begin = rig.clock.monotonic()
        try:
            rig.ask(request)
        except LinkError:
            break
        assert rig.clock.monotonic() <= begin + 1.0
    rig.mount.truth()


def test_faults_of_all_kinds_are_sorted_by_where_they_reach_in() -> None:
    faults = build_faults(["late", "stalls", "rollover"])
    assert [[one.name for one in kind] for kind in (faults.mount, faults.line, faults.receiver)] == [
        ["late"], ["stalls"], ["rollover"],
    ]  # fmt: skip
    assert isinstance(faults, FaultSet)
