"""Zone rules against the IANA database of 2026f, and which of two databases is believed."""

from __future__ import annotations

import random
import shutil
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from noonmark.driver import zones
from noonmark.driver.zones import ZoneError, load_zone


def at(text: str) -> datetime:
    return datetime.fromisoformat(text)


PACKAGE = zones.package_folder()
assert PACKAGE is not None
NEW = PACKAGE


def place_zone(folder: Path, key: str, content: str) -> None:
    """Put the rules of zone `content` under the name `key` in a made-up database."""
    (folder / key).parent.mkdir(parents=True, exist_ok=True)
    shutil.copyfile(NEW / content, folder / key)


def database(folder: Path, version: str, rules: dict[str, str]) -> Path:
    """A made-up zone database in which each key has the rules of some real zone."""
    for key, content in {"Etc/UTC": "Etc/UTC", **rules}.items():
        place_zone(folder, key, content)
    (folder / "tzdata.zi").write_text(f"# version {version}\n# rest\n")
    return folder


# IANA tz database 2026f (PyPI tzdata 2026.6): all changes of 2026 as (UTC instant, minutes before, after)
CHANGES_2026: dict[str, list[tuple[str, int, int]]] = {
    "America/New_York": [("2026-03-08T07:00", -300, -240), ("2026-11-01T06:00", -240, -300)],
    "Europe/London": [("2026-03-29T01:00", 0, 60), ("2026-10-25T01:00", 60, 0)],
    "Europe/Berlin": [("2026-03-29T01:00", 60, 120), ("2026-10-25T01:00", 120, 60)],
    "Australia/Sydney": [("2026-04-04T16:00", 660, 600), ("2026-10-03T16:00", 600, 660)],
    "Australia/Lord_Howe": [("2026-04-04T15:00", 660, 630), ("2026-10-03T15:30", 630, 660)],
    "Australia/Broken_Hill": [("2026-04-04T16:30", 630, 570), ("2026-10-03T16:30", 570, 630)],
    "Pacific/Chatham": [("2026-04-04T14:00", 825, 765), ("2026-09-26T14:00", 765, 825)],
    "America/St_Johns": [("2026-03-08T05:30", -210, -150), ("2026-11-01T04:30", -150, -210)],
    "Africa/Casablanca": [
        ("2026-02-15T02:00", 60, 0),
        ("2026-03-22T02:00", 0, 60),
        ("2026-09-20T01:00", 60, 0),
    ],
    "America/Santiago": [("2026-04-05T03:00", -180, -240), ("2026-09-06T04:00", -240, -180)],
    "America/Vancouver": [("2026-03-08T10:00", -480, -420)],
    "America/Edmonton": [("2026-03-08T09:00", -420, -360)],
    "America/Winnipeg": [("2026-03-08T08:00", -360, -300)],
    "America/Havana": [("2026-03-08T05:00", -300, -240)],
    "Africa/Cairo": [("2026-04-23T22:00", 120, 180), ("2026-10-29T21:00", 180, 120)],
    "Asia/Jerusalem": [("2026-03-27T00:00", 120, 180), ("2026-10-24T23:00", 180, 120)],
    "Atlantic/Azores": [("2026-03-29T01:00", -60, 0), ("2026-10-25T01:00", 0, -60)],
    "America/Nuuk": [("2026-03-29T01:00", -120, -60), ("2026-10-25T01:00", -60, -120)],
    "Antarctica/Troll": [("2026-03-29T01:00", 0, 120), ("2026-10-25T01:00", 120, 0)],
    "Europe/Dublin": [("2026-03-29T01:00", 0, 60), ("2026-10-25T01:00", 60, 0)],
}

# IANA tz database 2026f: minutes east of UTC
OFFSETS: list[tuple[str, str, int]] = [
    ("Asia/Kathmandu", "2026-11-24T00:00", 345),
    ("Australia/Eucla", "2026-11-24T00:00", 525),
    ("Asia/Kolkata", "2026-11-24T00:00", 330),
    ("Asia/Yangon", "2026-11-24T00:00", 390),
    ("Asia/Kabul", "2026-11-24T00:00", 270),
    ("Asia/Tehran", "2026-06-21T00:00", 210),
    ("Pacific/Marquesas", "2026-11-24T00:00", -570),
    ("Pacific/Kiritimati", "2026-11-24T00:00", 840),
    ("Pacific/Pago_Pago", "2026-11-24T00:00", -660),
    ("Etc/GMT+5", "2026-11-24T00:00", -300),
    ("Etc/GMT+12", "2026-11-24T00:00", -720),
    ("Asia/Almaty", "2024-02-29T12:00", 360),
    ("Asia/Almaty", "2024-03-01T12:00", 300),
    ("America/Asuncion", "2026-06-21T00:00", -180),
    ("America/Mexico_City", "2026-06-21T00:00", -360),
    ("Asia/Amman", "2026-01-15T00:00", 180),
    ("America/Coyhaique", "2026-06-21T00:00", -180),
    ("America/Phoenix", "2026-06-21T00:00", -420),
    ("America/Vancouver", "2026-11-24T22:00", -420),
    ("Africa/Casablanca", "2026-11-24T22:00", 0),
    ("Africa/Casablanca", "2026-03-01T00:00", 0),
    ("Africa/Casablanca", "2026-04-01T00:00", 60),
    ("Pacific/Apia", "2011-12-30T09:59:59", -600),
    ("Pacific/Apia", "2011-12-30T10:00", 840),
    ("Asia/Riyadh", "1960-01-01T00:00", 180),
]

# timezone-boundary-builder polygons via tzfpy 2.1.1 (2026e); principal places in IANA zone1970.tab
PLACES: list[tuple[float, float, str]] = [
    (-70.4045, -24.6272, "America/Santiago"),
    (-155.4681, 19.8207, "Pacific/Honolulu"),
    (149.0661, -31.2733, "Australia/Sydney"),
    (141.4676, -31.9505, "Australia/Broken_Hill"),
    (159.08, -31.55, "Australia/Lord_Howe"),
    (85.324, 27.7172, "Asia/Kathmandu"),
    (-176.56, -43.95, "Pacific/Chatham"),
    (-52.7126, 47.5615, "America/St_Johns"),
    (-7.5898, 33.5731, "Africa/Casablanca"),
    (-123.1207, 49.2827, "America/Vancouver"),
    (-17.8792, 28.7606, "Atlantic/Canary"),
    (0.0, 51.4779, "Europe/London"),
    (-111.5997, 31.9583, "America/Phoenix"),
    (-109.5526, 36.1544, "America/Denver"),
    (128.88, -31.68, "Australia/Eucla"),
    (-30.0, 0.0, "Etc/GMT+2"),
]


@pytest.fixture(scope="module", autouse=True)
def _recent_enough() -> None:
    """The expected values are those of 2026f: an older package would only show its own age."""
    newest = max(zones.version_key(one.version) for one in zones.databases())
    assert newest >= zones.version_key("2026f"), "upgrade the package tzdata to 2026.6 or later"


@pytest.mark.parametrize("key", sorted(CHANGES_2026))
def test_every_change_of_2026_is_found_to_the_second(key: str) -> None:
    zone = load_zone(key)
    instant, end, found = at("2026-01-01T00:00:00+00:00"), at("2027-01-01T00:00:00+00:00"), []
    while (change := zones.next_change(zone, instant, within=end - instant)) is not None:
        found.append(change)
        instant = change.instant
    assert [
        (f"{one.instant:%Y-%m-%dT%H:%M}", one.offset_before_h * 60, one.offset_after_h * 60) for one in found
    ] == CHANGES_2026[key]
    for one in found:
        assert zones.offset_h(zone, one.instant) == one.offset_after_h
        assert zones.offset_h(zone, one.instant - timedelta(seconds=1)) == one.offset_before_h


@pytest.mark.parametrize(("key", "utc", "minutes"), OFFSETS)
def test_offsets_are_those_of_the_database(key: str, utc: str, minutes: int) -> None:
    assert zones.offset_h(load_zone(key), at(utc + "+00:00")) * 60 == minutes


@pytest.mark.parametrize(("longitude_deg", "latitude_deg", "key"), PLACES)
def test_the_zone_of_a_position_is_the_mapped_one(longitude_deg: float, latitude_deg: float, key: str) -> None:
    assert zones.zones_at(longitude_deg, latitude_deg)[0] == key


def test_a_disputed_position_gives_every_zone() -> None:
    """Xinjiang keeps two times; both are IANA zones of the place (zone1970.tab, Asia/Urumqi's comment)."""
    assert set(zones.zones_at(87.6, 43.8)) == {"Asia/Shanghai", "Asia/Urumqi"}


@pytest.mark.parametrize(("longitude_deg", "latitude_deg"), [(200.0, 0.0), (0.0, 91.0), (float("nan"), 0.0)])
def test_a_position_off_the_globe_is_refused(longitude_deg: float, latitude_deg: float) -> None:
    with pytest.raises(ValueError, match="-90 to 90"):
        zones.zones_at(longitude_deg, latitude_deg)


def test_the_newer_database_is_used_whichever_it_is(tmp_path: Path) -> None:
    old = database(tmp_path / "old", "2025b", {"Australia/Broken_Hill": "Asia/Tokyo"})
    newer = database(tmp_path / "newer", "2026za", {"Australia/Broken_Hill": "Asia/Kolkata"})
    now = at("2026-11-24T10:00:00+00:00")
    by_package = load_zone("Australia/Broken_Hill", system=[old], package=NEW)
    by_system = load_zone("Australia/Broken_Hill", system=[newer], package=NEW)
    assert (by_package.source, zones.offset_h(by_package, now)) == ("package", 10.5)
    assert (by_system.source, by_system.version, zones.offset_h(by_system, now)) == ("system", "2026za", 5.5)


def test_a_system_database_without_a_version_counts_as_the_older(tmp_path: Path) -> None:
    unnamed = database(tmp_path, "2026f", {"Asia/Tokyo": "Etc/UTC"})
    (unnamed / "tzdata.zi").unlink()
    assert load_zone("Asia/Tokyo", system=[unnamed], package=NEW).source == "package"
    (unnamed / "+VERSION").write_text("2099a\n")
    assert load_zone("Asia/Tokyo", system=[unnamed], package=NEW).version == "2099a"
    assert load_zone("Asia/Tokyo", system=[tmp_path / "absent", unnamed], package=None).source == "system"


def test_versions_are_ordered_as_the_database_counts_them() -> None:
    order = [None, "2025b", "2025c", "2026", "2026a", "2026f", "2026z", "2026za", "2027a"]
    keys = [zones.version_key(one) for one in order]
    assert keys == sorted(keys)
    assert len(set(keys)) == len(keys)


def test_no_database_at_all_is_said_with_the_remedy(tmp_path: Path) -> None:
    with pytest.raises(ZoneError, match="install the Python package tzdata"):
        load_zone("Etc/UTC", system=[tmp_path], package=None)


def test_the_two_databases_differing_tonight_is_said_in_numbers(tmp_path: Path) -> None:
    old = database(tmp_path, "2025b", {"America/Vancouver": "America/Los_Angeles", "Asia/Tokyo": "Asia/Tokyo"})
    night = at("2026-11-24T22:00:00+00:00")  # 2025b gives -480 minutes here, 2026f -420
    said = zones.disagreement("America/Vancouver", night, system=[old], package=NEW)
    assert said is not None
    for part in ("-07:00", "-08:00", "2025b", "update"):
        assert part in said
    summer = at("2026-07-01T22:00:00+00:00")
    assert zones.disagreement("America/Vancouver", summer, system=[old], package=NEW) is None
    assert zones.disagreement("Asia/Tokyo", night, system=[old], package=NEW) is None
    assert zones.disagreement("Asia/Tokyo", night, system=[], package=NEW) is None
    lacking = zones.disagreement("America/Coyhaique", night, system=[old], package=NEW)
    assert lacking is not None
    assert "has no zone America/Coyhaique" in lacking


def test_a_difference_that_begins_later_tonight_is_said(tmp_path: Path) -> None:
    old = database(tmp_path, "2025b", {"Europe/London": "Etc/UTC"})
    evening = at("2026-03-28T20:00:00+00:00")
    said = zones.disagreement("Europe/London", evening, system=[old], package=NEW)
    assert said is not None
    assert "2026-03-29 01:00 UTC" in said
    assert zones.disagreement("Europe/London", at("2026-03-27T00:00:00+00:00"), system=[old], package=NEW) is None


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("Australia/Brokenhill", "Australia/Broken_Hill"),
        ("broken hill", "Australia/Broken_Hill"),
        ("australia/broken_hill", "Australia/Broken_Hill"),
        ("Europe/Amsterdm", "Europe/Amsterdam"),
    ],
)
def test_an_unknown_zone_names_the_nearest_known(typed: str, meant: str) -> None:
    with pytest.raises(ZoneError, match=meant):
        load_zone(typed)


@pytest.mark.parametrize(
    "key",
    ["", "/etc/passwd", "../zoneinfo/Etc/UTC", "Etc//UTC", "tzdata.zi", "zone1970.tab", "right/Etc/UTC",
     "Etc", "\x1b[31mRed", "Etc/UTC\x00", "Etc/UTC/x", "x" * 500],
)  # fmt: skip
def test_what_is_no_zone_is_an_error_that_shows_no_control_byte(key: str) -> None:
    with pytest.raises(ZoneError) as caught:
        load_zone(key)
    assert str(caught.value).isprintable()
    assert len(str(caught.value)) < 400


@pytest.mark.parametrize("key", ["localtime", "posixrules", "Factory"])
def test_a_name_that_stands_for_no_place_is_no_zone(tmp_path: Path, key: str) -> None:
    # A system's database holds them beside the zones: `localtime` is this host's own setting, which is never asked.
    folder = database(tmp_path, "2099a", {key: "Europe/London"})
    with pytest.raises(ZoneError, match="is not a name in the IANA database"):
        load_zone(key, system=[folder], package=NEW)
    assert key not in zones.known_keys(zones.databases([folder], NEW))


def test_a_damaged_zone_file_names_the_database(tmp_path: Path) -> None:
    folder = database(tmp_path, "2099a", {})
    (folder / "Asia").mkdir()
    (folder / "Asia/Tokyo").write_bytes(b"TZif2" + b"\x00" * 10)
    with pytest.raises(ZoneError, match=r"Asia/Tokyo.*2099a.*reinstall"):
        load_zone("Asia/Tokyo", system=[folder], package=NEW)


@pytest.mark.parametrize(
    ("key", "utc", "daylight"),
    [
        ("Australia/Broken_Hill", "2026-11-24T00:00", True),
        ("Australia/Broken_Hill", "2026-06-24T00:00", False),
        ("Europe/Dublin", "2026-07-01T00:00", True),  # there the law calls summer's the standard time
        ("Europe/Dublin", "2026-01-01T00:00", False),
        ("Australia/Lord_Howe", "2026-01-01T00:00", True),
        ("America/Phoenix", "2026-07-01T00:00", False),
        ("Africa/Casablanca", "2026-11-24T22:00", False),
        ("Asia/Kolkata", "2026-07-01T00:00", False),
    ],
)
def test_daylight_time_is_what_people_call_it(key: str, utc: str, daylight: bool) -> None:
    assert zones.is_daylight(load_zone(key), at(utc + "+00:00")) is daylight


@pytest.mark.parametrize(
    ("key", "utc", "hours"),
    [
        ("Australia/Lord_Howe", "2026-01-01T00:00", 0.5),
        ("Antarctica/Troll", "2026-07-01T00:00", 2.0),
        ("Europe/Dublin", "2026-07-01T00:00", 1.0),
        ("Europe/Dublin", "2026-01-01T00:00", 0.0),
    ],
)
def test_the_daylight_part_of_an_offset_is_that_of_the_season(key: str, utc: str, hours: float) -> None:
    assert zones.daylight_saving_h(load_zone(key), at(utc + "+00:00")) == hours


def test_a_zone_without_changes_has_no_next_one() -> None:
    assert zones.next_change(load_zone("Asia/Kolkata"), at("2026-01-01T00:00:00+00:00")) is None


def test_a_naive_datetime_is_refused() -> None:
    with pytest.raises(ValueError, match="no time zone"):
        zones.offset_h(load_zone("Etc/UTC"), datetime(2026, 1, 1))  # noqa: DTZ001


@pytest.mark.parametrize(("longitude_deg", "latitude_deg", "key"), PLACES)
@pytest.mark.parametrize("utc", ["2026-01-15T00:00:00+00:00", "2026-07-15T00:00:00+00:00"])
def test_the_true_offset_of_a_place_is_plausible(longitude_deg: float, latitude_deg: float, key: str, utc: str) -> None:
    offset_h = zones.offset_h(load_zone(key), at(utc))
    assert zones.implausible_offset(offset_h, longitude_deg, latitude_deg) is None


def test_the_true_offset_of_random_land_and_sea_is_plausible() -> None:
    lots = random.Random(3)
    for _ in range(2000):
        longitude_deg, latitude_deg = lots.uniform(-180, 180), lots.uniform(-74, 85)
        for key in zones.zones_at(longitude_deg, latitude_deg):
            for month in (1, 7):
                hours = zones.offset_h(load_zone(key), datetime(2026, month, 15, tzinfo=UTC))
                assert zones.implausible_offset(hours, longitude_deg, latitude_deg) is None, (
                    key, longitude_deg, latitude_deg,
                )  # fmt: skip


@pytest.mark.parametrize(
    ("offset_h", "longitude_deg"),
    # reversed offset signs and reversed longitude signs of real places
    [(-10.5, 141.6034), (10.5, -141.6034), (-5.5, 77.0), (4.0, -70.4045), (10.0, -155.4681), (-8.0, 116.0)],
)
def test_a_reversed_sign_is_implausible_and_the_reason_says_so(offset_h: float, longitude_deg: float) -> None:
    reason = zones.implausible_offset(offset_h, longitude_deg)
    assert reason is not None
    assert "check the sign" in reason
    assert f"{offset_h:+.2f} h" in reason


def test_the_wrap_at_the_date_line_is_minded() -> None:
    assert zones.implausible_offset(14.0, -157.0) is None  # Kiritimati
    assert zones.implausible_offset(-11.0, -170.7) is None  # Pago Pago
    assert zones.implausible_offset(12.75, -176.56) is None  # Chatham
    assert zones.implausible_offset(9.0, 0.0, -89.0) is None  # no one's longitude counts at the pole


def test_zones_load_neither_numpy_nor_polygons_at_import() -> None:
    program = (
        "import sys, noonmark.driver.zones\n"
        "sys.exit(any(name in sys.modules for name in ('numpy', 'astropy', 'tzfpy', 'erfa')))"
    )
    assert subprocess.run([sys.executable, "-c", program], check=False, timeout=60).returncode == 0
