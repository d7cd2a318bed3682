"""Hidden causes: how often the first answer is the mistake that was made.

    python tests/bench/bench_explanation.py [--singles 5000] [--pairs 1000] [--right 2000] [--speed 300]

A mistake is made by hand (tests/support/mistakes.py) on a simulated mount of a random place, instant and dialect;
the mount is read through its real formats by `check` in virtual time, its conventions found out by itself. The
first answer counts as right where it is the mistake made, or one of fixed effect that makes the very same of the
settings, as far as the display can tell: such classes are derived here from what is read, not written down. Pairs
are drawn from those whose values no single cause could leave, of known size or not: where one could, it is the
answer wanted, and no reading will ever show the pair. How many were passed over for it is told.
"""

from __future__ import annotations

import argparse
import itertools
import random
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from support.mistakes import MISTAKES, Hand, mount_state, random_dialect, random_site, random_utc, right_hand
from support.virtual import rig

from noonmark.driver import check
from noonmark.driver.explanation import explain_reading, reading_of
from noonmark.driver.reasons.explanation_search import GROUPS, TYPED, Reading, distances, search
from noonmark.driver.reasons.slips import LATITUDE, LOCAL, LONGITUDE, OFFSET, Settings, fixed_slips
from noonmark.driver.result import CauseValue, Result
from noonmark.driver.site import Site

SKY = 1e-9
WRONGS = tuple(
    sum(some) for count in range(1, 5) for some in itertools.combinations((LATITUDE, LONGITUDE, OFFSET, LOCAL), count)
)


@dataclass
class Tally:
    """Of one campaign. `exact`: the mistake itself came first; `alike`: one that can't be told from it did;
    `simpler`: pairs passed over, since one cause alone leaves the same values."""

    made: int = 0
    exact: int = 0
    alike: int = 0
    simpler: int = 0
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

    @property
    def reading(self) -> Reading:
        """What was read, beside what is right."""
        conventions = self.result.conventions
        on_utc = bool(conventions and conventions.resolved.get("local_is_utc"))
        return reading_of(self.result.settings, self.site, self.hand.zone_h, local_is_utc=on_utc)


def look(folder: str, hand: Hand, right: Hand, site: Site, dialect: Any, seed: int) -> Result | None:
    """`check` of the mount that holds what was entered; None where it can't hold that."""
    state = mount_state(hand, dialect)
    if state is None:
        return None
    built = rig(folder, site=site.model_dump(), utc=right.utc, state=state, dialect=dialect, seed=seed, receiver=False)
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
    if hand is None:
        return None
    result = look(folder, hand, right, site, dialect, chance.randrange(1 << 30))
    if result is None or not any(row.ok is False for row in result.settings):
        return None  # the mistake leaves everything within its tolerance
    return Case(slugs, site, hand, result)


def score(case: Case, tally: Tally) -> None:
    """Count one case."""
    if len(case.slugs) > 1 and any(len(one.slugs) == 1 for one in search(case.reading)):
        tally.simpler += 1
        return
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
    reading = case.reading
    slips = fixed_slips(reading.ctx)
    states = [reading.ctx.right]
    by_hand = 0
    for slug in _names(first):
        own = [slip for slip in slips if slip.slug == slug]
        for slip in own:
            by_hand |= slip.typed
        states = [after for state in states for slip in own if (after := slip.apply(state)) is not None]
    allowed = [
        unit + (minute if group & by_hand else 0.0) + (0.0 if group & reading.judged else 1e12)
        for group, unit, minute in zip(GROUPS, reading.tolerance, TYPED, strict=True)
    ]
    return any(
        all(abs(off) <= most + SKY for off, most in zip(distances(reading.read, state), allowed, strict=True))
        for state in states
    )


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


def speed(rounds: int, seed: int) -> tuple[float, float, float]:
    """(mean, worst) seconds of all causes and all pairs for one site, over every set of wrong settings, each with
    values that nothing fits, so that none is left out: the sum over the sets; and the mean of what goes before,
    which looks up the seasons of the zone."""
    chance, times, before = random.Random(f"speed/{seed}"), list[float](), list[float]()
    with tempfile.TemporaryDirectory() as folder:
        while len(times) < rounds:
            case = make(folder, chance, 1)
            if case is None:
                continue
            begin = time.perf_counter()
            reading = case.reading
            before.append(time.perf_counter() - begin)
            read = Settings(
                chance.uniform(-80, 80), chance.uniform(-170, 170), chance.uniform(-9, 9), chance.uniform(2e7, 9e7)
            )
            begin = time.perf_counter()
            for wrong in WRONGS:
                explain_reading(replace(reading, read=read, wrong=wrong))
            times.append(time.perf_counter() - begin)
    return sum(times) / len(times), max(times), sum(before) / len(before)


def main() -> None:
    """Run the campaigns and print their figures."""
    parser = argparse.ArgumentParser()
    for name, default in (("singles", 5000), ("pairs", 1000), ("right", 2000), ("speed", 300), ("seed", 1)):
        parser.add_argument(f"--{name}", type=int, default=default)
    given = parser.parse_args()
    for label, wanted, count in (("single causes", given.singles, 1), ("pairs", given.pairs, 2)):
        begin = time.perf_counter()
        tally = campaign(wanted, count, given.seed)
        print(
            f"{label}: {tally.made} mounts, first answer right {tally.share:.2%} (the mistake itself "
            f"{tally.exact / tally.made:.2%}, one that leaves the same {tally.alike / tally.made:.2%}), "
            f"{tally.simpler} passed over, {time.perf_counter() - begin:.0f} s"
        )
        for (made, answered), times in tally.misses.most_common(25):
            print(f"    {times:4d}  {made}: answered {answered}")
    named, outcomes = right_mounts(given.right, given.seed)
    print(f"mounts that are right: {given.right}, a cause named for {named}; {dict(outcomes)}")
    mean, worst, before = speed(given.speed, given.seed)
    print(f"all causes and pairs for one site: mean {mean * 1e3:.1f} ms, worst {worst * 1e3:.1f} ms; the seasons of "
          f"its zone before that: {before * 1e3:.1f} ms")  # fmt: skip


if __name__ == "__main__":
    main()
