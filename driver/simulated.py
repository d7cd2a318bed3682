"""The one place where the driver reaches the simulator: where a `sim:` address is opened.

If everything is simulated, time is too: the run takes the time it would take, but nobody waits for it. Beside a
real receiver the simulated mount lives in real time.
"""

from __future__ import annotations

import datetime as dt

from noonmark.driver.clocks import SystemClock
from noonmark.driver.config import Config, ConfigError, SourceConfig
from noonmark.driver.interrupts import InterruptFlag
from noonmark.driver.seams import Seams
from noonmark.protocols.seams import Clock, Link, Stream
from noonmark.sim.addresses import SimAddressError, open_simulated
from noonmark.sim.timeline import RealTimeline, Timeline, VirtualClock


def simulated_seams(config: Config, flag: InterruptFlag, given: Clock | None = None) -> Seams:
    """Seams for a `sim:` mount, on the timeline given or on one of its own. Raises ConfigError for an address that
    can't be read."""
    system = SystemClock(flag)
    timeline = _timeline(config, system) if given is None else given
    if not isinstance(timeline, VirtualClock | RealTimeline):
        raise TypeError(f"timeline: expected one of noonmark.sim.timeline, not {type(timeline).__name__}")
    site = config.site

    def link(wanted: Config, reads_only: bool) -> Link:
        opened = _open(
            wanted.mount.port, timeline, wanted.mount.baud, site.latitude_deg, site.longitude_deg, site.elevation_m
        )
        if not isinstance(opened, Link):
            raise ConfigError(f"mount.port: {wanted.mount.port} is no simulated mount; use sim:")
        return opened

    def stream(source: SourceConfig) -> Stream:
        if not source.where.startswith("sim:"):
            from noonmark.driver.streams import open_stream

            return open_stream(source.where, baud=source.baud, clock=system, interrupt=flag)
        opened = _open(source.where, timeline, source.baud, site.latitude_deg, site.longitude_deg, site.elevation_m)
        if not isinstance(opened, Stream):
            raise ConfigError(f"{source.where} is no simulated receiver; use sim:receiver")
        return opened

    return Seams(timeline, link, stream, flag)


def _timeline(config: Config, system: SystemClock) -> Timeline:
    if any(source.where and not source.where.startswith("sim:") for source in config.sources):
        return RealTimeline(system)
    now = dt.datetime.fromtimestamp(system.utc_ns() / 1e9, dt.UTC)
    return VirtualClock(now, discipline=system.discipline())


def _open(
    address: str, timeline: Timeline, baud: int, latitude_deg: float, longitude_deg: float, altitude_m: float
) -> Link | Stream:
    try:
        return open_simulated(
            address, timeline, baud=baud, latitude_deg=latitude_deg, longitude_deg=longitude_deg, altitude_m=altitude_m
        )
    except SimAddressError as error:
        raise ConfigError(str(error), code="simulated-address", remedy="see: noonmark sim --help") from None
