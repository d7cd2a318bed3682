"""Incremental readers of replies: bytes in, "more", "enough" or "done" out, or the one error.

Grammar, DESIGN of the command set (common practice, from memory): a reply is text ended by `#`, or a single
`0` or `1` with no end mark (some mounts add one), or nothing; a date's `1` may be followed by notices.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from noonmark.protocols.lx import Command
from noonmark.protocols.seams import ReplyError

TEXT_CAP = 64  # bytes of a text before its end mark; the longest known reply is under 30
NOTICE_CAP = 160  # bytes of one notice

State = Literal["more", "enough", "done"]


@dataclass(slots=True)
class TextReader:
    """Text ended by `#`. A leading lone `#`, the late end of some other reply, is passed over and counted
    unless an empty text is a valid answer here."""

    empty_ok: bool = False
    grace_s: float = 0.0
    state: State = "more"
    rest: bytes = b""
    skipped: int = 0
    _held: bytearray = field(default_factory=bytearray)

    def feed(self, chunk: bytes) -> None:
        for index, byte in enumerate(chunk):
            if self.state == "done":
                self.rest += chunk[index:]
                return
            if byte != 0x23:
                self._held.append(byte)
                if len(self._held) > TEXT_CAP:
                    raise ReplyError(f"no end mark within {TEXT_CAP} bytes: {bytes(self._held[:24])!r}...")
            elif self._held or self.empty_ok:
                self.state = "done"
            else:
                self.skipped += 1

    @property
    def text(self) -> bytes:
        """The text without its end mark and without blanks around it."""
        return bytes(self._held).strip(b" ")


@dataclass(slots=True)
class FlagReader:
    """A single `0` or `1`. `end_mark`: "never" done at once, "always" wait for `#`, "perhaps" take one that
    comes within the grace."""

    end_mark: Literal["never", "always", "perhaps"] = "perhaps"
    grace_s: float = 0.06
    state: State = "more"
    rest: bytes = b""
    accepted: bool | None = None
    marked: bool = False

    def feed(self, chunk: bytes) -> None:
        for index, byte in enumerate(chunk):
            if self.state == "done":
                self.rest += chunk[index:]
                return
            if self.accepted is None:
                if byte == 0x23:
                    continue  # the late end of an earlier reply
                if byte not in b"01":
                    raise ReplyError(f"{chunk[:24]!r} came where 0 or 1 was expected")
                self.accepted = byte == 0x31
                self.state = {"never": "done", "always": "more", "perhaps": "enough"}[self.end_mark]  # type: ignore[assignment]
            elif byte == 0x23:
                self.marked = True
                self.state = "done"
            else:
                self.rest += chunk[index:]
                self.state = "done"
                return


@dataclass(slots=True)
class DateFlagReader:
    """`0`; or `1`; or `1` and up to two `#`-ended notices, which may come seconds later.

    `notices`: how many are awaited (0: none is awaited, but what comes within the grace is taken).
    """

    notices: int = 0
    grace_s: float = 0.25
    state: State = "more"
    rest: bytes = b""
    accepted: bool | None = None
    texts: list[bytes] = field(default_factory=list)
    marked: bool = False
    _held: bytearray = field(default_factory=bytearray)

    def feed(self, chunk: bytes) -> None:
        for index, byte in enumerate(chunk):
            if self.state == "done":
                self.rest += chunk[index:]
                return
            self._take(byte, chunk)

    def _take(self, byte: int, chunk: bytes) -> None:
        if self.accepted is None:
            if byte == 0x23:
                return
            if byte not in b"01":
                raise ReplyError(f"{chunk[:24]!r} came where 0 or 1 was expected")
            self.accepted = byte == 0x31
            self.state = self._after() if self.accepted else "enough"
        elif byte != 0x23:
            if not self.accepted:
                raise ReplyError(f"{chunk[:24]!r} came after 0, where nothing was expected")
            self.state = "more"
            self._held.append(byte)
            if len(self._held) > NOTICE_CAP:
                raise ReplyError(f"no end mark within {NOTICE_CAP} bytes: {bytes(self._held[:24])!r}...")
        elif not self._held and not self.texts and not self.marked:
            self.marked = True  # the flag's own end mark
        else:
            self.texts.append(bytes(self._held))
            self._held.clear()
            self.state = self._after()

    def _after(self) -> State:
        if len(self.texts) >= 2:
            return "done"
        return "more" if len(self.texts) < self.notices else "enough"


@dataclass(slots=True)
class NoReader:
    """No reply is awaited."""

    grace_s: float = 0.0
    state: State = "done"
    rest: bytes = b""

    def feed(self, chunk: bytes) -> None:
        self.rest += chunk


LxReader = TextReader | FlagReader | DateFlagReader | NoReader


def reader_for(command: Command, acknowledgement: str = "unknown", notices: int = 0) -> LxReader:
    """The reader of a command's reply. `acknowledgement`: "plain", "end-mark", "none" or "unknown"."""
    if command.shape == "text":
        return TextReader(empty_ok=command.empty_ok)
    if command.shape == "nothing" or acknowledgement == "none":
        return NoReader()
    if command.shape == "date-flag":
        return DateFlagReader(notices=notices)
    if acknowledgement == "plain":
        return FlagReader("never")
    return FlagReader("always" if acknowledgement == "end-mark" else "perhaps")
