"""What is known of how a mount's clock is set and shown, and a look at the clock in that knowledge."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from noonmark.driver.mount import Readings, Talk, Timed
from noonmark.driver.ticking.clockreading import GARBLED_S, ClockMeasure, bounds, measure
from noonmark.driver.ticking.ticks import Ticks
from noonmark.protocols.dialect import Dialect

Phase = Literal["reset", "kept", "unknown"]


@dataclass(slots=True)
class ClockManner:
    """How this mount's clock behaves, as far as a dialect or the mount itself told.

    phase: whether its second begins when its time is set; "unknown" after it was set: even that did not tell. rounds:
    its display; None where nothing tells, and rounding_untold where a setting should have told and did not. since: what
    the clock showed since it was last set. fault: what was found uneven since then.
    """

    phase: Phase = "unknown"
    rounds: bool | None = None
    rounding_untold: bool = False
    since: Ticks | None = None
    fault: str | None = None

    @property
    def goal_s(self) -> float:
        """What the display's error should be: half a second where it rounds; between the two where it may."""
        if self.rounds is None:
            return 0.25 if self.phase == "kept" else 0.0
        return 0.5 if self.rounds else 0.0

    def taken(self, shown: ClockMeasure) -> ClockMeasure:
        """The interval of the clock from that of its display. What was shown since the clock was set is remembered,
        and so is a fault found since then, though a later look may miss it."""
        if self.since is not None:
            self.since, self.fault = shown.evidence, shown.fault or self.fault
        untold = self.rounding_untold or (self.phase == "unknown" and self.since is not None)
        found = shown.of_the_clock(self.rounds, may_round=self.phase == "kept" or untold)
        return found if self.fault is None else found.with_fault(self.fault)


def manner_of(dialect: Dialect, auto: bool) -> ClockManner:
    """What a dialect tells before anything was seen; nothing where it is to be found out."""
    return ClockManner() if auto else ClockManner(dialect.clock.phase, dialect.clock.display_rounds)


def look(talk: Talk, readings: Readings, manner: ClockManner, *, budget_s: float, ticks: int) -> ClockMeasure:
    """Measure the clock beside a reading of everything. Raises Unreachable, TimeLimit, HostSuspended."""
    shown = measure(
        talk, readings.display_hours, budget_s=budget_s, ticks=ticks,
        earlier=readings.local if manner.since is None else (), since=manner.since, doubting=True,
    )  # fmt: skip
    return manner.taken(shown)


def goes_on(measure: ClockMeasure, last: Timed) -> bool:
    """Whether a time read later is what the clock that was measured shows by then. Else it was set or lost meanwhile,
    and the measure is of a clock that is no more."""
    if measure.evidence is None or measure.evidence.contradicted:
        return True  # told already by `fault`
    ticks = measure.evidence.copy()
    ticks.add(last.seconds, last.resolution_s, last.t_before, last.t_first)
    return ticks.contradiction()[0] < GARBLED_S


def glance(readings: Readings, manner: ClockManner) -> ClockMeasure:
    """What the times read beside everything else tell by themselves."""
    return bounds(list(readings.local), readings.display_hours).of_the_clock(
        manner.rounds, may_round=manner.phase == "kept"
    )
