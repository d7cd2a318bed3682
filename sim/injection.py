"""Where faults reach in: hooks at the device and at the line, never around the program under test.

Each kind has a base class whose hooks change nothing. A fault counts how often it bit, so that a test can tell
an injected fault that was never consumed.
"""

from __future__ import annotations

import random
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from noonmark.sim.mount import SimulatedMount
    from noonmark.sim.receiver import Epoch, SimulatedReceiver

Reply = tuple[float, bytes]  # ready to be sent from this instant on


class Fault:
    """What all faults share. amount: how much, in the unit its row names."""

    def __init__(self, name: str, amount: float, seed: int) -> None:
        self.name = name
        self.amount = amount
        self.bites = 0
        self.random = random.Random(f"{name}/{seed}")
        self._chances = 0
        self._first = self.random.randint(1, 4)

    def bite(self) -> None:
        """Count that it did its harm."""
        self.bites += 1

    def strikes(self, chance: float) -> bool:
        """Whether it does its harm at this opportunity: surely at one of the first four, later by chance."""
        self._chances += 1
        return self._chances == self._first or (self._chances > self._first and self.random.random() < chance)


class MountFault(Fault):
    """Hooks in a mount. Commands are without the leading `:` and the end mark."""

    def attached(self, mount: SimulatedMount) -> None:
        """The mount is switched on with this fault in it."""

    def heard(self, mount: SimulatedMount, data: bytes) -> bytes:
        """Bytes as they reach the mount's input."""
        return data

    def delay_s(self, mount: SimulatedMount, command: bytes, at: float) -> float:
        """More seconds before the command is carried out; what comes after it waits too."""
        return 0.0

    def instead(self, mount: SimulatedMount, command: bytes, at: float) -> bytes | None:
        """Bytes sent in place of carrying the command out (b"" for none); None: carry it out."""
        return None

    def argument(self, mount: SimulatedMount, letters: bytes, argument: bytes) -> bytes:
        """The argument of a setting as the mount takes it."""
        return argument

    def after(self, mount: SimulatedMount, command: bytes, at: float) -> None:
        """The command was carried out."""

    def replies(self, mount: SimulatedMount, command: bytes, replies: list[Reply]) -> list[Reply]:
        """The answers as they are sent."""
        return replies


class LineFault(Fault):
    """Hooks in the line between a device and the host."""

    def opened(self, at: float, address: str) -> None:
        """A program opens the port. Raises LinkError where it does not exist now."""

    def to_device(self, data: bytes, at: float) -> bytes:
        """Bytes on their way to the device; `at`: when the host handed them over."""
        return data

    def to_host(self, data: bytes, at: float) -> bytes:
        """Bytes on their way to the host; `at`: when the first of them would be sent."""
        return data

    def held_s(self, at: float) -> float:
        """More seconds before bytes sent at this instant reach the other end."""
        return 0.0

    def gone(self, at: float) -> bool:
        """Whether the port does not exist at this instant."""
        return False


class ReceiverFault(Fault):
    """Hooks in a receiver."""

    def attached(self, receiver: SimulatedReceiver) -> None:
        """The receiver is switched on with this fault in it."""

    def opened(self, receiver: SimulatedReceiver, at: float) -> bytes:
        """Bytes that lie in the buffer when the line is opened."""
        return b""

    def epoch(self, receiver: SimulatedReceiver, epoch: Epoch) -> None:
        """One epoch before it is put into sentences; change it in place."""

    def sentences(self, receiver: SimulatedReceiver, sentences: list[bytes]) -> list[bytes]:
        """The epoch's sentences as they are sent, line ends included."""
        return sentences
