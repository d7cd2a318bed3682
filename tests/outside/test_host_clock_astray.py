"""A host whose clock was never set, or is kept in local time, beside a true receiver: the claim is named, nothing is
written on its word, and what is written stands on the receiver's.

The driver runs under libfaketime, which fakes the system's UTC; the simulated devices live in true time.
"""

from __future__ import annotations

import json
import shutil
import sys

import pytest
from support.processes import Finished, Place, judge_state, rarely

# libfaketime is told to leave the monotonic clock alone; it then turns the absolute sleeps of Python 3.11 into
# EINVAL, so these go through select(2), which it leaves alone as well.
PROGRAM = """
import select, sys, time
time.sleep = lambda seconds: select.select([], [], [], max(0.0, seconds))
from noonmark.driver.cli import main
main(sys.argv[1:])
"""

ASTRAY = [  # what the host's clock says, the cause, words of the reason
    ("2000-01-01 00:00:00", "host-clock-never-set", "years off"),
    ("+37800s", "host-clock-in-local-time", "+10.5 h"),
    ("-3600s", "host-clock-in-local-time", "-1 h"),
]
IDS = ["year-2000", "local-time", "an-hour-behind"]


def under(place: Place, clock: str, *arguments: str) -> Finished:
    """Run `noonmark` with a host's clock that says something else."""
    if shutil.which("faketime") is None:
        pytest.skip("faketime is not installed")
    environment = place.environment(FAKETIME_DONT_FAKE_MONOTONIC="1")
    # an interpreter started by hand, since the command's own would not have its sleeps replaced
    command = ["faketime", "-f", clock if clock[0] in "+-" else f"@{clock}", sys.executable, "-c", PROGRAM, *arguments]
    return place.start_command(command, environment).finish()


@pytest.mark.parametrize(("clock", "cause", "words"), [*ASTRAY[:2], rarely(*ASTRAY[2])], ids=IDS)
def test_a_host_clock_astray_is_named_and_nothing_is_written(place: Place, clock: str, cause: str, words: str) -> None:
    """Two origins are required, and the host is none: it abstains, and the receiver alone does not suffice."""
    mount = place.mount()
    config = str(place.config(mount.address, place.receiver().address))
    found = under(place, clock, "set", "--config", config, "--json")
    document = found.document
    assert (found.status, document["outcome"], document["code"]) == (3, "untrusted", "too-few-origins-agree"), document
    claim = found.claims["host", "time"]
    assert (claim["origin"], claim["agrees"], claim["cause"]) == ("host", None, cause)
    assert words in claim["why"]
    assert words in document["reason"], "the reason names the odd one out"
    assert found.claims["nmea:1", "time"]["agrees"] is True
    assert not mount.heard("S")


@pytest.mark.parametrize(("clock", "cause", "words"), [ASTRAY[0], rarely(*ASTRAY[1])], ids=IDS[:2])
def test_where_one_origin_suffices_the_receiver_alone_sets_the_mount_true(
    place: Place, clock: str, cause: str, words: str
) -> None:
    """The policy says so: the receiver then gives thirty epochs, and the host's clock counts for nothing."""
    state = place.folder / "state.json"
    mount = place.mount("--state", str(state))
    config = str(place.config(mount.address, place.receiver().address, policy={"time_origins_required": 1}))
    found = under(place, clock, "set", "--config", config, "--json")
    assert (found.status, found.document["outcome"]) == (0, "confirmed"), found.document
    assert found.claims["host", "time"]["agrees"] is None
    assert found.claims["host", "time"]["cause"] == cause
    assert words in found.claims["host", "time"]["why"]
    mount.close()
    assert judge_state(state) == []


def test_restore_takes_the_newest_record_even_if_the_host_clock_went_back_to_2000(place: Place) -> None:
    """After a power cut the clock may say 2000: the record of that run is still the newest. All is simulated here,
    and simulated time begins at the host's."""
    state = place.folder / "state.json"
    address = f"sim:?state={state}"
    config = str(place.config(address, "sim:receiver?rate_hz=10"))
    assert place.run("set", "--config", config).status == 0  # its record holds the factory's settings
    elsewhere = {"latitude_deg": -35.0, "longitude_deg": 149.0, "elevation_m": 600.0, "name": "Elsewhere",
                 "timezone": "Australia/Sydney"}  # fmt: skip
    other = str(place.config(address, "sim:receiver?rate_hz=10", name="other.toml", site=elsewhere))
    late = under(place, ASTRAY[0][0], "set", "--config", other, "--json")  # and this one's the first site's
    assert (late.status, late.document["started_utc"][:4]) == (0, "2000")
    back = place.run("restore", "--config", config, "--json")
    assert (back.status, back.document["outcome"]) == (0, "confirmed"), back.document
    kept = json.loads(state.read_text())["state"]
    assert kept["latitude_deg"] == pytest.approx(-31.85, abs=1e-6)
    assert kept["offset_h"] in (9.5, 10.5)


def test_a_step_of_the_host_clock_in_mid_run_is_noticed(place: Place) -> None:
    """libfaketime is made to change what it says by the file that it reads: the host's claim is dropped."""
    if shutil.which("faketime") is None:
        pytest.skip("faketime is not installed")
    mount, receiver = place.right_mount(), place.slow_receiver()
    config = str(place.config(mount.address, receiver.address, baud=9600))
    setting = place.folder / "faketimerc"
    setting.write_text("+0s\n")
    environment = place.environment(
        FAKETIME_DONT_FAKE_MONOTONIC="1", FAKETIME_NO_CACHE="1", FAKETIME_TIMESTAMP_FILE=str(setting)
    )
    # faketime(1) itself insists on a setting of its own: its library is loaded without it
    environment["LD_PRELOAD"] = library()
    running = place.start_command([sys.executable, "-c", PROGRAM, "check", "--config", config, "--json"], environment)
    mount.wait_for(lambda rows: any(row.text.startswith(":GZ") for row in rows), "the first look", running)
    setting.write_text("+40s\n")
    found = running.finish()
    assert (found.status, found.document["code"]) == (3, "too-few-origins-agree"), found.document
    claim = found.claims["host", "time"]
    assert (claim["agrees"], claim["cause"]) == (None, "host-clock-stepped")
    assert "stepped" in claim["why"]


def library() -> str:
    """The library that faketime(1) loads, as Debian has it; the multi-threaded one."""
    from pathlib import Path

    found = sorted(Path("/usr/lib").glob("*/faketime/libfaketimeMT.so.1"))
    if not found:
        pytest.skip("libfaketime is not where Debian has it")
    return str(found[0])
