"""How well a mount's clock is measured and set: the interval and the true residual beside what can be known at all.

Run by hand: python tests/bench/bench_clockset.py [mounts] [live repeats]. The limit of a line and a mount is half of
(the question's bytes + the least lag + the answer's first byte); "plain" is the time sent as its second begins, and
nothing else. In virtual time first, then on a real pseudo-terminal and over TCP on this machine, idle and with every
core busy. All mounts of the first table drift by up to 100 ppm, which nobody tells the measuring.

Of a steady lag of 10 ms at 9600 baud 1.77 after the second tick and 1.19 after the fourth would be reached if the rate
were known: of the sweep's 23.5 ms each question then leaves half. It is not: 5500 ppm either way are 11 ms a second more
to be told by the same questions, and one question after the sweep can't do better than 2.13.
"""

from __future__ import annotations

import contextlib
import json
import os
import random
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from support.clockwork import OFFSET_H, Stand, clock_dialect, declared, stand

from noonmark.driver.clocks import SystemClock
from noonmark.driver.clockset import ClockSetter, Wanted
from noonmark.driver.links import open_link
from noonmark.driver.mount import Talk
from noonmark.driver.ticking.clockmanner import ClockManner
from noonmark.driver.ticking.clockreading import ClockMeasure, measure
from noonmark.driver.truth import Truth
from noonmark.protocols.dialect import USUAL, Dialect
from noonmark.sim.state import Quirks
from noonmark.sim.wire import LineManner

QUESTION_BYTES, FIRST_BYTES = 4, 1
COMMAND = str(Path(sys.executable).with_name("noonmark"))


@dataclass(frozen=True)
class Kind:
    """A class of mounts. `least_lag_s`: before and after the reading together."""

    name: str
    quirks: Quirks
    manner: LineManner
    most_ppm: float = 100.0

    @property
    def limit_s(self) -> float:
        least_lag_s = self.quirks.lag_before_s[0] + self.quirks.lag_after_s[0] + 2 * self.manner.lag_s[0]
        return ((QUESTION_BYTES + FIRST_BYTES) * self.manner.byte_s + least_lag_s) / 2

    def stand(self, seed: int) -> Stand:
        drift_ppm = random.Random(f"drift/{seed}").uniform(-self.most_ppm, self.most_ppm)
        return stand(seed, quirks=self.quirks, manner=self.manner, drift_ppm=drift_ppm)


STEADY = Quirks((0.007, 0.007), (0.003, 0.003))
KINDS = (
    Kind("steady lag 10 ms", STEADY, LineManner(9600)),
    Kind("lag 5 to 15 ms", Quirks((0.003, 0.010), (0.002, 0.005)), LineManner(9600)),
    Kind("lag 5 to 20 ms before", Quirks((0.005, 0.020), (0.0, 0.0)), LineManner(9600)),
    Kind("16 ms adapter", STEADY, LineManner(9600, hold_s=0.016)),
    Kind("joining bridge", STEADY, LineManner(9600, joins=True)),
    Kind("network 1 to 10 ms", STEADY, LineManner(0, lag_s=(0.001, 0.010))),
    Kind("steady, 1200 baud", STEADY, LineManner(1200)),
    Kind("steady, 115200 baud", STEADY, LineManner(115200)),
    Kind("steady, 5000 ppm", STEADY, LineManner(9600), 5000.0),
)
SECONDS = ((2.0, 9), (4.0, 9), (4.6, 4), (6.6, 6), (10.6, 10))


def ratios(values: list[float], limit_s: float) -> str:
    """Median and worst, as multiples of the limit."""
    return f"{statistics.median(values) / limit_s:5.2f} {max(values) / limit_s:5.2f}"


def sharpness(kind: Kind, mounts: int) -> None:
    """One class: what is stated and what is true after so many seconds of measuring, as multiples of the limit."""
    print(f"\n{kind.name}: limit {1e3 * kind.limit_s:.1f} ms")
    for budget_s, ticks in SECONDS:
        widths, residuals, took = [], [], []
        for seed in range(mounts):
            one = kind.stand(seed)
            begun = one.clock.monotonic()
            found = one.measure(budget_s=budget_s, ticks=ticks)
            took.append(one.clock.monotonic() - begun)
            widths.append(found.half_width_s)
            residuals.append(found.half_width_s + one.beyond_s(found))  # how far the truth is from the middle
        print(
            f"  {budget_s:4.1f} s at most, {ticks:2d} ticks: half-width {ratios(widths, kind.limit_s)}   "
            f"from the middle {ratios(residuals, kind.limit_s)}   took {statistics.mean(took):.1f} s"
        )
    plain, brought, stated, sends, seconds = [], [], [], [], []
    for seed in range(mounts):
        one = kind.stand(seed)
        ClockSetter(
            one.talk, Wanted(one.truth, OFFSET_H), ClockManner(), 24, lambda _n, _a: None, lambda _w, _s: None
        ).once()
        plain.append(abs(one.error_s()))
        one = kind.stand(seed)
        begun = one.clock.monotonic()
        outcome = one.bring()
        assert outcome.measure is not None
        seconds.append(one.clock.monotonic() - begun)
        brought.append(abs(one.error_s()))
        stated.append(outcome.measure.half_width_s)
        sends.append(len(outcome.sends))
    print(
        f"  set: residual {ratios(brought, kind.limit_s)} ({1e3 * statistics.median(brought):.1f}, worst "
        f"{1e3 * max(brought):.1f} ms), stated half-width {ratios(stated, kind.limit_s)}; sent plainly "
        f"{ratios(plain, kind.limit_s)} ({1e3 * statistics.median(plain):.1f}, worst {1e3 * max(plain):.1f} ms); "
        f"{statistics.mean(sends):.1f} sends, {statistics.mean(seconds):.1f} s with the measuring before"
    )


# --- soundness, and what is not of the declared kind -------------------------------------------------


def soundness(mounts: int) -> None:
    """Random mounts of the declared kind: the widest excess of the truth over what is stated."""
    begun, worst, faults = time.process_time(), -1.0, 0
    for seed in range(mounts):
        one = declared(seed, clock_dialect(phase="kept" if seed % 3 == 0 else "reset"))
        found = one.measure(budget_s=2.0 if seed % 2 else 4.6)
        faults += found.fault is not None
        worst = max(worst, one.beyond_s(found))
    spent = (time.process_time() - begun) / mounts
    print(
        f"{mounts} mounts of the declared kind: widest excess {1e3 * max(worst, 0.0):.3f} ms, {faults} called uneven; "
        f"{1e3 * spent:.2f} ms of processor each"
    )


def apart(name: str, mounts: int, quirks: Quirks, dialect: Dialect = USUAL, drift_ppm: float = 50.0) -> None:
    """A class for which no interval is promised: how often that is noticed, and how far off it is where not."""
    for budget_s, ticks in ((2.0, 4), (4.6, 4), (8.6, 8)):
        off: list[float] = []
        beside: list[float] = []
        for seed in range(mounts):
            drift = random.Random(f"drift/{seed}").uniform(-drift_ppm, drift_ppm)
            one = stand(seed, quirks=quirks, dialect=dialect, drift_ppm=drift)
            found = one.measure(budget_s=budget_s, ticks=ticks)
            beyond = max(0.0, one.beyond_s(found, clock_itself=True))
            (off if found.fault is None else beside).append(beyond)
        told = f"median {1e3 * statistics.median(off):.0f}, worst {1e3 * max(off):.0f} ms" if off else "never"
        hull = f"{1e3 * statistics.median(beside):.0f}, worst {1e3 * max(beside):.0f} ms" if beside else "-"
        share = len(beside) / mounts
        print(f"  {name}, {budget_s} s: noticed {share:4.0%} (beyond the hull {hull}); else beyond {told}")


def rounding(mounts: int) -> None:
    """Displays that round: recognised by setting, and the clock itself is right then."""
    for phase in ("reset", "kept"):
        recognised, off, worst = 0, [], 0.0
        for seed in range(mounts):
            one = stand(seed, dialect=clock_dialect(display_rounds=True, phase=phase))
            outcome = one.bring()
            assert outcome.measure is not None
            recognised += one.manner.rounds is True
            off.append(abs(one.error_s()))
            worst = max(worst, one.beyond_s(outcome.measure, clock_itself=True))
        print(
            f"  rounded, second {phase} at `:SL`: recognised {recognised / mounts:4.0%}, clock off by "
            f"{1e3 * statistics.median(off):.0f}, worst {1e3 * max(off):.0f} ms, "
            f"beyond what is stated {1e3 * max(worst, 0):.0f} ms"
        )


# --- on this machine ---------------------------------------------------------------------------------


@contextlib.contextmanager
def busy(wanted: bool) -> Iterator[None]:
    """Every core kept busy by a process of its own."""
    count = (os.cpu_count() or 1) if wanted else 0
    burners = [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(count)]
    try:
        yield
    finally:
        for one in burners:
            one.kill()
            one.wait()


@contextlib.contextmanager
def served(folder: Path, *options: str) -> Iterator[tuple[str, Callable[[], float]]]:
    """A mount in a process of its own: its address, and how far its clock is from this host's local time wanted."""
    state = folder / "state.json"
    argv = [COMMAND, "sim", "mount", "--state", str(state), "--right", "-31.8571", "141.6034", str(OFFSET_H), *options]
    process = subprocess.Popen(argv, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    assert process.stdout is not None
    address = process.stdout.readline().split()[-1]

    def error_s() -> float:
        kept = json.loads(state.read_text())
        kept = kept.get("state", kept)
        return float(kept["local_s"] - kept["at_utc_s"] - OFFSET_H * 3600.0)

    try:
        yield address, error_s
    finally:
        process.terminate()
        process.wait()


def live(name: str, options: tuple[str, ...], is_busy: bool, repeats: int) -> None:
    """Setting over a real line, beside sending plainly."""
    plain, brought, widths, excess, late, sends = [], [], [], [], [], []
    how: set[str] = set()
    with tempfile.TemporaryDirectory() as text, served(Path(text), *options) as (address, error_s), busy(is_busy):
        clock = SystemClock()
        with contextlib.closing(open_link(address, baud=9600, clock=clock)) as link:
            apart_s = clock.utc_ns() / 1e9 - clock.monotonic()
            truth = Truth(True, True, True, apart_s, apart_s, (), "", "")
            for number in range(repeats):
                talk = Talk(link, clock, 2.0, clock.monotonic() + 90.0)
                setter = _setter(talk, truth, None)
                setter.once()
                plain.append(abs(error_s()))
                setter.sender.send_ahead(0.3 + 0.1 * (number % 5))  # so that it is not right beforehand
                talk = Talk(link, clock, 2.0, clock.monotonic() + 90.0)
                setter = _setter(talk, truth, measure(talk, 24))
                outcome = setter.bring()
                assert outcome.measure is not None
                left = error_s()
                wanted = setter.wanted.local_s(0.0) % 86400.0
                low, high = (edge - wanted for edge in outcome.measure.anchored(wanted, 24))
                brought.append(abs(left))
                widths.append(outcome.measure.half_width_s)
                excess.append(max(low - left, left - high))
                late += [one.handed_over - (one.instant - link.byte_s) for one in outcome.sends if one.handed_over]
                sends.append(len(outcome.sends))
                how |= {one.how for one in outcome.sends}
    print(
        f"  {name}, {'every core busy' if is_busy else 'idle'}: residual {1e3 * statistics.median(brought):.2f}, worst "
        f"{1e3 * max(brought):.2f} ms; stated half-width {1e3 * statistics.median(widths):.2f}, worst "
        f"{1e3 * max(widths):.2f} ms; beyond it {1e3 * max(0.0, *excess):.3f} ms; sent plainly "
        f"{1e3 * statistics.median(plain):.2f}, worst {1e3 * max(plain):.2f} ms; last byte left "
        f"{1e3 * max(late):.3f} ms late at worst; {statistics.mean(sends):.1f} sends, {', '.join(sorted(how))}"
    )


def _setter(talk: Talk, truth: Truth, before: ClockMeasure | None) -> ClockSetter:
    return ClockSetter(
        talk, Wanted(truth, OFFSET_H), ClockManner(), 24, lambda _n, _a: None, lambda _w, _s: None, before
    )


def main() -> None:
    mounts = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    repeats = int(sys.argv[2]) if len(sys.argv) > 2 else 3
    print("Multiples of the limit, median and worst:")
    for kind in KINDS:
        sharpness(kind, mounts)
    print()
    soundness(10 * mounts)
    print("Not of the declared kind:")
    rounding(mounts)
    apart("renewed every 100 ms, in step", mounts, Quirks(display_every_s=0.1), drift_ppm=0.0)
    apart("renewed every 97.3 ms, free", mounts, Quirks(display_every_s=0.0973))
    apart("ticks up to 80 ms late", mounts, Quirks(uneven_s=0.08))
    print("On this machine, the simulated mount in a process of its own, 9600 baud:")
    for is_busy in (False, True):
        live("pseudo-terminal", ("--pty",), is_busy, repeats)
        live("TCP", ("--tcp", "0"), is_busy, repeats)


if __name__ == "__main__":
    main()
