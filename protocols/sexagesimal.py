"""Angles and times of day to text and back: round once to a count of the last unit, then split.

Source of the rule: the carry cases of SOFA/ERFA `a2tf`, `d2tf`; a value is never rounded twice.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Parts:
    """A sexagesimal value. `negative` stands by itself, so that -0:30 keeps its sign."""

    negative: bool
    whole: int
    minutes: int
    seconds: int
    fraction: int  # in units of 10**-decimals of a second; 0 where seconds are not shown

    def value(self, decimals: int = 0) -> float:
        """The value in the unit of `whole`."""
        seconds: float = self.seconds + self.fraction / 10.0**decimals
        total = self.whole + self.minutes / 60 + seconds / 3600
        return -total if self.negative else total


def split(value: float, *, seconds: bool = True, decimals: int = 0) -> Parts:
    """Split a value in degrees or hours into whole, minutes and (where shown) seconds.

    Rounded once, half away from zero, to the last unit shown; minus zero becomes plus zero.
    """
    per_whole = 3600 * 10**decimals if seconds else 60
    count = int(abs(value) * per_whole + 0.5)
    negative = value < 0 and count > 0
    if not seconds:
        whole, minutes = divmod(count, 60)
        return Parts(negative, whole, minutes, 0, 0)
    rest, fraction = divmod(count, 10**decimals)
    rest, second = divmod(rest, 60)
    whole, minutes = divmod(rest, 60)
    return Parts(negative, whole, minutes, second, fraction)


def text(
    value: float,
    *,
    digits: int,
    marks: tuple[str, str] = (":", ":"),
    seconds: bool = True,
    decimals: int = 0,
    plus: bool = True,
    wrap: int | None = None,
) -> str:
    """Format as `sDD<mark>MM<mark>SS`. `digits`: least digits of the whole part; `plus`: show a + sign.

    `wrap` (24, 360): a value that rounds up to it is shown as 0.
    """
    parts = split(value, seconds=seconds, decimals=decimals)
    whole = parts.whole
    if wrap is not None and not parts.negative:
        whole %= wrap
    sign = "-" if parts.negative else ("+" if plus else "")
    body = f"{sign}{whole:0{digits}d}{marks[0]}{parts.minutes:02d}"
    if seconds:
        body += f"{marks[1]}{parts.seconds:02d}"
        if decimals:
            body += f".{parts.fraction:0{decimals}d}"
    return body


def wrap_signed(value: float, period: float) -> float:
    """Fold into [-period/2, period/2)."""
    return (value + period / 2) % period - period / 2
