"""Which real things stand behind the seams: this machine's clock and ports, or the simulator's.

A caller (a test, a campaign, an observatory's own program) injects its own `Seams`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from noonmark.driver.config import Config, SourceConfig
from noonmark.driver.interrupts import InterruptFlag
from noonmark.protocols.seams import Clock, Link, Stream


@dataclass(frozen=True, slots=True)
class Seams:
    """`open_link(config, reads_only)` opens the line to the mount, `open_stream(source)` a receiver's.

    The link given back must be guarded by the allow-list; `guarded` makes sure of it for injected ones.
    """

    clock: Clock
    open_link: Callable[[Config, bool], Link]
    open_stream: Callable[[SourceConfig], Stream]
    interrupt: InterruptFlag


def guarded(link: Link, reads_only: bool) -> Link:
    """The link behind the allow-list, whoever opened it."""
    from noonmark.driver.allowlist import GuardedLink

    return GuardedLink(link, reads_only=reads_only)


def seams_for(config: Config, interrupt: InterruptFlag | None = None, *, timeline: Clock | None = None) -> Seams:
    """The seams that the configuration's addresses ask for.

    timeline: where simulated devices live already, as a test has made them; by default each run has its own.
    """
    flag = interrupt or InterruptFlag()
    if config.mount.port.startswith("sim:"):
        from noonmark.driver.simulated import simulated_seams

        return simulated_seams(config, flag, timeline)
    return real_seams(flag)


def real_seams(flag: InterruptFlag) -> Seams:
    """This machine's clock and ports."""
    from noonmark.driver.clocks import SystemClock
    from noonmark.driver.links import open_link
    from noonmark.driver.streams import open_stream

    clock = SystemClock(flag)

    def link(config: Config, reads_only: bool) -> Link:
        return open_link(config.mount.port, baud=config.mount.baud, clock=clock, interrupt=flag, reads_only=reads_only)

    def stream(source: SourceConfig) -> Stream:
        return open_stream(source.where, baud=source.baud, clock=clock, interrupt=flag)

    return Seams(clock, link, stream, flag)
