"""The mistakes that a sighting can betray, each as it sends the tube.

Those of the settings are taken from the very slips by which a mount's settings are explained: to a sighting they
are an error of hour angle, and a latitude. Clock, offset, longitude, home position and a bad sync are one and the
same to it; only the size tells.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from noonmark.driver.reasons import tube
from noonmark.driver.reasons.sighting import Axis, Scene
from noonmark.driver.reasons.sighting_fit import (
    ANY_HOUR_ANGLE_DEG,
    LN_K,
    SMALL_AXIS_DEG,
    WIDE_AXIS_DEG,
    Hypothesis,
    Turn,
    sent,
)
from noonmark.driver.reasons.sky_error import sidereal_error_s
from noonmark.driver.reasons.slips import Context, fixed_slips

DEGREES_PER_HOUR = 15.0 * 1.00273790935
"""Of hour angle for an hour of UT (Aoki et al. 1982)."""
MOST_HOURS = 13
NO_EFFECT_DEG = 1e-3
REACH = 6.0  # standard deviations, and then some: beyond it the weight is below 1e-7
EITHER_WAY_H = {1.0: math.log(2 * MOST_HOURS + 1), 0.5: math.log(4 * MOST_HOURS + 2)}


def hypotheses(places: Scene, ctx: Context, axis: Axis, *, synced: bool) -> list[Hypothesis]:
    """Everything that may be wrong, and first: nothing. `ctx`: what is right there and then."""
    taken_up = SMALL_AXIS_DEG if synced else 0.0
    small = (0.0, SMALL_AXIS_DEG, SMALL_AXIS_DEG, taken_up, taken_up)
    right = Hypothesis((), "", 0.0, _turned_by(0.0), places.site.latitude_deg, small, hour_angle_deg=0.0)
    causes = list(_settings(right, ctx, axis, synced))
    if not synced:
        causes += [*_whole_hours(right), *_any_hour_angle(right)]
    if axis == "equatorial":
        causes.append(
            replace(
                right, slugs=("other-side-of-the-pier",), cost=LN_K, turn=_turned_by(180.0), hour_angle_deg=None,
                words="The mount takes the tube to be on the other side of the pier",
            )
        )  # fmt: skip
    causes += _equinoxes(right, places)
    wide = _wide(right, synced)
    found = [right, *causes, wide]
    if places.count > 1:
        found += [
            replace(one, slugs=(*one.slugs, *wide.slugs), cost=one.cost + LN_K,
                    widths_deg=(one.widths_deg[0], *wide.widths_deg[1:]))
            for one in causes
        ]  # fmt: skip
    return found


def without_one(one: Hypothesis, places: Scene) -> list[Hypothesis]:
    """The same, with one of three or more sightings that does not belong."""
    if places.count < 3:
        return []
    cost = one.cost + LN_K + math.log(places.count)
    return [
        replace(one, slugs=(*one.slugs, "not-a-setting"), cost=cost, left_out=number) for number in range(places.count)
    ]


def _turned_by(degrees: float) -> Turn:
    return lambda h, d: (h + degrees, d)


def _other_pole(degrees: float) -> Turn:
    """Hour angle and declination driven as for the other pole: their negatives."""
    return lambda h, d: (-(h + degrees), -d)


def _settings(right: Hypothesis, ctx: Context, axis: Axis, synced: bool) -> Iterator[Hypothesis]:
    effects: dict[str, dict[tuple[int, int, bool], Hypothesis]] = defaultdict(dict)
    for slip in fixed_slips(ctx):
        after = slip.apply(ctx.right)
        if after is None:
            continue
        degrees = sidereal_error_s(ctx, after) / 240.0
        reversed_pole = after.latitude_deg * ctx.right.latitude_deg < 0.0
        north = after.latitude_deg - ctx.right.latitude_deg if axis == "horizon" else 0.0
        other_pole = reversed_pole and axis == "equatorial"
        if abs(degrees) < NO_EFFECT_DEG and abs(north) < NO_EFFECT_DEG and not other_pole:
            continue
        if synced and abs(north) < NO_EFFECT_DEG and not other_pole:
            continue  # a sync takes it up
        one = replace(
            right, slugs=(slip.slug,), words=slip.words, cost=LN_K, hour_angle_deg=degrees,
            turn=_other_pole(degrees) if other_pole else _turned_by(degrees),
            latitude_deg=after.latitude_deg if axis == "horizon" else right.latitude_deg,
        )  # fmt: skip
        effects[slip.slug].setdefault((round(degrees * 100), round(north * 100), other_pole), one)
    for ways in effects.values():
        for one in ways.values():
            yield replace(one, cost=one.cost + math.log(len(ways)))


def _whole_hours(right: Hypothesis) -> Iterator[Hypothesis]:
    """Offsets that are off by whole or half hours: an offset too great puts the mount's UTC, and its sky, behind."""
    for halves in range(-2 * MOST_HOURS, 2 * MOST_HOURS + 1):
        if halves:
            hours = halves / 2.0
            cost = EITHER_WAY_H[0.5 if halves % 2 else 1.0]
            degrees = (-hours * DEGREES_PER_HOUR + 180.0) % 360.0 - 180.0
            yield replace(
                right, slugs=("offset-hours-wrong",), words=f"The offset is {hours:+g} h off",
                cost=LN_K + cost, turn=_turned_by(degrees), hour_angle_deg=degrees,
            )  # fmt: skip


def _any_hour_angle(right: Hypothesis) -> Iterator[Hypothesis]:
    for slug in ("clock-off", "coordinate-mistyped"):
        yield replace(
            right, slugs=(slug,), words="The hour angle is off by an amount of no known kind", cost=LN_K,
            widths_deg=(ANY_HOUR_ANGLE_DEG, *right.widths_deg[1:]), hour_angle_deg=None,
        )  # fmt: skip


def _equinoxes(right: Hypothesis, places: Scene) -> Iterator[Hypothesis]:
    for words, h, d in places.other_equinox:
        yield replace(
            right, slugs=("equinox-mixed",), words=words[:1].upper() + words[1:],
            cost=LN_K + math.log(len(places.other_equinox)), positions=(h, d), hour_angle_deg=None,
        )  # fmt: skip


def _wide(right: Hypothesis, synced: bool) -> Hypothesis:
    taken_up = WIDE_AXIS_DEG if synced else 0.0
    return replace(
        right, slugs=("polar-axis-off",), words="The axis does not point where it should", cost=LN_K,
        hour_angle_deg=None,
        widths_deg=(0.0, WIDE_AXIS_DEG, WIDE_AXIS_DEG, taken_up, taken_up),
    )  # fmt: skip


def near_enough(one: Hypothesis, places: Scene, noise_deg: float) -> bool:
    """Whether a hypothesis is worth fitting: what it leaves is within reach of the noise and of what it has free."""
    if one.widths_deg[0] or one.left_out is not None:
        return True
    left = tube.apart_deg(sent(one, places, np.zeros(5)), places.seen, places.site.latitude_deg)
    reach = REACH * (noise_deg + sum(one.widths_deg))
    return bool(np.all(np.linalg.norm(left, axis=-1) <= reach))
