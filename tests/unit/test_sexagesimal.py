"""Angles and times of day as text: rounded once to a count of the last unit, then split.

Published values: ERFA v2.0.1, src/t_erfa_c.c (functions t_a2tf, t_d2tf, t_tf2d), the same as IAU SOFA's t_sofa_c.c.
The carry cases follow from the rule itself (ERFA's note to d2tf: the caller must handle 24 h and 360 deg), worked out
by hand.
"""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from noonmark.protocols import sexagesimal


def test_an_angle_as_erfa_has_it() -> None:
    """t_a2tf: -3.01234 rad with 4 decimals is -11 h 30 min 22.6484 s."""
    parts = sexagesimal.split(math.degrees(-3.01234) / 15.0, decimals=4)
    assert (parts.negative, parts.whole, parts.minutes, parts.seconds, parts.fraction) == (True, 11, 30, 22, 6484)


def test_days_as_erfa_has_them() -> None:
    """t_d2tf: -0.987654321 d with 4 decimals is -23 h 42 min 13.3333 s."""
    parts = sexagesimal.split(-0.987654321 * 24.0, decimals=4)
    assert (parts.negative, parts.whole, parts.minutes, parts.seconds, parts.fraction) == (True, 23, 42, 13, 3333)


def test_parts_become_days_as_erfa_has_it() -> None:
    """t_tf2d: 23 h 55 min 10.9 s is 0.9966539351851851852 d."""
    parts = sexagesimal.Parts(False, 23, 55, 10, 9)
    assert parts.value(decimals=1) / 24.0 == pytest.approx(0.9966539351851851852, abs=1e-12)


@pytest.mark.parametrize(
    ("value", "decimals", "expected"),
    [
        (12.999999888888889, 3, "+13:00:00.000"),
        (23.99999988888889, 3, "+24:00:00.000"),
        (89.9999888888889, 1, "+90:00:00.0"),
        (-0.008333333333333333, 0, "-00:00:30"),
        (-0.00011111111111111112, 0, "+00:00:00"),
        (5.499888888888889, 0, "+05:30:00"),
        (359.9999988888889, 2, "+360:00:00.00"),
        (0.0, 0, "+00:00:00"),
        (-0.0, 0, "+00:00:00"),
        (59.95 / 3600, 0, "+00:01:00"),  # 59.95 s to the second is 60 s, shown as a minute
        (59.95 / 3600, 1, "+00:01:00.0"),  # 59.95 s is stored above the tie, and goes up
        (59.949 / 3600, 1, "+00:00:59.9"),
        (59.95 / 3600, 2, "+00:00:59.95"),
        (-59.95 / 3600, 0, "-00:01:00"),
    ],
)
def test_a_value_is_rounded_once_and_carries(value: float, decimals: int, expected: str) -> None:
    assert sexagesimal.text(value, digits=2, decimals=decimals) == expected


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (-0.5, "-00*30"),  # minus nought degrees keeps its sign
        (-0.008, "+00*00"),  # 0.48': rounds to nought, which bears no minus
        (-0.0084, "-00*01"),  # 0.504'
        (-31.8571, "-31*51"),
        (45.99999, "+46*00"),
        (89.9999, "+90*00"),
    ],
)
def test_minutes_alone_are_rounded_from_the_value_not_from_the_seconds(value: float, expected: str) -> None:
    assert sexagesimal.text(value, digits=2, marks=("*", ":"), seconds=False) == expected


def test_half_a_minute_is_not_rounded_twice() -> None:
    """12 deg 34' 29.7" is 34' to the minute; by way of 30" it would become 35'."""
    value = 12 + 34 / 60 + 29.7 / 3600
    assert sexagesimal.text(value, digits=2, seconds=False) == "+12:34"
    assert sexagesimal.text(value, digits=2) == "+12:34:30"


@pytest.mark.parametrize(("value", "wrap", "expected"), [(359.99999, 360, "000:00:00"), (23.9999999, 24, "000:00:00")])
def test_a_value_that_rounds_up_to_the_whole_turn_is_shown_as_nought(value: float, wrap: int, expected: str) -> None:
    assert sexagesimal.text(value, digits=3, plus=False, wrap=wrap) == expected


def test_a_negative_value_is_never_wrapped() -> None:
    assert sexagesimal.text(-359.99999, digits=3, plus=False, wrap=360) == "-360:00:00"


@given(st.floats(-400, 400), st.integers(0, 3))
def test_the_text_is_within_half_of_its_last_unit(value: float, decimals: int) -> None:
    """Checked in exact fractions, from the characters alone."""
    text = sexagesimal.text(value, digits=2, decimals=decimals)
    whole, minutes, seconds = text[1:].split(":")
    assert 0 <= int(minutes) < 60
    assert 0 <= Fraction(seconds) < 60
    shown = int(whole) + Fraction(int(minutes), 60) + Fraction(seconds) / 3600
    signed = -shown if text[0] == "-" else shown
    half = Fraction(1, 2 * 3600 * 10**decimals)
    assert abs(signed - Fraction(value)) <= half + Fraction(1, 10**12)  # a hair for the one product in floats
    assert not (text[0] == "-" and shown == 0)


@pytest.mark.parametrize(
    ("value", "period", "expected"),
    [(181.0, 360.0, -179.0), (180.0, 360.0, -180.0), (-180.0, 360.0, -180.0), (-181.0, 360.0, 179.0), (43201.0, 86400.0,
     -43199.0), (0.0, 360.0, 0.0), (720.0, 360.0, 0.0)],
)  # fmt: skip
def test_a_value_is_folded_into_half_a_period_each_side(value: float, period: float, expected: float) -> None:
    assert sexagesimal.wrap_signed(value, period) == expected
