"""`--json` prints exactly one JSON document on stdout on every exit; without it the human table stands there, in
colour only on a terminal whose user wants it."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from typing import Any

import pytest
from support.processes import END_S, Finished, Place, rarely

from noonmark.driver.result import EXIT_STATUS, Result

RIGHT = "sim:?right=-31.8571,141.6034,{offset}"


def right_address() -> str:
    from support.processes import offset_h

    return RIGHT.format(offset=offset_h())


def simulated(place: Place, mount: str, receiver: str = "sim:receiver?rate_hz=10", **how: Any) -> str:
    return str(place.config(mount, receiver, **how))


def valid(found: Finished, status: int, verb: str) -> dict[str, Any]:
    """One document of the printed schema, its status the process's own, and nothing else on stdout."""
    document = found.document
    result = Result.model_validate(document)
    assert found.status == result.exit_status == status, document
    assert result.verb == verb
    assert document["schema"] == "noonmark-result-1"
    assert document["code"]
    assert document["reason"]
    if result.outcome is not None:
        assert EXIT_STATUS[result.outcome] == status or status in (130, 143)
    assert "Traceback" not in found.narration
    return document


# exit status, verb and options, the mount's address, the receiver's
ENDS = [
    (0, "check", "{right}", "sim:receiver?rate_hz=10"),
    (0, "set", "sim:", "sim:receiver?rate_hz=10"),
    (1, "check", "sim:", "sim:receiver?rate_hz=10"),
    (1, "set --dry-run", "sim:", "sim:receiver?rate_hz=10"),
    (3, "check", "sim:", "sim:receiver?fault=says-nothing"),
    (3, "set", "sim:", "sim:receiver?fault=elsewhere"),
    (4, "check", "sim:?fault=silent", "sim:receiver?rate_hz=10"),
    (4, "set", "sim:?fault=vanishes:5", "sim:receiver?rate_hz=10"),
    (5, "set", "sim:?slewing=yes", "sim:receiver?rate_hz=10"),
    (5, "restore", "sim:", "sim:receiver?rate_hz=10"),  # there is nothing to restore
    (6, "set", "sim:?fault=refuses-setting", "sim:receiver?rate_hz=10"),
]


@pytest.mark.parametrize(("status", "command", "mount", "receiver"), ENDS, ids=[f"{row[0]}-{row[1]}" for row in ENDS])
def test_every_outcome_is_one_document_of_the_schema(
    place: Place, status: int, command: str, mount: str, receiver: str
) -> None:
    config = simulated(place, mount.format(right=right_address()), receiver)
    verb, *options = command.split()
    document = valid(place.run(verb, *options, "--config", config, "--json"), status, verb)
    assert sorted(document) == sorted(Result.model_json_schema(by_alias=True)["properties"])


@pytest.mark.parametrize("verb", ["check", "set", "restore"])
def test_a_wrong_configuration_is_one_document_and_opens_nothing(place: Place, verb: str) -> None:
    path = place.config(f"sim:?state={place.folder / 'state.json'}", "sim:receiver")
    path.write_text(path.read_text().replace("latitude_deg", "lattitude_deg"))
    document = valid(place.run(verb, "--config", str(path), "--json"), 2, verb)
    assert document["outcome"] is None
    assert "lattitude_deg" in document["reason"]
    assert "latitude_deg" in document["reason"]
    assert str(path) in document["reason"]
    if verb == "check":
        document = valid(place.run(verb, "--config", str(place.folder / "none.toml"), "--json"), 2, verb)
        assert document["code"] == "configuration-absent"
    assert not (place.folder / "state.json").exists()
    assert not place.records_kept()


@pytest.mark.parametrize(
    "arguments", [["check", "--nonsense"], ["set", "--config"], ["restore", "a", "b"]], ids=" ".join
)
def test_a_wrong_command_line_is_one_document(place: Place, arguments: list[str]) -> None:
    document = valid(place.run(*arguments[:1], "--json", *arguments[1:]), 2, arguments[0])
    assert document["code"] == "command-line"


@pytest.mark.parametrize("arguments", [["chek"], ["dialects", "no-such"], ["--nonsense"]], ids=" ".join)
def test_what_is_no_run_still_ends_in_one_document(place: Place, arguments: list[str]) -> None:
    found = place.run(*arguments, "--json")
    assert (found.status, found.document["exit_status"]) == (2, 2)
    assert found.document["reason"]


@pytest.mark.parametrize("arguments", [[], ["sim"]], ids=["no verb", "sim alone"])
def test_a_missing_verb_is_told_in_lines_that_a_person_can_read(place: Place, arguments: list[str]) -> None:
    found = place.run(*arguments)
    assert (found.status, found.stdout) == (2, b"")
    assert "--help" in found.narration
    assert "\\x0a" not in found.narration, "not one line of escaped line ends"


@pytest.mark.parametrize("verb", ["dialects", "schema"])
def test_other_verbs_print_one_document_too(place: Place, verb: str) -> None:
    found = place.run(verb, "--json")
    assert found.status == 0
    assert found.document


def test_the_printed_schema_is_that_of_the_documents(place: Place) -> None:
    """Every key that a run prints is described, and every key that is promised is printed."""
    schema = place.run("schema").document
    document = place.run("check", "--config", simulated(place, "sim:"), "--json").document
    assert set(schema["required"]) <= set(document) <= set(schema["properties"])
    row = schema["$defs"]["SettingRow"]
    for setting in document["settings"]:
        assert set(row["required"]) <= set(setting) <= set(row["properties"])


@pytest.mark.parametrize("number", [signal.SIGINT, rarely(signal.SIGTERM)], ids=lambda one: one.name)
def test_an_interrupt_is_one_document(place: Place, number: signal.Signals) -> None:
    mount = place.mount()
    running = place.start("check", "--config", str(place.config(mount.address, place.receiver().address)), "--json")
    mount.wait_for(bool, "the first question", running)
    running.send(number)
    document = valid(running.finish(15.0), 128 + number, "check")
    assert (document["outcome"], document["code"]) == (None, "interrupted")


SIGNAL_WHILE_LOADING = """
import os, sys


class Signal:
    def find_spec(self, name, path=None, target=None):
        if name == "pydantic":
            sys.meta_path.remove(self)
            os.kill(os.getpid(), {number})
        return None


sys.meta_path.insert(0, Signal())
"""


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM], ids=lambda one: one.name)
@pytest.mark.parametrize("verb", ["check", "set", "restore", "schema"])
def test_an_interrupt_while_the_program_is_loaded_is_one_document(
    place: Place, verb: str, number: signal.Signals
) -> None:
    """Loading is most of the first quarter of a second. The signal comes as the first large library is looked for."""
    (place.folder / "sitecustomize.py").write_text(SIGNAL_WHILE_LOADING.format(number=int(number)))
    environment = {**place.environment(), "PYTHONPATH": str(place.folder)}
    found = place.run(verb, "--json", environment=environment)
    assert found.status == found.document["exit_status"] == 128 + number
    assert found.document["code"] == "interrupted"
    assert "Traceback" not in found.narration


@pytest.mark.parametrize("verb", ["check", "set", "restore"])
def test_a_fault_of_ours_is_one_document_and_no_traceback(
    verb: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Any
) -> None:
    """What went wrong is in a file that the message names."""
    from noonmark.driver import cli, session

    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("a fault\x1b[31m for the sake of it")

    monkeypatch.setattr(session, {"check": "check", "set": "set_mount", "restore": "restore"}[verb], broken)
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr("tempfile.tempdir", None)
    (tmp_path / "noonmark.toml").write_text(simulated_text(tmp_path))
    status = cli.run([verb, "--config", str(tmp_path / "noonmark.toml"), "--json"])
    captured = capsys.readouterr()
    document = json.loads(captured.out)
    Result.model_validate(document)
    assert (status, document["exit_status"], document["code"], document["verb"]) == (70, 70, "fault", verb)
    assert "\x1b" not in captured.out + captured.err
    assert "Traceback" not in captured.err
    (kept,) = tmp_path.glob("noonmark-fault-*.txt")
    assert "ZeroDivisionError" in kept.read_text()
    assert str(kept) in document["remedy"]


def simulated_text(folder: Any) -> str:
    place = Place.__new__(Place)
    place.folder = folder
    return Place.config(place, "sim:", "sim:receiver", records=folder).read_text()


# --- for people -------------------------------------------------------------------------------------


@pytest.mark.parametrize(("wish", "coloured"), [({}, True), ({"NO_COLOR": "1"}, False), rarely({"NO_COLOR": ""}, True)],
                         ids=["terminal", "NO_COLOR", "NO_COLOR-empty"])  # fmt: skip
def test_colour_only_on_a_terminal_and_not_against_the_users_wish(
    place: Place, wish: dict[str, str], coloured: bool
) -> None:
    """no-color.org: NO_COLOR set and not an empty string means no colour, regardless of its value."""
    config = simulated(place, "sim:")
    shown = on_a_terminal(["check", "--config", config], place.environment(TERM="xterm-256color", **wish))
    assert (b"\x1b[" in shown) is coloured, shown
    assert b"DISCREPANT" in shown
    if not wish:
        plain = place.run("check", "--config", config, environment=place.environment(TERM="xterm-256color"))
        assert b"\x1b" not in plain.stdout + plain.stderr, "it is coloured although it goes into a pipe"


@pytest.mark.parametrize("arguments", [[], ["sim"]], ids=["noonmark", "noonmark sim"])
def test_without_a_verb_the_help_is_shown_as_it_is(place: Place, arguments: list[str]) -> None:
    """A wrong command line, so status 2 and stderr; but to be read, not with its line ends escaped."""
    found = place.run(*arguments)
    assert (found.status, found.stdout) == (2, b"")
    assert found.narration.startswith("Usage: noonmark")
    assert "\\x0a" not in found.narration
    assert len(found.narration.splitlines()) > 8


@pytest.mark.parametrize("command", ["check --config CONFIG", "schema", "sim faults", "--help"])
def test_a_pipe_that_nobody_reads_is_no_fault_and_no_outcome(place: Place, command: str) -> None:
    """As where `| head -1` has gone: the mount is right, so that status 1 would be `discrepant` and untrue."""
    config = simulated(place, right_address())
    reading, writing = os.pipe()
    os.close(reading)
    try:
        done = subprocess.run(
            [sys.executable, "-m", "noonmark.driver", *command.replace("CONFIG", config).split()],
            env=place.environment(), stdout=writing, stderr=subprocess.PIPE, timeout=END_S, check=False,
        )  # fmt: skip
    finally:
        os.close(writing)
    assert done.returncode == 141, done  # 128 and SIGPIPE, as a shell tells it
    assert b"Traceback" not in done.stderr
    assert b"Exception ignored" not in done.stderr


@pytest.mark.parametrize("command", ["check --json --config CONFIG", "schema", "sim faults", "brief --config CONFIG"])
def test_stdout_that_is_full_is_told_on_stderr(place: Place, command: str) -> None:
    with open("/dev/full", "wb") as full:  # noqa: PTH123
        done = subprocess.run(
            [sys.executable, "-m", "noonmark.driver", *command.replace("CONFIG", simulated(place, "sim:")).split()],
            env=place.environment(), stdout=full, stderr=subprocess.PIPE, timeout=END_S, check=False,
        )  # fmt: skip
    assert done.returncode == 70
    assert b"Traceback" not in done.stderr, done.stderr
    assert b"space" in done.stderr.lower(), done.stderr
    assert b"fault of this program" not in done.stderr, done.stderr


@pytest.mark.parametrize("charset", ["latin-1", "ascii"])
def test_a_name_that_the_users_character_set_lacks_does_not_end_a_run(place: Place, charset: str) -> None:
    """RFC 8259, section 8.1: JSON between programs is UTF-8. A table shows it as it can."""
    name = "Größe \u2013 \U0001f52d"
    config = place.config("sim:", "sim:receiver?rate_hz=10")
    config.write_text(config.read_text("utf-8").replace("Saltbush Ridge", name), "utf-8")
    narrow = place.environment(PYTHONIOENCODING=charset)
    found = place.run("check", "--json", "--config", str(config), environment=narrow)
    assert found.status == 1, found
    assert found.document["site"]["name"] == name
    sheet = place.run("brief", "--config", str(config), environment=narrow)
    assert (sheet.status, sheet.stderr) == (0, b"")


@pytest.mark.parametrize("verb", ["brief", "explain"])
def test_a_full_stdout_is_no_fault_of_ours_in_verbs_without_a_mount(place: Place, verb: str) -> None:
    """It asked for a report of a fault, with a traceback in a file."""
    extra = ["--mount-offset", "0"] if verb == "explain" else []
    with open("/dev/full", "wb") as full:  # noqa: PTH123
        done = subprocess.run(
            [sys.executable, "-m", "noonmark.driver", verb, *extra, "--config", simulated(place, "sim:")],
            env=place.environment(), stdout=full, stderr=subprocess.PIPE, timeout=END_S, check=False,
        )  # fmt: skip
    assert done.returncode == 70
    assert b"can't be written to stdout" in done.stderr, done.stderr
    assert b"report it" not in done.stderr, done.stderr


def test_a_mounts_port_never_takes_the_number_of_a_closed_stdout_or_stderr(place: Place) -> None:
    """Started with all three closed, as by a careless daemon: the mount hears nothing but questions."""
    mount = place.mount()
    config = place.config(mount.address, place.receiver().address)
    closed = ["/bin/sh", "-c", 'exec <&- >&- 2>&-; exec "$@"', "sh"]
    assert place.run("check", "--config", str(config), "--verbose", before=closed).status == 1
    assert place.run("check", "--config", str(config), "--nonsense", before=closed).status == 2
    sent = [row.text for row in mount.rows if row.direction == ">"]
    assert sent
    assert all(text.startswith((":G", ":D#")) and text.endswith("#") for text in sent), sent
    (record,) = place.records_kept()
    assert record["result"]["outcome"] == "discrepant"


def on_a_terminal(arguments: list[str], environment: dict[str, str]) -> bytes:
    """What `noonmark` prints where stdout is a terminal."""
    master, slave = os.openpty()
    try:
        running = subprocess.Popen(
            [sys.executable, "-m", "noonmark.driver", *arguments], env=environment, stdin=subprocess.DEVNULL,
            stdout=slave, stderr=subprocess.DEVNULL,
        )  # fmt: skip
    finally:
        os.close(slave)
    shown = b""
    try:
        while True:
            shown += os.read(master, 65536)
    except OSError:  # EIO: the last program has closed it
        return shown
    finally:
        running.wait(END_S)
        os.close(master)
