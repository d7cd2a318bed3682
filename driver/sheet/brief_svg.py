"""The sheet's drawing of the pole as a self-contained SVG."""

from __future__ import annotations

from noonmark.driver.brief import Brief
from noonmark.driver.escaping import escape
from noonmark.driver.sheet import pole_drawing
from noonmark.driver.sheet.brief_page import Page, hours_minutes
from noonmark.driver.zones import Zone


def drawing(sheet: Brief, zone: Zone) -> str:
    """Where the star stands around the pole at dusk where that is to come, else at the sheet's instant."""
    page = Page(zone, sheet.utc)
    star = sheet.pole.at_dusk or sheet.pole.now
    caption = (
        f"{escape(sheet.site.name) or 'Site'}, {page.full(star.utc)} {zone.key}. {star.star}: "
        f"{star.distance_arcmin:.1f} arcminutes from the pole, hour angle {hours_minutes(star.hour_angle_h)}.",
        "The cross is the pole and belongs in the middle, the star on the ring. Facing the pole, 12 is towards the "
        "zenith.",
        "Upright: as the eye sees it. Inverted: optics that turn the picture by half a turn. No mirror in either.",
    )
    return pole_drawing.svg(
        star.clock_erect,
        star.clock_inverted,
        star=star.star,
        pole=sheet.pole.altitude.pole,
        distance_arcmin=star.distance_arcmin,
        caption=caption,
    )
