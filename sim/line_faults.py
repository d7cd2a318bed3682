"""What can be wrong with a line between a device and the host."""

from __future__ import annotations

from noonmark.protocols.seams import LinkError
from noonmark.sim.injection import LineFault

RARELY = 0.06


class Vanishes(LineFault):
    """The port is gone for good once so many messages went out."""

    _sent = 0
    _gone = False

    def to_device(self, data: bytes, at: float) -> bytes:
        self._sent += 1
        if self._sent > self.amount:
            self._gone = True
            return b""
        return data

    def gone(self, at: float) -> bool:
        if self._gone:
            self.bite()
        return self._gone


class ComesBack(LineFault):
    """The port is gone in mid-run, and there again under the same name so many seconds later."""

    AFTER_MESSAGES = 12
    _sent = 0
    _gone_at: float | None = None
    _opened_at = float("-inf")

    def opened(self, at: float, address: str) -> None:
        if self._gone_at is not None and at < self._gone_at + self.amount:
            raise LinkError(f"{address}: there is no such port", code="port-absent", remedy="Wait, and open it again.")
        self._opened_at = at

    def to_device(self, data: bytes, at: float) -> bytes:
        self._sent += 1
        if self._sent == self.AFTER_MESSAGES:
            self._gone_at = at
            self.bite()
        return b"" if self.gone(at) else data

    def gone(self, at: float) -> bool:
        return self._gone_at is not None and self._opened_at <= self._gone_at


class Stalls(LineFault):
    """Now and then nothing passes for so many seconds, and then all of it."""

    def held_s(self, at: float) -> float:
        if not self.strikes(RARELY):
            return 0.0
        self.bite()
        return self.amount


class _DamagesBytes(LineFault):
    """Now and then one byte of what passes is not as it was, in either direction."""

    def to_device(self, data: bytes, at: float) -> bytes:
        return self._damage(data)

    def to_host(self, data: bytes, at: float) -> bytes:
        return self._damage(data)

    def _damage(self, data: bytes) -> bytes:
        if not data or not self.strikes(self.amount):
            return data
        self.bite()
        return self.damaged(data, self.random.randrange(len(data)))

    def damaged(self, data: bytes, index: int) -> bytes:
        """The bytes with the one at `index` damaged."""
        raise NotImplementedError


class DropsBytes(_DamagesBytes):
    """Bytes are lost in either direction."""

    def damaged(self, data: bytes, index: int) -> bytes:
        return data[:index] + data[index + 1 :]


class DoublesBytes(_DamagesBytes):
    """Bytes come twice in either direction."""

    def damaged(self, data: bytes, index: int) -> bytes:
        return data[: index + 1] + data[index:]


class WrongBaud(LineFault):
    """Both ends run at other rates: what arrives has little to do with what was sent."""

    def to_device(self, data: bytes, at: float) -> bytes:
        return self._garble(data)

    def to_host(self, data: bytes, at: float) -> bytes:
        return self._garble(data)

    def _garble(self, data: bytes) -> bytes:
        self.bite()
        # Each slow byte is sampled as one or two quick ones, most of them with a high bit that no text has.
        return bytes(value for byte in data for value in ((byte * 37 + 11) & 0xFF | 0x80, byte ^ 0xF8)[: 1 + byte % 2])


class OtherProgram(LineFault):
    """Another program has the port open too: its questions mix with ours, and it takes some of our answers."""

    QUESTIONS = (b":GR#", b":GD#", b":GS#")

    def to_device(self, data: bytes, at: float) -> bytes:
        if not self.strikes(self.amount):
            return data
        self.bite()
        other = self.random.choice(self.QUESTIONS)
        cut = self.random.choice((0, 0, len(data), self.random.randint(0, len(data))))
        return data[:cut] + other + data[cut:]

    def to_host(self, data: bytes, at: float) -> bytes:
        if not data or self.random.random() >= self.amount / 2:
            return data
        self.bite()
        return data[self.random.randint(1, len(data)) :]
