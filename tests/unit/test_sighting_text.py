"""Positions as the trade writes them: read right, or refused with the remedy."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from noonmark.driver.config import ConfigError
from noonmark.driver.reasons.celestial_text import CoordinateError, angle_deg, parse_position
from noonmark.driver.reasons.sighting_table import table

# 5 h 35 m 17.3 s are 5.588139 h; 83 deg 49 min 19.5 s; -5 deg 23 min 28 s are -5.391111 deg (by hand)
RA_H, DEC_DEG = 5.0 + 35.0 / 60.0 + 17.3 / 3600.0, -(5.0 + 23.0 / 60.0 + 28.0 / 3600.0)


@pytest.mark.parametrize(
    "text",
    [
        "05:35:17.3 -05:23:28",
        "05 35 17.3 -05 23 28",
        "5h35m17.3s -5d23m28s",
        "5h 35m 17.3s, -5d 23m 28s",
        "05:35:17.3,-05:23:28",
        "05:35:17.3-05:23:28",
        "83d49m19.5s -5:23:28",
        "83\u00b049'19.5\" \u22125\u00b023'28\"",
        "83.822083d -5.391111",
        "83.822083 -5.391111",
        "5.588139h -5.391111d",
        "  05:35:17.3   -05:23:28 ",
        "5H35M17.3S -5D23M28S",
        "5 h 35 m 17.3 s  -5 d 23 m 28 s",
        "5 h 35 m 17.3 s, -5 \u00b0 23 ' 28 \"",
    ],
)
def test_one_position_in_every_manner(text: str) -> None:
    ra_h, dec_deg = parse_position(text)
    assert ra_h == pytest.approx(RA_H, abs=1e-6)
    assert dec_deg == pytest.approx(DEC_DEG, abs=1e-6)


def test_a_declination_just_south_of_the_equator_keeps_its_sign() -> None:
    assert parse_position("1:00:00 -00:30:00")[1] == -0.5
    assert parse_position("01 00 00 -00 00 36")[1] == pytest.approx(-0.01)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("5.588 -5.391", "write 5.588h or 5.588d"),  # hours or degrees: never guessed
        ("10 20", "could be hours or degrees"),
        ("83:49:19 -5:23:28", "for degrees write a d"),
        ("361d -5", "360 d or more"),
        ("-1:00:00 +5", "is negative"),
        ("05:35:17 -95", "at most 90"),
        ("05:75:00 +5", "below 60"),
        ("05:35:60 +5", "below 60"),
        ("05:35.5:17 +5", "below 60, and only the last may have decimals"),
        ("05:35:17", "expected right ascension and declination"),
        ("05:35:17 5h", "is in hours"),
        ("Vega", "expected right ascension and declination"),
        ("", "expected right ascension and declination"),
        ("1,2,3", "expected right ascension and declination"),
        ("05:35:17 -5:23:28 7", "can't be read"),
        ("\x1b[31m 5", "expected"),
    ],
)
def test_what_can_not_be_read_is_refused_with_what_was_expected(text: str, told: str) -> None:
    with pytest.raises(CoordinateError) as caught:
        parse_position(text)
    assert told in str(caught.value)
    assert str(caught.value).isprintable()


@given(st.floats(0, 23.9999), st.floats(-89.999, 89.999))
def test_what_is_written_sexagesimal_or_decimal_reads_back(ra_h: float, dec_deg: float) -> None:
    """Formatted here by integer arithmetic, not by the code under test."""
    tenths = math.floor(ra_h * 36000)
    arcsec = math.floor(abs(dec_deg) * 3600)
    sign = "-" if dec_deg < 0 else "+"
    text = (
        f"{tenths // 36000:02d}:{tenths // 600 % 60:02d}:{tenths % 600 / 10:04.1f} "
        f"{sign}{arcsec // 3600:02d}:{arcsec // 60 % 60:02d}:{arcsec % 60:02d}"
    )
    read = parse_position(text)
    assert read[0] == pytest.approx(tenths / 36000, abs=1e-9)
    assert abs(read[1]) == pytest.approx(arcsec / 3600, abs=1e-9)
    assert read[1] <= 0 if sign == "-" else read[1] >= 0
    assert parse_position(f"{ra_h:.6f}h {dec_deg:+.6f}") == pytest.approx((ra_h, dec_deg), abs=1e-6)


@given(st.text(max_size=30))
def test_any_text_is_a_position_or_the_one_error(text: str) -> None:
    try:
        ra_h, dec_deg = parse_position(text)
    except CoordinateError:
        return
    assert 0 <= ra_h < 24
    assert -90 <= dec_deg <= 90


def test_an_angle_of_a_place() -> None:
    assert angle_deg("141:36.2", "longitude", 180.0) == pytest.approx(141.60333, abs=1e-5)
    with pytest.raises(CoordinateError, match="longitude"):
        angle_deg("east", "longitude", 180.0)


def test_a_table_is_read_by_its_columns(tmp_path: Path) -> None:
    file = tmp_path / "looks.csv"
    file.write_text(
        'Aimed,Found,UTC\n05:35:17 -05:23:28,05:40:00 -05:00:00,2026-11-24T12:00:00Z\n"83.8d,-5.4","84.9d,-5.0",\n'
    )
    rows = table(file)
    assert [(row.aimed, row.found, row.utc) for row in rows] == [
        ("05:35:17 -05:23:28", "05:40:00 -05:00:00", "2026-11-24T12:00:00Z"), ("83.8d,-5.4", "84.9d,-5.0", None),
    ]  # fmt: skip
    assert rows[1].where == f"{file}, line 3"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("a,b\n1,2\n", "line 1: expected the columns aimed, found"),
        ("aimed,found\n05:35:17 -5,\n", "line 2: expected one aimed and one found"),
        ("aimed,found\n1,2,3\n", "line 2: expected one aimed and one found"),
        ("", "line 1: expected the columns"),
        ("aimed,found,note\n", "line 1: expected the columns"),
    ],
)
def test_a_bad_table_is_told_by_file_and_line(tmp_path: Path, text: str, told: str) -> None:
    file = tmp_path / "looks.csv"
    file.write_text(text)
    with pytest.raises(ConfigError) as caught:
        table(file)
    assert f"{file}, {told}" in str(caught.value)


def test_an_absent_table_and_one_of_other_bytes_are_told(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="can't be read"):
        table(tmp_path / "absent.csv")
    (tmp_path / "bytes.csv").write_bytes(b"aimed,found\n\xff\xfe,1\n")
    with pytest.raises(ConfigError, match="is no table"):
        table(tmp_path / "bytes.csv")
