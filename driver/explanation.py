"""What is likely wrong, in one sentence: which mistake, or which two, make the settings read as they do.

The causes are those of `causes`, the arithmetic is in `slips` and `free_slips`, the order in `explanation_search`.
"Nothing fits" is an answer, and so are causes that can't be told apart: they are given together.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from noonmark.driver import zones
from noonmark.driver.comparison import Judgement
from noonmark.driver.conventions import Convention
from noonmark.driver.reasons.causes import CAUSES
from noonmark.driver.reasons.explanation_search import Candidate, Reading, alike, nothing_fits, search
from noonmark.driver.reasons.explanation_words import numbers, remedy, sentence
from noonmark.driver.reasons.sky_error import Aim, SkyError, sky_error
from noonmark.driver.reasons.slips import DAY_S, LATITUDE, LOCAL, LONGITUDE, OFFSET, Context, Settings, Tolerances
from noonmark.driver.result import CauseValue, SettingRow
from noonmark.driver.site import Site

TOLD = 5
LEAST_CONFIDENCE = 0.01
ORDER_COST = 0.7  # a convention less usual than the one before it: about one half as likely
NOT_JUDGED = 1.0


def explain_settings(
    judgement: Judgement | Sequence[Judgement],
    site: Site,
    zone_offset_h: float,
    *,
    aim: Aim | None = None,
    zone: zones.Zone | None = None,
) -> tuple[CauseValue, ...]:
    """The likely causes of what is wrong, the likeliest first; empty where all is right, or might be.

    judgement: one, or those of all conventions that fit, the most usual first: the one that is explained best
    counts. zone_offset_h: local minus UTC now. aim: where the mount points. zone: the site's rules, where loaded.
    """
    judgements = (judgement,) if isinstance(judgement, Judgement) else tuple(judgement)
    if not judgements or any(one.right for one in judgements):
        return ()
    best: tuple[float, tuple[CauseValue, ...]] | None = None
    for number, one in enumerate(judgements):
        manner = one.hypothesis.convention
        found = explain_rows(
            one.rows, site, zone_offset_h, local_is_utc=manner.local_is_utc, convention=manner, aim=aim, zone=zone
        )
        if found is not None and (best is None or found.length + ORDER_COST * number < best[0]):
            best = (found.length + ORDER_COST * number, found.causes)
    return best[1] if best is not None else ()


@dataclass(frozen=True, slots=True)
class Explained:
    """`length`: the description length of the likeliest cause; see `explanation_search`."""

    causes: tuple[CauseValue, ...]
    length: float


def explain_rows(
    rows: Iterable[SettingRow],
    site: Site,
    zone_offset_h: float,
    *,
    local_is_utc: bool = False,
    convention: Convention | None = None,
    aim: Aim | None = None,
    zone: zones.Zone | None = None,
) -> Explained | None:
    """As `explain_settings`, from the rows of a result; None where nothing in them is wrong."""
    reading = reading_of(rows, site, zone_offset_h, local_is_utc=local_is_utc, zone=zone)
    return explain_reading(reading, convention=convention, aim=aim)


def explain_reading(
    reading: Reading, *, convention: Convention | None = None, aim: Aim | None = None
) -> Explained | None:
    """From settings as read; None where nothing in them is wrong."""
    if not reading.wrong:
        return None
    candidates = search(reading)
    least = nothing_fits(reading)
    ranked = _ranked(candidates)
    lengths = [least, *(length for _, length in ranked)]
    shortest = min(lengths)
    total = sum(math.exp(shortest - length) for length in lengths)
    told: list[tuple[float, CauseValue]] = []
    for one, length in ranked:
        share = math.exp(shortest - length) / total
        if share >= LEAST_CONFIDENCE:
            others = _indistinguishable(one, candidates, reading)
            told.append((share, _value(reading, one, share, others, convention, aim)))
    nothing = math.exp(shortest - least) / total
    if nothing >= 0.5 or not told:
        told.append((nothing, _nothing(reading, nothing, convention, aim)))
    told.sort(key=lambda item: -item[0])
    return Explained(tuple(value for _, value in told[:TOLD]), shortest)


def _ranked(candidates: Iterable[Candidate]) -> list[tuple[Candidate, float]]:
    """The shortest of each set of causes, with the length of all its ways together."""
    groups: dict[tuple[str, ...], list[Candidate]] = {}
    for one in candidates:
        groups.setdefault(tuple(sorted(one.slugs)), []).append(one)
    ranked = []
    for ways in groups.values():
        first = min(ways, key=lambda one: one.length)
        weight = sum(math.exp(first.length - one.length) for one in ways)
        ranked.append((first, first.length - math.log(weight)))
    return sorted(ranked, key=lambda item: item[1])


def _indistinguishable(one: Candidate, candidates: Iterable[Candidate], reading: Reading) -> tuple[str, ...]:
    own = "+".join(sorted(one.slugs))
    names = {
        "+".join(sorted(other.slugs))
        for other in candidates
        if other.fixed and len(other.slugs) == len(one.slugs) and alike(one, other, reading.tolerance)
    }
    return tuple(sorted(names - {own}))


def _value(
    reading: Reading, one: Candidate, share: float, others: tuple[str, ...], convention: Convention | None,
    aim: Aim | None,
) -> CauseValue:  # fmt: skip
    slugs = one.slugs
    together = slugs if len(slugs) > 1 else ()
    if slugs == ("factory-state",):
        together = ("factory-site", "factory-date")
    return _cause_value(
        reading, one.after, slugs[0], sentence(reading, one, others), share,
        remedy(reading, slugs, one.touches, convention), aim, together=together, indistinguishable=others,
    )  # fmt: skip


def _nothing(reading: Reading, share: float, convention: Convention | None, aim: Aim | None) -> CauseValue:
    wrong = reading.wrong
    told = f"{CAUSES['nothing-fits'].sentence[:-1]}: {numbers(reading.ctx, reading.read, wrong)}."
    return _cause_value(
        reading, reading.read, "nothing-fits", told, share, remedy(reading, ("nothing-fits",), wrong, convention), aim
    )


def _cause_value(
    reading: Reading, after: Settings, slug: str, told: str, share: float, what_to_do: str, aim: Aim | None,
    *, together: tuple[str, ...] = (), indistinguishable: tuple[str, ...] = (),
) -> CauseValue:  # fmt: skip
    judged = reading.judged & (OFFSET | LOCAL) == OFFSET | LOCAL
    sky: SkyError = sky_error(reading.ctx, after, aim)
    pointing = sky.at_pointing_deg
    return CauseValue(
        cause=slug,
        sentence=told,
        sky_error_deg=round(sky.equator_deg, 4),
        confidence=round(share, 4),
        remedy=what_to_do,
        hour_angle_error_deg=round(sky.hour_angle_deg, 4),
        sky_error_at_pointing_deg=None if pointing is None else round(pointing, 4),
        flip_error_min=round(sky.flip_min, 2) if judged else None,
        together=together,
        indistinguishable=indistinguishable,
    )


# --- from rows --------------------------------------------------------------------------------------


def reading_of(
    rows: Iterable[SettingRow],
    site: Site,
    zone_offset_h: float,
    *,
    local_is_utc: bool = False,
    zone: zones.Zone | None = None,
) -> Reading:
    """What the rows of a result say, beside what is right. Rows that were not judged count as right."""
    by_name: dict[str, SettingRow] = {row.name: row for row in rows}
    judged = wrong = 0
    for name, group in (("latitude", LATITUDE), ("longitude", LONGITUDE), ("offset", OFFSET)):
        row = by_name.get(name)
        if row is not None and row.ok is not None:
            judged |= group
            wrong |= 0 if row.ok else group
    offset_h = _number(by_name, "offset", "expected", zone_offset_h)
    local = _local(by_name)
    if local is not None:
        judged |= LOCAL
        wrong |= LOCAL if local.wrong else 0
    utc = (local.expected if local is not None else dt.datetime(2000, 1, 1)) - dt.timedelta(hours=offset_h)  # noqa: DTZ001
    utc = utc.replace(tzinfo=dt.UTC)
    right = Settings(site.latitude_deg, site.longitude_deg, offset_h, offset_h * 3600.0)
    read = Settings(
        _number(by_name, "latitude", "read", right.latitude_deg),
        _number(by_name, "longitude", "read", right.longitude_deg),
        _number(by_name, "offset", "read", offset_h) if judged & OFFSET else offset_h,
        right.local_s + (local.error_s if local is not None else 0.0),
    )
    saving_h, other_saving_h = 0.0, 1.0
    outdated: tuple[float, ...] = ()
    if wrong & (OFFSET | LOCAL):
        zone = zone or zones.load_zone(site.timezone)
        saving_h, other_saving_h = seasons(zone, utc)
        outdated = outdated_offsets_h(site.timezone, utc, zone_offset_h)
    ctx = Context(right, utc, zone_offset_h, saving_h, other_saving_h, outdated, local_is_utc)
    tolerance = Tolerances(
        _tolerance(by_name, "latitude"), _tolerance(by_name, "longitude"), _tolerance(by_name, "offset"),
        _tolerance(by_name, "time"),
    )  # fmt: skip
    return Reading(ctx, read, tolerance, wrong, judged)


def _number(rows: dict[str, SettingRow], name: str, side: str, default: float) -> float:
    row = rows.get(name)
    value = getattr(row, side) if row is not None else None
    return float(value) if isinstance(value, int | float) else default


def _tolerance(rows: dict[str, SettingRow], name: str) -> float:
    row = rows.get(name)
    return row.tolerance if row is not None and row.tolerance else NOT_JUDGED


@dataclass(frozen=True, slots=True)
class _Local:
    expected: dt.datetime
    error_s: float
    wrong: bool


def _local(rows: dict[str, SettingRow]) -> _Local | None:
    """The error of the whole local reading. The time's residual is exact but for whole days, the texts have those."""
    date, time = rows.get("date"), rows.get("time")
    if date is None or time is None or date.ok is None or time.ok is None or time.residual is None:
        return None
    expected, read = _moment(date.expected, time.expected), _moment(date.read, time.read)
    if expected is None or read is None:
        return None
    days = round(((read - expected).total_seconds() - time.residual) / DAY_S)
    return _Local(expected, time.residual + days * DAY_S, not (date.ok and time.ok))


def _moment(date: float | str | None, time: float | str | None) -> dt.datetime | None:
    try:
        return dt.datetime.fromisoformat(f"{date}T{time}00")  # a tenth of a second, as microseconds want it
    except ValueError:
        return None


def seasons(zone: zones.Zone, utc: dt.datetime) -> tuple[float, float]:
    """(seasonal advance in force, that of the other season), hours; an hour where the zone knows no seasons."""
    saving = zones.daylight_saving_h(zone, utc)
    if saving:
        return saving, saving
    half_year = utc + dt.timedelta(days=182)
    return 0.0, zones.daylight_saving_h(zone, half_year) or 1.0


def outdated_offsets_h(key: str, utc: dt.datetime, offset_h: float) -> tuple[float, ...]:
    """What other installed zone databases take for the offset of this zone now, where it is another."""
    found = []
    for database in zones.databases():
        try:
            zone = zones.load_zone(key, system=[database.folder], package=None)
        except zones.ZoneError:
            continue
        other_h = zones.offset_h(zone, utc)
        if abs(other_h - offset_h) > 1e-6:
            found.append(other_h)
    return tuple(dict.fromkeys(found))
