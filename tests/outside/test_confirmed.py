"""`confirmed` from outside: processes on pseudo-terminals and TCP ports, and the mount's own memory as the judge."""

from __future__ import annotations

import json

import pytest
from support.processes import Place, judge_state, offset_h

SETTINGS = ("latitude", "longitude", "offset", "date", "time", "sidereal")


@pytest.mark.parametrize("line", ["pty", "tcp"])
def test_check_set_check_on_a_factory_mount_end_in_1_0_0(place: Place, line: str) -> None:
    state = place.folder / "state.json"
    mount = place.mount("--state", str(state), *(["--tcp", "0"] if line == "tcp" else []))
    assert mount.address.startswith("/dev/pts/" if line == "pty" else "socket://")
    config = str(place.config(mount.address, place.receiver().address))

    before = place.run("check", "--config", config, "--json")
    assert (before.status, before.document["outcome"]) == (1, "discrepant")
    assert {row["name"] for row in before.document["settings"] if row["ok"] is False} == set(SETTINGS)
    assert not mount.heard("S"), "check wrote to the mount"

    change = place.run("set", "--config", config, "--json")
    assert (change.status, change.document["outcome"]) == (0, "confirmed"), change.narration
    assert sorted(change.document["written"]) == sorted(SETTINGS[:5])

    after = place.run("check", "--config", config, "--json")
    assert (after.status, after.document["outcome"]) == (0, "confirmed"), after.narration
    assert [row["name"] for row in after.document["settings"] if row["ok"] is not True] == []

    mount.close()
    assert judge_state(state) == []
    assert [record["stage"] for record in place.records_kept()] == ["finished"] * 3


def test_what_check_reports_is_what_stands_in_the_mount(place: Place) -> None:
    """The clock of a mount 0.6 s ahead is found ahead by just that; its interval holds the true error."""
    state = place.folder / "state.json"
    mount = place.right_mount("--state", str(state), error_s=0.6)
    found = place.run("check", "--config", str(place.config(mount.address, place.receiver().address)), "--json")
    kept = json.loads(state.read_text())["state"]
    true_error_s = kept["local_s"] - kept["at_utc_s"] - offset_h() * 3600
    assert true_error_s == pytest.approx(0.6, abs=1e-6)
    low, high = found.document["clock"]["utc_error_s"]
    assert low <= true_error_s <= high
    low, high = found.document["clock"]["host_error_s"]  # the mount's clock against this host's, which it lives by
    assert low <= true_error_s <= high
    assert high - low < 0.2


def test_a_receiver_of_one_epoch_a_second_at_9600_baud_suffices(place: Place) -> None:
    """Ten epochs come first, so it takes ten seconds; the mount is read meanwhile."""
    mount, receiver = place.right_mount(), place.slow_receiver()
    found = place.run("check", "--config", str(place.config(mount.address, receiver.address, baud=9600)), "--json")
    assert found.status == 0, found.narration
    assert 8.9 < found.document["duration_s"] < 30.0  # ten seconds, if nothing else keeps the machine busy
    assert sum("RMC" in row.text for row in receiver.rows) >= 10


def test_an_unsynchronised_host_counts_for_the_hour_and_the_receiver_carries_the_second(place: Place) -> None:
    if host_is_synchronised():
        pytest.skip("this host's clock is synchronised: there is nothing to show")
    mount, receiver = place.right_mount(), place.receiver()
    found = place.run("check", "--config", str(place.config(mount.address, receiver.address)), "--json")
    assert found.status == 0, found.narration
    host, gnss = found.claims["host", "time"], found.claims["nmea:1", "time"]
    assert (host["origin"], host["agrees"], gnss["origin"], gnss["agrees"]) == ("host", True, "gnss", True)
    assert "not for the second" in host["why"]
    low, high = found.document["truth"]["utc_interval_s"]
    assert 0.5 < high - low <= 0.91, "the interval is as wide as the receiver's latency allows"
    assert low <= 0.0 <= high, "the devices live by this very clock"


def test_an_unsynchronised_host_alone_is_never_enough(place: Place) -> None:
    if host_is_synchronised():
        pytest.skip("this host's clock is synchronised: alone it may suffice")
    mount = place.right_mount()
    policy = {"time_origins_required": 1, "place_origins_required": 1}
    config = str(place.config(mount.address, policy=policy))
    for verb in ("check", "set"):
        found = place.run(verb, "--config", config, "--json")
        assert (found.status, found.document["outcome"], found.document["code"]) == (
            3,
            "untrusted",
            "no-bounded-source",
        )
        assert {row["ok"] for row in found.document["settings"] if row["name"] in ("time", "date", "sidereal")} == {
            None
        }
    assert not mount.heard("S")


def test_set_on_a_right_mount_writes_nothing(place: Place) -> None:
    mount = place.right_mount()
    found = place.run("set", "--config", str(place.config(mount.address, place.receiver().address)), "--json")
    assert (found.status, found.document["written"], found.document["planned"]) == (0, [], [])
    assert not mount.heard("S")


def test_a_dry_run_tells_the_plan_and_writes_nothing(place: Place) -> None:
    mount = place.mount()
    found = place.run(
        "set", "--dry-run", "--config", str(place.config(mount.address, place.receiver().address)), "--json"
    )
    assert (found.status, found.document["outcome"]) == (1, "discrepant")
    assert [one["name"] for one in found.document["planned"]] == ["longitude", "latitude", "offset", "date", "time"]
    for one in found.document["planned"]:
        assert bytes.fromhex(one["bytes"]).startswith(b":S")
    assert not mount.heard("S")


def test_nothing_that_moves_a_mount_and_no_toggle_ever_leaves_the_driver(place: Place) -> None:
    """Every byte string that a check, a set and a restore sent: questions and the five settings."""
    mount = place.mount()
    config = str(place.config(mount.address, place.receiver().address))
    for verb in ("check", "set", "restore"):
        place.run(verb, "--config", config, "--json")
    sent = {row.text for row in mount.rows if row.direction == ">"}
    assert sent
    assert all(text.startswith((":G", ":S", ":D#")) for text in sent), sent
    assert {text[1:3] for text in sent if text.startswith(":S")} == {"SC", "SL", "SG", "Sg", "St"}


def test_restore_puts_a_factory_mount_back(place: Place) -> None:
    state = place.folder / "state.json"
    mount = place.mount("--state", str(state))
    config = str(place.config(mount.address, place.receiver().address))
    earlier = json.loads(state.read_text())["state"]
    assert place.run("set", "--config", config).status == 0
    back = place.run("restore", "--config", config, "--json")
    assert (back.status, back.document["outcome"]) == (0, "confirmed"), back.narration
    mount.close()
    now = json.loads(state.read_text())["state"]
    assert {name: now[name] for name in ("latitude_deg", "longitude_deg", "offset_h")} == {
        name: earlier[name] for name in ("latitude_deg", "longitude_deg", "offset_h")
    }
    shift_s = (now["local_s"] - now["at_utc_s"]) - (earlier["local_s"] - earlier["at_utc_s"])
    assert abs(shift_s) < 1.0, "its clock runs on as if nothing had been written"


def test_a_simulated_address_with_a_state_file_goes_on_in_the_next_process(place: Place) -> None:
    state = place.folder / "state.json"
    config = str(place.config(f"sim:?state={state}", "sim:receiver?rate_hz=10"))
    assert [place.run(verb, "--config", config).status for verb in ("check", "set", "check")] == [1, 0, 0]
    assert judge_state(state, clock_s=20.0) == []  # it went through a set in virtual time, ahead of this clock
    fresh = str(place.config("sim:", "sim:receiver?rate_hz=10", name="fresh.toml"))
    assert [place.run(verb, "--config", fresh).status for verb in ("set", "check")] == [0, 1], "sim: is fresh each time"


def test_two_receivers_that_agree_are_one_origin(place: Place) -> None:
    mount, one, two = place.right_mount(), place.receiver("--seed", "1"), place.receiver("--seed", "2")
    config = str(place.config(mount.address, one.address, two.address, host=False))
    found = place.run("check", "--config", config, "--json")
    assert found.status == 2, "two receivers are one origin: the policy asks for two"
    assert found.document["code"] == "too-few-origins"


def test_a_run_takes_seconds_and_lets_go_of_the_line(place: Place) -> None:
    """The next one can open the port at once."""
    mount = place.right_mount()
    config = str(place.config(mount.address, place.receiver().address))
    for _ in range(2):
        found = place.run("check", "--config", config)
        assert found.status == 0
        assert found.seconds < 30.0  # six, if nothing else keeps the machine busy


def host_is_synchronised() -> bool:
    """By adjtimex(2), as the driver asks; what it makes of it is another matter."""
    from noonmark.driver.clocks import SystemClock

    return bool(SystemClock().discipline().synchronised)


def test_a_mount_in_the_other_hemisphere_and_a_zone_without_daylight_saving_is_confirmed(place: Place) -> None:
    """51.4 N, 71.5 E, UTC+5 the year round (IANA zone database, Asia/Almaty since 2024)."""
    site = {
        "name": "Steppe",
        "latitude_deg": 51.4,
        "longitude_deg": 71.5,
        "elevation_m": 350.0,
        "timezone": "Asia/Almaty",
    }
    state = place.folder / "state.json"
    mount = place.mount("--state", str(state))
    config = str(place.config(mount.address, place.receiver(site=site).address, site=site))
    assert [place.run(verb, "--config", config).status for verb in ("set", "check")] == [0, 0]
    mount.close()
    assert judge_state(state, site) == []
