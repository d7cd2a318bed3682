"""Offset rules of a place, from the newer of the system's and the tzdata package's IANA database.

An offset is local civil time minus UTC in hours, positive east of Greenwich. Databases a year apart differ by
an hour in half a dozen zones, and a system's may be years old; so both are looked at, the newer one is used,
and `disagreement` tells where they differ for a site tonight.
"""

from __future__ import annotations

import importlib.util
import re
import struct
import zoneinfo
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from difflib import get_close_matches
from pathlib import Path
from typing import Literal
from zoneinfo import ZoneInfo

HOUR = timedelta(hours=1)

OFFSET_MINUS_LONGITUDE_H = (-2.13, 3.03)
"""Offset minus longitude/15, wrapped to +-12 h: the range over the principal places of all zones in January
and July 2026 (IANA database 2026f with the coordinates of its zone1970.tab)."""

OFFSET_SLACK_H = 0.6
"""A zone reaches beyond its principal place: over 200,000 random places of the Earth (tzfpy 2.1.1) the range
was -2.67 to +3.55 h, the Antarctic's meeting meridians apart."""

POLAR_CAP_DEG = 75.0
"""Poleward of this, zones follow supply lines and not longitude: nothing is implausible."""

CHANGE_HORIZON = timedelta(days=400)
_STEP = timedelta(hours=6)  # no two changes of a zone lie closer: the shortest season so far is four weeks
_SEASON = timedelta(days=370)
_TZIF_MAGIC = b"TZif"
_NO_PLACES = ("localtime", "posixrules", "Factory")
"""Files beside the zones that belong to no place: this host's own setting, a default for rules, "not set yet"."""


class ZoneError(ValueError):
    """A time zone is unknown or unreadable; the message names the key, what was expected and the remedy."""


@dataclass(frozen=True, slots=True)
class Database:
    """One installed IANA database. `version` is None where it doesn't say (then it counts as the older)."""

    folder: Path
    version: str | None
    source: Literal["system", "package"]

    def describe(self) -> str:
        """For people: whose it is and its version."""
        whose = "the system's zone database" if self.source == "system" else "the package tzdata"
        return f"{whose} ({self.version or 'version unknown'})"


@dataclass(frozen=True, slots=True)
class Zone:
    """A zone's rules, with the version of the database they come from and whose it is."""

    key: str
    tz: ZoneInfo
    version: str
    source: Literal["system", "package"]


@dataclass(frozen=True, slots=True)
class Change:
    """The instant at which an offset changes (the first second of the new one), and both offsets in hours."""

    instant: datetime
    offset_before_h: float
    offset_after_h: float


def package_folder() -> Path | None:
    """Where the package tzdata keeps its zones, or None where it is not installed."""
    found = importlib.util.find_spec("tzdata")
    if found is None or not found.submodule_search_locations:
        return None
    return Path(next(iter(found.submodule_search_locations))) / "zoneinfo"


def databases(
    system: Sequence[Path] | None = None, package: Path | Literal["installed"] | None = "installed"
) -> tuple[Database, ...]:
    """The databases found, the one to use first.

    `system` are folders to look in, of which the first that holds zones counts. Between equal versions the
    system's comes first: it is what the rest of the machine uses.
    """
    folders = [Path(folder) for folder in (zoneinfo.TZPATH if system is None else system)]
    found = [Database(folder, _folder_version(folder), "system") for folder in folders if _holds_zones(folder)][:1]
    package_at = package_folder() if package == "installed" else package
    if package_at is not None and _holds_zones(package_at):
        found.append(Database(package_at, _folder_version(package_at), "package"))
    return tuple(sorted(found, key=lambda one: version_key(one.version), reverse=True))


def _holds_zones(folder: Path) -> bool:
    return folder.is_dir() and any(
        (folder / name).exists() for name in ("Etc/UTC", "UTC", "tzdata.zi", "+VERSION", "zone1970.tab")
    )


def _folder_version(folder: Path) -> str | None:
    """`# version 2026f` in the first line of tzdata.zi, or the whole of +VERSION."""
    for name, pattern in (("tzdata.zi", r"#\s*version\s+(\S+)"), ("+VERSION", r"(\S+)")):
        try:
            with (folder / name).open(encoding="ascii", errors="replace") as file:
                match = re.match(pattern, file.readline())
        except OSError:
            continue
        if match and re.fullmatch(r"\d{4}[a-z]*", match.group(1)):
            return match.group(1)
    return None


def version_key(version: str | None) -> tuple[int, int, str]:
    """Order of versions: 2025b < 2025c < 2026a; after z comes za; an unknown version is older than all."""
    match = re.fullmatch(r"(\d{4})([a-z]*)", version or "")
    return (int(match.group(1)), len(match.group(2)), match.group(2)) if match else (0, 0, "")


def load_zone(
    key: str,
    *,
    system: Sequence[Path] | None = None,
    package: Path | Literal["installed"] | None = "installed",
) -> Zone:
    """The rules of the zone `key` from the newest database that knows it.

    `system` and `package` are where to look, for tests. Raises ZoneError for a key that is not an IANA zone's
    name, naming the nearest known ones, and where no database is installed.
    """
    found = databases(system, package)
    if not found:
        raise ZoneError("no IANA zone database was found; install the Python package tzdata")
    for database in found:
        tz = _load(database, key)
        if tz is not None:
            return Zone(key, tz, database.version or "unknown", database.source)
    raise ZoneError(_unknown(key, found))


def _load(database: Database, key: str) -> ZoneInfo | None:
    """None where the database does not know the key. Names that leave the folder are no keys."""
    parts = key.split("/")
    if not re.fullmatch(r"[A-Za-z0-9+_/-]{1,64}", key) or "" in parts or parts[0] in ("right", "posix", *_NO_PLACES):
        return None  # right/ zones count leap seconds, which our UTC never does
    try:
        with (database.folder / key).open("rb") as file:
            if file.read(4) != _TZIF_MAGIC:
                return None
            file.seek(0)
            return ZoneInfo.from_file(file, key=key)
    except (FileNotFoundError, NotADirectoryError, IsADirectoryError):
        return None
    except (OSError, ValueError, IndexError, EOFError, struct.error) as error:
        raise ZoneError(
            f"zone {key} in {database.describe()} can't be read ({error}); reinstall that database"
        ) from error


def _unknown(key: str, found: Sequence[Database]) -> str:
    near = nearest_keys(key, known_keys(found))
    hint = f"did you mean {' or '.join(near)}?" if near else "use a name like Australia/Broken_Hill"
    looked = ", ".join(one.describe() for one in found)
    return f"time zone {key[:80]!a} is not a name in the IANA database: {hint} (looked in {looked})"


def known_keys(found: Sequence[Database]) -> list[str]:
    """All zone names of the databases, sorted."""
    keys = set()
    for database in found:
        for path in database.folder.rglob("*"):
            key = path.relative_to(database.folder).as_posix()
            if key.split("/")[0] in ("right", "posix", *_NO_PLACES) or not path.is_file():
                continue
            with path.open("rb") as file:
                if file.read(4) == _TZIF_MAGIC:
                    keys.add(key)
    return sorted(keys)


def nearest_keys(key: str, known: Sequence[str]) -> list[str]:
    """Up to three known names that `key` may have meant: case, spaces and a missing continent forgiven."""

    def plain(text: str) -> str:
        return text.lower().replace(" ", "_")

    wanted = plain(key.strip())[:80]
    whole = {plain(name): name for name in known}
    cities = {plain(name.rsplit("/", 1)[-1]): name for name in known}
    hits = [whole[near] for near in get_close_matches(wanted, whole, n=3, cutoff=0.75)]
    hits += [cities[near] for near in get_close_matches(wanted.rsplit("/", 1)[-1], cities, n=2, cutoff=0.8)]
    return list(dict.fromkeys(hits))[:3]


def offset_h(zone: Zone, utc: datetime) -> float:
    """Local civil time minus UTC, hours, at an aware instant. Raises ValueError for a naive one."""
    return _offset(zone, _utc(utc)) / HOUR


def _utc(utc: datetime) -> datetime:
    if utc.tzinfo is None or utc.utcoffset() is None:
        raise ValueError(f"{utc.isoformat()} has no time zone, so it names no instant; give an aware datetime")
    return utc.astimezone(UTC)


def _offset(zone: Zone, utc: datetime) -> timedelta:
    return utc.astimezone(zone.tz).utcoffset() or timedelta(0)


def next_change(zone: Zone, utc: datetime, *, within: timedelta = CHANGE_HORIZON) -> Change | None:
    """The first change of offset after an aware instant, exact to the second; None for none `within` that."""
    low = _utc(utc)
    before = _offset(zone, low)
    end = low + within
    while low < end:
        high = min(low + _STEP, end)
        if _offset(zone, high) != before:
            return _bisect(zone, low, high)
        low = high
    return None


def _bisect(zone: Zone, low: datetime, high: datetime) -> Change:
    """The change between `low` and `high`. Rules change at whole seconds."""
    before = _offset(zone, low)
    low, high = low.replace(microsecond=0), high.replace(microsecond=0) + timedelta(seconds=1)
    while high - low > timedelta(seconds=1):
        middle = low + timedelta(seconds=(high - low) // timedelta(seconds=2))
        if _offset(zone, middle) == before:
            low = middle
        else:
            high = middle
    return Change(high, before / HOUR, _offset(zone, high) / HOUR)


def is_daylight(zone: Zone, utc: datetime) -> bool:
    """Whether the offset includes a seasonal advance: summer time, by whatever name the law gives it."""
    return daylight_saving_h(zone, utc) > 0.0


def daylight_saving_h(zone: Zone, utc: datetime) -> float:
    """The seasonal advance that is in the offset, in hours; 0 outside summer time.

    Some zones are written with the summer's offset as the standard one and the winter's as a negative saving
    (Europe/Dublin): there it is the summer that counts as daylight time.
    """
    now = _utc(utc)
    saving = now.astimezone(zone.tz).dst() or timedelta(0)
    if saving:
        return max(0.0, saving / HOUR)
    here = _offset(zone, now)
    step = timedelta(days=7)
    for number in range(-(_SEASON // step), _SEASON // step + 1):
        season = (now + number * step).astimezone(zone.tz)
        other = season.dst() or timedelta(0)
        if other < timedelta(0) and (season.utcoffset() or timedelta(0)) == here + other:
            return -other / HOUR
    return 0.0


def implausible_offset(offset_h: float, longitude_deg: float, latitude_deg: float = 0.0) -> str | None:
    """Why no place at this longitude keeps this offset, or None where some place may.

    `offset_h` is local minus UTC, `longitude_deg` east positive. Catches a reversed sign of either unless
    both are small; says nothing near the poles.
    """
    if abs(latitude_deg) > POLAR_CAP_DEG:
        return None
    solar_h = longitude_deg / 15.0
    difference = (offset_h - solar_h + 12.0) % 24.0 - 12.0
    low, high = (OFFSET_MINUS_LONGITUDE_H[0] - OFFSET_SLACK_H, OFFSET_MINUS_LONGITUDE_H[1] + OFFSET_SLACK_H)
    if low <= difference <= high:
        return None
    solar = (solar_h + 12.0) % 24.0 - 12.0
    return (
        f"an offset of {offset_h:+.2f} h does not belong to longitude {longitude_deg:+.4f} deg (east "
        f"positive): the Sun's own offset there is {solar:+.2f} h, and civil time nowhere lies outside "
        f"{low:+.2f} to {high:+.2f} h of it; check the sign of both"
    )


def disagreement(
    key: str,
    utc: datetime,
    *,
    system: Sequence[Path] | None = None,
    package: Path | Literal["installed"] | None = "installed",
    hours: int = 24,
) -> str | None:
    """Where two databases differ for a zone within `hours` after an aware instant; else None.

    A sentence for people. One database alone, or equal offsets, is None. A zone that one lacks is told.
    """
    start = _utc(utc)
    found = databases(system, package)
    if len(found) < 2:
        return None
    used, other = found[0], found[1]
    zones = [_load(one, key) for one in (used, other)]
    if zones[0] is None or zones[1] is None:
        lacking, has = (used, other) if zones[0] is None else (other, used)
        if zones[0] is None and zones[1] is None:
            raise ZoneError(_unknown(key, found))
        return f"{lacking.describe()} has no zone {key}; {has.describe()} has it and is used"
    for hour in range(hours + 1):
        instant = start + hour * HOUR
        ours, theirs = (instant.astimezone(tz).utcoffset() for tz in zones)
        if ours != theirs:
            when = "now" if hour == 0 else f"at {instant:%Y-%m-%d %H:%M} UTC"
            return (
                f"{key} is {_hours(ours)} h from UTC {when} by {used.describe()}, which is used, but "
                f"{_hours(theirs)} h by {other.describe()}: programs that use the latter are wrong here; "
                "update that database"
            )
    return None


def _hours(offset: timedelta | None) -> str:
    minutes = round((offset or timedelta(0)) / timedelta(minutes=1))
    return f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"


def zones_at(longitude_deg: float, latitude_deg: float) -> tuple[str, ...]:
    """The IANA zones of a position, most likely one first: several where a border or a dispute gives several.

    Longitude EAST positive. At sea these are the nautical Etc/GMT zones (whose sign is reversed: Etc/GMT+2 is
    two hours behind). Source: timezone-boundary-builder by way of tzfpy. Raises ValueError out of range.
    """
    if not (-90.0 <= latitude_deg <= 90.0 and -180.0 <= longitude_deg <= 180.0):
        raise ValueError(
            f"latitude {latitude_deg}, longitude {longitude_deg}: expected -90 to 90 and -180 to 180 degrees"
        )
    import tzfpy  # its polygons take 20 MB: loaded only when asked for

    first = str(tzfpy.get_tz(longitude_deg, latitude_deg))
    every = [str(key) for key in tzfpy.get_tzs(longitude_deg, latitude_deg)]
    return tuple(dict.fromkeys(key for key in [first, *every] if key))
