"""Trouble with the mount: which status and which code each kind has.

The mount's inside is judged by another computation than the driver's (`support.judging`: ERFA's 1982 expression), at
an invented place. Everything runs in virtual time.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from support.lawbreaking import (
    Answers,
    built,
    instant_disk,  # noqa: F401 - used by every test here
    rightly_set,
    shown_well,
    writes,
)

from noonmark.driver import check, restore, set_mount
from noonmark.sim.faults import build_faults
from noonmark.sim.injection import MountFault, Reply
from noonmark.sim.mount import SimulatedMount

# --- outcomes and codes ------------------------------------------------------------------------------


class NoEnd(MountFault):
    """Answers half of every reply."""

    def replies(self, mount: SimulatedMount, command: bytes, replies: list[Reply]) -> list[Reply]:
        self.bite()
        return [(ready, data[: max(1, len(data) // 2)]) for ready, data in replies]


class OneLate(MountFault):
    """Every answer comes only before the next one."""

    held: bytes = b""

    def replies(self, mount: SimulatedMount, command: bytes, replies: list[Reply]) -> list[Reply]:
        if not replies:
            return replies
        self.bite()
        said, self.held = self.held, replies[0][1]
        return [(replies[0][0], said)] if said else []


def fault(spec: str) -> Callable[[], dict[str, Any]]:
    def make() -> dict[str, Any]:
        made = build_faults([spec])
        return {"mount_faults": made.mount, "line_faults": made.line}

    return make


TROUBLE: list[Any] = [
    # (what, options, `check` of a right mount, codes, `set` from the works, codes)
    ("silent", fault("silent"), 4, {"mount-silent"}, 4, {"mount-silent"}),
    ("noise (wrong baud)", fault("wrong-baud"), 4, {"mount-garbled", "mount-silent"}, 4,
     {"mount-garbled", "mount-silent"}),
    ("half of every reply", lambda: {"mount_faults": [NoEnd("half", 0, 0)]}, 4, {"mount-garbled"}, 4,
     {"mount-garbled"}),
    ("every reply one late", lambda: {"mount_faults": [OneLate("late", 0, 0)]}, 4, {"mount-garbled", "mount-silent"}, 4,
     {"mount-garbled", "mount-silent"}),
    ("refuses a setting", lambda: {"mount_faults": [Answers(Sg=b"0")]}, 0, {"confirmed"}, 6, {"settings-not-taken"}),
    ("acknowledges only", lambda: {"mount_faults": [Answers(St=b"1")]}, 0, {"confirmed"}, 6, {"settings-not-taken"}),
    ("never at rest", lambda: {"mount_faults": [Answers(D=b"\x7f\x7f#")]}, 0, {"confirmed"}, 5, {"mount-slewing"}),
    ("escape sequences as its name", fault("control-bytes"), 0, {"confirmed"}, 0, {"confirmed"}),
    ("busy for ever", fault("busy:1000"), 4, {"mount-silent"}, 4, {"mount-silent"}),
]  # fmt: skip


@pytest.mark.parametrize(
    ("answers", "said"),
    [({"Sg": b"0"}, "longitude (it refuses it)"), ({"St": b"1"}, "latitude (it acknowledges it and does not show it)")],
    ids=["refuses", "acknowledges only"],
)
def test_the_reason_says_how_the_mount_answered_what_it_does_not_hold(
    tmp_path: Path, answers: dict[str, bytes], said: str
) -> None:
    done = set_mount((one := built(tmp_path, mount_faults=[Answers(**answers)])).config, seams=one.seams)
    assert done.code == "settings-not-taken"
    assert said in done.reason


@pytest.mark.parametrize(
    ("options", "checked", "check_codes", "was_set", "set_codes"),
    [pytest.param(*row[1:], id=row[0]) for row in TROUBLE],
)
def test_trouble_with_the_mount_has_its_status_and_its_code(
    tmp_path: Path, options: Callable[[], dict[str, Any]], checked: int, check_codes: set[str], was_set: int,
    set_codes: set[str],
) -> None:  # fmt: skip
    one = built(tmp_path, state=rightly_set(), **options())
    result = check(one.config, seams=one.seams)
    assert (result.exit_status, result.code in check_codes) == (checked, True), (result.code, result.reason)
    shown_well(result)
    other = built(tmp_path, **options())
    done = set_mount(other.config, seams=other.seams)
    assert (done.exit_status, done.code in set_codes) == (was_set, True), (done.code, done.reason)
    shown_well(done)
    if was_set == 4:
        assert writes(other) == []
        assert done.duration_s < 40.0
    if was_set:
        assert done.remedy
    nothing = restore(built(tmp_path / "none").config, seams=built(tmp_path / "none").seams)
    assert (nothing.exit_status, nothing.code) == (5, "record-absent")
