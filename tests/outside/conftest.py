"""Tests from outside mostly wait: for a receiver's epochs, a mount's answers, a timeout. So they overlap.

A test whose only fixture is `place` is begun ahead of its turn, in a thread; when its turn comes, its outcome is
awaited. Such a test touches nothing but its own folder and processes. Where pytest itself runs in several processes
they all go to one of them (tests/conftest.py); if told otherwise, nothing is begun ahead.
"""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any

import pytest
from support.processes import Place

AT_ONCE = 16
LONGEST = ("test_records_on_disk.py", "test_interrupts_at_every_stage.py", "test_confirmed.py")
KEY = pytest.StashKey["Ahead"]()


class Ahead:
    """The tests that were begun, by node id."""

    def __init__(self, session: pytest.Session, folders: pytest.TempPathFactory) -> None:
        self._pool = ThreadPoolExecutor(AT_ONCE)
        self._begun: dict[str, Future[None]] = {}
        if not getattr(session.config, "workerinput", {}).get("outside_together", True):
            return  # other processes begin them as well
        for number, item in enumerate(sorted(session.items, key=_turn)):
            if overlaps(item) and not any(mark.name in ("skip", "xfail") for mark in item.iter_markers()):
                assert isinstance(item, pytest.Function)
                folder = folders.mktemp(f"outside-{number}")
                self._begun[item.nodeid] = self._pool.submit(_body, item, folder)

    def finish(self, item: pytest.Function) -> None:
        """Await the outcome; raises what the test raised."""
        self._begun[item.nodeid].result()

    def begun(self, item: pytest.Item) -> bool:
        return item.nodeid in self._begun

    def close(self) -> None:
        self._pool.shutdown(cancel_futures=True)


def _turn(item: pytest.Item) -> int:
    """The long ones first: those that set, restore and set again."""
    return LONGEST.index(item.path.name) if item.path.name in LONGEST else len(LONGEST)


def overlaps(item: pytest.Item) -> bool:
    """Whether nothing but `place` and parameters are asked for."""
    if not isinstance(item, pytest.Function):
        return False
    parameters = set(item.callspec.params) if hasattr(item, "callspec") else set()
    return item.fixturenames is not None and set(item._fixtureinfo.argnames) - parameters == {"place"}


def _body(item: pytest.Function, folder: Any) -> None:
    place = Place(folder)
    arguments = dict(item.callspec.params) if hasattr(item, "callspec") else {}
    try:
        item.obj(place=place, **arguments)
    finally:
        place.close()


@pytest.fixture(scope="session")
def _ahead(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ahead]:
    ahead = Ahead(request.session, tmp_path_factory)
    request.config.stash[KEY] = ahead
    yield ahead
    ahead.close()


@pytest.fixture
def place(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory, _ahead: Ahead
) -> Iterator[Place | None]:
    """A folder to work in."""
    if _ahead.begun(request.node):
        yield None
        return
    alone = Place(tmp_path_factory.mktemp("outside"))
    yield alone
    alone.close()


@pytest.hookimpl(tryfirst=True)
def pytest_pyfunc_call(pyfuncitem: pytest.Function) -> bool | None:
    ahead = pyfuncitem.config.stash.get(KEY, None)
    if ahead is None or not ahead.begun(pyfuncitem):
        return None
    ahead.finish(pyfuncitem)
    return True
