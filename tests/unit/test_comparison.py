"""Read minus expected, each by its own budget: readings, truth and clock put together by hand.

The sidereal time expected is ERFA's 1994 expression with ERFA's true obliquity (`support.judging`), not the driver's.
"""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from support.judging import sidereal_h
from support.virtual import NIGHT, SITE

from noonmark.driver.comparison import Judgement, judge
from noonmark.driver.config import build_config
from noonmark.driver.conventions import Convention, Hypothesis, hypotheses
from noonmark.driver.mount import Readings, Timed
from noonmark.driver.proof import Evidence, Sight
from noonmark.driver.ticking.clockmeasure import ClockMeasure
from noonmark.driver.truth import Truth
from noonmark.protocols import lx

AT = 1000.0  # the monotonic instant of the readings
HALF_MINUTE_DEG = 0.5 / 60
CONFIG = build_config(
    {
        "site": SITE, "mount": {"port": "sim:"}, "sources": [{"kind": "host"}],
        "policy": {"time_origins_required": 1, "place_origins_required": 1},
    }
)  # fmt: skip


def clock_text(seconds: float) -> bytes:
    whole = int(seconds % 86400)
    return b"%02d:%02d:%02d" % (whole // 3600, whole // 60 % 60, whole % 60)


def timed(seconds: float, instant: float = AT) -> Timed:
    whole = float(int(seconds % 86400))
    return Timed(whole, 1.0, instant - 0.01, instant + 0.01, clock_text(seconds))


def judged(
    *,
    error_s: float = 0.0,
    width_s: float = 0.02,
    truth_half_s: float = 0.02,
    latitude_deg: float = SITE["latitude_deg"],
    longitude_deg: float = SITE["longitude_deg"],
    offset_h: float = 10.5,
    sidereal_errors_s: tuple[float, ...] = (0.0, 0.0),
    utc: dt.datetime = NIGHT,
    **changes: Any,
) -> Judgement:
    """A mount on Saltbush Ridge's time that reads so, its clock ahead by error_s and known within width_s."""
    utc_s = utc.timestamp()
    local_s = utc_s + offset_h * 3600.0 + error_s
    sky_s = sidereal_h(utc, SITE["longitude_deg"]) * 3600.0
    date = (dt.datetime(1970, 1, 1, tzinfo=dt.UTC) + dt.timedelta(seconds=local_s)).date()
    readings = Readings(
        date=lx.DateText(date.month, date.day, date.year % 100, 2), date_wire=date.strftime("%m/%d/%y").encode(),
        local=(timed(local_s), timed(local_s)), offset=lx.OffsetText(-offset_h, 0.1), offset_wire=b"-10.5",
        longitude=lx.Angle(-longitude_deg % 360.0, 1 / 60, False), longitude_wire=b"218*24",
        latitude=lx.Angle(latitude_deg, 1 / 60, True), latitude_wire=b"-31*51",
        sidereal=tuple(timed(sky_s + error) for error in sidereal_errors_s),
    )  # fmt: skip
    hypothesis = Hypothesis(
        Convention(), local_s, offset_h, local_s - offset_h * 3600.0, longitude_deg, 0.0, AT, fits=True
    )
    middle = local_s % 86400.0 - AT
    measure = ClockMeasure(middle - width_s / 2, middle + width_s / 2, samples=5)
    truth = Truth(
        established=True, time_established=True, place_established=True, low=utc_s - AT - truth_half_s,
        high=utc_s - AT + truth_half_s, verdicts=(), code="", why="",
    )  # fmt: skip
    return judge(readings, hypothesis, measure, truth, 10.5, CONFIG, HALF_MINUTE_DEG)


def wrong(judgement: Judgement) -> set[str]:
    return set(judgement.wrong)


def test_all_is_right_where_all_is() -> None:
    judgement = judged()
    assert judgement.right
    assert judgement.wrong == ()


@pytest.mark.parametrize(
    ("error_s", "width_s", "truth_half_s", "ok"),
    [
        (0.9, 0.1, 0.04, True),  # 0.99 s, and the tolerance is 1 s
        (-0.9, 0.1, 0.04, True),
        (0.9, 0.3, 0.0, False),  # 1.05 s: the middle lies within, the interval does not
        (-0.9, 0.3, 0.0, False),
        (0.9, 0.02, 0.12, False),  # 1.03 s: what the truth itself is not known by counts as well
        (-0.9, 0.02, 0.12, False),
        (0.0, 0.02, 0.95, True),
        (0.0, 0.02, 1.0, False),
    ],
)
def test_the_whole_interval_of_clock_and_truth_must_lie_within_the_tolerance(
    error_s: float, width_s: float, truth_half_s: float, ok: bool
) -> None:
    assert ("time" not in wrong(judged(error_s=error_s, width_s=width_s, truth_half_s=truth_half_s))) is ok


def test_a_day_more_or_less_is_the_date_and_not_the_time() -> None:
    for days in (-366, -1, 1, 30):
        assert wrong(judged(error_s=86400.0 * days)) == {"date"}, days


def test_a_clock_some_seconds_behind_across_midnight_has_the_right_date_and_one_hours_behind_has_not() -> None:
    just_after = dt.datetime(2026, 11, 24, 13, 30, 5, 500_000, tzinfo=dt.UTC)  # 00:00:05.5 local time
    assert wrong(judged(utc=just_after, error_s=-20.0)) == {"time"}
    assert wrong(judged(utc=just_after, error_s=-3 * 3600.0)) == {"date", "time"}


@pytest.mark.parametrize("name", ["latitude_deg", "longitude_deg"])
@pytest.mark.parametrize(("minutes", "ok"), [(1.4, True), (-1.4, True), (1.6, False), (-1.6, False)])
def test_a_place_shown_and_written_to_the_minute_may_be_a_minute_and_a_half_off(
    name: str, minutes: float, ok: bool
) -> None:
    assert judged(**{name: SITE[name] + minutes / 60}).right is ok


def test_a_sidereal_clock_that_is_off_is_wrong_though_all_else_is_right() -> None:
    assert wrong(judged(sidereal_errors_s=(60.0, 60.0))) == {"sidereal"}
    assert wrong(judged(sidereal_errors_s=(-60.0, -60.0))) == {"sidereal"}


def test_the_last_sidereal_time_is_the_one_that_counts() -> None:
    assert wrong(judged(sidereal_errors_s=(0.0, 60.0))) == {"sidereal"}
    assert judged(sidereal_errors_s=(60.0, 0.0)).right


def test_another_offset_than_the_zones_is_wrong_though_utc_is_right() -> None:
    assert "offset" in wrong(judged(offset_h=9.5))
    on_utc = judged(offset_h=0.0)
    assert on_utc.on_utc
    assert on_utc.right
    assert not judged(offset_h=0.0, error_s=47.0).on_utc, "offset 0 serves where its time is UTC"


def test_the_time_between_the_readings_is_no_part_of_the_misfit() -> None:
    utc_s = NIGHT.timestamp()
    sky_s = sidereal_h(NIGHT, SITE["longitude_deg"]) * 3600.0
    local = NIGHT.astimezone(dt.timezone(dt.timedelta(hours=10.5)))
    for later_s in (0.0, 30.0, -30.0):
        readings = Readings(
            date=lx.DateText(local.month, local.day, local.year % 100, 2), date_wire=b"",
            local=(timed(utc_s + 10.5 * 3600.0),), offset=lx.OffsetText(-10.5, 0.1), offset_wire=b"",
            longitude=lx.Angle(-SITE["longitude_deg"] % 360.0, 1 / 3600, False), longitude_wire=b"",
            latitude=lx.Angle(SITE["latitude_deg"], 1 / 3600, True), latitude_wire=b"",
            sidereal=(timed(sky_s + later_s * 1.0027379, AT + later_s),),
        )  # fmt: skip
        usual = next(one for one in hypotheses(readings, (Convention(),)) if one.offset_h == 10.5)
        assert abs(usual.residual_s) < 2.5, (later_s, usual.residual_s)  # two displays cut to seconds, and nutation


@pytest.mark.parametrize(("shift_s", "follows"), [(30.0, False), (-30.0, False), (90.0, True), (-90.0, True)])
def test_only_a_shift_beyond_any_misreading_counts_as_following(shift_s: float, follows: bool) -> None:
    utc_s = NIGHT.timestamp()
    convention = Convention()

    def sight(shift: float, instant: float) -> Sight:
        one = Hypothesis(convention, utc_s, 0.0, utc_s + instant - AT + shift, 0.0, 0.0, instant, fits=True)
        readings = Readings(
            date=lx.DateText(11, 24, 26, 2), date_wire=b"", local=(timed(0.0),), offset=lx.OffsetText(0.0, 0.1),
            offset_wire=b"", longitude=lx.Angle(0.0, 1 / 60, False), longitude_wire=b"",
            latitude=lx.Angle(0.0, 1 / 60, True), latitude_wire=b"", sidereal=(timed(0.0), timed(0.0)),
        )  # fmt: skip
        return Sight(readings, ClockMeasure(0.0, 1.0, samples=1), (one,))

    evidence = Evidence((convention,))
    evidence.add(sight(0.0, AT), fresh=False)
    later = sight(shift_s, AT + 20.0)
    evidence.add(later, fresh=True)
    assert evidence.followed(later) is follows
