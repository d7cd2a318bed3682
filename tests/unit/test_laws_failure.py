"""Laws 4 and 5: whatever the bytes an outcome within the limit; after any failure it tells what stands, and `restore`
puts the earlier settings back.

The mount's inside is judged by another computation than the driver's (`support.judging`: ERFA's 1982 expression), at
an invented place. Everything runs in virtual time.
"""

from __future__ import annotations

import datetime as dt
import json
import random
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.lawbreaking import (
    ALLOWED,
    NAMES,
    Answers,
    Fails,
    built,
    inside,
    instant_disk,  # noqa: F401 - used by every test here
    sent,
    shown_well,
    with_device,
)
from support.virtual import NIGHT, SITE, Rig

from noonmark.driver import check, restore, set_mount
from noonmark.driver.dialects import resolve
from noonmark.driver.result import Result
from noonmark.driver.seams import Seams
from noonmark.protocols.dialect import build_dialect
from noonmark.sim.faults import build_faults
from noonmark.sim.injection import Reply
from noonmark.sim.mount import SimulatedMount
from noonmark.sim.state import Quirks, factory

# --- 4: whatever the bytes ---------------------------------------------------------------------------


class Babbler:
    """A mount whose answers are right, spoilt, missing, or anything at all, as a seed has it."""

    def __init__(self, mount: SimulatedMount, seed: int, chance: float) -> None:
        self.mount, self.random, self.chance = mount, random.Random(seed), chance

    def receive(self, data: bytes, first_at: float, step_s: float = 0.0) -> list[Reply]:
        replies = self.mount.receive(data, first_at, step_s)
        if self.random.random() >= self.chance:
            return replies
        at = first_at + len(data) * step_s + self.random.choice([0.001, 0.01, 0.5, 1.9, 2.1, 5.0, 40.0])
        kind = self.random.randrange(8)
        if kind == 0:
            return []
        if kind == 1:
            return [(at, self.random.randbytes(self.random.randrange(1, 60)))]
        if kind == 2:
            return [(at, self.random.randbytes(4000))]
        if kind == 3:
            return [(at, b"#" * self.random.randrange(1, 5))]
        if kind == 4:
            return [(at, self.random.choice(DAMAGED)) for _ in range(2)]
        if kind == 5:
            return [(ready, answer[:-1]) for ready, answer in replies]
        if kind == 6:
            return [*replies, *replies]
        return [(at + 0.3 * number, b"1") for number in range(self.random.randrange(1, 30))]


DAMAGED = [
    b"02/30/26#", b"00/00/00#", b"12/31/9999#", b"24:00:00#", b"23:59:60#", b"-24:59#", b"+99#", b"360*00#",
    b"-180*00:00#",
    b"+90*00#", b"-00*00#", b"\x1b[2J#", b"1#", b"0", b"01/01/0001#", b"nan#", b"99999999999999999999999999#",
]  # fmt: skip


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.integers(0, 2**32), st.sampled_from([0.02, 0.2, 0.6, 1.0]), st.sampled_from(["check", "set", "restore"]),
    st.sampled_from(["usual", "usual-end-mark", "usual-silent", "usual-slow-date", "day-first"]), st.booleans(),
)  # fmt: skip
def test_law_4_whatever_the_bytes_there_is_an_outcome_within_the_limit(
    tmp_path: Path, seed: int, chance: float, verb: str, spoken: str, declared: bool
) -> None:
    limit_s = 30.0
    one = built(
        tmp_path, dialect=resolve(spoken), told=spoken if declared else "auto", seed=seed,
        policy={"time_limit_s": limit_s},
    )  # fmt: skip
    if verb == "restore":
        set_mount(one.config, seams=one.seams)
    seams = with_device(one, Babbler(one.mount, seed, chance))
    begun = one.clock.monotonic()
    verbs: dict[str, Callable[..., Result]] = {"check": check, "set": set_mount, "restore": restore}
    result = verbs[verb](one.config, seams=seams)
    assert one.clock.monotonic() - begun <= limit_s + 1.0  # one exchange that had begun
    shown_well(result)
    assert all(ALLOWED.fullmatch(request) for request in sent(one))
    if result.outcome == "confirmed" and verb != "restore":
        assert inside(one) == []


@pytest.mark.parametrize("reply", DAMAGED, ids=repr)
@pytest.mark.parametrize("letters", ["GC", "GL", "GG", "Gg", "Gt", "GS", "GW", "D", "GVP", "Gc", "GR", "GA"])
def test_law_4_one_answer_that_is_always_absurd(tmp_path: Path, letters: str, reply: bytes) -> None:
    one = built(tmp_path, mount_faults=[Answers(**{letters: reply})])
    result = check(one.config, seams=one.seams)
    shown_well(result)
    assert one.clock.monotonic() - 1000.0 <= 91.0
    if letters in ("GC", "GL", "GG", "Gg", "Gt", "GS"):
        assert result.outcome != "confirmed"


def test_law_4_a_date_that_does_not_exist_is_told_and_mended(tmp_path: Path) -> None:
    class Empty(Answers):
        def instead(self, mount: SimulatedMount, command: bytes, at: float) -> bytes | None:
            return None if any(change.name == "date" for change in mount.settings_written) else super().instead(
                mount, command, at
            )  # fmt: skip

    for shown in (b"00/00/00#", b"02/30/26#", b"00/00/0000#"):
        digits = build_dialect({"name": "digits", "date": {"year_digits": len(shown) - 7}}, "x")
        one = built(tmp_path, mount_faults=[Empty(GC=shown)], dialect=digits)
        result = check(one.config, seams=one.seams)
        assert (result.outcome, result.code) == ("discrepant", "date-impossible")
        assert shown[:-1].decode() in result.reason
        done = set_mount(one.config, seams=one.seams)
        assert done.outcome == "confirmed"
        assert inside(one) == []


@pytest.mark.parametrize("limit_s", [5.0, 8.0, 12.0, 20.0])
@pytest.mark.parametrize("spoken", ["usual", "usual-slow-date"])
def test_law_4_a_short_limit_is_kept(tmp_path: Path, spoken: str, limit_s: float) -> None:
    night = dt.datetime(2026, 11, 24, 13, 29, 40, tzinfo=dt.UTC)  # local midnight is near: it would wait it out
    one = built(tmp_path, utc=night, state=factory(night), dialect=resolve(spoken), told=spoken,
                policy={"time_limit_s": limit_s})  # fmt: skip
    result = set_mount(one.config, seams=one.seams)
    assert result.duration_s <= limit_s + 1.0
    shown_well(result)


# --- 5: after any failure ----------------------------------------------------------------------------


def on_a_good_line(one: Rig) -> Seams:
    """The same mount, the cable mended."""
    return with_device(one, one.mount)


def there(one: Rig, name: str) -> bool:
    """Whether one setting is right inside the mount now."""
    hidden = one.mount.truth()
    if name == "longitude":
        return bool(abs(hidden.longitude_deg - SITE["longitude_deg"]) < 1.55 / 60)
    if name == "latitude":
        return bool(abs(hidden.latitude_deg - SITE["latitude_deg"]) < 1.55 / 60)
    if name == "offset":
        return abs(hidden.offset_h + hidden.daylight_h - 10.5) < 1e-6
    true_local = dt.datetime.fromtimestamp(one.clock.true_utc_s() + 10.5 * 3600.0, dt.UTC)
    shown = dt.datetime(*hidden.local.timetuple()[:6], tzinfo=dt.UTC)
    return true_local.date() == shown.date() if name == "date" else abs((true_local - shown).total_seconds()) < 2.0


def failed_at(folder: Path, how: str, message: int, **options: Any) -> tuple[Rig, Result, Fails]:
    fault = Fails(how, message, 0)
    one = built(folder, line_faults=[fault], **options)
    return one, set_mount(one.config, seams=one.seams), fault


def judged_after_failure(one: Rig, result: Result) -> None:
    """What the outcome tells of each setting is so, and `restore` brings back what was before."""
    taken = {change.name for change in one.mount.settings_written}
    told = (*result.written, *result.unconfirmed, *result.untouched)
    assert sorted(told) == sorted(NAMES)
    assert not taken & set(result.untouched)
    assert all(there(one, name) for name in result.written)
    (path,) = one_records(Path(one.config.record.folder))
    record = json.loads(path.read_text())
    if not taken and "earlier" not in record:
        assert result.outcome == "unreachable" or result.exit_status == 130
        return
    back = restore(one.config, seams=on_a_good_line(one))
    assert back.outcome == "confirmed", (back.code, back.reason)
    hidden = one.mount.truth()
    before = factory(NIGHT)
    assert hidden.latitude_deg == pytest.approx(before.latitude_deg, abs=1e-6)
    assert hidden.longitude_deg == pytest.approx(before.longitude_deg, abs=1e-6)
    assert hidden.offset_h == pytest.approx(before.offset_h, abs=1e-6)
    local_s = before.local_s + one.clock.true_utc_s() - before.at_utc_s
    assert one.mount.firmware.local_s(one.clock.monotonic()) == pytest.approx(local_s, abs=0.6)


def one_records(folder: Path) -> list[Path]:
    return [path for path in folder.glob("*.json") if "-set-" in path.name]


EVERY_DAY = [*range(1, 66, 9), *range(66, 86), *range(86, 150, 7)]  # the writes come at messages 69 to 81


@pytest.mark.parametrize("how", ["lost", "heard"])
@pytest.mark.parametrize("message", EVERY_DAY)
def test_law_5_a_line_that_vanishes_at_any_message(tmp_path: Path, message: int, how: str) -> None:
    one, result, fault = failed_at(tmp_path, how, message)
    if not fault.bites:
        assert result.outcome == "confirmed"
        return
    assert result.code == "port-vanished"
    assert result.outcome == ("incomplete" if result.written or result.unconfirmed else "unreachable")
    judged_after_failure(one, result)


@pytest.mark.parametrize("message", EVERY_DAY[1::2])
def test_law_5_an_interrupt_at_any_message(tmp_path: Path, message: int) -> None:
    one, result, fault = failed_at(tmp_path, "interrupted", message)
    if not fault.bites:
        assert result.outcome == "confirmed"
        return
    assert (result.code, result.exit_status) == ("interrupted", 130)
    judged_after_failure(one, result)


@pytest.mark.long
@pytest.mark.parametrize(
    "name", ["usual", "east-from-utc", "clock-on-utc", "usual-silent", "day-first", "daylight-hour"]
)
@pytest.mark.parametrize("how", ["lost", "heard", "interrupted"])
def test_law_5_at_every_message_in_every_manner(tmp_path: Path, how: str, name: str) -> None:
    dialect = resolve(name)
    message = 0
    while True:
        message += 1
        folder = tmp_path / str(message)
        one, result, fault = failed_at(folder, how, message, dialect=dialect, told=name)
        if not fault.bites:
            assert result.outcome == "confirmed"
            return
        judged_after_failure(one, result)


def test_law_5_a_silence_in_the_middle_is_told_and_undone(tmp_path: Path) -> None:
    for commands in range(64, 84, 3):
        folder = tmp_path / str(commands)
        fault = build_faults([f"silent:{commands}"]).mount[0]
        one = built(folder, mount_faults=[fault])
        result = set_mount(one.config, seams=one.seams)
        assert result.outcome in ("unreachable", "incomplete")
        one.mount.faults.clear()
        judged_after_failure(one, result)


def test_law_5_settings_that_went_again_are_not_called_written(tmp_path: Path) -> None:
    """Each was there when read back, and the last look finds one of them gone."""
    one = built(tmp_path, quirks=Quirks(overwritten_after_s=3.0, overwritten_with={"latitude_deg": 40.0}))
    result = set_mount(one.config, seams=one.seams)
    assert result.code == "settings-overwritten"
    assert "latitude" in result.unconfirmed
    assert all(there(one, name) for name in result.written)


def test_law_5_a_mount_that_refuses_everything_is_as_it_was(tmp_path: Path) -> None:
    one = built(tmp_path, state=replace(factory(NIGHT), parked=True), quirks=Quirks(refuses_parked=True))
    result = set_mount(one.config, seams=one.seams)
    assert (result.outcome, result.code, result.exit_status) == ("refused", "mount-refuses-settings", 5)
    assert one.mount.settings_written == []
    assert (result.written, result.unconfirmed, set(result.untouched)) == ((), (), set(NAMES))
