"""Magnetic declination by the World Magnetic Model: where a compass points, how surely, and until when.

Declination is positive east: a compass needle points that far east of true north. The model describes the
Earth's core field; the iron of a pier, a car or the mount itself is not in it and can be ten times its error.
Outside the years of the models that pygeomag brings there is no answer: nothing is extrapolated.
"""

from __future__ import annotations

import math
from datetime import UTC, date, datetime
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict

from noonmark.driver.earth_orientation import require_aware

Trust = Literal["usable", "caution", "useless"]


class MagneticModelError(ValueError):
    """No installed magnetic model covers the date; the message names the days covered and the remedy."""


class Declination(BaseModel):
    """What the model says of a place and day.

    `declination_deg` east positive; `uncertainty_deg` one standard error by the model's own error model, None
    for models that pygeomag has none for; `annual_change_deg` None in the model's last year. `trust` follows the
    horizontal intensity: below 6000 nT caution, below 2000 nT a compass is useless (the model's own zones).
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    model: str
    first_day: date
    last_day: date
    declination_deg: float
    uncertainty_deg: float | None
    annual_change_deg: float | None
    horizontal_nt: float
    trust: Trust


def decimal_year(instant: datetime) -> float:
    """An aware instant as a year and its fraction, in UTC."""
    utc = require_aware(instant)
    begin, end = datetime(utc.year, 1, 1, tzinfo=UTC), datetime(utc.year + 1, 1, 1, tzinfo=UTC)
    return utc.year + (utc - begin) / (end - begin)


def declination(latitude_deg: float, longitude_deg: float, elevation_m: float, instant: datetime) -> Declination:
    """Declination at a place (longitude EAST positive) and an aware instant. Raises MagneticModelError."""
    return declination_in_year(latitude_deg, longitude_deg, elevation_m, decimal_year(instant))


def declination_in_year(latitude_deg: float, longitude_deg: float, elevation_m: float, year: float) -> Declination:
    """The same for a decimal year, as the model's published test values have it. Raises MagneticModelError."""
    model = _model(year)
    begin, end = model.life_span
    field = model.calculate(glat=latitude_deg, glon=longitude_deg, alt=elevation_m / 1000.0, time=year)
    later = None
    if year + 1.0 <= end:
        next_year = model.calculate(glat=latitude_deg, glon=longitude_deg, alt=elevation_m / 1000.0, time=year + 1.0)
        later = (next_year.d - field.d + 180.0) % 360.0 - 180.0
    trust: Trust = "useless" if field.in_blackout_zone else "caution" if field.in_caution_zone else "usable"
    return Declination(
        model=model.model,
        first_day=date(int(begin), 1, 1),
        last_day=date(int(end) - 1, 12, 31),
        declination_deg=field.d,
        uncertainty_deg=_uncertainty(field),
        annual_change_deg=later,
        horizontal_nt=field.h,
        trust=trust,
    )


def _model(year: float) -> Any:
    """The newest model's own file where it covers the year, else the one of its five years."""
    from pygeomag import GeoMag

    newest = GeoMag()
    begin, end = newest.life_span
    if begin <= year < end:
        return newest
    try:
        older = GeoMag(base_year=int(year))
        if older.life_span[0] <= year < older.life_span[1]:
            return older
    except ValueError:
        pass
    raise MagneticModelError(
        f"no magnetic model for {year:.1f}: the newest installed, {newest.model}, covers {begin:.0f}-01-01 to "
        f"{end - 1:.0f}-12-31 and is not stretched beyond; upgrade the package pygeomag"
        if year >= end
        else f"no magnetic model for {year:.1f}: those installed begin in 2010"
    )


def _uncertainty(field: Any) -> float | None:
    try:
        return float(field.calculate_uncertainty().d)
    except ValueError:  # models before 2015 came without an error model
        return None


def compass_reading_deg(declination_deg: float, true_azimuth_deg: float) -> float:
    """What a compass reads when it is held towards a true azimuth, 0 <= value < 360."""
    reading = (true_azimuth_deg - declination_deg) % 360.0
    return 0.0 if reading >= 360.0 else reading


def axis_error_deg(azimuth_error_deg: float, latitude_deg: float) -> float:
    """How far on the sky a polar axis of the right altitude is off, for an error of its azimuth.

    sin(s/2) = cos(latitude) sin(dA/2).
    """
    half = math.cos(math.radians(latitude_deg)) * math.sin(math.radians(azimuth_error_deg) / 2.0)
    return math.degrees(2.0 * math.asin(min(1.0, abs(half))))
