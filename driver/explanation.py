"""What is likely wrong, in one sentence: which single mistake makes the settings read as they do."""

from __future__ import annotations

import datetime as dt
import math

from noonmark.driver.comparison import Judgement
from noonmark.driver.result import CauseValue
from noonmark.driver.site import Site
from noonmark.driver.sky import sky_error_deg
from noonmark.protocols.sexagesimal import wrap_signed

DEGREES_PER_SIDEREAL_HOUR = 15.04106864  # of hour angle in an hour of UT: 15 x 1.00273790935


def explain_settings(judgement: Judgement, site: Site, zone_offset_h: float) -> tuple[CauseValue, ...]:
    """The causes of everything that is wrong, the greatest error on the sky first. Empty where all is right."""
    rows = {row.name: row for row in judgement.rows}
    causes: list[CauseValue] = []
    for name in ("latitude", "longitude"):
        row = rows.get(name)
        if row is not None and row.ok is False and row.residual is not None and isinstance(row.read, float):
            causes.append(_place_cause(name, row.read, row.residual, site))
    offset, time, date = rows.get("offset"), rows.get("time"), rows.get("date")
    if offset is not None and offset.ok is False and offset.residual is not None:
        causes.append(_offset_cause(float(offset.read or 0.0), offset.residual, zone_offset_h))
    if date is not None and date.ok is False and date.residual is not None:
        causes.append(_date_cause(str(date.read), date.residual))
    if time is not None and time.ok is False and time.residual is not None:
        causes.append(_time_cause(time.residual, zone_offset_h))
    return tuple(sorted(causes, key=lambda one: -(one.sky_error_deg or 0.0)))


def _cause(slug: str, sentence: str, hour_angle_deg: float, remedy: str) -> CauseValue:
    error = sky_error_deg(wrap_signed(hour_angle_deg, 360.0) / 15.0, 0.0)
    return CauseValue(cause=slug, sentence=sentence, sky_error_deg=round(abs(error), 4), confidence=0.9, remedy=remedy)


def _place_cause(name: str, read: float, residual: float, site: Site) -> CauseValue:
    expected = site.latitude_deg if name == "latitude" else site.longitude_deg
    if abs(read + expected) < 0.05 and abs(expected) > 0.1:
        return _cause(
            f"{name}-sign-reversed", f"the mount's {name} has the wrong sign", residual, f"set the {name} again"
        )
    return _cause(
        "site-of-another-place", f"the mount's {name} is that of another place, {abs(residual):.3f} deg away",
        residual, f"set the {name}",
    )  # fmt: skip


def _offset_cause(read: float, residual: float, zone_offset_h: float) -> CauseValue:
    moved = residual * DEGREES_PER_SIDEREAL_HOUR
    if abs(read + zone_offset_h) < 0.01 and abs(zone_offset_h) > 0.1:
        return _cause("offset-sign-reversed", "the offset's sign is reversed", moved, "set the offset")
    if math.isclose(abs(residual), 1.0, abs_tol=0.01):
        slug = "daylight-saving-missing" if residual < 0 else "daylight-saving-extra"
        return _cause(slug, "the offset is an hour off, as when daylight saving is not minded", moved, "set the offset")
    return _cause("offset-hours-wrong", f"the offset is {residual:+.2f} h off: another zone's", moved, "set the offset")


def _date_cause(read: str, residual: float) -> CauseValue:
    moved = residual * 360.0 / 365.2422
    year = dt.date.fromisoformat(read).year
    if year <= 2010:
        return _cause("factory-date", f"the date is the factory's, {read}", moved, "set the date")
    if abs(residual) == 1:
        return _cause("date-off-by-one", "the date is a day off", moved, "set the date")
    return _cause("date-wrong", f"the date is {residual:+.0f} days off", moved, "set the date")


def _time_cause(residual: float, zone_offset_h: float) -> CauseValue:
    moved = residual / 3600.0 * DEGREES_PER_SIDEREAL_HOUR
    if abs(residual + zone_offset_h * 3600.0) < 60 and abs(zone_offset_h) > 0.1:
        return _cause("utc-entered-as-local", "the local time is UTC", moved, "set the time")
    if math.isclose(abs(residual), 3600.0, abs_tol=60):
        slug = "daylight-saving-missing" if residual < 0 else "daylight-saving-extra"
        return _cause(slug, "the time is an hour off, as when daylight saving is not minded", moved, "set the time")
    if math.isclose(abs(residual), 43200.0, abs_tol=60):
        return _cause("twelve-hour-clock", "the time is twelve hours off", moved, "set the time")
    return _cause("clock-off", f"the clock is {residual:+.1f} s off", moved, "set the time")
