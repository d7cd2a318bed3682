"""The GNSS daemon's JSON stream: reports as the daemon writes them, and epochs out of them.

Lines marked SEEN were written by the daemon's release 3.22 (Debian 12), listening to a simulated receiver at the
invented Saltbush Ridge or to recordings; the others are made by hand after them.
"""

from __future__ import annotations

import itertools
import json
import random
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any, get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from noonmark.protocols import epochs as shared
from noonmark.protocols import gpsd
from noonmark.protocols.gpsd import (
    DaemonError,
    Device,
    Devices,
    Epoch,
    Malformed,
    Other,
    Report,
    ReportReader,
    Sky,
    Tpv,
    TpvAssembler,
    Version,
    Watch,
)

UTC_T = datetime(2026, 11, 24, 14, 5, 0, tzinfo=UTC)
PTY = "/dev/pts/1"

# SEEN: before and after the daemon knew the date, and with `status`.
TPV_NO_DATE_YET = (
    b'{"class":"TPV","device":"/dev/pts/1","status":2,"mode":3,"lat":-31.857100000,"lon":141.603400000,'
    b'"altHAE":208.6000,"altMSL":212.1000,"alt":212.1000,"magvar":8.4,"geoidSep":-3.500,"eph":2.565}'
)
TPV_FIX = (
    b'{"class":"TPV","device":"/dev/pts/1","status":2,"mode":3,"time":"2026-11-24T14:05:00.000Z","ept":0.005,'
    b'"lat":-31.857100000,"lon":141.603400000,"altHAE":208.6000,"altMSL":212.1000,"alt":212.1000,"magvar":8.4,'
    b'"speed":0.021,"geoidSep":-3.500,"eph":2.565}'
)
SKY_FIX = (  # SEEN, all but three of its 16 satellites taken out
    b'{"class":"SKY","device":"/dev/pts/1","xdop":0.66,"ydop":0.84,"vdop":0.83,"tdop":1.37,"hdop":0.54,"gdop":2.70,'
    b'"pdop":0.99,"nSat":16,"uSat":8,"satellites":[{"PRN":5,"el":1.0,"az":47.0,"ss":0.0,"used":false,"gnssid":0,'
    b'"svid":5},{"PRN":13,"el":22.0,"az":62.0,"ss":23.0,"used":true,"gnssid":0,"svid":13},{"PRN":16,"el":25.0,'
    b'"az":306.0,"ss":30.0,"used":true,"gnssid":0,"svid":16}]}'
)


def tpv(**fields: Any) -> Tpv:
    plain: dict[str, Any] = {
        "device": PTY, "mode": 0, "utc": None, "key": fields.get("utc"), "latitude_deg": None, "longitude_deg": None,
        "altitude_m": None, "status": None, "leapseconds": None, "slug": "",
    }  # fmt: skip
    return Tpv(**plain | fields)


FIX = tpv(mode=3, utc=UTC_T, latitude_deg=-31.8571, longitude_deg=141.6034, altitude_m=212.1, status=2)

# what, the line as the daemon writes it, the report
REPORTS: list[tuple[str, bytes, Report]] = [
    ("VERSION, SEEN", b'{"class":"VERSION","release":"3.22","rev":"3.22","proto_major":3,"proto_minor":14}',
     Version("3.22", 3, 14)),
    ("DEVICES, SEEN", b'{"class":"DEVICES","devices":[{"class":"DEVICE","path":"/dev/pts/1","activated":'
     b'"2026-11-24T23:21:39.296Z","native":0,"bps":4800,"parity":"N","stopbits":1,"cycle":1.00}]}', Devices((PTY,))),
    ("no DEVICES, SEEN", b'{"class":"DEVICES","devices":[]}', Devices(())),
    ("DEVICE that came, SEEN", b'{"class":"DEVICE","path":"/dev/pts/1","driver":"NMEA0183","activated":'
     b'"2026-11-24T23:21:39.697Z","native":0,"bps":4800,"parity":"N","stopbits":1,"cycle":1.00}', Device(PTY, True)),
    ("DEVICE that went, SEEN", b'{"class":"DEVICE","path":"/dev/pts/1","activated":0}', Device(PTY, False)),
    ("WATCH, SEEN", b'{"class":"WATCH","enable":true,"json":true,"nmea":false,"raw":0,"scaled":false,"timing":false,'
     b'"split24":false,"pps":false}', Watch(True, True)),
    ("ERROR, SEEN", b'{"class":"ERROR","message":"Unrecognized request \'?NONSENSE;\\n\'"}',
     DaemonError(r"Unrecognized request '?NONSENSE;\n'")),
    ("POLL, SEEN", b'{"class":"POLL","time":"2026-11-24T23:22:23.240Z","active":0,"tpv":[],"gst":[],"sky":[]}',
     Other("POLL")),
    ("SKY, SEEN", SKY_FIX, Sky(PTY, 0.54, 8)),
    ("SKY of older daemons, without uSat",
     b'{"class":"SKY","device":"/dev/pts/1","hdop":1.80,"satellites":[{"PRN":3,"used":false},{"PRN":6,"used":true}]}',
     Sky(PTY, 1.8, 1)),
    ("SKY without a dilution", b'{"class":"SKY","device":"/dev/pts/1","hdop":99.99}', Sky(PTY, None, None)),
    ("TPV, SEEN", TPV_FIX, FIX),
    ("TPV without a time, SEEN", TPV_NO_DATE_YET, replace(FIX, utc=None, key=None, slug="no-time")),
    ("TPV of no mode but 1, SEEN", b'{"class":"TPV","device":"/dev/pts/1","mode":1}', tpv(mode=1, slug="no-time")),
    ("TPV of mode 1 with a time, SEEN",
     b'{"class":"TPV","device":"/dev/pts/1","mode":1,"time":"2035-11-12T21:24:06.000Z","ept":0.005}',
     tpv(mode=1, utc=datetime(2035, 11, 12, 21, 24, 6, tzinfo=UTC), slug="no-fix")),
    ("TPV of mode 3 with neither time nor place, SEEN",
     b'{"class":"TPV","device":"/dev/pts/1","mode":3,"epv":43.700,"eph":41.800,"sep":55.100}',
     tpv(mode=3, slug="no-time")),
    ("TPV of mode 2, fraction of a second",
     b'{"class":"TPV","device":"/dev/pts/1","mode":2,"time":"2026-11-24T14:05:00.420Z","ept":0.005,'
     b'"lat":-31.857100000,"lon":141.603400000,"track":212.2800,"magvar":8.4,"speed":0.082}',
     replace(FIX, mode=2, utc=UTC_T.replace(microsecond=420000), key=UTC_T.replace(microsecond=420000),
             altitude_m=None, status=None)),
    ("TPV of older daemons, `alt`; leap seconds",
     b'{"class":"TPV","device":"/dev/pts/1","mode":3,"time":"2026-11-24T14:05:00Z","lat":-31.8571,"lon":141.6034,'
     b'"alt":212.1,"status":2,"leapseconds":18}', replace(FIX, leapseconds=18)),
    ("a class that isn't read", b'{"class":"TOFF"}', Other("TOFF")),
]  # fmt: skip


def read(chunks: Sequence[bytes]) -> list[Report]:
    reader = ReportReader()
    return [report for chunk in chunks for report in reader.feed(chunk)] + reader.finish()


@pytest.mark.parametrize(("what", "line", "report"), REPORTS, ids=[row[0] for row in REPORTS])
class TestALineOfTheDaemon:
    def test_is_read(self, what: str, line: bytes, report: Report) -> None:
        assert read([line + b"\r\n"]) == read([line + b"\n"]) == [report]

    def test_is_read_byte_by_byte(self, what: str, line: bytes, report: Report) -> None:
        assert read([bytes([byte]) for byte in line + b"\r\n"]) == [report]

    @pytest.mark.parametrize("tail", [b"\r\n", b'{"class"', b"\xff\n"])
    def test_is_read_whatever_follows(self, what: str, line: bytes, report: Report, tail: bytes) -> None:
        assert read([line + b"\r\n" + tail])[0] == report

    def test_is_no_report_when_cut_short(self, what: str, line: bytes, report: Report) -> None:
        assert read([line]) == [Malformed("cut-short", line[:256])]
        (event,) = read([line[:-1] + b"\n"])
        assert isinstance(event, Malformed)


def test_every_class_of_report_has_its_row() -> None:
    assert {type(report) for _, _, report in REPORTS} == set(get_args(Report)) - {Malformed}


def test_the_daemon_is_asked_in_the_words_it_answered_to() -> None:
    # SEEN: answered by VERSION, DEVICES and a WATCH that says enable and json.
    assert gpsd.watch_command() == b'?WATCH={"enable":true,"json":true};\n'


# ---------------------------------------------------------------------------------------------------------
# Lines that are none

FULL = b'{"class":"TOFF"' + b" " * (gpsd.MAX_LINE_BYTES - 16) + b"}"

BROKEN: list[tuple[str, bytes, list[Report]]] = [
    ("nothing", b"", []),
    ("blank lines", b"\r\n\n \r\n", []),
    ("no JSON", b"hello\n", [Malformed("not-json", b"hello")]),
    ("a sentence between", b'$GPZDA,1*00\n{"class":"TOFF"}\n', [Malformed("not-json", b"$GPZDA,1*00"), Other("TOFF")]),
    ("a list", b"[]\n", [Malformed("not-json", b"[]")]),
    ("not UTF-8", b'{"class":"T\xffV"}\n', [Malformed("not-json", b'{"class":"T\xffV"}')]),
    ("NUL bytes, as UTF-16 has", b'{\x00}\x00\n', [Malformed("not-json", b"{\x00}\x00")]),
    ("no class", b"{}\n", [Malformed("no-class", b"{}")]),
    ("a class that is a number", b'{"class":1}\n', [Malformed("no-class", b'{"class":1}')]),
    ("nested beyond reason", b"[" * 20000 + b"\n", [Malformed("not-json", b"[" * 256)]),
    ("a number beyond reason", b"1" * 20000 + b"\n", [Malformed("not-json", b"1" * 256)]),
    ("the longest line", FULL + b"\n", [Other("TOFF")]),
    ("one byte longer", FULL + b" \n" + b'{"class":"TOFF"}\n', [Malformed("too-long", FULL[:256]), Other("TOFF")]),
    ("an endless line", b"a" * 200_000 + b'\n{"class":"TOFF"}\n', [Malformed("too-long", b"a" * 256), Other("TOFF")]),
    ("an endless line without an end", b"a" * 200_000, [Malformed("too-long", b"a" * 256)]),
    ("the end within a line", b'{"class"', [Malformed("cut-short", b'{"class"')]),
]  # fmt: skip


@pytest.mark.parametrize(("what", "wire", "reports"), BROKEN, ids=[row[0] for row in BROKEN])
def test_what_is_no_report_is_told_apart_wherever_it_is_cut(what: str, wire: bytes, reports: list[Report]) -> None:
    assert read([wire]) == reports
    step = 1 if len(wire) < 1000 else 4001
    assert read([wire[at : at + step] for at in range(0, len(wire), step)]) == reports


def test_every_fault_of_a_line_has_its_row() -> None:
    faults = {report.fault for _, _, reports in BROKEN for report in reports if isinstance(report, Malformed)}
    assert faults == set(get_args(gpsd.LineFault))


def test_no_more_than_the_cap_is_held() -> None:
    reader = ReportReader()
    for _ in range(100):
        reader.feed(b"a" * 4096)
        assert len(reader._held) <= gpsd.MAX_LINE_BYTES


numbers = st.one_of(st.integers(), st.floats(), st.just(10**400), st.booleans(), st.none(), st.text(max_size=3))
objects = st.fixed_dictionaries(
    {"class": st.sampled_from(["TPV", "SKY", "DEVICES", "DEVICE", "WATCH", "VERSION", "ERROR", "X"])},
    optional={
        "mode": numbers, "lat": numbers, "lon": numbers, "altMSL": numbers, "alt": numbers, "status": numbers,
        "leapseconds": numbers, "hdop": numbers, "uSat": numbers, "proto_major": numbers, "activated": numbers,
        "device": numbers, "path": numbers, "message": numbers, "enable": numbers,
        "time": st.one_of(numbers, st.sampled_from(["2026-11-24T14:05:00.5Z", "2026-13-24T14:05:00Z", "0000-00-00T"])),
        "satellites": st.lists(st.one_of(numbers, st.fixed_dictionaries({"used": numbers})), max_size=3),
        "devices": st.lists(st.one_of(numbers, st.fixed_dictionaries({"path": numbers})), max_size=3),
    },
)  # fmt: skip
lines = st.one_of(
    st.binary(max_size=30),
    objects.map(lambda fields: json.dumps(fields).encode() + b"\r\n"),
    st.sampled_from([TPV_FIX + b"\r\n", SKY_FIX + b"\n", TPV_FIX[:40], b"\n"]),
)


@given(wire=st.lists(lines, max_size=8).map(b"".join), seed=st.integers(0, 2**32))
@settings(max_examples=200, deadline=None)
def test_cutting_anywhere_changes_neither_reports_nor_epochs_and_nothing_raises(wire: bytes, seed: int) -> None:
    cutter = random.Random(seed)
    cuts = sorted(cutter.randrange(len(wire) + 1) for _ in range(cutter.randrange(12)))
    chunks = [wire[a:b] for a, b in itertools.pairwise([0, *cuts, len(wire)])]
    assert read(chunks) == read([wire])
    assert gathered(*chunks) == gathered(wire)


def test_text_from_the_wire_is_escaped_and_cut() -> None:
    (report,) = read([json.dumps({"class": "ERROR", "message": "\x1b[2J\x07\ud800é" + "x" * 500}).encode() + b"\n"])
    assert report == DaemonError(r"\x1b[2J\x07\ud800\xe9" + "x" * 193)
    (other,) = read([b'{"class":"\\u001b[31m"}\n'])
    assert other == Other(r"\x1b[31m")


# ---------------------------------------------------------------------------------------------------------
# What a TPV may be gone by


def line(**fields: Any) -> bytes:
    """A TPV as `TPV_FIX`, with other fields; None omits one."""
    merged = {**json.loads(TPV_FIX), **fields}
    return json.dumps({key: value for key, value in merged.items() if value is not None}).encode() + b"\r\n"


def at(second: float, **fields: Any) -> bytes:
    return line(time=(UTC_T + timedelta(seconds=second)).isoformat().replace("+00:00", "Z"), **fields)


WORTH: list[tuple[str, dict[str, Any], str]] = [
    ("a fix", {}, ""),
    ("no status", {"status": None}, ""),
    ("a fix without height", {"mode": 2, "altMSL": None, "alt": None}, ""),
    *[(f"status {status}", {"status": status}, "") for status in (0, 1, 2, 3, 4, 6, 9)],
    ("status 5, SEEN for an estimated position", {"status": 5}, "estimated"),
    ("status 7, SEEN for a position by hand", {"status": 7}, "manual"),
    ("status 8, SEEN for a simulator", {"status": 8}, "simulated"),
    ("a simulator without fix", {"status": 8, "mode": 1}, "simulated"),
    ("no time", {"time": None}, "no-time"),
    ("mode 1 with time and place", {"mode": 1}, "no-fix"),
    ("mode 0", {"mode": 0}, "no-fix"),
    ("no mode", {"mode": None}, "no-fix"),
    ("a mode that is none", {"mode": 4}, "no-fix"),
    ("a mode that is a text", {"mode": "3"}, "no-fix"),
    ("a mode that is a truth", {"mode": True}, "no-fix"),
    ("no latitude", {"lat": None}, "no-position"),
    ("no longitude", {"lon": None}, "no-position"),
    ("a latitude that is no number", {"lat": float("nan")}, "no-position"),
    ("an infinite longitude", {"lon": float("inf")}, "no-position"),
    ("a latitude that is a text", {"lat": "-31.8571"}, "no-position"),
    ("a latitude that is a truth", {"lat": True}, "no-position"),
    ("0,0", {"lat": 0.0, "lon": 0}, "zero-position"),
    ("a latitude beyond the pole", {"lat": -90.001}, "position-malformed"),
    ("a longitude beyond the half circle", {"lon": 180.5}, "position-malformed"),
    ("second 60", {"time": "2016-12-31T23:59:60.000Z"}, "second-60"),
    ("a time by the old seconds since 1970", {"time": 1795529100.0}, "time-malformed"),
    ("a month 13", {"time": "2026-13-24T14:05:00.000Z"}, "time-malformed"),
    ("local time", {"time": "2026-11-24T14:05:00.000+10:30"}, "time-malformed"),
    ("digits of another script", {"time": "2026-11-24T14:05:00.٥Z"}, "time-malformed"),
]


@pytest.mark.parametrize(("what", "fields", "slug"), WORTH, ids=[row[0] for row in WORTH])
def test_a_tpv_is_usable_only_with_time_place_and_an_honest_fix(what: str, fields: dict[str, Any], slug: str) -> None:
    (report,) = read([line(**fields)])
    assert isinstance(report, Tpv)
    assert (report.usable, report.why_not) == (not slug, f"{slug}: {shared.WHY_NOT[slug]}" if slug else "")
    (epoch,) = gathered(line(**fields))
    assert (epoch.usable, epoch.why_code, epoch.simulated) == (not slug, slug, slug == "simulated")
    assert epoch.why_not == report.why_not
    assert epoch.valid == (slug in ("", "estimated", "manual") or fields == {"status": 8})
    if epoch.usable:
        assert (epoch.utc, epoch.latitude_deg, epoch.longitude_deg) == (UTC_T, -31.8571, 141.6034)


@pytest.mark.parametrize(
    ("altMSL", "alt", "altitude_m"), [(212.1, 208.6, 212.1), (None, 212.1, 212.1), (0.0, 5.0, 0.0)]
)
def test_the_altitude_is_above_mean_sea_level(altMSL: float | None, alt: float, altitude_m: float) -> None:  # noqa: N803
    (epoch,) = gathered(line(altMSL=altMSL, alt=alt, altHAE=999.0))
    assert epoch.altitude_m == altitude_m


# ---------------------------------------------------------------------------------------------------------
# Epochs


def gathered(*chunks: bytes) -> list[Epoch]:
    assembler = TpvAssembler()
    return [epoch for chunk in chunks for epoch in assembler.feed(chunk)] + assembler.finish()


def test_several_reports_of_one_instant_are_one_epoch() -> None:
    # SEEN in this order: the place before the date was known; then each instant once per sentence.
    got = gathered(
        TPV_NO_DATE_YET + b"\r\n", line(mode=2, altMSL=None, alt=None), line(), SKY_FIX + b"\r\n", line(), at(1)
    )
    assert [epoch.why_code for epoch in got] == ["no-time", "", ""]
    assert got[1] == Epoch(UTC_T, -31.8571, 141.6034, 212.1, 0.54, 8, True, True, "", None, False)
    assert got[2].utc == UTC_T + timedelta(seconds=1)


def test_the_best_fix_of_an_instant_is_taken_and_the_later_of_equals() -> None:
    (epoch,) = gathered(line(mode=1), line(lat=-31.0), line(lat=-31.5), line(mode=2, lat=-32.0), line(mode=1, lat=None))
    assert (epoch.usable, epoch.latitude_deg) == (True, -31.5)


def test_one_simulated_report_spoils_its_instant() -> None:
    for order in itertools.permutations([line(status=8), line(), line(mode=1)]):
        (epoch,) = gathered(*order)
        assert (epoch.usable, epoch.why_code, epoch.simulated) == (False, "simulated", True)


def test_a_report_without_time_does_not_part_an_instant_but_two_do() -> None:
    timeless = line(time=None, mode=1)
    assert [epoch.why_code for epoch in gathered(line(mode=1), timeless, line())] == [""]
    assert [epoch.why_code for epoch in gathered(line(), timeless, timeless, at(1))] == ["", "no-time", ""]


def test_an_instant_of_the_last_64_epochs_is_not_given_again() -> None:
    within = [at(second) for second in range(64)]
    assert len(gathered(*within, at(0))) == 64
    assert len(gathered(*within, at(64), at(0))) == 66


def test_two_receivers_that_tell_the_same_instants_are_one_voice_and_who_disagrees_is_seen() -> None:
    other = {"device": "/dev/pts/2"}
    agreeing = [report for second in range(5) for report in (at(second), at(second, **other))]
    assert [epoch.utc for epoch in gathered(*agreeing)] == [UTC_T + timedelta(seconds=n) for n in range(5)]
    a_week_count_off = timedelta(days=7168).total_seconds()
    split = [report for second in range(3) for report in (at(second), at(second - a_week_count_off, **other))]
    assert [epoch.utc.year for epoch in gathered(*split) if epoch.utc] == [2026, 2007] * 3


def test_dilution_and_satellites_are_those_of_the_device_that_has_the_fix() -> None:
    elsewhere = SKY_FIX.replace(b"pts/1", b"pts/2").replace(b'"hdop":0.54', b'"hdop":9.9')
    (epoch,) = gathered(elsewhere + b"\n", SKY_FIX + b"\n", elsewhere + b"\n", line())
    assert (epoch.hdop, epoch.satellites) == (0.54, 8)
    (without,) = gathered(elsewhere + b"\n", line())
    assert (without.hdop, without.satellites) == (None, None)


def test_the_receivers_remembered_have_a_cap() -> None:
    assembler = TpvAssembler()
    for n in range(1000):
        assembler.feed(SKY_FIX.replace(b"pts/1", b"pts/%d" % n) + b"\n")
    assert len(assembler._skies) == gpsd.MAX_DEVICES


def test_an_epoch_is_stamped_with_the_first_byte_of_its_first_report() -> None:
    assembler = TpvAssembler()
    wire = line()
    assert assembler.feed(SKY_FIX + b"\r\n" + wire[:1], 5.0) == []
    assert assembler.feed(wire[1:] + line(), 5.5) == []
    (epoch,) = assembler.feed(at(1), 6.0)
    assert epoch.instant == 5.0
    assert [epoch.instant for epoch in assembler.finish()] == [6.0]


def test_an_epoch_is_given_out_by_silence_and_only_by_silence() -> None:
    assembler = TpvAssembler()
    assert assembler.flush_older_than(99.0) == []
    assembler.feed(line(), 5.0)
    assembler.feed(SKY_FIX[:10], 5.1)
    assert assembler.flush_older_than(5.1) == []
    assert [epoch.utc for epoch in assembler.flush_older_than(5.2)] == [UTC_T]
    assert assembler.flush_older_than(9.0) == []
    assert assembler.feed(SKY_FIX[10:] + b"\n" + line() + at(1), 6.0) == []
    recording = TpvAssembler()
    recording.feed(line())
    assert recording.flush_older_than(99.0) == []


def test_what_the_daemon_says_of_itself_is_kept_for_people() -> None:
    assembler = TpvAssembler()
    assembler.feed(
        b'{"class":"VERSION","release":"3.22","proto_major":3,"proto_minor":14}\r\n{"class":"DEVICES","devices":'
        b'[{"path":"/dev/pts/1"}]}\r\n{"class":"ERROR","message":"No such device as x"}\r\nnonsense\r\n'
    )
    assert assembler.version == Version("3.22", 3, 14)
    assert assembler.devices == (PTY,)
    assert assembler.error == DaemonError("No such device as x")
    assert assembler.malformed == {"not-json": 1}
