"""The sources of truth: host clock, NMEA receiver, GNSS daemon. Each yields claims with bounds."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Protocol

from noonmark.driver.places import PlaceClaim
from noonmark.driver.truth import Silence, TimeClaim


@dataclass(slots=True)
class Claims:
    """What a source says so far."""

    times: list[TimeClaim] = field(default_factory=list)
    places: list[PlaceClaim] = field(default_factory=list)
    silences: list[Silence] = field(default_factory=list)


class Source(Protocol):
    """Collected while the mount is being read. `done` once nothing more need be awaited."""

    @property
    def name(self) -> str: ...

    @property
    def done(self) -> bool: ...

    def collect(self, until: float) -> None:
        """Take what has come; wait for more until the monotonic instant `until` at the latest."""
        ...

    def claims(self) -> Claims: ...

    def close(self) -> None: ...
