"""The page that a sheet is written on: 80 columns, a label and its text, instants as local time."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from datetime import datetime, timedelta

from noonmark.driver.zones import Zone
from noonmark.protocols import sexagesimal

WIDTH, LABEL = 80, 16


class Page:
    """Writes instants as local time: `+` for the day after the sheet's, a date for other days."""

    def __init__(self, zone: Zone, utc: datetime) -> None:
        self._zone = zone
        self._today = utc.astimezone(zone.tz).date()

    def full(self, utc: datetime) -> str:
        """Date and time to the second."""
        return f"{utc.astimezone(self._zone.tz):%Y-%m-%d %H:%M:%S}"

    def time(self, utc: datetime) -> str:
        """To the nearest minute."""
        minute = _nearest_minute(utc).astimezone(self._zone.tz)
        days = (minute.date() - self._today).days
        if days in (0, 1):
            return f"{minute:%H:%M}{'+' * days}"
        return f"{minute.day} {minute:%b} {minute:%H:%M}"


def _nearest_minute(utc: datetime) -> datetime:
    seconds = utc.second + utc.microsecond / 1e6
    whole = utc.replace(second=0, microsecond=0)
    return whole if seconds < 30.0 else whole + timedelta(minutes=1)


def row(label: str, text: str) -> list[str]:
    """A label in the left column, its text wrapped beside it."""
    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=f" {label:<{LABEL - 2}} ",
        subsequent_indent=" " * LABEL,
        break_on_hyphens=False,
        break_long_words=True,
    )


def wrapped(text: str) -> list[str]:
    """A text over the whole width."""
    return textwrap.wrap(text, WIDTH, initial_indent=" ", subsequent_indent=" ", break_on_hyphens=False)


def section(title: str, lines: Iterable[str]) -> list[str]:
    """An empty line, a title, and what belongs under it."""
    return ["", title, *lines]


def hours_minutes_seconds(value_h: float) -> str:
    """Hours of a day as 0 h 34 m 13 s."""
    parts = sexagesimal.split(value_h % 24.0, seconds=True)
    return f"{parts.whole % 24} h {parts.minutes:02d} m {parts.seconds:02d} s"


def hours_minutes(value_h: float) -> str:
    """Hours of a day as 0 h 34 m."""
    parts = sexagesimal.split(value_h % 24.0, seconds=False)
    return f"{parts.whole % 24} h {parts.minutes:02d} m"


def plain_angle(value_deg: float) -> str:
    """A positive angle as 31 deg 51' 26"."""
    parts = sexagesimal.split(value_deg, seconds=True)
    return f"{parts.whole} deg {parts.minutes:02d}' {parts.seconds:02d}\""
