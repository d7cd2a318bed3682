"""Azimuths of the Sun by day and of a bright star by night: a check of true north that no iron can spoil.

By day the shadow of a plumb line points away from the Sun; by night the star is sighted above the base's mark.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

import numpy as np
from pydantic import BaseModel, ConfigDict

from noonmark.driver.sheet.apparent import Body, Frame
from noonmark.driver.sheet.night import Night
from noonmark.driver.sheet.stars import BRIGHT, Star
from noonmark.driver.site import Site
from noonmark.driver.zones import Zone

HOURS_SHOWN = 3
HOUR = timedelta(hours=1)
LOW_DEG, HIGH_DEG = 10.0, 60.0
"""Low enough to be sighted over a mark and to give azimuth a meaning, high enough for hills and haze."""

LOWER_DEG, HIGHER_DEG = 5.0, 75.0
"""Taken where nothing stands between the others."""


class _Model(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Sighting(_Model):
    """Azimuth from TRUE north through east, and altitude without refraction, at a full hour of local time."""

    utc: datetime
    local: str
    azimuth_deg: float
    altitude_deg: float


class AzimuthCheck(_Model):
    """A body and where it stands at full local hours. Empty sightings: `why` says why there are none."""

    body: str
    magnitude: float | None
    sightings: tuple[Sighting, ...]
    why: str = ""


def full_hours(zone: Zone, start: datetime, end: datetime) -> list[datetime]:
    """The full hours of local time in (start, end], as instants in UTC."""
    local = start.astimezone(zone.tz)
    whole = local.replace(minute=0, second=0, microsecond=0)
    first = start + (HOUR - (local.replace(tzinfo=None) - whole.replace(tzinfo=None)))
    hours = []
    while first <= end:
        hours.append(first.astimezone(UTC))
        first += HOUR
    return hours


def sun_check(site: Site, zone: Zone, instant: datetime) -> AzimuthCheck:
    """The Sun at the next full hours at which it stands well, within a day."""
    hours = full_hours(zone, instant, instant + 24 * HOUR)
    shown = _pick(site, zone, "sun", hours)
    why = "" if shown else "the Sun does not stand between 5 and 75 degrees within a day"
    return AzimuthCheck(body="Sun", magnitude=None, sightings=shown, why=why)


def star_check(site: Site, zone: Zone, instant: datetime, night: Night) -> AzimuthCheck:
    """The brightest star that stands well at full hours of the night, from `instant` on."""
    hours = [
        hour for span in night.dark for hour in full_hours(zone, max(span.start, instant), span.end) if instant < hour
    ][:HOURS_SHOWN]
    if night.darkest in ("daylight", "civil twilight"):
        return AzimuthCheck(body="", magnitude=None, sightings=(), why="the sky does not get dark enough for stars")
    if not hours:
        return AzimuthCheck(body="", magnitude=None, sightings=(), why="no full hour is left of this night")
    star = _best_star(site, hours)
    if star is None:
        return AzimuthCheck(body="", magnitude=None, sightings=(), why="no bright star stands well tonight")
    return AzimuthCheck(body=star.name, magnitude=star.magnitude, sightings=_pick(site, zone, star, hours, anyhow=True))


def _best_star(site: Site, hours: Sequence[datetime]) -> Star | None:
    """The brightest that stays well placed at all the hours, at worst in the wider band."""
    frame = Frame(site, hours)
    altitudes = [(star, frame.track(star).altitude_deg) for star in sorted(BRIGHT, key=lambda one: one.magnitude)]
    for low, high in ((LOW_DEG, HIGH_DEG), (LOWER_DEG, HIGHER_DEG)):
        for star, altitude in altitudes:
            if bool(np.all((altitude >= low) & (altitude <= high))):
                return star
    return None


def _pick(
    site: Site, zone: Zone, body: Body, hours: Sequence[datetime], *, anyhow: bool = False
) -> tuple[Sighting, ...]:
    """The first hours at which the body stands well, else those in the wider band."""
    if not hours:
        return ()
    place = Frame(site, hours).track(body)
    for low, high in ((LOW_DEG, HIGH_DEG), (LOWER_DEG, HIGHER_DEG)):
        good = [
            Sighting(
                utc=hour,
                local=f"{hour.astimezone(zone.tz):%H:%M}",
                azimuth_deg=float(place.azimuth_deg[number]),
                altitude_deg=float(place.altitude_deg[number]),
            )
            for number, hour in enumerate(hours)
            if anyhow or low <= place.altitude_deg[number] <= high
        ][:HOURS_SHOWN]
        if good:
            return tuple(good)
    return ()
