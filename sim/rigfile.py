"""A rig of simulated devices out of one TOML file: as many mounts and receivers as it names, all in one process.

    seed = 1                       # what chance is drawn from; each device can have its own
    [[mount]]
    name = "east-pier"             # needed; letters, digits, - and _
    on = "pty"                     # or "tcp"
    link = "east-pier.tty"         # of a pty: a symbolic link that keeps its name; from the file's folder
    port = 4001                    # of tcp; 0 or nothing: any free one
    dialect = "usual"              # a name, or the path of a TOML file
    right = [-31.8571, 141.6034, 10.5]   # set up properly; without it fresh from the works
    error_s = 0.0                  # its clock begins so many seconds ahead
    drift_ppm = 20.0
    state = "east-pier.json"       # goes on from this file, and keeps it
    faults = ["late:0.5"]
    quirks = ["late_mark_s:0.3"]
    baud = 9600
    trace = "east-pier.trace"      # what passes, JSON lines
    [[receiver]]
    name = "roof"
    site = "site.toml"             # or latitude_deg, longitude_deg (EAST positive), altitude_m
    talker = "GP"
    rate_hz = 1.0
    faults = ["cold-start:20"]

Everything but `name` and a receiver's place may be left out. The keys on, link, port, baud, seed, faults and trace
hold for both kinds.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from noonmark.protocols.seams import SeamError
from noonmark.sim.addresses import build_fault_set, build_mount, build_quirks, check_place, rate
from noonmark.sim.addresses import talker as two_letters
from noonmark.sim.endpoints import Endpoint, EndpointError, PseudoTerminal, TcpPort
from noonmark.sim.injection import Fault
from noonmark.sim.line import LineManner
from noonmark.sim.mount import SimulatedMount
from noonmark.sim.receiver import SimulatedReceiver
from noonmark.sim.serve import ServedMount, ServedReceiver, Service, TraceFile
from noonmark.sim.timeline import RealTimeline

_BOTH: dict[str, str] = {
    "name": "text",
    "on": "text",
    "link": "text",
    "port": "whole number",
    "baud": "whole number",
    "seed": "whole number",
    "faults": "list of texts",
    "trace": "text",
}
KEYS: dict[str, dict[str, str]] = {
    "mount": _BOTH
    | {
        "dialect": "text",
        "right": "list of numbers",
        "error_s": "number",
        "drift_ppm": "number",
        "state": "text",
        "quirks": "list of texts",
    },
    "receiver": _BOTH
    | {
        "latitude_deg": "number",
        "longitude_deg": "number",
        "altitude_m": "number",
        "site": "text",
        "talker": "text",
        "rate_hz": "number",
    },
}


class RigFileError(ValueError):
    """A rig's file is wrong: the message names the file, the device and the key, what was expected and the remedy."""


@dataclass
class RigDevice:
    """One device, ready to be served."""

    name: str
    service: Service
    faults: tuple[Fault, ...]
    trace: TraceFile | None
    mount: SimulatedMount | None = None

    @property
    def address(self) -> str:
        """As a program opens it."""
        return self.service.endpoint.address


@dataclass
class RigFile:
    """The devices of a file."""

    path: Path
    devices: list[RigDevice] = field(default_factory=list)

    @property
    def lines(self) -> list[str]:
        """What to tell whoever waits for it: name and address of each device, and at last that it is ready."""
        return [f"{one.name} {one.address}" for one in self.devices] + ["ready"]

    def close(self) -> None:
        """Take the ports away, end the traces, keep the states. Raises LinkError where a state can't be kept."""
        for one in self.devices:
            one.service.endpoint.close()
            if one.trace is not None:
                one.trace.close(one.faults)
        for one in self.devices:
            if one.mount is not None:
                one.mount.firmware.changed()


def build_rig(path: Path, timeline: RealTimeline) -> RigFile:
    """The rig of a file on a timeline, its ports open. Raises RigFileError; then no port is left open."""
    data = _read(path)
    for key in data:
        if key not in ("seed", "mount", "receiver"):
            raise RigFileError(f"{path}: {_unknown(key, ('seed', 'mount', 'receiver'))}")
    seed = data.get("seed", 0)
    if not _is("whole number", seed):
        raise RigFileError(f"{path}: 'seed': expected a whole number; it is {seed!r}")
    rig = RigFile(path)
    try:
        for kind in ("mount", "receiver"):
            tables = data.get(kind, [])
            if not isinstance(tables, list) or not all(isinstance(table, dict) for table in tables):
                raise RigFileError(f"{path}: '{kind}': expected tables [[{kind}]], one for each")
            for number, table in enumerate(tables):
                rig.devices.append(_device(kind, number, table, rig, seed, timeline))
        if not rig.devices:
            raise RigFileError(f"{path}: names no device; add [[mount]] or [[receiver]]")
    except BaseException:
        rig.close()
        raise
    return rig


def _read(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text("utf-8"))
    except OSError as error:
        raise RigFileError(f"{path} can't be read: {error.strerror}; name a TOML file") from None
    except (ValueError, RecursionError) as error:
        raise RigFileError(f"{path} is not TOML: {error}") from None


def _device(
    kind: str, number: int, table: dict[str, Any], rig: RigFile, seed: int, timeline: RealTimeline
) -> RigDevice:
    where = f"{rig.path}: {kind} number {number}"
    name = table.get("name")
    if not isinstance(name, str) or not re.fullmatch(r"[A-Za-z0-9_-]{1,40}", name):
        raise RigFileError(f"{where}: 'name': expected 1 to 40 letters, digits, - or _; it is {name!r}")
    where = f"{rig.path}: {kind} {name!r}"
    if any(one.name == name for one in rig.devices):
        raise RigFileError(f"{where}: another device has this name; give each its own")
    _check(where, kind, table)
    values = {"seed": seed + number, "baud": 9600, **table}
    make: dict[str, Callable[..., RigDevice]] = {"mount": _mount, "receiver": _receiver}
    try:
        return make[kind](values, rig.path.parent, timeline)
    except (SeamError, EndpointError, RigFileError) as error:
        remedy = getattr(error, "remedy", "")
        raise RigFileError(f"{where}: {error}" + (f". {remedy}" if remedy else "")) from None


def _check(where: str, kind: str, table: dict[str, Any]) -> None:
    known = KEYS[kind]
    for key, value in table.items():
        if key not in known:
            raise RigFileError(f"{where}: {_unknown(key, tuple(known))}")
        if not _is(known[key], value):
            raise RigFileError(f"{where}: '{key}': expected a {known[key]}; it is {value!r}")
    if not 50 <= table.get("baud", 9600) <= 4_000_000:
        raise RigFileError(f"{where}: 'baud': expected 50 to 4000000; it is {table['baud']}")


def _is(kind: str, value: object) -> bool:
    if kind.startswith("list of "):
        return isinstance(value, list) and all(_is(kind[8:-1], one) for one in value)
    if kind == "text":
        return isinstance(value, str) and bool(value)
    number = isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e12
    return number and (kind != "whole number" or isinstance(value, int))


def _unknown(key: str, known: tuple[str, ...]) -> str:
    near = difflib.get_close_matches(key, known, n=1, cutoff=0.0)
    return f"unknown key '{key}'; the nearest known key is '{near[0]}'"


def _mount(values: dict[str, Any], folder: Path, timeline: RealTimeline) -> RigDevice:
    seed = values["seed"]
    faults = build_fault_set(values.get("faults", []), seed, without="receiver")
    right = values.get("right")
    if right is not None and len(right) != 3:
        raise RigFileError("'right': expected latitude, longitude (degrees, east positive) and local minus UTC (hours)")
    dialect = values.get("dialect", "usual")
    mount = build_mount(
        timeline,
        dialect=str(folder / dialect) if dialect.endswith(".toml") else dialect,
        state_file=folder / values["state"] if "state" in values else None,
        right_at=right,
        error_s=values.get("error_s", 0.0),
        drift_ppm=values.get("drift_ppm"),
        quirks=build_quirks(values.get("quirks", [])),
        faults=faults,
        seed=seed,
    )
    trace = _trace(values, folder, timeline)
    if trace is not None:
        mount.on_trace = trace.row
    endpoint = _endpoint(values, folder)
    service = ServedMount(mount, endpoint, LineManner(values["baud"]), faults.line, seed)
    return RigDevice(values["name"], service, faults.all, trace, mount)


def _receiver(values: dict[str, Any], folder: Path, timeline: RealTimeline) -> RigDevice:
    seed = values["seed"]
    faults = build_fault_set(values.get("faults", []), seed, without="mount")
    latitude, longitude, altitude = _place(values, folder)
    check_place(latitude, longitude, altitude)
    receiver = SimulatedReceiver(
        timeline=timeline,
        latitude_deg=latitude,
        longitude_deg=longitude,
        altitude_m=altitude,
        talker=two_letters(values.get("talker", "GP")),
        rate_hz=rate(float(values.get("rate_hz", 1.0))),
        baud=values["baud"],
        faults=faults.receiver,
        seed=seed,
    )
    trace = _trace(values, folder, timeline)
    service = ServedReceiver(receiver, _endpoint(values, folder), faults.line, trace)
    return RigDevice(values["name"], service, faults.all, trace)


def _place(values: dict[str, Any], folder: Path) -> tuple[float, float, float]:
    site: dict[str, Any] = {}
    if "site" in values:
        data = _read(folder / values["site"])
        table = data.get("site", data)
        site = table if isinstance(table, dict) else {}
    found: list[float] = []
    for key, of_site in (
        ("latitude_deg", "latitude_deg"),
        ("longitude_deg", "longitude_deg"),
        ("altitude_m", "elevation_m"),
    ):
        value = values.get(key, site.get(of_site))
        if value is None or not _is("number", value):
            raise RigFileError(
                f"where is it? Give '{key}' as a number, or 'site', a TOML file whose [site] has '{of_site}'"
            )
        found.append(float(value))
    return found[0], found[1], found[2]


def _trace(values: dict[str, Any], folder: Path, timeline: RealTimeline) -> TraceFile | None:
    if "trace" not in values:
        return None
    try:
        return TraceFile(folder / values["trace"], timeline)
    except OSError as error:
        raise RigFileError(f"'trace': {folder / values['trace']} can't be written: {error.strerror}") from None


def _endpoint(values: dict[str, Any], folder: Path) -> Endpoint:
    on = values.get("on", "tcp" if "port" in values else "pty")
    if on == "tcp":
        if "link" in values:
            raise RigFileError("'link' is for pseudo-terminals; leave it out, or say on = \"pty\"")
        if not 0 <= values.get("port", 0) <= 65535:
            raise RigFileError(f"'port': expected 0 to 65535; it is {values['port']}")
        return TcpPort(values.get("port", 0))
    if on != "pty":
        raise RigFileError(f'\'on\': expected "pty" or "tcp"; it is {on!r}')
    if "port" in values:
        raise RigFileError("'port' is for tcp; leave it out, or say on = \"tcp\"")
    return PseudoTerminal(folder / values["link"] if "link" in values else None)
