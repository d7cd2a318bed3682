"""Talking to a mount out of step: late replies, late end marks, silence. On a scripted line, in virtual time."""

from __future__ import annotations

import itertools
from collections.abc import Callable

import pytest
from support.virtual import NIGHT

from noonmark.driver.mount import Talk, TimeLimit, Unreachable
from noonmark.protocols import lx
from noonmark.protocols.seams import ReplyError
from noonmark.sim.injection import Reply
from noonmark.sim.line import SimLink
from noonmark.sim.timeline import VirtualClock

# One right answer of each question; no two questions that are asked one after the other have answers of one shape.
RIGHT = {
    b":GC#": b"11/24/26#", b":GL#": b"23:04:56#", b":GG#": b"-10.5#", b":Gg#": b"218*24#", b":Gt#": b"-31*51#",
    b":GS#": b"04:11:22#", b":D#": b"#", b":GW#": b"GT0#", b":Gc#": b"24#", b":GVP#": b"Simulated mount#",
    b":GVN#": b"1.0#", b":GR#": b"04:11:22#", b":GD#": b"-90*00#", b":GA#": b"+31*51#", b":GZ#": b"180*00#",
}  # fmt: skip


class Scripted:
    """Answers by a function of (how many questions came before, the question): what, and how much later."""

    def __init__(self, answer: Callable[[int, bytes], list[tuple[float, bytes]]]) -> None:
        self.answer = answer
        self.heard: list[bytes] = []

    def receive(self, data: bytes, first_at: float, step_s: float = 0.0) -> list[Reply]:
        end = first_at + (len(data) - 1) * step_s
        self.heard.append(data)
        return [(end + later, reply) for later, reply in self.answer(len(self.heard) - 1, data)]


def right_after(later_s: float = 0.005) -> Callable[[int, bytes], list[tuple[float, bytes]]]:
    return lambda number, question: [(later_s, RIGHT[question])]


def talk_to(
    answer: Callable[[int, bytes], list[tuple[float, bytes]]], *, limit_s: float = 90.0
) -> tuple[Talk, Scripted, VirtualClock]:
    clock = VirtualClock(NIGHT)
    device = Scripted(answer)
    return Talk(SimLink(device, clock), clock, 2.0, clock.monotonic() + limit_s), device, clock


# --- slewing ----------------------------------------------------------------------------------------

BARS = b"\x7f\x7f\x7f#"


def test_the_late_end_mark_of_something_else_is_never_read_as_at_rest() -> None:
    """It comes just before the bars that tell of slewing."""
    late = iter([True])

    def answer(number: int, question: bytes) -> list[tuple[float, bytes]]:
        if question == b":D#":
            return [(0.001, b"#"), (0.005, BARS)] if next(late, False) else [(0.005, BARS)]
        return [(0.005, RIGHT[question])]

    talk, device, _ = talk_to(answer)
    assert talk.read_slewing() is True
    asked = [number for number, question in enumerate(device.heard) if question == b":D#"]
    for earlier, later in itertools.pairwise(asked):  # something of another shape in between
        assert b":GC#" in device.heard[earlier:later]


@pytest.mark.parametrize(("answers", "expected"), [
    ([b"#", b"#"], False),
    ([BARS, BARS], True),
    ([b"\x80?#", b"#", b"#"], False),  # noise before a mount at rest
    ([b"#", BARS, BARS], True),
    ([BARS, b"#", BARS, b"#", BARS], True),  # never the same twice: nothing that may be set
    ([b"#", BARS, b"#", BARS, b"#"], True),
])  # fmt: skip
def test_it_is_asked_until_two_answers_agree(answers: list[bytes], expected: bool) -> None:
    queue = iter(answers)

    def answer(number: int, question: bytes) -> list[tuple[float, bytes]]:
        return [(0.005, next(queue) if question == b":D#" else RIGHT[question])]

    talk, _, _ = talk_to(answer)
    assert talk.read_slewing() is expected


def test_one_lost_answer_is_not_taken_for_a_mount_that_does_not_say() -> None:
    lost = iter([True])

    def answer(number: int, question: bytes) -> list[tuple[float, bytes]]:
        if question == b":D#":
            return [] if next(lost, False) else [(0.005, BARS)]
        return [(0.005, RIGHT[question])]

    assert talk_to(answer)[0].read_slewing() is True


def test_a_mount_that_does_not_say_is_asked_no_more() -> None:
    talk, device, _ = talk_to(lambda number, question: [] if question == b":D#" else [(0.005, RIGHT[question])])
    assert talk.read_slewing() is None
    asked = len(device.heard)
    assert talk.read_slewing() is None
    assert len(device.heard) == asked


# --- a time and the instants that bound it ----------------------------------------------------------


def test_a_late_end_mark_before_a_time_does_not_move_the_instant_that_bounds_it() -> None:
    """The mark comes at once, the answer a tenth of a second later: the clock can have been read in between."""

    def answer(number: int, question: bytes) -> list[tuple[float, bytes]]:
        return [(0.001, b"#"), (0.1, b"23:04:56#")]

    talk, _, clock = talk_to(answer)
    begun = clock.monotonic()
    shown = talk.read_time()
    assert shown.seconds == 83096.0
    assert shown.t_before == begun
    assert shown.t_first >= begun + 0.1


def test_a_time_is_bounded_by_the_first_byte_of_its_answer() -> None:
    talk, _, clock = talk_to(right_after(0.05))
    begun = clock.monotonic()
    shown = talk.read_time()
    byte_s = 10 / 9600
    assert shown.t_before == begun
    assert shown.t_first == pytest.approx(begun + 4 * byte_s + 0.05 + byte_s, abs=1e-6)


# --- out of step ------------------------------------------------------------------------------------

NEIGHBOURS = [
    ("get-date", lx.parse_date), ("get-time", lx.parse_time), ("get-offset", lx.parse_offset),
    ("get-sidereal", lx.parse_time), ("get-latitude", lx.parse_latitude), ("get-longitude", lx.parse_longitude),
]  # fmt: skip


@pytest.mark.parametrize(("first", "second"), [
    ("get-date", "get-time"), ("get-time", "get-date"), ("get-date", "get-offset"), ("get-offset", "get-sidereal"),
    ("get-sidereal", "get-latitude"), ("get-latitude", "get-longitude"), ("get-longitude", "get-time"),
    ("get-date", "get-sidereal"),
])  # fmt: skip
def test_a_reply_one_late_is_noticed_and_the_right_answer_found(first: str, second: str) -> None:
    """The answer to the first question comes only before that to the second."""
    parsers: dict[str, Callable[[bytes], object]] = dict(NEIGHBOURS)
    held = [b""]

    def answer(number: int, question: bytes) -> list[tuple[float, bytes]]:
        if number == 0:
            held[0] = RIGHT[question]
            return []
        early, held[0] = held[0], b""
        return ([(0.004, early)] if early else []) + [(0.005, RIGHT[question])]

    talk, _, _ = talk_to(answer)
    value, wire, _ = talk.ask(first, parsers[first])
    assert wire + b"#" == RIGHT[lx.COMMANDS[first].request()]
    value, wire, _ = talk.ask(second, parsers[second])
    assert wire + b"#" == RIGHT[lx.COMMANDS[second].request()]
    assert value is not None


@pytest.mark.parametrize("number", range(1, 12))
def test_whichever_answer_is_lost_the_readings_are_right(number: int) -> None:
    def answer(count: int, question: bytes) -> list[tuple[float, bytes]]:
        return [] if count == number else [(0.005, RIGHT[question])]

    readings = talk_to(answer)[0].read_all()
    assert readings.longitude.value_deg == pytest.approx(218.4)
    assert readings.latitude.value_deg == pytest.approx(-31.85)
    assert readings.offset.value_h == -10.5
    assert (readings.date.first, readings.date.second, readings.date.year) == (11, 24, 26)
    assert readings.slewing is False


@pytest.mark.parametrize("number", range(1, 12))
def test_whichever_answer_comes_too_late_the_readings_are_right(number: int) -> None:
    def answer(count: int, question: bytes) -> list[tuple[float, bytes]]:
        return [(2.3 if count == number else 0.005, RIGHT[question])]

    readings = talk_to(answer)[0].read_all()
    assert readings.longitude.value_deg == pytest.approx(218.4)
    assert readings.offset.value_h == -10.5
    assert (readings.date.first, readings.date.second, readings.date.year) == (11, 24, 26)


def test_silence_is_three_questions_and_six_seconds() -> None:
    talk, device, clock = talk_to(lambda number, question: [])
    begun = clock.monotonic()
    with pytest.raises(Unreachable) as caught:
        talk.read_all()
    assert caught.value.code == "mount-silent"
    assert caught.value.remedy
    assert len(device.heard) == 3
    assert clock.monotonic() - begun < 6.1


@pytest.mark.parametrize("unknown", [b":GS#", b":GG#", b":Gg#", b":Gt#"])
def test_a_question_that_the_mount_does_not_know_is_told_from_silence(unknown: bytes) -> None:
    talk, _, _ = talk_to(lambda number, question: [] if question == unknown else [(0.005, RIGHT[question])])
    with pytest.raises(Unreachable) as caught:
        talk.read_all()
    assert caught.value.code == "mount-silent"
    assert f"does not answer {unknown.decode()} (" in str(caught.value)
    assert "though it answers" in str(caught.value)
    assert "cable" not in caught.value.remedy


def test_noise_is_told_from_silence() -> None:
    talk, _, _ = talk_to(lambda number, question: [(0.005, b"\x83\xf0\x9a")])
    with pytest.raises(Unreachable) as caught:
        talk.read_all()
    assert caught.value.code == "mount-garbled"
    assert "baud" in caught.value.remedy


def test_a_date_that_changes_at_every_reading_ends() -> None:
    def answer(number: int, question: bytes) -> list[tuple[float, bytes]]:
        reply = b"11/%02d/26#" % (1 + number % 28) if question == b":GC#" else RIGHT[question]
        return [(0.005, reply)]

    with pytest.raises(Unreachable, match="date changes"):
        talk_to(answer)[0].read_all()


# --- the time limit ---------------------------------------------------------------------------------


def test_nothing_is_asked_after_the_limit() -> None:
    talk, device, clock = talk_to(right_after(), limit_s=5.0)
    clock.wait_until(clock.monotonic() + 5.0)
    with pytest.raises(TimeLimit):
        talk.read_time()
    assert device.heard == []


def test_nothing_is_sent_that_would_arrive_after_the_limit() -> None:
    talk, device, clock = talk_to(right_after(), limit_s=5.0)
    with pytest.raises(TimeLimit):
        talk.write("time", "23:04:56", last_byte_at=clock.monotonic() + 6.0)
    assert device.heard == []


def test_bytes_without_end_never_outlast_a_deadline() -> None:
    talk, _, clock = talk_to(lambda number, question: [(0.001 * count, b"x") for count in range(5000)], limit_s=20.0)
    begun = clock.monotonic()
    with pytest.raises((Unreachable, TimeLimit, ReplyError)):
        talk.read_all()
    assert clock.monotonic() - begun <= 20.5
