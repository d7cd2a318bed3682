"""Would the tests notice? Each hand-written fault of `mutants.toml` is applied alone to a copy of the tree in a temporary
folder, and the tests that should notice are run against that copy, those of the changed file first.

    tests/mutants                            all of them, on two processes
    tests/mutants --only "sidereal|tick"     those whose name or file fits this regular expression
    tests/mutants --quick                    only the tests of the changed file, not the broad ones after them

Exit status 1: a mutant that no test noticed and no reason explains, or a reason given for one that was noticed.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from queue import SimpleQueue

ROOT = Path(__file__).parents[2]
TABLE = Path(__file__).with_name("mutants.toml")
COPIED = (".typing", "driver", "protocols", "sim", "tests", "demo", "pyproject.toml", "README.md")
LONGEST_S = 240.0  # of one run of tests; a mutant that hangs is noticed


@dataclass(frozen=True)
class Mutant:
    """One fault. old: what stands once in `file`, a path from the root; new: what is put in its place. unnoticed: why
    no test can notice it, "" where one must."""

    name: str
    file: str
    old: str
    new: str
    unnoticed: str = ""


@dataclass(frozen=True)
class Verdict:
    """What became of a mutant. by: the test that noticed, "" for none."""

    mutant: Mutant
    by: str
    seconds: float

    @property
    def right(self) -> bool:
        """Whether it is as the table says."""
        return bool(self.by) != bool(self.mutant.unnoticed)


def load() -> tuple[list[Mutant], dict[str, list[str]]]:
    """The mutants, and the tests by file (those of "broad" come after)."""
    data = tomllib.loads(TABLE.read_text("utf-8"))
    return [Mutant(**row) for row in data["mutant"]], data["tests"]


def misplaced(mutants: Sequence[Mutant]) -> list[str]:
    """Mutants whose `old` does not stand exactly once in their file."""
    found = [(one, (ROOT / one.file).read_text("utf-8").count(one.old)) for one in mutants]
    return [f"{one.file}: {one.name!r}: stands {count} times" for one, count in found if count != 1]


class Copy:
    """A copy of the tree that is imported in place of the installed package."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        for name in COPIED:
            source = ROOT / name
            if source.is_dir():
                ignore = shutil.ignore_patterns("__pycache__", "*.pyc")
                shutil.copytree(source, folder / name, symlinks=True, ignore=ignore)
            else:
                shutil.copy(source, folder / name)

    def run(self, tests: Sequence[str]) -> tuple[str, str]:
        """Run tests until the first failure: (its name, or "" for none; what was printed)."""
        command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", "-p", "no:xdist", *tests]
        environment = {**os.environ, "PYTHONPATH": str(self.folder / ".typing"), "PYTHONDONTWRITEBYTECODE": "1"}
        try:
            done = subprocess.run(
                command,
                cwd=self.folder,
                env=environment,
                capture_output=True,
                text=True,
                timeout=LONGEST_S,
                check=False,
            )
        except subprocess.TimeoutExpired:
            return "it never ended", ""
        if done.returncode == 0:
            return "", done.stdout
        failed = [line for line in done.stdout.splitlines() if line.startswith(("FAILED ", "ERROR "))]
        first = failed[0].split(" - ")[0].split(" ", 1)[1] if failed else f"pytest ended with {done.returncode}"
        return first, done.stdout + done.stderr

    def mutated(self, mutant: Mutant, batches: Sequence[Sequence[str]]) -> Verdict:
        """Apply a mutant, run the batches of tests in turn, and take it out again."""
        began = time.monotonic()
        file = self.folder / mutant.file
        original = file.read_text("utf-8")
        file.write_text(original.replace(mutant.old, mutant.new), "utf-8")
        try:
            for tests in batches:
                by, _ = self.run(tests)
                if by:
                    return Verdict(mutant, by, time.monotonic() - began)
            return Verdict(mutant, "", time.monotonic() - began)
        finally:
            file.write_text(original, "utf-8")

    def where(self) -> str:
        """From where the package is imported here."""
        code = "import noonmark.driver; print(noonmark.driver.__file__)"
        environment = {**os.environ, "PYTHONPATH": str(self.folder / ".typing")}
        done = subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=True)
        return done.stdout.strip()


def batches_of(mutant: Mutant, tests: dict[str, list[str]], *, quick: bool) -> list[list[str]]:
    """The tests of the changed file, then the broad ones that are not among them."""
    first = tests.get(mutant.file, [])
    rest = [] if quick else [one for one in tests["broad"] if one not in first]
    return [batch for batch in (first, rest) if batch]


def try_all(mutants: Sequence[Mutant], tests: dict[str, list[str]], jobs: int, *, quick: bool) -> list[Verdict]:
    """All verdicts, in order; each told when it comes."""
    with tempfile.TemporaryDirectory(prefix="mutants-") as place:
        copies: SimpleQueue[Copy] = SimpleQueue()
        for number in range(jobs):
            folder = Path(place) / str(number)
            folder.mkdir()
            copies.put(Copy(folder))
        first = copies.get()
        if not first.where().startswith(str(first.folder)):
            raise SystemExit(f"mutants: the package is imported from {first.where()}, not from the copy")
        wanted = sorted(
            {one for mutant in mutants for batch in batches_of(mutant, tests, quick=quick) for one in batch}
        )
        failed, told = first.run(wanted)
        if failed:
            raise SystemExit(
                f"mutants: {failed} fails without any mutant, so that nothing would follow\n{told[-3000:]}"
            )
        copies.put(first)

        def one(mutant: Mutant) -> Verdict:
            copy = copies.get()
            try:
                verdict = copy.mutated(mutant, batches_of(mutant, tests, quick=quick))
            finally:
                copies.put(copy)
            _tell(verdict)
            return verdict

        with ThreadPoolExecutor(jobs) as pool:
            return list(pool.map(one, mutants))


def _tell(verdict: Verdict) -> None:
    mutant = verdict.mutant
    what = (
        f"noticed by {verdict.by}" if verdict.by else "NOT NOTICED" if not mutant.unnoticed else "not noticed, as told"
    )
    if verdict.by and mutant.unnoticed:
        what += ", THOUGH IT IS SAID THAT NO TEST CAN"
    sys.stdout.write(f"{mutant.file}: {mutant.name}: {what} ({verdict.seconds:.0f} s)\n")
    sys.stdout.flush()


def main(arguments: Sequence[str] | None = None) -> int:
    """The command line."""
    parser = argparse.ArgumentParser(prog="tests/mutants", description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--only", default="", metavar="PATTERN", help="mutants whose name or file fits it")
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    parser.add_argument("--quick", action="store_true", help="only the tests of the changed file")
    given = parser.parse_args(arguments)
    mutants, tests = load()
    wrong = misplaced(mutants)
    if wrong:
        raise SystemExit("mutants: the table does not fit the tree:\n" + "\n".join(wrong))
    chosen = [one for one in mutants if re.search(given.only, one.name) or re.search(given.only, one.file)]
    began = time.monotonic()
    verdicts = try_all(chosen, tests, given.jobs, quick=given.quick)
    noticed = sum(bool(one.by) for one in verdicts)
    explained = sum(not one.by and bool(one.mutant.unnoticed) for one in verdicts)
    bad = [one for one in verdicts if not one.right]
    sys.stdout.write(
        f"{noticed} of {len(verdicts)} mutants noticed ({100 * noticed / max(1, len(verdicts)):.0f}%), {explained} not, "
        f"for a reason that the table tells; {time.monotonic() - began:.0f} s\n"
    )
    for one in bad:
        sys.stdout.write(f"    look at: {one.mutant.file}: {one.mutant.name}\n")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
