"""NMEA 0183: framing, decoding and epochs, against published sentences and hand-made ones."""

from __future__ import annotations

import itertools
import random
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from typing import get_args

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from noonmark.protocols import epochs as shared
from noonmark.protocols import nmea
from noonmark.protocols.nmea import (
    Epoch,
    EpochAssembler,
    Framer,
    FramingFault,
    Malformed,
    Sentence,
    TimeOfDay,
    checksum,
    decode,
    epochs,
    sentence,
)

Event = Sentence | Malformed

# ---------------------------------------------------------------------------------------------------------
# Published sentences: as printed, and what their source says of them.


@dataclass(frozen=True)
class Published:
    wire: str
    source: str
    time: TimeOfDay | None = None
    day: date | None = None
    status: str = ""
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    altitude_m: float | None = None
    satellites: int | None = None
    hdop: float | None = None
    standing: str = "fix"
    decoded: bool = True


PISTON_2019 = "NOAA PSL public raw ship log, PISTON 2019, gps01925920_raw.txt"
ATOMIC_2020 = "NOAA PSL public raw ship log, ATOMIC 2020, gps02001420_raw.txt"

PUBLISHED = {
    "gga-textbook": Published(
        "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
        "the example of the public introductions to NMEA 0183; from memory",
        time=TimeOfDay(12, 35, 19, 0), latitude_deg=48.1173, longitude_deg=11.516666667,
        altitude_m=545.4, satellites=8, hdop=0.9,
    ),
    "rmc-textbook": Published(
        "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A",
        "the example of the public introductions to NMEA 0183; from memory",
        time=TimeOfDay(12, 35, 19, 0), day=date(1994, 3, 23), status="A",
        latitude_deg=48.1173, longitude_deg=11.516666667,
    ),
    "zda-negative-zone": Published(
        "$GPZDA,160012.71,11,03,2004,-1,00*7D", "gpsd source, driver_nmea0183.c, comment of processZDA",
        time=TimeOfDay(16, 0, 12, 710000), day=date(2004, 3, 11), standing="silent",
    ),
    "zda-2002": Published(
        "$GPZDA,201530.00,04,07,2002,00,00*60", "public descriptions of ZDA; from memory",
        time=TimeOfDay(20, 15, 30, 0), day=date(2002, 7, 4), standing="silent",
    ),
    "zda-manual": Published(
        "$GPZDA,035751.00,18,04,2007,00,00*6B",
        "NavCom Sapphire Technical Reference Manual Rev. J, p. 328, table 161",
        time=TimeOfDay(3, 57, 51, 0), day=date(2007, 4, 18), standing="silent",
    ),
    "gll-standard": Published(
        "$GPGLL,5057.970,N,00146.110,E,142451,A*27",
        "checksum example of the NMEA 0183 specification, as quoted in swift-nav/swiftnav-rs pull request 137",
        time=TimeOfDay(14, 24, 51, 0), status="A", latitude_deg=50.966166667, longitude_deg=1.7685,
    ),
    "vtg-standard": Published(
        "$GPVTG,089.0,T,,,15.2,N,,*7F",
        "checksum example of the NMEA 0183 specification, as quoted in swift-nav/swiftnav-rs pull request 137",
        decoded=False,
    ),
    "gga-ship-2019": Published(
        "$GPGGA,195959.00,1813.38282955,N,12606.12767097,E,2,07,1.4,17.2,M,36.5,M,4.0,0129*78", PISTON_2019,
        time=TimeOfDay(19, 59, 59, 0), latitude_deg=18.223047159, longitude_deg=126.10212785,
        altitude_m=17.2, satellites=7, hdop=1.4,
    ),
    "zda-ship-2019": Published(
        "$GPZDA,195959.00,16,09,2019,00,00*6A", PISTON_2019,
        time=TimeOfDay(19, 59, 59, 0), day=date(2019, 9, 16), standing="silent",
    ),
    "rmc-ship-2019": Published(
        "$GPRMC,195959.00,A,1813.38282955,N,12606.12767097,E,1.31,262.13,160919,3.0,W,D*21", PISTON_2019,
        time=TimeOfDay(19, 59, 59, 0), day=date(2019, 9, 16), status="A",
        latitude_deg=18.223047159, longitude_deg=126.10212785,
    ),
    "gga-ship-2020-west": Published(
        "$GPGGA,195959.00,1541.31258893,N,05130.51204125,W,2,06,1.5,9.2,M,-37.6,M,4.0,0138*7E", ATOMIC_2020,
        time=TimeOfDay(19, 59, 59, 0), latitude_deg=15.688543149, longitude_deg=-51.508534021,
        altitude_m=9.2, satellites=6, hdop=1.5,
    ),
    "zda-ship-2020": Published(
        "$GPZDA,195959.00,14,01,2020,00,00*6A", ATOMIC_2020,
        time=TimeOfDay(19, 59, 59, 0), day=date(2020, 1, 14), standing="silent",
    ),
    "rmc-ship-2020": Published(
        "$GPRMC,195959.00,A,1541.31258893,N,05130.51204125,W,0.26,147.44,140120,16.9,W,D*0B", ATOMIC_2020,
        time=TimeOfDay(19, 59, 59, 0), day=date(2020, 1, 14), status="A",
        latitude_deg=15.688543149, longitude_deg=-51.508534021,
    ),
    "rmc-ship-2020b": Published(
        "$GPRMC,060000.00,A,1353.25162451,N,05445.30213512,W,10.17,70.52,080220,16.8,W,D*05",
        "NOAA PSL public raw ship log, ATOMIC 2020, gps02003906_raw.txt",
        time=TimeOfDay(6, 0, 0, 0), day=date(2020, 2, 8), status="A",
        latitude_deg=13.887527075, longitude_deg=-54.755035585,
    ),
    "rmc-mode": Published(
        "$GPRMC,111309.00,A,5400.6000,N,00247.1000,W,00.00,302.5,140915,,,A*4C",
        "stevemarple/MicroNMEA, extras/test/nmea_sentences.txt",
        time=TimeOfDay(11, 13, 9, 0), day=date(2015, 9, 14), status="A", latitude_deg=54.01, longitude_deg=-2.785,
    ),
    "rmc-no-fix": Published(
        "$GPRMC,194812.00,V,,,,,,,290317,,,N*74", "stevemarple/MicroNMEA, extras/test/nmea_sentences.txt",
        time=TimeOfDay(19, 48, 12, 0), day=date(2017, 3, 29), status="V", standing="no-fix",
    ),
}  # fmt: skip

# Published examples whose printed checksum is wrong, and the right one (Trimble user guides of the 5700/5800 and
# SPSx50, and its help pages for ZDA; the right value by exclusive or, and by a second library).
MISPRINTED = [
    ("$GPZDA,172809,12,07,1996,00,00*45", "4E"),
    ("$GPZDA,172809.456,12,07,1996,00,00*45", "57"),
]


def byte_by_byte(framer: Framer, wire: bytes) -> list[Event]:
    return [event for byte in wire for event in framer.feed(bytes([byte]))]


@pytest.mark.parametrize("name", PUBLISHED)
class TestAPublishedSentence:
    def test_is_encoded_as_it_was_printed(self, name: str) -> None:
        wire = PUBLISHED[name].wire
        assert sentence(wire[1:-3]) == wire.encode() + b"\r\n"
        assert checksum(wire[1:-3].encode()) == wire[-2:]

    def test_is_decoded_as_its_source_says(self, name: str) -> None:
        row = PUBLISHED[name]
        (event,) = Framer().feed(row.wire.encode() + b"\r\n")
        assert isinstance(event, Sentence)
        told = decode(event)
        assert (told is not None) == row.decoded
        if told is None:
            return
        assert (told.talker, told.formatter) == (row.wire[1:3], row.wire[3:6])
        assert (told.time, told.day, told.status, told.standing) == (row.time, row.day, row.status, row.standing)
        # The printed values have nine decimals.
        assert told.latitude_deg == pytest.approx(row.latitude_deg, abs=1e-9)
        assert told.longitude_deg == pytest.approx(row.longitude_deg, abs=1e-9)
        assert (told.altitude_m, told.satellites, told.hdop) == (row.altitude_m, row.satellites, row.hdop)

    def test_is_found_byte_by_byte(self, name: str) -> None:
        wire = PUBLISHED[name].wire.encode() + b"\r\n"
        assert byte_by_byte(Framer(), wire) == Framer().feed(wire)
        assert len(Framer().feed(wire)) == 1

    @pytest.mark.parametrize("tail", [b"", b"\n", b"\r\n$GP", b"\xb5\x62\x01\x07", b"$GPVTG,1*", b"0", b"*"])
    def test_is_found_whatever_follows(self, name: str, tail: bytes) -> None:
        wire = PUBLISHED[name].wire.encode()
        assert Framer().feed(wire + tail)[:1] == Framer().feed(wire)


@pytest.mark.parametrize(("wire", "right"), MISPRINTED)
def test_a_published_sentence_with_a_misprinted_checksum_is_refused(wire: str, right: str) -> None:
    assert Framer().feed(wire.encode() + b"\r\n") == [Malformed("bad-checksum", wire.encode())]
    assert sentence(wire[1:-3])[-4:-2].decode() == right
    assert list(epochs([wire.encode() + b"\r\n"])) == []


# ---------------------------------------------------------------------------------------------------------
# Framing

BODY_CAP = nmea.MAX_SENTENCE_BYTES - 3
SHORT = b"$GPVTG,089.0,T,,,15.2,N,,*7F"  # checksum example of the standard, see above
SHORT_EVENT = Sentence(("GPVTG", "089.0", "T", "", "", "15.2", "N", "", ""))
LONGEST = b"$" + b"A" * (BODY_CAP - 1)  # 252 times 0x41: their exclusive or is 0

# what, the bytes, the events; each is run whole, byte by byte, and cut in two everywhere
FRAMING: list[tuple[str, bytes, list[Event]]] = [
    ("nothing", b"", []),
    ("noise without a sentence", b"GPVTG,089.0*7F\r\n\x00\xff*00", []),
    ("CR LF", SHORT + b"\r\n", [SHORT_EVENT]),
    ("LF alone", SHORT + b"\n", [SHORT_EVENT]),
    ("no end of line", SHORT, [SHORT_EVENT]),
    ("lower-case digits", SHORT[:-2] + b"7f\r\n", [SHORT_EVENT]),
    ("two that touch", SHORT + SHORT, [SHORT_EVENT, SHORT_EVENT]),
    ("binary that touches", b"\xb5\x62\x00" + SHORT + b"\xd3\x00\x13" + SHORT, [SHORT_EVENT, SHORT_EVENT]),
    ("the rest of a sentence first", b"2,N,,*7F\r\n" + SHORT, [SHORT_EVENT]),
    ("a `$` in binary before", b"\xd3$" + SHORT, [Malformed("cut-short", b"$"), SHORT_EVENT]),
    ("a new one inside", b"$GPVTG,08" + SHORT, [Malformed("cut-short", b"$GPVTG,08"), SHORT_EVENT]),
    ("a new one after the `*`", b"$GPVTG*" + SHORT, [Malformed("cut-short", b"$GPVTG*"), SHORT_EVENT]),
    ("a new one between the digits", b"$GPVTG*7" + SHORT, [Malformed("cut-short", b"$GPVTG*7"), SHORT_EVENT]),
    ("the end of the stream", SHORT[:-1], [Malformed("cut-short", SHORT[:-1])]),
    ("the end after a lone `$`", b"$", [Malformed("cut-short", b"$")]),
    ("a wrong checksum", SHORT[:-1] + b"E\r\n", [Malformed("bad-checksum", SHORT[:-1] + b"E")]),
    ("no checksum", b"$GPVTG,1\r\n" + SHORT, [Malformed("no-checksum", b"$GPVTG,1"), SHORT_EVENT]),
    ("half a checksum", b"$GPVTG*7\r\n" + SHORT, [Malformed("no-checksum", b"$GPVTG*7"), SHORT_EVENT]),
    ("a byte with the top bit set", b"$GPVTG,\xb0" + SHORT, [Malformed("bad-byte", b"$GPVTG,"), SHORT_EVENT]),
    ("a control byte", b"$GPVTG,\x1b[2J" + SHORT, [Malformed("bad-byte", b"$GPVTG,"), SHORT_EVENT]),
    ("no digit after the `*`", b"$GPVTG*g0" + SHORT, [Malformed("bad-byte", b"$GPVTG*"), SHORT_EVENT]),
    ("the longest", LONGEST + b"*00" + SHORT, [Sentence((LONGEST[1:].decode(),)), SHORT_EVENT]),
    ("one byte longer", LONGEST + b"A*41" + SHORT, [Malformed("too-long", LONGEST), SHORT_EVENT]),
    ("an endless one", LONGEST * 1 + b"A" * 5000 + SHORT, [Malformed("too-long", LONGEST), SHORT_EVENT]),
    ("an empty one", b"$*00", [Sentence(("",))]),
]  # fmt: skip


def framed(chunks: Sequence[bytes]) -> list[Event]:
    framer = Framer()
    return [event for chunk in chunks for event in framer.feed(chunk)] + framer.finish()


@pytest.mark.parametrize(("what", "wire", "events"), FRAMING, ids=[row[0] for row in FRAMING])
def test_framing_gives_the_same_events_wherever_the_bytes_are_cut(what: str, wire: bytes, events: list[Event]) -> None:
    assert framed([wire]) == events
    assert framed([bytes([byte]) for byte in wire]) == events
    for cut in range(0, len(wire), 1 if len(wire) < 400 else 37):
        assert framed([wire[:cut], wire[cut:]]) == events


def test_every_framing_fault_has_its_row() -> None:
    faults = {event.fault for _, _, events in FRAMING for event in events if isinstance(event, Malformed)}
    assert faults == set(get_args(FramingFault))


# Bytes that look like sentences often enough for every branch to be met.
lumps = st.lists(
    st.one_of(
        st.binary(max_size=8),
        st.sampled_from([b"$", b"*", b"\r\n", b"*7F", SHORT, SHORT[:9], b"$GPGGA,123519,", LONGEST, b"A" * 200]),
        st.sampled_from([row.wire.encode() for row in PUBLISHED.values()]),
    ),
    max_size=12,
).map(b"".join)


@given(wire=lumps, seed=st.integers(0, 2**32))
@settings(max_examples=200, deadline=None)
@example(wire=b"$GPRMC,000000,A,0000.0,N,00000.1,E,,,010100,,,A*", seed=0)
def test_cutting_anywhere_changes_neither_events_nor_epochs(wire: bytes, seed: int) -> None:
    cutter = random.Random(seed)
    cuts = sorted(cutter.randrange(len(wire) + 1) for _ in range(cutter.randrange(12)))
    chunks = [wire[a:b] for a, b in itertools.pairwise([0, *cuts, len(wire)])]
    assert framed(chunks) == framed([wire])
    assert list(epochs(chunks)) == list(epochs([wire]))


@given(wire=st.binary(max_size=600))
@settings(max_examples=200, deadline=None)
def test_arbitrary_bytes_never_raise_and_nothing_kept_exceeds_the_cap(wire: bytes) -> None:
    for event in framed([wire]):
        if isinstance(event, Malformed):
            assert len(event.raw) <= nmea.MAX_SENTENCE_BYTES
    list(epochs([wire]))


@given(position=st.integers(1, len(SHORT) - 4), new=st.integers(0, 255))
def test_one_changed_byte_is_never_taken_for_a_sentence(position: int, new: int) -> None:
    changed = SHORT[:position] + bytes([new]) + SHORT[position + 1 :]
    if new != SHORT[position]:
        assert not any(isinstance(event, Sentence) for event in framed([changed]))


printable = st.text(st.characters(min_codepoint=0x20, max_codepoint=0x7E, exclude_characters="$*"), max_size=250)


@given(body=printable)
@example(body="A" * (BODY_CAP - 1))
def test_what_is_encoded_is_framed_again(body: str) -> None:
    assert framed([sentence(body)]) == [Sentence(tuple(body.split(",")))]
    assert sentence(body) == sentence(body.encode())


@pytest.mark.parametrize("body", ["GP$", "GP*", "GP\r\n", "GP\x1b", "GPé", b"GP\xe9", b"GP\x00", "A" * BODY_CAP])
def test_a_body_that_cannot_be_framed_is_refused_in_words(body: str | bytes) -> None:
    with pytest.raises(ValueError, match="the body of a sentence"):
        sentence(body)


def test_a_sentence_is_stamped_with_the_chunk_that_held_its_dollar() -> None:
    framer = Framer()
    assert framer.feed(b"\xd3$GPV", 10.0) == []
    assert framer.feed(b"noise" + SHORT[:5], 11.0) == [Malformed("cut-short", b"$GPVnoise", 10.0)]
    assert framer.midway
    assert framer.feed(SHORT[5:-1], 12.0) == []
    first, second = framer.feed(SHORT[-1:] + b"\r\n" + SHORT, 13.0)
    assert (first.instant, second.instant) == (11.0, 13.0)
    assert not framer.midway


def test_a_makers_own_sentence_has_the_talker_p() -> None:
    (event,) = Framer().feed(sentence("PXYZ010,001"))
    assert isinstance(event, Sentence)
    assert (event.talker, event.formatter) == ("P", "XYZ010")
    # ... and is never decoded, even where its address looks like a standard one.
    (alike,) = Framer().feed(sentence("PXRMC,123519,A,4807.038,N,01131.000,E,,,230394,,"))
    assert isinstance(alike, Sentence)
    assert decode(alike) is None


# ---------------------------------------------------------------------------------------------------------
# Decoding: what must not be taken for a value


def told(body: str) -> nmea.Decoded:
    (event,) = Framer().feed(sentence(body))
    assert isinstance(event, Sentence)
    decoded = decode(event)
    assert decoded is not None
    return decoded


@pytest.mark.parametrize(
    ("latitude", "longitude", "fault"),
    [
        ("3151.426,S", "14136.204,E", ""),
        ("3151.,S", "14136,E", ""),
        ("9000.0000,S", "18000.0000,W", ""),
        ("0000.0001,N", "00000.0000,E", ""),
        ("0000.0000,N", "00000.0000,E", "zero"),
        ("0000.0000,S", "00000.0000,W", "zero"),
        (",", ",", "blank"),
        ("3151.426,", "14136.204,E", "blank"),
        ("3151.426,S", ",E", "blank"),
        ("8960.000000,N", "00000.000000,E", "malformed"),  # 60 minutes, as a real receiver without a fix writes
        ("36000.0000,N", "72000.0000,E", "malformed"),  # as another does
        ("9000.0001,N", "14136.204,E", "malformed"),
        ("3151.426,S", "18000.0001,E", "malformed"),
        ("3151.426,E", "14136.204,S", "malformed"),
        ("3151.426,NS", "14136.204,E", "malformed"),
        ("3151.426,s", "14136.204,E", "malformed"),
        ("-3151.426,N", "14136.204,E", "malformed"),
        ("31.857,S", "141.6034,E", "malformed"),
        ("3151.4e1,S", "14136.204,E", "malformed"),
        (" 3151.4,S", "14136.204,E", "malformed"),
        ("nan,S", "inf,E", "malformed"),
    ],
)
def test_a_position_is_a_place_on_earth_or_none(latitude: str, longitude: str, fault: str) -> None:
    for body in (
        f"GNRMC,140500.00,A,{latitude},{longitude},0.04,,241126,,,A,V",
        f"GNGGA,140500.00,{latitude},{longitude},1,12,0.54,212.1,M,-3.5,M,,",
        f"GNGNS,140500.00,{latitude},{longitude},AAN,12,0.54,212.1,-3.5,,",
        f"GNGLL,{latitude},{longitude},140500.00,A,A",
    ):
        decoded = told(body)
        assert decoded.position_fault == fault
        assert (decoded.latitude_deg is None) == (decoded.longitude_deg is None) == bool(fault)


def test_signs_are_north_and_east_positive() -> None:
    # Saltbush Ridge: 31.8571 S is 31 deg 51.426 min, 141.6034 E is 141 deg 36.204 min.
    south_east = told("GNRMC,140500.00,A,3151.426,S,14136.204,E,0.04,,241126,,,A")
    assert south_east.latitude_deg == pytest.approx(-31.8571, abs=1e-12)
    assert south_east.longitude_deg == pytest.approx(141.6034, abs=1e-12)
    north_west = told("GNRMC,140500.00,A,3151.426,N,14136.204,W,0.04,,241126,,,A")
    assert north_west.latitude_deg == pytest.approx(31.8571, abs=1e-12)
    assert north_west.longitude_deg == pytest.approx(-141.6034, abs=1e-12)


@pytest.mark.parametrize(
    ("text", "time", "fault"),
    [
        ("140500", TimeOfDay(14, 5, 0, 0), ""),
        ("140500.", TimeOfDay(14, 5, 0, 0), ""),
        ("235959.9999999", TimeOfDay(23, 59, 59, 999999), ""),  # never rounded up to another second
        ("000000.05", TimeOfDay(0, 0, 0, 50000), ""),
        ("235960.00", TimeOfDay(23, 59, 60, 0), ""),
        ("", None, "blank"),
        ("240000", None, "malformed"),
        ("146000", None, "malformed"),
        ("140561", None, "malformed"),
        ("40500", None, "malformed"),
        ("14:05:00", None, "malformed"),
        ("-40500", None, "malformed"),
        ("140500,", TimeOfDay(14, 5, 0, 0), ""),
    ],
)
def test_a_time_of_day_is_read_or_its_fault_told(text: str, time: TimeOfDay | None, fault: str) -> None:
    decoded = told(f"GNZDA,{text},24,11,2026,00,00")
    assert (decoded.time, decoded.time_fault) == (time, fault)


@pytest.mark.parametrize(
    ("text", "day"),
    [
        ("010100", date(2000, 1, 1)),
        ("241126", date(2026, 11, 24)),
        ("311279", date(2079, 12, 31)),
        ("010180", date(1980, 1, 1)),  # 80 to 99 are 19yy
        ("220899", date(1999, 8, 22)),
        ("290224", date(2024, 2, 29)),
        ("290223", None),
        ("2208-1", None),  # as a real receiver wrote after a week rollover
        ("000000", None),
        ("311126", None),
        ("24112026", None),
        ("", None),
    ],
)
def test_a_two_digit_year_from_80_is_19yy_and_no_impossible_date_is_read(text: str, day: date | None) -> None:
    decoded = told(f"GNRMC,140500.00,A,3151.426,S,14136.204,E,0.04,,{text},,,A")
    assert decoded.day == day
    assert decoded.date_fault == ("" if day else "malformed" if text else "blank")


@pytest.mark.parametrize(
    ("fields", "day", "fault"),
    [
        ("24,11,2026", date(2026, 11, 24), ""),
        ("29,02,2000", date(2000, 2, 29), ""),
        (",,", None, "blank"),
        ("24,11,26", None, "malformed"),
        ("24,,2026", None, "malformed"),
        ("11,24,2026", None, "malformed"),
        ("24,11,0000", None, "malformed"),
    ],
)
def test_zda_tells_a_calendar_date_or_its_fault(fields: str, day: date | None, fault: str) -> None:
    decoded = told(f"GNZDA,140500.00,{fields},00,00")
    assert (decoded.day, decoded.date_fault) == (day, fault)


@pytest.mark.parametrize("zone", ["00,00", "-1,00", "09,30", "13,99", ",", "xx,yy"])
def test_zda_zone_changes_nothing(zone: str) -> None:
    assert told(f"GNZDA,140500.00,24,11,2026,{zone}") == told("GNZDA,140500.00,24,11,2026,00,00")


@pytest.mark.parametrize(
    ("text", "metres"),
    [
        ("212.1,M", 212.1),
        ("-28.,M", -28.0),
        ("-.5,M", -0.5),
        ("212.1,f", None),
        ("1e3,M", None),
        ("nan,M", None),
        (",M", None),
        ("1_0,M", None),
    ],
)
def test_an_altitude_is_a_plain_number_of_metres(text: str, metres: float | None) -> None:
    assert told(f"GNGGA,140500.00,3151.426,S,14136.204,E,1,12,0.54,{text},-3.5,M,,").altitude_m == metres


# ---------------------------------------------------------------------------------------------------------
# Epochs

PLACE = "3151.426,S,14136.204,E"  # Saltbush Ridge
UTC_T = datetime(2026, 11, 24, 14, 5, 0, tzinfo=UTC)


def rmc(time: str = "140500.00", status: str = "A", day: str = "241126", mode: str = ",A,V", place: str = PLACE,
        talker: str = "GN") -> str:  # fmt: skip
    return f"{talker}RMC,{time},{status},{place},0.04,,{day},,{mode}"


def gga(time: str = "140500.00", quality: str = "1", hdop: str = "0.54", place: str = PLACE, talker: str = "GN") -> str:
    return f"{talker}GGA,{time},{place},{quality},12,{hdop},212.1,M,-3.5,M,,"


def zda(time: str = "140500.00", day: str = "24,11,2026", talker: str = "GN") -> str:
    return f"{talker}ZDA,{time},{day},00,00"


def gll(time: str = "140500.00", status: str = "A", mode: str = "A") -> str:
    return f"GNGLL,{PLACE},{time},{status},{mode}"


def gns(modes: str) -> str:
    return f"GNGNS,140500.00,{PLACE},{modes},12,0.54,212.1,-3.5,,"


def read(*bodies: str) -> list[Epoch]:
    return list(epochs([b"".join(sentence(body) for body in bodies)]))


# The sentences of one instant; whether it is valid; why it is not usable ("" if it is). One epoch each.
ONE_EPOCH: list[tuple[str, list[str], bool, str]] = [
    ("RMC alone", [rmc()], True, ""),
    ("RMC before edition 2.3, without a mode", [rmc(mode="")], True, ""),
    ("RMC, differential", [rmc(mode=",D,V")], True, ""),
    ("RMC whose navigational status says safe, not simulated", [rmc(mode=",A,S")], True, ""),
    ("RMC whose navigational status says caution", [rmc(mode=",A,C")], True, ""),
    ("RMC that a mode indicator calls simulated", [rmc(mode=",S,V")], True, "simulated"),
    ("RMC simulated, and void besides", [rmc(status="V", mode=",S,V")], False, "simulated"),
    ("RMC set by hand", [rmc(mode=",M,V")], True, "manual"),
    ("RMC estimated", [rmc(mode=",E,V")], True, "estimated"),
    ("RMC with status A and a mode that says no fix", [rmc(mode=",N,V")], True, "no-fix"),
    ("RMC with a mode that the standard has not", [rmc(mode=",X,V")], True, "no-fix"),
    ("RMC void, date and place plausible", [rmc(status="V")], False, "no-fix"),
    ("RMC with a blank status", [rmc(status="")], False, "no-fix"),
    ("RMC void beside ZDA", [rmc(status="V", mode=",N,V"), zda(), gga(quality="0"), gll(status="V", mode="N")],
     False, "no-fix"),
    ("ZDA alone", [zda()], False, "no-fix"),
    ("GLL vouches for nothing", [gll(), zda()], False, "no-fix"),
    ("GNS vouches for nothing", [gns("AAN"), zda()], False, "no-fix"),
    ("GGA with ZDA", [gga(), zda()], False, ""),
    *[(f"GGA quality {q} with ZDA", [gga(quality=q), zda()], False, "") for q in "2345"],
    ("GGA quality 0 with ZDA", [gga(quality="0"), zda()], False, "no-fix"),
    ("GGA with a blank quality and ZDA", [gga(quality=""), zda()], False, "no-fix"),
    ("GGA quality 6 with ZDA", [gga(quality="6"), zda()], False, "estimated"),
    ("GGA quality 7 with ZDA", [gga(quality="7"), zda()], False, "manual"),
    ("GGA quality 8 with ZDA", [gga(quality="8"), zda()], False, "simulated"),
    ("GGA quality 9 with ZDA", [gga(quality="9"), zda()], False, "no-fix"),
    ("GGA simulated spoils a good RMC", [rmc(mode=""), gga(quality="8")], True, "simulated"),
    ("GLL simulated spoils a good RMC", [rmc(), gll(mode="S")], True, "simulated"),
    ("GNS simulated in one system spoils a good RMC", [rmc(), gns("ASN")], True, "simulated"),
    ("GNS by hand in one system spoils a good RMC", [rmc(), gns("AM")], True, "manual"),
    ("GNS estimated in one system and measured in another", [rmc(), gns("EA")], True, ""),
    ("GNS estimated", [rmc(), gns("EN")], True, "estimated"),
    ("GNS with no mode at all", [rmc(), gns("")], True, ""),
    ("GGA without a date", [gga()], False, "no-date"),
    ("RMC without a date", [rmc(day="")], False, "no-date"),
    ("RMC without a date beside ZDA", [rmc(day=""), zda()], False, ""),
    ("RMC with a malformed date", [rmc(day="2411-1")], False, "date-malformed"),
    ("RMC with a malformed date beside ZDA", [rmc(day="2411-1"), zda()], False, "date-malformed"),
    ("RMC and ZDA of different dates", [rmc(), zda(day="25,11,2026")], True, "dates-disagree"),
    ("two RMC of different dates", [rmc(), rmc(day="251126", talker="GP")], True, "dates-disagree"),
    ("RMC without a position", [rmc(place=",,,")], False, "no-position"),
    ("RMC at 0,0", [rmc(place="0000.0,N,00000.0,E")], False, "zero-position"),
    ("GGA at 0,0", [gga(place="0000.0,N,00000.0,E"), zda()], False, "zero-position"),
    ("RMC at an impossible place", [rmc(place="8960.0,N,00000.0,E")], False, "position-malformed"),
    ("second 60", [rmc(time="235960.00")], False, "second-60"),
    ("second 60 at another hour", [gga(time="120060"), zda(time="120060.00")], False, "second-60"),
    ("no time", [rmc(time="")], False, "no-time"),
    ("all blank", ["GPRMC,,V,,,,,,,,,,N", "GPGGA,,,,,,0,,,,M,,M,,", "GPGLL,,,,,,V,N"], False, "no-time"),
    ("an impossible time", [rmc(time="250000.00")], False, "time-malformed"),
    ("RMC active and GGA without fix", [rmc(), gga(quality="0")], True, "contradictory"),
    ("RMC void and GGA with fix", [rmc(status="V"), gga(), zda()], False, "contradictory"),
    ("RMC void by one talker, active by all", [rmc(status="V", talker="GP"), rmc()], True, ""),
    ("no fix by GPS, one by GLONASS", [rmc(status="V", talker="GP"), gga(talker="GL"), zda(talker="GP")], False, ""),
    ("a GGA that GPS alone has no fix for", [rmc(), gga(quality="0", talker="GP")], True, ""),
    ("a GGA for all systems that has no fix", [rmc(talker="GP"), gga(quality="0")], True, "contradictory"),
    ("two RMC, one without a position", [rmc(talker="GP", place=",,,"), rmc(talker="GL")], True, ""),
    ("every kind at once", [gga(), gll(), rmc(), zda(), gns("AAN")], True, ""),
]  # fmt: skip


@pytest.mark.parametrize(("what", "bodies", "valid", "slug"), ONE_EPOCH, ids=[row[0] for row in ONE_EPOCH])
def test_an_epoch_is_valid_and_usable_only_on_these_words(what: str, bodies: list[str], valid: bool, slug: str) -> None:
    (epoch,) = read(*bodies)
    assert (epoch.valid, epoch.usable, epoch.why_code) == (valid, not slug, slug)
    assert (epoch.why_not == "") == epoch.usable
    assert epoch.why_not == (f"{slug}: {shared.WHY_NOT[slug]}" if slug else "")
    assert epoch.simulated == (slug == "simulated")
    if epoch.usable or epoch.valid:
        assert epoch.utc == UTC_T
        assert epoch.latitude_deg == pytest.approx(-31.8571, abs=1e-12)
        assert epoch.longitude_deg == pytest.approx(141.6034, abs=1e-12)


@pytest.mark.parametrize(("what", "bodies", "valid", "slug"), ONE_EPOCH, ids=[row[0] for row in ONE_EPOCH])
def test_the_order_of_an_instants_sentences_does_not_matter(
    what: str, bodies: list[str], valid: bool, slug: str
) -> None:
    (epoch,) = read(*bodies)
    for order in itertools.permutations(bodies):
        assert read(*order) == [epoch]


def test_every_reason_for_not_going_by_an_epoch_has_its_row() -> None:
    assert {slug for _, _, _, slug in ONE_EPOCH} == {"", *shared.WHY_NOT}


def test_an_epoch_has_height_dilution_and_satellites_of_its_instant_only() -> None:
    first, second = read(rmc(), gga(), rmc("140501.00"))
    assert (first.altitude_m, first.hdop, first.satellites) == (212.1, 0.54, 12)
    assert (second.altitude_m, second.hdop, second.satellites) == (None, None, None)


def test_gns_gives_the_height_where_there_is_no_gga() -> None:
    (epoch,) = read(rmc(), gns("AAN"))
    assert (epoch.altitude_m, epoch.hdop, epoch.satellites) == (212.1, 0.54, 12)


@pytest.mark.parametrize(
    ("hdop", "known"), [("0.54", 0.54), ("49.9", 49.9), ("50.0", None), ("99.99", None), ("", None), ("0.0", None)]
)
def test_a_dilution_of_50_or_more_is_unknown(hdop: str, known: float | None) -> None:
    (epoch,) = read(rmc(), gga(hdop=hdop))
    assert epoch.hdop == known
    assert epoch.usable


def test_nothing_is_told_of_a_place_without_a_fix() -> None:
    (epoch,) = read(rmc(status="V"), gga(quality="0"))
    assert (epoch.latitude_deg, epoch.longitude_deg, epoch.altitude_m) == (None, None, None)
    assert epoch.utc == UTC_T  # what the receiver's clock says, and it says itself that it is worth nothing


def test_the_talker_for_all_systems_is_preferred() -> None:
    (epoch,) = read(
        rmc(talker="GP", place="3151.000,S,14136.000,E"), rmc(), rmc(talker="GL", place="3152.000,S,14137.000,E")
    )
    assert epoch.latitude_deg == pytest.approx(-31.8571, abs=1e-12)


def test_the_position_is_the_one_that_came_with_the_date() -> None:
    for place in ("3152.000,S,14137.000,E", "0000.0,N,00000.0,E"):
        (epoch,) = read(gga(place=place), rmc())
        assert (epoch.latitude_deg, epoch.longitude_deg) == pytest.approx((-31.8571, 141.6034), abs=1e-12)


def test_a_date_is_never_borrowed_from_another_instant() -> None:
    # Midnight falls between the GGA and the RMC: the GGA of 23:59:59.9 has no date, not the next day's.
    last, first = read(gga("235959.90"), rmc("000000.00", day="251126"))
    assert (last.utc, last.why_code) == (None, "no-date")
    assert first.utc == datetime(2026, 11, 25, tzinfo=UTC)
    before, after = read(rmc("235959.90"), gga("235959.90"), rmc("000000.00", day="251126"), gga("000000.00"))
    assert (before.utc, after.utc) == (
        datetime(2026, 11, 24, 23, 59, 59, 900000, tzinfo=UTC),
        datetime(2026, 11, 25, tzinfo=UTC),
    )


def test_gga_at_2_hz_with_zda_at_1_hz_is_usable_on_the_full_second_only() -> None:
    times = [f"1405{second:02d}.{half}0" for second in range(5) for half in (0, 5)]
    bodies = [body for time in times for body in [gga(time)] + ([zda(time)] if time.endswith(".00") else [])]
    assert [epoch.why_code for epoch in read(*bodies)] == ["", "no-date"] * 5


@pytest.mark.parametrize("gga_first", [True, False])
def test_rmc_and_gga_meet_at_sub_second_rates(gga_first: bool) -> None:
    times = [f"1405{tenth // 10:02d}.{tenth % 10}00" for tenth in range(40)]
    pairs = [(gga(time), rmc(time)) if gga_first else (rmc(time), gga(time)) for time in times]
    got = read(*itertools.chain.from_iterable(pairs))
    assert [epoch.utc for epoch in got] == [UTC_T + timedelta(milliseconds=100 * n) for n in range(40)]
    assert all(epoch.usable and epoch.valid and epoch.altitude_m == 212.1 for epoch in got)


def test_sentences_of_one_instant_meet_whatever_their_decimals() -> None:
    (epoch,) = read(rmc("140500"), gga("140500.0"), zda("140500.000"))
    assert epoch.usable


def test_a_backward_step_and_an_odd_fraction_are_kept_as_they_come() -> None:
    got = read(rmc("105153.71"), rmc("105153.408"), rmc("105154.408"))
    assert [epoch.utc.microsecond for epoch in got if epoch.utc] == [710000, 408000, 408000]


def numbered(n: int) -> str:
    return f"{14 + n // 3600:02d}{n // 60 % 60:02d}{n % 60:02d}.00"


def test_an_instant_of_the_last_64_epochs_is_not_given_again_and_an_older_one_is() -> None:
    within = [rmc(numbered(n)) for n in range(64)]
    assert len(read(*within, rmc(numbered(0)))) == 64
    assert len(read(*within, rmc(numbered(64)), rmc(numbered(1)))) == 65
    again = read(*within, rmc(numbered(64)), rmc(numbered(0)))
    assert len(again) == 66
    assert again[-1].utc == again[0].utc


def test_what_is_not_given_again_is_not_remembered_anew() -> None:
    within = [rmc(numbered(n)) for n in range(64)]
    repeated = [rmc(numbered(63 - n % 2)) for n in range(100)]
    assert len(read(*within, *repeated, rmc(numbered(0)))) == 64


def test_a_late_sentence_of_an_instant_gives_no_second_epoch() -> None:
    got = read(rmc(), gga(), rmc("140501.00"), zda(), gga("140501.00"), gga("140502.00"))
    assert [epoch.utc for epoch in got] == [UTC_T, UTC_T + timedelta(seconds=1), None]


def test_an_epoch_without_a_date_does_not_hide_the_dated_one_that_follows() -> None:
    got = read(gga(), gga("140501.00"), rmc(), rmc("140501.00"))
    assert [epoch.utc for epoch in got if epoch.usable] == [UTC_T, UTC_T + timedelta(seconds=1)]


def test_one_talker_that_tells_the_same_time_with_another_date_tells_another_instant() -> None:
    got = read(rmc(day="080407"), rmc(day="241126"))
    assert [epoch.utc for epoch in got] == [datetime(2007, 4, 8, 14, 5, tzinfo=UTC), UTC_T]
    assert all(epoch.usable for epoch in got)  # which of them can be right is judged elsewhere


def test_a_receiver_with_all_fields_blank_is_not_taken_for_a_silent_one() -> None:
    blank = ["GPGGA,,,,,,0,,,,M,,M,,", "GPGLL,,,,,,V,N", "GPRMC,,V,,,,,,,,,,N"]
    got = read(rmc(), *blank * 3, rmc("140507.00"))
    assert [epoch.why_code for epoch in got] == ["", "no-time", "no-time", ""]


def test_a_blank_sentence_does_not_part_an_instant() -> None:
    (epoch,) = read(gga(), "GNRMC,,V,,,,,,,,,,N", zda())
    assert epoch.usable  # it says nothing of this instant, so it can't deny the fix either


def test_a_time_that_stands_still_is_given_once_and_never_fills_memory() -> None:
    assembler = EpochAssembler()
    wire = sentence(rmc()) + sentence(gga())
    got = [epoch for n in range(2000) for epoch in assembler.feed(wire, float(n)) + assembler.flush_older_than(n + 0.5)]
    assert [epoch.utc for epoch in got] == [UTC_T]
    assembler = EpochAssembler()
    assert [epoch for _ in range(5000) for epoch in assembler.feed(wire)] == []
    assert len(assembler._gatherer._pieces) == shared.MAX_PIECES
    assert [epoch.utc for epoch in assembler.finish()] == [UTC_T]


# ---------------------------------------------------------------------------------------------------------
# Live


def test_an_epoch_is_stamped_with_the_dollar_of_its_first_sentence() -> None:
    assembler = EpochAssembler()
    wire = sentence(gga())
    assert assembler.feed(wire[:1], 5.0) == []
    assert assembler.feed(wire[1:], 5.1) == []
    assert assembler.feed(sentence(rmc()), 5.2) == []
    (epoch,) = assembler.feed(sentence(rmc("140501.00")), 6.0)
    assert (epoch.instant, epoch.utc) == (5.0, UTC_T)
    assert [epoch.instant for epoch in assembler.finish()] == [6.0]


def test_an_epoch_is_given_out_by_silence_and_only_by_silence() -> None:
    assembler = EpochAssembler()
    assembler.feed(sentence(rmc()), 5.0)
    assembler.feed(sentence("GPVTG,089.0,T,,,15.2,N,,")[:5], 5.2)  # more of the burst is on its way
    assert assembler.flush_older_than(5.2) == []
    assembler.feed(sentence("GPVTG,089.0,T,,,15.2,N,,")[5:], 5.3)
    assert assembler.flush_older_than(5.3) == []
    assembler.feed(b"\xd3\x00 binary between the bursts is silence", 5.4)
    (epoch,) = assembler.flush_older_than(5.31)
    assert epoch.utc == UTC_T
    assert assembler.flush_older_than(9.9) == []
    assert assembler.feed(sentence(gga()) + sentence(rmc("140501.00")), 6.0) == []  # the late GGA gives nothing
    assert [epoch.utc for epoch in assembler.finish()] == [UTC_T + timedelta(seconds=1)]


def test_a_recording_is_never_flushed() -> None:
    assembler = EpochAssembler()
    assembler.feed(sentence(rmc()))
    assert assembler.flush_older_than(1e9) == []
    assert len(assembler.finish()) == 1


def test_stamps_change_nothing_else() -> None:
    wire = b"".join(
        sentence(body) for n in range(20) for body in (gga(numbered(n)), rmc(numbered(n)), zda(numbered(n)))
    )
    assembler = EpochAssembler()
    stamped = [epoch for at in range(0, len(wire), 7) for epoch in assembler.feed(wire[at : at + 7], at / 960)]
    stamped += assembler.finish()
    assert [replace(epoch, instant=None) for epoch in stamped] == list(epochs([wire]))
    instants = [epoch.instant for epoch in stamped if epoch.instant is not None]
    assert len(instants) == 20
    assert instants == sorted(instants)


def test_an_assembler_counts_what_a_person_needs_to_find_a_bad_line() -> None:
    assembler = EpochAssembler()
    wire = sentence(rmc()) + b"$GPVTG,1*00\r\n" + b"$GPV\xff" + SHORT
    assembler.feed(wire)
    assert assembler.bytes_seen == len(wire)
    assert assembler.sentences == 2
    assert assembler.malformed == {"bad-checksum": 1, "bad-byte": 1}
