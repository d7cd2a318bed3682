"""What the mount's own sidereal clock proves: which conventions survive, and whether the settings are right.

A convention is constant for a mount, so that what one reading excludes stays excluded. `confirmed` needs that
every convention that still fits finds every setting right: otherwise the same values could mean another sky.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field

from noonmark.driver import conventions
from noonmark.driver.comparison import Judgement, judge, latitude_by_sky
from noonmark.driver.config import Config
from noonmark.driver.conventions import Convention, Hypothesis
from noonmark.driver.escaping import escape
from noonmark.driver.mount import Readings
from noonmark.driver.ticking.clockreading import ClockMeasure
from noonmark.driver.truth import Truth
from noonmark.protocols.sexagesimal import wrap_signed

FOLLOW_S = 60.0
"""A shift of the sidereal time that no misreading could pass for."""

IMPRECISE_S = 150.0
"""A firmware in single precision is off by up to 103 s (24-bit mantissa on a Julian Date); beyond this the clock
is not a computation from the settings at all."""

CLOCK_DOES_NOT_FOLLOW = ("sidereal-clock-independent", "sidereal-clock-imprecise")
"""What `sidereal_trouble` calls a sidereal clock that can prove nothing."""

ADVANCE_TOLERANCE_S = 2.2  # two displays in whole seconds, and the spread of their readings


@dataclass(frozen=True, slots=True)
class Sight:
    """One reading of everything, and every hypothesis about it."""

    readings: Readings
    measure: ClockMeasure
    hypotheses: tuple[Hypothesis, ...]

    @property
    def runs(self) -> bool:
        """Whether the sidereal clock went on between its readings, where they lie far enough apart to tell."""
        first, last = self.readings.sidereal[0], self.readings.sidereal[-1]
        if last.instant - first.instant < ADVANCE_TOLERANCE_S + 0.8:
            return True
        return abs(conventions.sidereal_advance_error_s(self.readings)) <= ADVANCE_TOLERANCE_S

    @property
    def fitting(self) -> tuple[Hypothesis, ...]:
        return tuple(one for one in self.hypotheses if one.fits) if self.runs else ()

    @property
    def conventions(self) -> frozenset[Convention]:
        return frozenset(one.convention for one in self.fitting)

    @property
    def least_misfit_s(self) -> float:
        return min((abs(one.residual_s) for one in self.hypotheses), default=math.inf)


@dataclass(frozen=True, slots=True)
class Decision:
    """What a sight means for a site. `state`:

    right      every surviving convention finds all right
    wrong      every surviving convention finds something wrong
    ambiguous  some find all right and some don't
    none       no convention fits what the sidereal clock shows
    """

    state: str
    judgements: tuple[Judgement, ...]
    survivors: frozenset[Convention]

    @property
    def best(self) -> Judgement | None:
        return self.judgements[0] if self.judgements else None


@dataclass(slots=True)
class Evidence:
    """All sights of one run, and which conventions survive them."""

    allowed: tuple[Convention, ...]
    declared: Convention | None = None
    history: list[Sight] = field(default_factory=list)
    survivors: frozenset[Convention] = frozenset()

    def look(self, readings: Readings, measure: ClockMeasure) -> Sight:
        """Weigh a reading against every convention there is, the declared one included."""
        found = conventions.hypotheses(readings, conventions.ALL)
        return Sight(readings, measure, tuple(found))

    def add(self, sight: Sight, *, fresh: bool) -> bool:
        """Take a sight into the history. False when it contradicts everything before.

        `fresh`: the time was set just before it, so that the sidereal clock must be up to date; a sight that is
        not can be stale, and is dropped where a later one contradicts it.
        """
        if not self.history:
            self.survivors = sight.conventions
        else:
            common = self.survivors & sight.conventions
            if not common and fresh:
                self.history.clear()
                self.survivors = sight.conventions
                self.history.append(sight)
                return False
            self.survivors = common or self.survivors
        self.history.append(sight)
        return bool(sight.conventions)

    def preferred(self) -> Convention:
        """The convention to write in: the declared one, else the most usual that survives."""
        if self.declared is not None:
            return self.declared
        return min(self.survivors) if self.survivors else min(self.allowed)

    def followed(self, sight: Sight) -> bool:
        """Whether the sidereal clock was seen to move with the settings: an earlier sight that fits the same
        convention, from which the predicted sidereal time has shifted by more than could be chance."""
        for now in sight.fitting:
            if now.convention not in self.survivors:
                continue
            for earlier in self.history:
                if earlier is sight:
                    continue
                for then in earlier.fitting:
                    if then.convention == now.convention and abs(_shift_s(then, now)) > FOLLOW_S:
                        return True
        return False


def _shift_s(then: Hypothesis, now: Hypothesis) -> float:
    """By how much the sidereal time predicted moved beyond the time that went by, seconds."""
    return wrap_signed(_phase_s(now) - _phase_s(then), 86400.0)


def _phase_s(one: Hypothesis) -> float:
    sidereal = conventions.greenwich_sidereal_s(one.utc_s) + one.longitude_deg * conventions.SECONDS_PER_DEGREE
    return sidereal - one.instant * conventions.SIDEREAL_PER_SOLAR


def decide(
    sight: Sight,
    survivors: Iterable[Convention],
    truth: Truth,
    zone_offset_h: float | None,
    config: Config,
    written_deg: float,
    declared: Convention | None,
) -> Decision:
    """Judge the sight under every convention that still fits; the most usual, or the declared one, first. Where none
    fits, under the declared one all the same: what it says is to be told, though no sky proves it."""
    alive = frozenset(survivors) & sight.conventions
    seen: dict[tuple[bool, float, float, float], Hypothesis] = {}
    for one in sorted(sight.fitting, key=lambda h: (h.convention != declared, h.convention, abs(h.residual_s))):
        if one.convention in alive:
            key = (one.convention.local_is_utc, one.offset_h, one.local_s, round(one.longitude_deg, 6))
            seen.setdefault(key, one)
    likely = list(seen.values()) or _as_declared(sight, declared)
    judgements = tuple(
        judge(sight.readings, one, sight.measure, truth, zone_offset_h, config, written_deg) for one in likely
    )
    if not seen:
        return Decision("none", judgements, alive)
    if declared is not None and judgements[0].hypothesis.convention != declared:
        return Decision("none", judgements, alive)
    right = [one.right for one in judgements]
    state = "right" if all(right) else "ambiguous" if any(right) else "wrong"
    return Decision(state, judgements, alive)


def _as_declared(sight: Sight, declared: Convention | None) -> list[Hypothesis]:
    """What the declared convention makes of the values just as they are shown, where nothing fits; none where another
    convention fits, or where the date exists in no order."""
    if sight.fitting:
        return []
    mine = [one for one in sight.hypotheses if one.convention == declared]
    return mine[:1]


def sidereal_trouble(sight: Sight, declared: Convention | None = None) -> tuple[str, str]:
    """Why no convention fits, or none that is left: (slug, words)."""
    if not sight.hypotheses:
        return (
            "date-impossible",
            f"the mount shows a date that does not exist in any order: {escape(sight.readings.date_wire)}",
        )
    if not sight.runs:
        advance = conventions.sidereal_advance_error_s(sight.readings)
        elapsed = sight.readings.sidereal[-1].instant - sight.readings.sidereal[0].instant
        return (
            "sidereal-clock-independent",
            f"the mount's sidereal clock does not keep its rate ({advance:+.1f} s within {elapsed:.1f} s), and "
            "the proof is impossible",
        )
    if sight.fitting and declared is not None and declared not in sight.conventions:
        return (
            "dialect-contradicted",
            "what the mount shows fits another convention than the dialect's",
        )
    if sight.fitting:
        return "signs-changed", "what the mount shows fits other signs than what it showed before"
    misfit = sight.least_misfit_s
    if misfit <= IMPRECISE_S:
        return (
            "sidereal-clock-imprecise",
            f"the mount's sidereal time is {misfit:.0f} s from what its settings give under any convention: its "
            "firmware computes it imprecisely, and it can't prove anything",
        )
    return (
        "sidereal-clock-independent",
        f"the mount's sidereal time is {misfit / 60:.0f} min from what its settings give under any convention: it "
        "does not follow them, and the proof is impossible",
    )


def latitude_sign(sight: Sight) -> str:
    """What the sky the mount shows says of its latitude's sign: "proven", "contradicted" or "silent"."""
    readings = sight.readings
    return latitude_by_sky(readings.pointing, readings.sidereal[-1].seconds / 3600.0, readings.latitude.value_deg)
