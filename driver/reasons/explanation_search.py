"""Which mistakes fit what was read, and how likely each is.

A mistake fits where everything it makes of the right settings lies within its tolerance of what was read (and what
it does not touch is right). Its description length, in natural units, is

    L = sum over its causes [ ln K + ln v + c ] + 1/2 sum over the settings (d / (t/2))^2 + c_typed

K: how many causes the table has for a mount; v: to how many different readings this cause can lead here; c: what
a value taken from the reading costs (0 for a fixed effect), ln of how many values it could have had, every order of
magnitude equally likely (`size_cost`); d: read minus predicted; t: the tolerance, taken as two standard errors;
c_typed: the same cost where what was entered by hand is off by up to a minute of time, or half one of arc, besides.
Weights are exp(-L); the confidence is the share in the sum over everything that fits, with one more term for "nothing
fits", L0 = (n + 1) ln K + the costs of taking each of the n wrong settings as it is. So one cause goes before two, a
known size before a free one, and an answer that costs as much as no answer is no answer. This is the principle of
minimum description length (J. Rissanen, Automatica 14 (1978) 465; reference from memory).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from noonmark.driver.reasons.causes import ROWS
from noonmark.driver.reasons.free_slips import FreeSlip, free_slips, size_cost
from noonmark.driver.reasons.slips import (
    LATITUDE,
    LOCAL,
    LONGITUDE,
    OFFSET,
    Context,
    Settings,
    Slip,
    Tolerances,
    fixed_slips,
)
from noonmark.protocols.sexagesimal import wrap_signed

GROUPS = (LATITUDE, LONGITUDE, OFFSET, LOCAL)
REACH = (180.0, 180.0, 14.0, 1e9)
TYPED_S = 60.0
TYPED = (1.0 / 120.0, 1.0 / 120.0, 0.0, TYPED_S)
"""A time typed from a watch or a telephone is good to the minute, a typed coordinate to half a minute of arc."""
LN_K = math.log(sum("mount" in row.shows for row in ROWS))
ORDER = {row.slug: number for number, row in enumerate(ROWS)}
"""Of two causes the offset's is told first, then the place's, the date's, the clock's: as one would look."""
SAME = 1e-9


@dataclass(frozen=True, slots=True)
class Reading:
    """What was read, beside what is right (`ctx`). Masks of GROUPS: `wrong`; `judged`, where there was a truth."""

    ctx: Context
    read: Settings
    tolerance: Tolerances
    wrong: int
    judged: int = LATITUDE | LONGITUDE | OFFSET | LOCAL


@dataclass(frozen=True, slots=True)
class Candidate:
    """One mistake, or two, that fit. `after`: what they make of the settings; `typed`: which of them were entered by
    hand, `typed_s`: how far the time is off besides; `fixed`: no value was taken from the reading."""

    slugs: tuple[str, ...]
    words: tuple[str, ...]
    touches: int
    after: Settings
    length: float
    typed: int
    typed_s: float
    fixed: bool


def distances(a: Settings, b: Settings) -> tuple[float, float, float, float]:
    """a minus b in the order of GROUPS, the longitude the shorter way round."""
    return (
        a.latitude_deg - b.latitude_deg,
        wrap_signed(a.longitude_deg - b.longitude_deg, 360.0),
        a.offset_h - b.offset_h,
        a.local_s - b.local_s,
    )


def search(reading: Reading) -> list[Candidate]:
    """Everything that fits, in no order. Pairs only where no single cause does (or only one of no known size)."""
    if not reading.wrong:
        return []
    fixed, free = fixed_slips(reading.ctx), free_slips(reading.ctx, reading.tolerance)
    right = reading.ctx.right
    ways = _ways(fixed, free, right, reading.tolerance)
    found = list(_singles(reading, fixed, free, ways, right))
    if any(one.fixed for one in found):
        return found
    if found:  # two known sizes that meet exactly go before one of no known size
        return found + [one for one in _pairs_fixed(reading, fixed, ways, right) if not one.typed_s]
    return [*_pairs_fixed(reading, fixed, ways, right), *_pairs_free(reading, fixed, free, ways, right)]


def _ways(fixed: Sequence[Slip], free: Sequence[FreeSlip], right: Settings, tolerance: Tolerances) -> Counter[str]:
    """To how many different readings each cause can lead; a free one counts by its kinds."""
    seen: set[tuple[str | int, ...]] = set()
    for slip in fixed:
        after = slip.apply(right)
        if after is not None:
            steps = (round(off / unit) for off, unit in zip(distances(after, right), tolerance, strict=True))
            seen.add((slip.slug, *steps))
    ways = Counter(str(key[0]) for key in seen)
    ways.update(one.slug for one in free)
    return ways


def nothing_fits(reading: Reading) -> float:
    """L0: each wrong setting by itself, and one more cause for the presumption."""
    total, count = 0.0, 0
    off_right = distances(reading.read, reading.ctx.right)
    for group, off, unit, reach in zip(GROUPS, off_right, reading.tolerance, REACH, strict=True):
        if reading.wrong & group:
            total += size_cost(off, unit, reach)
            count += 1
    return total + (count + 1) * LN_K


# --- enumerating ------------------------------------------------------------------------------------


def _singles(
    reading: Reading, fixed: Sequence[Slip], free: Sequence[FreeSlip], ways: Counter[str], right: Settings
) -> Iterator[Candidate]:
    for slip in fixed:
        after = slip.apply(right) if _inside(slip.touches, reading.wrong) else None
        if after is not None:
            yield from _fit(reading, (slip,), after, _cost(slip, ways), True, slip.typed)
    for one in free:
        solved = one.solve(right, reading.read) if _inside(one.touches, reading.wrong) else None
        if solved is not None:
            yield from _fit(reading, (one,), solved[0], _cost(one, ways) + solved[1], False, 0)


def _pairs_fixed(reading: Reading, fixed: Sequence[Slip], ways: Counter[str], right: Settings) -> Iterator[Candidate]:
    usable = [(slip, slip.apply(right)) for slip in fixed if _inside(slip.touches, reading.wrong)]
    for number, (first, after_first) in enumerate(usable):
        for second, after_second in usable[number + 1 :]:
            if first.slug == second.slug or not _covers(first.touches | second.touches, reading.wrong):
                continue
            cost, typed = _cost(first, ways) + _cost(second, ways), first.typed | second.typed
            both = second.apply(after_first) if after_first is not None else None
            if both is not None:
                yield from _fit(reading, (first, second), both, cost, True, typed)
            if not _groups(first.touches) & _groups(second.touches):
                continue  # in whichever order
            other = first.apply(after_second) if after_second is not None else None
            if other is not None and other != both:
                yield from _fit(reading, (second, first), other, cost, True, typed)


def _pairs_free(
    reading: Reading, fixed: Sequence[Slip], free: Sequence[FreeSlip], ways: Counter[str], right: Settings
) -> Iterator[Candidate]:
    usable = [one for one in free if _inside(one.touches, reading.wrong) and one.slug != "factory-state"]
    for first in fixed:
        after = first.apply(right) if _inside(first.touches, reading.wrong) else None
        if after is None:
            continue
        for second in usable:
            if first.slug == second.slug or not _covers(first.touches | second.touches, reading.wrong):
                continue
            cost = _cost(first, ways)
            if first.touches & ~second.touches:  # else the second would undo the first
                yield from _solved(reading, (first, second), second, after, cost, ways, first.typed & ~second.touches)
            if first.touches & second.touches and second.touches & ~first.touches:
                solved = second.solve(right, reading.read)  # the free one first: its clock is entered anew
                both = first.apply(solved[0]) if solved is not None else None
                if solved is not None and both is not None:
                    cost += _cost(second, ways) + solved[1]
                    yield from _fit(reading, (first, second), both, cost, False, first.typed)
    for number, one in enumerate(usable):
        for other in usable[number + 1 :]:
            if one.slug != other.slug and _covers(one.touches | other.touches, reading.wrong):
                # what moves the clock with the offset goes before what sets the date, and that before the time
                early, late = sorted((one, other), key=lambda slip: (-(slip.touches & OFFSET), slip.touches))
                if early.touches & late.touches and not (early.touches & OFFSET and _inside(late.touches, LOCAL)):
                    continue
                solved = early.solve(right, reading.read)
                if solved is not None:
                    cost = _cost(early, ways) + solved[1]
                    yield from _solved(reading, (early, late), late, solved[0], cost, ways, 0)


def _solved(
    reading: Reading, slips: tuple[Slip | FreeSlip, ...], last: FreeSlip, before: Settings, cost: float,
    ways: Counter[str], typed: int,
) -> Iterator[Candidate]:  # fmt: skip
    solved = last.solve(before, reading.read)
    if solved is not None:
        yield from _fit(reading, slips, solved[0], cost + _cost(last, ways) + solved[1], False, typed)


def _cost(slip: Slip | FreeSlip, ways: Counter[str]) -> float:
    return LN_K + math.log(max(1, ways[slip.slug]))  # 0: only possible after another slip


def _groups(touches: int) -> int:
    return (touches & ~LOCAL) | (LOCAL if touches & LOCAL else 0)


def _inside(touches: int, wrong: int) -> bool:
    return not _groups(touches) & ~wrong


def _covers(touches: int, wrong: int) -> bool:
    return not wrong & ~_groups(touches)


# --- judging ----------------------------------------------------------------------------------------


def _fit(
    reading: Reading, slips: tuple[Slip | FreeSlip, ...], after: Settings, cost: float, fixed: bool, typed: int
) -> Iterator[Candidate]:
    misfit, typed_s = 0.0, 0.0
    moved = distances(after, reading.ctx.right)
    for group, off, change, unit, typed_unit in zip(
        GROUPS, distances(reading.read, after), moved, reading.tolerance, TYPED, strict=True
    ):
        if not reading.judged & group:
            continue
        if abs(change) <= SAME:
            if reading.wrong & group:
                return
            continue
        beyond = abs(off)
        if beyond > unit + SAME:
            if not group & typed or beyond > typed_unit + unit:
                return
            typed_s = off if group == LOCAL else typed_s
            cost += size_cost(off, unit, typed_unit)
            continue
        misfit += (2.0 * off / unit) ** 2
    touches = 0
    for slip in slips:
        touches |= slip.touches
    slips = tuple(sorted(slips, key=lambda slip: ORDER[slip.slug]))
    yield Candidate(
        tuple(slip.slug for slip in slips), tuple(slip.words for slip in slips), touches, after,
        cost + misfit / 2.0, typed, typed_s, fixed,
    )  # fmt: skip


def alike(a: Candidate, b: Candidate, tolerance: Tolerances) -> bool:
    """Whether two candidates make the same of the settings, as far as the mount's display can tell."""
    typed = a.typed | b.typed
    return all(
        abs(off) <= unit + (by_hand if group & typed else 0.0)
        for group, off, unit, by_hand in zip(GROUPS, distances(a.after, b.after), tolerance, TYPED, strict=True)
    )
