"""A drawing of the pole with the star near it on a clock face: in letters for a terminal, as SVG for paper.

The cross is the pole and belongs in the middle; the star stands on the ring. Twelve is towards the zenith. Left: as
the eye sees it, facing the pole. Right: as optics show it that turn the picture upside down.
"""

from __future__ import annotations

import math
import textwrap
from html import escape

ROWS, COLUMNS = 9, 21
_NUMERALS = {0: "12", 3: "3", 6: "6", 9: "9"}


def dial(clock_hours: float) -> list[str]:
    """A clock face of 9 lines and 21 columns with the star `*` at an hour, 0 <= value < 12."""
    field = [[" "] * COLUMNS for _ in range(ROWS)]
    middle_row, middle_column = ROWS // 2, COLUMNS // 2

    def put(hours: float, mark: str) -> None:
        angle = hours * math.pi / 6.0
        row = middle_row - round(math.cos(angle) * middle_row)
        column = middle_column + round(math.sin(angle) * (middle_column - 1))
        for number, letter in enumerate(mark):
            field[row][column - (len(mark) - 1) // 2 + number] = letter

    for hour in range(12):
        put(float(hour), _NUMERALS.get(hour, "."))
    field[middle_row][middle_column] = "+"
    for hour, numeral in _NUMERALS.items():
        if abs((clock_hours - hour + 6.0) % 12.0 - 6.0) < 0.4:
            put(float(hour), " " * len(numeral))  # the star stands there: half a numeral would mislead
    put(clock_hours, "*")
    return ["".join(row).rstrip() for row in field]


def clock_text(clock_hours: float) -> str:
    """An hour on a clock face as h:mm, 12:00 at the top."""
    minutes = round(clock_hours * 60.0) % 720
    return f"{minutes // 60 or 12}:{minutes % 60:02d}"


def side_by_side(left: list[str], right: list[str], *, indent: int, width: int) -> list[str]:
    """Two drawings beside each other, the right one beginning `width` columns after the left."""
    lines = [f"{a:<{width}}{b}".rstrip() for a, b in zip(left, right, strict=True)]
    return [(" " * indent + line).rstrip() for line in lines]


def svg(
    erect: float | None,
    inverted: float | None,
    *,
    star: str,
    pole: str,
    distance_arcmin: float,
    caption: tuple[str, ...],
) -> str:
    """A self-contained SVG of both faces with captions; without an hour (pole overhead) only the captions."""
    lines = [line for text in caption for line in textwrap.wrap(text, 84)]
    height = 320 + 16 * len(lines)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 520 {height}" width="520" height="{height}" '
        f'role="img" aria-label="{escape(star)} around the {escape(pole)} pole of the sky">',
        "<style>text{font-family:sans-serif;font-size:13px;fill:#20303f}"
        ".ring{fill:none;stroke:#5b7186;stroke-width:1.5}.tick{stroke:#5b7186;stroke-width:1.5}"
        ".pole{stroke:#20303f;stroke-width:2}.star{fill:#c8501e}.spoke{stroke:#c8501e;stroke-dasharray:4 4}"
        ".small{font-size:11px}.mid{text-anchor:middle}</style>",
        f'<rect width="520" height="{height}" fill="#fbfaf6"/>',
    ]
    faces = ((erect, 135, "upright"), (inverted, 385, "inverted"))
    for hours, centre, label in faces:
        if hours is not None:
            parts += _face(hours, centre, 150.0, 95.0, distance_arcmin)
            parts.append(f'<text class="mid" x="{centre}" y="285">{clock_text(hours)} {label}</text>')
    parts += [
        f'<text class="small" x="20" y="{310 + 16 * number}">{escape(line)}</text>' for number, line in enumerate(lines)
    ]
    return "\n".join([*parts, "</svg>", ""])


def _face(hours: float, x0: float, y0: float, radius: float, distance_arcmin: float) -> list[str]:
    def at(hour: float, r: float) -> tuple[float, float]:
        angle = hour * math.pi / 6.0
        return x0 + r * math.sin(angle), y0 - r * math.cos(angle)

    parts = [f'<circle class="ring" cx="{x0}" cy="{y0}" r="{radius}"/>']
    for hour in range(12):
        (xa, ya), (xb, yb), (xt, yt) = at(hour, radius), at(hour, radius - 7), at(hour, radius + 14)
        parts.append(f'<line class="tick" x1="{xa:.1f}" y1="{ya:.1f}" x2="{xb:.1f}" y2="{yb:.1f}"/>')
        parts.append(f'<text class="small mid" x="{xt:.1f}" y="{yt + 4:.1f}">{hour or 12}</text>')
    star_x, star_y = at(hours, radius)
    label_x, label_y = at(hours + 0.6, radius * 0.55)
    parts += [
        f'<line class="spoke" x1="{x0}" y1="{y0}" x2="{star_x:.1f}" y2="{star_y:.1f}"/>',
        f'<line class="pole" x1="{x0 - 7}" y1="{y0}" x2="{x0 + 7}" y2="{y0}"/>',
        f'<line class="pole" x1="{x0}" y1="{y0 - 7}" x2="{x0}" y2="{y0 + 7}"/>',
        f'<circle class="star" cx="{star_x:.1f}" cy="{star_y:.1f}" r="6"/>',
        f'<text class="small mid" x="{label_x:.1f}" y="{label_y:.1f}">{distance_arcmin:.1f}\'</text>',
    ]
    return parts
