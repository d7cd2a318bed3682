"""Laws 6 to 8: sources that disagree, text from a wire, the versions of every record.

The mount's inside is judged by another computation than the driver's (`support.judging`: ERFA's 1982 expression), at
an invented place. Everything runs in virtual time.
"""

from __future__ import annotations

import datetime as dt
import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from support.lawbreaking import (
    FAST,
    Answers,
    Fails,
    built,
    inside,
    instant_disk,  # noqa: F401 - used by every test here
    writes,
)
from support.virtual import NIGHT, SYNCHRONISED, UNSYNCHRONISED

from noonmark.driver import check, set_mount
from noonmark.driver.cli.table import show
from noonmark.driver.logs import configure, log
from noonmark.driver.result import Result
from noonmark.protocols.seams import Discipline
from noonmark.sim.faults import build_faults
from noonmark.sim.state import factory

# --- 6: sources that disagree ------------------------------------------------------------------------

TWO = [{"kind": "host"}, {"kind": "nmea", "port": "sim:receiver"}]


@pytest.mark.parametrize("required", [1, 2])
@pytest.mark.parametrize("order", [1, -1])
@pytest.mark.parametrize("error_s", [2.0, -2.0, 3600.0, -37800.0, 7168 * 86400.0])
def test_law_6_two_that_disagree_are_never_settled_by_picking_one(
    tmp_path: Path, error_s: float, order: int, required: int
) -> None:
    """The host's clock is kept, and wrong; the receiver is right. Neither is believed, whatever the policy."""
    one = built(tmp_path, host_error_s=error_s, sources=TWO[::order], policy={"time_origins_required": required})
    result = set_mount(one.config, seams=one.seams)
    assert (result.outcome, result.code, result.exit_status) == ("untrusted", "sources-disagree", 3)
    assert writes(one) == []
    assert result.truth is not None
    assert result.truth.utc_interval_s is None
    assert [claim.agrees for claim in result.truth.claims if claim.kind == "time"] == [False, False]
    assert [row.ok for row in result.settings if row.name in ("date", "time", "sidereal")] == [None, None, None]
    assert [row.ok for row in result.settings if row.name == "latitude"] == [False]  # the place is still compared


def test_law_6_two_receivers_of_one_fault_do_not_outvote_the_host(tmp_path: Path) -> None:
    faults = build_faults(["leap-missing"]).receiver
    three = [*TWO, {"kind": "nmea", "port": "sim:receiver"}]
    for required in (1, 2):
        one = built(tmp_path, receiver_faults=faults, sources=three, policy={"time_origins_required": required})
        result = set_mount(one.config, seams=one.seams)
        assert (result.outcome, result.code) == ("untrusted", "sources-disagree")
        assert writes(one) == []


@pytest.mark.parametrize("required", [1, 2])
@pytest.mark.parametrize(("fault", "error_s"), [(["leap-missing"], 0.3), (["leap-missing"], -1.1), ([], -18.0)])
def test_law_6_a_receiver_ahead_of_a_host_that_nobody_keeps_by_the_leap_seconds_is_not_believed(
    tmp_path: Path, fault: list[str], error_s: float, required: int
) -> None:
    one = built(
        tmp_path, host_error_s=error_s, discipline=UNSYNCHRONISED, sources=TWO,
        receiver_faults=build_faults(fault).receiver, policy={"time_origins_required": required},
    )  # fmt: skip
    result = set_mount(one.config, seams=one.seams)
    assert (result.outcome, result.code) == ("untrusted", "leap-seconds-missing")
    assert "13 minutes" in result.reason
    assert writes(one) == []


@pytest.mark.parametrize("error_s", [61.0, -3600.0, 37800.0, -8e8])
def test_law_6_a_host_that_nobody_keeps_abstains_and_is_named(tmp_path: Path, error_s: float) -> None:
    one = built(tmp_path, host_error_s=error_s, discipline=UNSYNCHRONISED)
    result = set_mount(one.config, seams=one.seams)
    assert (result.outcome, result.code) == ("untrusted", "too-few-origins-agree")
    assert "host" in result.reason
    assert writes(one) == []


@pytest.mark.parametrize("discipline", [UNSYNCHRONISED, Discipline(None, why="adjtimex was refused: EPERM")])
def test_law_6_a_host_that_nobody_keeps_counts_within_a_minute(tmp_path: Path, discipline: Discipline) -> None:
    one = built(tmp_path, host_error_s=-40.0, discipline=discipline)
    assert set_mount(one.config, seams=one.seams).outcome == "confirmed"
    assert inside(one) == []  # by the receiver's second, not the host's


def test_law_6_a_place_that_is_contradicted_writes_nothing(tmp_path: Path) -> None:
    one = built(tmp_path, receiver_options={**FAST, "latitude_deg": 31.8571})
    result = set_mount(one.config, seams=one.seams)
    assert (result.outcome, result.code) == ("untrusted", "place-contradicted")
    assert "latitude has the wrong sign" in result.reason
    assert writes(one) == []


# --- 7: text from a wire -----------------------------------------------------------------------------

HOSTILE = b"\x1b[31m\x1b]0;owned\x07\x00\x9b2J\r\n\xff<b>\x7f"


def whole_output(result: Result, capsys: pytest.CaptureFixture[str]) -> str:
    """The JSON, the table and the log, as they would reach a terminal."""
    show(result)
    configure("text")
    log().info("told", reason=result.reason, product=result.mount.product)
    configure("json")
    log().info("told", reason=result.reason, product=result.mount.product)
    captured = capsys.readouterr()
    return result.json_text() + captured.out + captured.err


@pytest.mark.parametrize("verb", [check, set_mount])
@pytest.mark.parametrize("letters", ["GVP", "GVN", "GC", "GL", "GG", "Gg", "Gt", "GS", "GW", "D", "Gc", "GA"])
def test_law_7_no_answer_reaches_anyone_unescaped(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], letters: str, verb: Callable[..., Result]
) -> None:
    fault = Answers(**{letters: HOSTILE + b"#"})
    one = built(tmp_path, mount_faults=[fault])
    result = verb(one.config, seams=one.seams)
    assert fault.bites
    text = whole_output(result, capsys)
    assert set(text) <= {chr(code) for code in range(32, 127)} | {"\n"}
    for path in tmp_path.glob("*.json"):
        raw = path.read_bytes()
        assert set(raw) <= set(range(32, 127)) | {10}
        assert b"u001b" not in raw  # not even as an escape of JSON's own, which its reader would turn back
        assert b"u0007" not in raw
    if letters == "GVP":
        assert result.mount.product is not None
        assert result.mount.product.startswith("\\x1b[31m")


def test_law_7_an_answer_to_a_setting_is_told_escaped(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    one = built(tmp_path, mount_faults=[Answers(Sg=HOSTILE)])
    text = whole_output(set_mount(one.config, seams=one.seams), capsys)
    assert set(text) <= {chr(code) for code in range(32, 127)} | {"\n"}


# --- 8: what every record names ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("options", "outcome"),
    [
        ({}, "confirmed"),
        ({"state": replace(factory(NIGHT), slewing=True)}, "refused"),
        ({"host_error_s": 60.0}, "untrusted"),
        ({"mount_faults": [Answers(Sg=b"1")]}, "incomplete"),
        ({"line_faults": [Fails("lost", 5, 0)]}, "unreachable"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_law_8_every_record_names_the_versions_it_relied_on(
    tmp_path: Path, options: dict[str, Any], outcome: str
) -> None:
    from importlib import metadata

    one = built(tmp_path, **options)
    result = set_mount(one.config, seams=one.seams)
    assert result.outcome == outcome
    (path,) = tmp_path.glob("*.json")
    record = json.loads(path.read_text())
    assert record["stage"] == "finished"
    versions = record["result"]["versions"]
    assert versions["noonmark"] == metadata.version("noonmark")
    assert dt.date.fromisoformat(versions["earth_orientation_last_day"]) > dt.date(2026, 1, 1)
    assert versions["earth_orientation"]
    assert re.match(r"\d{4}\.\d WMM", versions["magnetic_model"])
    if outcome == "unreachable":
        assert versions["zones"] == "not loaded"
    else:
        assert re.match(r"\d{4}[a-z] \((system|package)\)", versions["zones"])
    assert record["result"] == json.loads(result.json_text())


@pytest.mark.parametrize(("discipline", "noted"), [(UNSYNCHRONISED, True), (SYNCHRONISED, False)])
def test_a_second_that_stands_on_gnss_alone_is_said(tmp_path: Path, discipline: Discipline, noted: bool) -> None:
    one = built(tmp_path, discipline=discipline)
    result = set_mount(one.config, seams=one.seams)
    assert result.outcome == "confirmed"
    assert ("second-on-one-origin" in {note.note for note in result.notes}) is noted
