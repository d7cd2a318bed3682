"""UT1-UTC and leap seconds from the table in the package astropy-iers-data, without astropy and offline.

The table (IERS `finals2000A.all`, 3.7 MB) has one row of fixed width per day, so a value costs two seeks.
Columns are those of its ReadMe (IERS Rapid Service, `ReadMe.finals2000A`). Beyond the table nothing is
extrapolated and nothing is frozen: the value is 0 and the bound is what defines UTC, 0.9 s
(ITU-R TF.460-6).
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from pathlib import Path
from typing import BinaryIO

import astropy_iers_data

MJD_EPOCH = datetime(1858, 11, 17, tzinfo=UTC)
DAY_S = 86400.0
TT_MINUS_TAI_S = 32.184
UTC_LIMIT_S = 0.9
"""|UT1-UTC| never exceeds this by definition of UTC; a resolution of 2022 lets it grow by or before 2035."""

SPREAD_S = ((47892, 5e-3), (55197, 5e-4), (10**9, 2e-4))
"""(before this MJD, seconds): what two series of the IERS, this table and its C04, differ by, measured with
astropy-iers-data of November 2026. It also covers what a straight line between two days leaves out."""


class EarthOrientationError(ValueError):
    """The table of Earth orientation can't be read; the message names the file and the remedy."""


@dataclass(frozen=True, slots=True)
class Dut1:
    """UT1-UTC: `value_s` is within `bound_s` of the truth (three standard errors of the table's)."""

    value_s: float
    bound_s: float
    source: str

    @property
    def in_table(self) -> bool:
        """False where the instant lies outside the table and the value is a mere 0."""
        return self.bound_s < UTC_LIMIT_S


@dataclass(frozen=True, slots=True)
class LeapSeconds:
    """TAI-UTC: at 0h UTC of the days `since` the counts `tai_utc_s` begin; announced until `expires`."""

    since: tuple[date, ...]
    tai_utc_s: tuple[int, ...]
    expires: date


@dataclass(frozen=True, slots=True)
class _Row:
    value_s: float
    error_s: float
    kind: str


@dataclass(frozen=True, slots=True, eq=False)
class _Table:
    path: Path
    row_bytes: int
    first_mjd: int
    last_mjd: int


def require_aware(utc: datetime) -> datetime:
    """The same instant in UTC. Raises ValueError for a datetime without a time zone."""
    if utc.tzinfo is None or utc.utcoffset() is None:
        raise ValueError(
            f"{utc.isoformat()} has no time zone, so it names no instant; "
            "give an aware datetime, for instance with tzinfo=datetime.UTC"
        )
    return utc.astimezone(UTC)


def mjd_split(utc: datetime) -> tuple[int, float]:
    """Modified Julian Date of an aware instant: whole days, and seconds since 0h UTC of that day."""
    since = require_aware(utc) - MJD_EPOCH
    return since.days, since.seconds + since.microseconds / 1e6


@lru_cache(maxsize=4)
def _table(path: Path | None) -> _Table:
    return _open(Path(astropy_iers_data.IERS_A_FILE) if path is None else path)


def _open(path: Path) -> _Table:
    try:
        with path.open("rb") as file:
            row_bytes = len(file.readline())
            rows = path.stat().st_size // row_bytes if row_bytes else 0
            first = _mjd_of(file, path, row_bytes, 0)
            low, high = 0, rows - 1  # values end somewhere: the rows after hold a date only
            while low < high:
                middle = (low + high + 1) // 2
                if _parse(_read(file, row_bytes, middle)) is None:
                    high = middle - 1
                else:
                    low = middle
            last = _mjd_of(file, path, row_bytes, low)
    except OSError as error:
        raise _unreadable(path, str(error)) from error
    if last - first != low:
        raise _unreadable(path, f"{low + 1} rows from MJD {first} to {last}: expected one a day")
    return _Table(path, row_bytes, first, last)


def _unreadable(path: Path, why: str) -> EarthOrientationError:
    return EarthOrientationError(
        f"{path.name} of the package astropy-iers-data can't be used: {why}; reinstall that package"
    )


def _read(file: BinaryIO, row_bytes: int, index: int) -> bytes:
    file.seek(index * row_bytes)
    return file.read(row_bytes)


def _mjd_of(file: BinaryIO, path: Path, row_bytes: int, index: int) -> int:
    row = _read(file, row_bytes, index)
    try:
        return int(float(row[7:15]))
    except ValueError:
        raise _unreadable(path, f"row {index + 1} has no date in bytes 8 to 15") from None


def _parse(row: bytes) -> _Row | None:
    """Bulletin B's value where the row has one, else Bulletin A's, else None. Bytes as in the ReadMe."""
    a, b, error = row[58:68].strip(), row[154:165].strip(), row[68:78].strip()
    if not a:
        return None
    bulletin_a = "Bulletin A, predicted" if row[57:58] == b"P" else "Bulletin A"
    return _Row(float(b or a), float(error or b"0"), "Bulletin B" if b else bulletin_a)


@lru_cache(maxsize=512)
def _row(table: _Table, mjd: int) -> _Row:
    with table.path.open("rb") as file:
        text = _read(file, table.row_bytes, mjd - table.first_mjd)
    row = _parse(text)
    if row is None or int(float(text[7:15])) != mjd:
        raise _unreadable(table.path, f"expected a row for MJD {mjd}")
    return row


def ut1_utc(utc: datetime, *, path: Path | None = None) -> Dut1:
    """UT1-UTC at an aware instant, by a straight line between two days that minds leap seconds.

    Before the table's first day and after 0h UTC of its last: value 0, bound 0.9 s, and `source` says so.
    Raises ValueError for a naive datetime, EarthOrientationError for a table that can't be read.
    """
    day, second = mjd_split(utc)
    table = _table(path)
    beyond = day < table.first_mjd or (day, second) > (table.last_mjd, 0.0)
    if beyond:
        first, last = _day(table.first_mjd), _day(table.last_mjd)
        return Dut1(0.0, UTC_LIMIT_S, f"none: the table covers {first} to {last}; 0 within 0.9 s assumed")
    low = _row(table, day)
    if second == 0.0:
        return Dut1(low.value_s, _bound(day, low.error_s), low.kind)
    high = _row(table, day + 1)
    change = high.value_s - low.value_s
    change -= round(change)  # a leap second at the day's end is a jump of UTC, not of the Earth
    kind = low.kind if low.kind == high.kind else high.kind
    bound_s = _bound(day, max(low.error_s, high.error_s))
    return Dut1(low.value_s + change * second / DAY_S, bound_s, kind)


def _bound(mjd: int, error_s: float) -> float:
    spread_s = next(spread for before, spread in SPREAD_S if mjd < before)
    return min(3.0 * error_s + spread_s, UTC_LIMIT_S - 1e-9)


def _day(mjd: int) -> date:
    return (MJD_EPOCH + timedelta(days=mjd)).date()


def table_last_day(*, path: Path | None = None) -> date:
    """The last day with a value, which is one of 0h UTC: the table ends at the beginning of this day."""
    return _day(_table(path).last_mjd)


def table_version() -> str:
    """The version of the package that brought the table; it bears the day it was made."""
    return f"astropy-iers-data {astropy_iers_data.__version__}"


def leap_seconds(*, path: Path | None = None) -> LeapSeconds:
    """The leap seconds announced so far (IERS Bulletin C). Raises EarthOrientationError for a bad list."""
    return _leap_seconds(path)


@lru_cache(maxsize=4)
def _leap_seconds(given: Path | None) -> LeapSeconds:
    path = Path(astropy_iers_data.IERS_LEAP_SECOND_FILE) if given is None else given
    try:
        lines = path.read_text(encoding="ascii", errors="replace").splitlines()
        rows = [line.split() for line in lines if line.strip() and not line.startswith("#")]
        since = tuple(date(int(row[3]), int(row[2]), int(row[1])) for row in rows)
        count = tuple(int(row[4]) for row in rows)
        expires = next(line.split("expires on")[1] for line in lines if "expires on" in line)
        last = datetime.strptime(expires.strip(), "%d %B %Y").replace(tzinfo=UTC).date()
    except (OSError, ValueError, IndexError, StopIteration) as error:
        raise _unreadable(path, f"not a list of leap seconds ({error})") from error
    if not since or list(since) != sorted(since):
        raise _unreadable(path, "the leap seconds are not in order of date")
    return LeapSeconds(since, count, last)


def tai_minus_utc_s(utc: datetime) -> int:
    """TAI-UTC in whole seconds at an aware instant; before 1972 the first count, 10 s.

    After the list's expiry the last count goes on: an unannounced leap second would shift sidereal time
    by 0.1 microsecond, since TT only enters precession and nutation.
    """
    table = leap_seconds()
    index = bisect_right(table.since, require_aware(utc).date())
    return table.tai_utc_s[max(index - 1, 0)]


def leap_second_between(start: datetime, end: datetime) -> date | None:
    """The UTC day at whose beginning a leap second was inserted or removed, in (start, end], or None.

    Silent about days after `leap_seconds().expires`: nothing is announced for them.
    """
    first, last = require_aware(start), require_aware(end)
    for day in leap_seconds().since[1:]:
        midnight = datetime(day.year, day.month, day.day, tzinfo=UTC)
        if first < midnight <= last:
            return day
    return None
