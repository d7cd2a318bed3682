"""Sightings as they are given: pairs of texts, on the command line or in a table."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

from noonmark.driver.config import ConfigError
from noonmark.driver.reasons.celestial_text import CoordinateError, parse_position

COLUMNS = ("aimed", "found", "utc")


@dataclass(frozen=True, slots=True)
class Pair:
    """`where` names it in errors; `utc` None where it is that of all."""

    where: str
    aimed: str
    found: str
    utc: str | None


def position(text: str, where: str) -> tuple[float, float]:
    """(right ascension in hours, declination in degrees). Raises CoordinateError that names where it stands."""
    try:
        return parse_position(text)
    except CoordinateError as error:
        raise CoordinateError(f"{where}: {error}") from None


def table(path: Path) -> list[Pair]:
    """The rows of a CSV file with the columns aimed, found and, where wanted, utc. Raises ConfigError with the file
    and the line."""
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.DictReader(file)
            columns = [name.strip().lower() for name in reader.fieldnames or ()]
            if not {"aimed", "found"} <= set(columns) or not set(columns) <= set(COLUMNS):
                raise _bad(path, 1, f"expected the columns aimed, found and, if wanted, utc; it has {columns}")
            reader.fieldnames = columns
            return [_pair(path, reader.line_num, row) for row in reader]
    except OSError as error:
        raise ConfigError(f"{path}: can't be read: {error.strerror}", code="table-unreadable") from None
    except (UnicodeDecodeError, csv.Error) as error:
        raise ConfigError(f"{path}: is no table: {error}", code="table-unreadable") from None


def _pair(path: Path, line: int, row: dict[str | None, str | list[str] | None]) -> Pair:
    texts = {key: value.strip() for key, value in row.items() if isinstance(value, str)}
    if None in row or not texts.get("aimed") or not texts.get("found"):
        raise _bad(path, line, "expected one aimed and one found; what holds a comma is quoted")
    return Pair(f"{path}, line {line}", texts["aimed"], texts["found"], texts.get("utc") or None)


def _bad(path: Path, line: int, what: str) -> ConfigError:
    return ConfigError(
        f"{path}, line {line}: {what}", code="table-unreadable",
        remedy="aimed,found,utc and then, for instance, 05:35:17 -05:23:28,05:40:00 -05:00:00,2026-11-24T12:00:00Z",
    )  # fmt: skip
