"""For every row of the table of causes: a vector by hand, and a way to make a simulated rig have it.

Vectors stand at Saltbush Ridge (31.8571 S, 141.6034 E), 2026-11-24 12:34:56.25 UTC, where the zone is UTC+10:30 with
an hour of daylight saving in force (IANA zone database), unless they say otherwise.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Any

from noonmark.sim.injection import MountFault, ReceiverFault, Reply
from noonmark.sim.mount import SimulatedMount
from noonmark.sim.receiver import Epoch, SimulatedReceiver

HOUR_DEG = 15.04106864  # of hour angle in an hour of UT: 15 x 1.00273790935 (Aoki et al. 1982)
DAY_DEG = 0.98564736  # in a day of the date: 360 x 0.00273790935, which is 3 m 56.555 s of sidereal time

FEBRUARY = dt.datetime(2026, 2, 5, 12, 0, 0, tzinfo=dt.UTC)
"""Local date 2026-02-05 at UTC+10:30, daylight saving in force: day and month can be swapped."""
WINTER = dt.datetime(2026, 7, 14, 12, 0, 0, tzinfo=dt.UTC)
"""UTC+9:30, no daylight saving."""
NEAR_GREENWICH: dict[str, Any] = {
    "latitude_deg": 51.25, "longitude_deg": 12.5, "timezone": "Europe/Berlin", "name": "", "elevation_m": 0.0,
}  # fmt: skip


@dataclass(frozen=True)
class Vector:
    """What the mount holds, in our signs, where it is not right (`shift_s`: its local time minus the right one), and
    the error of hour angle that follows, degrees; None where it is any."""

    hour_angle_deg: float | None
    holds: dict[str, float] = field(default_factory=dict)
    shift_s: float = 0.0
    site: dict[str, Any] | None = None
    utc: dt.datetime | None = None


def turned(degrees: float) -> float:
    """Folded into -180 to 180."""
    return (degrees + 180.0) % 360.0 - 180.0


DAY_S, HOUR_S = 86400.0, 3600.0

MOUNT: dict[str, Vector] = {
    # an offset of 9.5 for 10.5 h: its UTC is an hour ahead, so is its sidereal time
    "daylight-saving-missing": Vector(HOUR_DEG, {"offset_h": 9.5}),
    # in July the zone is at 9.5 h; 10.5 puts its UTC an hour behind
    "daylight-saving-extra": Vector(-HOUR_DEG, {"offset_h": 10.5}, utc=WINTER),
    # -10.5 for 10.5 h: 21 h ahead, 315.86 deg, which is 44.14 deg behind
    "offset-sign-reversed": Vector(turned(21 * HOUR_DEG), {"offset_h": -10.5}),
    "offset-hours-wrong": Vector(turned(6.5 * HOUR_DEG), {"offset_h": 4.0}),
    # 10.5 h behind
    "utc-entered-as-local": Vector(turned(-10.5 * HOUR_DEG), shift_s=-10.5 * HOUR_S),
    "local-entered-as-utc": Vector(turned(10.5 * HOUR_DEG), {"offset_h": 0.0}),
    # twice 141.6034 deg to the west: 283.2068, which is 76.7932 the other way
    "longitude-sign-reversed": Vector(turned(-2 * 141.6034), {"longitude_deg": -141.6034}),
    "latitude-sign-reversed": Vector(0.0, {"latitude_deg": 31.8571}),
    "both-signs-reversed": Vector(turned(-2 * 141.6034), {"latitude_deg": 31.8571, "longitude_deg": -141.6034}),
    # 51.25 for 12.5 deg east
    "latitude-longitude-swapped": Vector(38.75, {"latitude_deg": 12.5, "longitude_deg": 51.25}, site=NEAR_GREENWICH),
    # 141.6034 is 141 deg 36 min: 141.36; -31.8571 is 31 deg 51 min: 31.51
    "minutes-read-as-decimals": Vector(141.36 - 141.6034, {"longitude_deg": 141.36, "latitude_deg": -31.51}),
    # 51.25 is typed as 51 deg 25 min, 12.5 as 12 deg 50 min
    "decimals-read-as-minutes": Vector(
        50 / 60 - 0.5, {"latitude_deg": 51 + 25 / 60, "longitude_deg": 12 + 50 / 60}, site=NEAR_GREENWICH
    ),
    "coordinate-mistyped": Vector(10.0, {"longitude_deg": 151.6034}),
    "site-of-another-place": Vector(turned(20.25 - 141.6034), {"latitude_deg": 40.75, "longitude_deg": 20.25}),
    "factory-site": Vector(turned(-90.0 - 141.6034), {"latitude_deg": 40.0, "longitude_deg": -90.0}),
    # 9824 days from 2000-01-01 to 2026-11-24 (27 x 365 + 7 leap days - 38)
    "factory-date": Vector(None, shift_s=-9824 * DAY_S - 17 * HOUR_S),
    "factory-state": Vector(
        None, {"latitude_deg": 40.0, "longitude_deg": -90.0, "offset_h": -6.0}, shift_s=-9824 * DAY_S - 23 * HOUR_S
    ),
    # 5 February as 2 May: 86 days (23 of February, 31, 30, 2)
    "date-order-swapped": Vector(turned(86 * DAY_DEG), shift_s=86 * DAY_S, utc=FEBRUARY),
    "date-off-by-one": Vector(DAY_DEG, shift_s=DAY_S),
    # 365 days: 359.7613 deg (PE-1YEAR: -0.2387)
    "year-wrong": Vector(-(365 * DAY_DEG - 360.0), shift_s=-365 * DAY_S),
    # 31 days: 30.555 deg (PE-1MONTH)
    "date-wrong": Vector(-31 * DAY_DEG, shift_s=-31 * DAY_S),
    # 23:04 as 11:04
    "twelve-hour-clock": Vector(turned(-12 * HOUR_DEG), shift_s=-12 * HOUR_S),
    # 47 s: 47 x 15.041 arcsec
    "clock-off": Vector(47 * HOUR_DEG / 3600.0, shift_s=47.0),
}  # fmt: skip


class SiderealShifted(MountFault):
    """What it shows as sidereal time is `amount` seconds too great."""

    def replies(self, mount: SimulatedMount, command: bytes, replies: list[Reply]) -> list[Reply]:
        if command != b"GS":
            return replies
        self.bite()
        return [(ready, self._shifted(data)) for ready, data in replies]

    def _shifted(self, data: bytes) -> bytes:
        hours, minutes, seconds = (int(part) for part in data.rstrip(b"#").split(b":"))
        total = round(hours * 3600 + minutes * 60 + seconds + self.amount) % 86400
        return b"%02d:%02d:%02d#" % (total // 3600, total // 60 % 60, total % 60)


class TimeJumpsToAndFro(ReceiverFault):
    """Epochs of odd seconds are labelled `amount` seconds later."""

    def epoch(self, receiver: SimulatedReceiver, epoch: Epoch) -> None:
        if round(epoch.utc_s) % 2:
            epoch.utc_s += self.amount
            self.bite()
