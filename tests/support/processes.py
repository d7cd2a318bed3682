"""Real processes: simulated devices that serve a pseudo-terminal or a TCP port, and the driver as a command.

Nothing here sleeps for luck: whatever is awaited is an event (a line on stdout, a row of a device's trace, the end
of a process) with a deadline.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

COMMAND = str(Path(sys.executable).with_name("noonmark"))
START_S = 30.0  # for a process to say its first word, on a busy machine
LOOK_S = 0.5  # how often the process is looked at that is to bring about what is awaited
END_S = 120.0  # for a run to end: beyond every time limit that a test sets

# An invented place (demo: Saltbush Ridge). Australia/Broken_Hill is UTC+10:30 with daylight saving (October to
# April), UTC+9:30 without: IANA zone database.
SITE: dict[str, Any] = {
    "name": "Saltbush Ridge",
    "latitude_deg": -31.8571,
    "longitude_deg": 141.6034,
    "elevation_m": 212.0,
    "timezone": "Australia/Broken_Hill",
}
QUICK = ("--rate-hz", "10", "--baud", "115200")  # ten epochs in a second instead of ten
QUICK_BAUD = 115200


class TooLateError(AssertionError):
    """What was awaited did not come by its deadline."""


def rarely(*values: Any) -> Any:
    """Parameters of a test that only the long campaigns run."""
    return pytest.param(*values, marks=pytest.mark.long)


# --- the driver as a command ------------------------------------------------------------------------


@dataclass(frozen=True)
class Finished:
    """A command that has ended. `status`: as a shell would tell it (128 plus the signal's number)."""

    status: int
    stdout: bytes
    stderr: bytes
    seconds: float

    @property
    def document(self) -> dict[str, Any]:
        """The one JSON document on stdout; anything more or less is an AssertionError."""
        try:
            value = json.loads(self.stdout.decode("utf-8"))
        except ValueError as error:
            raise AssertionError(
                f"stdout is not one JSON document ({error}):\n{self.stdout!r}\n{self.stderr!r}"
            ) from None
        assert isinstance(value, dict), value
        return value

    @property
    def narration(self) -> str:
        """stderr as text."""
        return self.stderr.decode("utf-8")

    @property
    def claims(self) -> dict[tuple[str, str], dict[str, Any]]:
        """(source, kind) to claim."""
        truth = self.document["truth"]
        return {(one["source"], one["kind"]): one for one in truth["claims"]} if truth else {}


class Running:
    """A command that has been started."""

    def __init__(self, argv: Sequence[str], environment: Mapping[str, str], **popen: Any) -> None:
        self.started = time.monotonic()
        self.process = subprocess.Popen(
            list(argv), env=dict(environment), stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
            **popen,
        )  # fmt: skip

    def send(self, number: signal.Signals) -> None:
        """Send a signal to it, as long as it lives."""
        self.process.send_signal(number)

    def ends_within(self, seconds: float) -> bool:
        """Whether it has ended within so many seconds; returns at once when it does."""
        try:
            self.process.wait(seconds)
        except subprocess.TimeoutExpired:
            return False
        return True

    def finish(self, within_s: float = END_S) -> Finished:
        """Wait for its end. Raises TooLateError, and ends it, when it takes longer."""
        try:
            stdout, stderr = self.process.communicate(timeout=within_s)
        except subprocess.TimeoutExpired:
            self.process.kill()
            stdout, stderr = self.process.communicate()
            raise TooLateError(
                f"{self.process.args!r} still ran after {within_s:g} s:\n{stdout!r}\n{stderr!r}"
            ) from None
        status = self.process.returncode
        return Finished(status if status >= 0 else 128 - status, stdout, stderr, time.monotonic() - self.started)

    def close(self) -> None:
        """End it if it still runs."""
        if self.process.poll() is None:
            self.process.kill()
        self.process.communicate()


# --- simulated devices ------------------------------------------------------------------------------


@dataclass(frozen=True)
class Row:
    """What passed a device. `direction`: ">" to it, "<" from it. `text`: the bytes, escaped where unprintable."""

    instant: float
    direction: str
    text: str


class Device:
    """A `noonmark sim mount` or `receiver` as a process, with its trace followed as it grows."""

    def __init__(self, kind: str, folder: Path, environment: Mapping[str, str], *options: str) -> None:
        self._pipe = folder / f"{kind}-trace"
        os.mkfifo(self._pipe)
        self._reader = os.open(
            self._pipe, os.O_RDWR | os.O_NONBLOCK
        )  # a writer of our own: no end of file before the end
        self._stopping, self._stop = os.pipe()
        self.rows: list[Row] = []
        self.bites: dict[str, int] | None = None  # how often each fault bit, once it has ended
        self._news = threading.Condition()
        self._process = subprocess.Popen(
            [COMMAND, "sim", kind, "--trace", str(self._pipe), *options],
            env=dict(environment), stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        )  # fmt: skip
        self._follower = threading.Thread(target=self._follow, name=f"{kind}-trace", daemon=True)
        self._follower.start()
        try:
            self.address = self._first_line()
        except BaseException:
            self.close()
            raise

    @property
    def pid(self) -> int:
        return self._process.pid

    def wait_for(
        self, wanted: Callable[[list[Row]], bool], what: str, running: Running | None = None, within_s: float = END_S
    ) -> None:
        """Wait until the rows of the trace are as wanted. Raises TooLateError; at once where `running`, which is to
        bring that about, has ended."""
        deadline = time.monotonic() + within_s
        with self._news:
            while not self._news.wait_for(lambda: wanted(self.rows), LOOK_S):
                over = running is not None and running.process.poll() is not None
                if (over or time.monotonic() > deadline) and not self._news.wait_for(lambda: wanted(self.rows), LOOK_S):
                    why = f"the run ended: {running.finish()}" if over and running else f"waited {within_s:g} s"
                    raise TooLateError(f"{why}: {what} did not come; the last rows were {self.rows[-8:]}")

    def heard(self, letters: str) -> list[str]:
        """Commands that came and begin with these letters."""
        with self._news:
            return [row.text for row in self.rows if row.direction == ">" and row.text.startswith(f":{letters}")]

    def freeze(self) -> None:
        """Stop it in its tracks: its port stays, and nothing more is answered."""
        self._process.send_signal(signal.SIGSTOP)

    def close(self) -> None:
        """End it and read the rest of its trace."""
        if self._stop < 0:
            return
        if self._process.poll() is None:
            self._process.terminate()
            self._process.send_signal(signal.SIGCONT)
        try:
            _, self.stderr = self._process.communicate(timeout=START_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.communicate()
            raise TooLateError("a simulated device did not end on SIGTERM") from None
        finally:
            os.write(self._stop, b"x")
            self._follower.join()
            for descriptor in (self._stopping, self._stop, self._reader):
                os.close(descriptor)
            self._stop = -1

    def _first_line(self) -> str:
        assert self._process.stdout is not None
        ready, _, _ = select.select([self._process.stdout], [], [], START_S)
        line = self._process.stdout.readline().decode() if ready else ""
        if not line.endswith("\n"):
            self._process.kill()
            raise TooLateError(f"a simulated device did not say its address: {self._process.communicate()[1].decode()}")
        return line.strip()

    def _follow(self) -> None:
        rest = b""
        while True:
            ready, _, _ = select.select([self._reader, self._stopping], [], [])
            with contextlib.suppress(BlockingIOError):
                while self._reader in ready:
                    rest += os.read(self._reader, 65536)
                    *lines, rest = rest.split(b"\n")
                    self._keep(lines)
            if self._stopping in ready:
                return

    def _keep(self, lines: list[bytes]) -> None:
        with self._news:
            for line in lines:
                data = json.loads(line)
                if "faults" in data:
                    self.bites = data["faults"]
                else:
                    self.rows.append(Row(data["instant"], data["direction"], data["bytes"]))
            self._news.notify_all()


# --- a place where a test works ---------------------------------------------------------------------


@dataclass
class Place:
    """A folder with what a test started in it; everything ends when the test does."""

    folder: Path
    _stack: contextlib.ExitStack = field(default_factory=contextlib.ExitStack)
    _numbers: dict[str, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name in ("home", "run", "records"):
            (self.folder / name).mkdir(mode=0o700)

    def close(self) -> None:
        self._stack.close()

    @property
    def records(self) -> Path:
        return self.folder / "records"

    def environment(self, **more: str) -> dict[str, str]:
        """A bare environment, in a zone that is neither UTC nor the site's: the host's own must never count."""
        kept = {name: os.environ[name] for name in ("PATH", "COVERAGE_PROCESS_START") if name in os.environ}
        home = str(self.folder / "home")
        return {
            **kept, "HOME": home, "XDG_CONFIG_HOME": home, "XDG_STATE_HOME": home,
            "XDG_RUNTIME_DIR": str(self.folder / "run"), "TMPDIR": home, "LC_ALL": "C.UTF-8", "TERM": "dumb",
            "TZ": "America/St_Johns", "PYTHONWARNINGS": "error", **more,
        }  # fmt: skip

    # --- devices --------------------------------------------------------------------------------

    def mount(self, *options: str) -> Device:
        """A mount fresh from the works, on a pseudo-terminal, unless options say otherwise."""
        return self._device("mount", *options)

    def right_mount(self, *options: str, error_s: float = 0.0) -> Device:
        """A mount that is set up properly for the site, in the season that it is."""
        return self.mount("--right", str(SITE["latitude_deg"]), str(SITE["longitude_deg"]), str(offset_h()),
                          "--error-s", str(error_s), *options)  # fmt: skip

    def receiver(self, *options: str, site: Mapping[str, Any] = SITE) -> Device:
        """A receiver at the site with ten epochs a second."""
        return self._device("receiver", *at(site), *QUICK, *options)

    def slow_receiver(self, *options: str) -> Device:
        """A receiver at the site with one epoch a second at 9600 baud, as they leave the works."""
        return self._device("receiver", *at(SITE), *options)

    def _device(self, kind: str, *options: str) -> Device:
        number = self._numbers[kind] = self._numbers.get(kind, 0) + 1
        folder = self.folder / f"{kind}-{number}"
        folder.mkdir()
        device = Device(kind, folder, self.environment(), *options)
        self._stack.callback(device.close)
        return device

    # --- the driver -----------------------------------------------------------------------------

    def config(
        self,
        mount: str,
        *receivers: str,
        name: str = "noonmark.toml",
        host: bool = True,
        baud: int = QUICK_BAUD,
        site: Mapping[str, Any] = SITE,
        sources: Sequence[Mapping[str, Any]] = (),
        policy: Mapping[str, Any] | None = None,
        mount_options: Mapping[str, Any] | None = None,
        records: Path | None = None,
    ) -> Path:
        """Write a configuration: the mount's address, NMEA receivers' addresses, and the host's clock."""
        listed: list[Mapping[str, Any]] = [{"kind": "host"}] if host else []
        listed += [{"kind": "nmea", "port": port, "baud": baud} for port in receivers]
        tables: list[tuple[str, Mapping[str, Any]]] = [
            ("[site]", site),
            ("[mount]", {"port": mount, **(mount_options or {})}),
            *(("[[sources]]", one) for one in [*listed, *sources]),
            ("[policy]", {"time_limit_s": 60.0, **(policy or {})}),
            ("[record]", {"folder": str(records or self.records)}),
        ]
        path = self.folder / name
        path.write_text("\n".join(f"{head}\n{_toml(table)}" for head, table in tables), "utf-8")
        return path

    def start(
        self, *arguments: str, environment: Mapping[str, str] | None = None, before: Sequence[str] = (), **popen: Any
    ) -> Running:
        """Start `noonmark` with these arguments, `before` standing in front of it."""
        return self.start_command([*before, COMMAND, *arguments], environment or self.environment(), **popen)

    def start_command(self, argv: Sequence[str], environment: Mapping[str, str], **popen: Any) -> Running:
        """Start any command; it ends with the test."""
        running = Running(argv, environment, **popen)
        self._stack.callback(running.close)
        return running

    def run(self, *arguments: str, within_s: float = END_S, **how: Any) -> Finished:
        """Run `noonmark` with these arguments to its end."""
        return self.start(*arguments, **how).finish(within_s)

    def records_kept(self) -> list[dict[str, Any]]:
        """Every record in the folder, oldest first; each must be whole JSON."""
        return [json.loads(path.read_text("utf-8")) for path in sorted(self.records.glob("*.json"))]


def at(site: Mapping[str, Any]) -> tuple[str, ...]:
    """Options that put a simulated receiver at a site."""
    return ("--latitude", str(site["latitude_deg"]), "--longitude", str(site["longitude_deg"]),
            "--altitude", str(site["elevation_m"]))  # fmt: skip


def offset_h(site: Mapping[str, Any] = SITE) -> float:
    """The site's offset now, by the season, as the zone database has it."""
    import datetime as dt
    from zoneinfo import ZoneInfo

    offset = dt.datetime.now(ZoneInfo(site["timezone"])).utcoffset()
    assert offset is not None
    return offset.total_seconds() / 3600


def _toml(table: Mapping[str, Any]) -> str:
    return "".join(f"{key} = {json.dumps(value)}\n" for key, value in table.items())


def judge_state(path: Path, site: Mapping[str, Any] = SITE, clock_s: float = 1.0) -> list[str]:
    """What is wrong in a mount's own memory, which it keeps in a file, against the site and this host's clock (which
    is the truth that a served device lives by); empty where it is set up properly.

    A place written to the minute of arc is right within half of it.
    """
    state = json.loads(path.read_text("utf-8"))["state"]
    wrong = []
    for name in ("latitude_deg", "longitude_deg"):
        if abs(state[name] - site[name]) > 0.51 / 60:
            wrong.append(f"{name} {state[name]}")
    if abs(state["offset_h"] - offset_h(site)) > 1e-6:
        wrong.append(f"offset {state['offset_h']}")
    error_s = state["local_s"] - state["at_utc_s"] - state["offset_h"] * 3600
    if abs(error_s) > clock_s:
        wrong.append(f"clock {error_s:+.3f} s")
    return wrong
