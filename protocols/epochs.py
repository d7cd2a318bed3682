"""What a receiver says of one instant, and how what it says in pieces is gathered into that.

Two sources give the same `Epoch`: NMEA sentences and the reports of the GNSS daemon. Both say one instant in
several pieces, in any order; the instant is over when another begins.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Generic, Protocol, TypeVar

__all__ = ["MAX_PIECES", "REMEMBERED_EPOCHS", "WHY_NOT", "Epoch", "Gatherer", "Piece", "why_not"]

REMEMBERED_EPOCHS = 64
"""An instant that was given out within so many epochs is not given again."""

MAX_PIECES = 32
"""Pieces kept of one instant. A receiver says it in 2 to 12; one whose time stands still says it for ever."""

UNKNOWN_HDOP = 50.0
"""Receivers write 50, 99 or 99.99 for a dilution they don't know (common practice, no source)."""

WHY_NOT = {
    "no-time": "no time is told",
    "time-malformed": "the time is no time of day",
    "second-60": "the second is 60: a leap second or a rounding fault, and no calendar time either way",
    "simulated": "the receiver says that it simulates",
    "manual": "the position was entered by hand or surveyed in, not measured now",
    "estimated": "the position is estimated (dead reckoning), without satellites",
    "contradictory": "its sentences of this instant contradict each other on whether there is a fix",
    "no-fix": "the receiver has no fix",
    "no-position": "a fix is claimed, but no position is told",
    "position-malformed": "the position is no place on Earth",
    "zero-position": "the position is 0,0, which is no fix",
    "no-date": "no date of the same instant is told",
    "date-malformed": "the date is no calendar date",
    "dates-disagree": "its sentences of this instant tell different dates",
}
"""Every reason for not going by an epoch: its stable slug, and the words for people."""


def why_not(slug: str) -> str:
    """`slug: words`, or nothing for no reason."""
    return f"{slug}: {WHY_NOT[slug]}" if slug else ""


def known_hdop(value: float | None) -> float | None:
    """A horizontal dilution of precision, or None for a value that means "unknown" (0, or 50 and more)."""
    return value if value is not None and 0.0 < value < UNKNOWN_HDOP else None


@dataclass(frozen=True, slots=True)
class Epoch:
    """What a receiver says of one instant.

    utc:           aware, in UTC; None where date or time are missing, malformed, or the second is 60
    latitude_deg:  north positive; longitude_deg: EAST positive, -180 to 180; both None where the
                   receiver doesn't claim a fix, and for 0,0
    altitude_m:    above mean sea level, as the receiver's geoid has it; None likewise
    hdop:          horizontal dilution of precision; None where unknown (0, or 50 and more)
    satellites:    used in the fix
    valid:         the source vouches for a complete date, time and position (NMEA: RMC with status A)
    usable:        what may be gone by. Not the same as valid: see `why_not`
    why_not:       empty when usable, else a slug of WHY_NOT, a colon, and words for people
    instant:       monotonic arrival of the first byte of the epoch's first piece; None in a recording
    simulated:     the source says that a simulator made it

    Neither `valid` nor `usable` means that the date is right: a week rollover passes both.
    """

    utc: datetime | None
    latitude_deg: float | None
    longitude_deg: float | None
    altitude_m: float | None
    hdop: float | None
    satellites: int | None
    valid: bool
    usable: bool
    why_not: str
    instant: float | None
    simulated: bool

    @property
    def why_code(self) -> str:
        """The slug of `why_not`; empty when usable."""
        return self.why_not.partition(":")[0]


class Piece(Protocol):
    """A sentence or report that tells something of one instant."""

    @property
    def voice(self) -> str:
        """Who said it, and as what kind of sentence."""
        ...

    @property
    def key(self) -> Hashable | None:
        """Equal for pieces of one instant; None where no time is told."""
        ...

    @property
    def calendar(self) -> date | None:
        """The date told beside it, where the key holds none."""
        ...

    @property
    def instant(self) -> float | None: ...


P = TypeVar("P", bound=Piece)


class Gatherer(Generic[P]):
    """Gathers the pieces of one instant; gives its epoch when another instant begins.

    A piece without a time says nothing of which instant it belongs to: it leaves the open one open, until the
    same voice has spoken so twice. Then a new, timeless epoch begins, so that a receiver with all fields blank
    isn't taken for a silent one.
    """

    def __init__(self, conclude: Callable[[Sequence[P]], Epoch]) -> None:
        self._conclude = conclude
        self._pieces: list[P] = []
        self._dates: dict[str, date] = {}
        self._timeless: set[str] = set()
        self._given: deque[tuple[Hashable, datetime | None]] = deque(maxlen=REMEMBERED_EPOCHS)

    @property
    def midway(self) -> bool:
        """Whether an instant has begun and its epoch was not given out."""
        return bool(self._pieces)

    def add(self, piece: P) -> list[Epoch]:
        """Take the next piece; the epoch that it shows to be complete, if any (and if not given before)."""
        done: list[Epoch] = []
        if self._pieces and not self._belongs(piece):
            done = self.close()
        if piece.key is None and len(self._timeless) < MAX_PIECES:
            self._timeless.add(piece.voice)
        # A timeless piece in a timed epoch is only remembered as having been said, never merged.
        open_key = self._pieces[0].key if self._pieces else piece.key
        if piece.key == open_key and len(self._pieces) < MAX_PIECES:
            self._pieces.append(piece)
            if piece.calendar is not None:
                self._dates.setdefault(piece.voice, piece.calendar)
        return done

    def close(self) -> list[Epoch]:
        """Nothing more comes of the open instant: its epoch, unless its instant was given out before."""
        if not self._pieces:
            return []
        key = self._pieces[0].key
        epoch = self._conclude(self._pieces)
        self._pieces = []
        self._dates = {}
        self._timeless = set()
        if key is not None:
            if self._was_given(key, epoch.utc):
                return []
            self._given.append((key, epoch.utc))
        return [epoch]

    def _belongs(self, piece: P) -> bool:
        if piece.key is None:
            return piece.voice not in self._timeless
        if piece.key != self._pieces[0].key:
            return False
        # One voice that tells two dates for the same time of day tells two instants. Two voices that do so
        # contradict each other over one, and whoever concludes the epoch says so.
        told = self._dates.get(piece.voice)
        return told is None or piece.calendar is None or told == piece.calendar

    def _was_given(self, key: Hashable, utc: datetime | None) -> bool:
        # A time of day without a date is known again by any epoch of that time; with one, only by the instant.
        if utc is None:
            return any(key == earlier for earlier, _ in self._given)
        return any(utc == earlier for _, earlier in self._given)
