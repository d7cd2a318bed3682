"""The seams: where time and bytes come in, so that everything above them can be run in virtual time.

All instants are monotonic seconds of one clock. Only `Clock.utc_ns` knows the calendar, and only the
host source reads it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol, runtime_checkable


class SeamError(Exception):
    """Root of what can go wrong at a seam. `code` is a stable slug; `remedy` is for people."""

    code = "link-fault"

    def __init__(self, message: str, *, code: str | None = None, remedy: str = "") -> None:
        super().__init__(message)
        if code is not None:
            self.code = code
        self.remedy = remedy


class LinkError(SeamError):
    """A line to a mount could not be opened, or it failed while in use."""


class StreamError(SeamError):
    """A receiver's line could not be opened, or it failed while in use."""


class ReplyError(SeamError):
    """The other side misbehaved: these bytes are not a reply of the shape that was awaited."""

    code = "reply-malformed"


@dataclass(frozen=True, slots=True)
class Discipline:
    """What the operating system says of the host's clock.

    `synchronised` is None where that is unknown (no such call, not permitted). `max_error_s` is the
    system's own bound on the error, None where it gives none.
    """

    synchronised: bool | None
    max_error_s: float | None = None
    estimated_error_s: float | None = None
    why: str = ""


@runtime_checkable
class Clock(Protocol):
    """Time as the code above the seams sees it."""

    def monotonic(self) -> float:
        """Seconds that never step. The origin is arbitrary."""
        ...

    def utc_ns(self) -> int:
        """The host's idea of UTC, nanoseconds since 1970-01-01T00:00Z, leap seconds not counted."""
        ...

    def boottime(self) -> float:
        """Seconds that go on while the machine is suspended; boottime minus monotonic betrays it."""
        ...

    def discipline(self) -> Discipline:
        """How the host's clock is kept."""
        ...

    def wait_until(self, instant: float) -> None:
        """Return at or just after the monotonic `instant`; at once if it has passed."""
        ...


class ReplyReader(Protocol):
    """An incremental reader of one reply. Pure: bytes in, a verdict out.

    `state` is "more" (not yet a reply), "enough" (a whole reply, but bytes that belong to it may still
    follow: it is complete once the line has been silent for `grace_s`), or "done".
    Bytes beyond the reply's end are kept in `rest` and are never part of it.
    """

    @property
    def state(self) -> str: ...

    @property
    def grace_s(self) -> float: ...

    @property
    def rest(self) -> bytes: ...

    def feed(self, chunk: bytes) -> None:
        """Take bytes as they come. Raises ReplyError as soon as they can't be a reply of this shape."""
        ...


@dataclass(frozen=True, slots=True)
class Exchange:
    """One question and its answer, with the instants that bound when it was answered.

    t_before:  read before the first byte of the question was handed over
    t_written: read after the last byte was handed over (not: after it left the wire)
    t_last_before: read just before the last byte was handed over, where the send was timed; else None
    t_first, t_last: read when the first, the last byte of the reply had come; None for no reply
    reply:     the reply's bytes as they came, without what follows its end
    stray:     bytes that lay unread before the question: a late reply to something else, or noise
    rest:      bytes that came after the reply's end
    complete:  False when the deadline passed before the reader was satisfied
    """

    request: bytes
    reply: bytes
    t_before: float
    t_written: float
    t_first: float | None
    t_last: float | None
    complete: bool
    stray: bytes = b""
    rest: bytes = b""
    t_last_before: float | None = None


@runtime_checkable
class Link(Protocol):
    """A line to a mount: one question at a time."""

    @property
    def address(self) -> str: ...

    @property
    def byte_s(self) -> float:
        """Nominal time of one byte on the wire, seconds (10 bits at the line's rate; 0 if unknown)."""
        ...

    def exchange(
        self, request: bytes, reader: ReplyReader, deadline: float, *, last_byte_at: float | None = None
    ) -> Exchange:
        """Send `request`, feed what comes to `reader` until it is satisfied or `deadline` (monotonic) passes.

        With `last_byte_at` all but the last byte are sent first, and the last byte so that its nominal
        arrival is that monotonic instant. Raises LinkError when the line fails (code "port-vanished"),
        ReplyError when the reader refuses the bytes. A deadline that passes is not an error: `complete` is False.
        """
        ...

    def silence(self, quiet_s: float, deadline: float) -> bytes:
        """Read and return whatever comes until the line was silent for `quiet_s`, or `deadline` passes.

        The returned bytes are capped at 4096, the first ones kept.
        """
        ...

    def close(self) -> None: ...


@runtime_checkable
class Stream(Protocol):
    """A receiver's line: bytes that come by themselves, stamped when they came."""

    @property
    def address(self) -> str: ...

    def read(self, until: float) -> list[tuple[float, bytes]]:
        """Chunks that came since the last call, oldest first, each with the monotonic instant of arrival.

        Returns as soon as there is at least one chunk; an empty list only when `until` (monotonic) passed.
        Raises StreamError when the line has failed and all earlier chunks were given.
        """
        ...

    def write(self, data: bytes) -> None:
        """Send bytes to the source (a GNSS daemon wants to be asked). Raises StreamError."""
        ...

    def close(self) -> None: ...
