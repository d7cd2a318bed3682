"""The page CAUSES.md, made from the table of causes: `noonmark explain --causes` prints it."""

from __future__ import annotations

from noonmark.driver.reasons.causes import ROWS, SHOWS, Cause

HEAD = """# What can be wrong, and how it shows

This page is made from the table in `causes.py`: `noonmark explain --causes > driver/CAUSES.md`. Hour angles are those
of an equatorial mount that starts from its true home; an hour of UT is 15.041 deg of hour angle, a day of the date
3 m 56.555 s of sidereal time. On the sky the tube lands 2 asin(cos dec sin(dH/2)) from its target.
"""


def page() -> str:
    """The whole page, Markdown."""
    lines = [HEAD]
    lines += [f"- **{name}**: {words}" for name, words in SHOWS.items()]
    lines += ["", "| cause | what it is | settings | sky | shows |", "|---|---|---|---|---|"]
    lines += [_line(row) for row in ROWS]
    lines += ["", "## What to do", ""]
    lines += [f"- `{row.slug}`: {row.remedy}." for row in ROWS]
    return "\n".join(lines) + "\n"


def _line(row: Cause) -> str:
    cells = (f"`{row.slug}`", row.sentence, row.settings, row.sky, ", ".join(row.shows))
    return "| " + " | ".join(cells) + " |"
