"""Hidden causes: how often the first answer is the mistake that was made.

    python -m tests.bench.bench_explanation [--singles 5000] [--pairs 1000] [--right 2000] ...

A mistake is made by hand (tests/support/mistakes.py) on a simulated mount of a random place, instant and dialect;
the mount is read through its real formats by `check` in virtual time, its conventions found out by itself. The
first answer counts as right where it is the mistake made, or one of fixed effect that makes the very same of the
settings, as far as the display can tell: such classes are derived here from what is read, not written down.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from noonmark.driver import check
from noonmark.driver.explanation import explain_reading, reading_of
from noonmark.driver.explanation_search import distances
from noonmark.driver.result import CauseValue, Result
from noonmark.driver.site import Site
from noonmark.driver.slips import LOCAL, fixed_slips
from support.mistakes import MISTAKES, Hand, mount_state, random_dialect, random_site, random_utc, right_hand
from support.virtual import rig

SKY = 1e-9


@dataclass
class Tally:
    """Of one campaign. `exact`: the mistake itself came first; `alike`: one that can't be told from it did."""

    made: int = 0
    exact: int = 0
    alike: int = 0
    misses: Counter[tuple[str, str]] = field(default_factory=Counter)

    @property
    def share(self) -> float:
        return (self.exact + self.alike) / max(1, self.made)


@dataclass
class Case:
    """One mount with a hidden mistake, and what `check` made of it."""

    slugs: tuple[str, ...]
    site: Site
    hand: Hand
    result: Result


def look(folder: str, hand: Hand, right: Hand, site: Site, dialect: Any, seed: int) -> Result | None:
    """`check` of the mount that holds what was entered; None where it can't hold that."""
    state = mount_state(hand, dialect)
    if state is None:
        return None
    built = rig(
        folder, site=site.model_dump(), utc=right.utc, state=state, dialect=dialect, seed=seed, receiver=False
    )
    return check(built.config, seams=built.seams, quick=True)


def make(folder: str, chance: random.Random, count: int) -> Case | None:
    """A random mount with `count` random mistakes; None where they can't be made, or leave all as it was."""
    place = random_site(chance)
    site = Site(name="", latitude_deg=place[0], longitude_deg=place[1], timezone=place[2])
    utc, dialect = random_utc(chance), random_dialect(chance)
    right = right_hand(place, utc, dialect)
    if mount_state(right, dialect) is None:
        return None
    names = [name for name in MISTAKES if count == 1 or name != "factory-state"]
    slugs = tuple(chance.sample(names, count))
    hand: Hand | None = right
    for slug in slugs:
        hand = MISTAKES[slug](hand, chance) if hand is not None else None
    if hand is None or (count == 2 and _one_hides_the_other(slugs)):
        return None
    result = look(folder, hand, right, site, dialect, chance.randrange(1 << 30))
    if result is None or not any(row.ok is False for row in result.settings):
        return None  # the mistake leaves everything within its tolerance
    return Case(slugs, site, hand, result)


_WHOLE_PLACE = {"site-of-another-place", "factory-site"}
_ALL_PLACE = _WHOLE_PLACE | {
    "longitude-sign-reversed", "latitude-sign-reversed", "both-signs-reversed", "latitude-longitude-swapped",
    "minutes-read-as-decimals", "decimals-read-as-minutes", "coordinate-mistyped",
}  # fmt: skip
_ALL_CLOCK = {
    "date-order-swapped", "date-off-by-one", "year-wrong", "date-wrong", "twelve-hour-clock", "clock-off",
    "utc-entered-as-local",
}  # fmt: skip


def _one_hides_the_other(slugs: tuple[str, ...]) -> bool:
    """Where one of the two takes any value that the other could leave: no reading could ever show both."""
    pair = set(slugs)
    if pair & _WHOLE_PLACE and pair <= _ALL_PLACE:
        return True
    return "factory-date" in pair and pair <= _ALL_CLOCK | {"factory-date"}


def score(case: Case, tally: Tally) -> None:
    """Count one case."""
    tally.made += 1
    told = [one for one in case.result.explanation if one.source is None]
    first = told[0] if told else None
    names = _names(first)
    if set(names) == set(case.slugs):
        tally.exact += 1
    elif first is not None and len(names) <= len(case.slugs) and can_not_be_told(first, case):
        tally.alike += 1
    else:
        tally.misses["+".join(sorted(case.slugs)), "+".join(names) or case.result.code] += 1


def _names(first: CauseValue | None) -> tuple[str, ...]:
    if first is None:
        return ()
    return first.together if first.together and first.cause != "factory-state" else (first.cause,)


def can_not_be_told(first: CauseValue, case: Case) -> bool:
    """Whether the answer's causes, each of fixed effect, make of the right settings what the mount shows."""
    reading = reading_of(
        case.result.settings, case.site, case.hand.zone_h,
        local_is_utc=bool(case.result.conventions and case.result.conventions.resolved.get("local_is_utc")),
    )  # fmt: skip
    slips = fixed_slips(reading.ctx)
    states = [reading.ctx.right]
    slack = 0.0
    for slug in _names(first):
        own = [slip for slip in slips if slip.slug == slug]
        slack = max([slack, *(60.0 for slip in own if slip.typed)])
        states = [after for state in states for slip in own if (after := slip.apply(state)) is not None]
    allowed = reading.tolerance._replace(local_s=reading.tolerance.local_s + slack)
    judged = [bool(reading.judged & group) for group in (1, 2, 4, LOCAL)]
    return any(
        all(abs(off) <= unit + SKY or not counts
            for off, unit, counts in zip(distances(reading.read, state, ), allowed, judged, strict=True))
        for state in states
    )  # fmt: skip


# --- campaigns --------------------------------------------------------------------------------------


def campaign(wanted: int, count: int, seed: int) -> Tally:
    """`wanted` mounts with `count` mistakes each."""
    chance, tally = random.Random(f"explanation/{count}/{seed}"), Tally()
    with tempfile.TemporaryDirectory() as folder:
        while tally.made < wanted:
            case = make(folder, chance, count)
            if case is not None:
                score(case, tally)
    return tally


def right_mounts(wanted: int, seed: int) -> tuple[int, Counter[str]]:
    """(mounts set up properly for which a cause is named, outcomes of all)."""
    chance, named, outcomes = random.Random(f"right/{seed}"), 0, Counter[str]()
    with tempfile.TemporaryDirectory() as folder:
        done = 0
        while done < wanted:
            place = random_site(chance)
            site = Site(name="", latitude_deg=place[0], longitude_deg=place[1], timezone=place[2])
            dialect = random_dialect(chance)
            right = right_hand(place, random_utc(chance), dialect)
            result = look(folder, right, right, site, dialect, chance.randrange(1 << 30))
            if result is None:
                continue
            done += 1
            named += bool(result.explanation)
            outcomes[f"{result.outcome}: {result.code}"] += 1
    return named, outcomes


def speed(rounds: int, seed: int) -> tuple[float, float]:
    """(mean, worst) seconds of all causes and all pairs for one site, where nothing single fits."""
    chance, times = random.Random(f"speed/{seed}"), []
    with tempfile.TemporaryDirectory() as folder:
        while len(times) < rounds:
            case = make(folder, chance, 2)
            if case is None:
                continue
            reading = reading_of(case.result.settings, case.site, case.hand.zone_h)
            begin = time.perf_counter()
            explain_reading(reading)
            times.append(time.perf_counter() - begin)
    return sum(times) / len(times), max(times)


def main() -> None:
    """Run the campaigns and print their figures."""
    parser = argparse.ArgumentParser()
    for name, default in (("singles", 5000), ("pairs", 1000), ("right", 2000), ("speed", 300), ("seed", 1)):
        parser.add_argument(f"--{name}", type=int, default=default)
    given = parser.parse_args()
    for label, wanted, count in (("single causes", given.singles, 1), ("pairs", given.pairs, 2)):
        begin = time.perf_counter()
        tally = campaign(wanted, count, given.seed)
        print(f"{label}: {tally.made} mounts, first answer right {tally.share:.2%} (the mistake itself "
              f"{tally.exact / tally.made:.2%}), {time.perf_counter() - begin:.0f} s")  # fmt: skip
        for (made, answered), times in tally.misses.most_common(25):
            print(f"    {times:4d}  {made}: answered {answered}")
    named, outcomes = right_mounts(given.right, given.seed)
    print(f"mounts that are right: {given.right}, a cause named for {named}; {dict(outcomes)}")
    mean, worst = speed(given.speed, given.seed)
    print(f"all causes and pairs for one site: mean {mean * 1e3:.1f} ms, worst {worst * 1e3:.1f} ms")


if __name__ == "__main__":
    main()
