"""What all tests share. Where pytest runs in several processes (`-n 2`), the tests from outside all go to one of them:
they overlap there."""

from __future__ import annotations

import signal
from typing import Any

import pytest
from hypothesis import settings

# How long an example takes on a busy machine is luck: what must be fast has a limit of its own, in processor time.
settings.register_profile("noonmark", deadline=None)
settings.load_profile("noonmark")

# A shell lets what it starts in the background ignore SIGINT, and our children would inherit that: then no test could
# interrupt them.
for number in (signal.SIGINT, signal.SIGTERM):
    if signal.getsignal(number) is signal.SIG_IGN:
        signal.signal(number, signal.default_int_handler if number == signal.SIGINT else signal.SIG_DFL)

SHARED_OUT = ("load", "loadgroup")  # the ways of sharing out the tests that this stands in for


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    if config.getoption("dist") not in SHARED_OUT:
        return None
    from xdist.scheduler import LoadScopeScheduling  # type: ignore[import-untyped]

    class OutsideTogether(LoadScopeScheduling):  # type: ignore[misc]
        def _split_scope(self, nodeid: str) -> str:
            return "outside" if nodeid.startswith("tests/outside/") else nodeid

    return OutsideTogether(config, log)


@pytest.hookimpl(optionalhook=True)
def pytest_configure_node(node: Any) -> None:
    node.workerinput["outside_together"] = node.config.getoption("dist") in SHARED_OUT
