"""Why a source does not agree: for every claim left outside, its likeliest reason.

A time claim's gap is weighed as a mount's settings are (see `explanation_search`): what each reason costs, ln of how
many gaps it could have made, against a gap of no known kind. A receiver does not keep local time and a host has no
week number, so that the origin matters. Where nothing was agreed on, it may be either side that is wrong: the
shares are among the reasons of all of them together.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from noonmark.driver.places import PlaceClaim, distance_m, place_cause
from noonmark.driver.reasons.causes import CAUSES
from noonmark.driver.reasons.free_slips import MINUTES, QUARTERS, size_cost
from noonmark.driver.result import CauseValue
from noonmark.driver.site import Site
from noonmark.driver.sky import sky_error_deg
from noonmark.driver.truth import LEAP_SECONDS_S, ROLLOVER_S, TimeClaim, Truth, Verdict
from noonmark.protocols.sexagesimal import wrap_signed

DEGREES_PER_S = 15.0 * 1.00273790935 / 3600.0  # of hour angle for a second of UT (Aoki et al. 1982)
TYPED_S = 60.0  # a clock set by hand, or one that nobody keeps, is off by so much besides
YEARS_S = 300 * 86400.0
GAP_REACH_S = 2e9
LN_REASONS = math.log(sum("source" in row.shows for row in CAUSES.values()))
PLACE_SLIPS = 6.0  # signs, swapped, minutes and decimals
EITHER = ("receiver-elsewhere", "site-of-another-place")


@dataclass(frozen=True, slots=True)
class Reason:
    """A slug, what is told of it, and its cost in natural units."""

    slug: str
    words: str
    cost: float


def time_reasons(gap_s: float, half_width_s: float, origin: str, zone_offset_h: float | None = None) -> list[Reason]:
    """Why a clock is `gap_s` ahead of the others (negative: behind), the likeliest first.

    half_width_s: what the gap is uncertain by. origin: "gnss", "network" or "host".
    """
    unit = max(half_width_s, 0.5)
    found = [Reason("clock-off", f"{_length(gap_s)} off", size_cost(gap_s, unit, GAP_REACH_S))]
    found += _receiver_reasons(gap_s, unit) if origin == "gnss" else _host_reasons(gap_s, unit, zone_offset_h)
    return sorted(found, key=lambda one: one.cost)


def _receiver_reasons(gap_s: float, unit: float) -> Iterable[Reason]:
    turns = round(gap_s / ROLLOVER_S)
    if turns and abs(gap_s - turns * ROLLOVER_S) <= LEAP_SECONDS_S + 2.0 + unit:
        yield Reason("week-rollover", f"{abs(turns)} x 1024 weeks {'ahead' if turns > 0 else 'behind'}", math.log(4.0))
    if 0.5 < gap_s < LEAP_SECONDS_S + 0.5 + unit:
        yield Reason("leap-seconds-missing", f"{gap_s:.1f} s ahead", math.log(2.0))


def _host_reasons(gap_s: float, unit: float, zone_offset_h: float | None) -> Iterable[Reason]:
    zone_s = None if zone_offset_h is None else zone_offset_h * 3600.0
    if zone_s and abs(gap_s - zone_s) <= TYPED_S + unit:
        yield Reason("host-clock-in-local-time", f"{_length(gap_s)} ahead of UTC, by the zone's own offset", 0.0)
    quarters = round(gap_s / 900.0)
    if quarters and abs(quarters) <= 56 and abs(gap_s - quarters * 900.0) <= TYPED_S + unit:
        cost = math.log(QUARTERS if quarters % 4 else QUARTERS / 4.0)
        yield Reason("host-clock-in-local-time", f"{quarters / 4:+g} h, as of local time or another zone's", cost)
    if abs(gap_s) > YEARS_S:
        yield Reason("host-clock-never-set", f"{gap_s / 31556952.0:+.1f} years off", math.log(MINUTES))


def _length(gap_s: float) -> str:
    amount = abs(gap_s)
    for unit_s, name in ((86400.0, "days"), (3600.0, "h"), (60.0, "min")):
        if amount >= 2.0 * unit_s:
            return f"{amount / unit_s:.1f} {name}"
    return f"{amount:.1f} s"


# --- a whole truth ----------------------------------------------------------------------------------


def explain_sources(
    truth: Truth,
    times: Iterable[TimeClaim] = (),
    places: Iterable[PlaceClaim] = (),
    site: Site | None = None,
    *,
    zone_offset_h: float | None = None,
    site_tolerance_m: float = 500.0,
) -> tuple[CauseValue, ...]:
    """A reason for every claim that is not in the agreement, in the order of the claims.

    times, places: the claims behind the verdicts, where they are at hand: without them a verdict's own word counts.
    """
    by_source = {one.source: one for one in times}
    outside = [one for one in truth.verdicts if one.agrees is not True and one.kind == "time"]
    told: list[tuple[Verdict, list[Reason], float | None]] = []
    for verdict in outside:
        gap = _gap(verdict.source, by_source, truth)
        if gap is None or _unkept(verdict, truth):
            told.append((verdict, [_own_word(verdict)], None))
        else:
            told.append((verdict, time_reasons(*gap, verdict.origin, zone_offset_h), gap[0]))
    found = _shared(told, alone=truth.time_established)
    by_place = {one.source: one for one in places}
    for verdict in truth.verdicts:
        if verdict.kind == "place" and verdict.agrees is False:
            found.append(_place(verdict, by_place.get(verdict.source), site, site_tolerance_m))
    return tuple(found)


def _unkept(verdict: Verdict, truth: Truth) -> bool:
    """A host that nobody keeps, where there is nothing to measure it by."""
    return verdict.origin == "host" and not truth.time_established


def _gap(source: str, claims: dict[str, TimeClaim], truth: Truth) -> tuple[float, float] | None:
    """(gap, half-width) of a claim from the agreement, or from all others where there is none."""
    own = claims.get(source)
    others = [one for one in claims.values() if one is not own and one.bounded]
    if own is None or not (truth.time_established or others):
        return None
    if truth.time_established:
        low, high = truth.low, truth.high
    else:
        low, high = min(one.low for one in others), max(one.high for one in others)
    return (own.low + own.high - low - high) / 2.0, (own.high - own.low + high - low) / 2.0


def _own_word(verdict: Verdict) -> Reason:
    slug = verdict.cause if verdict.cause in CAUSES else None
    if slug is None:
        slug = "host-not-synchronised" if verdict.origin in ("host", "network") else "receiver-silent"
    return Reason(slug, verdict.why, 0.0)


def _shared(told: list[tuple[Verdict, list[Reason], float | None]], *, alone: bool) -> list[CauseValue]:
    """The likeliest reason of each, with its share: among its own, or among those of all that may be the wrong one."""
    weights = [[math.exp(-one.cost) for one in reasons] for _, reasons, _ in told]
    presumption = math.exp(-size_cost(GAP_REACH_S, 0.5, GAP_REACH_S) - LN_REASONS)
    together = sum(sum(row) for (_, _, gap), row in zip(told, weights, strict=True) if gap is not None)
    found = []
    for (verdict, reasons, gap), row in zip(told, weights, strict=True):
        total = sum(row) if alone or gap is None else together
        found.append(_value(verdict, reasons[0], row[0] / (total + presumption), gap))
    return found


def _value(verdict: Verdict, reason: Reason, share: float, gap_s: float | None) -> CauseValue:
    row = CAUSES[reason.slug]
    error = None if gap_s is None else _sky(gap_s * DEGREES_PER_S)
    return CauseValue(
        cause=reason.slug,
        sentence=f"{verdict.source}: {row.sentence[:-1]}: {reason.words}.",
        sky_error_deg=error,
        confidence=round(share, 4),
        remedy=row.remedy,
        hour_angle_error_deg=None if gap_s is None else round(wrap_signed(gap_s * DEGREES_PER_S, 360.0), 4),
        source=verdict.source,
    )


def _sky(hour_angle_deg: float) -> float:
    return round(sky_error_deg(wrap_signed(hour_angle_deg, 360.0) / 15.0, 0.0), 4)


def _place(verdict: Verdict, claim: PlaceClaim | None, site: Site | None, tolerance_m: float) -> CauseValue:
    slug, words = verdict.cause or EITHER[0], verdict.why
    sky = east = None
    share = 0.5
    others: tuple[str, ...] = ()
    if claim is not None and site is not None:
        slug, said = place_cause(site, claim, tolerance_m)
        gap_m = distance_m(site.latitude_deg, site.longitude_deg, claim.latitude_deg, claim.longitude_deg)
        words = f"it is {gap_m / 1000.0:.1f} km from the site; {said}"
        east = round(wrap_signed(claim.longitude_deg - site.longitude_deg, 360.0), 4)
        sky = max(_sky(east), round(abs(claim.latitude_deg - site.latitude_deg), 4))
        anywhere = 2.0 * size_cost(gap_m, tolerance_m, 2e7)  # another place, east and north, by chance
        share = 1.0 / (1.0 + math.exp(math.log(PLACE_SLIPS) - anywhere))
    if slug not in CAUSES or slug in EITHER:
        slug, others, share = EITHER[0], EITHER[1:], 0.5
    row = CAUSES[slug]
    return CauseValue(
        cause=slug,
        sentence=f"{verdict.source}: {row.sentence[:-1]}: {words}.",
        sky_error_deg=sky,
        confidence=round(share, 4),
        remedy=row.remedy,
        hour_angle_error_deg=east,
        indistinguishable=others,
        source=verdict.source,
    )
