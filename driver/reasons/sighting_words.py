"""What sightings say, in words; and what they can't say."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np

from noonmark.driver.conventions import SIDEREAL_PER_SOLAR
from noonmark.driver.reasons import tube
from noonmark.driver.reasons.causes import CAUSES
from noonmark.driver.reasons.sighting import Axis, Scene
from noonmark.driver.reasons.sighting_fit import SMALL_AXIS_DEG, Fitted
from noonmark.driver.result import CauseValue

if TYPE_CHECKING:
    from noonmark.driver.reasons.sighting_explanation import Solution

ON_THE_MERIDIAN_DEG = 15.0
FOR_THE_AXIS = 3
MORE_LIKELY_THAN_NOT = 0.5
FREE_HOUR_ANGLE = ("clock-off", "coordinate-mistyped", "offset-hours-wrong")
SAME = (
    "to a sighting a wrong clock, offset, longitude or home position and a bad sync are one and the same: an error of "
    "hour angle, of which only the size tells; that is what the odds stand on"
)
SYNCED = (
    "a good sighting after a sync clears nothing: on an equatorial mount the sync takes up an error of clock, date, "
    "offset or longitude for every star, and the error stays for the meridian flip, the limits, the horizon and the "
    "Moon; check the settings themselves (noonmark check)"
)
SYNCED_HORIZON = (
    "a good sighting after a sync clears nothing: near its star the sync takes up an error of clock, date, offset or "
    "longitude, and far from it the error comes back; check the settings themselves (noonmark check)"
)


def headline(
    first: CauseValue | None, causes: Sequence[CauseValue], right: float, separation_deg: float, noise_arcmin: float,
    synced: bool,
) -> str:  # fmt: skip
    """The answer, in one sentence. `separation_deg`: of the sighting that is furthest off."""
    if first is not None:
        return first.sentence
    within = f"the tube was {separation_deg:.2f} deg from where it was sent, as {noise_arcmin:g} arcmin a look"
    within += f" and an axis {SMALL_AXIS_DEG:g} deg off, each way, allow"
    if right < MORE_LIKELY_THAN_NOT:
        other = f" {causes[0].cause} with {causes[0].confidence:.0%}" if causes else ""
        return f"It may be that nothing is wrong, but with odds of {right:.0%} only, against{other}: {within}."
    if synced:
        return f"Since its sync the mount points where it should: {within}. This clears neither clock nor place."
    return f"The mount points where it should: {within}."


def sentence(one: Fitted, hour_angle_deg: float | None, others: Sequence[str], places: Scene, axis: Axis) -> str:
    """The mistake, and what it does beside what was seen."""
    hypothesis = one.hypothesis
    slugs = hypothesis.slugs
    told = hypothesis.words or CAUSES[slugs[0]].sentence[:-1]
    if hour_angle_deg and "polar-axis-off" not in slugs[:1]:
        told += f": {hour_angle_deg:+.2f} deg of hour angle"
        if hypothesis.widths_deg[0]:
            hours, ahead = abs(hour_angle_deg) / 15.0 / SIDEREAL_PER_SOLAR, hour_angle_deg > 0
            told += f", as of a clock {hours:.3f} h {'ahead' if ahead else 'behind'}, or a longitude "
            told += f"{abs(hour_angle_deg):.2f} deg too far {'east' if ahead else 'west'}"
    if "polar-axis-off" in slugs:
        joint = ": " if slugs[0] == "polar-axis-off" else "; and the axis is off: "
        few = "roughly, by so few sightings, " if places.count < FOR_THE_AXIS else ""
        told += joint + few + axis_words(float(one.parameters_deg[1]), float(one.parameters_deg[2]), places, axis)
    if hypothesis.left_out is not None:
        told += f"; and sighting {hypothesis.left_out + 1} does not belong with the others: another star, or a slip"
    told += f"; that leaves {one.rms_deg * 60.0:.0f} arcmin of what was seen"
    if others:
        told += f" (the same would be seen with {' or '.join(other.replace('+', ' and ') for other in others)})"
    return f"{told}."


def axis_words(east_deg: float, raised_deg: float, places: Scene, axis: Axis) -> str:
    """An axis's offset, told by its upper end, which is the one that is aligned."""
    if axis == "horizon":
        way = "clockwise" if east_deg > 0 else "anticlockwise"
        end = "north" if raised_deg > 0 else "south"
        turned = f"its base is turned {abs(east_deg):.2f} deg {way} seen from above"
        return f"{turned}, and its {end} edge is {abs(raised_deg):.2f} deg high"
    south = places.site.latitude_deg < 0.0
    east, up = (-east_deg, -raised_deg) if south else (east_deg, raised_deg)
    end = "south" if south else "north"
    return (
        f"its upper ({end}) end points {abs(east):.2f} deg of azimuth too far {'east' if east > 0 else 'west'} and "
        f"{abs(up):.2f} deg too {'high' if up > 0 else 'low'}"
    )


def remedy(one: Fitted, places: Scene, axis: Axis) -> str:
    """What to do, by the numbers."""
    told = []
    for slug in one.hypothesis.slugs:
        if slug != "polar-axis-off":
            told.append(CAUSES[slug].remedy)
            continue
        if places.count < 2:
            told.append("before the axis is touched, take one more sighting 4 to 6 hours from this one")
            continue
        east, raised = float(one.parameters_deg[1]), float(one.parameters_deg[2])
        way = "anticlockwise" if east > 0 else "clockwise"
        upper = -raised if places.site.latitude_deg < 0.0 and axis == "equatorial" else raised
        what = "the axis's upper end" if axis == "equatorial" else "its north edge"
        told.append(
            f"turn the base {abs(east):.2f} deg {way} seen from above, and {'lower' if upper > 0 else 'raise'} {what} "
            f"by {abs(raised):.2f} deg; then take a sighting 4 to 6 hours from these"
        )
    return "; ".join(told)


def flip_min(hour_angle_deg: float) -> float:
    """Minutes by which the meridian is crossed too late: a sidereal time that is ahead makes it early."""
    return -hour_angle_deg * 4.0 / SIDEREAL_PER_SOLAR + 0.0


def advice(
    places: Scene, axis: Axis, synced: bool, first: CauseValue | None, causes: Sequence[CauseValue],
    solution: Solution | None, right: float,
) -> Iterator[str]:  # fmt: skip
    """What these sightings can't tell, and what would."""
    if synced:
        yield SYNCED if axis == "equatorial" else SYNCED_HORIZON
    elif first is not None and first.hour_angle_error_deg not in (None, 0.0) and "polar-axis-off" not in first.together:
        yield SAME
    doubted = causes[0] if causes and right < MORE_LIKELY_THAN_NOT else None
    yield from _one_more(places, synced, first or doubted, causes)
    if solution is not None:
        yield from _undetermined(solution)
    yield _refraction(places)


def _one_more(places: Scene, synced: bool, first: CauseValue | None, causes: Sequence[CauseValue]) -> Iterator[str]:
    if first is None or synced:
        return
    other = "4 to 6 hours of hour angle away"
    meridian = bool(np.all(np.abs(places.hour_angle_deg) <= ON_THE_MERIDIAN_DEG))
    of_axis = any("polar-axis-off" in (one.cause, *one.together) for one in causes)
    of_axis = of_axis or "polar-axis-off" in first.indistinguishable
    of_hours = first.cause in FREE_HOUR_ANGLE or first.cause == "polar-axis-off"
    if meridian and (of_axis or of_hours):
        yield (
            "on the meridian an axis that is off in azimuth moves the tube just as a wrong hour angle does: this can't "
            f"be told apart there; take one more sighting {other}"
        )
    elif places.count == 1 and (of_axis or of_hours):
        yield f"one sighting does not tell an axis that is off from an error of hour angle; take one more {other}"
    elif places.count == 2 and of_axis:
        yield "a third sighting, at another declination, lets hour angle and axis be solved for, with uncertainties"


def _undetermined(solution: Solution) -> Iterator[str]:
    names = ("the hour angle", "the axis's azimuth", "the axis's height")
    errors = (solution.hour_angle_error_deg, solution.axis_east_error_deg, solution.axis_raised_error_deg)
    open_ones = [name for name, error in zip(names, errors, strict=True) if error is None]
    if open_ones:
        yield f"these sightings are too close together to determine {' and '.join(open_ones)}: take some further apart"


def _refraction(places: Scene) -> str:
    altitudes = tube.altitude_deg(places.seen)
    low = float(np.min(altitudes))
    return (
        "refraction is applied to what was found (standard air at the site's height), and the mount is taken not to "
        f"correct for it; the lowest thing found stood {low:.0f} deg high"
    )
