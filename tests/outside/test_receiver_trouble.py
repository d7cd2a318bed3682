"""Receivers that must not be believed: the run is `untrusted`, nothing is written, and the claim is named with why."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest
from support.processes import SITE, Finished, Place, rarely


def untrusted(found: Finished, code: str | None = None) -> Mapping[str, Any]:
    """The document of a run that established no truth."""
    document = found.document
    assert (found.status, document["outcome"]) == (3, "untrusted"), document
    assert document["written"] == document["unconfirmed"] == []
    assert "Traceback" not in found.narration
    if code is not None:
        assert document["code"] == code, document
    return document


@pytest.mark.parametrize(("fault", "words"), [
    ("says-nothing", "not a byte"),
    rarely("cold-start:1000", "no-time"),
    ("no-fix", "no fix"),
    ("simulator-mode", "simulat"),
], ids=["silent", "cold", "plausible-time-without-fix", "simulator"])  # fmt: skip
def test_a_receiver_that_says_nothing_that_counts_leaves_no_truth(place: Place, fault: str, words: str) -> None:
    """The patience ends with the limit's reserve: 12 s here, so that the whole stays within 20 s."""
    mount = place.mount()
    receiver = place.receiver("--fault", fault)
    config = str(place.config(mount.address, receiver.address, policy={"time_limit_s": 18.0}))
    found = place.run("set", "--config", config, "--json")
    untrusted(found, "no-bounded-source")
    claim = found.claims["nmea:1", "time"]
    assert claim["agrees"] is None
    assert words in claim["why"], claim
    assert not mount.heard("S")
    assert found.document["duration_s"] < 19.0


@pytest.mark.parametrize(("fault", "cause", "words"), [
    ("rollover", "week-rollover", "1024 weeks"),
    rarely("labels-next-second:3600", "host-clock-in-local-time", "1 h"),
], ids=["rollover", "an-hour-off"])  # fmt: skip
def test_a_receiver_far_from_the_hosts_clock_is_not_believed_nor_is_the_host(
    place: Place, fault: str, cause: str, words: str
) -> None:
    """One against one: neither is picked, and what lies between them is named."""
    mount = place.mount()
    receiver = place.receiver("--fault", fault)
    found = place.run("set", "--config", str(place.config(mount.address, receiver.address)), "--json")
    document = untrusted(found)
    host = found.claims["host", "time"]
    assert host["agrees"] is not True
    assert host["cause"] == cause, host
    assert words in host["why"]
    assert words in document["reason"], document["reason"]
    assert not mount.heard("S")


@pytest.mark.parametrize(("fault", "cause", "words"), [
    ("elsewhere", "site-of-another-place", "3.0 km"),
    ("other-hemisphere", "latitude-sign-reversed", "wrong sign"),
    rarely("null-island", None, ""),
], ids=["3-km-away", "other-hemisphere", "null-island"])  # fmt: skip
def test_a_receiver_at_another_place_contradicts_the_site(
    place: Place, fault: str, cause: str | None, words: str
) -> None:
    mount = place.mount()
    receiver = place.receiver("--fault", fault)
    config = place.config(mount.address, receiver.address, policy={"time_limit_s": 18.0})
    found = place.run("set", "--config", str(config), "--json")
    document = untrusted(found)
    if cause is None:  # 0, 0 is no fix: no place is claimed at all
        assert document["code"] in ("place-too-few-origins", "no-bounded-source"), document
    else:
        claim = found.claims["nmea:1", "place"]
        assert (claim["agrees"], claim["cause"]) == (False, cause)
        assert words in claim["why"], claim
        assert document["code"] == "place-contradicted"
    assert not mount.heard("S")


def test_missing_leap_seconds_against_a_second_receiver_are_named(place: Place) -> None:
    """One against one, 18 s apart: GPS time minus UTC since 2017 (IERS Bulletin C 52)."""
    mount = place.mount()
    good, ahead = place.receiver(), place.receiver("--fault", "leap-missing:18")
    found = place.run("set", "--config", str(place.config(mount.address, good.address, ahead.address)), "--json")
    untrusted(found, "sources-disagree")
    assert found.claims["nmea:2", "time"]["agrees"] is False
    assert found.claims["nmea:2", "time"]["cause"] == "leap-seconds-missing"
    assert not mount.heard("S")


def test_one_against_one_is_never_settled_by_picking_one(place: Place) -> None:
    mount = place.right_mount()
    good, rolled = place.receiver(), place.receiver("--fault", "rollover")
    for number, order in enumerate(((good, rolled), (rolled, good))):
        config = place.config(mount.address, *(one.address for one in order), name=f"{number}.toml")
        found = place.run("check", "--config", str(config), "--json")
        untrusted(found, "sources-disagree")
        times = [claim["agrees"] for (_, kind), claim in found.claims.items() if kind == "time"]
        assert True not in times, found.claims
        assert {row["ok"] for row in found.document["settings"] if row["name"] in ("time", "date")} == {None}


def test_two_against_one_is_a_majority_and_the_one_outside_is_named(place: Place) -> None:
    mount = place.right_mount()
    good, other = place.receiver("--seed", "1"), place.receiver("--seed", "2")
    rolled = place.receiver("--fault", "rollover")
    config = place.config(mount.address, good.address, rolled.address, other.address)
    found = place.run("check", "--config", str(config), "--json")
    assert (found.status, found.document["outcome"]) == (0, "confirmed"), found.document
    assert found.claims["nmea:1", "time"]["agrees"] is True
    assert found.claims["nmea:3", "time"]["agrees"] is True
    outside = found.claims["nmea:2", "time"]
    assert (outside["agrees"], outside["cause"]) == (False, "week-rollover")


def test_three_voices_of_one_origin_share_a_rollover_and_are_still_not_believed(place: Place) -> None:
    """All receivers rolled over alike: they agree with each other, and the host's clock says no."""
    mount = place.mount()
    rolled = [place.receiver("--fault", "rollover", "--seed", str(seed)) for seed in (1, 2, 3)]
    found = place.run("set", "--config", str(place.config(mount.address, *(one.address for one in rolled))), "--json")
    document = untrusted(found, "too-few-origins-agree")
    assert "1024 weeks" in document["reason"]
    assert not mount.heard("S")


def test_a_sole_receiver_that_rolled_over_is_not_believed_even_where_one_origin_suffices(place: Place) -> None:
    """By policy one origin is enough: then its date must still be later than this program."""
    mount = place.mount()
    receiver = place.receiver("--fault", "rollover")
    config = place.config(mount.address, receiver.address, host=False, policy={"time_origins_required": 1})
    document = untrusted(place.run("set", "--config", str(config), "--json"), "sole-source-not-enough")
    assert "rollover" in document["reason"]
    assert not mount.heard("S")


def test_a_sole_receiver_suffices_where_the_policy_says_so_after_thirty_epochs(place: Place) -> None:
    mount, receiver = place.right_mount(), place.receiver()
    config = place.config(mount.address, receiver.address, host=False, policy={"time_origins_required": 1})
    found = place.run("check", "--config", str(config), "--json")
    assert found.status == 0, found.document
    assert found.document["duration_s"] >= 2.9  # thirty epochs at ten a second


@pytest.mark.parametrize(
    "fault", ["stale-burst", "binary-between", rarely("other-talkers"), rarely("checksum-errors:0.05")]
)
def test_a_receiver_with_oddities_is_believed_all_the_same(place: Place, fault: str) -> None:
    mount = place.right_mount()
    receiver = place.receiver("--fault", fault)
    found = place.run("check", "--config", str(place.config(mount.address, receiver.address)), "--json")
    assert found.status == 0, found.document
    low, high = found.document["truth"]["utc_interval_s"]
    assert low <= 0.0 <= high, "the receiver lives by this host's clock"


def test_the_site_is_what_the_receiver_is_compared_with(place: Place) -> None:
    """A configured site with its latitude's sign forgotten is explained so, whatever the mount says."""
    site = {**SITE, "latitude_deg": -SITE["latitude_deg"]}
    mount, receiver = place.mount(), place.receiver()
    found = place.run("set", "--config", str(place.config(mount.address, receiver.address, site=site)), "--json")
    assert found.document["code"] == "place-contradicted"
    assert found.claims["nmea:1", "place"]["cause"] == "latitude-sign-reversed"
    assert not mount.heard("S")
