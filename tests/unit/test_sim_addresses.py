"""Addresses of simulated devices: what they may say, what they keep, and clear words for what they can't be."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest

from noonmark.protocols.seams import Link, LinkError, Stream
from noonmark.sim.addresses import SimAddressError, find_dialect, open_simulated
from noonmark.sim.line import SimLink, SimStream
from noonmark.sim.mount import SimulatedMount
from noonmark.sim.receiver import SimulatedReceiver
from noonmark.sim.timeline import VirtualClock

NOW = dt.datetime(2026, 10, 21, 11, 5, 30, tzinfo=dt.UTC)


def mount_at(address: str, clock: VirtualClock | None = None) -> SimulatedMount:
    link = open_simulated(address, clock or VirtualClock(NOW))
    assert isinstance(link, SimLink)
    assert isinstance(link, Link)
    assert link.address == address
    assert isinstance(link.mount, SimulatedMount)
    return link.mount


def receiver_at(address: str) -> tuple[SimStream, SimulatedReceiver]:
    stream = open_simulated(address, VirtualClock(NOW), latitude_deg=1.0, longitude_deg=2.0, altitude_m=3.0)
    assert isinstance(stream, SimStream)
    assert isinstance(stream, Stream)
    assert isinstance(stream.receiver, SimulatedReceiver)
    return stream, stream.receiver


def test_a_plain_address_is_a_mount_fresh_from_the_works() -> None:
    truth = mount_at("sim:").truth()
    assert (truth.latitude_deg, truth.longitude_deg, truth.local.year) == (40.0, -90.0, 2000)


def test_one_address_on_one_timeline_is_one_mount_and_on_another_a_fresh_one() -> None:
    clock = VirtualClock(NOW)
    assert mount_at("sim:", clock) is mount_at("sim:", clock)
    assert mount_at("sim:", clock) is not mount_at("sim:", VirtualClock(NOW))
    assert mount_at("sim:", clock) is not mount_at("sim:?seed=1", clock)


def test_a_query_describes_the_mount() -> None:
    mount = mount_at(
        "sim:?right=-31.8571,141.6034,+10.5&error_s=0.4&drift_ppm=20&parked=yes&slewing=yes"
        "&fault=late:3&fault=stalls&quirk=silent:GW,D&quirk=refuses_parked&quirk=uneven_s:0.05&quirk=sidereal:frozen"
    )
    truth = mount.truth()
    assert truth.latitude_deg == pytest.approx(-31.85)  # as written to the minute
    assert truth.clock_error_s == pytest.approx(0.4, abs=1e-6)
    assert (truth.parked, truth.slewing, mount.state.drift_ppm) == (True, True, 20.0)
    assert [(fault.name, fault.amount) for fault in mount.faults] == [("late", 3.0)]
    quirks = mount.quirks
    assert (quirks.silent, quirks.refuses_parked, quirks.uneven_s, quirks.sidereal) == (
        frozenset({"GW", "D"}), True, 0.05, "frozen",
    )  # fmt: skip


def test_a_state_file_goes_on_in_the_next_process(tmp_path: Path) -> None:
    address = f"sim:?state={tmp_path / 'mount.json'}&right=-31.8571,141.6034,10.5"
    mount = mount_at(address)
    mount.receive(b":SG-09.5#", 1000.0)
    later = mount_at(address, VirtualClock(NOW + dt.timedelta(days=1)))
    assert later.truth().offset_h == 9.5
    assert later.truth().clock_error_s == pytest.approx(3600.0, abs=0.1)


def test_a_receiver_is_where_its_address_or_the_site_says() -> None:
    _, receiver = receiver_at("sim:receiver")
    assert (receiver.latitude_deg, receiver.longitude_deg, receiver.altitude_m) == (1.0, 2.0, 3.0)
    stream, receiver = receiver_at("sim:receiver?latitude=-31.5&talker=GN&rate_hz=5&fault=rollover&fault=vanishes")
    assert (receiver.latitude_deg, receiver.longitude_deg, receiver.talker, receiver.rate_hz) == (-31.5, 2.0, "GN", 5.0)
    assert [fault.name for fault in (*receiver.faults, *stream.faults)] == ["rollover", "vanishes"]


def test_a_dialect_is_found_by_name_or_file(tmp_path: Path) -> None:
    assert find_dialect("usual").name == "usual"
    path = tmp_path / "own.toml"
    path.write_text('name = "own"\n[longitude]\npositive = "east"\n', "utf-8")
    assert mount_at(f"sim:?dialect={path}").dialect.longitude.positive == "east"


WRONG = [
    ("sim", "no simulated device"),
    ("sim:mount", "no simulated device"),
    ("sim:?sed=1", "'seed'"),
    ("sim:?seed=x", "whole number"),
    ("sim:?seed=1&seed=2", "twice"),
    ("sim:?fault=lat", "'late'"),
    ("sim:?fault=late:soon", "late:1.5"),
    ("sim:?fault=rollover", "belongs to a receiver"),
    ("sim:?right=1,2", "3 numbers"),
    ("sim:?right=91,0,0", "no place"),
    ("sim:?right=0,0,99", "offset"),
    ("sim:?dialect=usul", "'usual'"),
    ("sim:?dialect=/nowhere.toml", "/nowhere.toml"),
    ("sim:?drift_ppm=nan", "'drift_ppm'"),
    ("sim:?parked=maybe", "yes or no"),
    ("sim:?quirk=uneven", "'uneven_s'"),
    ("sim:?quirk=sidereal:odd", "own-clock"),
    ("sim:?state=/nowhere/mount.json", "/nowhere/mount.json"),
    ("sim:receiver?fault=silent", "belongs to a mount"),
    ("sim:receiver?latitude=x", "'latitude'"),
    ("sim:receiver?talker=gps", "'talker'"),
    ("sim:receiver?rate_hz=0", "'rate_hz'"),
    ("sim:receiver?longitude=200", "no place"),
]


@pytest.mark.parametrize(("address", "named"), WRONG)
def test_what_cannot_be_is_named(address: str, named: str) -> None:
    with pytest.raises(SimAddressError) as caught:
        open_simulated(address, VirtualClock(NOW), latitude_deg=1.0, longitude_deg=2.0, altitude_m=3.0)
    assert named in str(caught.value)


def test_a_receiver_without_a_place_is_asked_for_one() -> None:
    with pytest.raises(SimAddressError, match="latitude"):
        open_simulated("sim:receiver", VirtualClock(NOW))


def test_a_state_that_can_no_longer_be_kept_is_a_fault_of_the_line(tmp_path: Path) -> None:
    folder = tmp_path / "kept"
    folder.mkdir()
    mount = mount_at(f"sim:?state={folder / 'mount.json'}")
    (folder / "mount.json").unlink()
    folder.rmdir()
    with pytest.raises(LinkError, match=r"mount\.json"):
        mount.receive(b":SG-09.5#", 1000.0)
