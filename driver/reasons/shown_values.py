"""What a person reads off a mount's display, as rows that can be explained like those of a run.

Coordinates with a sign or a letter for the hemisphere, north and EAST positive; the offset as local minus UTC.
What is not given is taken for right.
"""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass

from noonmark.driver.comparison import OFFSET_TOLERANCE_H, clock_text
from noonmark.driver.reasons.celestial_text import CoordinateError, angle_deg
from noonmark.driver.result import SettingRow
from noonmark.driver.site import Site
from noonmark.protocols.sexagesimal import wrap_signed

BY_EYE_S, TO_THE_MINUTE_S = 10.0, 60.0
"""A display read beside a watch, with seconds or without."""
DAY_S = 86400.0


@dataclass(frozen=True, slots=True)
class Shown:
    """As typed; None where not given."""

    latitude: str | None = None
    longitude: str | None = None
    offset: str | None = None
    date: str | None = None
    time: str | None = None


def rows(shown: Shown, site: Site, zone_offset_h: float, utc: dt.datetime) -> tuple[SettingRow, ...]:
    """The rows of what is shown at an aware instant. Raises CoordinateError naming what can't be read."""
    found = []
    if shown.latitude is not None:
        found.append(_place("latitude", shown.latitude, site.latitude_deg, "NS", 90.0))
    if shown.longitude is not None:
        found.append(_place("longitude", shown.longitude, site.longitude_deg, "EW", 360.0))
    if shown.offset is not None:
        found.append(_offset(shown.offset, zone_offset_h))
    if shown.date is not None or shown.time is not None:
        found += _clock(shown.date, shown.time, utc.replace(tzinfo=None) + dt.timedelta(hours=zone_offset_h))
    return tuple(found)


def _place(name: str, text: str, expected: float, letters: str, limit_deg: float) -> SettingRow:
    plain = text.strip().replace("\u2212", "-")
    match = re.fullmatch(rf"([{letters}]?)\s*([+-]?\d.*?)\s*([{letters}]?)", plain, re.IGNORECASE)
    letter = (match[1] or match[3]).upper() if match is not None else ""
    if match is None or (match[1] and match[3]):
        raise _no_place(name, text, letters)
    body = match[2]
    if letter and body[0] in "+-":
        raise CoordinateError(f"{name} {text[:40]!a} has both a sign and a letter: give one of them")
    try:
        value = angle_deg(body, name, limit_deg)
    except CoordinateError as error:
        raise error if "at most" in str(error) else _no_place(name, text, letters) from None
    value = -value if letter == letters[1] else value
    value = wrap_signed(value, 360.0) if name == "longitude" else value
    tolerance = _unit_deg(body) * 1.5
    return _row(name, expected, value, wrap_signed(value - expected, 360.0), "deg", tolerance)


def _no_place(name: str, text: str, letters: str) -> CoordinateError:
    return CoordinateError(
        f"{name} {text[:40]!a} can't be read: expected degrees, as -31:51:26, 31:51:26 {letters[1]} or -31.8571"
    )


def _unit_deg(body: str) -> float:
    """The last unit that was written, degrees; a minute of arc where that is coarser."""
    groups = re.findall(r"\d+(?:\.\d+)?", body)
    decimals = len(groups[-1].partition(".")[2]) if groups else 0
    unit = (1.0, 1.0 / 60.0, 1.0 / 3600.0)[min(len(groups), 3) - 1] / 10.0**decimals
    return float(min(unit, 1.0 / 60.0)) if len(groups) > 1 or decimals else 1.0 / 60.0


def _offset(text: str, expected: float) -> SettingRow:
    match = re.fullmatch(r"([+-]?)(\d{1,2})(?::(\d{2})|(\.\d{1,2}))?", text.strip().replace("\u2212", "-"))
    if match is None or int(match[3] or 0) > 59:
        raise CoordinateError(f"offset {text[:40]!a}: expected hours, local minus UTC, as +10:30 or -6")
    hours = int(match[2]) + int(match[3] or 0) / 60.0 + float(match[4] or 0.0)
    hours = -hours if match[1] == "-" else hours
    return _row("offset", expected, hours, hours - expected, "h", OFFSET_TOLERANCE_H)


def _clock(date: str | None, time: str | None, expected: dt.datetime) -> list[SettingRow]:
    try:
        day = dt.date.fromisoformat(date.strip()) if date is not None else None
    except ValueError:
        raise CoordinateError(f"date {date!a}: expected year, month, day, as 2026-11-24") from None
    try:
        clock = dt.time.fromisoformat(time.strip()) if time is not None else None
    except ValueError:
        raise CoordinateError(f"time {time!a}: expected the local time, as 23:04:56 or 23:04") from None
    if clock is not None and clock.tzinfo is not None:
        raise CoordinateError(f"time {time!a} bears a zone: expected what the display shows, as 23:04:56")
    read = dt.datetime.combine(day or expected.date(), clock or expected.time())
    off_s = (read - expected).total_seconds()
    if day is None:  # the nearest such time of day
        off_s = wrap_signed(off_s, DAY_S)
    tolerance = TO_THE_MINUTE_S if time is not None and time.count(":") < 2 else BY_EYE_S
    if tolerance == TO_THE_MINUTE_S:
        off_s += TO_THE_MINUTE_S / 2.0  # a display without seconds is on average half a minute behind
    turns = round(off_s / DAY_S)
    residual = off_s - turns * DAY_S
    read = expected + dt.timedelta(seconds=off_s)
    days = turns if abs(residual) <= TO_THE_MINUTE_S else (read.date() - expected.date()).days
    return [
        SettingRow(name="date", expected=expected.date().isoformat(), read=read.date().isoformat(), wire=None,
                   residual=float(days), unit="d", tolerance=0.0, ok=days == 0),
        SettingRow(name="time", expected=clock_text(expected), read=clock_text(read), wire=None, residual=residual,
                   unit="s", tolerance=tolerance, ok=abs(residual) <= tolerance),
    ]  # fmt: skip


def _row(name: str, expected: float, read: float, residual: float, unit: str, tolerance: float) -> SettingRow:
    return SettingRow.model_validate(
        {"name": name, "expected": expected, "read": read, "wire": None, "residual": residual, "unit": unit,
         "tolerance": tolerance, "ok": abs(residual) <= tolerance + 1e-9}
    )  # fmt: skip
