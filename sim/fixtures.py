"""Fixtures for an observatory's own tests: simulated mounts and receivers, with faults. A plugin of pytest.

Loaded in every suite where the package is installed: nothing but pytest is imported before a fixture is asked for.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from noonmark.sim.world import MountFactory, ReceiverFactory, World


@pytest.fixture
def noonmark_world() -> Iterator[World]:
    """The world that the devices of one test share. Fails the test for a fault that never did its harm: such a test
    shows nothing (`must_bite=False` where that is meant)."""
    from noonmark.sim.world import World

    with World() as world:
        yield world
        idle = world.idle_faults()
    if idle:
        pytest.fail(
            f"injected faults that never bit: {', '.join(idle)}; nothing was shown about them (was the device "
            "used long enough? must_bite=False allows it)",
            pytrace=False,
        )


@pytest.fixture
def noonmark_mount(noonmark_world: World) -> MountFactory:
    """Makes simulated mounts: `noonmark_mount(on="pty", dialect="usual", faults=["late:0.5"])`, giving `.port`,
    `.state()`, `.trace`, `.bites`."""
    return noonmark_world.mount


@pytest.fixture
def noonmark_receiver(noonmark_world: World) -> ReceiverFactory:
    """Makes simulated GNSS receivers: `noonmark_receiver(latitude_deg=.., longitude_deg=.., altitude_m=..)`, giving
    `.port`, `.state()`, `.trace`, `.bites`."""
    return noonmark_world.receiver
