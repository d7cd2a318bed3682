"""The campaign: the whole driver against simulated mounts and receivers with faults, in virtual time, by the thousand.

    tests/campaign --runs 5000 --seed 1 --jobs 2      a table: fault by outcome
    tests/campaign --seed 1 --replay 1234             one run of it again, told in full
    tests/campaign --replay '{"number":"x",...}'      a case as it was printed

What must never be: `confirmed` with the mount's inside wrong, a hang, a traceback, an untrue claim of what was
written, a forbidden command, an outcome that the fault's row does not allow.
"""

from __future__ import annotations

import argparse
import logging
import re
import sys
import time
import warnings
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field

from noonmark.sim.faults import FAULTS
from support.campaign_cases import Case, draw
from support.campaign_run import Outcome, run_case, shrink

OUTCOMES = ("confirmed", "discrepant", "incomplete", "untrusted", "unreachable", "refused")
KINDS = ("false-confirmed", "false-truth", "hang", "traceback", "claims", "forbidden", "not-allowed", "restore")
CHUNK = 50
SHRUNK_AT_MOST = 12
AIM_HARMLESS = 0.99


@dataclass
class Failure:
    """A run that must not be. `case`: as drawn, or made smaller."""

    case: Case
    told: list[tuple[str, str]]

    @property
    def kinds(self) -> set[str]:
        return {kind for kind, _ in self.told}


@dataclass
class Report:
    """What came of a campaign. alone: outcomes of runs with this fault only, of one that bit; idle: where it never
    did. by_number: outcomes by how many faults bit. harmless: outcomes of good mounts with a harmless fault that bit."""

    seed: int
    runs: int = 0
    verbs: int = 0
    alone: dict[str, Counter[str]] = field(default_factory=dict)
    with_others: dict[str, Counter[str]] = field(default_factory=dict)
    idle: Counter[str] = field(default_factory=Counter)
    by_number: dict[int, Counter[str]] = field(default_factory=dict)
    harmless: dict[str, Counter[str]] = field(default_factory=dict)
    harmless_codes: Counter[str] = field(default_factory=Counter)
    follow_up: dict[str, Counter[str]] = field(default_factory=dict)
    failures: list[Failure] = field(default_factory=list)
    deceived: int = 0
    overtaken: int = 0
    sets: int = 0
    cpu_s: float = 0.0
    wall_s: float = 0.0
    virtual_s: float = 0.0

    def count(self, kind: str) -> int:
        """How many runs failed in this way."""
        return sum(kind in one.kinds for one in self.failures)

    @property
    def harmless_confirmed(self) -> float:
        """The share of good mounts with a harmless fault that ended `confirmed`."""
        total = sum(sum(row.values()) for row in self.harmless.values())
        return sum(row["confirmed"] for row in self.harmless.values()) / total if total else 1.0

    def add(self, outcome: Outcome) -> None:
        """Count one run."""
        case, first = outcome.case, outcome.told[0]
        result = first.outcome or "none"
        self.runs += 1
        self.verbs += len(outcome.told)
        self.sets += case.verb == "set"
        self.cpu_s += outcome.cpu_s
        self.virtual_s += sum(told.duration_s for told in outcome.told)
        bit = [one for one in case.all_faults if outcome.bites.get(one.spec)]
        self.idle.update(one.name for one in case.all_faults if not outcome.bites.get(one.spec))
        self.by_number.setdefault(len(bit), Counter())[result] += 1
        for one in bit:
            rows = self.alone if len(case.all_faults) == 1 else self.with_others
            rows.setdefault(one.name, Counter())[result] += 1
        if not case.all_faults:
            self.alone.setdefault("none", Counter())[result] += 1
        if case.kind == "harmless" and bit:
            self.harmless.setdefault(bit[0].spec, Counter())[result] += 1
            if result != "confirmed":
                self.harmless_codes[f"{bit[0].spec}: {result} {first.code}"] += 1
        for told in outcome.told[1:]:
            self.follow_up.setdefault(case.then, Counter())[told.outcome] += 1
        self.deceived += any(told.deceived for told in outcome.told)
        self.overtaken += any(told.overtaken for told in outcome.told)
        if outcome.failures:
            self.failures.append(Failure(case, outcome.failures))

    # --- telling ----------------------------------------------------------------------------------

    def table(self) -> str:
        """Fault by outcome, for people."""
        lines = [
            f"{'fault alone':20}"
            + "".join(f"{name:>12}" for name in OUTCOMES)
            + f"{'never bit':>12}{'with others':>13}"
        ]
        for name in ["none", *FAULTS]:
            row, others = self.alone.get(name, Counter()), self.with_others.get(name, Counter())
            if row or others or self.idle[name]:
                lines.append(
                    f"{name:20}" + "".join(f"{row[one] or '':>12}" for one in OUTCOMES)
                    + f"{self.idle[name] or '':>12}{sum(others.values()) or '':>13}"
                )  # fmt: skip
        lines.append("")
        lines.append(f"{'faults that bit':20}" + "".join(f"{name:>12}" for name in OUTCOMES))
        for number, row in sorted(self.by_number.items()):
            lines.append(f"{number:<20}" + "".join(f"{row[one] or '':>12}" for one in OUTCOMES))
        for then, row in sorted(self.follow_up.items()):
            lines.append(f"{'then ' + then:20}" + "".join(f"{row[one] or '':>12}" for one in OUTCOMES))
        lines.append("")
        lines.append("a good mount with a harmless fault ends confirmed: " + "; ".join(
            f"{spec} {row['confirmed']} of {sum(row.values())}" for spec, row in sorted(self.harmless.items())
        ))  # fmt: skip
        lines.append(f"    together {100 * self.harmless_confirmed:.2f}%; otherwise: "
                     + (", ".join(f"{what} {count}" for what, count in self.harmless_codes.most_common()) or "nothing"))  # fmt: skip
        return "\n".join(lines)

    def summary(self) -> str:
        """The figures that matter, a line or two."""
        counts = ", ".join(f"{kind} {self.count(kind)}" for kind in KINDS)
        pace = f"{self.runs / self.cpu_s:.0f} whole runs a second of one core, {self.virtual_s / self.cpu_s:.0f} simulated seconds in one"
        return (
            f"campaign of seed {self.seed}: {self.runs} runs ({self.sets} of `set`, {self.verbs} verbs), {self.wall_s:.0f} s: {counts}\n"
            f"sources that deceive by the policy's leave {self.deceived}; changed by another hand during the last look "
            f"{self.overtaken}; {pace}"
        )


def run_campaign(runs: int, seed: int, jobs: int = 1, *, first: int = 0) -> Report:
    """Runs `first` to `first + runs` of a seed."""
    report, began = Report(seed), time.monotonic()
    for outcome in _outcomes(runs, seed, jobs, first):
        report.add(outcome)
    report.wall_s = time.monotonic() - began
    return report


def _outcomes(runs: int, seed: int, jobs: int, first: int) -> Iterator[Outcome]:
    chunks = [(seed, start, min(start + CHUNK, first + runs)) for start in range(first, first + runs, CHUNK)]
    if jobs == 1:
        for chunk in chunks:
            yield from _run_chunk(chunk)
        return
    with ProcessPoolExecutor(jobs, initializer=_quiet) as pool:
        for outcomes in pool.map(_run_chunk, chunks):
            yield from outcomes


def _quiet() -> None:
    """No narration in the workers; warnings are errors there too, as in the tests."""
    logging.disable(logging.CRITICAL)
    warnings.simplefilter("error")


def _run_chunk(chunk: tuple[int, int, int]) -> list[Outcome]:
    seed, start, end = chunk
    return [run_case(draw(seed, index)) for index in range(start, end)]


def tell_failures(report: Report) -> str:
    """Failures of the same words together; of each group the first with what to type to see it again, made smaller."""
    groups: dict[str, list[Failure]] = {}
    for failure in report.failures:
        key = re.sub(r"[-+0-9.,:]+", "", " ".join(f"{kind} {words}" for kind, words in failure.told))
        groups.setdefault(key, []).append(failure)
    lines: list[str] = []
    for number, group in enumerate(
        sorted(groups.values(), key=lambda one: min(KINDS.index(kind) for kind in one[0].kinds))
    ):
        case = group[0].case
        seed, _, index = case.number.partition("/")
        lines.append(
            f"{len(group)} like run {case.number} ({', '.join(one.spec for one in case.all_faults) or 'no fault'}):"
        )
        lines += [f"    {kind}: {words}" for kind, words in group[0].told]
        lines.append(f"    again: tests/campaign --seed {seed} --replay {index}")
        if len(group) > 1:
            lines.append(
                f"    also runs {', '.join(one.case.number for one in group[1:8])}{', ...' if len(group) > 8 else ''}"
            )
        if number < SHRUNK_AT_MOST:
            lines.append(f"    smaller: tests/campaign --replay '{shrink(case, group[0].kinds).to_json()}'")
    return "\n".join(lines)


def replay(case: Case) -> int:
    """Run one case and tell all of it. 1 where it fails."""
    print(case.to_json())
    outcome = run_case(case)
    for told in outcome.told:
        print(f"{told.verb}: {told.outcome} {told.code} in {told.duration_s:.1f} s"
              + (" (deceived)" if told.deceived else "") + (" (overtaken)" if told.overtaken else ""))  # fmt: skip
    print(f"faults bit: {outcome.bites}; {outcome.cpu_s:.2f} s of processor time")
    for kind, words in outcome.failures:
        print(f"FAILED {kind}: {words}")
    return 1 if outcome.failures else 0


def main(arguments: Sequence[str] | None = None) -> int:
    """The command line."""
    parser = argparse.ArgumentParser(prog="tests/campaign", description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--runs", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first", type=int, default=0, help="begin with this run of the seed")
    parser.add_argument("--jobs", type=int, default=1, help="processes")
    parser.add_argument("--replay", metavar="RUN", help="a run's number, or a case as it was printed")
    given = parser.parse_args(arguments)
    _quiet()
    if given.replay is not None:
        text: str = given.replay
        return replay(draw(given.seed, int(text)) if text.isdigit() else Case.from_json(text))
    report = run_campaign(given.runs, given.seed, given.jobs, first=given.first)
    print(report.table())
    print()
    print(report.summary())
    if report.failures:
        print(tell_failures(report))
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
