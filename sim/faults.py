"""The faults, as one table: what each does, how much of it, and which outcomes of a run are honest under it.

`allowed` holds for a `set` on a mount fresh from the works, or a `check` of a rightly set one, with a synchronised
host and a good receiver besides. Whatever is allowed, `confirmed` must also be *true*: compare with `truth()`.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Literal

from noonmark.sim import line_faults as lines
from noonmark.sim import mount_faults as mounts
from noonmark.sim import receiver_faults as receivers
from noonmark.sim.injection import Fault, LineFault, MountFault, ReceiverFault

Kind = Literal["mount", "line", "receiver"]

# A run may get over it, or not; what it must not do is to call a wrong mount right.
_ANY = ("confirmed", "discrepant", "incomplete", "unreachable", "refused")
_WRONG = ("discrepant", "incomplete", "refused")
_TRUTH = ("untrusted",)
_OVERCOME = ("confirmed",)
_WAITS = ("confirmed", "untrusted")
_LATER = ("confirmed", "untrusted", "incomplete")  # it may show before the writing or after


class FaultError(ValueError):
    """A fault is asked for that does not exist, or with an amount that is none."""


@dataclass(frozen=True, slots=True)
class FaultRow:
    """One row of the table. amount: the default of how much, in `unit` ("" where there is nothing to choose)."""

    name: str
    kind: Kind
    what: str
    make: Callable[[str, float, int], Fault]
    allowed: tuple[str, ...]
    amount: float = 0.0
    unit: str = ""

    @property
    def within(self) -> tuple[float, float]:
        """The least and the largest amount that the simulated device can carry out."""
        return (0.0, 3600.0) if self.name in _SPANS else _WITHIN[self.unit]


_WITHIN: dict[str, tuple[float, float]] = {
    "": (0.0, 0.0),
    "of 1": (0.0, 1.0),
    "commands": (0.0, 1e6),
    "messages": (0.0, 1e6),
    "s": (-1e9, 1e9),
    "times": (-3.0, 3.0),
    "bytes": (1.0, 4096.0),
    "m": (-2e7, 2e7),  # half the Earth's circumference
    "m/s": (-1e4, 1e4),
    "Hz": (0.1, 20.0),
    "ppm": (-1e6, 1e6),
}
_SPANS = ("late", "stale-burst", "busy", "forgets", "overwritten", "stalls", "comes-back", "cold-start",
          "lateness-wanders")  # how long it lasts: never less than nothing  # fmt: skip


FAULTS: dict[str, FaultRow] = {
    row.name: row
    for row in (
        # mount
        FaultRow("silent", "mount", "answers so many commands, then nothing", mounts.Silent,
                 ("unreachable", "incomplete"), 0, "commands"),
        FaultRow("late", "mount", "some answers come late", mounts.Late, _ANY, 1.5, "s"),
        FaultRow("one-reply-late", "mount", "an answer comes only before the next one", mounts.OneReplyLate, _ANY),
        FaultRow("half-reply", "mount", "some answers break off", mounts.HalfReply, _ANY),
        FaultRow("doubled-reply", "mount", "some answers come twice", mounts.DoubledReply, _ANY),
        FaultRow("drops-said", "mount", "some answers lose a byte", mounts.DropsSaid, _ANY, 0.06, "of 1"),
        FaultRow("flips-said", "mount", "some answers have a bit turned", mounts.FlipsSaid, _ANY, 0.06, "of 1"),
        FaultRow("drops-heard", "mount", "some commands lose a byte", mounts.DropsHeard, _ANY, 0.06, "of 1"),
        FaultRow("flips-heard", "mount", "some commands have a bit turned", mounts.FlipsHeard, _ANY, 0.06, "of 1"),
        FaultRow("noise", "mount", "random bytes stand before some answers", mounts.Noise, _ANY, 0.06, "of 1"),
        FaultRow("busy", "mount", "once carries nothing out for a while", mounts.Busy, _ANY, 5.0, "s"),
        FaultRow("refuses-setting", "mount", "one of the settings is always refused", mounts.RefusesSetting,
                 ("confirmed", *_WRONG)),
        FaultRow("acknowledges-only", "mount", "one of the settings is acknowledged, not done",
                 mounts.AcknowledgesOnly, ("confirmed", *_WRONG)),
        FaultRow("clamps-value", "mount", "large degrees and hours are taken as less", mounts.ClampsValue,
                 ("confirmed", *_WRONG)),
        FaultRow("truncates-value", "mount", "minutes and tenths are taken as zero", mounts.TruncatesValue,
                 ("confirmed", *_WRONG)),
        FaultRow("forgets", "mount", "a setting is undone after a while", mounts.Forgets,
                 ("confirmed", *_WRONG), 3.0, "s"),
        FaultRow("resets-to-factory", "mount", "falls back to its factory settings", mounts.ResetsToFactory,
                 ("confirmed", *_WRONG), 25, "commands"),
        FaultRow("turns-offset", "mount", "restarts and takes its offset the other way round", mounts.TurnsOffset,
                 _ANY, 25, "commands"),
        FaultRow("clock-stopped", "mount", "its clock stands still", mounts.ClockRate, _WRONG, -1e6, "ppm"),
        FaultRow("clock-fast", "mount", "its clock gains", mounts.ClockRate, ("confirmed", *_WRONG), 20000, "ppm"),
        FaultRow("sidereal-frozen", "mount", "its sidereal time stands still", mounts.SiderealFrozen, _WRONG),
        FaultRow("starts-slewing", "mount", "starts to slew by itself", mounts.StartsSlewing,
                 ("confirmed", "refused", "incomplete"), 20, "commands"),
        FaultRow("overwritten", "mount", "its hand controller writes over the settings", mounts.Overwritten,
                 ("confirmed", *_WRONG), 2.0, "s"),
        FaultRow("switches-memory", "mount", "another site memory is selected", mounts.SwitchesMemory,
                 ("confirmed", *_WRONG), 25, "commands"),
        FaultRow("control-bytes", "mount", "calls itself by terminal escapes", mounts.NameOfControlBytes, _OVERCOME),
        # line
        FaultRow("vanishes", "line", "the port is gone after so many messages", lines.Vanishes,
                 ("unreachable", "incomplete"), 12, "messages"),
        FaultRow("comes-back", "line", "the port is gone, and there again later", lines.ComesBack,
                 ("confirmed", "unreachable", "incomplete"), 1.5, "s"),
        FaultRow("stalls", "line", "at times nothing passes for a while", lines.Stalls, _ANY, 1.5, "s"),
        FaultRow("drops-bytes", "line", "bytes are lost in either direction", lines.DropsBytes, _ANY, 0.05, "of 1"),
        FaultRow("doubles-bytes", "line", "bytes come twice in either direction", lines.DoublesBytes,
                 _ANY, 0.05, "of 1"),
        FaultRow("wrong-baud", "line", "the two ends run at other rates", lines.WrongBaud, ("unreachable",)),
        FaultRow("other-program", "line", "another program talks on it too", lines.OtherProgram, _ANY, 0.15, "of 1"),
        # receiver
        FaultRow("cold-start", "receiver", "knows nothing for a while", receivers.ColdStart, _WAITS, 20.0, "s"),
        FaultRow("no-fix", "receiver", "no fix, but a plausible time", receivers.NoFix, _TRUTH, 0.4, "s"),
        FaultRow("rollover", "receiver", "dates lie 1024 weeks back", receivers.Rollover, _TRUTH, 1, "times"),
        FaultRow("leap-missing", "receiver", "leap seconds are missing until the almanac came",
                 receivers.LeapMissing, _TRUTH, 18.0, "s"),
        FaultRow("lateness-wanders", "receiver", "each epoch is late by another amount", receivers.LatenessWanders,
                 _WAITS, 0.7, "s"),
        FaultRow("stale-burst", "receiver", "earlier epochs lie in the buffer at opening", receivers.StaleBurst,
                 _OVERCOME, 8, "s"),
        FaultRow("checksum-errors", "receiver", "some sentences are damaged", receivers.ChecksumErrors,
                 _WAITS, 0.1, "of 1"),
        FaultRow("binary-between", "receiver", "binary frames between the sentences", receivers.BinaryBetween,
                 _OVERCOME, 20, "bytes"),
        FaultRow("position-walks", "receiver", "its position walks", receivers.PositionWalks, _WAITS, 2.0, "m/s"),
        FaultRow("place-jumps", "receiver", "its place jumps after 15 s", receivers.PlaceJumps, _LATER, 3000.0, "m"),
        FaultRow("time-jumps", "receiver", "its time jumps after 15 s", receivers.TimeJumps, _LATER, 3600.0, "s"),
        FaultRow("elsewhere", "receiver", "it is somewhere else", receivers.Elsewhere, _TRUTH, 3000.0, "m"),
        FaultRow("other-hemisphere", "receiver", "its latitude has the other sign", receivers.OtherHemisphere, _TRUTH),
        FaultRow("null-island", "receiver", "gives 0, 0 as its place", receivers.NullIsland, _TRUTH),
        FaultRow("five-hertz", "receiver", "several epochs a second", receivers.Hertz, _OVERCOME, 5.0, "Hz"),
        FaultRow("other-talkers", "receiver", "talkers change, with sentences of a maker's own",
                 receivers.OtherTalkers, _OVERCOME),
        FaultRow("simulator-mode", "receiver", "says that it simulates", receivers.SimulatorMode, _TRUTH),
        FaultRow("labels-next-second", "receiver", "labels an epoch with a later time", receivers.LabelsNextSecond,
                 _TRUTH, 1.0, "s"),
        FaultRow("says-nothing", "receiver", "is silent", receivers.SaysNothing, _TRUTH),
    )
}  # fmt: skip


def build_fault(spec: str, seed: int = 0) -> Fault:
    """A fault from `name` or `name:amount`. Raises FaultError naming the nearest known name."""
    name, colon, amount_text = spec.partition(":")
    row = FAULTS.get(name)
    if row is None:
        near = difflib.get_close_matches(name, FAULTS, n=1, cutoff=0.0)
        raise FaultError(f"there is no fault {name!r}; the nearest is '{near[0]}'")
    amount = row.amount
    if colon:
        if not row.unit:
            raise FaultError(f"fault '{name}' has no amount to choose; write just '{name}'")
        try:
            amount = float(amount_text)
        except ValueError:
            amount = float("nan")
        least, most = row.within
        if not least <= amount <= most:
            raise FaultError(f"fault '{name}' takes an amount in {row.unit} from {least:g} to {most:g}, as "
                             f"{name}:{row.amount:g}; it has {amount_text!r}")  # fmt: skip
    return row.make(name, amount, seed)


@dataclass(frozen=True, slots=True)
class FaultSet:
    """Faults sorted by where they reach in."""

    mount: tuple[MountFault, ...] = ()
    line: tuple[LineFault, ...] = ()
    receiver: tuple[ReceiverFault, ...] = ()

    @property
    def all(self) -> tuple[Fault, ...]:
        return (*self.mount, *self.line, *self.receiver)


def build_faults(specs: Iterable[str], seed: int = 0) -> FaultSet:
    """Faults from their specs. Raises FaultError."""
    built = [build_fault(spec, seed) for spec in specs]
    return FaultSet(
        tuple(fault for fault in built if isinstance(fault, MountFault)),
        tuple(fault for fault in built if isinstance(fault, LineFault)),
        tuple(fault for fault in built if isinstance(fault, ReceiverFault)),
    )
