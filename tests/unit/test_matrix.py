"""Whatever manner the mount speaks: every combination of manners, at places chosen to be hard, ends `confirmed` with
the mount's hidden state right, or `refused` with a true reason."""

from __future__ import annotations

import itertools
import os
import random
import tempfile
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from typing import Any

import pytest
from support.judging import wrongs
from support.virtual import NIGHT, SITE, rig

from noonmark.driver import set_mount
from noonmark.protocols.dialect import Dialect, build_dialect
from noonmark.sim.state import MountState, factory, right

# Zone offsets on the night of the matrix (2026-11-24) by the IANA database 2026f.
SITES: list[tuple[dict[str, Any], float]] = [
    (SITE, 10.5),
    ({"latitude_deg": 27.7172, "longitude_deg": 85.324, "timezone": "Asia/Kathmandu"}, 5.75),
    ({"latitude_deg": -43.95, "longitude_deg": -176.56, "timezone": "Pacific/Chatham"}, 13.75),
    ({"latitude_deg": 47.5615, "longitude_deg": -52.7126, "timezone": "America/St_Johns"}, -3.5),
    ({"latitude_deg": 1.87, "longitude_deg": -157.4, "timezone": "Pacific/Kiritimati"}, 14.0),
    ({"latitude_deg": 51.4779, "longitude_deg": 0.0, "timezone": "Europe/London"}, 0.0),
    ({"latitude_deg": -16.8, "longitude_deg": -179.9, "timezone": "Pacific/Fiji"}, 12.0),
    ({"latitude_deg": 49.5, "longitude_deg": 0.1, "timezone": "Europe/Paris"}, 1.0),
    ({"latitude_deg": -0.4, "longitude_deg": -78.5, "timezone": "America/Guayaquil"}, -5.0),
    # on longitude = 15.041 x offset, where both signs reversed imitate the right ones
    ({"latitude_deg": 12.1348, "longitude_deg": 15.0557, "timezone": "Africa/Ndjamena"}, 1.0),
    # 7.52 degrees from there, where a daylight hour does
    ({"latitude_deg": 55.7558, "longitude_deg": 37.6173, "timezone": "Europe/Moscow"}, 3.0),
    ({"latitude_deg": 1.4518, "longitude_deg": 172.9717, "timezone": "Pacific/Tarawa"}, 12.0),
]
STARTS = ("factory", "right", "one-off")
AXES: dict[str, tuple[Any, ...]] = {
    "sense": ("to-utc", "from-utc"),
    "positive": ("west", "east"),
    "range": ("0..360", "-180..180"),
    "format": ("hours", "tenths", "minutes"),
    "precision": ("minute", "second"),
    "holds": ("local", "utc"),
    "acknowledgement": ("plain", "end-mark", "none"),
    "notices": (0, 2),
    "order": ("mdy", "dmy"),
    "resets": (False, True),
}
COMBINATIONS = list(itertools.product(*AXES.values()))


def dialect_of(values: tuple[Any, ...], **extra: Any) -> Dialect:
    """A dialect with these manners."""
    one = dict(zip(AXES, values, strict=True))
    return build_dialect(
        {
            "name": "matrix",
            "acknowledgement": one["acknowledgement"],
            "coordinates": {"shown": one["precision"], "written": one["precision"]},
            "longitude": {"positive": one["positive"], "range": one["range"]},
            "offset": {"sense": one["sense"], "format": one["format"]},
            "clock": {"holds": one["holds"], **extra},
            "date": {"order": one["order"], "resets_time": one["resets"], "notices": one["notices"],
                     "blocks_s": 1.5 if one["notices"] else 0.0},
        },
        "matrix",
    )  # fmt: skip


def start_state(start: str, site: dict[str, Any], offset_h: float, dialect: Dialect, dice: random.Random) -> MountState:
    """The factory's, a right one, or a right one with a single thing off."""
    if start == "factory":
        return factory(NIGHT)
    state = right(NIGHT, site["latitude_deg"], site["longitude_deg"], offset_h, dialect=dialect)
    if start == "right":
        return state
    return dice.choice(
        [
            replace(state, longitude_deg=-state.longitude_deg),
            replace(state, latitude_deg=-state.latitude_deg),
            replace(state, offset_h=state.offset_h + dice.choice((-1.0, 1.0))),
            replace(state, local_s=state.local_s + dice.choice((-3600.0, 3600.0, 86400.0, -366 * 86400.0, 47.0))),
        ]
    )


CLOCKS: tuple[dict[str, Any], ...] = (
    {},
    {"daylight_hour": True},
    {"local_is_utc": True},
    {"display_hours": 12},
    {"phase": "kept"},
    {"sidereal_renewed": "at-set-time"},
    {"daylight_hour": True, "display_hours": 12, "sidereal_renewed": "at-set-time"},
)


def run_one(case: tuple[int, int, int, int]) -> tuple[str, str, str]:
    """(outcome, code, what is wrong) of one case: (combination, site, start, clock)."""
    combination, place, start, clock = case
    dice = random.Random(f"matrix/{case}")
    site, offset_h = SITES[place]
    dialect = dialect_of(COMBINATIONS[combination], **CLOCKS[clock])
    state = start_state(STARTS[start], site, offset_h, dialect, dice)
    with tempfile.TemporaryDirectory() as folder:
        one = rig(
            folder,
            site=site,
            dialect=dialect,
            state=state,
            seed=combination,
            receiver_options={"rate_hz": 5.0, "sentences": ("RMC", "GGA")},
        )
        result = set_mount(one.config, seams=one.seams)
    bad: list[str] = []
    if result.outcome == "confirmed":
        bad = wrongs(one.mount, one.clock, one.config.site.model_dump())
    if one.mount.forbidden:
        bad.append(f"forbidden commands {one.mount.forbidden}")
    return str(result.outcome), result.code, "; ".join(bad)


def tell(cases: list[tuple[int, int, int, int]], outcomes: list[tuple[str, str, str]]) -> Counter[str]:
    """Print the counts by reason; fail with the first cases that are wrong."""
    counts: Counter[str] = Counter(f"{outcome} {code}" for outcome, code, _ in outcomes)
    print(f"\n{len(cases)} runs: " + ", ".join(f"{name} {count}" for name, count in counts.most_common()))
    wrong = [
        f"{case} {dict(zip(AXES, COMBINATIONS[case[0]], strict=True))} at {SITES[case[1]][0]['timezone']} from "
        f"{STARTS[case[2]]} {CLOCKS[case[3]]}: {outcome} {code} {bad}"
        for case, (outcome, code, bad) in zip(cases, outcomes, strict=True)
        if bad or outcome not in ("confirmed", "refused")
    ]
    assert not wrong, f"{len(wrong)} wrong of {len(cases)}:\n" + "\n".join(wrong[:12])
    return counts


def drawn(count: int) -> list[int]:
    """So many combinations, every two values of two axes together in at least one of them."""
    dice = random.Random(20261124)
    found = [dice.randrange(len(COMBINATIONS)) for _ in range(count)]
    for one, other in itertools.combinations(range(len(AXES)), 2):
        pairs = {(combination[one], combination[other]) for combination in COMBINATIONS}
        assert {(COMBINATIONS[number][one], COMBINATIONS[number][other]) for number in found} == pairs
    return found


def test_every_manner_is_confirmed_right_or_refused_sampled() -> None:
    places = [(place, start, 0) for place in range(len(SITES)) for start in range(3) for _ in range(3)]
    cases = [(combination, *where) for combination, where in zip(drawn(len(places)), places, strict=True)]
    counts = tell(cases, [run_one(case) for case in cases])
    refused = sum(count for name, count in counts.items() if name.startswith("refused"))
    assert refused <= 0.01 * len(cases)


def test_every_kind_of_clock_is_confirmed_right_or_refused_sampled() -> None:
    """Each kind at each place, from one of the starts in turn."""
    places = [(place, (place + clock) % 3, clock) for place in range(len(SITES)) for clock in range(1, len(CLOCKS))]
    cases = [(combination, *where) for combination, where in zip(drawn(len(places)), places, strict=True)]
    tell(cases, [run_one(case) for case in cases])


@pytest.mark.long
def test_every_kind_of_clock_is_confirmed_right_or_refused_from_every_start() -> None:
    dice = random.Random(7)
    cases = [
        (dice.randrange(len(COMBINATIONS)), place, start, clock)
        for place in range(len(SITES)) for start in range(3) for clock in range(1, len(CLOCKS)) for _ in range(10)
    ]  # fmt: skip
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        tell(cases, list(pool.map(run_one, cases, chunksize=16)))


@pytest.mark.long
def test_every_manner_is_confirmed_right_or_refused_whole() -> None:
    cases = [
        (combination, place, (combination + place) % 3, 0)
        for combination in range(len(COMBINATIONS)) for place in range(len(SITES))
    ]  # fmt: skip
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        outcomes = list(pool.map(run_one, cases, chunksize=64))
    counts = tell(cases, outcomes)
    refused = sum(count for name, count in counts.items() if name.startswith("refused"))
    assert refused < 0.01 * len(cases)
