"""How much the air lifts what is seen low in the sky.

Saemundsson's formula, good to 0.1 arcminute from the horizon up, for 1010 hPa and 10 degrees
Celsius, scaled to the pressure of the standard atmosphere at the site's elevation. The real air near the horizon
differs by minutes of arc from night to night: nothing here is meant for a star below 5 degrees.
"""

from __future__ import annotations

import math

STANDARD_HPA, STANDARD_C = 1010.0, 10.0
LOWEST_DEG = -1.0
"""Below this altitude there is no sky; the value there is that of this altitude."""


def standard_pressure_hpa(elevation_m: float) -> float:
    """Pressure at an elevation in metres by the ICAO standard atmosphere (troposphere)."""
    return 1013.25 * float((1.0 - 2.25577e-5 * elevation_m) ** 5.25588)


def _weather(pressure_hpa: float, temperature_c: float) -> float:
    return pressure_hpa / STANDARD_HPA * (273.0 + STANDARD_C) / (273.0 + temperature_c)


def from_true_arcmin(
    true_deg: float, *, pressure_hpa: float = STANDARD_HPA, temperature_c: float = STANDARD_C
) -> float:
    """Refraction in arcminutes at an airless altitude: apparent altitude = true plus this.

    T. Saemundsson, Sky and Telescope 72 (1986) 70: R = 1.02 cot(h + 10.3/(h + 5.11)).
    """
    altitude = max(true_deg, LOWEST_DEG)
    lifted = 1.02 / math.tan(math.radians(altitude + 10.3 / (altitude + 5.11)))
    return max(0.0, lifted) * _weather(pressure_hpa, temperature_c)
