"""The campaign: whatever is wrong with mount, line or receiver, the driver never says `confirmed` when it is not so,
never hangs, never falls over, and tells the truth of what it wrote. `tests/campaign` runs more of it by hand."""

from __future__ import annotations

import os
import random
from pathlib import Path

import pytest
from support.campaign import AIM_HARMLESS, KINDS, Report, run_campaign, tell_failures
from support.campaign_cases import Case, draw
from support.campaign_run import run_case, shrink

JOBS = min(2, os.cpu_count() or 1)


def demand(report: Report) -> None:
    """Nothing that must not be; and no safety by giving up."""
    told = f"\n{report.table()}\n\n{report.summary()}\n{tell_failures(report)}"
    print(told)
    assert {kind: report.count(kind) for kind in KINDS} == dict.fromkeys(KINDS, 0), told
    good = sum(sum(row.values()) for row in report.harmless.values())
    if good >= 300:  # fewer are too few for a share of one in a hundred
        assert report.harmless_confirmed >= AIM_HARMLESS, told


def test_a_sample_of_the_campaign() -> None:
    demand(run_campaign(150, seed=20261124))


@pytest.mark.long
def test_the_campaign_with_a_fixed_seed() -> None:
    report = run_campaign(10_000, seed=1, jobs=JOBS)
    demand(report)
    assert not [name for name, count in report.idle.items() if name not in report.alone], "faults that never bit"


@pytest.mark.long
def test_the_campaign_with_a_fresh_seed() -> None:
    seed = random.SystemRandom().randrange(10**9)
    print(f"seed {seed}: tests/campaign --seed {seed} --runs 2000")
    demand(run_campaign(2_000, seed=seed, jobs=JOBS))


# --- the campaign itself ----------------------------------------------------------------------------


def test_a_case_is_the_same_each_time_and_survives_being_printed() -> None:
    for index in range(60):
        case = draw(3, index)
        assert draw(3, index) == case
        assert Case.from_json(case.to_json()) == case
    first, again = (run_case(draw(3, 7)) for _ in range(2))
    assert [(told.outcome, told.code, told.duration_s) for told in first.told] == [
        (told.outcome, told.code, told.duration_s) for told in again.told
    ]


def test_a_lie_of_the_driver_would_be_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """The judge judges: a driver that calls everything right is caught at once, and the case is made smaller."""
    from noonmark.driver import looking
    from noonmark.driver.run import Run, Stop

    def always(run: Run) -> Stop:
        return Stop("confirmed", "confirmed", "I am sure")

    monkeypatch.setattr(looking, "outcome_of_look", always)
    for module in ("session", "setting"):  # wherever it was taken from there
        __import__(f"noonmark.driver.{module}")
    wrong = Case("x/1", "wild", verb="check", then="check", quirks={"uneven_s": 0.04}, start={"kind": "factory"})
    outcome = run_case(wrong)
    assert {kind for kind, _ in outcome.failures} == {"false-confirmed"}
    smaller = shrink(wrong, {"false-confirmed"})
    assert (smaller.quirks, smaller.then) == ({}, "")


def test_a_lie_of_what_was_written_would_be_found(monkeypatch: pytest.MonkeyPatch) -> None:
    from noonmark.driver.run import Run

    monkeypatch.setattr(Run, "standing", lambda self: set(self.attempts))
    outcome = run_case(
        Case("x/2", "wild", quirks={"overwritten_after_s": 2.0, "overwritten_with": {"latitude_deg": 40.0}})
    )
    assert "claims" in {kind for kind, _ in outcome.failures}


def test_the_command_s_replay_tells_a_run(capsys: pytest.CaptureFixture[str]) -> None:
    from support.campaign import main

    assert main(["--replay", Case("x/3").to_json()]) == 0
    told = capsys.readouterr().out
    assert "set: confirmed" in told
    assert '"number":"x/3"' in told


def test_the_command_is_there_and_executable() -> None:
    command = Path(__file__).with_name("campaign")
    assert command.stat().st_mode & 0o111
