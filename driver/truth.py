"""Which claims agree, and what we hold true on whose word.

A time claim bounds `C = UTC - monotonic` (seconds since 1970 minus monotonic seconds): an interval [low, high]
that must contain the truth. Agreement is the interval intersection of network timekeeping (RFC 5905, 11.2.1):
the largest set of intervals with a common point, fewer than half outside. Origins are counted, not claims;
sources that disagree are never settled by picking one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

from noonmark.driver.places import PlaceClaim, distance_m, place_cause
from noonmark.driver.site import Site

COARSE_AGREEMENT_S = 60.0
"""An unsynchronised clock this near to the others excludes a rollover or a wrong hour, and no more."""

ROLLOVER_DAYS = 7168
ROLLOVER_S = ROLLOVER_DAYS * 86400.0
"""1024 weeks of GPS: the week number of the old navigation message has ten bits (IS-GPS-200)."""

LEAP_SECONDS_S = 18.0
"""GPS time minus UTC since 2017 (IERS Bulletin C 52): so far ahead is a receiver that has no leap seconds yet, and what
it lacks is never more."""

LEAP_DOUBT_S = 1.5
"""A clock that nobody keeps and that is behind by the leap seconds, within this, is no voice for the receiver."""


@dataclass(frozen=True, slots=True)
class TimeClaim:
    """`low`, `high`: bounds of UTC - monotonic. `bounded` False: a clock nobody keeps, a hint of the hour only.

    `alone_not`: why this claim could not stand as the sole origin; "" where it could.
    """

    source: str
    origin: str
    low: float
    high: float
    bounded: bool = True
    alone_not: str = ""


@dataclass(frozen=True, slots=True)
class Silence:
    """A source that said nothing that counts, and why."""

    source: str
    origin: str
    why: str
    cause: str | None = None


@dataclass(frozen=True, slots=True)
class Verdict:
    """One claim judged. `agrees` None: it abstains. `to_the_second` False: it counts for date and hour only."""

    source: str
    origin: str
    kind: Literal["time", "place"]
    agrees: bool | None
    why: str
    cause: str | None = None
    to_the_second: bool = True


@dataclass(frozen=True, slots=True)
class Truth:
    """`low`, `high` bound UTC - monotonic; meaningful only when `established`."""

    established: bool
    time_established: bool
    place_established: bool
    low: float
    high: float
    verdicts: tuple[Verdict, ...]
    code: str
    why: str

    def utc_s(self, instant: float) -> float:
        """Best estimate of UTC, unix seconds, at a monotonic instant: the middle of the interval."""
        return (self.low + self.high) / 2 + instant

    @property
    def half_width_s(self) -> float:
        return (self.high - self.low) / 2

    @property
    def second_origins(self) -> frozenset[str]:
        """The origins on whose word the second stands, beyond date and hour."""
        return frozenset(one.origin for one in self.verdicts if one.kind == "time" and one.agrees and one.to_the_second)


def establish(
    claims: list[TimeClaim],
    places: list[PlaceClaim],
    silences: list[Silence],
    site: Site,
    *,
    time_origins_required: int,
    place_origins_required: int,
    site_tolerance_m: float,
) -> Truth:
    """Judge all claims together."""
    low, high, time_verdicts, time_why, time_code = _agree_on_time(claims, time_origins_required)
    place_verdicts, place_why, place_code = _agree_on_place(places, site, place_origins_required, site_tolerance_m)
    quiet = [
        Verdict(one.source, one.origin, "time", None, one.why, one.cause)
        for one in silences
        if not any(verdict.source == one.source for verdict in time_verdicts)
    ]
    if time_code in ("too-few-origins-agree", "no-bounded-source"):
        time_why = "; ".join([time_why, *(f"{one.source}: {one.why}" for one in quiet)])
    reasons = [why for why in (time_why, place_why) if why]
    return Truth(
        established=not reasons,
        time_established=not time_why,
        place_established=not place_why,
        low=low,
        high=high,
        verdicts=(*time_verdicts, *quiet, *place_verdicts),
        code=time_code or place_code,
        why="; ".join(reasons),
    )


def largest_agreement(claims: list[TimeClaim]) -> list[list[TimeClaim]]:
    """The largest sets of intervals with a common point, by number of origins, then of claims.

    More than one set means that the question is tied.
    """
    best: list[list[TimeClaim]] = []
    best_key = (0, 0)
    for point in sorted({claim.low for claim in claims}):
        members = [claim for claim in claims if claim.low <= point <= claim.high]
        key = (len({claim.origin for claim in members}), len(members))
        if key > best_key:
            best, best_key = [members], key
        elif key == best_key and members not in best:
            best.append(members)
    return best


def _agree_on_time(claims: list[TimeClaim], required: int) -> tuple[float, float, list[Verdict], str, str]:
    bounded = [claim for claim in claims if claim.bounded]
    coarse = [claim for claim in claims if not claim.bounded]
    if not bounded:
        verdicts = [
            Verdict(one.source, one.origin, "time", None, "its clock is kept by nobody, and no other source bounds it")
            for one in coarse
        ]
        return math.nan, math.nan, verdicts, "no source gives UTC with bounds", "no-bounded-source"
    sets = largest_agreement(bounded)
    inside = sets[0]
    outside = [claim for claim in bounded if claim not in inside]
    low, high = max(claim.low for claim in inside), min(claim.high for claim in inside)
    origins = {claim.origin for claim in inside}
    outvoted = {claim.origin for claim in outside} - origins
    # voices of one origin share its faults: two of them don't outvote another origin
    if len(sets) > 1 or 2 * len(outside) >= len(bounded) or (outvoted and len(origins) <= len(outvoted)):
        return math.nan, math.nan, _all_disagree(bounded, coarse), _tell_disagreement(bounded), "sources-disagree"
    verdicts = [Verdict(one.source, one.origin, "time", True, "") for one in inside]
    verdicts += [_outsider(one, low, high) for one in outside]
    for one in coarse:
        verdict = _coarse_verdict(one, low, high, frozenset(claim.origin for claim in inside))
        verdicts.append(verdict)
        if verdict.agrees:
            origins.add(one.origin)
    why, code = "", ""
    doubter = next((one for one in verdicts if one.agrees is None and one.cause == "leap-seconds-missing"), None)
    if doubter is not None:
        why, code = (
            f"UTC stands on GNSS alone, and {doubter.source} contradicts it: {doubter.why}",
            "leap-seconds-missing",
        )
    elif len(origins) < required:
        why = (
            f"UTC stands on {len(origins)} origin{'s' if len(origins) != 1 else ''} "
            f"({', '.join(sorted(origins))}); the policy requires {required}"
        )
        code = "too-few-origins-agree"
        odd = next((one for one in verdicts if one.agrees is not True and one.cause), None)
        if odd is not None:
            why += f"; {odd.source}: {odd.why}"
    elif len(origins) == 1:
        unfit = next((one.alone_not for one in inside if one.alone_not), "")
        if unfit:
            why, code = f"the sole source of time does not suffice alone: {unfit}", "sole-source-not-enough"
    return low, high, verdicts, why, code


def _all_disagree(bounded: list[TimeClaim], coarse: list[TimeClaim]) -> list[Verdict]:
    verdicts: list[Verdict] = []
    for one in bounded:
        others = [other for other in bounded if other is not one]
        low, high = min(other.low for other in others), max(other.high for other in others)
        verdicts.append(_outsider(one, low, high))
    middles = [(one.low + one.high) / 2 for one in bounded]
    for one in coarse:
        near = [middle for middle in middles if abs(middle - one.low) <= COARSE_AGREEMENT_S]
        told = "it is near to one of them, but can't settle it" if near else "it is near to none of them"
        verdicts.append(Verdict(one.source, one.origin, "time", None, told))
    return verdicts


def _tell_disagreement(bounded: list[TimeClaim]) -> str:
    first, second = bounded[0], max(bounded, key=lambda one: abs(one.low - bounded[0].low))
    gap = (second.low + second.high - first.low - first.high) / 2
    sentence = likely_cause(gap, second.origin)[1] or likely_cause(-gap, first.origin)[1]
    told = f"{second.source} is {gap:+.1f} s from {first.source}"
    return f"the sources disagree and none is outvoted: {told}" + (f" ({sentence})" if sentence else "")


def _outsider(one: TimeClaim, low: float, high: float) -> Verdict:
    gap = (one.low + one.high - low - high) / 2
    cause, sentence = likely_cause(gap, one.origin)
    why = f"{gap:+.1f} s from the others" + (f": {sentence}" if sentence else "")
    return Verdict(one.source, one.origin, "time", False, why, cause)


def _coarse_verdict(one: TimeClaim, low: float, high: float, others: frozenset[str]) -> Verdict:
    gap = (one.low + one.high - low - high) / 2
    if others == {"gnss"} and abs(gap + LEAP_SECONDS_S) <= LEAP_DOUBT_S + (high - low) / 2:
        why = (
            f"not synchronised; {gap:+.1f} s from the receiver, as far behind as a receiver is ahead that has no leap "
            "seconds yet: leave the receiver on for 13 minutes, or synchronise the host clock"
        )
        return Verdict(one.source, one.origin, "time", None, why, "leap-seconds-missing")
    if abs(gap) <= COARSE_AGREEMENT_S:
        why = f"not synchronised; {gap:+.1f} s from the others: counts for date and hour, not for the second"
        return Verdict(one.source, one.origin, "time", True, why, to_the_second=False)
    cause, sentence = likely_cause(gap, one.origin)
    if gap > 0 and others == {"gnss"}:  # ahead by just so many weeks: it is the receivers that fell back
        rolled, told = likely_cause(-gap, "gnss")
        cause, sentence = (rolled, told) if rolled == "week-rollover" else (cause, sentence)
    why = f"not synchronised and {gap:+.0f} s from the others, so it abstains" + (f": {sentence}" if sentence else "")
    return Verdict(one.source, one.origin, "time", None, why, cause or "clock-off")


def likely_cause(gap_s: float, origin: str) -> tuple[str | None, str]:
    """The most likely reason why a clock of an origin is `gap_s` from the others: (slug, words), (None, "") where
    none fits. Only a receiver can roll over, or lack leap seconds (which puts it ahead)."""
    weeks = round(gap_s / ROLLOVER_S)
    gnss = origin == "gnss"
    if gnss and weeks and abs(gap_s - weeks * ROLLOVER_S) < 86400:
        return "week-rollover", f"{abs(weeks)} x 1024 weeks: the week number of a GPS receiver rolled over"
    if gnss and 0.5 < gap_s < 18.9:
        return "leap-seconds-missing", "ahead by a few seconds, as a receiver that lacks leap seconds is"
    if abs(gap_s) > 300 * 86400:
        return ("clock-off" if gnss else "host-clock-never-set"), "years off: a clock at its default date"
    quarters = round(gap_s / 900)
    if quarters and abs(quarters) <= 56 and abs(gap_s - quarters * 900) < 60:
        hours = quarters / 4
        if gnss:
            return "clock-off", f"{hours:+g} h: it tells some local time"
        if quarters % 4 == 0 and abs(quarters) == 4:
            return "host-clock-in-local-time", f"{hours:+g} h: daylight saving, or a clock kept in local time"
        return "host-clock-in-local-time", f"{hours:+g} h: a clock kept in local time, or another zone's"
    days = round(gap_s / 86400)
    if days and abs(gap_s - days * 86400) < 60:
        return None, f"{days:+d} days: a wrong date"
    return None, ""


def _agree_on_place(
    places: list[PlaceClaim], site: Site, required: int, tolerance_m: float
) -> tuple[list[Verdict], str, str]:
    verdicts = [Verdict("site", "survey", "place", True, "the configured site")]
    origins = {"survey"}
    contradicted: Verdict | None = None
    for one in places:
        gap = distance_m(site.latitude_deg, site.longitude_deg, one.latitude_deg, one.longitude_deg)
        if gap <= tolerance_m + one.radius_m:
            verdicts.append(Verdict(one.source, one.origin, "place", True, f"{gap:.0f} m from the site"))
            origins.add(one.origin)
            continue
        cause, sentence = place_cause(site, one, tolerance_m)
        why = f"{_length(gap)} from the site: {sentence}"
        contradicted = Verdict(one.source, one.origin, "place", False, why, cause)
        verdicts.append(contradicted)
    if contradicted is not None:
        verdicts[0] = replace(verdicts[0], agrees=None)
        return verdicts, f"{contradicted.source} is {contradicted.why}", "place-contradicted"
    if len(origins) < required:
        return (
            verdicts,
            f"the place stands on {len(origins)} origin ({', '.join(sorted(origins))}); the policy requires {required}",
            "place-too-few-origins",
        )
    return verdicts, "", ""


def _length(metres: float) -> str:
    return f"{metres:.0f} m" if metres < 1000 else f"{metres / 1000:.1f} km"
