"""SIGINT and SIGTERM at every stage of a `set`: the status is 130 or 143, there is one JSON document, the record is
whole and true, the port is free afterwards, and `restore` and the next `set` end well."""

from __future__ import annotations

import contextlib
import os
import signal
from collections.abc import Callable
from pathlib import Path

import pytest
from support.processes import Device, Place, Row, judge_state

SIGNALS = [signal.SIGINT, signal.SIGTERM]
EARLY = ["opening", "reading", "gathering"]
LATE = ["first-write", "date", "time", "second-look"]
LETTERS = {"date": ":SC", "time": ":SL", "offset": ":SG", "longitude": ":Sg", "latitude": ":St"}


def every_stage(stages: list[str]) -> pytest.MarkDecorator:
    """Each stage with one of the two signals every day, with the other one in the long campaigns."""
    rows = [
        pytest.param(stage, one, id=f"{stage}-{one.name}", marks=pytest.mark.long if (place + turn) % 2 else ())
        for place, stage in enumerate(stages)
        for turn, one in enumerate(SIGNALS)
    ]
    return pytest.mark.parametrize(("stage", "number"), rows)


def asked(letters: str, times: int = 1) -> Callable[[list[Row]], bool]:
    """The mount has been sent such a command so often."""
    return lambda rows: sum(row.direction == ">" and row.text.startswith(letters) for row in rows) >= times


def looked(after: str = "") -> Callable[[list[Row]], bool]:
    """The mount has been read from end to end since a command was last sent: what follows is a wait. A reading of
    everything ends with the second question for the sidereal time; the clock is measured after it, or, where the
    time was set, before it."""

    def over(rows: list[Row]) -> bool:
        commands = [row.text for row in rows if row.direction == ">"]
        starts = [number for number, text in enumerate(commands) if text.startswith(after)]
        rest = commands[starts[-1] :] if after and starts else [] if after else commands
        read = rest.count(":GS#") >= 2 and rows[-1].direction == "<"
        return read and (bool(after) or (":GL#" in rest[len(rest) - rest[::-1].index(":GS#") :] and rest[-1] == ":GC#"))

    return over


EVENTS = {"first-write": asked(":Sg"), "date": asked(":SC"), "time": asked(":SL"), "second-look": looked(":SL")}


def test_the_stages_are_told_apart_by_what_the_mount_hears(place: Place) -> None:
    """The events that the tests below wait for do come, in this order, in one `set`."""
    mount = place.mount()
    found = place.start("set", "--config", str(place.config(mount.address, place.receiver().address)))
    for event in (asked(":G"), looked(), asked(":Sg"), asked(":SC"), asked(":SL"), looked(":SL")):
        mount.wait_for(event, "the next stage", found)
    assert found.finish().status == 0


@pytest.mark.parametrize("number", SIGNALS, ids=lambda one: one.name)
def test_before_anything_is_opened(place: Place, number: signal.Signals) -> None:
    """While it reads its configuration, which comes out of a pipe that says nothing yet."""
    mount = place.mount()
    text = place.config(mount.address, place.receiver().address).read_bytes()
    pipe = place.folder / "slow.toml"
    os.mkfifo(pipe)
    running = place.start("set", "--config", str(pipe), "--json")
    with pipe.open("wb") as writer:  # returns once the driver has opened its end
        running.send(number)
        with contextlib.suppress(BrokenPipeError):
            writer.write(text)
            writer.flush()
    found = running.finish()
    assert found.status == 128 + number
    assert (found.document["outcome"], found.document["code"]) == (None, "interrupted")
    assert not mount.rows
    assert not place.records_kept() or place.records_kept()[0]["result"]["written"] == []


@every_stage(EARLY)
def test_before_the_first_write(place: Place, stage: str, number: signal.Signals) -> None:
    mount = place.mount()
    receiver = place.receiver(*(["--fault", "cold-start:1000"] if stage == "gathering" else []))
    running = place.start("set", "--config", str(place.config(mount.address, receiver.address)), "--json")
    if stage == "opening":
        receiver.wait_for(bool, "the first word of the receiver", running)
    elif stage == "reading":
        mount.wait_for(asked(":GS"), "the sidereal time to be asked for", running)
    else:
        mount.wait_for(looked(), "the end of the first look", running)
    running.send(number)
    found = running.finish(15.0)
    assert found.status == found.document["exit_status"] == 128 + number
    assert (found.document["outcome"], found.document["code"]) == (None, "interrupted")
    assert (found.document["written"], found.document["unconfirmed"]) == ([], [])
    assert "restore" not in found.document["remedy"], "it would undo an earlier set"
    assert not mount.heard("S")
    (record,) = place.records_kept()
    assert record["stage"] == "finished"
    assert_port_free(place, mount, receiver if stage != "gathering" else place.receiver())


@every_stage(LATE)
def test_while_writing_and_after(place: Place, stage: str, number: signal.Signals) -> None:
    """Afterwards `restore` ends well at the first stage, the next `set` at the next, and so on."""
    state = place.folder / "state.json"
    mount, receiver = place.mount("--state", str(state)), place.receiver()
    config = str(place.config(mount.address, receiver.address))
    running = place.start("set", "--config", config, "--json")
    mount.wait_for(EVENTS[stage], stage, running)
    running.send(number)
    found = running.finish(15.0)
    document = found.document
    assert found.status == document["exit_status"] == 128 + number, document
    assert (document["outcome"], document["code"]) == ("incomplete", "interrupted")
    truly_told(place, mount, document)
    if stage == "second-look":
        assert judge_state(state) == []
    verb = ("restore", "set")[LATE.index(stage) % 2]
    last = place.run(verb, "--config", config, "--json")
    assert (last.status, last.document["outcome"]) == (0, "confirmed"), last.document
    mount.close()
    assert (judge_state(state) == []) is (verb == "set")


@pytest.mark.long
@pytest.mark.parametrize("number", SIGNALS, ids=lambda one: one.name)
@pytest.mark.parametrize("stage", LATE)
def test_after_an_interrupt_while_writing_restore_and_then_set_end_well(
    place: Place, stage: str, number: signal.Signals
) -> None:
    state = place.folder / "state.json"
    mount, receiver = place.mount("--state", str(state)), place.receiver()
    config = str(place.config(mount.address, receiver.address))
    running = place.start("set", "--config", config, "--json")
    mount.wait_for(EVENTS[stage], stage, running)
    running.send(number)
    assert running.finish(15.0).status == 128 + number
    for verb in ("restore", "set"):
        last = place.run(verb, "--config", config, "--json")
        assert (last.status, last.document["outcome"]) == (0, "confirmed"), last.document
    mount.close()
    assert judge_state(state) == []


def test_a_second_signal_ends_it_at_once_and_the_record_of_the_plan_stands(place: Place) -> None:
    """With a mount that no longer answers: the first signal waits for the exchange under way, the second does not."""
    mount = place.mount()
    config = str(place.config(mount.address, place.receiver().address, mount_options={"reply_timeout_s": 30.0}))
    running = place.start("set", "--config", config)
    mount.wait_for(asked(":Sg"), "the first write", running)
    running.send(signal.SIGTERM)
    running.send(signal.SIGTERM)
    assert running.finish(15.0).status == 143
    (record,) = place.records_kept()
    assert record["stage"] in ("planned", "written", "finished")
    assert record["earlier"]["longitude"]


def test_an_interrupt_ignored_from_above_stays_ignored(place: Place) -> None:
    """As a shell arranges for what it starts in the background."""
    mount = place.mount()
    config = str(place.config(mount.address, place.receiver().address))
    running = place.start("check", "--config", config, before=["/bin/sh", "-c", 'trap "" INT; exec "$@"', "sh"])
    mount.wait_for(asked(":GS"), "the sidereal time to be asked for", running)
    running.send(signal.SIGINT)
    assert running.finish().status == 1


# ----------------------------------------------------------------------------------------------------


def truly_told(place: Place, mount: Device, document: dict[str, object]) -> None:
    """What the document and the record say of the writes is what the mount heard."""
    sent = {name for name, command in LETTERS.items() if mount.heard(command[1:])}
    told = {str(name): set(document[name]) for name in ("written", "unconfirmed", "untouched")}  # type: ignore[call-overload]
    assert told["written"] | told["unconfirmed"] >= sent
    assert not told["untouched"] & sent
    assert not (told["written"] & told["unconfirmed"])
    (record,) = place.records_kept()
    assert record["stage"] == "finished"
    assert set(record["attempts"]) >= sent
    assert record["result"]["unconfirmed"] == document["unconfirmed"]
    assert record["earlier"]["longitude"].startswith("090")
    assert Path(str(document["record"])).is_file()


def assert_port_free(place: Place, mount: Device, receiver: Device) -> None:
    config = place.config(mount.address, receiver.address, name="again.toml")
    again = place.run("check", "--config", str(config), "--json")
    assert (again.status, again.document["outcome"]) == (1, "discrepant"), again.document
