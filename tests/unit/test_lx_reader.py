"""Replies as they come: whole, in pieces, with something before or behind them, or as noise.

Source of the vectors: common practice of the trade, from memory; no published source exists.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import pytest
from hypothesis import given
from hypothesis import strategies as st

from noonmark.protocols import lx
from noonmark.protocols.lx_reader import (
    NOTICE_CAP,
    TEXT_CAP,
    DateFlagReader,
    FlagReader,
    LxReader,
    NoReader,
    TextReader,
    reader_for,
)
from noonmark.protocols.seams import ReplyError


@dataclass(frozen=True)
class Vector:
    """`reader` says which; `reply` is what belongs to the reply; `state` after it; `value` what it says."""

    reader: str
    reply: bytes
    state: str
    value: object


READERS = {
    "text": TextReader(),
    "empty-ok": TextReader(empty_ok=True),
    "flag-never": FlagReader("never"),
    "flag-always": FlagReader("always"),
    "flag-perhaps": FlagReader("perhaps"),
    "date": DateFlagReader(),
    "date-2": DateFlagReader(notices=2),
    "nothing": NoReader(),
}


def fresh(name: str) -> LxReader:
    reader = READERS[name]
    if isinstance(reader, TextReader):
        return TextReader(empty_ok=reader.empty_ok)
    if isinstance(reader, FlagReader):
        return FlagReader(reader.end_mark)
    if isinstance(reader, DateFlagReader):
        return DateFlagReader(notices=reader.notices)
    return NoReader()


def value_of(reader: LxReader) -> object:
    if isinstance(reader, TextReader):
        return reader.text, reader.skipped
    if isinstance(reader, FlagReader):
        return reader.accepted, reader.marked
    if isinstance(reader, DateFlagReader):
        return reader.accepted, tuple(reader.texts)
    return None


NOTICE = b"Tables are being renewed#"
BLANKS = b"                        #"

VECTORS = [
    Vector("text", b"11/24/26#", "done", (b"11/24/26", 0)),
    Vector("text", b"  Mount  #", "done", (b"Mount", 0)),
    Vector("text", b"#11/24/26#", "done", (b"11/24/26", 1)),  # the late end mark of a flag before it
    Vector("text", b"##23:04:56#", "done", (b"23:04:56", 2)),
    Vector("text", b"-31\xdf51#", "done", (b"-31\xdf51", 0)),
    Vector("empty-ok", b"#", "done", (b"", 0)),
    Vector("empty-ok", b"\x7f\x7f#", "done", (b"\x7f\x7f", 0)),
    Vector("flag-never", b"1", "done", (True, False)),
    Vector("flag-never", b"0", "done", (False, False)),
    Vector("flag-never", b"#1", "done", (True, False)),
    Vector("flag-always", b"1#", "done", (True, True)),
    Vector("flag-always", b"0#", "done", (False, True)),
    Vector("flag-perhaps", b"1", "enough", (True, False)),
    Vector("flag-perhaps", b"0", "enough", (False, False)),
    Vector("flag-perhaps", b"1#", "done", (True, True)),
    Vector("date", b"0", "enough", (False, ())),
    Vector("date", b"0#", "enough", (False, ())),
    Vector("date", b"1", "enough", (True, ())),
    Vector("date", b"1#", "enough", (True, ())),
    Vector("date", b"1" + NOTICE, "enough", (True, (NOTICE[:-1],))),
    Vector("date", b"1" + NOTICE + BLANKS, "done", (True, (NOTICE[:-1], BLANKS[:-1]))),
    Vector("date", b"1#" + NOTICE + BLANKS, "done", (True, (NOTICE[:-1], BLANKS[:-1]))),
    Vector("date-2", b"1", "more", (True, ())),
    Vector("date-2", b"1" + NOTICE, "more", (True, (NOTICE[:-1],))),
    Vector("date-2", b"1" + NOTICE + BLANKS, "done", (True, (NOTICE[:-1], BLANKS[:-1]))),
    Vector("date-2", b"0", "enough", (False, ())),
    Vector("nothing", b"", "done", None),
]
IDS = [f"{row.reader} {row.reply!r}" for row in VECTORS]


@pytest.mark.parametrize("row", VECTORS, ids=IDS)
def test_a_reply_in_one_piece(row: Vector) -> None:
    reader = fresh(row.reader)
    reader.feed(row.reply)
    assert (reader.state, value_of(reader), reader.rest) == (row.state, row.value, b"")


@pytest.mark.parametrize("row", VECTORS, ids=IDS)
def test_a_reply_byte_by_byte(row: Vector) -> None:
    reader = fresh(row.reader)
    for byte in row.reply:
        reader.feed(bytes((byte,)))
    assert (reader.state, value_of(reader), reader.rest) == (row.state, row.value, b"")


@pytest.mark.parametrize("row", [row for row in VECTORS if row.state == "done"], ids=repr)
@pytest.mark.parametrize("tail", [b"12:34:56#", b"1", b"#"])
def test_what_follows_a_reply_is_kept_apart(row: Vector, tail: bytes) -> None:
    reader = fresh(row.reader)
    reader.feed(row.reply + tail)
    assert (reader.state, value_of(reader), reader.rest) == (row.state, row.value, tail)


def test_another_reply_behind_a_plain_flag_is_no_part_of_it() -> None:
    reader = FlagReader("perhaps")
    reader.feed(b"123:04:56#")
    assert (reader.accepted, reader.marked, reader.state, reader.rest) == (True, False, "done", b"23:04:56#")


def test_a_lone_end_mark_is_no_text_but_where_an_empty_one_has_a_meaning() -> None:
    reader = TextReader()
    reader.feed(b"#")
    assert reader.state == "more"
    empty = TextReader(empty_ok=True)
    empty.feed(b"#")
    assert empty.state == "done"


@pytest.mark.parametrize(
    ("name", "noise"),
    [("flag-never", b"x"), ("flag-perhaps", b"23:04:56#"), ("flag-always", b"\x80"), ("date", b"23:04:56#"),
     ("date-2", b"?"), ("date", b"0 and more#")],
)  # fmt: skip
def test_bytes_that_are_no_such_reply_are_refused_at_once(name: str, noise: bytes) -> None:
    with pytest.raises(ReplyError):
        fresh(name).feed(noise)


@pytest.mark.parametrize(("reader", "cap"), [(TextReader(), TEXT_CAP), (DateFlagReader(), NOTICE_CAP)])
def test_a_text_without_an_end_is_given_up_at_its_cap(reader: LxReader, cap: int) -> None:
    if isinstance(reader, DateFlagReader):
        reader.feed(b"1")
    for _ in range(cap):
        reader.feed(b"x")
    with pytest.raises(ReplyError, match="end mark"):
        reader.feed(b"x")


def test_any_number_of_end_marks_holds_no_memory() -> None:
    reader = TextReader()
    for _ in range(1000):
        reader.feed(b"#" * 100)
    assert reader.skipped == 100_000
    assert reader.text == b""
    assert reader.rest == b""


@pytest.mark.parametrize("text", [b"a" * TEXT_CAP])
def test_a_text_of_just_the_cap_is_taken(text: bytes) -> None:
    reader = TextReader()
    reader.feed(text + b"#")
    assert reader.text == text


@pytest.mark.parametrize(
    ("command", "acknowledgement", "kind", "end_mark"),
    [
        ("get-date", "plain", TextReader, None),
        ("get-slewing", "plain", TextReader, None),
        ("set-time", "plain", FlagReader, "never"),
        ("set-time", "end-mark", FlagReader, "always"),
        ("set-time", "unknown", FlagReader, "perhaps"),
        ("set-time", "none", NoReader, None),
        ("set-date", "plain", DateFlagReader, None),
        ("set-date", "unknown", DateFlagReader, None),
        ("set-date", "none", NoReader, None),
        ("toggle-precision", "unknown", NoReader, None),
    ],
)
def test_which_reader_awaits_which_reply(
    command: str, acknowledgement: str, kind: type[object], end_mark: str | None
) -> None:
    reader = reader_for(lx.COMMANDS[command], acknowledgement)
    assert type(reader) is kind
    if isinstance(reader, FlagReader):
        assert reader.end_mark == end_mark


# --- arbitrary bytes --------------------------------------------------------------------------------

NAMES = st.sampled_from(sorted(READERS))
BYTES = st.one_of(
    st.binary(max_size=300),
    st.text(alphabet="01#:/*+- 9Ax", max_size=200).map(lambda text: text.encode("ascii")),
)


def run(name: str, pieces: list[bytes]) -> tuple[object, ...]:
    """What comes of a reader: its state, value and rest, or the error, whichever way the bytes were cut."""
    reader = fresh(name)
    fed = 0
    for piece in pieces:
        try:
            reader.feed(piece)
        except ReplyError:
            return ("refused",)
        fed += len(piece)
    return reader.state, value_of(reader), bytes(reader.rest)


@given(NAMES, BYTES, st.lists(st.integers(0, 300), max_size=6))
def test_cutting_never_changes_the_outcome(name: str, data: bytes, cuts: list[int]) -> None:
    places = [0, *sorted(min(cut, len(data)) for cut in cuts), len(data)]
    pieces = [data[start:end] for start, end in itertools.pairwise(places)]
    whole = run(name, [data])
    assert run(name, pieces) == whole
    assert run(name, [bytes((byte,)) for byte in data]) == whole


@given(NAMES, BYTES)
def test_arbitrary_bytes_give_a_reply_more_or_the_one_error(name: str, data: bytes) -> None:
    reader = fresh(name)
    refusal = ""
    try:
        reader.feed(data)
    except ReplyError as error:
        refusal = str(error)
    assert refusal.isascii()
    assert refusal.isprintable() or not refusal
    assert reader.state in ("more", "enough", "done")
    if isinstance(reader, TextReader):
        assert len(reader.text) <= TEXT_CAP
    if isinstance(reader, DateFlagReader):
        assert len(reader.texts) <= 2
        assert all(len(text) <= NOTICE_CAP for text in reader.texts)
    if not isinstance(reader, NoReader) and not refusal:
        consumed = len(data) - len(reader.rest)
        assert data[consumed:] == reader.rest


def test_a_reader_once_done_is_never_changed_again() -> None:
    for row in VECTORS:
        if row.state != "done" or row.reader == "nothing":
            continue
        reader = fresh(row.reader)
        reader.feed(row.reply)
        reader.feed(b"x1")
        assert (reader.state, value_of(reader), reader.rest) == (row.state, row.value, b"x1"), row
