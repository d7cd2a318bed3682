"""What a tilt of the base does to a polar axis that was set by its scales.

Rotations of the axis (north: cos lat, up: sin lat) about the east-west and the north-south line.
"""

from __future__ import annotations

import math

from pydantic import BaseModel, ConfigDict

from noonmark.driver.sheet.pole import POLE_OVERHEAD_DEG


class Tilt(BaseModel):
    """Of a base that leans by `tilt_deg`. All degrees; None where the pole is overhead and has no azimuth.

    Towards the pole: the axis comes down by `towards_altitude_deg` when the pole's side is low (up when high).
    To the east: the axis swings by `east_azimuth_deg` to the east when the east side is low, and down by
    `east_altitude_deg`; on the sky it moves by `east_shift_deg`. West is the mirror image.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    tilt_deg: float
    towards_altitude_deg: float
    east_shift_deg: float
    east_azimuth_deg: float | None
    east_altitude_deg: float


def tilt(latitude_deg: float, tilt_deg: float = 1.0) -> Tilt:
    """The effects of a lean of the base at a latitude."""
    lat, lean = math.radians(abs(latitude_deg)), math.radians(tilt_deg)
    east, towards, up = math.sin(lat) * math.sin(lean), math.cos(lat), math.sin(lat) * math.cos(lean)
    shift = 2.0 * math.asin(math.sin(lat) * abs(math.sin(lean / 2.0)))
    overhead = abs(latitude_deg) > POLE_OVERHEAD_DEG
    return Tilt(
        tilt_deg=tilt_deg,
        towards_altitude_deg=tilt_deg,
        east_shift_deg=math.degrees(shift),
        east_azimuth_deg=None if overhead else math.degrees(math.atan2(east, towards)),
        east_altitude_deg=math.degrees(lat) - math.degrees(math.atan2(up, math.hypot(east, towards))),
    )
