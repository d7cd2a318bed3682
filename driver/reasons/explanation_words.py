"""An explanation in words: the sentence first, then the numbers, then what to do."""

from __future__ import annotations

import datetime as dt

from noonmark.driver.conventions import Convention
from noonmark.driver.reasons.causes import CAUSES
from noonmark.driver.reasons.explanation_search import Candidate, Reading
from noonmark.driver.reasons.slips import DATE, LATITUDE, LOCAL, LONGITUDE, OFFSET, TIME, Context, Settings
from noonmark.protocols import sexagesimal

SMALL_S = 3600.0  # an error of the clock below this is told as such, not as two times of day


def sentence(reading: Reading, one: Candidate, others: tuple[str, ...]) -> str:
    """The whole sentence, with the numbers, and what can't be told from it."""
    if len(one.words) == 1:
        told = one.words[0]
    else:
        first, second = one.words
        told = f"Two things are wrong: {_lower(first)}; and {_lower(second)}"
    told += f": {numbers(reading.ctx, one.after, one.touches)}"
    if one.typed_s:
        told += f"; and {seconds(one.typed_s)} besides, as of a time set by hand"
    if others and one.fixed:
        names = " or ".join(other.replace("+", " with ") for other in others)
        told += f" (these values can't tell it from {names})"
    return told + "."


def numbers(ctx: Context, after: Settings, touches: int) -> str:
    """What the mount has beside what is right, for the settings touched."""
    told = []
    if touches & LATITUDE:
        told.append(f"latitude {latitude(after.latitude_deg)} where {latitude(ctx.right.latitude_deg)} is right")
    if touches & LONGITUDE:
        told.append(f"longitude {longitude(after.longitude_deg)} where {longitude(ctx.right.longitude_deg)} is right")
    if touches & OFFSET:
        told.append(f"offset {offset(after.offset_h)} where {offset(ctx.right.offset_h)} is right")
    if touches & LOCAL:
        told.append(_clock(ctx, after, touches))
    return ", ".join(told)


def _clock(ctx: Context, after: Settings, touches: int) -> str:
    shown, right = ctx.local(after), ctx.local(ctx.right)
    off = after.local_s - ctx.right.local_s
    if abs(off) < SMALL_S:
        return f"local time {seconds(off)}"
    if shown.date() == right.date():
        return f"local time {shown:%H:%M} where it is {right:%H:%M}"
    if not touches & TIME and touches & DATE:
        return f"date {shown:%Y-%m-%d} where it is {right:%Y-%m-%d}"
    return f"local time {_moment(shown)} where it is {_moment(right)}"


def _moment(value: dt.datetime) -> str:
    return f"{value:%Y-%m-%d %H:%M}"


def seconds(off_s: float) -> str:
    """An error of a clock in words: to the tenth of a second, from 2 min on to the second, from 10 on to the minute."""
    way = "ahead" if off_s > 0 else "behind"
    amount_s = abs(off_s)
    if amount_s < 120.0:
        return f"{amount_s:.1f} s {way}"
    minutes, left_s = divmod(round(amount_s), 60)
    return f"{minutes} min {left_s} s {way}" if minutes < 10 else f"{amount_s / 60:.0f} min {way}"


def latitude(value_deg: float) -> str:
    """Degrees, minutes and hemisphere."""
    return _angle(value_deg, 2, "NS")


def longitude(value_deg: float) -> str:
    """Degrees, minutes and hemisphere, at most 180 degrees."""
    return _angle(sexagesimal.wrap_signed(value_deg, 360.0), 3, "EW")


def _angle(value_deg: float, digits: int, letters: str) -> str:
    return sexagesimal.text(abs(value_deg), digits=digits, plus=False) + " " + letters[value_deg < 0]


def offset(value_h: float) -> str:
    """Local minus UTC, hours and minutes."""
    return sexagesimal.text(value_h, digits=2, seconds=False)


def remedy(reading: Reading, slugs: tuple[str, ...], touches: int, convention: Convention | None) -> str:
    """What to do, with the values to set, in this mount's own sense where that is known."""
    ctx = reading.ctx
    told = "; ".join(dict.fromkeys(CAUSES[slug].remedy for slug in slugs))
    values = []
    if touches & LATITUDE:
        values.append(f"latitude {latitude(ctx.right.latitude_deg)}")
    if touches & LONGITUDE:
        values.append(f"longitude {longitude(ctx.right.longitude_deg)}")
    if touches & OFFSET:
        values.append(f"offset {offset(ctx.right.offset_h)}{_shown(ctx, convention)}")
    return f"{told} ({', '.join(values)})" if values else told


def _shown(ctx: Context, convention: Convention | None) -> str:
    if convention is None or convention.local_is_utc:
        return ""
    shown = convention.shown_offset_h(ctx.right.offset_h)
    return f", which this mount shows as {offset(shown)}" if abs(shown - ctx.right.offset_h) > 1e-6 else ""


def _lower(words: str) -> str:
    return words[:1].lower() + words[1:] if not words.startswith("UTC") else words
