"""A whole rig in virtual time: mount, line, receiver and host clock, and the driver on top of it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from noonmark.driver.config import Config, SourceConfig, build_config
from noonmark.driver.interrupts import InterruptFlag
from noonmark.driver.seams import Seams
from noonmark.protocols.dialect import USUAL, Dialect
from noonmark.protocols.seams import Discipline, Link, Stream
from noonmark.sim.injection import LineFault, MountFault, ReceiverFault
from noonmark.sim.line import LineManner, SimLink, SimStream
from noonmark.sim.mount import SimulatedMount
from noonmark.sim.receiver import SimulatedReceiver
from noonmark.sim.state import MountState, Quirks, factory
from noonmark.sim.timeline import VirtualClock

# An invented place (demo: Saltbush Ridge).
SITE: dict[str, Any] = {
    "name": "Saltbush Ridge",
    "latitude_deg": -31.8571,
    "longitude_deg": 141.6034,
    "elevation_m": 212.0,
    "timezone": "Australia/Broken_Hill",
}
NIGHT = dt.datetime(2026, 11, 24, 12, 34, 56, 250_000, tzinfo=dt.UTC)
SYNCHRONISED = Discipline(True, 0.02, 0.001)
UNSYNCHRONISED = Discipline(False)


@dataclass
class Rig:
    """`config` and `seams` for the driver; `mount` and `clock` to look behind it."""

    config: Config
    seams: Seams
    clock: VirtualClock
    mount: SimulatedMount
    links: list[SimLink] = field(default_factory=list)


def rig(
    folder: Path | str,
    *,
    site: dict[str, Any] | None = None,
    utc: dt.datetime = NIGHT,
    state: MountState | None = None,
    dialect: Dialect = USUAL,
    told: str = "auto",
    quirks: Quirks | None = None,
    seed: int = 1,
    discipline: Discipline = SYNCHRONISED,
    host_error_s: float = 0.0,
    receiver: bool = True,
    receiver_options: dict[str, Any] | None = None,
    receiver_faults: Sequence[ReceiverFault] = (),
    mount_faults: Sequence[MountFault] = (),
    line_faults: Sequence[LineFault] = (),
    manner: LineManner | None = None,
    policy: dict[str, Any] | None = None,
    sources: list[dict[str, Any]] | None = None,
) -> Rig:
    """A rig at Saltbush Ridge unless told otherwise; its mount in the factory state unless `state` is given."""
    place = {**SITE, **(site or {})}
    clock = VirtualClock(utc, discipline=discipline, host_error_s=host_error_s)
    mount = SimulatedMount(
        dialect, timeline=clock, state=factory(utc) if state is None else state,
        quirks=quirks, seed=seed, faults=mount_faults,
    )  # fmt: skip
    if sources is None:
        sources = [{"kind": "host"}] + ([{"kind": "nmea", "port": "sim:receiver"}] if receiver else [])
    config = build_config(
        {
            "site": place,
            "mount": {"port": "sim:", "dialect": told},
            "sources": sources,
            "policy": {"place_origins_required": 2 if receiver else 1, "time_origins_required": 2 if receiver else 1}
            | (policy or {}),
            "record": {"folder": str(folder)},
        }
    )
    built = Rig(config, None, clock, mount)  # type: ignore[arg-type]

    def link(_config: Config, _reads_only: bool) -> Link:
        opened = SimLink(mount, clock, manner=manner, faults=line_faults, seed=seed)
        built.links.append(opened)
        return opened

    def stream(_source: SourceConfig) -> Stream:
        options = {
            "latitude_deg": place["latitude_deg"], "longitude_deg": place["longitude_deg"],
            "altitude_m": place["elevation_m"],
        } | (receiver_options or {})  # fmt: skip
        return SimStream(SimulatedReceiver(timeline=clock, seed=seed, faults=receiver_faults, **options), clock)

    built.seams = Seams(clock, link, stream, InterruptFlag())
    return built
