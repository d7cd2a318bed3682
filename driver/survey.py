"""A site's position from many epochs of a receiver: robust, bounded, and refused where it can't be one place.

The position is the median of the epochs in the plane that touches the ellipsoid there (so neither a pole nor the
180th meridian is special), the elevation the median of what the receiver gives above mean sea level.
"""

from __future__ import annotations

import math
import statistics
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

from pydantic import BaseModel, ConfigDict

from noonmark.driver import iso6709, zones
from noonmark.driver.geodesy import Tangent
from noonmark.driver.sheet import keypad
from noonmark.driver.version import BUILD_DATE
from noonmark.protocols.epochs import Epoch

MIN_EPOCHS = 30
MIN_SPAN_S = 55.0
"""Less than about a minute shows none of the slow wander that reflections and the ionosphere bring."""

LONGEST_GAP_S = 10.0

COMMON_RADIUS_M = 8.0
COMMON_VERTICAL_M = 13.0
"""What all epochs may have in common and their scatter can't show: the 95% global average of the GPS Standard
Positioning Service (Performance Standard, 5th edition, 2020: 8 m horizontal, 13 m vertical) [from memory]."""

BORDER_M = 1000.0
"""The zone map's borders are simplified: one that is nearer may run on either side (common practice, no source)."""

MAX_SCATTER_M = 30.0
MAX_HDOP = 5.0
"""A median dilution above this is called poor (common practice, no source)."""

JUMP_M = 15.0
WALK_M = 10.0
WALK_SPREADS = 3.0
LEVEL_EPOCHS = 5
"""Epochs before and after an instant whose medians show a jump: one wild epoch is none."""


class SurveyError(Exception):
    """These epochs are not one place, or too few or too poor for it. `code` is a stable slug."""

    def __init__(self, code: str, message: str, remedy: str) -> None:
        super().__init__(message)
        self.code = code
        self.remedy = remedy


class Survey(BaseModel):
    """A surveyed place. Longitude EAST positive; elevation above mean sea level by the receiver's own geoid.

    `radius95_m`: the place lies within it with 95% probability, given `assumptions`; `scatter95_m`: within that
    of the median lay 95% of the epochs. `timezones`: of the position, the likeliest first; several at a border or
    in a dispute. `notes`: what a reader must know.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    latitude_deg: float
    longitude_deg: float
    elevation_m: float | None
    radius95_m: float
    scatter95_m: float
    elevation95_m: float | None
    drift_m: float
    epochs_used: int
    epochs_seen: int
    span_s: float
    first_utc: datetime
    last_utc: datetime
    hdop: float | None
    timezones: tuple[str, ...]
    iso6709: str
    forms: keypad.PlaceForms
    assumptions: tuple[str, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Fix:
    utc: datetime
    east_m: float
    north_m: float


@dataclass(frozen=True, slots=True)
class Placed:
    """Epochs with a place and a date, in order, and their places in the plane at the first of them."""

    tangent: Tangent
    epochs: tuple[Epoch, ...]
    fixes: tuple[_Fix, ...]

    @property
    def span_s(self) -> float:
        """Seconds that the epochs cover; a gap counts for ten at most, a step of the receiver's date for none."""
        steps = [(b.utc - a.utc).total_seconds() for a, b in pairwise(self.fixes)]
        return sum(min(step, LONGEST_GAP_S) for step in steps if step > 0.0)

    def median_m(self) -> tuple[float, float]:
        """(east, north) of the median, metres in the plane."""
        return _median(self.fixes)

    def distances_m(self) -> list[float]:
        """Of each fix from the median, metres."""
        east, north = self.median_m()
        return [math.hypot(fix.east_m - east, fix.north_m - north) for fix in self.fixes]


def placed(epochs: Sequence[Epoch]) -> Placed | None:
    """Those epochs that may be gone by; None where there is none."""
    good = [epoch for epoch in epochs if epoch.usable and epoch.utc is not None and epoch.latitude_deg is not None]
    if not good:
        return None
    first = good[0]
    tangent = Tangent(first.latitude_deg or 0.0, first.longitude_deg or 0.0)
    fixes = []
    for epoch in good:
        assert epoch.utc is not None
        assert epoch.latitude_deg is not None
        assert epoch.longitude_deg is not None
        fixes.append(_Fix(epoch.utc, *tangent.east_north_m(epoch.latitude_deg, epoch.longitude_deg)))
    return Placed(tangent, tuple(good), tuple(fixes))


def survey(epochs: Sequence[Epoch]) -> Survey:
    """The place of a receiver that stood still. Raises SurveyError.

    A jump (the level before and after an instant 15 m apart), a walk (first and last third 10 m and three of their
    spreads apart), fewer than 30 usable epochs or less than a minute of them, a median HDOP above 5, a scatter of
    over 30 m, and simulated epochs are refused.
    """
    found = placed(epochs)
    if found is None:
        raise SurveyError("survey-no-fix", f"no usable epoch: {_why_none(epochs)}", _NO_FIX_REMEDY)
    _refuse_few(found, epochs)
    drift_m = _refuse_motion(found)
    _refuse_poor(found)
    return _conclude(found, epochs, drift_m)


_NO_FIX_REMEDY = "give the antenna a free view of the sky and wait until the receiver shows a fix"


def _why_none(epochs: Sequence[Epoch]) -> str:
    """The commonest reason among the epochs."""
    if not epochs:
        return "not a single epoch came"
    reasons = Counter(epoch.why_not or "no position" for epoch in epochs)
    reason, count = reasons.most_common(1)[0]
    return f"{reason} ({count} of {len(epochs)} epochs)"


def _refuse_few(found: Placed, epochs: Sequence[Epoch]) -> None:
    if len(found.fixes) < MIN_EPOCHS or found.span_s < MIN_SPAN_S:
        why = "" if len(found.fixes) == len(epochs) else f" of {len(epochs)}; the rest: {_why_none(_unusable(epochs))}"
        raise SurveyError(
            "survey-too-short",
            f"{len(found.fixes)} usable epochs over {found.span_s:.0f} s{why}; expected at least {MIN_EPOCHS} over a "
            "minute",
            "let it run longer: five minutes do well",
        )


def _unusable(epochs: Sequence[Epoch]) -> list[Epoch]:
    return [epoch for epoch in epochs if not epoch.usable]


def _median(fixes: Sequence[_Fix]) -> tuple[float, float]:
    return statistics.median(fix.east_m for fix in fixes), statistics.median(fix.north_m for fix in fixes)


def _spread(fixes: Sequence[_Fix]) -> float:
    """Median distance from the median: half of the epochs lie within."""
    east, north = _median(fixes)
    return statistics.median(math.hypot(fix.east_m - east, fix.north_m - north) for fix in fixes)


def _apart(one: Sequence[_Fix], other: Sequence[_Fix]) -> float:
    (east_a, north_a), (east_b, north_b) = _median(one), _median(other)
    return math.hypot(east_b - east_a, north_b - north_a)


def _refuse_motion(found: Placed) -> float:
    """How far the first and the last third lie apart, in metres, where that is no walk and no jump."""
    fixes = found.fixes
    third = len(fixes) // 3
    first, last = fixes[:third], fixes[-third:]
    drift_m = _apart(first, last)
    step_m, at = max(
        (_apart(fixes[i - LEVEL_EPOCHS : i], fixes[i : i + LEVEL_EPOCHS]), fixes[i].utc)
        for i in range(LEVEL_EPOCHS, len(fixes) - LEVEL_EPOCHS + 1)
    )
    moving = drift_m > WALK_M and drift_m > WALK_SPREADS * max(_spread(first), _spread(last))
    if step_m > JUMP_M and (not moving or step_m > 0.6 * drift_m):
        raise SurveyError(
            "survey-jump",
            f"the position jumps by {step_m:.0f} m at {at:%H:%M:%S} UTC",
            "a reflection or a change of satellites: give the antenna a free view and start again",
        )
    if moving:
        raise SurveyError(
            "survey-moving",
            f"the receiver moved: its first and last third are {drift_m:.0f} m apart",
            "put the antenna down where the mount stands, and start again",
        )
    return drift_m


def _refuse_poor(found: Placed) -> None:
    known = [epoch.hdop for epoch in found.epochs if epoch.hdop is not None]
    if known and statistics.median(known) > MAX_HDOP:
        raise SurveyError(
            "survey-poor",
            f"the satellites stand badly: the median HDOP is {statistics.median(known):.1f}, expected at most "
            f"{MAX_HDOP}",
            "give the antenna a free view of the sky, or wait an hour",
        )
    scatter_m = percentile_95(found.distances_m())
    if scatter_m > MAX_SCATTER_M:
        raise SurveyError(
            "survey-poor",
            f"the epochs scatter by {scatter_m:.0f} m (95%), expected at most {MAX_SCATTER_M:.0f} m",
            "give the antenna a free view of the sky, away from walls",
        )


def percentile_95(values: Sequence[float]) -> float:
    """The smallest of the values that 95% of them don't exceed (nearest rank)."""
    ordered = sorted(values)
    return ordered[max(0, math.ceil(0.95 * len(ordered)) - 1)]


def _conclude(found: Placed, epochs: Sequence[Epoch], drift_m: float) -> Survey:
    latitude, longitude = found.tangent.place_deg(*found.median_m())
    heights = [epoch.altitude_m for epoch in found.epochs if epoch.altitude_m is not None]
    elevation = statistics.median(heights) if heights else None
    scatter = percentile_95(found.distances_m())
    known = [epoch.hdop for epoch in found.epochs if epoch.hdop is not None]
    keys = _zones_around(latitude, longitude)
    vertical = None
    if elevation is not None:
        vertical = math.hypot(COMMON_VERTICAL_M, percentile_95([abs(height - elevation) for height in heights]))
    return Survey(
        latitude_deg=latitude,
        longitude_deg=longitude,
        elevation_m=elevation,
        radius95_m=math.hypot(COMMON_RADIUS_M, scatter),
        scatter95_m=scatter,
        elevation95_m=vertical,
        drift_m=drift_m,
        epochs_used=len(found.fixes),
        epochs_seen=len(epochs),
        span_s=found.span_s,
        first_utc=found.fixes[0].utc,
        last_utc=found.fixes[-1].utc,
        hdop=statistics.median(known) if known else None,
        timezones=keys,
        iso6709=iso6709.text(latitude, longitude, elevation, decimals=5),
        forms=keypad.place_forms(latitude, longitude),
        assumptions=ASSUMPTIONS,
        notes=tuple(_notes(found, elevation, keys)),
    )


def _zones_around(latitude_deg: float, longitude_deg: float) -> tuple[str, ...]:
    """The zones of a place, then those that begin within a kilometre; at sea off a coast no other nautical ones."""
    keys = dict.fromkeys(zones.zones_at(longitude_deg, latitude_deg))
    plane = Tangent(latitude_deg, longitude_deg)
    for turn in (number * math.pi / 4.0 for number in range(8)):
        latitude, longitude = plane.place_deg(BORDER_M * math.sin(turn), BORDER_M * math.cos(turn))
        keys |= dict.fromkeys(key for key in zones.zones_at(longitude, latitude) if not key.startswith("Etc/"))
    return tuple(keys)


ASSUMPTIONS = (
    f"the radius is the root of the squares of the epochs' own scatter (95%, not divided by their number, since "
    f"neighbouring epochs err alike) and of {COMMON_RADIUS_M:.0f} m that all of them may have in common (GPS Standard "
    "Positioning Service, 95%)",
    "the receiver stood still, its antenna where the mount stands",
    "the elevation is above mean sea level by the receiver's own geoid, a few metres rough",
)


def _notes(found: Placed, elevation: float | None, keys: Sequence[str]) -> list[str]:
    notes = []
    if elevation is None:
        notes.append("the receiver gave no elevation: elevation_m is left out; add it by hand from a map")
    if len(keys) > 1:
        notes.append(
            f"the position has several time zones, or a border within {BORDER_M / 1000.0:g} km: {', '.join(keys)}; the "
            "first is taken, check which is kept there (--timezone KEY)"
        )
    if any(key.startswith("Etc/") for key in keys):
        notes.append("the position is at sea by the zone map: a nautical zone is taken")
    utc = found.fixes[-1].utc
    if utc < BUILD_DATE:
        notes.append(
            f"the receiver's date, {utc:%Y-%m-%d}, is before this program was built: an old recording or a week "
            "rollover; the position does not depend on it, but don't take the time from it"
        )
    return notes
