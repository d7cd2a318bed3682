"""The GNSS daemon's JSON stream read: reports out of bytes, then epochs out of reports.

One instant is reported several times, as its pieces come. The daemon mends dates by itself: it adds 1024 weeks
to one that seems too old, without a word (seen with release 3.22: a recording of 2009-12-05 is reported as
2029-07-21), so a date from it is no word of the receiver's.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

from noonmark.protocols.epochs import Epoch, Gatherer, why_not
from noonmark.protocols.gpsd_reports import (
    SPOILING_STATUS,
    DaemonError,
    Device,
    Devices,
    LineFault,
    Malformed,
    Other,
    Report,
    Sky,
    Tpv,
    Version,
    Watch,
    read_report,
)

__all__ = [
    "MAX_LINE_BYTES",
    "DaemonError",
    "Device",
    "Devices",
    "Epoch",
    "LineFault",
    "Malformed",
    "Other",
    "Report",
    "ReportReader",
    "Sky",
    "Tpv",
    "TpvAssembler",
    "Version",
    "Watch",
    "watch_command",
]

MAX_LINE_BYTES = 32768
"""Cap on a line. The longest seen is a sky report of 43 satellites, 3.4 kB."""

MAX_DEVICES = 8
"""Receivers whose last sky report is kept."""

_MAX_RAW_BYTES = 256


def watch_command() -> bytes:
    """Ask the daemon to report from now on, as JSON."""
    return b'?WATCH={"enable":true,"json":true};\n'


class ReportReader:
    """Reports out of bytes as they come. Where the input is cut never changes them; nothing raises."""

    __slots__ = ("_held", "_instant", "_overlong")

    def __init__(self) -> None:
        self._held = bytearray()
        self._instant: float | None = None  # of the first byte held
        self._overlong = False

    def feed(self, chunk: bytes, instant: float | None = None) -> list[Report]:
        """Take the next bytes, and the monotonic instant at which they came; the reports they complete."""
        reports: list[Report] = []
        *whole, rest = chunk.split(b"\n")
        for part in whole:
            self._hold(part, instant, reports)
            reports += self._line_ended()
        self._hold(rest, instant, reports)
        return reports

    def finish(self) -> list[Report]:
        """The stream has ended: a line that was begun is cut short."""
        if not self._held.strip():
            return []
        return [self._drop("cut-short")]

    def _hold(self, part: bytes, instant: float | None, reports: list[Report]) -> None:
        if self._overlong or not part:
            return
        if not self._held:
            self._instant = instant
        self._held += part[: MAX_LINE_BYTES + 1 - len(self._held)]
        if len(self._held) > MAX_LINE_BYTES:
            self._overlong = True
            reports.append(self._drop("too-long"))

    def _line_ended(self) -> list[Report]:
        if self._overlong:
            self._overlong = False
            return []
        line = bytes(self._held).strip(b" \t\r")
        if not line:
            self._held.clear()
            return []
        read = read_report(line, self._instant)
        if isinstance(read, str):
            return [self._drop(read)]
        self._held.clear()
        return [read]

    def _drop(self, fault: LineFault) -> Malformed:
        event = Malformed(fault, bytes(self._held[:_MAX_RAW_BYTES]), self._instant)
        self._held.clear()
        return event


class TpvAssembler:
    """Epochs out of the daemon's bytes as they come: one for each distinct instant, however often reported.

    An epoch is stamped with the first byte of its first report. Beside it the last `version`, `devices`, and
    `error` that the daemon told, and what was `malformed`, are kept for telling people what is wrong.
    Several receivers of one daemon are one voice: who disagrees shows as an instant of its own.
    """

    def __init__(self) -> None:
        self.version: Version | None = None
        self.devices: tuple[str, ...] = ()
        self.error: DaemonError | None = None
        self.malformed: Counter[LineFault] = Counter()
        self._reader = ReportReader()
        self._gatherer: Gatherer[Tpv] = Gatherer(self._conclude)
        self._skies: dict[str, Sky] = {}
        self._heard: float | None = None

    def feed(self, chunk: bytes, instant: float | None = None) -> list[Epoch]:
        """Take the next bytes and the monotonic instant of their arrival; the epochs that are now complete."""
        if chunk:
            self._heard = instant
        return self._take(self._reader.feed(chunk, instant))

    def flush_older_than(self, instant: float) -> list[Epoch]:
        """Give the open epoch out if nothing came at or after the monotonic `instant`. For live use.

        What comes later of the same instant is dropped. Without stamps, nothing.
        """
        if self._heard is None or self._heard >= instant:
            return []
        return self._gatherer.close()

    def finish(self) -> list[Epoch]:
        """The stream has ended: the epoch that was open."""
        return self._take(self._reader.finish()) + self._gatherer.close()

    def _take(self, reports: Iterable[Report]) -> list[Epoch]:
        done: list[Epoch] = []
        for report in reports:
            match report:
                case Tpv():
                    done += self._gatherer.add(report)
                case Sky():
                    if report.device in self._skies or len(self._skies) < MAX_DEVICES:
                        self._skies[report.device] = report
                case Version():
                    self.version = report
                case Devices():
                    self.devices = report.paths
                case DaemonError():
                    self.error = report
                case Malformed():
                    self.malformed[report.fault] += 1
                case Device() | Watch() | Other():
                    pass
        return done

    def _conclude(self, tpvs: Sequence[Tpv]) -> Epoch:
        """What the reports of one instant say together: the best fix, unless one report spoils it."""
        placed = [tpv for tpv in tpvs if tpv.latitude_deg is not None and tpv.mode >= 2]
        # The later of equals: it has had more of the receiver's sentences.
        best = max(enumerate(placed), key=lambda each: (each[1].mode, each[0]))[1] if placed else None
        spoilt = [tpv.slug for tpv in tpvs if tpv.status in SPOILING_STATUS and tpv.slug]
        slug = spoilt[0] if spoilt else (best or tpvs[-1]).slug
        sky = self._skies.get((best or tpvs[-1]).device)
        return Epoch(
            utc=tpvs[0].utc,
            latitude_deg=best.latitude_deg if best else None,
            longitude_deg=best.longitude_deg if best else None,
            altitude_m=best.altitude_m if best else None,
            hdop=sky.hdop if sky else None,
            satellites=sky.satellites if sky else None,
            valid=best is not None and tpvs[0].utc is not None,
            usable=not slug,
            why_not=why_not(slug),
            instant=tpvs[0].instant,
            simulated=any(tpv.status == 8 for tpv in tpvs),
        )
