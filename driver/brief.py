"""The numbers for setting a mount up by hand tonight, as one value; `brief_text` and `brief_svg` show it.

Nothing here touches a mount, a network or a clock: site and instant in, numbers out, good offline for years. What
has run out (magnetic model, Earth orientation table, list of leap seconds) is said in `notes`, never stretched.
"""

from __future__ import annotations

from datetime import datetime

from pydantic import BaseModel, ConfigDict, Field

from noonmark.driver import earth_orientation, zones
from noonmark.driver.earth_orientation import require_aware
from noonmark.driver.sheet import azimuths, cautions, level, magnetic, pole
from noonmark.driver.sheet import balance as balancing
from noonmark.driver.sheet import keypad as keypads
from noonmark.driver.sheet import night as nights
from noonmark.driver.site import Site
from noonmark.driver.version import VERSION
from noonmark.driver.zones import Zone

SCHEMA = "noonmark-brief-1"
FIRST_YEAR, LAST_YEAR = 1973, 2100
"""Before this UTC had no table of Earth orientation; after it the Earth's place (ERFA epv00) is not stated."""

UT1_SKY_ARCSEC = 13.6
"""0.9 s of UT1 x 15.041 arcsec per second: what an instant beyond the table may be off on the sky."""


class BriefError(ValueError):
    """The sheet can't be made for this instant; the message says what was expected."""


class _Model(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class TrueNorth(_Model):
    """Where a compass points, and two checks of it. Azimuths from true north through east, degrees.

    `compass_towards_pole_deg`: what a compass reads when it points to the elevated pole's azimuth;
    `axis_error_deg`: how far an axis set by the bare compass is off on the sky. None without a model (`why`), and
    both None where the pole is overhead.
    """

    magnetic: magnetic.Declination | None
    why: str
    pole_azimuth_deg: float
    compass_towards_pole_deg: float | None
    axis_error_deg: float | None
    sun: azimuths.AzimuthCheck
    star: azimuths.AzimuthCheck


class PoleSheet(_Model):
    """The pole, the star near it now and at dusk, and the star's next culminations and elongations."""

    altitude: pole.PoleAltitude
    now: pole.StarAtPole
    at_dusk: pole.StarAtPole | None
    turns: tuple[pole.Turn, ...]


class Versions(_Model):
    """What the numbers rest on."""

    noonmark: str
    zones: str
    zones_source: str
    earth_orientation: str
    earth_orientation_last_day: str
    leap_seconds_known_until: str
    magnetic_model: str
    magnetic_model_last_day: str


class Brief(_Model):
    """The whole sheet. Instants are UTC; `site` in our signs (north, EAST positive)."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)

    schema_: str = Field(default=SCHEMA, alias="schema")
    utc: datetime
    utc_offset_h: float
    site: Site
    keypad: keypads.Keypad
    north: TrueNorth
    pole: PoleSheet
    level: level.Tilt
    balance: balancing.Balance | None
    payload: balancing.Payload | None
    night: nights.Night
    zone_change_tonight: keypads.ZoneChange | None
    ut1_utc_s: float
    ut1_utc_bound_s: float
    cautions: tuple[cautions.Caution, ...]
    notes: tuple[str, ...]
    versions: Versions

    def json_text(self) -> str:
        """One JSON document, keys as documented."""
        return self.model_dump_json(by_alias=True, indent=2)


def brief(
    site: Site, instant: datetime, payload: balancing.Payload | None = None, *, zone: Zone | None = None
) -> Brief:
    """The sheet for a site and an aware instant.

    `zone` are the site's rules where they were loaded already. Raises ZoneError for an unknown zone, BriefError for
    a year before 1973 or after 2100, ValueError for a naive instant.
    """
    utc = require_aware(instant)
    if not FIRST_YEAR < utc.year < LAST_YEAR:
        raise BriefError(
            f"the sheet can be made for the years {FIRST_YEAR + 1} to {LAST_YEAR - 1}, not for {utc:%Y-%m-%d}"
        )
    rules = zones.load_zone(site.timezone) if zone is None else zone
    typed = keypads.keypad(site, rules, utc)
    tonight = nights.night(site, utc)
    north = true_north(site, rules, utc, tonight)
    dut1 = earth_orientation.ut1_utc(utc)
    return Brief(
        utc=utc,
        utc_offset_h=zones.offset_h(rules, utc),
        site=site,
        keypad=typed,
        north=north,
        pole=_pole(site, utc, tonight),
        level=level.tilt(site.latitude_deg),
        balance=None if payload is None else balancing.balance(payload),
        payload=payload,
        night=tonight,
        zone_change_tonight=_change_tonight(typed, tonight),
        ut1_utc_s=dut1.value_s,
        ut1_utc_bound_s=dut1.bound_s,
        cautions=cautions.CAUTIONS,
        notes=_notes(site, rules, utc, north, dut1),
        versions=_versions(rules, north),
    )


def true_north(site: Site, zone: Zone, utc: datetime, tonight: nights.Night) -> TrueNorth:
    """The section on true north, with the reason where no magnetic model covers the day."""
    azimuth = 180.0 if pole.elevated_pole(site.latitude_deg) == "south" else 0.0
    field: magnetic.Declination | None = None
    why = ""
    try:
        field = magnetic.declination(site.latitude_deg, site.longitude_deg, site.elevation_m, utc)
    except magnetic.MagneticModelError as error:
        why = str(error)
    aimed = field if abs(site.latitude_deg) <= pole.POLE_OVERHEAD_DEG else None
    return TrueNorth(
        magnetic=field,
        why=why,
        pole_azimuth_deg=azimuth,
        compass_towards_pole_deg=magnetic.compass_reading_deg(aimed.declination_deg, azimuth) if aimed else None,
        axis_error_deg=magnetic.axis_error_deg(aimed.declination_deg, site.latitude_deg) if aimed else None,
        sun=azimuths.sun_check(site, zone, utc),
        star=azimuths.star_check(site, zone, utc, tonight),
    )


def _pole(site: Site, utc: datetime, tonight: nights.Night) -> PoleSheet:
    dusk = tonight.dark[0].start if tonight.sidereal_dusk_h is not None else None
    return PoleSheet(
        altitude=pole.pole_altitude(site),
        now=pole.star_at_pole(site, utc),
        at_dusk=pole.star_at_pole(site, dusk) if dusk is not None and dusk > utc else None,
        turns=pole.turns(site, utc),
    )


def _change_tonight(typed: keypads.Keypad, tonight: nights.Night) -> keypads.ZoneChange | None:
    change = typed.next_change
    return change if change is not None and change.utc <= tonight.end else None


def _notes(site: Site, zone: Zone, utc: datetime, north: TrueNorth, dut1: earth_orientation.Dut1) -> tuple[str, ...]:
    """What a reader must know before trusting the numbers: what has run out, what contradicts."""
    notes = []
    if north.why:
        notes.append(north.why)
    if not dut1.in_table:
        notes.append(
            f"UT1-UTC is not known for this day (table to {earth_orientation.table_last_day()}): 0 within 0.9 s is "
            f"taken, which is at most {UT1_SKY_ARCSEC} arcsec on the sky; upgrade the package astropy-iers-data"
        )
    expires = earth_orientation.leap_seconds().expires
    if utc.date() > expires:
        notes.append(
            f"leap seconds are announced until {expires} only: one since then is not counted here; upgrade "
            "the package astropy-iers-data"
        )
    version_year = int(zone.version[:4]) if zone.version[:4].isdigit() else utc.year
    if utc.year > version_year + 1:
        notes.append(
            f"offset rules for {utc.year} are those known in {zone.version}: governments change them at short notice"
        )
    differs = zones.disagreement(zone.key, utc)
    if differs:
        notes.append(differs)
    strange = zones.implausible_offset(zones.offset_h(zone, utc), site.longitude_deg, site.latitude_deg)
    if strange:
        notes.append(f"time zone {zone.key} or longitude is wrong: {strange}")
    return tuple(notes)


def _versions(zone: Zone, north: TrueNorth) -> Versions:
    return Versions(
        noonmark=VERSION,
        zones=zone.version,
        zones_source=zone.source,
        earth_orientation=earth_orientation.table_version(),
        earth_orientation_last_day=str(earth_orientation.table_last_day()),
        leap_seconds_known_until=str(earth_orientation.leap_seconds().expires),
        magnetic_model=north.magnetic.model if north.magnetic else "none for this day",
        magnetic_model_last_day=str(north.magnetic.last_day) if north.magnetic else "",
    )
