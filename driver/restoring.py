"""What a record keeps of the earlier settings, and putting them back."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, Literal

from noonmark.driver import looking, putting_back, record
from noonmark.driver.comparison import unix_datetime
from noonmark.driver.conventions import Convention, labels_of
from noonmark.driver.escaping import escape
from noonmark.driver.mount import Readings
from noonmark.driver.record import RecordError
from noonmark.driver.result import SettingRow
from noonmark.driver.run import Run, Stop
from noonmark.driver.writing import Told, manner_from, shown_alike
from noonmark.protocols import lx
from noonmark.protocols.seams import ReplyError
from noonmark.protocols.sexagesimal import wrap_signed

CENTURY_S = 3.2e9  # no clock is further off


def earlier_settings(run: Run) -> dict[str, Any]:
    """What must be on disk before the first write: every setting as it was shown, and how far off the clock was.

    `clock_minus_utc_s`: the local time shown minus UTC (the truth where established, else this host's), seconds.
    """
    assert run.sight is not None
    readings = run.sight.readings
    order = _date_order(run)
    near = _local_minus_monotonic_s(run, order)
    clock = None
    if near is not None:
        low, high = run.sight.measure.anchored(near, readings.display_hours)
        clock = (low + high) / 2 - _utc_at(run, 0.0)
    return {
        "earlier": {
            "date": readings.date_wire.decode("latin-1"),
            "time": readings.local[-1].wire.decode("latin-1"),
            "offset": readings.offset_wire.decode("latin-1"),
            "longitude": readings.longitude_wire.decode("latin-1"),
            "latitude": readings.latitude_wire.decode("latin-1"),
            "clock_minus_utc_s": clock,
            "date_order": order,
        }
    }


def keep_earlier(run: Run, **told: Any) -> None:
    """The record's first stage: the earlier settings, and what is `told` beside them, on disk before the first write.
    Raises Stop where that can't be."""
    assert run.record is not None
    run.record.data.update(earlier_settings(run), **told)
    try:
        run.record.save("planned")
    except RecordError as error:
        raise Stop(
            "refused", error.code, f"{error}; nothing was written", "free space, or set [record] folder"
        ) from None


def _date_order(run: Run) -> Literal["mdy", "dmy"]:
    alive = run.evidence.survivors or (run.sight.conventions if run.sight is not None else frozenset())
    return min(alive).date_order if alive else Convention().date_order


def _local_minus_monotonic_s(run: Run, order: Literal["mdy", "dmy"]) -> float | None:
    """Local time, seconds since 1970, minus monotonic: as the convention that fits best has it, else as the date
    reads. None where the date shown does not exist."""
    assert run.sight is not None
    readings = run.sight.readings
    fitting = [one for one in run.sight.fitting if one.convention in run.evidence.survivors]
    if fitting:
        best = min(fitting, key=lambda one: (one.convention, abs(one.residual_s)))
        return best.local_s - best.instant
    date = readings.date.in_order(order) or readings.date.in_order("dmy" if order == "mdy" else "mdy")
    if date is None:
        return None
    local = readings.local[-1]
    return (date - unix_datetime(0.0).date()).days * 86400.0 + local.seconds + 0.5 - local.instant


def _utc_at(run: Run, instant: float) -> float:
    if run.truth is not None and run.truth.time_established:
        return run.truth.utc_s(instant)
    assert run.sources is not None
    return run.sources.host.utc_minus_monotonic + instant


def restore(run: Run, path: Path | None) -> Stop:
    """Put a record's earlier settings back, read back, and say which stand. Raises RecordError, Stop."""
    folder = record.folder_of(run.config)
    source = record.load(path) if path is not None else record.latest_restorable(folder, run.config.mount.port)
    earlier = source.data.get("earlier")
    if not isinstance(earlier, dict):
        raise RecordError(
            f"{source.path}: holds no earlier settings (it is no record of a `set` that wrote)", "record-absent"
        )
    if source.data.get("port") != run.config.mount.port:
        raise Stop(
            "refused",
            "record-of-another-port",
            f"{source.path} is of {escape(str(source.data.get('port')))}, "
            f"and the mount's port is {run.config.mount.port}",
            "name a record of this port, or give --port",
        )
    looking.open_all(run, record.newest_utc_s(folder), reads_only=False)
    looking.look_at_mount(run)
    looking.gather_truth(run)
    looking.conclude(run)
    assert run.sight is not None
    if run.sight.readings.slewing:
        raise Stop("refused", "mount-slewing", "the mount is slewing; nothing was written", "wait until it is at rest")
    if run.truth is None or not run.truth.time_established:
        run.note("clock-by-host", "no truth was established: the earlier clock is put back by this host's clock")
    run.manner = run.manner or manner_from(run.sight.readings, run.dialect, run.auto)
    wanted = _as_readings(earlier, run.sight.readings, source.path)
    clock = _clock_of(earlier, source.path)
    keep_earlier(run, restores=str(source.path))
    local_at = None if clock is None else lambda instant: clock + _utc_at(run, instant)
    order: Literal["mdy", "dmy"] = "dmy" if earlier.get("date_order") == "dmy" else "mdy"
    told = putting_back.put_back(run, wanted, local_at, order)
    looking.look_at_mount(run)
    looking.decide_anew(run)  # what is told of clock and signs is of the mount as it stands now
    gone = {name for name in _gone_since(run, wanted, local_at, order) if told.get(name) == "there"}
    run.confirmed -= gone
    told |= dict.fromkeys(gone, "changed-otherwise")
    run.rows = _rows(run, wanted, told)
    missing = [name for name, what in told.items() if what != "there"]
    if gone:
        return Stop(
            "incomplete",
            "settings-overwritten",
            "put back, and did not stay: " + ", ".join(missing),
            "something else writes to this mount, or its clock does not run; see the settings",
        )
    if missing:
        return Stop("incomplete", "settings-not-taken", "not put back: " + ", ".join(missing), "see the settings")
    return Stop("confirmed", "restored", f"the settings of {source.path} are back, and were read back")


def _gone_since(
    run: Run, wanted: Readings, local_at: Callable[[float], float] | None, order: Literal["mdy", "dmy"]
) -> set[str]:
    """What the last look shows otherwise than it was put back; the clock of a mount goes on, or was stopped."""
    assert run.sight is not None
    shown, measure = run.sight.readings, run.sight.measure
    pairs: dict[str, tuple[lx.Angle | lx.OffsetText, lx.Angle | lx.OffsetText]] = {
        "longitude": (shown.longitude, wanted.longitude),
        "latitude": (shown.latitude, wanted.latitude),
        "offset": (shown.offset, wanted.offset),
    }
    gone = {name for name, (now, then) in pairs.items() if not shown_alike(now, then)}
    if local_at is None:
        return gone
    last = shown.local[-1]
    near = local_at(last.instant)
    low, high = measure.anchored(near - last.instant, shown.display_hours)
    if abs((low + high) / 2 + last.instant - near) > putting_back.PUT_BACK_S:
        gone.add("time")
    days = {
        unix_datetime(near + step).date() for step in (-putting_back.PUT_BACK_S, putting_back.PUT_BACK_S)
    }  # midnight may lie between
    if shown.date.in_order(order, _century(near)) not in days:
        gone.add("date")
    return gone


def _century(local_s: float) -> int:
    """The first year of the century in which a local time, seconds since 1970, lies."""
    year = unix_datetime(local_s).year
    return year - year % 100


def _clock_of(earlier: dict[str, Any], path: Path) -> float | None:
    """How far the clock was from UTC, seconds; None where that was not known. Raises RecordError."""
    clock = earlier.get("clock_minus_utc_s")
    if clock is None:
        return None
    if isinstance(clock, bool) or not isinstance(clock, (int, float)) or not abs(clock) < CENTURY_S:
        raise RecordError(
            f"{path}: clock_minus_utc_s is {escape(repr(clock), 40)}: expected seconds, or null", "record-unreadable"
        )
    return float(clock)


def _as_readings(earlier: dict[str, Any], now: Readings, path: Path) -> Readings:
    from dataclasses import replace

    try:
        wires = {name: str(earlier[name]).encode("latin-1") for name in ("date", "offset", "longitude", "latitude")}
        return replace(
            now,
            date=lx.parse_date(wires["date"]),
            date_wire=wires["date"],
            offset=lx.parse_offset(wires["offset"]),
            offset_wire=wires["offset"],
            longitude=lx.parse_longitude(wires["longitude"]),
            longitude_wire=wires["longitude"],
            latitude=lx.parse_latitude(wires["latitude"]),
            latitude_wire=wires["latitude"],
        )
    except (KeyError, UnicodeEncodeError, ReplyError) as error:
        raise RecordError(f"{path}: its earlier settings can't be read: {error}", "record-unreadable") from None


def _rows(run: Run, wanted: Readings, told: dict[str, Told]) -> tuple[SettingRow, ...]:
    """What was put back, beside what the mount shows now: in our signs, and only as its own text where its are not
    known."""
    assert run.sight is not None
    assert run.decision is not None
    shown = run.sight.readings
    declared = run.evidence.declared
    meant = run.decision.survivors if declared is None else frozenset({declared})
    signs, _ = labels_of(meant)
    one = min(meant, default=Convention())

    def east_deg(value: lx.Angle) -> float | None:
        return one.east_longitude_deg(value.value_deg) if "longitude_positive" in signs else None

    def offset_h(value: lx.OffsetText) -> float | None:
        if not {"offset_sense", "daylight_hour"} <= set(signs):
            return None
        return one.standard_offset_h(value.value_h) + (1.0 if one.daylight_hour else 0.0)

    values = {
        "latitude": (wanted.latitude.value_deg, shown.latitude.value_deg, shown.latitude_wire, "deg"),
        "longitude": (east_deg(wanted.longitude), east_deg(shown.longitude), shown.longitude_wire, "deg"),
        "offset": (offset_h(wanted.offset), offset_h(shown.offset), shown.offset_wire, "h"),
    }
    rows = []
    for name, (expected, read, wire, unit) in values.items():
        gap = None
        if expected is not None and read is not None:
            gap = wrap_signed(read - expected, 360.0) if unit == "deg" else read - expected
        rows.append(
            SettingRow.model_validate(
                {
                    "name": name,
                    "expected": expected,
                    "read": read,
                    "wire": escape(wire),
                    "residual": gap,
                    "unit": unit,
                    "tolerance": None,
                    "ok": told.get(name) == "there",
                }
            )
        )
    for name, wire in (("date", shown.date_wire), ("time", shown.local[-1].wire)):
        rows.append(
            SettingRow.model_validate(
                {
                    "name": name,
                    "expected": None,
                    "read": None,
                    "wire": escape(wire),
                    "residual": None,
                    "unit": "d" if name == "date" else "s",
                    "tolerance": None,
                    "ok": told[name] == "there" if name in told else None,
                }
            )
        )
    return tuple(rows)
