"""Right ascension and declination as the trade writes them, in one text: "05:35:17.3 -05:23:28" and its kin.

Sexagesimal with colons, blanks or letters, or decimal; right ascension in hours or in degrees. Sexagesimal right
ascension is hours unless it bears a d; a decimal one must say its unit where it could be either. Nothing is guessed.
"""

from __future__ import annotations

import re


class CoordinateError(ValueError):
    """A text is no position; the message says what was expected."""


_EXAMPLE = 'as "05:35:17.3 -05:23:28", "5h35m17.3s -5d23m28s", "83.82d -5.391" or "5.588h -5.391"'
_NUMBER = r"\d+(?:\.\d+)?"
_SEXAGESIMAL = re.compile(
    rf"(?P<sign>[+-]?)(?P<whole>\d+)\s*(?P<unit>[hd°:*\s])\s*(?P<minutes>{_NUMBER})"
    rf"(?:\s*[m'′:\s]\s*(?P<seconds>{_NUMBER})?\s*[s\"″]?)?\s*[m'′]?"
)
_DECIMAL = re.compile(rf"(?P<sign>[+-]?)(?P<value>{_NUMBER})\s*(?P<unit>[hd°]?)")


def parse_position(text: str) -> tuple[float, float]:
    """(right ascension in hours, 0 <= value < 24; declination in degrees). Raises CoordinateError."""
    ascension, declination = _halves(text.strip().replace("\u2212", "-").lower())
    hours = _ascension_h(ascension)
    degrees = angle_deg(declination, "declination", 90.0)
    return hours, degrees


def _halves(text: str) -> tuple[str, str]:
    """A comma, else the sign of the declination, else the middle of the words, parts the two."""
    if "," in text:
        parts = [part.strip() for part in text.split(",")]
        if len(parts) == 2 and all(parts):
            return parts[0], parts[1]
        raise _not_a_position(text)
    signed = re.search(r"(?<=\S)\s*(?=[+-])", text)
    if signed is not None and text[signed.end() :]:
        return text[: signed.start()].strip(), text[signed.end() :].strip()
    words = text.split()
    if len(words) in (2, 4, 6):
        middle = len(words) // 2
        return " ".join(words[:middle]), " ".join(words[middle:])
    raise _not_a_position(text)


def _not_a_position(text: str) -> CoordinateError:
    return CoordinateError(f"{text[:60]!a} is no position: expected right ascension and declination, {_EXAMPLE}")


def _ascension_h(text: str) -> float:
    value, unit, sexagesimal = _read(text, "right ascension")
    if value < 0 or text.startswith("-"):
        raise CoordinateError(f"right ascension {text[:40]!a} is negative: it runs from 0 to 24 h, or 0 to 360 d")
    if unit == "":
        if not sexagesimal and value <= 24.0:
            raise CoordinateError(f"right ascension {text[:40]!a} could be hours or degrees: write {text}h or {text}d")
        unit = "h" if sexagesimal else "d"
    if value >= (24.0 if unit == "h" else 360.0):
        hint = "; for degrees write a d, as in 83d49m12s" if unit == "h" else ""
        raise CoordinateError(f"right ascension {text[:40]!a} is {'24 h' if unit == 'h' else '360 d'} or more{hint}")
    return value if unit == "h" else value / 15.0


def angle_deg(text: str, name: str, limit_deg: float) -> float:
    """Degrees of a text, sexagesimal or decimal, within the limit. Raises CoordinateError naming `name`."""
    value, unit, _ = _read(text.strip(), name)
    if unit == "h":
        raise CoordinateError(f"{name} {text[:40]!a} is in hours: expected degrees")
    if abs(value) > limit_deg:
        raise CoordinateError(f"{name} {text[:40]!a}: expected at most {limit_deg:g} degrees")
    return value


def _read(text: str, name: str) -> tuple[float, str, bool]:
    """(value, "h", "d" or "" where none is told, whether sexagesimal)."""
    decimal = _DECIMAL.fullmatch(text)
    if decimal is not None:
        value = float(decimal["value"])
        return (-value if decimal["sign"] == "-" else value), decimal["unit"].replace("°", "d"), False
    match = _SEXAGESIMAL.fullmatch(text)
    if match is None:
        raise CoordinateError(f"{name} {text[:40]!a} can't be read: expected {_EXAMPLE}")
    minutes, seconds = float(match["minutes"]), float(match["seconds"] or 0.0)
    if minutes >= 60.0 or seconds >= 60.0 or (match["seconds"] and "." in match["minutes"]):
        raise CoordinateError(
            f"{name} {text[:40]!a}: minutes and seconds must be below 60, and only the last may have decimals"
        )
    value = int(match["whole"]) + minutes / 60.0 + seconds / 3600.0
    unit = match["unit"].replace("°", "d").replace("*", "d").strip(": \t")
    return (-value if match["sign"] == "-" else value), unit, True
