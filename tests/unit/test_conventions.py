"""Which signs a mount means, found out by its own sidereal clock.

The mounts here are worked out in this file: their sidereal time is ERFA's (Greenwich mean sidereal time of 1982,
apparent of 1994, mean and apparent of 2006), never the driver's own formula; their texts are put together by hand.
"""

from __future__ import annotations

import datetime as dt
import math
import random
import struct
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

import erfa
import pytest
from support.lawbreaking import instant_disk  # noqa: F401 - used by every test here
from support.virtual import NIGHT, SITE, rig

from noonmark.driver import check, conventions, set_mount
from noonmark.driver.conventions import ALL, Convention, Hypothesis, greenwich_sidereal_s, hypotheses, labels_of
from noonmark.driver.mount import Readings, Timed
from noonmark.protocols import lx
from noonmark.protocols.dialect import build_dialect
from noonmark.sim import sky as sim_sky
from noonmark.sim.state import MountState, Quirks, factory, right

# --- a mount worked out by hand ---------------------------------------------------------------------

FORMULAS = ("gmst82", "gst94", "gmst06", "gst06a")
TT_MINUS_UTC_S = 69.184  # 37 leap seconds (IERS Bulletin C) and 32.184 s


def greenwich_s(utc_s: float, formula: str) -> float:
    """Greenwich sidereal time, seconds, by ERFA; UTC is taken for UT1, as a mount does."""
    days = math.floor(utc_s / 86400.0)
    day, fraction = 2440587.5 + days, utc_s / 86400.0 - days
    tt = fraction + TT_MINUS_UTC_S / 86400.0
    radians = {
        "gmst82": lambda: erfa.gmst82(day, fraction),
        "gst94": lambda: erfa.gst94(day, fraction),
        "gmst06": lambda: erfa.gmst06(day, fraction, day, tt),
        "gst06a": lambda: erfa.gst06a(day, fraction, day, tt),
    }[formula]()
    return math.degrees(float(radians)) * 240.0


@dataclass(frozen=True)
class Made:
    """A mount as it is: east longitude, local minus UTC as it says, its own UTC (seconds since 1970)."""

    convention: Convention
    utc_s: float
    longitude_deg: float
    offset_h: float
    formula: str = "gmst82"
    firmware_error_s: float = 0.0
    seconds_shown: bool = False
    signed: bool = False
    offset_form: str = "tenths"
    year_digits: int = 2
    display_hours: int = 24
    truncates: bool = False
    sidereal_after_s: float = 0.4
    spread_s: float = 0.03

    @property
    def effective_h(self) -> float:
        """What its local time has over the UTC its sky stands on."""
        if self.convention.local_is_utc:
            return 0.0
        return self.offset_h + (1.0 if self.convention.daylight_hour else 0.0)

    def readings(self) -> Readings:
        """What it shows."""
        middle = self.spread_s / 2
        local = self.utc_s + self.effective_h * 3600.0 + middle
        later = self.sidereal_after_s + middle
        sidereal = greenwich_s(self.utc_s + later, self.formula) + self.longitude_deg * 240.0 + self.firmware_error_s
        clock = local % (86400.0 if self.display_hours == 24 else 43200.0)
        longitude, offset, date = self._longitude(), self._offset(), self._date(local)
        return Readings(
            date=lx.parse_date(date), date_wire=date, local=(self._timed(clock, 0.0),), offset=lx.parse_offset(offset),
            offset_wire=offset, longitude=lx.parse_longitude(longitude), longitude_wire=longitude,
            latitude=lx.parse_latitude(b"+40*00"), latitude_wire=b"+40*00",
            sidereal=(self._timed(sidereal % 86400.0, self.sidereal_after_s),), display_hours=self.display_hours,
        )  # fmt: skip

    def _timed(self, value: float, at: float) -> Timed:
        return Timed(float(math.floor(value)), 1.0, at, at + self.spread_s, b"")

    def _longitude(self) -> bytes:
        shown = self.longitude_deg if self.convention.east_positive else -self.longitude_deg
        unit = 3600 if self.seconds_shown else 60
        shown = shown if self.signed else shown % 360.0
        count = math.floor(abs(shown) * unit) if self.truncates else round(abs(shown) * unit)
        count %= 360 * unit
        whole, rest = divmod(count, unit)
        sign = b"-" if shown < 0 else b""
        if unit == 60:
            return sign + b"%03d*%02d" % (whole, rest)
        return sign + b"%03d*%02d:%02d" % (whole, rest // 60, rest % 60)

    def _offset(self) -> bytes:
        shown = self.offset_h if self.convention.offset_from_utc else -self.offset_h
        minutes = round(abs(shown) * 60)
        sign = b"-" if shown < 0 else b"+"
        if self.offset_form == "hours":
            return sign + b"%02d" % (minutes // 60)
        if self.offset_form == "tenths":
            return sign + b"%02d.%d" % (minutes // 60, minutes % 60 // 6)
        return sign + b"%02d:%02d" % (minutes // 60, minutes % 60)

    def _date(self, local_s: float) -> bytes:
        day = (dt.datetime(1970, 1, 1) + dt.timedelta(seconds=math.floor(local_s))).date()  # noqa: DTZ001
        first, second = (day.day, day.month) if self.convention.day_first else (day.month, day.day)
        return b"%02d/%02d/%0*d" % (first, second, self.year_digits, day.year % 10**self.year_digits)


def fitting(made: Made) -> list[Hypothesis]:
    return [one for one in hypotheses(made.readings(), ALL) if one.fits]


def is_the_truth(one: Hypothesis, made: Made) -> bool:
    """Within the truncation of its displays and the form of its longitude."""
    unit = 3600 if made.seconds_shown else 60
    turn = (one.longitude_deg - made.longitude_deg + 180.0) % 360.0 - 180.0
    return one.convention == made.convention and abs(one.utc_s - made.utc_s) < 0.6 and abs(turn) <= 1 / unit + 1e-9


# A night, a place and an offset that tell every convention apart: no date that reads both ways, off every locus.
UTC_S = dt.datetime(2027, 7, 25, 9, 41, 17, tzinfo=dt.UTC).timestamp()


def plain(convention: Convention = Convention(), **changes: Any) -> Made:  # noqa: B008 - frozen
    """A mount that night at that place, with these changes."""
    return replace(Made(convention, UTC_S, 103.4567, 6.5), **changes)


@pytest.mark.parametrize("formula", FORMULAS)
@pytest.mark.parametrize("convention", ALL, ids=lambda one: str(one.labels()))
def test_every_convention_is_found_whatever_formula_the_firmware_has(convention: Convention, formula: str) -> None:
    found = fitting(plain(convention, formula=formula))
    assert {one.convention for one in found} == {convention}
    assert all(is_the_truth(one, plain(convention)) for one in found)


@pytest.mark.parametrize("utc", [dt.datetime(1999, 1, 1), dt.datetime(2026, 11, 24, 12), dt.datetime(2099, 12, 31, 23)])  # noqa: DTZ001
def test_the_own_formula_is_erfas_within_what_is_stated(utc: dt.datetime) -> None:
    """Against the IAU 1982 expression itself (some milliseconds) and mean time of 2006 (the bound of the docstring)."""
    seconds = utc.replace(tzinfo=dt.UTC).timestamp()
    for formula, bound_s in (("gmst82", 0.001), ("gmst06", 0.02)):
        gap = (greenwich_sidereal_s(seconds) - greenwich_s(seconds, formula) + 43200.0) % 86400.0 - 43200.0
        assert abs(gap) < bound_s


@pytest.mark.parametrize("error_s", [-2.9, -1.0, 0.0, 1.0, 2.9])
def test_a_firmware_that_is_a_little_off_still_fits(error_s: float) -> None:
    made = plain(firmware_error_s=error_s)
    assert any(is_the_truth(one, made) for one in fitting(made))


@pytest.mark.parametrize("error_s", [-12.0, -6.5, 6.5, 12.0, 60.0, 103.0, 3600.0])
def test_a_firmware_further_off_fits_nothing(error_s: float) -> None:
    assert fitting(plain(firmware_error_s=error_s, seconds_shown=True)) == []


# --- the tolerance ----------------------------------------------------------------------------------


def test_the_tolerance_is_a_budget_of_named_parts() -> None:
    minute = conventions.tolerance_s(plain().readings())
    second = conventions.tolerance_s(plain(seconds_shown=True).readings())
    assert minute["longitude as shown"] == pytest.approx(4.0)  # a minute of arc is 4 s of time
    assert second["longitude as shown"] == pytest.approx(1 / 15)
    assert minute["mean or apparent"] == 1.2
    assert minute["instants of the readings"] == pytest.approx(0.03)
    assert 7.0 <= sum(minute.values()) <= 8.0  # about -7 to +7 s
    slow = conventions.tolerance_s(plain(spread_s=1.5).readings())
    assert slow["instants of the readings"] == pytest.approx(1.5)


def test_the_readings_closest_in_time_are_weighed() -> None:
    """A mount whose clock drifts between its readings: the pair with the least time between them counts."""
    made = plain().readings()
    late = Timed(made.local[0].seconds + 30.0, 1.0, 60.0, 60.03, b"")  # half a minute was lost on the way
    joined = Readings(**{name: getattr(made, name) for name in made.__slots__} | {"local": (*made.local, late)})
    assert any(one.fits and one.convention == Convention() for one in hypotheses(joined, ALL))


# --- what is hidden ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("offset_h", "form", "shown"),
    [(5.75, "tenths", 5.7), (-9.5, "hours", -9.0), (12.75, "tenths", 12.7), (8.75, "hours", 8.0), (5.5, "hours", 5.0)],
)
def test_quarter_hours_behind_a_coarse_display_are_found(offset_h: float, form: str, shown: float) -> None:
    made = Made(Convention(), UTC_S, 15.0 * offset_h + 4.321, offset_h, offset_form=form)
    assert made.readings().offset.value_h == pytest.approx(-shown)
    found = [one for one in fitting(made) if one.convention == Convention()]
    assert [one.offset_h for one in found] == [offset_h]


@pytest.mark.parametrize("hour", [0, 3, 11, 12, 13, 23])
def test_half_a_day_behind_a_12_hour_display_is_found(hour: int) -> None:
    utc_s = dt.datetime(2027, 7, 25, hour, 41, 17, tzinfo=dt.UTC).timestamp()
    made = Made(Convention(), utc_s, 103.4567, 6.5, display_hours=12)
    found = [one for one in fitting(made) if one.convention == Convention()]
    assert len(found) == 1
    assert is_the_truth(found[0], made)


@pytest.mark.parametrize("year", [1999, 2000, 2026, 2068])
def test_two_digits_of_a_year_are_of_either_century(year: int) -> None:
    utc_s = dt.datetime(year, 7, 25, 9, 0, 0, tzinfo=dt.UTC).timestamp()
    made = Made(Convention(), utc_s, 103.4567, 6.5)
    assert any(is_the_truth(one, made) for one in fitting(made))


def test_a_date_that_reads_both_ways_leaves_its_order_open() -> None:
    utc_s = dt.datetime(2026, 11, 11, 9, 0, 0, tzinfo=dt.UTC).timestamp()
    found = {one.convention for one in fitting(Made(Convention(), utc_s, 103.4567, 6.5))}
    resolved, unknown = labels_of(found)
    assert unknown == ("date_order",)
    assert resolved["longitude_positive"] == "west"


def test_an_offset_of_nought_leaves_its_sense_open() -> None:
    found = {one.convention for one in fitting(Made(Convention(), UTC_S, 3.4567, 0.0))}
    assert set(labels_of(found)[1]) == {"offset_sense", "local_is_utc"}


def test_a_mount_that_takes_local_time_for_utc_is_told_from_one_with_an_offset() -> None:
    made = plain(Convention(local_is_utc=True))
    assert {one.convention.local_is_utc for one in fitting(made)} == {True}


def test_no_date_of_any_order_gives_no_hypothesis() -> None:
    made = plain().readings()
    absurd = Readings(**{name: getattr(made, name) for name in made.__slots__} | {"date": lx.parse_date(b"02/30/26")})
    assert hypotheses(absurd, ALL) == []


def test_nothing_fits_nothing_is_resolved() -> None:
    assert labels_of([]) == (
        {}, ("longitude_positive", "offset_sense", "daylight_hour", "date_order", "local_is_utc"),
    )  # fmt: skip


# --- the loci ---------------------------------------------------------------------------------------

DEGREES_PER_HOUR = 15.041  # of sidereal time in an hour of solar time


@pytest.mark.parametrize("half_turns", [-1, 0, 1])
@pytest.mark.parametrize("offset_h", [-8.0, -3.0, 1.0, 3.0, 5.75, 9.5, 12.0])
def test_both_signs_reversed_imitate_the_right_ones_on_the_locus(offset_h: float, half_turns: int) -> None:
    """longitude = 15.041 x offset + 180 k; a fifth of a degree (48 s and the same again) away they are told apart."""
    longitude = (DEGREES_PER_HOUR * offset_h + 180.0 * half_turns + 180.0) % 360.0 - 180.0
    reversed_both = Convention(offset_from_utc=True, east_positive=True)
    for away_deg, alike in ((0.0, True), (0.2, False), (-0.2, False)):
        made = Made(Convention(), UTC_S, longitude + away_deg, offset_h, seconds_shown=True, offset_form="minutes")
        found = {one.convention for one in fitting(made)}
        assert Convention() in found
        assert (reversed_both in found) is alike, away_deg


@pytest.mark.parametrize("side", [-1, 1])
@pytest.mark.parametrize("offset_h", [-5.0, 3.0, 9.5])
def test_a_daylight_hour_imitates_half_an_hours_turn_from_the_locus(offset_h: float, side: int) -> None:
    """7.52 degrees to either side: there the reversed signs with a daylight hour, or without one, fit."""
    longitude = DEGREES_PER_HOUR * offset_h + side * DEGREES_PER_HOUR / 2
    longitude = (longitude + 180.0) % 360.0 - 180.0
    has_hour = Convention(daylight_hour=side > 0)
    other = Convention(daylight_hour=side < 0, offset_from_utc=True, east_positive=True)
    made = Made(has_hour, UTC_S, longitude, offset_h, seconds_shown=True, offset_form="minutes")
    found = {one.convention for one in fitting(made)}
    assert {has_hour, other} <= found


# --- the campaign -----------------------------------------------------------------------------------


def random_mount(rng: random.Random) -> Made:
    """A mount consistent with itself: any convention, place and form; an offset that its longitude can have; a
    clock that is right, or at a factory date."""
    longitude = rng.uniform(-180.0, 180.0)
    quarters = longitude / 15.0 * 4.0 + rng.uniform(-6.0, 10.0)
    hours = round(quarters / 4.0)
    offset = rng.choice([hours, hours, round(quarters / 2.0) / 2.0, round(quarters) / 4.0])
    start = dt.datetime(2026, 1, 1, tzinfo=dt.UTC).timestamp()
    utc_s = start + rng.uniform(0.0, 3652.5 * 86400.0)
    if rng.random() < 0.12:
        utc_s = dt.datetime(2000, 1, 1, tzinfo=dt.UTC).timestamp() + rng.uniform(0.0, 2.0 * 86400.0)
    return Made(
        rng.choice(ALL), utc_s, longitude, max(-12.0, min(14.0, float(offset))), formula=rng.choice(FORMULAS),
        firmware_error_s=rng.uniform(-0.9, 0.9), seconds_shown=rng.random() < 0.5, signed=rng.random() < 0.5,
        offset_form=rng.choice(["hours", "tenths", "minutes"]), year_digits=rng.choice([2, 4]),
        display_hours=12 if rng.random() < 0.15 else 24, truncates=rng.random() < 0.5,
        sidereal_after_s=rng.uniform(0.05, 0.8), spread_s=rng.uniform(0.01, 0.06),
    )  # fmt: skip


def verdict(made: Made) -> str:
    """wholly resolved; label open (UTC and longitude are certain); ambiguous; wrong (the truth is not among them)."""
    found = fitting(made)
    if not any(is_the_truth(one, made) for one in found):
        return "wrong"
    instants = [one.utc_s for one in found]
    turns = [(one.longitude_deg - found[0].longitude_deg + 180.0) % 360.0 - 180.0 for one in found]
    if max(instants) - min(instants) > 1.0 or max(map(abs, turns)) > 1e-6:
        return "ambiguous"
    return "wholly resolved" if len({one.convention for one in found}) == 1 else "label open"


DESIGN = {"wholly resolved": 82.0, "label open": 18.0, "ambiguous": 0.2, "wrong": 0.0}


def campaign(count: int, seed: int) -> dict[str, float]:
    rng = random.Random(seed)
    tally = Counter(verdict(random_mount(rng)) for _ in range(count))
    shares = {name: 100.0 * tally[name] / count for name in DESIGN}
    assert sum(tally.values()) == count
    for name, share in shares.items():
        print(f"{name:16} {share:7.2f} %   (design: {DESIGN[name]:g} %)")
    return shares


def judged(shares: dict[str, float], slack: float) -> None:
    """None wrong. The other shares depend on how mounts are drawn: near to the design's, within `slack` percent."""
    assert shares["wrong"] == 0.0
    assert shares["ambiguous"] < 1.0
    assert shares["wholly resolved"] == pytest.approx(DESIGN["wholly resolved"], abs=slack)
    assert shares["label open"] == pytest.approx(DESIGN["label open"], abs=slack)


def test_of_1500_random_mounts_none_is_taken_wrongly() -> None:
    judged(campaign(1_500, 11), slack=4.0)


@pytest.mark.long
def test_of_20000_random_mounts_none_is_taken_wrongly() -> None:
    judged(campaign(20_000, 12), slack=3.0)


# --- outside the candidates -------------------------------------------------------------------------

NAMED = {"sidereal-clock-independent", "sidereal-clock-imprecise"}
FAST = {"rate_hz": 5.0, "sentences": ("RMC", "GGA")}


def rightly_set() -> MountState:
    return right(NIGHT, SITE["latitude_deg"], SITE["longitude_deg"], 10.5)


def from_the_works() -> MountState:
    return factory(NIGHT)


def other_place() -> MountState:
    return right(NIGHT, 40.0, -90.0, -6.0)


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("start", [from_the_works, other_place])
def test_a_sidereal_clock_of_its_own_is_never_confirmed_by_set(
    tmp_path: Path, start: Callable[[], MountState], seed: int
) -> None:
    """It stands right for the settings that it had, so that only its not following the new ones betrays it."""
    one = rig(tmp_path, state=start(), quirks=Quirks(sidereal="own-clock"), seed=seed, receiver_options=FAST)
    result = set_mount(one.config, seams=one.seams)
    assert result.outcome == "incomplete"
    assert result.code in NAMED
    assert "sidereal" in result.reason


@pytest.mark.parametrize("told", ["auto", "usual"])
def test_a_sidereal_clock_of_its_own_that_happens_to_be_right_must_be_seen_to_follow(tmp_path: Path, told: str) -> None:
    """It was set by its owner, once, for this very place: once the settings are written it agrees with them."""
    one = rig(tmp_path, state=rightly_set(), quirks=Quirks(sidereal="own-clock"), told=told, receiver_options=FAST)
    was = factory(NIGHT)
    for name in ("latitude_deg", "longitude_deg", "offset_h", "local_s", "at_utc_s"):
        setattr(one.mount.state, name, getattr(was, name))
    result = set_mount(one.config, seams=one.seams)
    assert result.outcome == ("incomplete" if told == "auto" else "discrepant")
    assert result.code in NAMED


@pytest.mark.parametrize("told", ["auto", "usual"])
@pytest.mark.parametrize("kind", ["own-clock", "frozen"])
def test_where_no_proof_is_possible_the_site_is_what_stays_written_and_never_a_value_of_the_stages(
    tmp_path: Path, told: str, kind: Literal["own-clock", "frozen"]
) -> None:
    """Under a dialect that the user vouches for, all is written and read back, and the mount does not agree."""
    one = rig(tmp_path, state=other_place(), quirks=Quirks(sidereal=kind), told=told, receiver_options=FAST)
    result = set_mount(one.config, seams=one.seams)
    inside = one.mount.truth()
    true = dt.datetime(1970, 1, 1, tzinfo=dt.UTC) + dt.timedelta(seconds=one.clock.true_utc_s())
    assert inside.longitude_deg == pytest.approx(SITE["longitude_deg"], abs=1 / 60)
    assert inside.latitude_deg == pytest.approx(SITE["latitude_deg"], abs=1 / 60)
    assert inside.offset_h == 10.5
    assert abs((inside.utc - true).total_seconds()) < 1.0
    assert result.code == "sidereal-clock-independent"
    assert "proof is impossible" in result.reason
    if told == "auto":
        assert (result.outcome, result.exit_status) == ("incomplete", 6)
        return
    assert (result.outcome, result.exit_status) == ("discrepant", 1)
    assert set(result.written) == {"longitude", "latitude", "offset", "date", "time"}
    assert result.unconfirmed == ()
    assert {row.name: row.ok for row in result.settings} == {
        "latitude": True, "longitude": True, "offset": True, "date": True, "time": True, "sidereal": False,
    }  # fmt: skip


@pytest.mark.parametrize("positive", ["west", "east"])
def test_a_sidereal_clock_of_its_own_that_stood_right_for_the_mirrored_longitude_is_named(
    tmp_path: Path, positive: Literal["west", "east"]
) -> None:
    """It fits one sign of the longitude, then the other, after each write."""
    spoken = build_dialect({"name": "differs", "longitude": {"positive": positive}}, "differs")
    state = right(NIGHT, SITE["latitude_deg"], -SITE["longitude_deg"], 10.5)
    one = rig(tmp_path, state=state, dialect=spoken, quirks=Quirks(sidereal="own-clock"), receiver_options=FAST)
    result = set_mount(one.config, seams=one.seams)
    assert (result.outcome, result.code) == ("incomplete", "sidereal-clock-independent")
    assert "proof is impossible" in result.reason


def test_a_check_under_a_dialect_given_judges_every_row_though_no_sky_proves_it(tmp_path: Path) -> None:
    one = rig(tmp_path, state=rightly_set(), quirks=Quirks(sidereal="frozen"), told="usual", receiver_options=FAST)
    result = check(one.config, seams=one.seams)
    assert (result.outcome, result.code) == ("discrepant", "sidereal-clock-independent")
    assert {row.name for row in result.settings if row.ok} >= {"latitude", "longitude", "offset", "date", "time"}


def test_a_sidereal_clock_of_its_own_is_never_confirmed_by_check(tmp_path: Path) -> None:
    """It was started elsewhere, and the settings were mended since."""
    one = rig(tmp_path, state=other_place(), quirks=Quirks(sidereal="own-clock"), receiver_options=FAST)
    mended = rightly_set()
    for name in ("latitude_deg", "longitude_deg", "offset_h", "local_s", "at_utc_s"):
        setattr(one.mount.state, name, getattr(mended, name))
    result = check(one.config, seams=one.seams)
    assert result.outcome == "refused"
    assert result.code == "sidereal-clock-independent"


@pytest.mark.parametrize("verb", ["check", "set"])
def test_a_sidereal_clock_that_stands_still_is_never_confirmed(tmp_path: Path, verb: str) -> None:
    one = rig(tmp_path, state=rightly_set() if verb == "check" else factory(NIGHT), quirks=Quirks(sidereal="frozen"),
              receiver_options=FAST)  # fmt: skip
    result = check(one.config, seams=one.seams) if verb == "check" else set_mount(one.config, seams=one.seams)
    assert result.outcome == ("refused" if verb == "check" else "incomplete")
    assert result.code == "sidereal-clock-independent"


def single(value: float) -> float:
    """The nearest number of a 24-bit mantissa (IEEE 754 binary32)."""
    return float(struct.unpack("<f", struct.pack("<f", value))[0])


def day_count_in_single(utc_s: float, kind: str = "mean") -> float:
    """The whole expression of days since J2000, in single precision: steps of 84 s."""
    days = single((utc_s - 946728000.0) / 86400.0)
    return single(single(18.697374558) + single(single(24.06570982441908) * days)) % 24.0


def midnight_in_single(utc_s: float, kind: str = "mean") -> float:
    """Midnight's sidereal time off by a constant, as by a Julian Date cut to 24 bits; the rate is right."""
    return (greenwich_s(utc_s, "gmst82") / 3600.0 + 47.0 / 3600.0) % 24.0


@pytest.mark.parametrize("formula", [day_count_in_single, midnight_in_single])
@pytest.mark.parametrize("verb", ["check", "set"])
@pytest.mark.parametrize("told", ["auto", "usual"])
def test_a_firmware_in_single_precision_is_never_confirmed_and_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, formula: object, verb: str, told: str
) -> None:
    monkeypatch.setattr(sim_sky, "greenwich_sidereal_h", formula)
    one = rig(tmp_path, state=rightly_set() if verb == "check" else factory(NIGHT), told=told, receiver_options=FAST)
    result = check(one.config, seams=one.seams) if verb == "check" else set_mount(one.config, seams=one.seams)
    if verb == "set":
        assert result.outcome == ("incomplete" if told == "auto" else "discrepant")
    else:
        assert result.outcome == ("refused" if told == "auto" else "discrepant")
    assert result.code in NAMED
    if formula is midnight_in_single:
        assert result.code == "sidereal-clock-imprecise"


def test_a_firmware_off_by_tenths_of_a_second_is_no_trouble(tmp_path: Path) -> None:
    one = rig(tmp_path, quirks=Quirks(sidereal="imprecise"), receiver_options=FAST)
    assert set_mount(one.config, seams=one.seams).outcome == "confirmed"
