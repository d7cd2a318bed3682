"""The commands and the texts of an LX-style mount, against byte vectors made by hand.

Source of every vector: common practice of the trade, from memory; no published source exists. Each format has one
table, and each row is run four ways: encoded (where we write it), decoded, decoded byte by byte, and with a tail of
something else behind it. The vectors are written out, never computed by an encoder.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable
from dataclasses import dataclass

import pytest
from hypothesis import given
from hypothesis import strategies as st

from noonmark.protocols import lx
from noonmark.protocols.dialect import Coordinates, Dialect, Longitude
from noonmark.protocols.lx_reader import TextReader
from noonmark.protocols.seams import ReplyError

TAIL = b"12:34:56#"

USUAL = Dialect(name="hand-made")
APOSTROPHE = Dialect(name="hand-made", coordinates=Coordinates(seconds_mark="'"))
DEGREE_BYTE = Dialect(name="hand-made", coordinates=Coordinates(degree_mark="0xDF"))
PLUS = Dialect(name="hand-made", longitude=Longitude(plus_sign=True))


# --- the commands -----------------------------------------------------------------------------------

SENT = [
    ("get-date", b":GC#"),
    ("get-time", b":GL#"),
    ("get-offset", b":GG#"),
    ("get-longitude", b":Gg#"),
    ("get-latitude", b":Gt#"),
    ("get-sidereal", b":GS#"),
    ("get-right-ascension", b":GR#"),
    ("get-declination", b":GD#"),
    ("get-altitude", b":GA#"),
    ("get-azimuth", b":GZ#"),
    ("get-product", b":GVP#"),
    ("get-firmware", b":GVN#"),
    ("get-slewing", b":D#"),
    ("get-status", b":GW#"),
    ("get-clock-display", b":Gc#"),
    ("toggle-precision", b":U#"),
]

SETTINGS = [
    ("date", "11/24/26", b":SC11/24/26#"),
    ("date", "24/11/2026", b":SC24/11/2026#"),
    ("time", "23:04:56", b":SL23:04:56#"),
    ("offset", "-10.5", b":SG-10.5#"),
    ("offset", "+06", b":SG+06#"),
    ("offset", "-05:45", b":SG-05:45#"),
    ("longitude", "218*24", b":Sg218*24#"),
    ("longitude", "+141*36:12", b":Sg+141*36:12#"),
    ("latitude", "-31*51", b":St-31*51#"),
    ("latitude", "+40*00:00", b":St+40*00:00#"),
    ("latitude", "-31\xdf51", b":St-31\xdf51#"),
]


@pytest.mark.parametrize(("name", "expected"), SENT)
def test_each_question_is_the_bytes_of_the_table(name: str, expected: bytes) -> None:
    assert lx.COMMANDS[name].request() == expected


@pytest.mark.parametrize(("setting", "argument", "expected"), SETTINGS)
def test_each_setting_is_the_bytes_of_the_table(setting: str, argument: str, expected: bytes) -> None:
    assert lx.SETTERS[setting].request(argument) == expected


def test_every_command_has_its_vector() -> None:
    covered = {name for name, _ in SENT} | {lx.SETTERS[name].name for name, _, _ in SETTINGS}
    assert covered == set(lx.COMMANDS)


def test_what_each_command_is_answered_by() -> None:
    """The reply column of the table: text, one flag, a flag with notices, nothing."""
    shapes = {name: lx.COMMANDS[name].shape for name in lx.COMMANDS}
    assert {name for name, shape in shapes.items() if shape == "nothing"} == {"toggle-precision"}
    assert {name for name, shape in shapes.items() if shape == "date-flag"} == {"set-date"}
    assert {name for name, shape in shapes.items() if shape == "flag"} == {
        "set-time", "set-offset", "set-longitude", "set-latitude",
    }  # fmt: skip
    assert all(shape == "text" for name, shape in shapes.items() if name.startswith("get-"))


def test_only_the_slewing_question_takes_an_empty_text() -> None:
    assert [name for name, row in lx.COMMANDS.items() if row.empty_ok] == ["get-slewing"]


# --- the formats ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Vector:
    """`wire`: the reply without its end mark; `value`: what it says, as plain tuples; `encode`: what we would write
    for it, where the text is one that we write."""

    wire: bytes
    value: tuple[object, ...]
    encode: Callable[[], str] | None = None


def _date(text: bytes) -> tuple[object, ...]:
    found = lx.parse_date(text)
    return found.first, found.second, found.year, found.year_digits


DATES = [
    Vector(b"11/24/26", (11, 24, 26, 2), lambda: lx.date_argument(dt.date(2026, 11, 24), order="mdy", year_digits=2)),
    Vector(b"24/11/26", (24, 11, 26, 2), lambda: lx.date_argument(dt.date(2026, 11, 24), order="dmy", year_digits=2)),
    Vector(b"11/24/2026", (11, 24, 2026, 4),
           lambda: lx.date_argument(dt.date(2026, 11, 24), order="mdy", year_digits=4)),
    Vector(b"01/02/2000", (1, 2, 2000, 4), lambda: lx.date_argument(dt.date(2000, 2, 1), order="dmy", year_digits=4)),
    Vector(b"01/01/00", (1, 1, 0, 2), lambda: lx.date_argument(dt.date(2000, 1, 1), order="mdy", year_digits=2)),
    Vector(b"02/29/28", (2, 29, 28, 2), lambda: lx.date_argument(dt.date(2028, 2, 29), order="mdy", year_digits=2)),
    Vector(b"12-31-99", (12, 31, 99, 2)),  # other marks are read, never written
    Vector(b"00/00/00", (0, 0, 0, 2)),  # an empty clock: a date of no calendar, but a date's shape
]  # fmt: skip


def _time(text: bytes) -> tuple[object, ...]:
    found = lx.parse_time(text)
    return found.seconds, found.resolution_s


TIMES = [
    Vector(b"00:00:00", (0.0, 1.0), lambda: lx.time_argument(0)),
    Vector(b"23:04:56", (83096.0, 1.0), lambda: lx.time_argument(83096)),
    Vector(b"23:59:59", (86399.0, 1.0), lambda: lx.time_argument(86399)),
    Vector(b"09:08:07", (32887.0, 1.0), lambda: lx.time_argument(32887)),
    Vector(b"24:00:00", (0.0, 1.0)),  # some displays show midnight so
]


def _offset(text: bytes) -> tuple[object, ...]:
    found = lx.parse_offset(text)
    return round(found.value_h, 6), round(found.resolution_h, 6)


OFFSETS = [
    Vector(b"+06", (6.0, 1.0), lambda: lx.offset_argument(6.0, form="hours")),
    Vector(b"-11", (-11.0, 1.0), lambda: lx.offset_argument(-11.0, form="hours")),
    Vector(b"-09.5", (-9.5, 0.1), lambda: lx.offset_argument(-9.5, form="tenths")),
    Vector(b"+00.0", (0.0, 0.1), lambda: lx.offset_argument(-0.0, form="tenths")),
    Vector(b"+03.5", (3.5, 0.1), lambda: lx.offset_argument(3.5, form="tenths")),
    Vector(b"-05:45", (-5.75, 0.016667), lambda: lx.offset_argument(-5.75, form="minutes")),
    Vector(b"+12:00", (12.0, 0.016667), lambda: lx.offset_argument(12.0, form="minutes")),
    Vector(b"-00:30", (-0.5, 0.016667), lambda: lx.offset_argument(-0.5, form="minutes")),
    Vector(b"-13.75", (-13.75, 0.01)),
    Vector(b"5", (5.0, 1.0)),
]


def _longitude(text: bytes) -> tuple[object, ...]:
    found = lx.parse_longitude(text)
    return round(found.value_deg, 6), round(found.resolution_deg, 7), found.signed


MINUTE, SECOND = 0.0166667, 0.0002778


def _write_longitude(
    east_deg: float, dialect: Dialect, positive: str, unsigned: bool, precision: str
) -> Callable[[], str]:
    return lambda: lx.longitude_argument(
        east_deg, dialect, positive=positive, unsigned=unsigned, precision=precision,  # type: ignore[arg-type]
    )  # fmt: skip


LONGITUDES = [
    # an EAST longitude of 141.6 written west positive over 0 to 360 is 218.4 = 218 deg 24'
    Vector(b"218*24", (218.4, MINUTE, False), _write_longitude(141.6, USUAL, "west", True, "minute")),
    Vector(b"218*24:00", (218.4, SECOND, False), _write_longitude(141.6, USUAL, "west", True, "second")),
    Vector(b"141*36:12", (141.603333, SECOND, False), _write_longitude(141.6033333, USUAL, "east", True, "second")),
    Vector(b"-141*36", (-141.6, MINUTE, True), _write_longitude(141.6, USUAL, "west", False, "minute")),
    Vector(b"+141*36", (141.6, MINUTE, True), _write_longitude(141.6, PLUS, "east", False, "minute")),
    Vector(b"141*36", (141.6, MINUTE, False), _write_longitude(141.6, USUAL, "east", False, "minute")),
    Vector(b"000*00", (0.0, MINUTE, False), _write_longitude(-0.008, USUAL, "east", True, "minute")),  # 359.992 carries
    Vector(b"000*00:30", (0.008333, SECOND, False), _write_longitude(-0.0083333, USUAL, "west", True, "second")),
    Vector(b"-000*30", (-0.5, MINUTE, True), _write_longitude(0.5, USUAL, "west", False, "minute")),
    Vector(b"180*00", (180.0, MINUTE, False), _write_longitude(-180.0, USUAL, "west", True, "minute")),
    Vector(b"218\xdf24", (218.4, MINUTE, False), _write_longitude(141.6, DEGREE_BYTE, "west", True, "minute")),
    Vector(b"218*24'00", (218.4, SECOND, False), _write_longitude(141.6, APOSTROPHE, "west", True, "second")),
    Vector(b"218*24'", (218.4, MINUTE, False)),
]


def _latitude(text: bytes) -> tuple[object, ...]:
    found = lx.parse_latitude(text)
    return round(found.value_deg, 6), round(found.resolution_deg, 7), found.signed


def _write_latitude(latitude_deg: float, dialect: Dialect, precision: str) -> Callable[[], str]:
    return lambda: lx.latitude_argument(latitude_deg, dialect, precision=precision)  # type: ignore[arg-type]


LATITUDES = [
    Vector(b"-31*51", (-31.85, MINUTE, True), _write_latitude(-31.8571, USUAL, "minute")),
    # 0.8571 deg = 51.426' = 51' 25.56"
    Vector(b"-31*51:26", (-31.857222, SECOND, True), _write_latitude(-31.8571, USUAL, "second")),
    Vector(b"+40*00", (40.0, MINUTE, True), _write_latitude(40.0, USUAL, "minute")),
    Vector(b"-00*30", (-0.5, MINUTE, True), _write_latitude(-0.5, USUAL, "minute")),
    Vector(b"-00*00:30", (-0.008333, SECOND, True), _write_latitude(-0.0083333, USUAL, "second")),
    Vector(b"+90*00", (90.0, MINUTE, True), _write_latitude(89.9999, USUAL, "minute")),
    Vector(b"-31\xdf51", (-31.85, MINUTE, True), _write_latitude(-31.85, DEGREE_BYTE, "minute")),
    Vector(b"-31*51'26", (-31.857222, SECOND, True), _write_latitude(-31.8571, APOSTROPHE, "second")),
    Vector(b"45*10", (45.166667, MINUTE, False)),
]


def _coordinate(text: bytes) -> tuple[object, ...]:
    found = lx.parse_sexagesimal(text)
    return round(found.value_deg, 6), round(found.resolution_deg, 7)


COORDINATES = [
    Vector(b"-90*00", (-90.0, MINUTE)),
    Vector(b"+12*34:56", (12.582222, SECOND)),
    Vector(b"012\xdf34'56", (12.582222, SECOND)),
    Vector(b"359*59", (359.983333, MINUTE)),
]


def _ascension(text: bytes) -> tuple[object, ...]:
    found = lx.parse_right_ascension(text)
    return found.seconds, found.resolution_s


ASCENSIONS = [
    Vector(b"05:35:17", (20117.0, 1.0)),
    Vector(b"05:35.2", (20112.0, 6.0)),  # 35.2 minutes are 35 min 12 s
    Vector(b"23:59.9", (86394.0, 6.0)),
]


def _status(text: bytes) -> tuple[object, ...]:
    return lx.parse_status(text)


STATUSES = [Vector(b"GT0", ("G", "T", "0")), Vector(b"AN2", ("A", "N", "2")), Vector(b"pth", ("P", "T", "H"))]


def _display(text: bytes) -> tuple[object, ...]:
    return (lx.parse_clock_display(text),)


DISPLAYS = [Vector(b"24", (24,)), Vector(b"12", (12,)), Vector(b"(24)", (24,))]

FORMATS: dict[str, tuple[Callable[[bytes], tuple[object, ...]], list[Vector]]] = {
    "date": (_date, DATES),
    "time": (_time, TIMES),
    "offset": (_offset, OFFSETS),
    "longitude": (_longitude, LONGITUDES),
    "latitude": (_latitude, LATITUDES),
    "coordinate": (_coordinate, COORDINATES),
    "right ascension": (_ascension, ASCENSIONS),
    "status": (_status, STATUSES),
    "clock display": (_display, DISPLAYS),
}
ROWS = [pytest.param(name, row, id=f"{name} {row.wire!r}") for name, (_, rows) in FORMATS.items() for row in rows]


@pytest.mark.parametrize(
    "row", [pytest.param(row, id=repr(row.wire)) for _, rows in FORMATS.values() for row in rows if row.encode]
)
def test_a_vector_is_encoded(row: Vector) -> None:
    assert row.encode is not None
    assert row.encode().encode("latin-1") == row.wire


@pytest.mark.parametrize(("name", "row"), ROWS)
def test_a_vector_is_decoded(name: str, row: Vector) -> None:
    assert FORMATS[name][0](row.wire) == row.value


@pytest.mark.parametrize(("name", "row"), ROWS)
def test_a_vector_is_decoded_byte_by_byte(name: str, row: Vector) -> None:
    reader = TextReader()
    for byte in row.wire + b"#":
        assert reader.state == "more"
        reader.feed(bytes((byte,)))
    assert reader.state == "done"
    assert FORMATS[name][0](reader.text) == row.value


@pytest.mark.parametrize(("name", "row"), ROWS)
def test_a_vector_is_decoded_with_a_tail(name: str, row: Vector) -> None:
    reader = TextReader()
    reader.feed(row.wire + b"#" + TAIL)
    assert reader.state == "done"
    assert FORMATS[name][0](reader.text) == row.value
    assert reader.rest == TAIL


# --- what is refused --------------------------------------------------------------------------------

REFUSED = [
    (lx.parse_date, [b"", b"13/32/26", b"13/13/26", b"1/2/26", b"11/24/226", b"11.24.26", b"11/24/26 ", b"11/24",
                     b"10:11:12"]),
    (lx.parse_time, [b"", b"25:00:00", b"12:60:00", b"12:00:60", b"12:00", b"1:00:00", b"12:00:00:00", b"24:00:01",
                     b"-1:00:00"]),
    (lx.parse_offset, [b"", b"+", b"+25", b"+05:60", b"+5:3", b"5h", b"++5", b"+05.123", b"+005"]),
    (lx.parse_longitude, [b"", b"31*51", b"361*00", b"-181*00", b"218*60", b"218*24:60", b"218:", b"2184*24",
                          b"218 24"]),
    (lx.parse_latitude, [b"", b"+91*00", b"-90*01", b"218*24", b"+31*60", b"31*5", b"+31*51:61", b"-31.85"]),
    (lx.parse_sexagesimal, [b"", b"12*60", b"12", b"12*34:60", b"1234*00"]),
    (lx.parse_right_ascension, [b"", b"24:60.0", b"05:35.", b"05:35.25", b"25:35.0"]),
    (lx.parse_status, [b"", b"GT", b"GT00", b"G T", b"1T0"]),
    (lx.parse_clock_display, [b"", b"0", b"23", b"(13)", b"12h"]),
]  # fmt: skip


@pytest.mark.parametrize(
    ("parse", "text"),
    [pytest.param(parse, text, id=f"{parse.__name__} {text!r}") for parse, texts in REFUSED for text in texts],
)
def test_a_text_that_changes_a_value_is_refused(parse: Callable[[bytes], object], text: bytes) -> None:
    with pytest.raises(ReplyError):
        parse(text)


PARSERS: list[Callable[[bytes], object]] = [parse for parse, _ in REFUSED]
LIKELY = st.text(alphabet="0123456789+-*:'./#TGN\xdf ", max_size=14).map(lambda text: text.encode("latin-1"))


@given(st.sampled_from(PARSERS), st.one_of(st.binary(max_size=80), LIKELY))
def test_arbitrary_bytes_give_a_value_or_the_one_error(parse: Callable[[bytes], object], text: bytes) -> None:
    told = "a value"
    try:
        assert parse(text) is not None
    except ReplyError as error:
        told = str(error)
    assert told.isascii()
    assert told.isprintable()


# --- dates ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "order", "expected"),
    [
        (lx.DateText(11, 24, 26, 2), "mdy", dt.date(2026, 11, 24)),
        (lx.DateText(11, 24, 26, 2), "dmy", None),  # no month 24
        (lx.DateText(3, 4, 2027, 4), "dmy", dt.date(2027, 4, 3)),
        (lx.DateText(2, 29, 26, 2), "mdy", None),  # no leap year
        (lx.DateText(2, 29, 28, 2), "mdy", dt.date(2028, 2, 29)),
        (lx.DateText(1, 1, 99, 2), "mdy", dt.date(2099, 1, 1)),
        (lx.DateText(0, 0, 0, 2), "mdy", None),
        (lx.DateText(1, 1, 0, 4), "mdy", None),
        (lx.DateText(12, 31, 9999, 4), "mdy", None),  # no clock means that, and arithmetic would leave the calendar
    ],
)
def test_a_date_is_taken_in_an_order(text: lx.DateText, order: str, expected: dt.date | None) -> None:
    assert text.in_order(order) == expected  # type: ignore[arg-type]


def test_a_two_digit_year_counts_from_its_pivot() -> None:
    assert lx.DateText(1, 1, 99, 2).in_order("mdy", pivot=1900) == dt.date(1999, 1, 1)
    assert lx.DateText(1, 1, 26, 2).in_order("mdy", pivot=1980) == dt.date(2026, 1, 1)


# --- what can't be written exactly ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value_h", "form"),
    [(5.75, "tenths"), (-5.75, "tenths"), (5.5, "hours"), (12.75, "tenths"), (0.01, "minutes"), (-3.5, "hours")],
)
def test_an_offset_that_a_form_cannot_hold_is_never_rounded(value_h: float, form: str) -> None:
    assert not lx.offset_fits(value_h, form=form)
    with pytest.raises(ValueError, match="exactly"):
        lx.offset_argument(value_h, form=form)


@pytest.mark.parametrize("seconds", [-1, 86400, 100000])
def test_a_time_outside_the_day_is_never_written(seconds: int) -> None:
    with pytest.raises(ValueError, match="86399"):
        lx.time_argument(seconds)


@given(
    st.floats(-180, 180), st.sampled_from(["west", "east"]), st.booleans(), st.sampled_from(["minute", "second"]),
    st.sampled_from([USUAL, APOSTROPHE, DEGREE_BYTE, PLUS]),
)  # fmt: skip
def test_a_written_longitude_reads_back_as_the_place(
    east_deg: float, positive: str, unsigned: bool, precision: str, dialect: Dialect
) -> None:
    """By arithmetic of its own: the east longitude from the digits, at most half of the last unit off."""
    text = _write_longitude(east_deg, dialect, positive, unsigned, precision)()
    sign = -1.0 if text.startswith("-") else 1.0
    digits = [int(part) for part in re.split("[*\xdf:']", text.lstrip("+-"))]
    value = sign * sum(part / 60**index for index, part in enumerate(digits))
    east = value if positive == "east" else -value
    half = (0.5 / 60 if precision == "minute" else 0.5 / 3600) + 1e-9
    assert abs((east - east_deg + 180.0) % 360.0 - 180.0) <= half
    assert len(digits) == (2 if precision == "minute" else 3)
    assert all(0 <= part < 60 for part in digits[1:])
    if unsigned:
        assert text[0].isdigit()
        assert 0 <= digits[0] < 360
