"""Addresses of simulated devices: `sim:` a mount, `sim:receiver` a receiver, both on the timeline they are given.

sim:                                       a mount fresh from the works, new each time
sim:?state=FILE                            goes on from FILE, and keeps it
sim:?right=LATITUDE,LONGITUDE,OFFSET       a mount set up properly (degrees east positive; local minus UTC, h)
sim:?dialect=NAME-OR-FILE&fault=NAME&fault=NAME:AMOUNT&quirk=NAME:VALUE&seed=1&drift_ppm=20&error_s=0.4
sim:?parked=yes&slewing=yes
sim:receiver?latitude=..&longitude=..&altitude=..&fault=NAME&seed=1&talker=GN&rate_hz=5
"""

from __future__ import annotations

import dataclasses
import difflib
from collections.abc import Callable, Mapping
from importlib import resources
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl

from noonmark.protocols.dialect import USUAL, Dialect, DialectError, parse_dialect
from noonmark.protocols.seams import LinkError, SeamError
from noonmark.sim.faults import FaultError, FaultSet, build_faults
from noonmark.sim.injection import LineFault
from noonmark.sim.line import LineManner, SimLink, SimStream
from noonmark.sim.mount import SimulatedMount
from noonmark.sim.receiver import SimulatedReceiver
from noonmark.sim.state import Quirks, factory, right
from noonmark.sim.statefile import StateFileError, load_state, save_state
from noonmark.sim.timeline import Timeline

MOUNT_KEYS = ("state", "right", "dialect", "fault", "quirk", "seed", "drift_ppm", "error_s", "parked", "slewing")
ALTITUDE_M = (-1000.0, 100_000.0)  # from below the Dead Sea's shore to where no mount stands
ERROR_S = (-3.2e9, 3.2e9)  # a century: its year must still be one
DRIFT_PPM = (-1e6, 1e6)  # from a clock that stands still to one of twice the speed
RECEIVER_KEYS = ("latitude", "longitude", "altitude", "fault", "seed", "talker", "rate_hz")

REPEATABLE = ("fault", "quirk")
QUIRKS: dict[str, Any] = {
    item.name: getattr(Quirks(), item.name)
    for item in dataclasses.fields(Quirks)
    if item.name not in ("overwritten_with", "lag_before_s", "lag_after_s")
}
"""The quirks that can be asked for by name, with what holds without them."""

FindDialect = Callable[[str], Dialect]


class SimAddressError(SeamError):
    """A simulated device is asked for in a way that can't be met."""

    code = "address-invalid"


def find_dialect(name: str) -> Dialect:
    """A dialect by its shipped name, or by the path of a TOML file. Raises DialectError."""
    if name == USUAL.name:
        return USUAL
    if name.endswith(".toml") or "/" in name:
        try:
            return parse_dialect(Path(name).read_text("utf-8"), name)
        except (OSError, UnicodeDecodeError) as error:
            raise DialectError(f"{name} can't be read: {error}") from None
    shipped = resources.files("noonmark.protocols").joinpath("dialects")
    names = [item.name[:-5] for item in shipped.iterdir() if item.name.endswith(".toml")] if shipped.is_dir() else []
    if name in names:
        return parse_dialect(shipped.joinpath(f"{name}.toml").read_text("utf-8"), f"the shipped dialect {name}")
    near = difflib.get_close_matches(name, [*names, USUAL.name], n=1, cutoff=0.0)
    raise DialectError(f"there is no dialect {name!r}; the nearest is '{near[0]}', or give the path of a TOML file")


def open_simulated(
    address: str,
    timeline: Timeline,
    *,
    baud: int = 9600,
    latitude_deg: float | None = None,
    longitude_deg: float | None = None,
    altitude_m: float | None = None,
    find: FindDialect = find_dialect,
) -> SimLink | SimStream:
    """The simulated device of an address: the same one again if it was opened on this timeline before.

    latitude_deg, longitude_deg (EAST positive), altitude_m: where a receiver is if its address does not say.
    `find`: a dialect by its name. Raises SimAddressError.
    """
    name, _, query = address.partition("?")
    if name == "sim:":
        return open_mount(address, query, timeline, baud=baud, find=find)
    if name == "sim:receiver":
        return open_receiver(address, query, timeline, baud=baud, place=(latitude_deg, longitude_deg, altitude_m))
    raise SimAddressError(f"{address[:80]!r} is no simulated device", remedy="Write sim: or sim:receiver.")


def open_mount(
    address: str, query: str, timeline: Timeline, *, baud: int = 9600, find: FindDialect = find_dialect
) -> SimLink:
    """The link to a simulated mount, `query` being what stands after the `?`. Raises SimAddressError."""
    known = timeline.devices.get(address)
    if not isinstance(known, tuple):
        known = timeline.devices[address] = _mount_of(address, query, timeline, find)
    mount, line_faults, seed = known
    return SimLink(mount, timeline, manner=LineManner(baud), faults=line_faults, seed=seed, address=address)


def _mount_of(
    address: str, query: str, timeline: Timeline, find: FindDialect
) -> tuple[SimulatedMount, tuple[LineFault, ...], int]:
    values = _parse(address, query, MOUNT_KEYS)
    seed = whole(values.get("seed", "0"), "seed")
    faults = build_fault_set(_query_list(query, "fault"), seed, without="receiver")
    mount = build_mount(
        timeline,
        dialect=values.get("dialect", USUAL.name),
        find=find,
        state_file=Path(values["state"]) if "state" in values else None,
        right_at=numbers(values["right"], 3, "right") if "right" in values else None,
        error_s=number(values.get("error_s", "0"), "error_s"),
        drift_ppm=number(values["drift_ppm"], "drift_ppm") if "drift_ppm" in values else None,
        quirks=build_quirks(_query_list(query, "quirk")),
        faults=faults,
        seed=seed,
    )
    for flag in ("parked", "slewing"):
        if flag in values:
            setattr(mount.state, flag, _yes(values[flag], flag))
    return mount, faults.line, seed


def open_receiver(
    address: str,
    query: str,
    timeline: Timeline,
    *,
    baud: int = 9600,
    place: tuple[float | None, float | None, float | None] = (None, None, None),
) -> SimStream:
    """The stream of a simulated receiver, `query` being what stands after the `?`; `place`: degrees north, degrees
    east, metres, where the query does not say. Raises SimAddressError."""
    known = timeline.devices.get(address)
    if not isinstance(known, tuple):
        known = timeline.devices[address] = _receiver_of(address, query, timeline, baud, place)
    receiver, line_faults = known
    return SimStream(receiver, timeline, faults=line_faults, address=address)


def _receiver_of(
    address: str, query: str, timeline: Timeline, baud: int, place: tuple[float | None, float | None, float | None]
) -> tuple[SimulatedReceiver, tuple[LineFault, ...]]:
    values = _parse(address, query, RECEIVER_KEYS)
    found: list[float] = []
    for key, default in zip(("latitude", "longitude", "altitude"), place, strict=True):
        value = number(values[key], key) if key in values else default
        if value is None:
            raise SimAddressError(
                f"{address[:80]!r} does not say where the receiver is: '{key}' is missing",
                remedy="Write sim:receiver?latitude=..&longitude=..&altitude=..",
            )
        found.append(value)
    check_place(*found)
    seed = whole(values.get("seed", "0"), "seed")
    faults = build_fault_set(_query_list(query, "fault"), seed, without="mount")
    receiver = SimulatedReceiver(
        timeline=timeline,
        latitude_deg=found[0],
        longitude_deg=found[1],
        altitude_m=found[2],
        talker=talker(values.get("talker", "GP")),
        rate_hz=rate(number(values.get("rate_hz", "1"), "rate_hz")),
        baud=baud,
        faults=faults.receiver,
        seed=seed,
    )
    return receiver, faults.line


def build_mount(
    timeline: Timeline,
    *,
    dialect: str = USUAL.name,
    find: FindDialect = find_dialect,
    state_file: Path | None = None,
    right_at: list[float] | None = None,
    error_s: float = 0.0,
    drift_ppm: float | None = None,
    quirks: Quirks | None = None,
    faults: FaultSet | None = None,
    seed: int = 0,
) -> SimulatedMount:
    """A mount as options describe it. An existing state file goes before `right_at` ([latitude, longitude, offset])
    and error_s, which say how it begins. Raises SimAddressError."""
    within(error_s, "the clock's error", ERROR_S, "s")
    if drift_ppm is not None:
        within(drift_ppm, "the clock's drift", DRIFT_PPM, "ppm")
    try:
        speaks = find(dialect)
        state = load_state(state_file) if state_file is not None else None
    except (DialectError, StateFileError) as error:
        raise SimAddressError(str(error)) from None
    now_s = timeline.true_utc_s()
    if state is None and right_at is not None:
        check_place(right_at[0], right_at[1])
        if not abs(right_at[2]) <= 15:
            raise SimAddressError(f"an offset is at most 15 h either way, not {right_at[2]:g}")
        state = right(now_s, *right_at, dialect=speaks, error_s=error_s)
    elif state is None:
        state = factory(now_s)
        state.local_s += error_s
    mount = SimulatedMount(
        speaks, timeline=timeline, state=state, quirks=quirks, seed=seed, faults=faults.mount if faults else ()
    )
    if drift_ppm is not None:
        mount.firmware.set_rate(drift_ppm, timeline.monotonic())
    if state_file is not None:
        keep_state(mount, state_file)
    return mount


def keep_state(mount: SimulatedMount, path: Path) -> None:
    """Save what the mount remembers now, and whenever it changes.

    Raises SimAddressError where that can't be done now; later the mount's line fails, with a LinkError.
    """

    def save() -> None:
        try:
            save_state(path, mount.state, mount.timeline.true_utc_s())
        except StateFileError as error:
            raise LinkError(str(error), code="state-not-writable") from None

    mount.firmware.on_change = save
    try:
        save()
    except LinkError as error:
        raise SimAddressError(str(error), code=error.code) from None


# --- what options are made of ----------------------------------------------------------------------


def build_fault_set(specs: list[str], seed: int, *, without: str) -> FaultSet:
    """Faults that fit the device. Raises SimAddressError."""
    try:
        faults = build_faults(specs, seed)
    except FaultError as error:
        raise SimAddressError(str(error), remedy="`sim faults` lists them.") from None
    misplaced = {"receiver": faults.receiver, "mount": faults.mount}.get(without)
    if misplaced:
        raise SimAddressError(f"fault '{misplaced[0].name}' belongs to a {without}")
    return faults


def build_quirks(specs: list[str]) -> Quirks:
    """Quirks from `name` or `name:value`, by the names of `Quirks`. Raises SimAddressError."""
    chosen: dict[str, Any] = {}
    for spec in specs:
        name, colon, text = spec.partition(":")
        if name not in QUIRKS:
            raise _unknown("quirk", name, QUIRKS)
        usual = QUIRKS[name]
        if isinstance(usual, bool):
            chosen[name] = _yes(text, name) if colon else True
        elif isinstance(usual, bytes):
            chosen[name] = text.encode("utf-8")
        elif isinstance(usual, frozenset):
            chosen[name] = frozenset(text.split(","))
        elif name == "sidereal":
            kinds = ("mean", "apparent", "imprecise", "own-clock", "frozen")
            if text not in kinds:
                raise SimAddressError(f"quirk 'sidereal' is one of {', '.join(kinds)}; it has {text!r}")
            chosen[name] = text
        else:
            chosen[name] = number(text, name)
    return Quirks(**chosen)


def number(text: str, key: str) -> float:
    """A finite number. Raises SimAddressError."""
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not abs(value) < 1e12:
        raise SimAddressError(f"'{key}' takes a number; it has {text!r}")
    return value


def numbers(text: str, count: int, key: str) -> list[float]:
    """So many numbers with commas between. Raises SimAddressError."""
    parts = text.split(",")
    if len(parts) != count:
        raise SimAddressError(f"'{key}' takes {count} numbers with commas between; it has {text!r}")
    return [number(part, key) for part in parts]


def whole(text: str, key: str) -> int:
    """A whole number. Raises SimAddressError."""
    try:
        return int(text)
    except ValueError:
        raise SimAddressError(f"'{key}' takes a whole number; it has {text!r}") from None


def check_place(latitude_deg: float, longitude_deg: float, altitude_m: float = 0.0) -> None:
    """Raises SimAddressError unless it is a place on Earth."""
    if not (abs(latitude_deg) <= 90 and abs(longitude_deg) <= 180):
        raise SimAddressError(
            f"{latitude_deg:g}, {longitude_deg:g} is no place",
            remedy="A latitude is within 90 degrees, a longitude within 180, north and east positive.",
        )
    within(altitude_m, "the altitude", ALTITUDE_M, "m")


def within(value: float, what: str, limits: tuple[float, float], unit: str) -> None:
    """Raises SimAddressError where a number lies outside, or is none."""
    if not limits[0] <= value <= limits[1]:
        raise SimAddressError(f"{what} lies within {limits[0]:g} and {limits[1]:g} {unit}; it is {value:g}")


def talker(text: str) -> str:
    """A talker of two capital letters. Raises SimAddressError."""
    if len(text) != 2 or not text.isascii() or not text.isupper():
        raise SimAddressError(f"'talker' takes two capital letters, as GP or GN; it has {text!r}")
    return text


def rate(hertz: float) -> float:
    """Epochs a second. Raises SimAddressError."""
    if not 0.1 <= hertz <= 20:
        raise SimAddressError(f"'rate_hz' lies within 0.1 and 20; it is {hertz:g}")
    return hertz


def _yes(text: str, key: str) -> bool:
    if text not in ("yes", "no"):
        raise SimAddressError(f"'{key}' is yes or no; it has {text!r}")
    return text == "yes"


def _pairs(query: str) -> list[tuple[str, str]]:
    return parse_qsl(query.replace("+", "%2B"), keep_blank_values=True)


def _query_list(query: str, key: str) -> list[str]:
    return [value for name, value in _pairs(query) if name == key]


def _parse(address: str, query: str, keys: tuple[str, ...]) -> dict[str, str]:
    values: dict[str, str] = {}
    for key, value in _pairs(query):
        if key not in keys:
            raise _unknown("key", key, keys)
        if key in values and key not in REPEATABLE:
            raise SimAddressError(f"key '{key}' stands twice in {address[:80]!r}")
        values[key] = value
    return values


def _unknown(what: str, name: str, known: Mapping[str, Any] | tuple[str, ...]) -> SimAddressError:
    near = difflib.get_close_matches(name, list(known), n=1, cutoff=0.0)
    return SimAddressError(f"unknown {what} {name[:40]!r}; the nearest known is '{near[0]}'",
                           remedy=f"Known are {', '.join(known)}.")  # fmt: skip
