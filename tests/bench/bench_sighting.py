"""Hidden causes of what is found in the telescope: how often the first answer is the mistake that was made.

    python tests/bench/bench_sighting.py [--sightings 1000] [--sets 1000] [--right 300]

A mount with one mistake and an axis a little off (0.3 deg each way) is aimed at a random place; what is found is
read with 30 arcmin of noise each way (tests/support/looks.py, made apart from the driver). A mistake that moves the
tube by less than twice the noise and is taken for none is said to have drowned in it.
"""

from __future__ import annotations

import argparse
import math
import random
import sys
import time
from collections import Counter
from dataclasses import dataclass, field, replace
from datetime import timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import erfa
from support.looks import WRONG, Mount, look, right_of, small_axis
from support.mistakes import random_site, random_utc

from noonmark.driver.reasons.sighting import Sighting, SightingError
from noonmark.driver.reasons.sighting_explanation import explain_sightings
from noonmark.driver.site import Site

NOISE_DEG = 0.5


@dataclass
class Tally:
    """`exact`: the mistake itself came first; `alike`: one that sends the tube to the same place did; `drowned`."""

    made: int = 0
    exact: int = 0
    alike: int = 0
    drowned: int = 0
    misses: Counter[tuple[str, str]] = field(default_factory=Counter)


def looked(slug: str, count: int, chance: random.Random) -> tuple[Site, list[Sighting], float] | None:
    """(site, sightings, how far off without the noise at most) of a mount with one mistake and an axis a little off;
    None where the mistake can't be made there, or moves nothing."""
    place, utc = random_site(chance), random_utc(chance)
    right = right_of(place, utc)
    mount = WRONG[slug](right, chance)
    if mount is None:
        return None
    mount = small_axis(mount, chance)
    found: list[Sighting] = []
    off = 0.0
    for _ in range(200):
        ra, dec = chance.uniform(0, 360), math.degrees(math.asin(chance.uniform(-0.98, 0.98)))
        when = utc + timedelta(minutes=20 * len(found))
        one = look(mount, right, ra, dec, when, NOISE_DEG, chance)
        exact = look(replace(mount, east_deg=0.0, raised_deg=0.0) if slug != "polar-axis-off" else mount,
                     right, ra, dec, when, 0.0, chance)  # fmt: skip
        if one is not None and exact is not None:
            found.append(one)
            off = max(off, separation(exact))
        if len(found) == count:
            break
    if len(found) < count or off < 0.1:
        return None
    return Site(name="", latitude_deg=place[0], longitude_deg=place[1], timezone=place[2]), found, off


def separation(one: Sighting) -> float:
    """Aimed to found, both of J2000, degrees (ERFA seps)."""
    a, f = math.radians(one.aimed_ra_h * 15), math.radians(one.found_ra_h * 15)
    return math.degrees(erfa.seps(a, math.radians(one.aimed_dec_deg), f, math.radians(one.found_dec_deg)))


def campaign(wanted: int, count: int, seed: int) -> Tally:
    """So many mounts, looked through so many times each."""
    chance, tally = random.Random(f"sightings/{count}/{seed}"), Tally()
    while tally.made < wanted:
        slug = chance.choice(list(WRONG))
        made = looked(slug, count, chance)
        if made is None:
            continue
        site, found, off = made
        try:
            answer = explain_sightings(found, site, noise_arcmin=NOISE_DEG * 60)
        except SightingError:
            continue  # noise put it below the horizon
        tally.made += 1
        first = answer.explanation[0] if answer.explanation else None
        if first is None or answer.right_confidence >= first.confidence:
            if off < 2 * math.sqrt(2) * NOISE_DEG:
                tally.drowned += 1
            else:
                tally.misses[slug, "right"] += 1
        elif first.cause == slug and not first.together:
            tally.exact += 1
        elif slug in first.indistinguishable:
            tally.alike += 1
        else:
            tally.misses[slug, "+".join(first.together or (first.cause,))] += 1
    return tally


def right_looks(wanted: int, count: int, seed: int) -> int:
    """Of so many mounts without a mistake, how many are told that something is wrong."""
    chance, named, done = random.Random(f"right looks/{count}/{seed}"), 0, 0
    while done < wanted:
        place, utc = random_site(chance), random_utc(chance)
        right = right_of(place, utc)
        mount = small_axis(Mount(right), chance)
        found = [
            look(mount, right, chance.uniform(0, 360), chance.uniform(-75, 75), utc, NOISE_DEG, chance)
            for _ in range(count)
        ]
        good = [one for one in found if one is not None]
        if len(good) < count:
            continue
        done += 1
        site = Site(name="", latitude_deg=place[0], longitude_deg=place[1], timezone=place[2])
        answer = explain_sightings(good, site, noise_arcmin=NOISE_DEG * 60)
        named += bool(answer.explanation and answer.explanation[0].confidence > answer.right_confidence)
    return named


def main() -> None:
    """Run the campaigns and print their figures."""
    parser = argparse.ArgumentParser()
    for name, default in (("sightings", 1000), ("sets", 1000), ("right", 300), ("seed", 1)):
        parser.add_argument(f"--{name}", type=int, default=default)
    given = parser.parse_args()
    for label, wanted, count in (("one sighting", given.sightings, 1), ("three sightings", given.sets, 3)):
        begin = time.perf_counter()
        tally = campaign(wanted, count, given.seed)
        wrong = sum(tally.misses.values())
        print(
            f"{label} at 30 arcmin of noise: {tally.made}, the mistake itself first {tally.exact / tally.made:.1%}, "
            f"one that can't be told from it {tally.alike / tally.made:.1%}, drowned in the noise "
            f"{tally.drowned / tally.made:.1%}, wrong {wrong / tally.made:.1%}; of {given.right} right mounts "
            f"{right_looks(given.right, count, given.seed)} called wrong; {time.perf_counter() - begin:.0f} s"
        )
        for (slug, answered), times in tally.misses.most_common(15):
            print(f"    {times:4d}  {slug}: answered {answered}")


if __name__ == "__main__":
    main()
