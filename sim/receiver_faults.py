"""What can be wrong with a GNSS receiver: each changes an epoch before it is said, or its bytes after."""

from __future__ import annotations

from math import cos, radians
from typing import TYPE_CHECKING

from noonmark.sim.injection import ReceiverFault
from noonmark.sim.receiver import METRES_PER_DEGREE, framed

if TYPE_CHECKING:
    from noonmark.sim.receiver import Epoch, SimulatedReceiver

ALMANAC_S = 750.0  # the whole almanac takes 12.5 minutes to be sent
JUMPS_AFTER_S = 15.0
WEEKS_OF_ROLLOVER_S = 1024 * 7 * 86400


def _lose_fix(epoch: Epoch) -> None:
    epoch.status, epoch.mode, epoch.quality, epoch.fix = "V", "N", 0, 1
    epoch.satellites, epoch.hdop, epoch.knows_place = 0, 99.9, False


class ColdStart(ReceiverFault):
    """Knows nothing for so many seconds after it is opened."""

    def epoch(self, receiver: SimulatedReceiver, epoch: Epoch) -> None:
        if receiver.timeline.monotonic() - receiver.opened_at < self.amount:
            _lose_fix(epoch)
            epoch.knows_time = False
            self.bite()


class NoFix(ReceiverFault):
    """No fix, but a plausible time from its own clock, `amount` seconds off."""

    def epoch(self, receiver: SimulatedReceiver, epoch: Epoch) -> None:
        _lose_fix(epoch)
        epoch.utc_s += self.amount
        self.bite()


class Rollover(ReceiverFault):
    """Dates lie 1024 weeks back, `amount` times."""

    def epoch(self, receiver: SimulatedReceiver, epoch: Epoch) -> None:
        epoch.utc_s -= WEEKS_OF_ROLLOVER_S * self.amount
        self.bite()


class LeapMissing(ReceiverFault):
    """So many leap seconds are missing, until the almanac has come."""

    def epoch(self, receiver: SimulatedReceiver, epoch: Epoch) -> None:
        if receiver.timeline.monotonic() - receiver.opened_at < ALMANAC_S:
            epoch.utc_s += self.amount
            self.bite()


class LatenessWanders(ReceiverFault):
    """Each epoch is late by another amount, from 50 ms to so many seconds."""

    def attached(self, receiver: SimulatedReceiver) -> None:
        receiver.lateness = (0.05, self.amount)
        receiver.lateness_step_s = self.amount

    def epoch(self, receiver: SimulatedReceiver, epoch: Epoch) -> None:
        self.bite()


class StaleBurst(ReceiverFault):
    """At opening so many seconds' worth of earlier epochs lie in the buffer."""

    def opened(self, receiver: SimulatedReceiver, at: float) -> bytes:
        self.bite()
        now_s = round(receiver.timeline.true_utc_at(at))
        epochs = (receiver.epoch_of(float(now_s - ago)) for ago in range(round(self.amount), 0, -1))
        return b"".join(sentence for epoch in epochs for sentence in receiver.say(epoch))


class ChecksumErrors(ReceiverFault):
    """So many of its sentences, as a fraction of 1, have a digit turned and the checksum left."""

    def sentences(self, receiver: SimulatedReceiver, sentences: list[bytes]) -> list[bytes]:
        return [self._damage(sentence) if self.strikes(self.amount) else sentence for sentence in sentences]

    def _damage(self, sentence: bytes) -> bytes:
        digits = [index for index, byte in enumerate(sentence[:-5]) if 0x30 <= byte <= 0x39]
        if not digits:
            return sentence
        self.bite()
        index = self.random.choice(digits)
        other = 0x30 + (sentence[index] - 0x30 + self.random.randint(1, 9)) % 10
        return sentence[:index] + bytes((other,)) + sentence[index + 1 :]


class BinaryBetween(ReceiverFault):
    """Frames of a binary protocol, up to so many bytes, stand between the sentences."""

    def sentences(self, receiver: SimulatedReceiver, sentences: list[bytes]) -> list[bytes]:
        self.bite()
        mixed: list[bytes] = []
        for sentence in sentences:
            size = self.random.randint(1, max(1, round(self.amount)))
            mixed += [b"\xb5\x62" + self.random.randbytes(size), sentence]
        return mixed


class PositionWalks(ReceiverFault):
    """Its position walks away by so many metres a second, in wandering directions."""

    _north_m = _east_m = 0.0

    def epoch(self, receiver: SimulatedReceiver, epoch: Epoch) -> None:
        self._north_m += self.random.gauss(0.0, self.amount)
        self._east_m += self.random.gauss(0.0, self.amount)
        move(epoch, self._north_m, self._east_m)
        self.bite()


class PlaceJumps(ReceiverFault):
    """After 15 s it is so many metres to the north."""

    def epoch(self, receiver: SimulatedReceiver, epoch: Epoch) -> None:
        if receiver.timeline.monotonic() - receiver.opened_at >= JUMPS_AFTER_S:
            move(epoch, self.amount, 0.0)
            self.bite()


class TimeJumps(ReceiverFault):
    """After 15 s its time is so many seconds ahead."""

    def epoch(self, receiver: SimulatedReceiver, epoch: Epoch) -> None:
        if receiver.timeline.monotonic() - receiver.opened_at >= JUMPS_AFTER_S:
            epoch.utc_s += self.amount
            self.bite()


class Elsewhere(ReceiverFault):
    """It is so many metres to the east of where it should be."""

    def epoch(self, receiver: SimulatedReceiver, epoch: Epoch) -> None:
        move(epoch, 0.0, self.amount)
        self.bite()


class OtherHemisphere(ReceiverFault):
    """Its latitude has the other sign."""

    def epoch(self, receiver: SimulatedReceiver, epoch: Epoch) -> None:
        epoch.latitude_deg = -epoch.latitude_deg
        self.bite()


class NullIsland(ReceiverFault):
    """It gives 0, 0 as its place, and calls that a fix."""

    def epoch(self, receiver: SimulatedReceiver, epoch: Epoch) -> None:
        epoch.latitude_deg = epoch.longitude_deg = epoch.altitude_m = 0.0
        self.bite()


class Hertz(ReceiverFault):
    """It gives so many epochs a second, and only the two shortest of its sentences, as the line allows."""

    def attached(self, receiver: SimulatedReceiver) -> None:
        receiver.rate_hz = self.amount
        receiver.lateness = (0.05, 0.15)

    def epoch(self, receiver: SimulatedReceiver, epoch: Epoch) -> None:
        self.bite()

    def sentences(self, receiver: SimulatedReceiver, sentences: list[bytes]) -> list[bytes]:
        return [sentence for sentence in sentences if sentence[3:6] in (b"RMC", b"GGA")]


class OtherTalkers(ReceiverFault):
    """Talkers change from epoch to epoch, and a sentence of a maker's own stands between."""

    TALKERS = ("GN", "GA", "GL", "GB")

    def epoch(self, receiver: SimulatedReceiver, epoch: Epoch) -> None:
        epoch.talker = self.random.choice(self.TALKERS)
        self.bite()

    def sentences(self, receiver: SimulatedReceiver, sentences: list[bytes]) -> list[bytes]:
        return [*sentences[:1], framed("PXXQ,3,17,0.4"), *sentences[1:]]


class SimulatorMode(ReceiverFault):
    """It simulates: RMC's mode S, GGA's quality 8."""

    def epoch(self, receiver: SimulatedReceiver, epoch: Epoch) -> None:
        epoch.mode, epoch.quality = "S", 8
        self.bite()


class LabelsNextSecond(ReceiverFault):
    """It labels an epoch with a time so many seconds after its own."""

    def epoch(self, receiver: SimulatedReceiver, epoch: Epoch) -> None:
        epoch.utc_s += self.amount
        self.bite()


class SaysNothing(ReceiverFault):
    """It is silent."""

    def sentences(self, receiver: SimulatedReceiver, sentences: list[bytes]) -> list[bytes]:
        self.bite()
        return []


def move(epoch: Epoch, north_m: float, east_m: float) -> None:
    """Shift an epoch's place."""
    epoch.latitude_deg += north_m / METRES_PER_DEGREE
    epoch.longitude_deg += east_m / METRES_PER_DEGREE / max(0.01, cos(radians(epoch.latitude_deg)))
