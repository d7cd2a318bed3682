"""What can be wrong with a mount: one class each, small, injected in the mount itself."""

from __future__ import annotations

from typing import TYPE_CHECKING

from noonmark.sim.injection import Fault, MountFault, Reply
from noonmark.sim.state import factory

if TYPE_CHECKING:
    from noonmark.sim.mount import SimulatedMount

SETTERS = (b"SC", b"SL", b"SG", b"Sg", b"St")
ESCAPES = b"\x1b[31m\x1b]0;owned\x07\x00\x9b2J\r\n\xff<b>Mount</b>"
RARELY = 0.06  # chance of a further bite at each opportunity after the first
RESTART_S = 2.0


class Silent(MountFault):
    """Answers so many commands and then nothing more."""

    _answered = 0

    def instead(self, mount: SimulatedMount, command: bytes, at: float) -> bytes | None:
        self._answered += 1
        if self._answered <= self.amount:
            return None
        self.bite()
        return b""


class Late(MountFault):
    """Some answers come so many seconds late, while the mount goes on."""

    def replies(self, mount: SimulatedMount, command: bytes, replies: list[Reply]) -> list[Reply]:
        if not replies or not self.strikes(RARELY):
            return replies
        self.bite()
        return [(ready + self.amount, data) for ready, data in replies]


class OneReplyLate(MountFault):
    """An answer is held back and comes just before the next one."""

    _held: bytes | None = None

    def replies(self, mount: SimulatedMount, command: bytes, replies: list[Reply]) -> list[Reply]:
        if not replies:
            return replies
        if self._held is not None:
            replies = [(replies[0][0], self._held), *replies]
            self._held = None
            return replies
        if not self.strikes(RARELY):
            return replies
        self.bite()
        self._held = replies[0][1]
        return replies[1:]


class HalfReply(MountFault):
    """Some answers break off in the middle."""

    def replies(self, mount: SimulatedMount, command: bytes, replies: list[Reply]) -> list[Reply]:
        if not replies or len(replies[0][1]) < 2 or not self.strikes(RARELY):
            return replies
        self.bite()
        ready, data = replies[0]
        return [(ready, data[: len(data) // 2]), *replies[1:]]


class DoubledReply(MountFault):
    """Some answers come twice."""

    def replies(self, mount: SimulatedMount, command: bytes, replies: list[Reply]) -> list[Reply]:
        if not replies or not self.strikes(RARELY):
            return replies
        self.bite()
        return [item for item in replies for _ in range(2)]


class _BytesSaid(MountFault):
    """Some answers are damaged on leaving the mount."""

    def damage(self, data: bytes) -> bytes:
        raise NotImplementedError

    def replies(self, mount: SimulatedMount, command: bytes, replies: list[Reply]) -> list[Reply]:
        if not replies or not self.strikes(self.amount):
            return replies
        self.bite()
        ready, data = replies[0]
        return [(ready, self.damage(data)), *replies[1:]]


class _BytesHeard(MountFault):
    """Some commands are damaged on entering the mount."""

    def damage(self, data: bytes) -> bytes:
        raise NotImplementedError

    def heard(self, mount: SimulatedMount, data: bytes) -> bytes:
        if not data or not self.strikes(self.amount):
            return data
        self.bite()
        return self.damage(data)


class DropsSaid(_BytesSaid):
    """A byte of an answer is lost."""

    def damage(self, data: bytes) -> bytes:
        return drop_one(self, data)


class FlipsSaid(_BytesSaid):
    """A bit of an answer is turned."""

    def damage(self, data: bytes) -> bytes:
        return flip_one(self, data)


class DropsHeard(_BytesHeard):
    """A byte of a command is lost."""

    def damage(self, data: bytes) -> bytes:
        return drop_one(self, data)


class FlipsHeard(_BytesHeard):
    """A bit of a command is turned."""

    def damage(self, data: bytes) -> bytes:
        return flip_one(self, data)


class Noise(_BytesSaid):
    """Random bytes stand before an answer."""

    def damage(self, data: bytes) -> bytes:
        return self.random.randbytes(self.random.randint(1, 12)) + data


class Busy(MountFault):
    """Once carries nothing out for so many seconds; what is asked meanwhile waits."""

    def delay_s(self, mount: SimulatedMount, command: bytes, at: float) -> float:
        if self.bites or not self.strikes(0.0):
            return 0.0
        self.bite()
        return self.amount


class RefusesSetting(MountFault):
    """One of the settings is always refused."""

    def __init__(self, name: str, amount: float, seed: int) -> None:
        super().__init__(name, amount, seed)
        self.letters = self.random.choice(SETTERS)

    def instead(self, mount: SimulatedMount, command: bytes, at: float) -> bytes | None:
        if command[:2] != self.letters:
            return None
        self.bite()
        return acknowledgement(mount, b"0")


class AcknowledgesOnly(RefusesSetting):
    """One of the settings is acknowledged and not carried out."""

    def instead(self, mount: SimulatedMount, command: bytes, at: float) -> bytes | None:
        if command[:2] != self.letters:
            return None
        self.bite()
        return acknowledgement(mount, b"1")


class ClampsValue(MountFault):
    """Degrees beyond 100 (longitude) or 30 (latitude) and hours beyond 8 (offset) are taken as just these."""

    def argument(self, mount: SimulatedMount, letters: bytes, argument: bytes) -> bytes:
        limit = {b"Sg": 100, b"St": 30, b"SG": 8}.get(letters)
        if limit is None:
            return argument
        start = 1 if argument[:1] in (b"+", b"-") else 0
        digits = 3 if letters == b"Sg" else 2
        whole = argument[start : start + digits]
        if not whole.isdigit() or int(whole) <= limit:
            return argument
        self.bite()
        return b"%b%0*d%b" % (argument[:start], digits, limit, argument[start + digits :])


class TruncatesValue(MountFault):
    """Minutes and tenths of a place or an offset are taken as zero."""

    def argument(self, mount: SimulatedMount, letters: bytes, argument: bytes) -> bytes:
        if letters not in (b"Sg", b"St", b"SG"):
            return argument
        whole = 4 if argument[:1] in (b"+", b"-") else 3
        kept = whole if letters == b"Sg" else whole - 1
        cut = argument[:kept] + argument[kept:].translate(_ZEROS)
        if cut != argument:
            self.bite()
        return cut


class Forgets(MountFault):
    """So many seconds after a setting it is again what it was before."""

    def after(self, mount: SimulatedMount, command: bytes, at: float) -> None:
        changes = mount.firmware.changes
        if command[:2] not in SETTERS or not changes or changes[-1].instant != at:
            return
        name, before, after = changes[-1].name, changes[-1].before, changes[-1].after

        def forget(now: float) -> None:
            firmware = mount.firmware
            if name in ("date", "time"):
                firmware.set_local(firmware.local_s(now) + before - after, now)
            else:
                firmware.overwrite({_FIELDS[name]: before}, now)
            self.bite()

        mount.firmware.later(at + self.amount, forget)


class _AtCommand(MountFault):
    """Happens once, as command number `amount` arrives."""

    _heard = 0

    def happen(self, mount: SimulatedMount, at: float) -> None:
        raise NotImplementedError

    def delay_s(self, mount: SimulatedMount, command: bytes, at: float) -> float:
        self._heard += 1
        if self._heard == max(1, round(self.amount)):
            self.happen(mount, at)
            self.bite()
        return 0.0


class ResetsToFactory(_AtCommand):
    """Falls back to its factory settings."""

    def happen(self, mount: SimulatedMount, at: float) -> None:
        mount.firmware.replace_state(factory(mount.timeline.true_utc_at(at)), at)


class TurnsOffset(_AtCommand):
    """Restarts, and takes its offset the other way round from then on."""

    def happen(self, mount: SimulatedMount, at: float) -> None:
        mount.firmware.turn_offset()
        mount.power_cycle(at)  # after it: the sidereal time is renewed at the restart, as its offset is then taken

    def delay_s(self, mount: SimulatedMount, command: bytes, at: float) -> float:
        bites = self.bites
        super().delay_s(mount, command, at)
        return RESTART_S if self.bites > bites else 0.0


class StartsSlewing(_AtCommand):
    """Starts to slew by itself."""

    def happen(self, mount: SimulatedMount, at: float) -> None:
        mount.state.slewing = True


class SwitchesMemory(_AtCommand):
    """Somebody selects another site memory at the hand controller: 40 N, 90 W."""

    def happen(self, mount: SimulatedMount, at: float) -> None:
        number = mount.state.memory + 1
        mount.state.memories[str(number)] = [40.0, -90.0]
        mount.firmware.select_memory(number, at)


class ClockRate(MountFault):
    """Its clock gains `amount` parts per million; -1e6 is a clock that stands still."""

    def attached(self, mount: SimulatedMount) -> None:
        mount.firmware.set_rate(self.amount, mount.timeline.monotonic())

    def after(self, mount: SimulatedMount, command: bytes, at: float) -> None:
        if command in (b"GL", b"SL"):
            self.bite()


class SiderealFrozen(MountFault):
    """Its sidereal time stands still."""

    def attached(self, mount: SimulatedMount) -> None:
        mount.firmware.freeze_sidereal(mount.timeline.monotonic())

    def after(self, mount: SimulatedMount, command: bytes, at: float) -> None:
        if command == b"GS":
            self.bite()


class Overwritten(MountFault):
    """So many seconds after a setting its hand controller writes its own place and time over it."""

    def after(self, mount: SimulatedMount, command: bytes, at: float) -> None:
        if command[:2] not in SETTERS:
            return

        def overwrite(now: float) -> None:
            mount.firmware.overwrite({"longitude_deg": -90.0, "latitude_deg": 40.0, "local_shift_s": 47.0}, now)
            self.bite()

        mount.firmware.later(at + self.amount, overwrite)


class NameOfControlBytes(MountFault):
    """What it calls itself is full of terminal escapes and control bytes."""

    def attached(self, mount: SimulatedMount) -> None:
        mount.firmware.rename(ESCAPES)

    def after(self, mount: SimulatedMount, command: bytes, at: float) -> None:
        if command == b"GVP":
            self.bite()


_FIELDS = {"longitude": "longitude_deg", "latitude": "latitude_deg", "offset": "offset_h"}
_ZEROS = bytes(0x30 if 0x30 <= value <= 0x39 else value for value in range(256))


def acknowledgement(mount: SimulatedMount, flag: bytes) -> bytes:
    """A flag in the manner of the mount's dialect."""
    return {"plain": flag, "end-mark": flag + b"#", "none": b""}[mount.dialect.acknowledgement]


def drop_one(fault: Fault, data: bytes) -> bytes:
    """Without one of its bytes."""
    index = fault.random.randrange(len(data))
    return data[:index] + data[index + 1 :]


def flip_one(fault: Fault, data: bytes) -> bytes:
    """With one bit of one byte turned."""
    index = fault.random.randrange(len(data))
    flipped = data[index] ^ (1 << fault.random.randrange(8))
    return data[:index] + bytes((flipped,)) + data[index + 1 :]
