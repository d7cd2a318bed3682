"""The simulated receiver: true UTC and place in sentences that an independent decoder reads, late as it was told."""

from __future__ import annotations

import datetime as dt
import itertools
from collections.abc import Callable
from typing import Any

import pytest
from geographiclib.geodesic import Geodesic
from pynmeagps import NMEAReader

from noonmark.sim.faults import build_faults
from noonmark.sim.line import SimStream
from noonmark.sim.receiver import SimulatedReceiver, framed
from noonmark.sim.timeline import VirtualClock

NOW = dt.datetime(2026, 10, 21, 11, 5, 30, tzinfo=dt.UTC)
PLACE: dict[str, Any] = {"latitude_deg": -31.8571, "longitude_deg": 141.6034, "altitude_m": 212.0}


def listen(
    seconds: float, *specs: str, start: dt.datetime = NOW, before: Callable[[VirtualClock], None] = lambda clock: None,
    **options: Any,
) -> tuple[list[tuple[float, bytes]], VirtualClock]:  # fmt: skip
    """(instant of the first byte, bytes) of each line, and the clock it was heard by."""
    clock = VirtualClock(start)
    faults = build_faults(specs, 3)
    receiver = SimulatedReceiver(timeline=clock, faults=faults.receiver, **{**PLACE, **options})
    stream = SimStream(receiver, clock, faults=faults.line)
    before(clock)
    until, lines, held, first = clock.monotonic() + seconds, [], b"", 0.0
    while chunks := stream.read(until):
        for at, data in chunks:
            if not held:
                first = at
            held += data
            while (end := held.find(b"\r\n")) >= 0:
                lines.append((first, held[: end + 2]))
                held = held[end + 2 :]
                first = at
    assert not [fault.name for fault in faults.all if not fault.bites]
    return lines, clock


def decoded(lines: list[tuple[float, bytes]], kind: str = "RMC") -> list[tuple[float, Any]]:
    return [(at, NMEAReader.parse(line)) for at, line in lines if line[:1] == b"$" and line[3:6] == kind.encode()]


def claimed_utc(sentence: Any) -> dt.datetime:
    return dt.datetime.combine(sentence.date, sentence.time, dt.UTC)


def lateness(lines: list[tuple[float, bytes]], clock: VirtualClock) -> list[float]:
    return [clock.true_utc_at(at) - claimed_utc(sentence).timestamp() for at, sentence in decoded(lines)]


def test_the_checksum_is_the_one_of_the_standard() -> None:
    # The example sentence of NMEA 0183 texts everywhere (common practice, from memory).
    body = "GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,"
    assert framed(body) == b"$" + body.encode() + b"*47\r\n"


@pytest.mark.parametrize("pole_deg", [90.0, -90.0])
def test_a_receiver_at_a_pole_never_says_a_latitude_beyond_it(pole_deg: float) -> None:
    lines, _ = listen(20.0, latitude_deg=pole_deg)
    latitudes = [sentence.lat for _, sentence in decoded(lines)]
    assert len(latitudes) >= 19
    assert max(abs(latitude) for latitude in latitudes) <= 90.0
    assert latitudes == pytest.approx([pole_deg] * len(latitudes), abs=0.001)


def test_an_independent_decoder_reads_time_and_place() -> None:
    lines, clock = listen(20.0)
    rows = decoded(lines)
    assert len(rows) in (19, 20)
    for at, sentence in rows:
        utc = claimed_utc(sentence)
        assert utc.microsecond == 0
        assert sentence.status == "A"
        assert 0.05 <= clock.true_utc_at(at) - utc.timestamp() <= 0.7 + 2e-3
        apart_m = Geodesic.WGS84.Inverse(-31.8571, 141.6034, sentence.lat, sentence.lon)["s12"]
        assert apart_m < 12.0  # 1.5 m of noise in each axis, 0.2 m of rounding
    for _, sentence in decoded(lines, "GGA"):
        assert (sentence.quality, sentence.altUnit) == (1, "M")
        assert sentence.alt == pytest.approx(212.0, abs=12.0)
    for _, sentence in decoded(lines, "ZDA"):
        assert (sentence.day, sentence.month, sentence.year) == (21, 10, 2026)
    for _, sentence in decoded(lines, "GSA"):
        assert sentence.navMode == 3


@pytest.mark.parametrize(
    ("latitude_deg", "longitude_deg"), [(59.9999999, -0.0000001), (-0.5, 179.9999999), (0.0, -180.0)]
)
def test_places_near_a_carry_are_written_well(latitude_deg: float, longitude_deg: float) -> None:
    lines, _ = listen(3.0, latitude_deg=latitude_deg, longitude_deg=longitude_deg, noise_m=0.0)
    for _, sentence in decoded(lines):
        assert sentence.lat == pytest.approx(latitude_deg, abs=1e-6)
        assert abs((sentence.lon - longitude_deg + 180) % 360 - 180) < 1e-6


def test_epochs_roll_over_midnight_and_the_year() -> None:
    lines, _ = listen(5.0, start=dt.datetime(2027, 12, 31, 23, 59, 57, tzinfo=dt.UTC))
    stamps = [claimed_utc(sentence) for _, sentence in decoded(lines)]
    assert stamps[0].year == 2027
    assert stamps[-1].year == 2028
    assert {later - earlier for earlier, later in itertools.pairwise(stamps)} == {dt.timedelta(seconds=1)}


def test_lateness_wanders_slowly_and_by_a_fault_widely() -> None:
    slow = lateness(*listen(60.0))
    assert max(abs(b - a) for a, b in itertools.pairwise(slow)) <= 0.041
    assert max(slow) - min(slow) > 0.04
    wide = lateness(*listen(200.0, "lateness-wanders", baud=38400))
    assert min(wide) < 0.1
    assert max(wide) > 0.6
    assert max(abs(b - a) for a, b in itertools.pairwise(wide)) > 0.2


def test_bytes_keep_the_rate_of_the_line() -> None:
    for baud in (4800, 9600, 115200):
        lines, _ = listen(10.0, baud=baud)
        whole = [(at, line) for at, line in lines if line[3:6] == b"RMC"]
        at, line = whole[0]
        following = next(other for other, text in lines if other > at and text[3:6] == b"GGA")
        assert following - at == pytest.approx(len(line) * 10.0 / baud, abs=1e-6)


def test_a_stream_that_was_not_read_for_long_lost_the_oldest() -> None:
    lines, clock = listen(1.0, before=lambda clock: clock.wait_until(clock.monotonic() + 600.0))
    stamps = [claimed_utc(sentence) for _, sentence in decoded(lines)]
    assert min(stamps).timestamp() >= clock.true_utc_s() - 65.0


def test_after_a_suspend_it_goes_on_with_present_time() -> None:
    clock = VirtualClock(NOW)
    stream = SimStream(SimulatedReceiver(timeline=clock, **PLACE), clock)
    while clock.monotonic() < 1004.0:
        stream.read(1004.0)
    clock.suspend(3600.0)
    text = b"".join(data for _ in range(12) for _, data in stream.read(1010.0))
    first = next(line for line in text.split(b"\r\n") if line.startswith((b"GPRMC", b"$GPRMC")))
    assert first.split(b",")[1].startswith(b"1205")


def test_it_hears_what_is_sent_to_it() -> None:
    clock = VirtualClock(NOW)
    receiver = SimulatedReceiver(timeline=clock, **PLACE)
    SimStream(receiver, clock).write(b"$PXXQ*00\r\n")
    assert receiver.heard == b"$PXXQ*00\r\n"


def test_unknown_sentences_are_refused() -> None:
    with pytest.raises(ValueError, match="VTG"):
        SimulatedReceiver(timeline=VirtualClock(NOW), sentences=("RMC", "VTG"), **PLACE)


# --- faults ----------------------------------------------------------------------------------------


def test_a_cold_start_knows_nothing_and_then_everything() -> None:
    lines, _ = listen(30.0, "cold-start:20")
    for at, sentence in decoded(lines):
        blank = sentence.time == "" and sentence.lat == "" and sentence.status == "V"
        assert blank == (at - 1000.0 < 20.0)
    assert {sentence.quality for _, sentence in decoded(lines, "GGA")} == {0, 1}


def test_no_fix_with_a_plausible_time() -> None:
    for at, sentence in decoded(listen(6.0, "no-fix:0")[0]):
        assert (sentence.status, sentence.lat, sentence.posMode) == ("V", "", "N")
        assert abs(claimed_utc(sentence).timestamp() - NOW.timestamp() - (at - 1000.0)) < 1.0


@pytest.mark.parametrize(
    ("spec", "ahead"),
    [("rollover", -dt.timedelta(days=7168)), ("leap-missing", dt.timedelta(seconds=18)),
     ("labels-next-second", dt.timedelta(seconds=1))],
)  # fmt: skip
def test_wrong_times(spec: str, ahead: dt.timedelta) -> None:
    plain, wrong = decoded(listen(10.0)[0]), decoded(listen(10.0, spec)[0])
    # DESIGN: a rollover is 7168 days; GPS-UTC is 18 s since 2017.
    assert [claimed_utc(row) + ahead for _, row in plain] == [claimed_utc(row) for _, row in wrong]


def test_missing_leap_seconds_come_with_the_almanac() -> None:
    late = lateness(*listen(800.0, "leap-missing", baud=115200))
    assert late[0] == pytest.approx(-17.6, abs=0.5)
    assert late[-1] == pytest.approx(0.4, abs=0.5)
    jumps = [index for index, (a, b) in enumerate(itertools.pairwise(late)) if b - a > 10]
    assert len(jumps) == 1
    assert 740 < jumps[0] < 760  # 12.5 minutes


def test_jumps_of_time_and_place() -> None:
    rows = lateness(*listen(30.0, "time-jumps:3600"))
    assert rows[0] > 0 > rows[-1]
    assert rows[-1] < -3599
    places = decoded(listen(30.0, "place-jumps:3000")[0])
    moved = Geodesic.WGS84.Inverse(places[0][1].lat, places[0][1].lon, places[-1][1].lat, places[-1][1].lon)
    assert moved["s12"] == pytest.approx(3000.0, abs=30.0)  # a sphere for an ellipsoid: 0.7 %
    assert abs(moved["azi1"]) < 1.0


@pytest.mark.parametrize(
    ("spec", "metres"), [("elsewhere:3000", 3000.0), ("other-hemisphere", None), ("null-island", None)]
)
def test_wrong_places(spec: str, metres: float | None) -> None:
    sentence = decoded(listen(3.0, spec)[0])[0][1]
    if metres is not None:
        inverse = Geodesic.WGS84.Inverse(PLACE["latitude_deg"], PLACE["longitude_deg"], sentence.lat, sentence.lon)
        assert inverse["s12"] == pytest.approx(metres, abs=40.0)
        assert inverse["azi1"] == pytest.approx(90.0, abs=1.0)
    elif spec == "other-hemisphere":
        assert sentence.lat == pytest.approx(31.8571, abs=1e-3)
    else:
        assert (sentence.lat, sentence.lon) == (0.0, 0.0)


def test_a_position_walks_away() -> None:
    rows = decoded(listen(400.0, "position-walks:5", baud=115200)[0])
    apart = [
        Geodesic.WGS84.Inverse(PLACE["latitude_deg"], PLACE["longitude_deg"], row.lat, row.lon)["s12"]
        for _, row in rows
    ]
    assert max(apart[:3]) < 40.0
    assert 20.0 < max(apart) < 1000.0  # 5 m a step: some 100 m after 400 random steps


def test_a_stale_burst_lies_there_at_opening_and_is_old() -> None:
    lines, _ = listen(3.0, "stale-burst:8")
    old = [claimed_utc(row).timestamp() for at, row in decoded(lines) if at == 1000.0]
    assert len(old) == 8
    assert NOW.timestamp() - 8.0 <= min(old) <= max(old) <= NOW.timestamp() - 1.0


def test_checksum_errors_are_errors_to_an_independent_decoder() -> None:
    lines, _ = listen(60.0, "checksum-errors:0.2")
    bad = 0
    for _, line in lines[1:]:
        try:
            NMEAReader.parse(line)
        except Exception:
            bad += 1
    assert 0.1 < bad / len(lines) < 0.3


def test_binary_stands_between_whole_sentences() -> None:
    clock = VirtualClock(NOW)
    faults = build_faults(["binary-between"], 3)
    stream = SimStream(SimulatedReceiver(timeline=clock, faults=faults.receiver, **PLACE), clock)
    text = b"".join(data for _ in range(300) for _, data in stream.read(1012.0))
    assert text.count(b"\xb5\x62") >= 30
    assert text.count(b"$GPRMC,1105") >= 8


def test_five_epochs_a_second() -> None:
    stamps = [claimed_utc(row) for _, row in decoded(listen(10.0, "five-hertz")[0])]
    assert {(b - a).total_seconds() for a, b in itertools.pairwise(stamps)} == {0.2}


def test_other_talkers_and_a_makers_own_sentence() -> None:
    lines, _ = listen(30.0, "other-talkers")
    assert {line[1:3] for _, line in lines if line[3:6] == b"RMC"} == {b"GN", b"GA", b"GL", b"GB"}
    assert any(line.startswith(b"$PXXQ") for _, line in lines)


def test_a_simulators_mode_is_told() -> None:
    lines, _ = listen(3.0, "simulator-mode")
    assert {row.posMode for _, row in decoded(lines)} == {"S"}
    assert {row.quality for _, row in decoded(lines, "GGA")} == {8}


def test_a_silent_receiver_says_nothing_and_time_goes_on() -> None:
    lines, clock = listen(30.0, "says-nothing", opens_amid=False)
    assert lines == []
    assert clock.monotonic() == 1030.0
