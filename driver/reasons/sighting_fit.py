"""Which mistake makes a mount point so, and how likely each is: the evidence of sightings.

Every hypothesis sends the tube somewhere; its evidence is the Gaussian likelihood of where it was found, with the
noise of one look in each direction, integrated over what the hypothesis leaves free (Laplace's method: exact where
the effect is linear). Every axis is taken to be a little off, half a degree each way; every setting may be right.

    L = 1/2 sum (r/s)^2 + 1/2 sum (p/w)^2 + 1/2 ln det (1 + W J^T J / s^2) + costs

r: residuals, s: the noise, p: free parameters with widths w (W = diag w^2), J: dr/dp. Costs: ln K for each cause
assumed, K rows of the table; ln of the ways it could show. Weights are exp(-L). Anywhere in the sky, for no reason
known, costs ln(2/s^2), s in radians, for each sighting: 4 pi over the Gaussian's 2 pi s^2.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from noonmark.driver.reasons import tube
from noonmark.driver.reasons.causes import ROWS
from noonmark.driver.reasons.sighting import Scene
from noonmark.driver.reasons.tube import Floats

SMALL_AXIS_DEG = 0.5
"""What any axis may be off, each way, without being a mistake: set up by a compass and a latitude scale it is more."""
WIDE_AXIS_DEG = 4.0
ANY_HOUR_ANGLE_DEG = 360.0 / math.sqrt(2.0 * math.pi)
"""A width that costs as much as all hour angles alike."""
LN_K = math.log(sum("sighting" in row.shows for row in ROWS))
STEPS, STEP_DEG = 12, 1e-4

Indices = NDArray[np.intp]
Turn = Callable[[Floats, Floats], tuple[Floats, Floats]]


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """A mistake as it sends the tube. turn: hour angles and declinations meant, to those it goes to; latitude_deg:
    by which a horizon mount reckons. widths_deg: of what is free: hour angle (0: not), axis east, axis raised, and
    what a sync took up, in hour angle and declination."""

    slugs: tuple[str, ...]
    words: str
    cost: float
    turn: Turn
    latitude_deg: float
    widths_deg: tuple[float, float, float, float, float]
    hour_angle_deg: float | None = None
    positions: tuple[Floats, Floats] | None = None
    left_out: int | None = None


@dataclass(frozen=True, slots=True)
class Fitted:
    """A hypothesis with its best parameters. `directions`: where it sends the tubes by itself, without the little
    that any axis is off."""

    hypothesis: Hypothesis
    length: float
    parameters_deg: Floats
    directions: Floats
    rms_deg: float


@dataclass(frozen=True, slots=True)
class LeastSquares:
    """From three sightings on: hour-angle error (the mount's sidereal time minus the true one), axis east and raised
    (its north end), degrees, each with its standard error; None where these sightings do not determine it.

    `rms_deg`: of the residuals, each way; the errors are scaled by it where it exceeds the noise.
    """

    hour_angle_deg: float
    axis_east_deg: float
    axis_raised_deg: float
    errors_deg: tuple[float | None, float | None, float | None]
    rms_deg: float


def sent(hypothesis: Hypothesis, places: Scene, parameters: Floats) -> Floats:
    """Where a mount with this mistake sends its tubes."""
    start = hypothesis.positions or (places.hour_angle_deg, places.declination_deg)
    h, d = hypothesis.turn(*start)
    taken_up = np.clip(d + parameters[4], -90.0, 90.0)
    meant = tube.from_equatorial(h + parameters[0] + parameters[3], taken_up, hypothesis.latitude_deg)
    return tube.axis_off(meant, float(parameters[1]), float(parameters[2]))


def fit(hypothesis: Hypothesis, places: Scene, noise_deg: float) -> Fitted:
    """Best parameters by Gauss-Newton, and the description length with everything free integrated over."""
    keep = np.array([number for number in range(places.count) if number != hypothesis.left_out], dtype=np.intp)
    widths = np.array(hypothesis.widths_deg)
    free = np.flatnonzero(widths)
    parameters = np.zeros(5)
    if widths[0]:
        parameters[0] = _mean_turn(hypothesis, places, keep)
    prior = np.where(free == 0, 0.0, 1.0 / np.maximum(widths[free], 1e-9) ** 2)  # any hour angle alike
    residuals = _residuals(hypothesis, places, parameters, keep)
    jacobian = np.zeros((residuals.size, 0))
    for _ in range(STEPS if free.size else 0):
        jacobian = _jacobian(hypothesis, places, parameters, keep, free)
        normal = jacobian.T @ jacobian / noise_deg**2 + np.diag(prior + 1e-12)
        slope = jacobian.T @ residuals / noise_deg**2 + prior * parameters[free]
        step = np.linalg.solve(normal, -slope)
        step *= min(1.0, 20.0 / max(float(np.max(np.abs(step))), 1e-12))
        parameters[free] += step
        residuals = _residuals(hypothesis, places, parameters, keep)
        if float(np.max(np.abs(step))) < 1e-6:
            break
    length = hypothesis.cost + float(residuals @ residuals) / (2.0 * noise_deg**2)
    length += float(prior @ parameters[free] ** 2) / 2.0
    if free.size:
        inner = np.eye(free.size) + np.diag(widths[free] ** 2) @ jacobian.T @ jacobian / noise_deg**2
        length += float(np.linalg.slogdet(inner)[1]) / 2.0
    if hypothesis.left_out is not None:
        length += anywhere(noise_deg)
    rms = math.sqrt(float(residuals @ residuals) / residuals.size) if residuals.size else 0.0
    by_itself = np.where(widths > SMALL_AXIS_DEG, parameters, 0.0)
    return Fitted(hypothesis, length, parameters, sent(hypothesis, places, by_itself), rms)


def anywhere(noise_deg: float) -> float:
    """What one sighting anywhere in the sky costs."""
    return math.log(2.0 / math.radians(noise_deg) ** 2)


def _mean_turn(hypothesis: Hypothesis, places: Scene, keep: Indices) -> float:
    """A first guess of the hour-angle error: the circular mean of what each sighting shows by itself."""
    h, _ = hypothesis.turn(places.hour_angle_deg, places.declination_deg)
    seen, _ = tube.to_equatorial(places.seen, places.site.latitude_deg)
    off = np.radians(seen - h)[keep]
    return math.degrees(math.atan2(float(np.sum(np.sin(off))), float(np.sum(np.cos(off)))))


def _residuals(hypothesis: Hypothesis, places: Scene, parameters: Floats, keep: Indices) -> Floats:
    meant = sent(hypothesis, places, parameters)
    rows: Floats = tube.apart_deg(meant, places.seen, places.site.latitude_deg)[keep].ravel()
    return rows


def _jacobian(hypothesis: Hypothesis, places: Scene, parameters: Floats, keep: Indices, free: Indices) -> Floats:
    here = _residuals(hypothesis, places, parameters, keep)
    columns = []
    for number in free:
        step = np.zeros(5)
        step[number] = STEP_DEG
        columns.append((_residuals(hypothesis, places, parameters + step, keep) - here) / STEP_DEG)
    return np.stack(columns, axis=-1)


def least_squares(places: Scene, noise_deg: float) -> LeastSquares:
    """Hour-angle error and axis offset, without any presumption, with their standard errors."""
    free = Hypothesis(
        (), "", 0.0, lambda h, d: (h, d), places.site.latitude_deg, (ANY_HOUR_ANGLE_DEG, 90.0, 90.0, 0.0, 0.0)
    )
    best = fit(free, places, noise_deg)
    keep, columns = np.arange(places.count, dtype=np.intp), np.arange(3, dtype=np.intp)
    jacobian = _jacobian(free, places, best.parameters_deg, keep, columns)
    residuals = _residuals(free, places, best.parameters_deg, keep)
    spare = max(1, residuals.size - 3)
    scale = max(noise_deg, math.sqrt(float(residuals @ residuals) / spare))
    _, sizes, turns = np.linalg.svd(jacobian, full_matrices=False)
    variances = (turns.T / np.maximum(sizes, 1e-9)) ** 2 @ np.ones(3) * scale**2
    errors = [math.sqrt(float(one)) for one in variances]
    h, east, raised = (float(one) for one in best.parameters_deg[:3])
    told = tuple(one if one < 30.0 else None for one in errors)
    return LeastSquares(
        (h + 180.0) % 360.0 - 180.0, east, raised, (told[0], told[1], told[2]), best.rms_deg,
    )  # fmt: skip
