"""What records tell: the settings of the newest explained anew, and how the clock ran between two."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from pydantic import ValidationError

from noonmark.driver.config import ConfigError
from noonmark.driver.explanation import explain_rows
from noonmark.driver.reasons.causes import CAUSES
from noonmark.driver.reasons.explain_document import ClockRatePart, Document, document
from noonmark.driver.record import RecordError, load
from noonmark.driver.result import CauseValue, Result
from noonmark.driver.site import Site
from noonmark.driver.ticking.clock_rate import ClockRateError, clock_rate, explain_rate


def from_records(paths: Sequence[Path]) -> Document:
    """What the newest of one or two records shows, and how the clock ran between two. Raises ConfigError."""
    if len(paths) > 2:
        raise ConfigError("--record is given more than twice", code="command-line", remedy="give one record, or two")
    read = sorted((_record(path) for path in paths), key=lambda one: one[0])
    result = read[-1][1]
    causes = [*_settings_of(result), *(one for one in result.explanation if _not_of_settings(one))]
    rate, notes = None, []
    if len(read) == 2:
        try:
            rate = clock_rate(*read)
        except ClockRateError as error:
            notes.append(f"the clock's rate is not told: {error}")
        else:
            cause = explain_rate(rate)
            causes += [cause] if cause is not None else []
    part = None
    if rate is not None:
        bounds = (round(rate.low_ppm, 2), round(rate.high_ppm, 2))
        part = ClockRatePart(rate_ppm=bounds, elapsed_s=round(rate.elapsed_s, 1))
    right = f"Nothing is wrong in this record: {result.outcome or 'interrupted'}, {result.reason}."
    return document("record", causes, right=right, settings=result.settings, clock_rate=part, notes=notes)


def _record(path: Path) -> tuple[float, Result]:
    try:
        data = load(path).data
        result = Result.model_validate(data.get("result"))
    except RecordError as error:
        raise ConfigError(str(error), code=error.code, remedy="name a record; see the records folder") from None
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(one) for one in first["loc"]) or "result"
        raise ConfigError(
            f"{path}: its result can't be read: {where}: {first['msg']}", code="record-unreadable",
            remedy="name the record of a finished run",
        ) from None  # fmt: skip
    utc = data.get("utc_s")
    if not isinstance(utc, int | float):
        utc = datetime.fromisoformat(result.started_utc).timestamp()
    return float(utc), result


def _settings_of(result: Result) -> tuple[CauseValue, ...]:
    """The settings' causes, worked out anew from the rows: an older record told less."""
    if result.site is None or result.outcome in ("confirmed", "refused"):
        return ()
    site = Site(**result.site.model_dump())
    zone_h = result.truth.zone_offset_h if result.truth is not None else None
    on_utc = bool(result.conventions is not None and result.conventions.resolved.get("local_is_utc"))
    found = explain_rows(result.settings, site, zone_h or 0.0, local_is_utc=on_utc)
    return found.causes if found is not None else ()


def _not_of_settings(one: CauseValue) -> bool:
    row = CAUSES.get(one.cause)
    return one.source is not None or (row is not None and row.slug.startswith(("sidereal-clock", "dialect")))
