"""Bytes on the wire and wall time of `check` and `set` at 9600 baud on a pseudo-terminal, beside what the bytes need.

Run by hand: python tests/bench/bench_wire.py [baud]. A run's time is that of its bytes at the line's rate, the mount's
own thinking (as its trace tells), and the waits that the result states: a second of the mount's clock to turn, epochs
of the receiver, a second look. The aim: whatever is no stated wait takes 1.2 times its bytes and the thinking.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from support.processes import Finished, Place, Row

AIM = 1.2
BITS = 10  # a start bit, eight of data, a stop bit
TALKING = (
    "reading the mount's settings",
    "writing the settings",
)  # stated, but it is no wait: it's what the bytes take
POLLS = (":GL#",)  # while the clock is measured the line is asked without a pause: that is within a stated wait


def size(row: Row) -> int:
    """Bytes of a row."""
    return len(row.text.encode("ascii").decode("unicode_escape"))


def report(what: str, found: Finished, rows: list[Row], baud: int) -> None:
    """Print one run's figures."""
    document = found.document
    waits: Counter[str] = Counter()
    for wait in document["waits"]:
        waits[wait["what"]] += wait["seconds"]
    stated_s = sum(seconds for name, seconds in waits.items() if name not in TALKING)
    questions = [row for row in rows if row.direction == ">"]
    asked = ""
    talk_bytes = 0
    thinking_s = 0.0
    for number, row in enumerate(rows):
        if row.direction == ">":
            asked = row.text
        elif asked not in POLLS and rows[number - 1].direction == ">":
            thinking_s += max(0.0, row.instant - rows[number - 1].instant)
        if asked not in POLLS:
            talk_bytes += size(row)
    all_bytes = sum(map(size, rows))
    need_s = talk_bytes * BITS / baud + thinking_s
    rest_s = document["duration_s"] - stated_s
    seconds = document["duration_s"]
    print(f"{what}: {document['outcome']}, {len(questions)} questions, {all_bytes} bytes, {seconds:.2f} s")
    print(f"  its bytes alone at {baud} baud: {all_bytes * BITS / baud:.2f} s")
    for name, seconds in waits.items():
        print(f"  {'wait' if name not in TALKING else 'talk'}: {name}, {seconds:.2f} s")
    print(
        f"  the rest, {rest_s:.2f} s, carries {talk_bytes} bytes: they need {talk_bytes * BITS / baud:.2f} s, "
        f"the mount's thinking {thinking_s:.2f} s: {rest_s / need_s:.2f} times that, the aim is {AIM}"
    )
    print(f"  from the command to its end: {found.seconds:.2f} s")


def main(baud: int) -> None:
    """Print the figures: a mount fresh from the works is looked at, set, and looked at again."""
    with tempfile.TemporaryDirectory() as name:
        place = Place(Path(name))
        try:
            receiver = place.receiver()
            for what in ("check --quick", "check", "set", "check"):
                mount = place.mount("--baud", str(baud), "--state", str(place.folder / "state.json"))
                config = place.config(mount.address, receiver.address, mount_options={"baud": baud})
                verb, *options = what.split()
                found = place.run(verb, *options, "--config", str(config), "--json")
                mount.close()  # reads its trace to the end
                report(what, found, mount.rows, baud)
        finally:
            place.close()


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 9600)
