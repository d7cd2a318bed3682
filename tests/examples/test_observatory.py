"""An observatory's own test, as the README shows it: its roof opens on a mount that is proven right, and on no other."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from noonmark.driver import load_config, set_mount
from noonmark.driver.seams import seams_for
from noonmark.sim.world import MountFactory, ReceiverFactory, WorldMount, WorldReceiver

HERE: dict[str, Any] = {"latitude_deg": -31.8571, "longitude_deg": 141.6034, "altitude_m": 212.0}


def may_open_the_roof(config: Path, timeline: object = None) -> bool:
    """The observatory's start: what is under test. `timeline` is where simulated devices live; none at the pier."""
    loaded = load_config(config)
    result = set_mount(loaded, seams=seams_for(loaded, timeline=timeline))  # type: ignore[arg-type]
    return result.outcome == "confirmed"


def configuration(folder: Path, mount: WorldMount, receiver: WorldReceiver) -> Path:
    """The observatory's configuration, with the ports of simulated devices."""
    file = folder / "noonmark.toml"
    file.write_text(
        f"""
        [site]
        name = "Saltbush Ridge"
        latitude_deg = -31.8571
        longitude_deg = 141.6034
        elevation_m = 212.0
        timezone = "Australia/Broken_Hill"
        [mount]
        port = "{mount.port}"
        baud = 115200
        [[sources]]
        kind = "host"
        [[sources]]
        kind = "nmea"
        port = "{receiver.port}"
        baud = 115200
        [record]
        folder = "{folder}/records"
        """
    )
    return file


def test_the_roof_opens_on_a_mount_that_woke_in_its_factory_state(
    tmp_path: Path, noonmark_mount: MountFactory, noonmark_receiver: ReceiverFactory
) -> None:
    mount = noonmark_mount(on="virtual")
    receiver = noonmark_receiver(on="virtual", **HERE)
    assert may_open_the_roof(configuration(tmp_path, mount, receiver), mount.timeline)
    inside = mount.state()
    assert abs(inside.utc_error_s) < 0.1
    assert abs(inside.latitude_deg - HERE["latitude_deg"]) < 1 / 60
    assert not mount.forbidden


def test_the_roof_stays_shut_where_the_mount_forgets(
    tmp_path: Path, noonmark_mount: MountFactory, noonmark_receiver: ReceiverFactory
) -> None:
    mount = noonmark_mount(on="virtual", faults=["forgets:3"])
    receiver = noonmark_receiver(on="virtual", **HERE)
    assert not may_open_the_roof(configuration(tmp_path, mount, receiver), mount.timeline)


def test_the_roof_stays_shut_where_the_receiver_is_twenty_years_behind(
    tmp_path: Path, noonmark_mount: MountFactory, noonmark_receiver: ReceiverFactory
) -> None:
    mount = noonmark_mount(on="virtual")
    receiver = noonmark_receiver(on="virtual", faults=["rollover"], **HERE)
    assert not may_open_the_roof(configuration(tmp_path, mount, receiver), mount.timeline)
    assert not any(row.data.startswith(b":S") for row in mount.trace), "nothing was written"


def test_on_a_pseudo_terminal_a_mount_that_stands_right_is_left_as_it_is(
    tmp_path: Path, noonmark_mount: MountFactory, noonmark_receiver: ReceiverFactory
) -> None:
    offset = datetime.now(ZoneInfo("Australia/Broken_Hill")).utcoffset()
    assert offset is not None
    right = (HERE["latitude_deg"], HERE["longitude_deg"], offset.total_seconds() / 3600)
    mount = noonmark_mount(on="pty", right=right, baud=115200)
    receiver = noonmark_receiver(on="pty", rate_hz=10.0, baud=115200, **HERE)
    assert may_open_the_roof(configuration(tmp_path, mount, receiver))
    assert not any(row.data.startswith(b":S") for row in mount.trace), "nothing was written"
