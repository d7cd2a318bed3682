"""The mistakes that a mount, a source or a look through the telescope can betray: one row each.

A row says in general what a mistake does; `explanation`, `sighting` and `source_causes` find out which of them it
was, and tell it with the numbers at hand. The page CAUSES.md is made from this table (`causes_page`).
All of it is common practice of the trade, no source, where a row names none.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Shows = Literal["mount", "records", "source", "sighting"]

SHOWS: dict[Shows, str] = {
    "mount": "by what the mount shows of itself, beside an established truth",
    "records": "by two records of one mount at two instants",
    "source": "by a claim that does not agree with the others",
    "sighting": "by one look through the telescope: aimed here, found there",
}


@dataclass(frozen=True, slots=True)
class Cause:
    """One row. `settings`, `sky`: what the mistake does to the settings, and to where the tube points."""

    slug: str
    sentence: str
    settings: str
    sky: str
    remedy: str
    shows: tuple[Shows, ...]


_HOUR = "an hour is 15.041 deg of hour angle; none where offset and local time are wrong alike"
_OFFSET_REMEDY = "set the offset to the zone's of today, and the time after it"
_CLOCK_REMEDY = "set the local time from a clock that is kept"
_PLACE_REMEDY = "set latitude and longitude to the surveyed site's"
_FORM_REMEDY = "set it again in the form that is asked for: whole degrees (or hours) and minutes apart, or decimals"
_DATE_REMEDY = "set the date, then the time"

ROWS: tuple[Cause, ...] = (
    # --- offset and daylight saving
    Cause("daylight-saving-missing", "Daylight saving was forgotten.",
          "offset, local time or both lack the hour that is in force now", _HOUR,
          "set offset and time again with daylight saving; look for a daylight switch in the mount",
          ("mount", "sighting")),
    Cause("daylight-saving-extra", "Daylight saving was counted although it is not in force, or twice.",
          "offset, local time or both have an hour too much", _HOUR,
          "set offset and time again without it; look for a daylight switch in the mount", ("mount", "sighting")),
    Cause("offset-sign-reversed", "The offset's sign is reversed.",
          "the offset is the negative of the zone's", "twice the offset: 30.08 deg for each hour of it",
          _OFFSET_REMEDY + "; mind which sign this mount means", ("mount", "sighting")),
    Cause("offset-hours-wrong", "The offset is another zone's.",
          "the offset is off by hours, halves or quarters", _HOUR, _OFFSET_REMEDY, ("mount", "sighting")),
    Cause("zone-rules-outdated", "The offset is that of zone rules that were changed since.",
          "the offset, or the local time, is as an older zone database has it", _HOUR,
          "update the zone database that it was taken from, then set offset and time", ("mount",)),
    Cause("utc-entered-as-local", "UTC was entered as the local time.",
          "the local time is behind or ahead by the offset", "15.041 deg for each hour of the offset",
          _CLOCK_REMEDY + "; or set the offset to 0 and leave UTC", ("mount", "sighting")),
    Cause("local-entered-as-utc", "Local time was entered where the mount takes it for UTC.",
          "the offset is 0, or not minded, while the clock shows local time", "15.041 deg for each hour of the offset",
          "set the zone's offset, or set the clock to UTC", ("mount", "sighting")),
    # --- place
    Cause("longitude-sign-reversed", "The longitude's sign is reversed: east for west.",
          "the longitude is the negative of the site's", "twice the longitude, in hour angle",
          "set the longitude again; mind which way this mount counts it", ("mount", "source", "sighting")),
    Cause("latitude-sign-reversed", "The latitude's sign is reversed: north for south.",
          "the latitude is the negative of the site's",
          "hour angle and declination turn to their negatives on an equatorial; horizon and limits are another sky's",
          "set the latitude again, and the mount's hemisphere where it has such a setting",
          ("mount", "source", "sighting")),
    Cause("both-signs-reversed", "Both signs of the place are reversed: the hemispheres were left as they came.",
          "latitude and longitude are the negatives of the site's", "as of either sign, together", _PLACE_REMEDY,
          ("mount", "source", "sighting")),
    Cause("latitude-longitude-swapped", "Latitude and longitude are swapped.",
          "each holds the other's value", "longitude minus latitude, in hour angle", _PLACE_REMEDY,
          ("mount", "source", "sighting")),
    Cause("minutes-read-as-decimals", "Degrees and minutes were entered as decimal degrees.",
          "31 deg 57 min is held as 31.57 deg; an offset of 9:30 as 9.3", "up to 0.4 deg; an offset's 4.5 deg",
          _FORM_REMEDY, ("mount", "source", "sighting")),
    Cause("decimals-read-as-minutes", "Decimal degrees were entered as degrees and minutes.",
          "31.57 deg is held as 31 deg 57 min", "up to 0.4 deg", _FORM_REMEDY, ("mount", "source", "sighting")),
    Cause("coordinate-mistyped", "One coordinate of the place is wrong, as by a mistyped digit.",
          "latitude or longitude is off, the other right", "a longitude's error is the hour angle's", _PLACE_REMEDY,
          ("mount", "sighting")),
    Cause("site-of-another-place", "The site is that of another place.",
          "latitude and longitude are another place's, its offset may be with them",
          "the difference of longitude in hour angle, that of latitude in the pole's height", _PLACE_REMEDY,
          ("mount", "source")),
    # --- from the works
    Cause("factory-site", "The site was never set: it is whole degrees, as from the works.",
          "latitude and longitude are whole degrees", "as of another place", _PLACE_REMEDY, ("mount",)),
    Cause("factory-date", "The clock was never set since it lost its power: it began in January of an earlier year.",
          "date and time count from a default", "any hour angle", "set date and time; renew the clock's battery",
          ("mount",)),
    Cause("factory-state", "The mount is as from the works: site, date, time and offset were never set.",
          "everything is at its default", "any hour angle", "set everything: noonmark set", ("mount",)),
    # --- date
    Cause("date-order-swapped", "Day and month are swapped in the date.",
          "the date is off by weeks or months", "0.98565 deg for each day",
          _DATE_REMEDY + "; mind the order of its fields", ("mount", "sighting")),
    Cause("date-off-by-one", "The date is a day off.",
          "the date is yesterday's or tomorrow's", "0.98565 deg (3 m 56.555 s of sidereal time)", _DATE_REMEDY,
          ("mount", "sighting")),
    Cause("year-wrong", "Day and month are right, the year is wrong.",
          "the date is whole years off", "up to 1 deg: sidereal time nearly repeats after a year", _DATE_REMEDY,
          ("mount",)),
    Cause("date-wrong", "The date is wrong.",
          "the date is off by days, the time of day right", "0.98565 deg for each day", _DATE_REMEDY, ("mount",)),
    # --- clock
    Cause("twelve-hour-clock", "Morning and evening are mistaken: the time is twelve hours off.",
          "the local time is off by 12 h", "179.5 deg: the other half of the sky", "set the time by the 24-hour clock",
          ("mount", "sighting")),
    Cause("clock-off", "The clock is off.",
          "the local time is off by a time of no known kind", "15.041 arcsec for each second", _CLOCK_REMEDY,
          ("mount", "source", "sighting")),
    Cause("clock-runs-fast-or-slow", "The mount's clock runs fast or slow.",
          "the local time goes off steadily", "15.041 arcsec for each second gained",
          "set the clock before each night, or let it be corrected; a weak battery is a usual reason", ("records",)),
    Cause("sidereal-clock-independent", "The mount's sidereal clock does not follow its settings.",
          "none; what it shows proves nothing", "unknown: its sky stands on a clock of its own",
          "power the mount off and on; set the time once more; then ask again", ("mount",)),
    Cause("sidereal-clock-imprecise", "The mount computes its sidereal time imprecisely.",
          "none; its sidereal time is up to two minutes off", "up to half a degree",
          "correct by a star after each start; a newer firmware may help", ("mount",)),
    Cause("dialect-contradicted", "The configured dialect is not this mount's.",
          "values are taken with wrong signs or in a wrong order", "none by itself: it is the reading that is wrong",
          'set dialect = "auto", or the right one', ("mount",)),
    # --- sources
    Cause("week-rollover", "A GPS receiver's week number has rolled over.",
          "its date is a multiple of 1024 weeks (19.6 years) off (IS-GPS-200)",
          "15 h of sidereal time for one rollover",
          "renew the receiver's firmware, or replace it", ("source",)),
    Cause("leap-seconds-missing", "A receiver has not yet got its leap seconds.",
          "its UTC is ahead by 1 to 18 s", "15.041 arcsec for each second: 270.7 for 18 s",
          "wait: the almanac takes 12.5 minutes of clear sky", ("source",)),
    Cause("host-clock-in-local-time", "The host's clock is kept in local time.",
          "its UTC is off by the zone's offset", "15.041 deg for each hour",
          "keep the real-time clock in UTC and synchronise the host", ("source",)),
    Cause("host-clock-never-set", "The host's clock was never set.",
          "its date is years off", "any hour angle", "synchronise the host; renew its clock's battery", ("source",)),
    Cause("host-not-synchronised", "Nobody keeps the host's clock.",
          "its UTC has no bounds", "15.041 arcsec for each second", "synchronise the host", ("source",)),
    Cause("host-clock-stepped", "The host's clock was set while we looked.",
          "its word before and after differ", "the step, 15.041 arcsec for each second",
          "run again once it has settled", ("source",)),
    Cause("host-suspended", "The host slept while we looked.",
          "times measured across the sleep are void", "none", "run again", ("source",)),
    Cause("receiver-simulated", "The receiver says that it simulates, or that its position was typed in.",
          "its word is no measurement", "any", "switch its simulation off", ("source",)),
    Cause("receiver-elsewhere", "The receiver stands elsewhere than the configured site.",
          "its place is kilometres from the site", "1 arcmin for each nautical mile east or west",
          "survey the site again, or find out where the receiver really is", ("source",)),
    Cause("receiver-no-fix", "The receiver has no fix.",
          "it says nothing that counts", "none", "give the antenna open sky, and wait", ("source",)),
    Cause("receiver-silent", "The receiver says nothing.",
          "not a byte comes", "none", "check its port, baud rate and power", ("source",)),
    Cause("receiver-time-jumps", "The receiver's time jumps.",
          "its epochs do not advance with the host's monotonic clock", "the jump, 15.041 arcsec for each second",
          "do not use it until it has settled", ("source",)),
    # --- sightings
    Cause("polar-axis-off", "The polar axis (or a horizon mount's base) does not point where it should.",
          "none: the settings may all be right",
          "differs over the sky; on the meridian an azimuth error looks like a clock's",
          "align the axis by the numbers; take one more sighting 4 to 6 hours from the first", ("sighting",)),
    Cause("other-side-of-the-pier", "The mount takes the tube to be on the other side of the pier.",
          "none", "12 h of hour angle", "start from the true home position, on the right side of the pier",
          ("sighting",)),
    Cause("equinox-mixed", "Coordinates of two equinoxes were mixed: J2000 and date.",
          "none", "the precession since J2000: up to 0.37 deg in 2026",
          "give both for one equinox, and set the mount's to the same", ("sighting",)),
    Cause("not-a-setting", "No setting does this: a slip, a sync on a wrong star, or another star in the field.",
          "none", "any, in any direction",
          "start from home again, or sync on a star that is beyond doubt; then look again",
          ("sighting",)),
    # --- no answer
    Cause("nothing-fits", "No single mistake explains it, and no pair of them.",
          "several settings are wrong, each in its own way", "the sum", "set everything: noonmark set",
          ("mount", "sighting")),
)  # fmt: skip

CAUSES: dict[str, Cause] = {row.slug: row for row in ROWS}
