"""NMEA 0183 read: sentences out of a byte stream, then epochs out of sentences.

    recording:  for epoch in epochs([data]): ...
    live:       assembler = EpochAssembler(); assembler.feed(chunk, instant); assembler.flush_older_than(...)

What an epoch may be gone by is decided here; whether its date can be right is not.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, date, datetime, time
from typing import Literal

from noonmark.protocols.epochs import Epoch, Gatherer, known_hdop, why_not
from noonmark.protocols.nmea_fields import Decoded, Standing, TimeOfDay, decode
from noonmark.protocols.nmea_framing import (
    MAX_SENTENCE_BYTES,
    Framer,
    FramingFault,
    Malformed,
    Sentence,
    checksum,
    sentence,
)

__all__ = [
    "MAX_SENTENCE_BYTES",
    "Decoded",
    "Epoch",
    "EpochAssembler",
    "Framer",
    "FramingFault",
    "Malformed",
    "Sentence",
    "Standing",
    "TimeOfDay",
    "checksum",
    "decode",
    "epochs",
    "sentence",
]

# One such word in any sentence of an instant spoils the instant, whatever the others say. In this order.
_SPOILING: tuple[Literal["simulated", "manual", "estimated"], ...] = ("simulated", "manual", "estimated")

_POSITION_FAULTS = (("malformed", "position-malformed"), ("zero", "zero-position"), ("blank", "no-position"))


def epochs(chunks: Iterable[bytes]) -> Iterator[Epoch]:
    """The epochs of a recording, one for each distinct instant, however it is cut into chunks."""
    assembler = EpochAssembler()
    for chunk in chunks:
        yield from assembler.feed(chunk)
    yield from assembler.finish()


class EpochAssembler:
    """Epochs out of bytes as they come.

    An epoch is stamped with the `$` of its first sentence that tells a time (RMC, GGA, ZDA, GNS, GLL): of
    one without, nobody can say to which instant it belongs. What it counts is for telling people what is wrong
    with a line: `bytes_seen`, `sentences` with a good checksum, and `malformed` by fault.
    """

    def __init__(self) -> None:
        self.bytes_seen = 0
        self.sentences = 0
        self.malformed: Counter[FramingFault] = Counter()
        self._framer = Framer()
        self._gatherer: Gatherer[Decoded] = Gatherer(conclude)
        self._heard: float | None = None

    def feed(self, chunk: bytes, instant: float | None = None) -> list[Epoch]:
        """Take the next bytes and the monotonic instant of their arrival; the epochs that are now complete."""
        self.bytes_seen += len(chunk)
        was_midway = self._framer.midway
        events = self._framer.feed(chunk, instant)
        if events or was_midway or self._framer.midway:
            self._heard = instant
        return self._take(events)

    def flush_older_than(self, instant: float) -> list[Epoch]:
        """Give the open epoch out if no byte of any sentence came at or after the monotonic `instant`.

        For live use: a receiver says an epoch in one burst, then rests. What comes later of the same instant
        is dropped, so leave a longer silence than the line may have within a burst. Without stamps, nothing.
        """
        if self._heard is None or self._heard >= instant:
            return []
        return self._gatherer.close()

    def finish(self) -> list[Epoch]:
        """The stream has ended: the epoch that was open."""
        return self._take(self._framer.finish()) + self._gatherer.close()

    def _take(self, events: Iterable[Sentence | Malformed]) -> list[Epoch]:
        done: list[Epoch] = []
        for event in events:
            if isinstance(event, Malformed):
                self.malformed[event.fault] += 1
                continue
            self.sentences += 1
            piece = decode(event)
            if piece is not None:
                done += self._gatherer.add(piece)
        return done


def conclude(pieces: Sequence[Decoded]) -> Epoch:
    """What the sentences of one instant say together. Their order doesn't matter, save for `instant`."""
    ranked = sorted(pieces, key=_rank)
    rmcs = [piece for piece in ranked if piece.formatter == "RMC"]
    ggas = [piece for piece in ranked if piece.formatter == "GGA"]
    active = [rmc for rmc in rmcs if rmc.status == "A"]
    whole = [rmc for rmc in active if rmc.day is not None and rmc.latitude_deg is not None]
    claimed = [gga for gga in ggas if gga.standing not in ("no-fix", "silent")]
    placed = next((p for p in [*whole, *active, *claimed] if p.latitude_deg is not None), None)
    slug = _why_not(ranked, rmcs, ggas)
    utc = _utc(pieces[0].time, _date(ranked, whole))
    heights = [p for p in [*ggas, *(p for p in ranked if p.formatter == "GNS")] if p.altitude_m is not None]
    measures = [p for p in ranked if p.formatter in ("GGA", "GNS")]
    return Epoch(
        utc=utc,
        latitude_deg=placed.latitude_deg if placed else None,
        longitude_deg=placed.longitude_deg if placed else None,
        altitude_m=next((p.altitude_m for p in heights if p.standing not in ("no-fix", "silent")), None),
        hdop=next((hdop for p in measures if (hdop := known_hdop(p.hdop)) is not None), None),
        satellites=next((p.satellites for p in measures if p.satellites is not None), None),
        valid=bool(whole) and utc is not None,
        usable=not slug,
        why_not=why_not(slug),
        instant=pieces[0].instant,
        simulated=any(piece.standing == "simulated" for piece in pieces),
    )


def _rank(piece: Decoded) -> tuple[bool, str, str]:
    """The talker that stands for all systems together first; else by name, so that order can't matter."""
    return (piece.talker != "GN", piece.talker, piece.formatter)


def _why_not(ranked: Sequence[Decoded], rmcs: Sequence[Decoded], ggas: Sequence[Decoded]) -> str:
    """The first reason for not going by these sentences, as a slug of WHY_NOT; empty for none."""
    told = ranked[0].time
    if told is None:
        return "time-malformed" if any(p.time_fault == "malformed" for p in ranked) else "no-time"
    for word in _SPOILING:
        if any(piece.standing == word for piece in ranked):
            return word
    fixed_rmcs = [rmc for rmc in rmcs if rmc.standing == "fix"]
    fixed_ggas = [gga for gga in ggas if gga.standing == "fix"]
    telling_ggas = [gga for gga in ggas if gga.standing != "silent"]
    if not fixed_rmcs and not fixed_ggas:
        return "no-fix"
    if _denied(fixed_ggas, rmcs, fixed_rmcs) or _denied(fixed_rmcs, telling_ggas, fixed_ggas):
        return "contradictory"
    vouching = fixed_rmcs or fixed_ggas
    if all(piece.latitude_deg is None for piece in vouching):
        faults = {piece.position_fault for piece in vouching}
        return next(slug for fault, slug in _POSITION_FAULTS if fault in faults)
    if told.second == 60:
        return "second-60"
    return _why_no_date(ranked)


def _denied(fixes: Sequence[Decoded], others: Sequence[Decoded], other_fixes: Sequence[Decoded]) -> bool:
    """Whether no sentence of the other kind agrees with these fixes, and one denies them.

    A talker can deny its own fix, and the one for all systems any; that GPS alone has no fix says nothing of
    one by another system.
    """
    talkers = {fix.talker for fix in fixes} | {"GN"}
    return bool(fixes) and not other_fixes and any(other.talker in talkers for other in others)


def _why_no_date(ranked: Sequence[Decoded]) -> str:
    if any(piece.date_fault == "malformed" for piece in ranked):
        return "date-malformed"
    dates = {piece.day for piece in ranked if piece.day is not None}
    if len(dates) > 1:
        return "dates-disagree"
    return "" if dates else "no-date"


def _date(ranked: Sequence[Decoded], whole: Sequence[Decoded]) -> date | None:
    """The date of the instant: of an RMC that vouches for it, else the one that all agree on, else none."""
    if whole:
        return whole[0].day
    dates = {piece.day for piece in ranked if piece.day is not None}
    return dates.pop() if len(dates) == 1 else None


def _utc(told: TimeOfDay | None, day: date | None) -> datetime | None:
    if told is None or day is None or told.second == 60:
        return None
    return datetime.combine(day, time(*told), UTC)
