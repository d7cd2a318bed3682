"""A mount on a line in virtual time, and the driver's talk with it: nothing else, so that thousands take seconds."""

from __future__ import annotations

import datetime as dt
import random
from collections.abc import Sequence
from dataclasses import dataclass

from noonmark.driver.allowlist import GuardedLink
from noonmark.driver.clockset import Brought, ClockManner, ClockMeasure, ClockSetter, Wanted, manner_of, measure
from noonmark.driver.mount import Talk
from noonmark.driver.truth import Truth
from noonmark.protocols.dialect import USUAL, Dialect, TimeOfDay
from noonmark.sim.injection import LineFault, MountFault
from noonmark.sim.line import SimLink
from noonmark.sim.mount import SimulatedMount
from noonmark.sim.state import Quirks, factory
from noonmark.sim.timeline import VirtualClock
from noonmark.sim.wire import LineManner

NOON = dt.datetime(2026, 11, 24, 12, 0, tzinfo=dt.UTC)
OFFSET_H = 10.5
BAUDS = (1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200)


def clock_dialect(**options: object) -> Dialect:
    """The usual dialect with another clock."""
    return USUAL.model_copy(update={"clock": TimeOfDay.model_validate(options)})


@dataclass
class Stand:
    """One mount, its line, and the talk with it. `truth` is exact."""

    clock: VirtualClock
    mount: SimulatedMount
    link: SimLink
    talk: Talk
    truth: Truth
    dialect: Dialect
    setter: ClockSetter | None = None

    def measure(self, **options: object) -> ClockMeasure:
        """The clock as displayed."""
        hours = self.dialect.clock.display_hours
        return measure(self.talk, hours, **options)  # type: ignore[arg-type]

    def bring(self, *, auto: bool = True, before: bool = True, ahead_s: float = 0.0, worth_s: float = 0.0) -> Brought:
        """Set its clock and bring it right."""
        shown = self.measure() if before else None
        self.setter = ClockSetter(
            self.talk, Wanted(self.truth, OFFSET_H, ahead_s), manner_of(self.dialect, auto),
            self.dialect.clock.display_hours, lambda _name, _argument: None, lambda _what, _seconds: None, shown, worth_s,
        )  # fmt: skip
        return self.setter.bring()

    @property
    def manner(self) -> ClockManner:
        assert self.setter is not None
        return self.setter.manner

    @property
    def period_s(self) -> float:
        return 86400.0 if self.dialect.clock.display_hours == 24 else 43200.0

    def displayed_minus_monotonic(self, at: float) -> float:
        """What is really displayed at an instant, not cut to what is shown, minus that instant."""
        hidden = self.mount.truth(at)
        civil_s = (hidden.offset_h + hidden.daylight_h) * 3600.0
        return self.clock.true_utc_at(at) + civil_s + hidden.display_error_s - at

    def beyond_s(self, found: ClockMeasure, *, clock_itself: bool = False) -> float:
        """By how much what is hidden lies outside the interval stated; 0 or less where it keeps its word."""
        hidden = self.displayed_minus_monotonic(found.at)
        if clock_itself:
            truth = self.mount.truth(found.at)
            hidden += truth.clock_error_s - truth.display_error_s
        hidden += round((found.middle - hidden) / self.period_s) * self.period_s
        return max(found.low - hidden, hidden - found.high)

    def error_s(self) -> float:
        """How far its clock itself is from the local time wanted, now."""
        at = self.clock.monotonic()
        error = self.mount.firmware.local_s(at) - self.clock.true_utc_at(at) - OFFSET_H * 3600.0
        return (error + 43200.0) % 86400.0 - 43200.0


def stand(
    seed: int = 1,
    *,
    dialect: Dialect = USUAL,
    quirks: Quirks | None = None,
    manner: LineManner | None = None,
    drift_ppm: float = 0.0,
    utc: dt.datetime | None = None,
    error_s: float | None = None,
    mount_faults: Sequence[MountFault] = (),
    line_faults: Sequence[LineFault] = (),
    limit_s: float = 1e6,
) -> Stand:
    """A mount at an instant of a day drawn from `seed` (or `utc`), its clock `error_s` off (drawn: 100 s at most)."""
    draw = random.Random(f"stand/{seed}")
    start = NOON + dt.timedelta(seconds=draw.uniform(0.0, 86400.0)) if utc is None else utc
    clock = VirtualClock(start)
    state = factory(start)
    state.offset_h = OFFSET_H
    state.local_s = state.at_utc_s + OFFSET_H * 3600.0 + (draw.uniform(-100.0, 100.0) if error_s is None else error_s)
    state.drift_ppm = drift_ppm
    mount = SimulatedMount(dialect, timeline=clock, state=state, quirks=quirks, seed=seed, faults=mount_faults)
    link = SimLink(mount, clock, manner=manner, faults=line_faults, seed=seed)
    talk = Talk(GuardedLink(link), clock, 2.0, clock.monotonic() + limit_s)
    apart = clock.true_utc_at(0.0)
    truth = Truth(True, True, True, apart, apart, (), "", "")
    return Stand(clock, mount, link, talk, truth, dialect)


def declared(seed: int, dialect: Dialect = USUAL) -> Stand:
    """A random mount of the kind for which an interval is stated.

    Lag 0 to 150 ms, jittering or steady, unequal before and after the reading; drift to 5000 ppm; 1200 to 115200
    baud; an adapter that holds bytes for 16 ms, a bridge that joins them, a network that delays them; the display
    truncates.
    """
    draw = random.Random(f"declared/{seed}")
    before = sorted(draw.uniform(0.0, 0.15) for _ in range(2))
    after = sorted(draw.uniform(0.0, 0.15) for _ in range(2))
    if draw.random() < 0.3:
        before[1] = before[0]
    if draw.random() < 0.3:
        after[1] = after[0]
    scale = draw.choice((1.0, 0.3, 0.1, 0.0))
    quirks = Quirks(
        lag_before_s=(before[0] * scale, before[1] * scale), lag_after_s=(after[0] * scale, after[1] * scale)
    )
    manner = LineManner(
        baud=draw.choice(BAUDS), hold_s=draw.choice((0.0, 0.0, 0.016)), joins=draw.random() < 0.3,
        lag_s=draw.choice(((0.0, 0.0), (0.0, 0.02))),
    )  # fmt: skip
    drift = draw.uniform(-5000.0, 5000.0) if draw.random() < 0.8 else draw.choice((-5000.0, 5000.0))
    return stand(seed, dialect=dialect, quirks=quirks, manner=manner, drift_ppm=drift)
