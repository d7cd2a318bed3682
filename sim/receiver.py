"""A simulated GNSS receiver: epochs of true UTC, put into NMEA 0183 sentences, late by a wandering amount.

It is a function of time: it is asked for the bytes that have come by an instant, and makes an epoch when its turn
comes. What is wrong with it is a `ReceiverFault` that changes an epoch before it is put into sentences.
"""

from __future__ import annotations

import datetime as dt
import random
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce
from math import cos, floor, radians
from operator import xor

from noonmark.sim.injection import ReceiverFault
from noonmark.sim.timeline import Timeline

METRES_PER_DEGREE = 111_195.0  # of a great circle, mean radius 6371.0 km
KEPT_S = 60.0  # a line that is not read loses what is older
SENTENCES = ("RMC", "GGA", "ZDA", "GSA")


@dataclass(slots=True)
class Epoch:
    """One epoch as it will be said. utc_s: seconds since 1970 as the receiver believes. Longitude EAST positive.

    status: RMC's A or V. mode: RMC's mode letter. quality: GGA's. fix: GSA's 1 to 3. talker: two letters.
    knows_time, knows_place: False leaves the fields blank.
    """

    utc_s: float
    latitude_deg: float
    longitude_deg: float
    altitude_m: float
    status: str = "A"
    mode: str = "A"
    quality: int = 1
    fix: int = 3
    satellites: int = 9
    hdop: float = 0.9
    talker: str = "GP"
    knows_time: bool = True
    knows_place: bool = True


class SimulatedReceiver:
    """A receiver at a place (degrees, EAST positive; metres above mean sea level).

    lateness: (least, most) seconds from an epoch's UTC to its first byte, wandering by at most lateness_step_s an
    epoch. noise_m: scatter of the position. nav_status: RMC bears the navigational status of NMEA 0183 4.10, which
    always says V here. opens_amid: the first bytes are the tail of a sentence.
    """

    def __init__(
        self,
        *,
        timeline: Timeline,
        latitude_deg: float,
        longitude_deg: float,
        altitude_m: float,
        talker: str = "GP",
        rate_hz: float = 1.0,
        lateness: tuple[float, float] = (0.05, 0.7),
        lateness_step_s: float = 0.04,
        sentences: Sequence[str] = SENTENCES,
        noise_m: float = 1.5,
        baud: int = 9600,
        nav_status: bool = False,
        opens_amid: bool = True,
        faults: Sequence[ReceiverFault] = (),
        seed: int = 0,
    ) -> None:
        unknown = set(sentences) - set(SENTENCES)
        if unknown:
            raise ValueError(f"unknown sentences {sorted(unknown)}; known are {', '.join(SENTENCES)}")
        self.timeline = timeline
        self.latitude_deg = latitude_deg
        self.longitude_deg = longitude_deg
        self.altitude_m = altitude_m
        self.talker = talker
        self.rate_hz = rate_hz
        self.lateness = lateness
        self.lateness_step_s = lateness_step_s
        self.faults = list(faults)
        self.opened_at = 0.0
        self.heard = bytearray()
        self.random = random.Random(f"receiver/{seed}")
        self._sentences = tuple(sentences)
        self._noise_m = noise_m
        self._byte_s = 10.0 / baud if baud else 0.0
        self._nav_status = nav_status
        self._opens_amid = opens_amid
        self._chunks: deque[tuple[float, bytes]] = deque()
        self._late_s = self.random.uniform(*lateness)
        self._wire_free = float("-inf")
        self._parted_s = 0.0
        self._number = 0
        self._epoch_at = float("inf")
        for fault in self.faults:
            fault.attached(self)

    # --- bytes by their instants ----------------------------------------------------------------

    def open(self, at: float) -> None:
        """The line is opened: epochs come from now on, and perhaps something was lying there."""
        self.opened_at = at
        self._chunks.clear()
        self._begin(at)
        lying = b"".join(fault.opened(self, at) for fault in self.faults)
        if not lying and self._opens_amid:
            earlier = self.say(self.epoch_of((self._number - 1) / self.rate_hz))
            lying = earlier[-1][self.random.randrange(1, len(earlier[-1])) :] if earlier else b""
        if lying:
            self._chunks.append((at, lying))

    def _begin(self, at: float) -> None:
        """The next epoch is the first whose bytes begin after this instant."""
        self._parted_s = self.timeline.boottime() - self.timeline.monotonic()
        self._number = floor((self.timeline.true_utc_at(at) - self._late_s) * self.rate_hz) + 1
        self._epoch_at = self.timeline.instant_of(self._number / self.rate_hz) + self._late_s

    def take(self, now: float) -> list[tuple[float, bytes]]:
        """Chunks that have come by now and were not taken yet, each with the instant of its last byte."""
        suspended = abs(self.timeline.boottime() - self.timeline.monotonic() - self._parted_s) > 0.01
        if suspended or now - self._epoch_at > KEPT_S:
            self._begin(now if suspended else now - KEPT_S)
        taken: list[tuple[float, bytes]] = []
        while True:
            while self._chunks and self._chunks[0][0] <= now:
                taken.append(self._chunks.popleft())
            if self._chunks or self._epoch_at > now:
                return taken
            self._send(self.say(self.epoch_of(self._number / self.rate_hz)))

    def next_at(self) -> float:
        """When something may come next."""
        return self._chunks[0][0] if self._chunks else self._epoch_at

    def hear(self, data: bytes, at: float) -> None:
        """What a program sends to it: kept in `heard`, and otherwise ignored."""
        self.heard += data

    def _send(self, sentences: list[bytes]) -> None:
        """Put an epoch's sentences on the wire: of each the first byte, then the rest when its last byte is there."""
        at = max(self._epoch_at, self._wire_free)
        for sentence in sentences:
            if not sentence:
                continue
            self._chunks.append((at + self._byte_s, sentence[:1]))
            at += len(sentence) * self._byte_s
            if len(sentence) > 1:
                self._chunks.append((at, sentence[1:]))
        self._wire_free = at
        low, high = self.lateness
        step = self.lateness_step_s
        self._late_s = min(high, max(low, self._late_s + self.random.uniform(-step, step)))
        self._number += 1
        self._epoch_at = self.timeline.instant_of(self._number / self.rate_hz) + self._late_s

    # --- what is said ---------------------------------------------------------------------------

    def epoch_of(self, utc_s: float) -> Epoch:
        """The epoch of a true UTC (seconds since 1970), faults included."""
        noise_deg = self._noise_m / METRES_PER_DEGREE
        north_deg, east_deg = self.random.gauss(0.0, noise_deg), self.random.gauss(0.0, noise_deg)
        epoch = Epoch(
            utc_s,
            max(-90.0, min(90.0, self.latitude_deg + north_deg)),  # at a pole there is nothing beyond
            self.longitude_deg + east_deg / max(0.01, cos(radians(self.latitude_deg))),
            self.altitude_m + self.random.gauss(0.0, 1.5 * self._noise_m),
            talker=self.talker,
        )
        for fault in self.faults:
            fault.epoch(self, epoch)
        return epoch

    def say(self, epoch: Epoch) -> list[bytes]:
        """The epoch's sentences, line ends included."""
        hundredths = round(epoch.utc_s * 100)
        day = dt.date.fromordinal(719163 + hundredths // 8_640_000)
        time = _time(hundredths % 8_640_000) if epoch.knows_time else ""
        place = _place(epoch) if epoch.knows_place else ",,,"
        sentences = [self._say_one(kind, epoch, day, time, place) for kind in self._sentences]
        for fault in self.faults:
            sentences = fault.sentences(self, sentences)
        return sentences

    def _say_one(self, kind: str, epoch: Epoch, day: dt.date, time: str, place: str) -> bytes:
        knows = epoch.knows_time
        if kind == "RMC":
            date = f"{day.day:02d}{day.month:02d}{day.year % 100:02d}" if knows else ""
            speed = "0.02,," if epoch.knows_place else ",,"
            tail = ",V" if self._nav_status else ""
            body = f"{epoch.talker}RMC,{time},{epoch.status},{place},{speed}{date},,,{epoch.mode}{tail}"
        elif kind == "GGA":
            height = f"{epoch.altitude_m:.1f},M,-22.6,M" if epoch.knows_place else ",M,,M"
            body = (
                f"{epoch.talker}GGA,{time},{place},{epoch.quality},{epoch.satellites:02d},{epoch.hdop:.1f},{height},,"
            )
        elif kind == "ZDA":
            date = f"{day.day:02d},{day.month:02d},{day.year:04d}" if knows else ",,"
            body = f"{epoch.talker}ZDA,{time},{date},00,00"
        else:
            used = [f"{number:02d}" for number in range(2, 2 + epoch.satellites)][:12] if epoch.fix > 1 else []
            slots = ",".join(used + [""] * (12 - len(used)))
            dilutions = f"{epoch.hdop * 1.9:.1f},{epoch.hdop:.1f},{epoch.hdop * 1.6:.1f}"
            body = f"{epoch.talker}GSA,A,{epoch.fix},{slots},{dilutions}"
        return framed(body)


def framed(body: str) -> bytes:
    """`$` body `*` checksum, CR LF. The checksum is the exclusive or of the bytes between `$` and `*` (NMEA 0183)."""
    data = body.encode("ascii")
    return b"$%b*%02X\r\n" % (data, reduce(xor, data, 0))


def _time(hundredths: int) -> str:
    seconds, hundredth = divmod(hundredths, 100)
    return f"{seconds // 3600:02d}{seconds // 60 % 60:02d}{seconds % 60:02d}.{hundredth:02d}"


def _place(epoch: Epoch) -> str:
    latitude = round(abs(epoch.latitude_deg) * 600_000)  # ten-thousandths of a minute
    longitude_deg = (epoch.longitude_deg + 180.0) % 360.0 - 180.0
    longitude = round(abs(longitude_deg) * 600_000)
    north = "S" if epoch.latitude_deg < 0 else "N"
    east = "W" if longitude_deg < 0 else "E"
    return f"{_minutes(latitude, 2)},{north},{_minutes(longitude, 3)},{east}"


def _minutes(count: int, digits: int) -> str:
    degrees, rest = divmod(count, 600_000)
    return f"{degrees:0{digits}d}{rest // 10_000:02d}.{rest % 10_000:04d}"
