"""One case of the campaign: the rig as its data describes it, the driver run whole, and the judgement by what is hidden
inside the mount, worked out by another computation than the driver's."""

from __future__ import annotations

import contextlib
import dataclasses
import datetime as dt
import json
import re
import signal
import tempfile
import time
import traceback
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from types import FrameType
from typing import Any

from noonmark.driver import check, restore, set_mount
from noonmark.driver.config import Config, SourceConfig, build_config
from noonmark.driver.interrupts import InterruptFlag
from noonmark.driver.result import Result
from noonmark.driver.seams import Seams
from noonmark.protocols.dialect import Dialect, build_dialect
from noonmark.protocols.seams import Discipline, Exchange, Link, ReplyReader, Stream
from noonmark.sim.faults import build_fault
from noonmark.sim.injection import Fault, LineFault, MountFault, Reply
from noonmark.sim.line import LineManner, SimLink, SimStream
from noonmark.sim.mount import SimulatedMount
from noonmark.sim.receiver import SimulatedReceiver
from noonmark.sim.state import HiddenState, MountState, Quirks, factory, right
from noonmark.sim.timeline import VirtualClock
from support.campaign_cases import SLIPS, Case, zone_offset_h

DISCIPLINES = {
    "kept": Discipline(True, 0.02, 0.001), "unbounded": Discipline(True, 0.0), "free": Discipline(False),
    "absent": Discipline(False), "unknown": Discipline(None, why="no such call"),
}  # fmt: skip
CPU_CAP_S = 20.0  # of this process, for one verb; a usual one takes 10 ms
FOLDER = "/dev/shm" if Path("/dev/shm").is_dir() else None  # records are synced to their disk: 3 a run
EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)


class TooLong(BaseException):
    """The processor time of one verb is used up."""


class Recorder(MountFault):
    """No fault, and the first to look: keeps what was hidden inside when each question was last carried out, and of
    those whose answer came whole the last one, so that what the driver claims can be judged by what it has seen."""

    QUESTIONS = frozenset((b"GC", b"GL", b"GG", b"Gg", b"Gt", b"GS"))

    def __init__(self) -> None:
        super().__init__("recorder", 0.0, 0)
        self.seen: dict[bytes, tuple[float, HiddenState]] = {}
        self.carried_out: dict[bytes, tuple[float, HiddenState]] = {}
        self._said: dict[bytes, bytes] = {}

    def replies(self, mount: SimulatedMount, command: bytes, replies: list[Reply]) -> list[Reply]:
        self._said[command] = b"".join(data for _, data in replies)
        return replies

    def after(self, mount: SimulatedMount, command: bytes, at: float) -> None:
        if command in self.QUESTIONS:
            self.carried_out[command] = (at, mount.truth(at))

    def answered(self, request: bytes, reply: bytes) -> None:
        """The driver has an answer to this question."""
        command = request[1:-1]
        said = self._said.get(command, b"").strip(b"#")  # a late end mark of something else may have come before it
        if command in self.carried_out and said == reply.strip(b"#"):
            self.seen[command] = self.carried_out[command]


class WatchedLink(SimLink):
    """Tells the recorder which questions were answered."""

    recorder: Recorder

    def exchange(
        self, request: bytes, reader: ReplyReader, deadline: float, *, last_byte_at: float | None = None
    ) -> Exchange:
        result = super().exchange(request, reader, deadline, last_byte_at=last_byte_at)
        if result.complete:
            self.recorder.answered(request, result.reply)
        return result


@dataclass
class Bench:
    """A rig of one case; `config` and `seams` for the driver, the rest to look behind it."""

    case: Case
    config: Config
    seams: Seams
    clock: VirtualClock
    mount: SimulatedMount
    recorder: Recorder
    dialect: Dialect
    line_faults: list[LineFault]
    receiver_faults: list[list[Any]]
    links: list[SimLink] = field(default_factory=list)
    passed: int = 0  # requests of the verbs before
    lie_s: float = 0.0  # by how much the sources of this verb deceive

    @property
    def faults(self) -> list[Fault]:
        mounts = [fault for fault in self.mount.faults if fault is not self.recorder]
        return [*mounts, *self.line_faults, *(fault for one in self.receiver_faults for fault in one)]

    def mend(self) -> None:
        """Take the faults out, and let pass what they had still in store."""
        self.mount.faults[:] = [self.recorder]
        self.line_faults.clear()
        for one in self.receiver_faults:
            one.clear()
        self.mount.state.slewing = False
        self.clock.wait_until(self.clock.monotonic() + 61.0)


def bench(case: Case, folder: Path) -> Bench:
    """The rig of a case; records and the dialect's file go into `folder`."""
    utc = dt.datetime.fromisoformat(case.utc)
    dialect = build_dialect({"name": "campaign", **case.dialect}, "campaign")
    host = case.host
    clock = VirtualClock(utc, discipline=DISCIPLINES[host["discipline"]], host_error_s=host.get("error_s", 0.0))
    for after_s, what, seconds in host.get("events", ()):
        clock.call_at(
            clock.monotonic() + after_s,
            partial(clock.step_host if what == "step" else clock.suspend, seconds),
        )
    recorder = Recorder()
    faults = [_built(one.spec, one.first, case.seed + number) for number, one in enumerate(case.faults)]
    mount = SimulatedMount(
        dialect, timeline=clock, state=_state(case, utc, dialect), quirks=_quirks(case.quirks), seed=case.seed,
        faults=[fault for fault in faults if isinstance(fault, MountFault)],
    )  # fmt: skip
    mount.faults.insert(0, recorder)
    line_faults = [fault for fault in faults if isinstance(fault, LineFault)]
    receiver_faults: list[list[Any]] = [
        [build_fault(spec, case.seed + number) for number, spec in enumerate(one.get("faults", ()))]
        for one in case.receivers
    ]
    config = _config(case, folder)
    built = Bench(case, config, None, clock, mount, recorder, dialect, line_faults, receiver_faults)  # type: ignore[arg-type]

    def link(_config: Config, _reads_only: bool) -> Link:
        manner: dict[str, Any] = {
            key: tuple(value) if isinstance(value, list) else value for key, value in case.line.items()
        }
        opened = WatchedLink(mount, clock, manner=LineManner(**manner), faults=line_faults, seed=case.seed)
        opened.recorder = recorder
        built.links.append(opened)
        return opened

    def stream(source: SourceConfig) -> Stream:
        number = int(source.where.rpartition("=")[2])
        options = {key: value for key, value in case.receivers[number].items() if key not in ("faults", "latency_s")}
        receiver = SimulatedReceiver(
            timeline=clock, latitude_deg=case.site["latitude_deg"], longitude_deg=case.site["longitude_deg"],
            altitude_m=case.site["elevation_m"], seed=case.seed + number, faults=receiver_faults[number], **options,
        )  # fmt: skip
        return SimStream(receiver, clock, address=source.where)

    built.seams = Seams(clock, link, stream, InterruptFlag())
    return built


def _built(spec: str, first: int | None, seed: int) -> Fault:
    fault = build_fault(spec, seed)
    if first is not None:
        fault._first = first
    return fault


def _quirks(data: dict[str, Any]) -> Quirks:
    values: dict[str, Any] = {key: tuple(value) if isinstance(value, list) else value for key, value in data.items()}
    if "silent" in values:
        values["silent"] = frozenset(values["silent"])
    if "product" in values:
        values["product"] = values["product"].encode("latin-1")
    return Quirks(**values)


def _state(case: Case, utc: dt.datetime, dialect: Dialect) -> MountState:
    start, site = case.start, case.site
    if start["kind"] == "factory":
        state = factory(utc)
    elif start["kind"] == "random":
        state = MountState(
            start["latitude_deg"], start["longitude_deg"], start["offset_h"], start["local_s"],
            (utc - EPOCH).total_seconds(),
        )  # fmt: skip
    else:
        offset_h = zone_offset_h(site["timezone"], utc)
        state = right(
            utc,
            site["latitude_deg"],
            site["longitude_deg"],
            offset_h,
            dialect=dialect,
            error_s=start.get("error_s", 0.0),
        )
    for key, (factor, shift) in SLIPS[start["off"]].items() if "off" in start else ():
        value = getattr(state, key) * factor + shift
        setattr(state, key, max(-90.0, min(90.0, value)) if key == "latitude_deg" else value)
    state.drift_ppm = start.get("drift_ppm", 0.0)
    state.slewing, state.parked = start.get("slewing", False), start.get("parked", False)
    state.long_format = True if start.get("long_format") else None
    if start.get("still"):
        state.tracking, state.pointing.kind = False, "pier"
    return state


def _config(case: Case, folder: Path) -> Config:
    sources: list[dict[str, Any]] = [] if case.host["discipline"] == "absent" else [{"kind": "host"}]
    sources += [{"kind": "nmea", "port": f"sim:receiver?seed={number}"} for number in range(len(case.receivers))]
    told = case.told
    if told == "declared":
        told = str(folder / "told.toml")
        Path(told).write_text(_toml({"name": "campaign", **case.dialect}), "utf-8")
    return build_config(
        {
            "site": {"name": "campaign", **case.site, **case.configured}, "mount": {"port": "sim:", "dialect": told},
            "sources": sources, "policy": case.policy, "record": {"folder": str(folder / "records")},
        }
    )  # fmt: skip


def _toml(data: dict[str, Any]) -> str:
    """Texts, numbers, truths and lists in tables of one level: where JSON's way of writing is TOML's too."""
    lines = [f"{key} = {json.dumps(value)}" for key, value in data.items() if not isinstance(value, dict)]
    for table, values in data.items():
        if isinstance(values, dict):
            lines += [f"[{table}]", *(f"{key} = {json.dumps(value)}" for key, value in values.items())]
    return "\n".join(lines) + "\n"


# --- running ----------------------------------------------------------------------------------------


@dataclass
class Told:
    """What came of one verb: `failures` as (kind, words)."""

    verb: str
    outcome: str = ""
    code: str = ""
    duration_s: float = 0.0
    deceived: bool = False
    overtaken: bool = False
    failures: list[tuple[str, str]] = field(default_factory=list)


@dataclass
class Outcome:
    """What came of one case. bites: how often each of its faults did its harm."""

    case: Case
    told: list[Told]
    bites: dict[str, int]
    cpu_s: float

    @property
    def failures(self) -> list[tuple[str, str]]:
        return [one for told in self.told for one in told.failures]


def run_case(case: Case) -> Outcome:
    """Run a case whole: its verb, and what follows it."""
    began = time.process_time()
    with tempfile.TemporaryDirectory(prefix="campaign-", dir=FOLDER) as folder:
        one = bench(case, Path(folder))
        verbs = {"set": set_mount, "check": check}
        before = one.mount.truth()
        told = [run_verb(one, case.verb, verbs[case.verb])]
        bites = {draw.spec: fault.bites for draw, fault in zip(case.all_faults, one.faults, strict=True)}
        if case.then.endswith("mended"):
            one.mend()
        if case.then.startswith("check"):
            told.append(run_verb(one, "check", check))
        elif case.then.startswith("restore") and case.verb == "set":
            told.append(run_verb(one, "restore", restore, before=before))
    return Outcome(case, told, bites, time.process_time() - began)


def run_verb(one: Bench, verb: str, call: Any, *, before: HiddenState | None = None) -> Told:
    """One verb, judged."""
    from support.campaign_judge import judge

    start, host_error_s = one.clock.monotonic(), one.clock.host_error_s
    one.recorder.seen.clear()
    written = len(one.mount.settings_written)
    told = Told(verb)
    result: Result | None = None
    try:
        with cpu_cap(CPU_CAP_S):
            result = call(one.config, seams=one.seams)
    except TooLong:
        told.failures.append(("hang", f"{verb} used {CPU_CAP_S:g} s of processor time"))
    except Exception as error:
        where = traceback.extract_tb(error.__traceback__)[-1]
        told.failures.append(
            (
                "traceback",
                f"{verb}: {type(error).__name__}: {str(error)[:200]} at {Path(where.filename).name}:{where.lineno}",
            )
        )
    told.duration_s = one.clock.monotonic() - start
    if result is not None:
        told.outcome, told.code = str(result.outcome), result.code
        judge(one, told, result, one.mount.settings_written[written:], host_error_s, before)
    told.failures += [("forbidden", f"{verb} sent {bad!r}") for bad in _forbidden(one, verb)]
    return told


_READ = rb":(?:GC|GL|GG|Gg|Gt|GS|GR|GD|GA|GZ|GVP|GVN|D|GW|Gc)#"
_WRITE = (
    rb":(?:SC\d\d/\d\d/(?:\d{4}|\d\d)|SL\d\d:\d\d:\d\d|SG[+-]\d\d(?:\.\d|:\d\d)?|Sg[+-]?\d{3}[*\xdf]\d\d(?:[:']\d\d)?"
    rb"|St[+-]\d\d[*\xdf]\d\d(?:[:']\d\d)?)#"
)


def _forbidden(one: Bench, verb: str) -> list[bytes]:
    """What left the driver that is neither a question nor, where it may write, a whole setting."""
    allowed = re.compile(_READ if verb == "check" else _READ + b"|" + _WRITE)
    requests = [request for link in one.links for _, request in link.requests]
    fresh, one.passed = requests[one.passed :], len(requests)
    return [request for request in fresh if allowed.fullmatch(request) is None]


@contextlib.contextmanager
def cpu_cap(seconds: float) -> Iterator[None]:
    """Raise TooLong when this process has computed for so long; in the main thread only."""

    def over(number: int, frame: FrameType | None) -> None:
        raise TooLong

    earlier = signal.signal(signal.SIGPROF, over)
    signal.setitimer(signal.ITIMER_PROF, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0.0)
        signal.signal(signal.SIGPROF, earlier)


def simpler(case: Case) -> Iterator[Case]:
    """Cases that are one thing simpler than this one: faults first, then what follows, sources, mount, place."""
    plain = Case(case.number)
    for index in range(len(case.faults)):
        yield dataclasses.replace(case, faults=case.faults[:index] + case.faults[index + 1 :])
    for number, receiver in enumerate(case.receivers):
        for key in receiver:
            kept = {name: value for name, value in receiver.items() if name != key}
            yield dataclasses.replace(case, receivers=(*case.receivers[:number], kept, *case.receivers[number + 1 :]))
        if len(case.receivers) > 1:
            yield dataclasses.replace(case, receivers=case.receivers[:number] + case.receivers[number + 1 :])
    names: tuple[str, ...] = (
        "then",
        "configured",
        "quirks",
        "line",
        "dialect",
        "told",
        "start",
        "policy",
        "host",
        "receivers",
    )
    if case.kind == "plain":  # what its fault's row promises holds for this start only
        names = ("then", "dialect", "told")
    for name in names:
        if getattr(case, name) != getattr(plain, name):
            yield dataclasses.replace(case, **{name: getattr(plain, name)})
    for name in ("quirks", "line", "start", "policy", "host", "dialect"):
        yield from _without_one(case, name)
    for index, one in enumerate(case.faults):
        if one.first is not None:
            always = dataclasses.replace(one, first=None)
            yield dataclasses.replace(case, faults=(*case.faults[:index], always, *case.faults[index + 1 :]))
    if case.site != plain.site:
        yield dataclasses.replace(case, site=plain.site, configured={})
    if case.utc != plain.utc:
        yield dataclasses.replace(case, utc=plain.utc)
        whole = dt.datetime.fromisoformat(case.utc).replace(microsecond=0).isoformat()
        if whole != case.utc:
            yield dataclasses.replace(case, utc=whole)
    if case.seed != 1:
        yield dataclasses.replace(case, seed=1)


_NEEDED = {"start": ("kind", "latitude_deg", "longitude_deg", "offset_h", "local_s"), "host": ("discipline",)}


def _with(case: Case, name: str, value: dict[str, Any]) -> Case:
    changed: dict[str, Any] = {name: value}
    return dataclasses.replace(case, **changed)


def _without_one(case: Case, name: str) -> Iterator[Case]:
    values: dict[str, Any] = getattr(case, name)
    for key, value in values.items():
        rest = {other: kept for other, kept in values.items() if other != key}
        if key not in _NEEDED.get(name, ()):
            yield _with(case, name, rest)
        if isinstance(value, dict) and len(value) > 1:
            for inner in value:
                less = {other: kept for other, kept in value.items() if other != inner}
                yield _with(case, name, {**values, key: less})
    if name == "start" and case.start.get("kind") == "one-off" and "off" not in case.start:
        yield dataclasses.replace(case, start={**case.start, "kind": "right"})


def shrink(case: Case, kinds: set[str], tries: int = 400) -> Case:
    """The simplest case found that still fails in one of these ways."""
    smaller = True
    while smaller:
        smaller = False
        for candidate in simpler(case):
            tries -= 1
            if tries < 0:
                return case
            if kinds & {kind for kind, _ in _tried(candidate)}:
                case, smaller = candidate, True
                break
    return case


def _tried(case: Case) -> list[tuple[str, str]]:
    try:
        return run_case(case).failures
    except Exception:  # a case that can't be set up is no simpler failing one
        return []
