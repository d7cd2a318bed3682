"""A position as one string by ISO 6709, Annex H: +27.5916+086.5640+8850CRSWGS_84/ and its kin.

Latitude first, north positive; longitude second, EAST positive. The number of digits before the point says
whether they are degrees, degrees and minutes, or degrees, minutes and seconds: +27.5916 and +275916 differ.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

_WHOLE = re.compile(
    r"(?P<lat>[+-][0-9]{2,6}(?:\.[0-9]+)?)(?P<lon>[+-][0-9]{3,7}(?:\.[0-9]+)?)"
    r"(?P<height>[+-][0-9]+(?:\.[0-9]+)?)?(?:CRS(?P<crs>[A-Za-z0-9_:.-]+))?/?"
)


@dataclass(frozen=True, slots=True)
class Point:
    """Degrees north, degrees EAST, and metres; None for no height. `crs` is the named reference system or ""."""

    latitude_deg: float
    longitude_deg: float
    height_m: float | None = None
    crs: str = ""


def text(latitude_deg: float, longitude_deg: float, elevation_m: float | None = None, *, decimals: int = 4) -> str:
    """Decimal degrees form, ended by "/". The elevation is in whole metres above mean sea level.

    Raises ValueError out of range.
    """
    if not (-90.0 <= latitude_deg <= 90.0 and -180.0 <= longitude_deg <= 180.0):
        raise ValueError(f"latitude {latitude_deg}, longitude {longitude_deg}: expected -90..90 and -180..180")
    latitude = _signed(latitude_deg, 2, decimals)
    longitude = _signed(longitude_deg, 3, decimals)
    height = "" if elevation_m is None else _signed(elevation_m, 1, 0)
    return f"{latitude}{longitude}{height}/"


def _signed(value: float, digits: int, decimals: int) -> str:
    width = digits + 1 + (decimals + 1 if decimals else 0)
    shown = f"{value:+0{width}.{decimals}f}"
    return "+" + shown[1:] if float(shown) == 0.0 else shown


def parse(string: str) -> Point:
    """Read a position. Raises ValueError that says what was expected."""
    match = _WHOLE.fullmatch(string)
    if match is None:
        raise ValueError(
            f"{string[:60]!a} is not a position by ISO 6709: expected, for instance, -31.8571+141.6034+212/"
        )
    height = match["height"]
    return Point(
        _angle(match["lat"], 2, 90.0, "latitude"),
        _angle(match["lon"], 3, 180.0, "longitude"),
        None if height is None else float(height),
        match["crs"] or "",
    )


def _angle(part: str, degree_digits: int, limit: float, name: str) -> float:
    body = part[1:]
    whole = body.partition(".")[0]
    extra = len(whole) - degree_digits
    if extra not in (0, 2, 4):
        raise ValueError(
            f"{name} {part!a}: expected {degree_digits}, {degree_digits + 2} or {degree_digits + 4} digits"
        )
    if extra == 0:
        value = float(body)
    else:
        degrees, rest = body[:degree_digits], body[degree_digits:]
        minutes = float(rest) if extra == 2 else float(rest[:2])
        seconds = 0.0 if extra == 2 else float(rest[2:])
        if minutes >= 60.0 or seconds >= 60.0:
            raise ValueError(f"{name} {part!a}: minutes and seconds must be below 60")
        value = int(degrees) + minutes / 60.0 + seconds / 3600.0
    if value > limit:
        raise ValueError(f"{name} {part!a}: expected at most {limit:.0f} degrees")
    return -value if part[0] == "-" else value
