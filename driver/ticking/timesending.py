"""Send a time so that its last byte arrives at an instant, and note what really happened when."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from math import ceil
from typing import Any

from noonmark.driver.lines.priority import undisturbed
from noonmark.driver.mount import Talk
from noonmark.driver.ticking.clockmanner import ClockManner
from noonmark.driver.ticking.clockreading import SUSPEND_S, HostSuspended, parted_s
from noonmark.driver.ticking.ticks import Ticks
from noonmark.driver.truth import Truth
from noonmark.protocols import lx

LEAD_S = 0.08  # the link wants to be asked so long before a timed byte
COMMAND_BYTES = 12  # `:SLHH:MM:SS#`
MOST_NEEDED_S = 0.15  # that a mount takes to carry a command out, as a rule
BEFORE_MIDNIGHT_S, AFTER_MIDNIGHT_S = 1.6, 1.2


@dataclass(frozen=True, slots=True)
class Wanted:
    """The local time that the clock shall show. ahead_s: of UTC, where another time scale is wanted (UT1-UTC)."""

    truth: Truth
    offset_h: float
    ahead_s: float = 0.0

    def local_s(self, instant: float) -> float:
        """Seconds since 1970 of local time at a monotonic instant."""
        return self.truth.utc_s(instant) + self.offset_h * 3600.0 + self.ahead_s


@dataclass(frozen=True, slots=True)
class SetTime:
    """A time that was sent. seconds_of_day: written. instant: when its last byte was to arrive (monotonic).

    ahead_s: how long before the second that was. handed_over: the instant read just before the last byte was handed
    over; heard: when the acknowledgement's first byte came; None for none. how: under which scheduling.
    """

    seconds_of_day: int
    instant: float
    ahead_s: float
    accepted: bool | None
    handed_over: float | None
    heard: float | None
    how: str

    @property
    def guess(self) -> tuple[float, float] | None:
        """What the clock minus monotonic should be, if its second began while the command was answered."""
        if self.handed_over is None:
            return None
        latest = self.heard if self.heard is not None else self.handed_over + MOST_NEEDED_S
        return self.seconds_of_day - latest, self.seconds_of_day - self.handed_over

    def value(self) -> dict[str, Any]:
        """For the record. Instants are monotonic seconds of this host."""
        return {
            "seconds_of_day": self.seconds_of_day, "ahead_s": self.ahead_s, "accepted": self.accepted,
            "arrival_meant": self.instant, "last_byte_handed_over": self.handed_over, "answer_heard": self.heard,
            "how": self.how,
        }  # fmt: skip


@dataclass(slots=True)
class TimeSender:
    """Sends the time to one mount. seen: told each write before it is sent. waited: told what took how long."""

    talk: Talk
    wanted: Wanted
    manner: ClockManner
    display_hours: int
    seen: Callable[[str, str], None]
    waited: Callable[[str, float], None]
    sends: list[SetTime] = field(default_factory=list)
    _parted_s: float = 0.0

    def __post_init__(self) -> None:
        self._parted_s = parted_s(self.talk.clock)

    @property
    def period_s(self) -> float:
        """After which the display repeats itself."""
        return 86400.0 if self.display_hours == 24 else 43200.0

    def earliest(self) -> float:
        """The first instant at which the last byte of a command can arrive, clear of midnight: a time written on one
        side of it and carried out on the other would be a day off."""
        clock = self.talk.clock
        lead_s = LEAD_S + (COMMAND_BYTES + 1) * self.talk.link.byte_s
        past = self.wanted.local_s(clock.monotonic() + lead_s) % 86400.0
        if past > 86400.0 - BEFORE_MIDNIGHT_S:
            past -= 86400.0
        if past < AFTER_MIDNIGHT_S:
            clock.wait_until(clock.monotonic() + AFTER_MIDNIGHT_S - past)
            self.waited("local midnight", AFTER_MIDNIGHT_S - past)
        return clock.monotonic() + lead_s

    def send_ahead(self, ahead_s: float) -> SetTime:
        """Send the next second, so that its last byte arrives `ahead_s` before it begins. As `send`."""
        earliest = self.earliest()
        local = self.wanted.local_s(earliest)
        second = ceil(local + ahead_s)
        return self.send(second, earliest + (second - ahead_s - local), ahead_s)

    def send(self, second: int, instant: float, ahead_s: float) -> SetTime:
        """Send a whole second, given in seconds since 1970 of local time, so that its last byte arrives at `instant`.

        Raises HostSuspended, LinkError, TimeLimit.
        """
        clock = self.talk.clock
        asleep = parted_s(clock) - self._parted_s
        if abs(asleep) > SUSPEND_S:
            raise HostSuspended(f"the machine was suspended for {asleep:.2f} s while the mount's clock was set")
        begun = clock.monotonic()
        argument = lx.time_argument(second % 86400)
        self.seen("time", argument)
        self.manner.since, self.manner.fault = Ticks(self.period_s), None
        with undisturbed(clock) as how:
            accepted, exchange = self.talk.write("time", argument, last_byte_at=instant)
        self.waited("sending the time at its second", clock.monotonic() - begun)
        handed = exchange.t_last_before if exchange is not None else None
        heard = exchange.t_first if exchange is not None else None
        sent = SetTime(second % 86400, instant, ahead_s, accepted, handed, heard, how)
        self.sends.append(sent)
        return sent
