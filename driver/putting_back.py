"""Earlier settings written back, as the mount showed them then: its own texts, its clock as it would have run on."""

from __future__ import annotations

from collections.abc import Callable

from noonmark.driver.comparison import unix_datetime
from noonmark.driver.conventions import Convention
from noonmark.driver.mount import Readings
from noonmark.driver.run import Run
from noonmark.driver.writing import Told, Writer, earlier_forms, goes_on_from, shown_alike, write_date, write_longitude
from noonmark.protocols import lx
from noonmark.protocols.seams import Exchange
from noonmark.protocols.sexagesimal import wrap_signed

LEAST_BEFORE_MIDNIGHT_S = 3.0
LEAST_TO_SEND_S = 1.4  # a time is sent within this
PUT_BACK_S = 2.0  # a clock put back is within this: its second was sent on time, its display is late by under one


def put_back(run: Run, earlier: Readings, local_at: Callable[[float], float] | None, order: str) -> dict[str, Told]:
    """Write earlier settings back as they were shown. `local_at(instant)`: seconds since 1970 of the local time that
    the mount's clock would show at a monotonic instant, had nothing been written; None leaves the clock."""
    assert run.talk is not None
    assert run.manner is not None
    told: dict[str, Told] = {}

    writer = Writer(run.talk, run.attempted)
    wires = {"longitude": earlier.longitude_wire, "latitude": earlier.latitude_wire, "offset": earlier.offset_wire}
    for name in run.dialect.write_order:
        if name in wires:
            told[name] = _put_back_one(run, writer, name, wires[name])
    if local_at is not None:
        told |= _put_back_clock(run, writer, earlier, local_at, order)
    return told


def _put_back_one(run: Run, writer: Writer, name: str, wire: bytes) -> Told:
    assert run.manner is not None
    parsers: dict[str, Callable[[bytes], lx.Angle | lx.OffsetText]] = {
        "longitude": lx.parse_longitude,
        "latitude": lx.parse_latitude,
        "offset": lx.parse_offset,
    }
    wanted = parsers[name](wire)

    def there() -> bool:
        shown, _, _ = writer.talk.ask(f"get-{name}", parsers[name])
        return shown_alike(shown, wanted)

    run.aims[name] = lambda shown, _: shown_alike(shown, wanted)
    if there():
        run.confirmed.add(name)
        return "there"
    manner = run.manner
    if name == "longitude":
        told = write_longitude(
            writer, manner, lambda: earlier_forms(name, wire, manner), lambda shown: shown_alike(shown, wanted)
        )
    else:
        told = writer.setting(name, earlier_forms(name, wire, manner), there)
    if told == "there":
        run.confirmed.add(name)
    return told


def _put_back_clock(
    run: Run, writer: Writer, earlier: Readings, local_at: Callable[[float], float], order: str
) -> dict[str, Told]:
    clock, manner = run.seams.clock, run.manner
    assert manner is not None
    convention = Convention(day_first=order == "dmy")
    told: dict[str, Told] = {}
    for _ in range(2):  # again, where midnight passed while the date was being set
        left = 86400.0 - local_at(clock.monotonic()) % 86400.0
        if left < LEAST_BEFORE_MIDNIGHT_S:
            run.pause_until(clock.monotonic() + left + 0.3, "midnight of the mount's own clock")
        date = unix_datetime(local_at(clock.monotonic())).date()
        midnight_at = clock.monotonic() + 86400.0 - local_at(clock.monotonic()) % 86400.0
        run.aims["date"] = goes_on_from(date, convention.date_order, midnight_at)
        told["date"] = write_date(writer, date, convention, manner)
        left = 86400.0 - local_at(clock.monotonic()) % 86400.0
        if unix_datetime(local_at(clock.monotonic())).date() == date and left >= LEAST_TO_SEND_S:
            break
    if told["date"] == "there":
        run.confirmed.add("date")
    earliest = clock.monotonic() + 0.3
    second = int(local_at(earliest)) + 1
    at = earliest + (second - local_at(earliest))
    argument = lx.time_argument(second % 86400)
    writer.seen("time", argument)
    accepted, _ = writer.talk.write("time", argument, last_byte_at=at)
    told["time"] = "refused" if accepted is False else "unheard"
    period = 86400.0 if earlier.display_hours == 24 else 43200.0

    def runs_on(shown: lx.DayTime, answer: Exchange) -> bool:
        assert answer.t_first is not None
        expected = second + ((answer.t_before + answer.t_first) / 2 - at)
        return abs(wrap_signed(shown.seconds + 0.5 - expected, period)) < PUT_BACK_S

    run.aims["time"] = runs_on
    shown, _, answer = writer.talk.ask("get-time", lx.parse_time)
    if runs_on(shown, answer):
        told["time"] = "there"
        run.confirmed.add("time")
    return told
