"""What a sighting, or several, say is wrong: the causes with their odds, and what can't be told from them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Literal

import numpy as np
from pydantic import BaseModel, ConfigDict

from noonmark.driver import zones
from noonmark.driver.explanation import LEAST_CONFIDENCE, TOLD, outdated_offsets_h, seasons
from noonmark.driver.reasons import sighting_words as words
from noonmark.driver.reasons.causes import CAUSES
from noonmark.driver.reasons.sighting import Axis, Scene, Sighting, scene, separation_deg
from noonmark.driver.reasons.sighting_causes import hypotheses, near_enough, without_one
from noonmark.driver.reasons.sighting_fit import (
    ANY_HOUR_ANGLE_DEG,
    LN_K,
    Fitted,
    LeastSquares,
    anywhere,
    fit,
    least_squares,
)
from noonmark.driver.reasons.slips import Context, Settings
from noonmark.driver.reasons.tube import apart_deg
from noonmark.driver.result import CauseValue
from noonmark.driver.site import Site
from noonmark.driver.sky import sky_error_deg

NOISE_ARCMIN = 30.0
"""One look, by eye, in a field of a degree: where a thing was found is good to half a degree."""
FOR_LEAST_SQUARES = 3
STRONGEST = 3
ALIKE = 2.0  # standard deviations


class Seen(BaseModel):
    """One sighting in numbers: found minus aimed, both of date, without refraction; the tube's error with it."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    hour_angle_deg: float
    declination_deg: float
    found_minus_aimed_ra_deg: float
    found_minus_aimed_dec_deg: float
    separation_deg: float


class Solution(BaseModel):
    """Least squares from three sightings on; `*_error_deg`: standard errors, None where it is not determined.

    hour_angle_deg: the mount's sidereal time minus the true one. axis_*: of the axis's north end.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    hour_angle_deg: float
    hour_angle_error_deg: float | None
    axis_east_deg: float
    axis_east_error_deg: float | None
    axis_raised_deg: float
    axis_raised_error_deg: float | None
    rms_deg: float


class SightingExplanation(BaseModel):
    """`sentence`: the answer first. `right_confidence`: that the mount points where it should. `explanation`: as in
    a result. `advice`: what these sightings can't tell, and what to do about it."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    sentence: str
    right_confidence: float
    explanation: tuple[CauseValue, ...]
    seen: tuple[Seen, ...]
    solution: Solution | None
    advice: tuple[str, ...]
    noise_arcmin: float
    axis: Literal["equatorial", "horizon"]
    synced: bool


def explain_sightings(
    sightings: Sequence[Sighting],
    site: Site,
    *,
    axis: Axis = "equatorial",
    synced: bool = False,
    noise_arcmin: float = NOISE_ARCMIN,
) -> SightingExplanation:
    """The likely causes of where things were found.

    Without `synced` the mount is taken to have started from its true home. noise_arcmin: standard deviation of one
    look, each way. Raises SightingError for what can't have been seen, ZoneError for an unknown zone.
    """
    places = scene(site, sightings)
    noise_deg = noise_arcmin / 60.0
    ctx = context(site, places)
    fitted = _fit_all(places, ctx, axis, synced, noise_deg)
    shares, right = _shares(fitted, LN_K + places.count * anywhere(noise_deg))
    causes = [_cause(one, share, places, fitted, noise_deg, axis) for one, share in shares if share >= LEAST_CONFIDENCE]
    solution = None
    if places.count >= FOR_LEAST_SQUARES and not synced:
        solution = _solution(least_squares(places, noise_deg))
    seen = _seen(places)
    first = causes[0] if causes and causes[0].confidence > right else None
    return SightingExplanation(
        sentence=words.headline(first, causes, right, max(one.separation_deg for one in seen), noise_arcmin, synced),
        right_confidence=round(right, 4),
        explanation=tuple(causes[:TOLD]),
        seen=seen,
        solution=solution,
        advice=tuple(words.advice(places, axis, synced, first, causes, solution, right)),
        noise_arcmin=noise_arcmin,
        axis=axis,
        synced=synced,
    )


def context(site: Site, places: Scene) -> Context:
    """What is right at the site at the first sighting."""
    zone = zones.load_zone(site.timezone)
    offset_h = zones.offset_h(zone, places.utc)
    saving_h, other_h = seasons(zone, places.utc)
    return Context(
        Settings(site.latitude_deg, site.longitude_deg, offset_h, offset_h * 3600.0), places.utc, offset_h, saving_h,
        other_h, outdated_offsets_h(site.timezone, places.utc, offset_h),
    )  # fmt: skip


def _fit_all(places: Scene, ctx: Context, axis: Axis, synced: bool, noise_deg: float) -> list[Fitted]:
    right, *causes = hypotheses(places, ctx, axis, synced=synced)
    fitted = [fit(one, places, noise_deg) for one in (right, *causes) if near_enough(one, places, noise_deg)]
    strongest = sorted(fitted, key=lambda one: one.length)[:STRONGEST]
    singles = [one.hypothesis for one in strongest if len(one.hypothesis.slugs) == 1]
    odd = [other for one in (right, *singles) for other in without_one(one, places)]
    return fitted + [fit(other, places, noise_deg) for other in odd]


def _shares(fitted: Iterable[Fitted], no_reason: float) -> tuple[list[tuple[Fitted | None, float]], float]:
    """([(the best of each set of causes, its share)], the share of nothing being wrong). None: no reason known."""
    groups: dict[tuple[str, ...], list[Fitted]] = {}
    for one in fitted:
        groups.setdefault(one.hypothesis.slugs, []).append(one)
    least = min([no_reason, *(one.length for ways in groups.values() for one in ways)])
    weights = {slugs: sum(math.exp(least - one.length) for one in ways) for slugs, ways in groups.items()}
    nothing = math.exp(least - no_reason)
    total = sum(weights.values()) + nothing
    told: list[tuple[Fitted | None, float]] = [
        (min(groups[slugs], key=lambda one: one.length), weight / total) for slugs, weight in weights.items() if slugs
    ]
    told.append((None, nothing / total))
    told.sort(key=lambda item: -item[1])
    return told, weights.get((), 0.0) / total


def _cause(
    one: Fitted | None, share: float, places: Scene, fitted: Sequence[Fitted], noise_deg: float, axis: Axis
) -> CauseValue:
    at_pointing = round(float(np.mean(separation_deg(places))), 4)
    if one is None:
        row = CAUSES["not-a-setting"]
        return CauseValue(
            cause=row.slug, sentence=row.sentence, sky_error_deg=None, confidence=round(share, 4), remedy=row.remedy,
            sky_error_at_pointing_deg=at_pointing,
        )  # fmt: skip
    slugs = one.hypothesis.slugs
    hour_angle = one.hypothesis.hour_angle_deg
    if one.hypothesis.widths_deg[0] == ANY_HOUR_ANGLE_DEG:
        hour_angle = (float(one.parameters_deg[0]) + 180.0) % 360.0 - 180.0
    told = None if hour_angle is None else round(hour_angle, 4)
    others = _indistinguishable(one, fitted, places, noise_deg)
    return CauseValue(
        cause=slugs[0],
        sentence=words.sentence(one, hour_angle, others, places, axis),
        sky_error_deg=None if hour_angle is None else round(sky_error_deg(hour_angle / 15.0, 0.0), 4),
        confidence=round(share, 4),
        remedy=words.remedy(one, places, axis),
        hour_angle_error_deg=told,
        sky_error_at_pointing_deg=at_pointing,
        flip_error_min=None if hour_angle is None else round(words.flip_min(hour_angle), 2),
        together=slugs if len(slugs) > 1 else (),
        indistinguishable=others,
    )


def _indistinguishable(one: Fitted, fitted: Iterable[Fitted], places: Scene, noise_deg: float) -> tuple[str, ...]:
    """Causes that send every tube to where this one does, within the noise of a look."""
    names = set()
    for other in fitted:
        if other.hypothesis.slugs and len(other.hypothesis.slugs) == len(one.hypothesis.slugs):
            apart = apart_deg(one.directions, other.directions, places.site.latitude_deg)
            if bool(np.all(np.linalg.norm(apart, axis=-1) <= ALIKE * noise_deg)):
                names.add("+".join(other.hypothesis.slugs))
    return tuple(sorted(names - {"+".join(one.hypothesis.slugs)}))


def _solution(found: LeastSquares) -> Solution:
    errors = [None if one is None else round(one, 4) for one in found.errors_deg]
    return Solution(
        hour_angle_deg=round(found.hour_angle_deg, 4), hour_angle_error_deg=errors[0],
        axis_east_deg=round(found.axis_east_deg, 4), axis_east_error_deg=errors[1],
        axis_raised_deg=round(found.axis_raised_deg, 4), axis_raised_error_deg=errors[2],
        rms_deg=round(found.rms_deg, 4),
    )  # fmt: skip


def _seen(places: Scene) -> tuple[Seen, ...]:
    apart = separation_deg(places)
    return tuple(
        Seen(
            hour_angle_deg=round(float(h), 4), declination_deg=round(float(d), 4),
            found_minus_aimed_ra_deg=round(-float(turned) + 0.0, 4), found_minus_aimed_dec_deg=round(float(north), 4),
            separation_deg=round(float(separation), 4),
        )
        for h, d, turned, north, separation in zip(
            places.hour_angle_deg, places.declination_deg, places.turned_deg, places.north_deg, apart, strict=True
        )
    )  # fmt: skip
