"""Sentences out of a byte stream: the framing of NMEA 0183, with binary and noise between them.

    $<address>,<field>,...*<two hexadecimal digits><CR><LF>

The checksum is the exclusive or of all bytes between `$` and `*` (NMEA 0183; the published examples in the
tests). A sentence is complete with the second digit, so that what touches it - a binary packet, a missing
CR - can't take it along. A `$` inside starts anew.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

__all__ = ["MAX_SENTENCE_BYTES", "Framer", "FramingFault", "Malformed", "Sentence", "checksum", "sentence"]

MAX_SENTENCE_BYTES = 256
"""Cap on `$` to the second digit. The standard says 82 with CR LF; makers' own sentences run to 210."""

_MAX_BODY_BYTES = MAX_SENTENCE_BYTES - 3  # `$` and the body, without `*hh`

# A byte that can't just be taken along: not printable, or one of the two that mean something.
_SPECIAL = re.compile(rb"[^ -#%-)+-~]")
_HEX_DIGITS = frozenset(b"0123456789ABCDEFabcdef")

FramingFault = Literal["bad-checksum", "no-checksum", "bad-byte", "too-long", "cut-short"]


@dataclass(frozen=True, slots=True)
class Sentence:
    """One sentence with a good checksum.

    `fields[0]` is the address (`GNRMC`); all are printable ASCII. `instant` is the monotonic arrival of the
    chunk that held the `$`, None when it wasn't given.
    """

    fields: tuple[str, ...]
    instant: float | None = None

    @property
    def talker(self) -> str:
        """Who speaks: two letters, or `P` for a maker's own sentence."""
        address = self.fields[0]
        return "P" if address.startswith("P") else address[:2]

    @property
    def formatter(self) -> str:
        """What is said: three letters (`RMC`), or all that follows the `P`."""
        return self.fields[0][len(self.talker) :]


@dataclass(frozen=True, slots=True)
class Malformed:
    """Something that began like a sentence and is none.

    `raw` is what was taken of it, from its `$`, at most MAX_SENTENCE_BYTES: bytes from a wire, show its repr
    only. `fault`: the checksum is wrong; the line ended without one; a byte that can't be in a sentence; more
    bytes than the cap; a new `$`, or the end of the stream, came first.
    """

    fault: FramingFault
    raw: bytes
    instant: float | None = None


def checksum(body: bytes) -> str:
    """The two upper-case hexadecimal digits for the bytes between `$` and `*` (NMEA 0183)."""
    total = 0
    for byte in body:
        total ^= byte
    return f"{total:02X}"


def sentence(body: bytes | str) -> bytes:
    """Frame `body` (`GPRMC,123519,A,...`) as it travels: `$`, the body, `*`, checksum, CR LF.

    Raises ValueError for a body that can't be framed: a byte that isn't printable ASCII, a `$` or `*`, or
    more than the cap.
    """
    try:
        plain = body.encode("ascii") if isinstance(body, str) else body
    except UnicodeEncodeError as error:
        raise ValueError(f"the body of a sentence must be printable ASCII, not {body!r}") from error
    special = _SPECIAL.search(plain)
    if special:
        raise ValueError(
            f"the body of a sentence can't hold {special.group()!r} (at byte {special.start()}): give what stands"
            " between '$' and '*', printable ASCII"
        )
    if len(plain) >= _MAX_BODY_BYTES:
        raise ValueError(f"the body of a sentence has {len(plain)} bytes, at most {_MAX_BODY_BYTES - 1} are taken")
    return b"$%b*%b\r\n" % (plain, checksum(plain).encode("ascii"))


class Framer:
    """Finds sentences in bytes as they come. Where the input is cut never changes the events."""

    __slots__ = ("_held", "_instant", "_starred")

    def __init__(self) -> None:
        self._held = bytearray()  # from the `$` on; empty between sentences
        self._instant: float | None = None
        self._starred = 0  # where in `_held` the `*` is; 0 before it came

    @property
    def midway(self) -> bool:
        """Whether a sentence has begun and isn't complete."""
        return bool(self._held)

    def feed(self, chunk: bytes, instant: float | None = None) -> list[Sentence | Malformed]:
        """Take the next bytes, and the monotonic instant at which they came; give what they complete."""
        events: list[Sentence | Malformed] = []
        at = 0
        while at < len(chunk):
            if not self._held:
                start = chunk.find(b"$", at)
                if start < 0:
                    break
                self._begin(instant)
                at = start + 1
            elif self._starred:
                self._digit(chunk[at], instant, events)
                at += 1
            else:
                at = self._body(chunk, at, instant, events)
        return events

    def finish(self) -> list[Sentence | Malformed]:
        """The stream has ended: what was begun is cut short."""
        return [self._drop("cut-short")] if self._held else []

    def _begin(self, instant: float | None) -> None:
        self._held[:] = b"$"
        self._starred = 0
        self._instant = instant

    def _drop(self, fault: FramingFault) -> Malformed:
        event = Malformed(fault, bytes(self._held), self._instant)
        self._held.clear()
        self._starred = 0
        return event

    def _body(self, chunk: bytes, at: int, instant: float | None, events: list[Sentence | Malformed]) -> int:
        """Take printable bytes up to the next special one; the position after what was taken."""
        special = _SPECIAL.search(chunk, at)
        stop = special.start() if special else len(chunk)
        room = _MAX_BODY_BYTES - len(self._held)
        if stop - at > room:
            self._held += chunk[at : at + room]
            events.append(self._drop("too-long"))
            return at + room
        self._held += chunk[at:stop]
        if special is None:
            return stop
        match special.group():
            case b"*":
                self._starred = len(self._held)
                self._held += b"*"
            case b"$":
                events.append(self._drop("cut-short"))
                self._begin(instant)
            case b"\r" | b"\n":
                events.append(self._drop("no-checksum"))
            case _:
                events.append(self._drop("bad-byte"))
        return stop + 1

    def _digit(self, byte: int, instant: float | None, events: list[Sentence | Malformed]) -> None:
        """Take one byte after the `*`."""
        if byte == ord("$"):
            events.append(self._drop("cut-short"))
            self._begin(instant)
        elif byte not in _HEX_DIGITS:
            events.append(self._drop("no-checksum" if byte in b"\r\n" else "bad-byte"))
        else:
            self._held.append(byte)
            if len(self._held) == self._starred + 3:
                events.append(self._judge())

    def _judge(self) -> Sentence | Malformed:
        body = bytes(self._held[1 : self._starred])
        if self._held[self._starred + 1 :].upper() != checksum(body).encode("ascii"):
            return self._drop("bad-checksum")
        event = Sentence(tuple(body.decode("ascii").split(",")), self._instant)
        self._held.clear()
        self._starred = 0
        return event
