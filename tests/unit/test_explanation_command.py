"""The verb `explain`: one document for a script, the sentence first for a person, 2 for a wrong command line."""

from __future__ import annotations

import datetime as dt
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from support.virtual import NIGHT, SITE, rig

from noonmark.driver import check, cli
from noonmark.driver.cli.table import show
from noonmark.driver.reasons.causes_page import page
from noonmark.driver.reasons.celestial_text import CoordinateError
from noonmark.driver.reasons.shown_values import Shown, rows
from noonmark.driver.record import all_records
from noonmark.driver.site import Site
from noonmark.sim.state import right

HERE = ("--latitude", "-31.8571", "--longitude", "141.6034", "--timezone", "Australia/Broken_Hill")
AT = ("--at", "2026-11-24T12:34:56Z")
HOUR_WEST = ("--aimed", "05:35:17 -05:23:28", "--found", "04:35:17 -05:23:28")


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    status = cli.run(["explain", *arguments])
    out, err = capsys.readouterr()
    return status, out, err


def document(capsys: pytest.CaptureFixture[str], *arguments: str) -> dict[str, Any]:
    status, out, _ = run(capsys, *arguments, "--json")
    read = json.loads(out)
    assert isinstance(read, dict)
    assert read["exit_status"] == status
    return read


def record_of(folder: Path, utc: dt.datetime = NIGHT, **changes: float) -> str:
    state = right(NIGHT, SITE["latitude_deg"], SITE["longitude_deg"], 10.5)
    for name, value in changes.items():
        setattr(state, name, value)
    built = rig(folder, utc=utc, state=state, receiver=False)
    return str(check(built.config, seams=built.seams).record)


# --- a sighting -------------------------------------------------------------------------------------


def test_a_sighting_is_explained_as_one_document(capsys: pytest.CaptureFixture[str]) -> None:
    told = document(capsys, *HERE, *AT, *HOUR_WEST)
    assert (told["schema"], told["verb"], told["mode"]) == ("noonmark-explanation-1", "explain", "sighting")
    assert told["explanation"][0]["cause"] == "daylight-saving-missing"
    assert told["explanation"][0]["hour_angle_error_deg"] == pytest.approx(15.0411, abs=1e-4)
    assert told["reason"] == told["explanation"][0]["sentence"]
    assert told["sighting"]["seen"][0]["found_minus_aimed_ra_deg"] == pytest.approx(-15.0, abs=0.01)
    assert told["exit_status"] == 0


def test_a_person_gets_the_sentence_first_then_the_numbers(capsys: pytest.CaptureFixture[str]) -> None:
    status, out, err = run(capsys, *HERE, *AT, *HOUR_WEST)
    lines = out.splitlines()
    assert (status, err) == (0, "")
    assert lines[0].startswith("Daylight saving is missing")
    assert "hour angle off by +15.04 deg" in lines[1]
    assert lines[2].startswith("  what to do: ")
    assert out.isascii()


def test_a_good_sighting_after_a_sync_says_that_it_clears_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    same = ("--aimed", "05:35:17 -05:23:28", "--found", "05:35:17 -05:23:28")
    told = document(capsys, *HERE, *AT, *same, "--synced")
    assert told["code"] == "nothing-wrong"
    assert "clears neither clock nor place" in told["reason"]
    assert any("clears nothing" in note for note in told["notes"])


def test_several_sightings_come_by_repeating_or_from_a_table(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    pairs = [("05:35:17 -05:23:28", "04:35:17 -05:23:28"), ("03:00:00 -40:00:00", "02:00:00 -40:00:00"),
             ("01:30:00 -75:00:00", "00:30:00 -75:00:00")]  # fmt: skip
    given = [word for aimed, found in pairs for word in ("--aimed", aimed, "--found", found)]
    by_hand = document(capsys, *HERE, *AT, *given)
    file = tmp_path / "looks.csv"
    file.write_text("aimed,found,utc\n" + "".join(f"{a},{f},2026-11-24T12:34:56Z\n" for a, f in pairs))
    by_table = document(capsys, *HERE, "--csv", str(file))
    assert by_hand["explanation"] == by_table["explanation"]
    assert by_table["sighting"]["solution"]["hour_angle_deg"] == pytest.approx(15.0, abs=0.3)


def test_a_wrong_instant_in_a_table_is_told_by_its_line(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    file = tmp_path / "looks.csv"
    row = "05:35:17 -05:23:28,04:35:17 -05:23:28"
    file.write_text(f"aimed,found,utc\n{row},2026-11-24T12:34:56Z\n{row},2026-11-24T25:00:00Z\n")
    status, out, _ = run(capsys, *HERE, "--csv", str(file), "--json")
    assert (status, json.loads(out)["code"]) == (2, "instant-malformed")
    assert f"{file}, line 3: utc '2026-11-24T25:00:00Z' is no instant" in json.loads(out)["reason"]


def test_the_equinox_of_each_position_can_be_told(capsys: pytest.CaptureFixture[str]) -> None:
    """(0 h, 0) of J2000 is, in 2026, 0.345 deg on in right ascension (26.9 years of 46.1 arcsec)."""
    pair = ("--aimed", "03:00:00 +00:00:00", "--found", "03:00:00 +00:00:00")
    one = document(capsys, *HERE, *AT, *pair)["sighting"]["seen"][0]
    assert one["found_minus_aimed_ra_deg"] == 0.0
    mixed = document(capsys, *HERE, *AT, *pair, "--found-equinox", "date")["sighting"]["seen"][0]
    assert mixed["found_minus_aimed_ra_deg"] == pytest.approx(-26.9 * 46.1 / 3600, abs=0.01)


def test_without_an_instant_this_hosts_clock_is_used_and_that_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    """The aim is overhead at any time: where the pole stands, beside it."""
    same = ("--aimed", "05:35:17 -80:00:00", "--found", "05:35:17 -80:00:00")
    told = document(capsys, *HERE, *same)
    assert any("this host's" in note for note in told["notes"])
    assert not any("this host's" in note for note in document(capsys, *HERE, *AT, *same)["notes"])


# --- values of a display ----------------------------------------------------------------------------


def test_values_read_off_a_display_are_explained(capsys: pytest.CaptureFixture[str]) -> None:
    shown = ("--mount-offset", "+9:30", "--mount-time", "23:04:50", "--mount-date", "2026-11-24")
    told = document(capsys, *HERE, *AT, *shown)
    assert told["explanation"][0]["cause"] == "daylight-saving-missing"
    assert {row["name"]: row["ok"] for row in told["settings"]} == {"offset": False, "date": True, "time": True}


@pytest.mark.parametrize(
    ("given", "cause"),
    [
        (("--mount-longitude", "141:36 W"), "longitude-sign-reversed"),
        (("--mount-longitude", "218:24"), None),  # hold on: 218:24 east is 141:36 west
        (("--mount-latitude", "31:51 S"), None),
        (("--mount-latitude", "+31:51"), "latitude-sign-reversed"),
        (("--mount-time", "12:34"), "utc-entered-as-local"),
        (("--mount-date", "2026-11-25"), "date-off-by-one"),
        (("--mount-time", "11:04:56"), "twelve-hour-clock"),
        (("--mount-offset", "0"), "local-entered-as-utc"),
    ],
)
def test_one_value_of_a_display_is_enough(
    capsys: pytest.CaptureFixture[str], given: tuple[str, ...], cause: str | None
) -> None:
    told = document(capsys, *HERE, *AT, *given)
    first = told["explanation"][0]["cause"] if told["explanation"] else None
    assert first == (cause if given[1] != "218:24" else "longitude-sign-reversed")
    assert told["code"] == ("explained" if first else "nothing-wrong")


def test_a_mount_that_is_kept_on_utc_is_right(capsys: pytest.CaptureFixture[str]) -> None:
    """Offset 0 with UTC as local time is the same sky; beside it a wrong place is still found, and told by itself."""
    on_utc = ("--mount-offset", "0", "--mount-time", "12:34:56", "--mount-date", "2026-11-24")
    told = document(capsys, *HERE, *AT, *on_utc)
    assert (told["code"], told["explanation"]) == ("nothing-wrong", [])
    assert any("offset 0 with UTC" in note for note in told["notes"])
    wrong = document(capsys, *HERE, *AT, *on_utc, "--mount-longitude", "141:36 W")["explanation"][0]
    assert (wrong["cause"], wrong["together"]) == ("longitude-sign-reversed", [])
    late = document(capsys, *HERE, *AT, *on_utc[:2], "--mount-time", "12:04:56")
    assert late["code"] == "explained"


def test_an_offsets_minutes_as_decimals_are_mended_at_the_offset(capsys: pytest.CaptureFixture[str]) -> None:
    """10.3 for 10:30: nothing is wrong with the place, so the remedy must not send anyone there."""
    first = document(capsys, *HERE, *AT, "--mount-offset", "10.3")["explanation"][0]
    assert first["cause"] == "minutes-read-as-decimals"
    assert "offset +10:30" in first["remedy"]
    assert "latitude" not in first["remedy"]


@pytest.mark.parametrize(
    ("shown", "told"),
    [
        (Shown(latitude="-31:51 S"), "both a sign and a letter"),
        (Shown(latitude="95"), "at most 90"),
        (Shown(longitude="9h"), "longitude '9h' can't be read: expected degrees"),
        (Shown(offset="10h30"), "local minus UTC"),
        (Shown(offset="+10:75"), "local minus UTC"),
        (Shown(date="24/11/2026"), "year, month, day"),
        (Shown(time="25:00"), "the local time"),
        (Shown(time="23:04Z"), "bears a zone"),
    ],
)
def test_a_value_that_can_not_be_read_is_told_by_its_name(shown: Shown, told: str) -> None:
    site = Site(latitude_deg=-31.8571, longitude_deg=141.6034, timezone="Australia/Broken_Hill")
    with pytest.raises(CoordinateError, match=told):
        rows(shown, site, 10.5, NIGHT)


# --- records ----------------------------------------------------------------------------------------


def test_a_record_is_explained_as_the_run_was(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    file = record_of(tmp_path, offset_h=-10.5)
    told = document(capsys, "--record", file)
    kept = json.loads(Path(file).read_text())["result"]["explanation"]
    assert told["explanation"][0]["cause"] == kept[0]["cause"] == "offset-sign-reversed"
    assert told["explanation"][0]["hour_angle_error_deg"] == kept[0]["hour_angle_error_deg"]


def test_a_record_of_a_confirmed_mount_has_nothing_to_explain(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    told = document(capsys, "--record", record_of(tmp_path))
    assert (told["code"], told["explanation"]) == ("nothing-wrong", [])
    assert told["reason"].startswith("Nothing is wrong in this record: confirmed")


def test_two_records_tell_how_the_clock_runs(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    files = [record_of(tmp_path, NIGHT + dt.timedelta(hours=hours), drift_ppm=100.0) for hours in (0, 10)]
    assert len(all_records(tmp_path)) == 2
    told = document(capsys, "--record", files[1], "--record", files[0])
    low, high = told["clock_rate"]["rate_ppm"]
    assert low <= 100.0 <= high
    assert "clock-runs-fast-or-slow" in {one["cause"] for one in told["explanation"]}


def test_two_records_of_one_minute_say_why_no_rate_is_told(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    files = [record_of(tmp_path, NIGHT + dt.timedelta(seconds=seconds)) for seconds in (0, 60)]
    told = document(capsys, "--record", files[0], "--record", files[1])
    assert told["clock_rate"] is None
    assert any("rate is not told" in note for note in told["notes"])


def test_a_check_tells_a_person_what_the_mistake_does_and_what_to_do(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    state = right(NIGHT, SITE["latitude_deg"], SITE["longitude_deg"], 10.5)
    state.offset_h = -10.5
    built = rig(tmp_path, utc=NIGHT, state=state, receiver=False)
    result = check(built.config, seams=built.seams)
    show(result)
    out = capsys.readouterr().out
    assert "The offset's sign is reversed" in out
    assert "deg on the sky at the equator; " in out
    assert "the meridian is crossed 176.1 min too late" in out  # 21 h x 15.04107 - 360 deg, over 15.04107
    assert f"what to do: {result.explanation[0].remedy}" in out


# --- wrong command lines ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ((), "expected one of"),
        ((*HOUR_WEST, "--mount-offset", "9"), "expected one of"),
        (("--aimed", "05:35:17 -05:23:28"), "--aimed is given 1 times and --found 0 times"),
        ((*HOUR_WEST, *AT, *AT), "--at is given 2 times for 1 pairs"),
        (("--aimed", "5.5 -05:23:28", "--found", "04:35:17 -05:23:28"), "pair 1: right ascension '5.5' could be"),
        ((*HOUR_WEST, "--at", "yesterday"), "is no instant"),
        ((*HOUR_WEST, "--at", "9999-12-31T23:59:59-05:00"), "is no instant"),
        ((*HOUR_WEST, "--at", "9999-12-31T23:59:59Z"), "expected a year from 1974 to 2099"),
        (("--mount-offset", "9", "--at", "0001-01-01T00:00:00Z"), "--at is 1: expected a year from 1974"),
        ((*HOUR_WEST, "--uncertainty", "0"), "expected 0.1 to 600 arcmin"),
        ((*HOUR_WEST, "--axis", "polar"), "is not one of"),
        (("--mount-latitude", "north"), "latitude 'north' can't be read"),
        (("--csv", "/absent/looks.csv"), "/absent/looks.csv: can't be read"),
        (("--record", "/absent/record.json"), "/absent/record.json: no such record"),
        (("--nonsense",), "No such option"),
        ((*HOUR_WEST, "--at", "2026-11-25T00:34:56Z"), "below the horizon"),
    ],
)
def test_a_wrong_command_line_is_2_with_one_document_and_the_remedy(
    capsys: pytest.CaptureFixture[str], given: tuple[str, ...], told: str
) -> None:
    status, out, err = run(capsys, *HERE, *given, "--json")
    read = json.loads(out)
    assert (status, read["exit_status"]) == (2, 2)
    assert told.lower() in read["reason"].lower()
    assert told.lower() in err.lower()
    assert "Traceback" not in err


@pytest.mark.parametrize(
    ("place", "told"),
    [
        (("--latitude", "-31.8"), "belong together"),
        (("--latitude", "131.8", "--longitude", "41"), "expected -90 to 90"),
        (("--latitude", "1", "--longitude", "241"), "expected -180 to 180"),
        (("--latitude", "-31.8", "--longitude", "141.6", "--timezone", "Nowhere/Town"), "Nowhere/Town"),
        (("--config", "/absent/noonmark.toml"), "/absent/noonmark.toml"),
    ],
)
def test_a_wrong_site_is_2(capsys: pytest.CaptureFixture[str], place: tuple[str, ...], told: str) -> None:
    status, out, _ = run(capsys, *place, *AT, *HOUR_WEST, "--json")
    assert status == 2
    assert told in json.loads(out)["reason"]


def test_a_record_that_is_none_is_told_by_its_file(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    unfinished = tmp_path / "record.json"
    unfinished.write_text(json.dumps({"schema": "noonmark-record-1", "stage": "planned"}))
    status, out, _ = run(capsys, "--record", str(unfinished), "--json")
    assert status == 2
    assert str(unfinished) in json.loads(out)["reason"]


def test_the_site_of_a_configuration_is_used(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    file = tmp_path / "noonmark.toml"
    file.write_text('[site]\nlatitude_deg = -31.8571\nlongitude_deg = 141.6034\ntimezone = "Australia/Broken_Hill"\n')
    told = document(capsys, "--config", str(file), *AT, "--mount-offset", "-10:30")
    assert told["explanation"][0]["cause"] == "offset-sign-reversed"


# --- pages and cost ---------------------------------------------------------------------------------


def test_the_page_of_causes_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(capsys, "--causes") == (0, page(), "")


def test_a_check_does_not_load_what_only_sightings_need() -> None:
    code = (
        "import sys, noonmark.driver.session\n"
        "loaded = [name for name in sys.modules if name.startswith('noonmark.driver.reasons.sighting') or name in "
        "('noonmark.driver.reasons.tube', 'noonmark.driver.sheet.apparent', 'astropy', 'tzfpy', 'rich')]\n"
        "sys.exit(','.join(loaded) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
