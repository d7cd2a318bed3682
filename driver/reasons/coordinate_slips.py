"""A coordinate written in one form and taken for another: 31 deg 57 min and 31.57 deg.

Each function gives the values that the slip can make of one, by how many digits were written; magnitudes, without a
sign, since the slip keeps it.
"""

from __future__ import annotations

import math

from noonmark.protocols import sexagesimal


def minutes_as_decimals(value_deg: float) -> tuple[float, ...]:
    """31 deg 57 min 24 s entered as 31.57, 31.57 (rounded to the minute) or 31.5724."""
    whole, minute, second = _parts(value_deg, seconds=True)
    rounded_whole, rounded_minute, _ = _parts(value_deg, seconds=False)
    return (
        whole + minute / 100.0,
        rounded_whole + rounded_minute / 100.0,
        whole + minute / 100.0 + second / 10000.0,
    )


def decimals_as_minutes(value_deg: float) -> tuple[float, ...]:
    """31.5724 entered as 31 deg 57 min (cut off, or rounded) or 31 deg 57 min 24 s; empty where such minutes or
    seconds don't exist."""
    magnitude = abs(value_deg)
    count = round(magnitude * 10000)
    whole, rest = divmod(count, 10000)
    minute, second = divmod(rest, 100)
    found = []
    if minute < 60:
        found.append(whole + minute / 60.0)
        hundredths = math.floor(magnitude * 100 + 0.5)
        near_whole, near_minute = divmod(hundredths, 100)
        if near_minute < 60:
            found.append(near_whole + near_minute / 60.0)
            if second < 60:
                found.append(whole + minute / 60.0 + second / 3600.0)
    return tuple(found)


def hours_as_decimals(offset_h: float) -> float | None:
    """9:30 entered as 9.3: local minus UTC; None where the offset has no minutes."""
    minutes = round(abs(offset_h) * 60) % 60
    if minutes == 0:
        return None
    whole = round(abs(offset_h) * 60) // 60
    return math.copysign(whole + minutes / 100.0, offset_h)


def _parts(value_deg: float, *, seconds: bool) -> tuple[int, int, int]:
    parts = sexagesimal.split(abs(value_deg), seconds=seconds)
    return parts.whole, parts.minutes, parts.seconds
