"""Judging what is really inside a mount, by another computation than the driver's.

Sidereal time by ERFA's 1982 expression (Aoki et al. 1982) with the equation of the equinoxes of 1994, taken at the
true UTC and the true longitude: neither the driver's formula (IAU 2006) nor the mount's own.
"""

from __future__ import annotations

import datetime as dt
from typing import Any

import erfa

from noonmark.sim.mount import SimulatedMount
from noonmark.sim.timeline import VirtualClock

MINUTE_DEG = 1 / 60


def sidereal_h(utc: dt.datetime, longitude_deg: float) -> float:
    """Apparent local sidereal time, hours, UT1 taken for UTC (their difference is under 0.2 s in these years)."""
    days = (utc - dt.datetime(2000, 1, 1, 12, tzinfo=dt.UTC)) / dt.timedelta(days=1)
    greenwich = float(erfa.gst94(2451545.0, days))
    return (greenwich * 12 / 3.141592653589793 + longitude_deg / 15) % 24


def wrongs(
    mount: SimulatedMount,
    clock: VirtualClock,
    site: dict[str, Any],
    clock_s: float = 1.0,
    place_deg: float = 1.55 * MINUTE_DEG,
) -> list[str]:
    """What is wrong inside, in words; empty where the mount stands in the right place at the right UTC."""
    now = clock.monotonic()
    inside = mount.truth(now)
    true = dt.datetime(1970, 1, 1, tzinfo=dt.UTC) + dt.timedelta(seconds=clock.true_utc_at(now))
    found = []
    error = (inside.utc - true).total_seconds()
    if abs(error) > clock_s:
        found.append(f"UTC off by {error:+.1f} s")
    if abs(inside.latitude_deg - site["latitude_deg"]) > place_deg:
        found.append(f"latitude {inside.latitude_deg:+.3f}")
    east = (inside.longitude_deg - site["longitude_deg"] + 180) % 360 - 180
    if abs(east) > place_deg:
        found.append(f"longitude {inside.longitude_deg:+.3f}")
    sky = (inside.sidereal_h - sidereal_h(true, site["longitude_deg"]) + 12) % 24 - 12
    # its place to 1.55 arcmin (6.2 s), its clock, mean or apparent (1.2 s), its formula and UT1-UTC (1.2 s)
    if abs(sky) * 3600 > 240 * place_deg + clock_s + 2.4:
        found.append(f"its own sidereal time off by {sky * 3600:+.1f} s")
    if abs(inside.pole_altitude_deg - site["latitude_deg"]) > place_deg:
        found.append(f"pole at {inside.pole_altitude_deg:+.2f} deg")
    return found
