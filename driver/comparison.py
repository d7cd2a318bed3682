"""Read minus expected, each judged by a budget: the sum of named parts.

Every setting is judged by itself; the sidereal time is the independent proof on top, since a wrong year, or an
hour of offset against an hour of local time, can leave it nearly as it was.
"""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass
from typing import Literal

from noonmark.driver import earth_orientation, sky
from noonmark.driver.config import Config
from noonmark.driver.conventions import APPARENT_S, EPOCH, FIRMWARE_S, SECONDS_PER_DEGREE, TRUNCATION_S, Hypothesis
from noonmark.driver.escaping import escape
from noonmark.driver.mount import Pointing, Readings
from noonmark.driver.result import SettingRow
from noonmark.driver.ticking import timescales
from noonmark.driver.ticking.clockreading import ClockMeasure
from noonmark.driver.truth import Truth
from noonmark.protocols.sexagesimal import wrap_signed

OFFSET_TOLERANCE_H = 1 / 120  # half a minute: an offset is held to the minute at the finest
ACROSS_MIDNIGHT_S = 600.0  # an error of the clock, not of the date, where midnight lies between
SKY_TOLERANCE_DEG = 0.8  # refraction near the horizon, and pointing shown in tenths of a minute of time


@dataclass(frozen=True, slots=True)
class Judgement:
    """All rows under one hypothesis. `on_utc`: offset 0 with UTC as local time. `utc_error_s`: of the UTC that its sky
    stands on, [low, high]; `clock_error_s`: the same by the time scale that it shall hold. None without a truth."""

    hypothesis: Hypothesis
    rows: tuple[SettingRow, ...]
    on_utc: bool
    utc_error_s: tuple[float, float] | None
    clock_error_s: tuple[float, float] | None = None

    @property
    def right(self) -> bool:
        return all(row.ok for row in self.rows)

    @property
    def wrong(self) -> tuple[str, ...]:
        return tuple(row.name for row in self.rows if row.ok is False)

    @property
    def only_unbounded(self) -> tuple[float, float] | None:
        """The clock's error where nothing is wrong but that it reaches beyond the tolerance, and may be none at all."""
        error = self.clock_error_s
        return error if self.wrong == ("time",) and error is not None and error[0] <= 0.0 <= error[1] else None


def unix_datetime(seconds: float) -> dt.datetime:
    """Aware UTC from seconds since 1970, far outside the years of the operating system too."""
    return EPOCH + dt.timedelta(seconds=seconds)


def judge(
    readings: Readings,
    hypothesis: Hypothesis,
    measure: ClockMeasure,
    truth: Truth,
    zone_offset_h: float | None,
    config: Config,
    written_deg: float,
) -> Judgement:
    """All rows. `written_deg`: half of the last unit in which coordinates are written here, degrees."""
    low, high = measure.anchored(hypothesis.local_s - hypothesis.instant, readings.display_hours)
    place = [
        _coordinate(
            "latitude",
            config.site.latitude_deg,
            readings.latitude.value_deg,
            readings.latitude.resolution_deg,
            written_deg,
            readings.latitude_wire,
        ),
        _coordinate(
            "longitude",
            config.site.longitude_deg,
            hypothesis.longitude_deg,
            readings.longitude.resolution_deg,
            written_deg,
            readings.longitude_wire,
        ),
    ]
    if not truth.time_established or zone_offset_h is None:
        return Judgement(hypothesis, (*place, *_unjudged(readings, hypothesis, zone_offset_h)), False, None)
    scale = timescales.shift(config.policy.timescale, unix_datetime(truth.utc_s(readings.local[-1].instant)))
    held = scale.of(truth)
    on_utc = _on_utc(hypothesis, low, high, held, config.policy.clock_tolerance_s, zone_offset_h)
    expected_offset = 0.0 if on_utc or hypothesis.convention.local_is_utc else zone_offset_h
    rows = [
        *place,
        _offset(readings, hypothesis, expected_offset),
        *_date_and_time(readings, low, high, held, expected_offset, config.policy.clock_tolerance_s),
        _sidereal(readings, truth, config, place[1].tolerance or 0.0),
    ]
    low, high = low - hypothesis.offset_h * 3600.0, high - hypothesis.offset_h * 3600.0
    return Judgement(
        hypothesis, tuple(rows), on_utc, (low - truth.high, high - truth.low), (low - held.high, high - held.low)
    )


def _on_utc(
    hypothesis: Hypothesis, low: float, high: float, truth: Truth, tolerance_s: float, zone_offset_h: float
) -> bool:
    if abs(hypothesis.offset_h) > OFFSET_TOLERANCE_H or abs(zone_offset_h) < OFFSET_TOLERANCE_H:
        return False
    return low - truth.high >= -tolerance_s and high - truth.low <= tolerance_s


def _coordinate(
    name: Literal["latitude", "longitude"], expected: float, read: float, resolution: float, written: float, wire: bytes
) -> SettingRow:
    budget = {"as shown": resolution, "rounded when written": written}
    tolerance = sum(budget.values())
    residual = wrap_signed(read - expected, 360.0)
    return SettingRow.model_construct(
        name=name,
        expected=expected,
        read=read,
        wire=escape(wire),
        residual=residual,
        unit="deg",
        tolerance=tolerance,
        ok=abs(residual) <= tolerance + 1e-9,
        budget=budget,
    )


def _offset(readings: Readings, hypothesis: Hypothesis, expected: float) -> SettingRow:
    read = hypothesis.offset_h
    if hypothesis.convention.local_is_utc:
        read = hypothesis.convention.standard_offset_h(readings.offset.value_h)
    residual = read - expected
    return SettingRow.model_construct(
        name="offset",
        expected=expected,
        read=read,
        wire=escape(readings.offset_wire),
        residual=residual,
        unit="h",
        tolerance=OFFSET_TOLERANCE_H,
        ok=abs(residual) <= OFFSET_TOLERANCE_H,
        budget={"half a minute, the finest an offset is held": OFFSET_TOLERANCE_H},
    )


def _date_and_time(
    readings: Readings, low: float, high: float, truth: Truth, offset_h: float, tolerance_s: float
) -> list[SettingRow]:
    shift = offset_h * 3600.0
    error_low, error_high = low - truth.high - shift, high - truth.low - shift
    instant = readings.local[-1].instant
    expected = unix_datetime(truth.utc_s(instant) + shift)
    shown = unix_datetime((low + high) / 2 + instant)
    days = (shown.date() - expected.date()).days
    error = (error_low + error_high) / 2
    turns = round(error / 86400.0)
    residual = error - turns * 86400.0
    if abs(residual) < ACROSS_MIDNIGHT_S:
        days = turns  # a small error of the clock with midnight between is none of the date
    half = (error_high - error_low) / 2
    inside = residual - half >= -tolerance_s and residual + half <= tolerance_s
    return [
        SettingRow.model_construct(
            name="date",
            expected=expected.date().isoformat(),
            read=shown.date().isoformat(),
            wire=escape(readings.date_wire),
            residual=float(days),
            unit="d",
            tolerance=0.0,
            ok=days == 0,
            budget={"none: a date is right or wrong": 0.0},
        ),
        SettingRow.model_construct(
            name="time",
            expected=clock_text(expected),
            read=clock_text(shown),
            wire=escape(readings.local[-1].wire),
            residual=residual,
            unit="s",
            tolerance=tolerance_s,
            ok=inside,
            budget={"policy.clock_tolerance_s, which the whole interval must keep": tolerance_s},
        ),
    ]


def clock_text(value: dt.datetime) -> str:
    """The time of day as rows have it, HH:MM:SS.T, cut off like a display; `explanation` reads it back."""
    return value.strftime("%H:%M:%S") + f".{value.microsecond // 100000}"


def _sidereal(readings: Readings, truth: Truth, config: Config, longitude_deg: float) -> SettingRow:
    shown = readings.sidereal[-1]
    utc = unix_datetime(truth.utc_s(shown.instant))
    dut1 = earth_orientation.ut1_utc(utc)
    expected = sky.sidereal_time_h(utc, config.site.longitude_deg, dut1_s=dut1.value_s) * 3600.0
    budget = {
        "shown in whole seconds": TRUNCATION_S,
        "mean or apparent": APPARENT_S,
        "UT1-UTC, which the mount may not know": dut1.bound_s
        + (abs(dut1.value_s) if config.policy.timescale == "utc" else 0.0),
        "longitude within its own tolerance": longitude_deg * SECONDS_PER_DEGREE,
        "clock within its own tolerance": config.policy.clock_tolerance_s,
        "the firmware's formula": FIRMWARE_S,
        "instants of the reading": shown.spread_s / 2 + truth.half_width_s,
    }
    tolerance = sum(budget.values())
    residual = wrap_signed(shown.seconds - expected, 86400.0)
    return SettingRow.model_construct(
        name="sidereal",
        expected=_hms(expected),
        read=_hms(shown.seconds),
        wire=escape(shown.wire),
        residual=residual,
        unit="s",
        tolerance=tolerance,
        ok=abs(residual) <= tolerance,
        budget=budget,
    )


def _hms(seconds: float) -> str:
    whole = math.floor(seconds) % 86400
    return f"{whole // 3600:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}"


_Unjudged = tuple[
    Literal["latitude", "longitude", "offset", "date", "time", "sidereal"],
    float | str | None,
    float | str | None,
    bytes,
    Literal["deg", "h", "d", "s"],
]


def _unjudged(readings: Readings, hypothesis: Hypothesis, zone_offset_h: float | None) -> list[SettingRow]:
    """Rows that need a UTC, where there is none: what was read, and no verdict."""
    local = unix_datetime(hypothesis.local_s)
    rows: tuple[_Unjudged, ...] = (
        ("offset", zone_offset_h, hypothesis.offset_h, readings.offset_wire, "h"),
        ("date", None, local.date().isoformat(), readings.date_wire, "d"),
        ("time", None, clock_text(local), readings.local[0].wire, "s"),
        ("sidereal", None, _hms(readings.sidereal[-1].seconds), readings.sidereal[-1].wire, "s"),
    )
    return list(_blank(*rows))


def _blank(*rows: _Unjudged) -> tuple[SettingRow, ...]:
    return tuple(
        SettingRow.model_construct(
            name=name,
            expected=expected,
            read=read,
            wire=escape(wire),
            residual=None,
            unit=unit,
            tolerance=None,
            ok=None,
            budget={},
        )
        for name, expected, read, wire, unit in rows
    )


def raw_rows(readings: Readings) -> tuple[SettingRow, ...]:
    """What was read where no convention fits: only what needs no sign is given a value."""
    return _blank(
        ("latitude", None, readings.latitude.value_deg, readings.latitude_wire, "deg"),
        ("longitude", None, None, readings.longitude_wire, "deg"),
        ("offset", None, None, readings.offset_wire, "h"),
        ("date", None, None, readings.date_wire, "d"),
        ("time", None, None, readings.local[-1].wire, "s"),
        ("sidereal", None, _hms(readings.sidereal[-1].seconds), readings.sidereal[-1].wire, "s"),
    )


def latitude_by_sky(pointing: Pointing | None, sidereal_h: float, latitude_deg: float) -> str:
    """What altitude beside right ascension and declination says of the latitude's sign: "proven",
    "contradicted" (it fits the opposite latitude) or "silent"."""
    if pointing is None:
        return "silent"
    hour_angle = sky.hour_angle_h(sidereal_h, pointing.right_ascension_h)
    fits = []
    for latitude in (latitude_deg, -latitude_deg):
        _, altitude = sky.horizon_from_equatorial(hour_angle, pointing.declination_deg, latitude)
        fits.append(abs(altitude - pointing.altitude_deg) <= SKY_TOLERANCE_DEG)
    if fits[0] == fits[1]:
        return "silent"
    return "proven" if fits[0] else "contradicted"
