"""The smallest readers of replies that will do, for tests of links: none of them is the driver's own."""

from __future__ import annotations

from dataclasses import dataclass

from noonmark.protocols.seams import ReplyError


@dataclass
class UpToHash:
    """Text up to `#`; an `!` can't be part of it."""

    state: str = "more"
    grace_s: float = 0.0
    rest: bytes = b""

    def feed(self, chunk: bytes) -> None:
        if b"!" in chunk.partition(b"#")[0] and self.state != "done":
            raise ReplyError(f"{chunk[:24]!r} holds an exclamation mark")
        if self.state == "done":
            self.rest += chunk
        elif b"#" in chunk:
            self.state, self.rest = "done", chunk[chunk.index(b"#") + 1 :]


@dataclass
class Flag:
    """One byte; a `#` may follow within the grace."""

    state: str = "more"
    grace_s: float = 0.05
    rest: bytes = b""

    def feed(self, chunk: bytes) -> None:
        for index, byte in enumerate(chunk):
            if self.state == "done" or (self.state == "enough" and byte != ord("#")):
                self.state = "done"
                self.rest += chunk[index:]
                return
            self.state = "enough" if self.state == "more" else "done"


@dataclass
class Nothing:
    """No reply is awaited."""

    state: str = "done"
    grace_s: float = 0.0
    rest: bytes = b""

    def feed(self, chunk: bytes) -> None:
        self.rest += chunk
