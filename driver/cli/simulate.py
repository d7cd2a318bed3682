"""The verb `sim`: hands over to the simulator's own command line."""

from __future__ import annotations

from noonmark.sim.cli import sim

__all__ = ["sim"]
