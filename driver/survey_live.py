"""Epochs for a survey from a receiver that is listened to, or from a recording of one."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from noonmark.driver.sources.assembling import ReceiverKind, assembler_for
from noonmark.driver.survey import SurveyError
from noonmark.protocols.epochs import Epoch
from noonmark.protocols.seams import Clock, Stream

NAMES: dict[ReceiverKind, str] = {"nmea": "NMEA sentences", "gpsd": "the GNSS daemon's reports"}

QUIET_S = 0.3
"""A burst is over when nothing came for so long."""

SILENT_S = 10.0
MAX_RECORDING_BYTES = 256 * 1024 * 1024
_SLICE_S = 0.25


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a survey has come. `last_why`: why the newest epoch can't be gone by, "" where it can."""

    elapsed_s: float
    duration_s: float
    epochs: int
    usable: int
    last_why: str


def collect(
    stream: Stream, kind: ReceiverKind, clock: Clock, duration_s: float, tell: Callable[[Progress], None] | None = None
) -> list[Epoch]:
    """The epochs that come within `duration_s`; `tell` is called about once a second.

    Raises StreamError when the line fails, SurveyError when not a byte comes within 10 s.
    """
    if kind == "gpsd":
        from noonmark.protocols.gpsd import watch_command

        stream.write(watch_command())
    assembler = assembler_for(kind)
    epochs: list[Epoch] = []
    start = told = clock.monotonic()
    heard = False
    while (now := clock.monotonic()) - start < duration_s:
        for instant, chunk in stream.read(min(now + _SLICE_S, start + duration_s)):
            heard = True
            epochs += assembler.feed(chunk, instant)
        now = clock.monotonic()
        epochs += assembler.flush_older_than(now - QUIET_S)
        if not heard and now - start > SILENT_S:
            raise SurveyError(
                "receiver-silent",
                f"not a byte came from {stream.address} within {SILENT_S:.0f} s",
                "check the address, the baud rate, and that no other program reads it",
            )
        if tell is not None and now - told >= 1.0:
            told = now
            tell(_progress(now - start, duration_s, epochs))
    return epochs + assembler.finish()


def _progress(elapsed_s: float, duration_s: float, epochs: list[Epoch]) -> Progress:
    usable = sum(epoch.usable for epoch in epochs)
    return Progress(elapsed_s, duration_s, len(epochs), usable, epochs[-1].why_not if epochs else "no epoch so far")


def recorded(path: Path, kind: ReceiverKind) -> list[Epoch]:
    """The epochs of a recording: the raw bytes as they came. Raises SurveyError for a file that can't be read, and for
    one without any."""
    assembler = assembler_for(kind)
    epochs: list[Epoch] = []
    read = 0
    try:
        with path.open("rb") as file:
            while chunk := file.read(65536):
                read += len(chunk)
                if read > MAX_RECORDING_BYTES:
                    raise SurveyError("recording-too-long", f"{path} is over 256 MiB", "cut it to an hour or so")
                epochs += assembler.feed(chunk)
    except OSError as error:
        raise SurveyError(
            "recording-unreadable", f"{path} can't be read: {error.strerror}", "check the name given to --from"
        ) from None
    epochs += assembler.finish()
    if not epochs:
        raise SurveyError(
            "recording-empty",
            f"{path} holds no epoch of {NAMES[kind]}",
            "record the bytes as they come, or mend --source",
        )
    return epochs
