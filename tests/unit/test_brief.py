"""The sheet as a whole: what to type, the edges of the Earth and of the tables, the page, the drawing, the verb."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import xml.etree.ElementTree as ET
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from noonmark.driver import brief as briefs
from noonmark.driver import zones
from noonmark.driver.cli.brief import brief as verb
from noonmark.driver.config import ConfigError
from noonmark.driver.sheet import brief_svg, brief_text, keypad
from noonmark.driver.sheet.balance import Payload
from noonmark.driver.site import Site
from noonmark.driver.zones import Change, Zone, ZoneError

# The invented site of all examples
RIDGE = Site(
    name="Saltbush Ridge",
    latitude_deg=-31.8571,
    longitude_deg=141.6034,
    elevation_m=212.0,
    timezone="Australia/Broken_Hill",
)
EVENING = datetime(2026, 11, 24, 8, 3, 12, tzinfo=UTC)

PAYLOAD = {
    "loads": [{"name": "tube", "mass_kg": 7.2, "distance_mm": 230}],
    "weights_kg": [5.0, 3.5],
    "shaft_from_mm": 110,
    "shaft_to_mm": 330,
    "capacity_kg": 15.0,
}

CONFIGURATION = """
[site]
name = "Saltbush Ridge"
latitude_deg = -31.8571
longitude_deg = 141.6034
elevation_m = 212.0
timezone = "Australia/Broken_Hill"
"""

PAYLOAD_TABLE = """
[payload]
weights_kg = [5.0, 3.5]
shaft_from_mm = 110
shaft_to_mm = 330
capacity_kg = 15.0

[[payload.loads]]
name = "tube"
mass_kg = 7.2
distance_mm = 230
"""


def at(text: str) -> datetime:
    return datetime.fromisoformat(text)


def place(latitude_deg: float, longitude_deg: float, timezone: str) -> Site:
    return Site(latitude_deg=latitude_deg, longitude_deg=longitude_deg, timezone=timezone)


def page(site: Site, instant: datetime, payload: dict[str, Any] | None = None) -> str:
    filled = None if payload is None else Payload.model_validate(payload)
    return brief_text.render(briefs.brief(site, instant, filled))


# --- what to type -------------------------------------------------------------------------------------------------


def test_a_place_is_written_in_every_habit() -> None:
    """-31.8571 deg is 31 deg 51' 25.56", 141.6034 is 141 deg 36' 12.24": by hand."""
    forms = keypad.place_forms(-31.8571, 141.6034)
    assert forms.latitude_seconds == "31 deg 51' 26\" S"
    assert forms.latitude_minutes == "31 deg 51' S"
    assert forms.latitude_signed == "-31 51 26"
    assert forms.longitude_seconds == "141 deg 36' 12\" E"
    assert forms.longitude_east_positive == "+141 36 12"
    assert forms.longitude_west_positive == "-141 36 12"
    assert forms.longitude_east_0_360 == "141 36 12"
    assert forms.longitude_west_0_360 == "218 23 48"


@pytest.mark.parametrize(
    ("latitude_deg", "longitude_deg", "latitude", "longitude", "west_0_360"),
    [
        (-0.5, -0.5, "0 deg 30' 00\" S", "0 deg 30' 00\" W", "000 30 00"),
        (59.99999, -179.99999, "60 deg 00' 00\" N", "180 deg 00' 00\" W", "180 00 00"),
        (0.0, 0.0, "0 deg 00' 00\" N", "0 deg 00' 00\" E", "000 00 00"),
        (-0.00001, 0.00001, "0 deg 00' 00\" N", "0 deg 00' 00\" E", "000 00 00"),
        (48.999, -122.75, "48 deg 59' 56\" N", "122 deg 45' 00\" W", "122 45 00"),
    ],
)
def test_seconds_are_rounded_once_and_signs_never_lost(
    latitude_deg: float, longitude_deg: float, latitude: str, longitude: str, west_0_360: str
) -> None:
    forms = keypad.place_forms(latitude_deg, longitude_deg)
    assert forms.latitude_seconds == latitude
    assert forms.longitude_seconds == longitude
    assert forms.longitude_west_0_360 == west_0_360


@pytest.mark.parametrize(
    ("key", "utc", "date", "time", "east", "west", "daylight", "standard"),
    # offsets by the IANA database 2026f
    [
        ("Australia/Broken_Hill", EVENING, "2026-11-24", "18:34:00", "+10:30", "-10:30", True, "+09:30"),
        ("America/New_York", EVENING, "2026-11-24", "03:04:00", "-05:00", "+05:00", False, "-05:00"),
        ("Asia/Kathmandu", EVENING, "2026-11-24", "13:49:00", "+05:45", "-05:45", False, "+05:45"),
        ("Pacific/Kiritimati", at("2026-11-24T10:59:59+00:00"), "2026-11-25", "01:00:00", "+14:00", "-14:00",
         False, "+14:00"),
        ("Australia/Lord_Howe", EVENING, "2026-11-24", "19:04:00", "+11:00", "-11:00", True, "+10:30"),
        ("Europe/Dublin", at("2026-07-01T00:00:00+00:00"), "2026-07-01", "01:01:00", "+01:00", "-01:00", True,
         "+00:00"),
    ],
)  # fmt: skip
def test_local_time_and_offset_are_those_of_the_zone_at_the_next_full_minute(
    key: str, utc: datetime, date: str, time: str, east: str, west: str, daylight: bool, standard: str
) -> None:
    typed = keypad.keypad(place(0.0, 0.0, key), zones.load_zone(key), utc)
    assert (typed.local_date, typed.local_time) == (date, time)
    assert (typed.offset_east, typed.offset_west) == (east, west)
    assert (typed.daylight, typed.standard_offset) == (daylight, standard)
    assert timedelta(0) < typed.utc - utc <= timedelta(minutes=1)


def test_a_minute_that_crosses_the_change_of_offset_has_the_new_one() -> None:
    # IANA 2026f: New York to daylight time at 2026-03-08T07:00Z
    typed = keypad.keypad(
        place(40.0, -74.0, "America/New_York"), zones.load_zone("America/New_York"), at("2026-03-08T06:59:30+00:00")
    )
    assert (typed.local_time, typed.offset_east, typed.daylight) == ("03:00:00", "-04:00", True)


def test_the_next_change_is_told_on_the_clock_that_is_still_running() -> None:
    # IANA 2026f: Broken Hill leaves daylight time on 4 April 2027 at 3 in the morning
    change = keypad.keypad(RIDGE, zones.load_zone(RIDGE.timezone), EVENING).next_change
    assert change is not None
    assert (change.local, change.offset_before_h, change.offset_after_h) == ("2027-04-04 03:00", 10.5, 9.5)


# --- the edges ----------------------------------------------------------------------------------------------------

EDGES = [
    (place(70.0, 25.0, "Europe/Oslo"), at("2026-06-21T12:00:00+00:00")),
    (place(-70.0, 25.0, "Antarctica/Troll"), at("2026-06-21T12:00:00+00:00")),
    (place(0.0, -78.5, "America/Guayaquil"), at("2026-03-20T22:00:00+00:00")),
    (place(0.0, 179.9, "Etc/GMT-12"), at("2035-03-01T00:00:00+00:00")),
    (place(-17.0, 179.9, "Pacific/Fiji"), at("2026-11-24T12:00:00+00:00")),
    (place(90.0, 0.0, "Etc/UTC"), at("2026-09-25T00:00:00+00:00")),
    (place(-90.0, 0.0, "Antarctica/McMurdo"), at("2026-12-25T00:00:00+00:00")),
    (place(51.5, -180.0, "Etc/GMT+12"), at("2016-12-31T20:00:00+00:00")),
    (place(89.95, 20.0, "Etc/UTC"), at("2098-06-01T00:00:00+00:00")),
    (place(-31.9, 141.6, "Australia/Broken_Hill"), at("1974-02-01T00:00:00+00:00")),
]


@pytest.mark.parametrize(("site", "instant"), EDGES)
def test_at_the_edges_the_sheet_is_whole_and_without_nonsense(site: Site, instant: datetime) -> None:
    sheet = briefs.brief(site, instant)
    text = brief_text.render(sheet)
    for line in text.splitlines():
        assert len(line) <= 80
        assert line.isascii()
        assert line.isprintable()
    assert not re.search(r"\bnan\b|\binf\b|None|-0\.0+ |datetime|\{|\}", text)
    assert json.loads(sheet.json_text())["schema"] == "noonmark-brief-1"


def test_in_2035_everything_that_has_run_out_is_said_and_nothing_stretched() -> None:
    sheet = briefs.brief(RIDGE, at("2035-03-01T10:00:00+00:00"))
    assert sheet.north.magnetic is None
    assert sheet.north.compass_towards_pole_deg is None
    assert (sheet.ut1_utc_s, sheet.ut1_utc_bound_s) == (0.0, 0.9)
    notes = " ".join(sheet.notes)
    for part in (
        "no magnetic model",
        "UT1-UTC is not known",
        "leap seconds are announced until",
        "offset rules for 2035",
    ):
        assert part in notes
    text = " ".join(brief_text.render(sheet).split())
    assert "not to be used: no magnetic model covers this day" in text
    assert "upgrade the package pygeomag" in text
    assert "announced until" in text


def test_today_has_nothing_to_mind() -> None:
    zone = zones.load_zone(RIDGE.timezone)
    assert briefs.brief(RIDGE, EVENING, zone=zone).notes == ()


@pytest.mark.parametrize("year", [1, 1900, 1973, 2100, 9999])
def test_a_year_for_which_the_sky_is_not_computed_is_an_error(year: int) -> None:
    with pytest.raises(briefs.BriefError, match="1974 to 2099"):
        briefs.brief(RIDGE, datetime(year, 6, 1, tzinfo=UTC))


def test_a_naive_instant_and_an_unknown_zone_are_errors() -> None:
    with pytest.raises(ValueError, match="no time zone"):
        briefs.brief(RIDGE, datetime(2026, 1, 1))  # noqa: DTZ001
    with pytest.raises(ZoneError, match="Australia/Broken_Hill"):
        briefs.brief(place(0.0, 0.0, "Australia/Brokenhill"), EVENING)


def test_a_change_of_offset_tonight_is_told_loudly() -> None:
    # IANA 2026f: New York to daylight time at 2026-03-08T07:00Z, the night after 7 March
    site = place(40.0, -74.0, "America/New_York")
    tonight = briefs.brief(site, at("2026-03-07T20:00:00+00:00"))
    assert tonight.zone_change_tonight is not None
    assert "THE OFFSET CHANGES TONIGHT" in brief_text.render(tonight)
    assert briefs.brief(site, at("2026-03-06T12:00:00+00:00")).zone_change_tonight is None


def test_a_leap_second_tonight_is_told_loudly() -> None:
    # IERS Bulletin C 52
    text = page(place(51.5, 0.0, "Europe/London"), at("2016-12-31T20:00:00+00:00"))
    assert "ONE TONIGHT" in text


def test_a_zone_that_can_not_be_at_this_longitude_is_told() -> None:
    notes = briefs.brief(place(-31.8571, -141.6034, "Australia/Broken_Hill"), EVENING).notes
    assert any("check the sign" in note for note in notes)


def test_two_databases_that_differ_tonight_are_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(zones, "disagreement", lambda key, utc: f"{key} differs")
    assert "Australia/Broken_Hill differs" in briefs.brief(RIDGE, EVENING).notes


# --- the page -----------------------------------------------------------------------------------------------------


def test_the_page_has_every_section_and_fits_the_width() -> None:
    text = page(RIDGE, EVENING, PAYLOAD)
    for title in ("WHAT TO TYPE", "TRUE NORTH", "THE POLE", "LEVEL", "BALANCE", "THE NIGHT", "CAUTIONS", "RESTS ON"):
        assert title in text
    assert max(len(line) for line in text.splitlines()) <= 80
    assert len(text.splitlines()) <= 110
    assert "BALANCE" not in page(RIDGE, EVENING)


@pytest.mark.parametrize(
    "said",
    [
        "31 deg 51' 26\" S",
        "18:34:00 local = 08:04:00 UTC",
        "+10:30 h = +10.50 h if it asks local minus UTC (east +)",
        "-10:30 h = -10.50 h if it asks UTC minus local (west +)",
        "daylight saving is in it",
        "2027-04-04 03:00 (old clock): +10:30 to +09:30 h",
        "8.54 deg east +- 0.34 deg (1 standard error)",
        "last day 2029-12-31",
        "reads 171.5 deg when held to true south",
        "the south pole stands 31.857 deg high",
        "sigma Octantis 69.13' from the pole",
        "clock face 1:32 upright, 7:32 inverted",
        "harmless once the axis is on the pole",
        "mm from the polar axis (shaft 110-330 mm)",
        "48 % of the stated 15.0 kg",
        "upper limb at -50', sea horizon",
        "Weights on before the tube",
        "licensed electrician",
        "it blinds at once",
        "law may forbid",
        "212 m above mean sea level",
    ],
)
def test_the_page_says_what_a_person_needs(said: str) -> None:
    assert said in " ".join(page(RIDGE, EVENING, PAYLOAD).split())


def test_times_on_the_page_are_the_sites_and_tomorrow_is_marked() -> None:
    text = page(RIDGE, EVENING)
    # skyfield: sunset 09:18:30 UTC, sunrise 19:21:49 UTC; the zone is 10:30 ahead
    assert "sunset 19:49, sunrise 05:52+" in text


@pytest.mark.parametrize(
    ("change", "said"),
    [({"shaft_to_mm": 150}, "too light"), ({"shaft_from_mm": 320}, "too heavy"), ({"capacity_kg": 5.0}, "TOO MUCH")],
)
def test_a_payload_that_does_not_fit_is_told(change: dict[str, Any], said: str) -> None:
    assert said in " ".join(page(RIDGE, EVENING, {**PAYLOAD, **change}).split())


def test_a_sites_name_can_not_reach_the_terminal_unescaped() -> None:
    site = RIDGE.model_copy(update={"name": "Ridge\x1b[2J\nevil"})
    text = page(site, EVENING)
    assert "\x1b" not in text
    assert "Ridge\\x1b[2J\\x0aevil" in text
    drawing = brief_svg.drawing(briefs.brief(RIDGE.model_copy(update={"name": "<script>"}), EVENING), _zone())
    assert "<script>" not in drawing


def _zone() -> Zone:
    return zones.load_zone(RIDGE.timezone)


@pytest.mark.parametrize(("site", "instant"), [(RIDGE, EVENING), *EDGES])
def test_the_drawing_is_self_contained_xml(site: Site, instant: datetime) -> None:
    drawing = brief_svg.drawing(briefs.brief(site, instant), zones.load_zone(site.timezone))
    root = ET.fromstring(drawing)
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    assert "http" not in drawing.replace("http://www.w3.org/2000/svg", "")
    stars = [one for one in root.iter() if one.get("class") == "star"]
    assert len(stars) == (0 if abs(site.latitude_deg) > 89.9 else 2)


def test_the_star_in_the_drawing_is_at_its_hour() -> None:
    """1:32 is 46 degrees from the top, clockwise: to the right and up by nearly the same."""
    root = ET.fromstring(brief_svg.drawing(briefs.brief(RIDGE, EVENING), _zone()))
    upright, inverted = (
        (float(one.get("cx", 0)), float(one.get("cy", 0))) for one in root.iter() if one.get("r") == "6"
    )
    assert list(upright) == pytest.approx([135 + 68.3, 150 - 66.0], abs=1)
    assert list(inverted) == pytest.approx([385 - 68.3, 150 + 66.0], abs=1)


def test_json_is_whole_and_in_our_signs() -> None:
    document = json.loads(briefs.brief(RIDGE, EVENING, Payload.model_validate(PAYLOAD)).json_text())
    assert document["schema"] == "noonmark-brief-1"
    assert document["site"]["longitude_deg"] == 141.6034
    assert document["keypad"]["offset_h"] == 10.5
    assert document["north"]["magnetic"]["model"] == "WMM-2025"
    assert document["balance"]["fit"] == "fits"
    assert document["versions"]["zones"] >= "2026f"


# --- the verb -----------------------------------------------------------------------------------------------------


def run(*arguments: str) -> Result:
    return CliRunner().invoke(verb, list(arguments), standalone_mode=False)


@pytest.fixture
def configuration(tmp_path: Path) -> Path:
    path = tmp_path / "noonmark.toml"
    path.write_text(CONFIGURATION + PAYLOAD_TABLE)
    return path


def test_the_verb_needs_a_site_and_nothing_else(configuration: Path, tmp_path: Path) -> None:
    result = run("--config", str(configuration), "--at", "2026-11-24T08:03:12Z", "--svg", str(tmp_path / "pole.svg"))
    assert result.exception is None
    assert result.stdout == page(RIDGE, EVENING, PAYLOAD)
    assert ET.parse(tmp_path / "pole.svg").getroot() is not None


def test_the_verb_prints_one_json_document(configuration: Path) -> None:
    result = run("--config", str(configuration), "--json")
    document = json.loads(result.stdout)
    assert document["payload"]["weights_kg"] == [5.0, 3.5]
    made = at(document["utc"].replace("Z", "+00:00"))
    assert abs(datetime.now(UTC) - made) < timedelta(minutes=5)


def test_the_site_may_come_from_a_site_file(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(CONFIGURATION + "[survey]\nepochs = 300\n")
    (tmp_path / "noonmark.toml").write_text('[site]\nfile = "site.toml"\n')
    result = run("--config", str(tmp_path / "noonmark.toml"), "--at", "2026-11-24 08:03:12")
    assert result.stdout == page(RIDGE, EVENING)


@pytest.mark.parametrize(
    ("content", "arguments", "told"),
    [
        (CONFIGURATION, ("--at", "yesterday"), "yesterday.*no instant"),
        (CONFIGURATION, ("--at", "3026-01-01"), "1974 to 2099"),
        (CONFIGURATION.replace("-31.8571", "141.6"), (), "site.latitude_deg.*-90 to 90"),
        (CONFIGURATION.replace("Broken_Hill", "Brokenhill"), (), "site.timezone.*Australia/Broken_Hill"),
        (CONFIGURATION + "[payload]\n", (), "payload"),
        (CONFIGURATION + PAYLOAD_TABLE.replace("capacity_kg", "capacity"), (), r"payload.capacity.*capacity_kg"),
        (CONFIGURATION + PAYLOAD_TABLE.replace("7.2", '"heavy"'), (), r"payload.loads.0.mass_kg"),
        (CONFIGURATION + PAYLOAD_TABLE.replace("weights_kg", "weight_kg"), (), r"payload.weight_kg.*weights_kg"),
        (CONFIGURATION + PAYLOAD_TABLE.replace("mass_kg", "weight_kg"), (), r"loads.0.weight_kg.*distance_mm, mass_kg"),
        (
            CONFIGURATION + re.sub(r"weights_kg = .*", "weights_kg = 5.0", PAYLOAD_TABLE),
            (),
            r"payload.weights_kg': expected a list in brackets; it is 5.0",
        ),
        ("[mount]\nport = 'x'\n", (), r"\[site\]"),
        ("not toml", (), "not TOML"),
    ],
)
def test_bad_input_is_told_by_file_key_and_expectation(
    tmp_path: Path, content: str, arguments: tuple[str, ...], told: str
) -> None:
    path = tmp_path / "noonmark.toml"
    path.write_text(content)
    result = run("--config", str(path), *arguments)
    assert isinstance(result.exception, ConfigError)
    assert re.search(told, str(result.exception)), str(result.exception)
    assert result.exception.remedy or "file" in str(result.exception)


def test_a_drawing_that_can_not_be_written_is_told(configuration: Path, tmp_path: Path) -> None:
    result = run("--config", str(configuration), "--svg", str(tmp_path / "absent" / "pole.svg"))
    assert isinstance(result.exception, ConfigError)
    assert "can't be written" in str(result.exception)


def test_the_sheet_is_made_without_astropy_and_without_a_network(configuration: Path) -> None:
    program = (
        "import sys, socket\n"
        "def refuse(*a, **k): raise OSError('no network here')\n"
        "socket.socket.connect = refuse\n"
        "socket.create_connection = refuse\n"
        "from noonmark.driver.cli.brief import brief\n"
        f"brief(['--config', {str(configuration)!r}], standalone_mode=False)\n"
        "sys.exit('astropy' in sys.modules)\n"
    )
    done = subprocess.run([sys.executable, "-W", "error", "-c", program], check=False, timeout=60, capture_output=True)
    assert (done.returncode, done.stderr) == (0, b"")
    assert b"NOONMARK BRIEF" in done.stdout


def test_a_change_value_is_what_the_zone_says() -> None:
    change = zones.next_change(_zone(), EVENING)
    assert change == Change(at("2027-04-03T16:30:00+00:00"), 10.5, 9.5)


def test_no_zero_bears_a_minus() -> None:
    """Summer time on Greenwich: the standard offset is 0 in either habit, and a keypad has no minus for it."""
    site = Site(name="", latitude_deg=51.4779, longitude_deg=0.0, timezone="Europe/London")
    text = page(site, at("2026-07-24T20:00:00+00:00"))
    assert "+00:00 h (east +) or +00:00 h (west +)" in " ".join(text.split())
    assert "-00:00" not in text
