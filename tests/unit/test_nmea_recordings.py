"""The reader against recordings of real receivers, which are kept outside the repository.

What to expect was counted independently of this project (expected.json beside the recordings).
"""

from __future__ import annotations

import itertools
import json
import random
from collections.abc import Iterable
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any

import pynmeagps
import pytest

from noonmark.protocols.nmea import Decoded, Epoch, EpochAssembler, Framer, Sentence, decode, epochs

FOLDER = Path(__file__).parents[3] / "shared" / "nmea"

pytestmark = pytest.mark.skipif(
    not (FOLDER / "expected.json").is_file(), reason=f"the recordings are not here: {FOLDER.parent.name}/{FOLDER.name}"
)

# file: usable epochs. Where RMC tells the time, those that expected.json counts; hemi has none, and of its GGA with
# a fix those whose time a ZDA bears too, counted so:
#   awk -F, '/GPGGA/ && $7>=1 && $7<=5 {g[$2+0]=1} /GPZDA/ {z[$2+0]=1} END {for (k in g) n += k in z; print n}'
USABLE = {
    "april6_2019.log": 1,
    "ch-4711.log": 7,
    "firefly-II.log": 23,
    "hemi.log": 11,
    "iTrek.log": 35,
    "mtk-3301.log": 4,
    "quectel-l76k-nmea.log": 150,
    "skytraq.log": 0,
    "telit-he910.log": 187,
    "tn200.log": 0,
    "ublox-neo-m9n-nmea.log": 61,
    "ublox-zed-f9r.log": 30,
}

each_recording = pytest.mark.parametrize("name", USABLE)


@cache
def recorded(name: str) -> bytes:
    return (FOLDER / name).read_bytes()


@cache
def whole(name: str) -> tuple[Epoch, ...]:
    return tuple(epochs([recorded(name)]))


def expected(name: str) -> dict[str, Any]:
    row: dict[str, Any] = json.loads((FOLDER / "expected.json").read_text(encoding="utf-8"))["files"][name]
    return row


def sentences(name: str) -> list[Sentence]:
    return [event for event in Framer().feed(recorded(name)) if isinstance(event, Sentence)]


def test_no_recording_is_left_out() -> None:
    assert {path.name for path in FOLDER.glob("*.log")} == set(USABLE)


@each_recording
def test_the_valid_epochs_are_those_counted_independently(name: str) -> None:
    valid = [epoch for epoch in whole(name) if epoch.valid]
    assert len(valid) == expected(name)["valid_epochs"]
    assert len({epoch.utc for epoch in valid}) == len(valid)
    if valid:
        ends = [datetime.fromisoformat(text) for text in expected(name)["utc_first_last"]]
        assert [valid[0].utc, valid[-1].utc] == ends


@each_recording
def test_the_first_and_last_position_are_those_counted_independently(name: str) -> None:
    # They were taken of RMC with status A, whether or not the date could be read (april6_2019: its first could not).
    placed = [epoch for epoch in whole(name) if epoch.valid or epoch.why_code == "date-malformed"]
    ends = expected(name)["latlon_first_last"]
    assert bool(placed) == bool(ends)
    for epoch, (latitude_deg, longitude_deg) in zip([placed[0], placed[-1]] if placed else [], ends or [], strict=True):
        # Printed with seven decimals.
        assert epoch.latitude_deg == pytest.approx(latitude_deg, abs=0.51e-7)
        assert epoch.longitude_deg == pytest.approx(longitude_deg, abs=0.51e-7)


@each_recording
def test_the_usable_epochs_are_as_many_as_the_sentences_allow(name: str) -> None:
    usable = [epoch for epoch in whole(name) if epoch.usable]
    assert len(usable) == USABLE[name]
    for epoch in usable:
        assert epoch.utc is not None
        assert epoch.latitude_deg is not None
        assert epoch.longitude_deg is not None
        assert epoch.why_not == ""
    assert all(epoch.why_not for epoch in whole(name) if not epoch.usable)


@each_recording
def test_status_and_checksums_are_those_counted_independently(name: str) -> None:
    assembler = EpochAssembler()
    assembler.feed(recorded(name))
    assert assembler.malformed["bad-checksum"] == expected(name)["bad_checksum"]
    rmcs = [told.status for said in sentences(name) if (told := decode(said)) and told.formatter == "RMC"]
    assert rmcs.count("A") == expected(name)["rmc_status_a"]
    assert len(rmcs) - rmcs.count("A") == expected(name)["rmc_status_not_a"]


def cut_at(data: bytes, cuts: Iterable[int]) -> list[bytes]:
    return [data[a:b] for a, b in itertools.pairwise([0, *sorted(cuts), len(data)])]


@each_recording
def test_byte_by_byte_changes_nothing(name: str) -> None:
    data = recorded(name)
    assert tuple(epochs(data[at : at + 1] for at in range(len(data)))) == whole(name)


@each_recording
@pytest.mark.parametrize("seed", range(5))
def test_random_cuts_change_nothing(name: str, seed: int) -> None:
    data, cutter = recorded(name), random.Random(seed)
    some = cut_at(data, (cutter.randrange(len(data)) for _ in range(len(data) // cutter.choice([3, 40, 700]))))
    assert tuple(epochs(some)) == whole(name)
    growing = cut_at(data, itertools.takewhile(len(data).__gt__, itertools.accumulate(itertools.count(1))))
    assert tuple(epochs(growing)) == whole(name)


@each_recording
def test_a_second_library_decodes_the_same(name: str) -> None:
    """pynmeagps on each sentence, where it can: it knows neither impossible positions nor a malformed date."""
    compared = 0
    for said in sentences(name):
        told = decode(said)
        if told is None:
            continue
        theirs = pynmeagps.NMEAReader.parse(pynmeagps.NMEAMessage(
            said.talker, said.formatter, pynmeagps.GET, payload=list(said.fields[1:])
        ).serialize())  # fmt: skip
        compare(told, theirs)
        compared += 1
    assert compared >= len(whole(name))


def compare(told: Decoded, theirs: Any) -> None:
    time: Any = getattr(theirs, "time", "")
    assert told.time == (None if time == "" else (time.hour, time.minute, time.second, time.microsecond))
    if told.formatter == "RMC":
        assert told.day == (theirs.date or None)
    if told.formatter == "ZDA":
        assert told.day is not None
        assert (told.day.year, told.day.month, told.day.day) == (theirs.year, theirs.month, theirs.day)
    if told.position_fault == "":
        # It rounds to ten decimals.
        assert told.latitude_deg == pytest.approx(theirs.lat, abs=1e-10)
        assert told.longitude_deg == pytest.approx(theirs.lon, abs=1e-10)
    if told.formatter == "GGA":
        assert told.altitude_m == (None if theirs.alt == "" else theirs.alt)
        assert told.hdop == (None if theirs.HDOP == "" else theirs.HDOP)
        assert told.satellites == (None if theirs.numSV == "" else theirs.numSV)


def test_a_battery_clock_that_is_wrong_by_hours_is_told_but_never_vouched_for() -> None:
    first, second, third = whole("iTrek.log")[:3]
    assert first.utc is not None
    assert third.utc is not None
    assert (first.usable, second.usable, third.usable) == (False, False, True)
    assert (third.utc - first.utc).total_seconds() == pytest.approx(13.7 * 3600, abs=180)


def test_a_complete_time_and_date_before_the_first_fix_are_not_gone_by() -> None:
    for name in ("skytraq.log", "tn200.log"):
        assert {epoch.why_code for epoch in whole(name)} == {"no-fix"}
        assert all(epoch.utc is not None and epoch.latitude_deg is None for epoch in whole(name))


def test_a_week_rollover_with_status_a_is_usable_here_and_so_must_be_judged_by_its_date() -> None:
    assert [epoch.why_code for epoch in whole("april6_2019.log")] == ["no-time", "date-malformed", ""]
    (epoch,) = (epoch for epoch in whole("april6_2019.log") if epoch.usable)
    assert epoch.utc is not None
    assert epoch.utc.year == 1999
