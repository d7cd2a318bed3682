"""The two stars near the poles, and the bright ones by which an azimuth is checked at night.

Hipparcos, the New Reduction (F. van Leeuwen 2007; CDS catalogue I/311), carried from 1991.25 to the epoch
J2000.0. Radial velocities: from memory; they move none of these by 0.01 arcseconds before 2100. Names are those
approved by the IAU; magnitudes are visual ones (Johnson V, as in field H5 of the Hipparcos Catalogue, ESA 1997) [from
memory], as almanacs have them: Hipparcos's own, of its wider band, make Sirius -1.1.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Star:
    """ICRS place at epoch J2000.0. `pm_ra_mas` is per year and includes cos(declination)."""

    name: str
    hip: int
    ra_deg: float
    dec_deg: float
    pm_ra_mas: float
    pm_dec_mas: float
    parallax_mas: float
    velocity_km_s: float
    magnitude: float


POLARIS = Star("Polaris", 11767, 37.95456066, 89.26410897, 44.48, -11.86, 7.54, -16.4, 1.97)
SIGMA_OCTANTIS = Star("sigma Octantis", 104382, 317.19516370, -88.95649905, 25.75, 4.98, 11.61, 11.9, 5.45)

BRIGHT: tuple[Star, ...] = (
    Star("Sirius", 32349, 101.28715539, -16.71611580, -546.02, -1223.07, 379.21, -5.5, -1.44),
    Star("Canopus", 30438, 95.98795783, -52.69566138, 19.93, 23.24, 10.55, 20.3, -0.62),
    Star("Vega", 91262, 279.23473479, 38.78368896, 200.94, 286.23, 130.23, -13.5, 0.03),
    Star("Arcturus", 69673, 213.91530030, 19.18240918, -1093.36, -2000.08, 88.83, -5.2, -0.05),
    Star("Rigil Kentaurus", 71683, 219.90205833, -60.83399269, -3679.12, 474.70, 754.81, -21.4, -0.01),
    Star("Rigel", 24436, 78.63446707, -8.20163837, 1.31, 0.50, 3.78, 17.8, 0.18),
    Star("Capella", 24608, 79.17232794, 45.99799147, 75.25, -426.89, 76.20, 29.2, 0.08),
    Star("Achernar", 7588, 24.42852282, -57.23675279, 87.00, -38.24, 23.39, 18.6, 0.45),
    Star("Procyon", 37279, 114.82549792, 5.22498758, -714.59, -1036.80, 284.56, -3.2, 0.4),
    Star("Betelgeuse", 27989, 88.79293899, 7.40706400, 27.54, 11.30, 6.55, 21.9, 0.45),
    Star("Hadar", 68702, 210.95585563, -60.37303516, -33.27, -23.16, 8.32, 5.9, 0.61),
    Star("Acrux", 60718, 186.64956340, -63.09909286, -35.83, -14.86, 10.13, -11.2, 0.77),
    Star("Altair", 97649, 297.69582730, 8.86832120, 536.23, 385.29, 194.95, -26.6, 0.76),
    Star("Spica", 65474, 201.29824737, -11.16131948, -42.35, -30.67, 13.06, 1.0, 0.98),
    Star("Aldebaran", 21421, 68.98016279, 16.50930235, 63.45, -188.94, 48.94, 54.3, 0.87),
    Star("Antares", 80763, 247.35191542, -26.43200261, -12.11, -23.30, 5.89, -3.5, 1.06),
    Star("Fomalhaut", 113368, 344.41269273, -29.62223704, 328.95, -164.67, 129.81, 6.5, 1.17),
    Star("Pollux", 37826, 116.32895777, 28.02619889, -626.55, -45.81, 96.54, 3.2, 1.16),
    Star("Deneb", 102098, 310.35797976, 45.28033881, 2.01, 1.85, 2.31, -4.9, 1.25),
    Star("Regulus", 49669, 152.09296244, 11.96720878, -248.73, 5.59, 41.13, 5.9, 1.36),
    Star("Alioth", 62956, 193.50728997, 55.95982296, 111.91, -8.24, 39.51, -9.3, 1.76),
    Star("Kaus Australis", 90185, 276.04299335, -34.38461648, -39.42, -124.20, 22.76, -15.0, 1.79),
    Star("Mirfak", 15863, 51.08070872, 49.86117929, 23.75, -26.23, 6.44, -2.0, 1.79),
    Star("Dubhe", 54061, 165.93196467, 61.75103469, -134.11, -34.70, 26.54, -9.4, 1.81),
    Star("Alpheratz", 677, 2.09691619, 29.09043112, 137.46, -163.44, 33.62, -10.1, 2.07),
    Star("Atria", 82273, 252.16622951, -69.02771185, 17.99, -31.58, 8.35, -3.3, 1.91),
    Star("Alphard", 46390, 141.89684460, -8.65859953, -15.23, 34.37, 18.09, -4.7, 1.99),
    Star("Rasalhague", 86032, 263.73362272, 12.56003739, 108.07, -221.57, 67.13, 12.6, 2.08),
    Star("Hamal", 9884, 31.79335709, 23.46241756, 188.55, -148.08, 49.56, -14.6, 2.01),
    Star("Diphda", 3419, 10.89737873, -17.98660631, 232.55, 31.99, 33.86, 13.1, 2.04),
)
