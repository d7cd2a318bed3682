"""Simulated devices for tests: served on pseudo-terminals and TCP ports by a thread, or in virtual time, and looked
into meanwhile. All devices of one world have one true UTC.
"""

from __future__ import annotations

import datetime as dt
import os
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Literal, Protocol

from noonmark.protocols.dialect import Dialect
from noonmark.sim.addresses import (
    SimAddressError,
    build_fault_set,
    build_mount,
    build_quirks,
    check_place,
    find_dialect,
    rate,
)
from noonmark.sim.addresses import talker as two_letters
from noonmark.sim.endpoints import Endpoint, PseudoTerminal, TcpPort
from noonmark.sim.faults import FaultSet
from noonmark.sim.injection import Fault
from noonmark.sim.line import LineManner
from noonmark.sim.mount import SimulatedMount, TraceRow
from noonmark.sim.receiver import SimulatedReceiver
from noonmark.sim.serve import HostClock, ServedMount, ServedReceiver, Service, wait_for_work
from noonmark.sim.state import HiddenState
from noonmark.sim.timeline import RealTimeline, Timeline, VirtualClock

Where = Literal["pty", "tcp", "virtual"]
NIGHT = dt.datetime(2027, 1, 15, 12, 34, 56, 250_000, tzinfo=dt.UTC)
"""True UTC at which virtual time begins, unless a test says otherwise: after any date of building."""


@dataclass(frozen=True, slots=True)
class ReceiverState:
    """What is really so, whatever the receiver says: degrees (EAST positive), metres above mean sea level, UTC."""

    latitude_deg: float
    longitude_deg: float
    altitude_m: float
    utc: dt.datetime


class _Device:
    """What both kinds share. port: the address to configure. timeline: what it lives on; in virtual time the seams for
    a run are `seams_for(config, timeline=device.timeline)`."""

    def __init__(self, port: str, timeline: Timeline, faults: FaultSet, lock: threading.RLock, must_bite: bool) -> None:
        self.port = port
        self.timeline = timeline
        self._faults = faults
        self._lock = lock
        self._must_bite = must_bite

    @property
    def bites(self) -> dict[str, int]:
        """How often each fault has done its harm so far, by its name."""
        with self._lock:
            return {fault.name: fault.bites for fault in self._faults.all}

    @property
    def idle(self) -> list[Fault]:
        """Faults that were to do harm and never did."""
        return [fault for fault in self._faults.all if self._must_bite and not fault.bites]


class WorldMount(_Device):
    """A simulated mount in a world. mount: the device itself, for whoever wants to reach in; hold `lock` then."""

    def __init__(
        self,
        port: str,
        timeline: Timeline,
        faults: FaultSet,
        lock: threading.RLock,
        must_bite: bool,
        mount: SimulatedMount,
    ) -> None:
        super().__init__(port, timeline, faults, lock, must_bite)
        self.mount = mount
        self.lock = lock

    def state(self) -> HiddenState:
        """What is really inside now."""
        with self._lock:
            return self.mount.truth()

    @property
    def trace(self) -> tuple[TraceRow, ...]:
        """What passed its socket: commands heard (">") and answers ("<"), oldest first."""
        with self._lock:
            return tuple(self.mount.trace)

    @property
    def forbidden(self) -> tuple[bytes, ...]:
        """Commands that could move, park or synchronise it, and lone end marks: it ignored them."""
        with self._lock:
            return tuple(command for _, command in self.mount.forbidden)


class WorldReceiver(_Device):
    """A simulated GNSS receiver in a world."""

    def __init__(
        self, port: str, timeline: Timeline, faults: FaultSet, lock: threading.RLock, must_bite: bool, receiver: _Traced
    ) -> None:
        super().__init__(port, timeline, faults, lock, must_bite)
        self._receiver = receiver

    def state(self) -> ReceiverState:
        """Where it really stands, and the true UTC."""
        with self._lock:
            one = self._receiver
            utc = dt.datetime(1970, 1, 1, tzinfo=dt.UTC) + dt.timedelta(seconds=self.timeline.true_utc_s())
            return ReceiverState(one.latitude_deg, one.longitude_deg, one.altitude_m, utc)

    @property
    def trace(self) -> tuple[TraceRow, ...]:
        """What it said ("<") and heard (">"), oldest first."""
        with self._lock:
            return tuple(self._receiver.trace)


class _Traced(SimulatedReceiver):
    """A receiver that keeps what it said and heard."""

    trace: list[TraceRow]

    def take(self, now: float) -> list[tuple[float, bytes]]:
        chunks = super().take(now)
        self.trace += [TraceRow(at, "<", data) for at, data in chunks]
        return chunks

    def hear(self, data: bytes, at: float) -> None:
        self.trace.append(TraceRow(at, ">", data))
        super().hear(data, at)


class MountFactory(Protocol):
    """Makes a mount; see `World.mount`."""

    def __call__(
        self,
        *,
        on: Where = "pty",
        dialect: str | Dialect = "usual",
        right: tuple[float, float, float] | None = None,
        error_s: float = 0.0,
        drift_ppm: float | None = None,
        faults: Sequence[str] = (),
        quirks: Sequence[str] = (),
        must_bite: bool = True,
        seed: int = 0,
        baud: int = 9600,
        link: Path | None = None,
        utc: dt.datetime | None = None,
    ) -> WorldMount: ...


class ReceiverFactory(Protocol):
    """Makes a receiver; see `World.receiver`."""

    def __call__(
        self,
        *,
        latitude_deg: float,
        longitude_deg: float,
        altitude_m: float,
        on: Where = "pty",
        talker: str = "GP",
        rate_hz: float = 1.0,
        faults: Sequence[str] = (),
        must_bite: bool = True,
        seed: int = 0,
        baud: int = 9600,
        link: Path | None = None,
        utc: dt.datetime | None = None,
    ) -> WorldReceiver: ...


class World:
    """Devices of one true UTC: this machine's where they are served, a virtual one where they are not. The two can't
    be mixed in one world. Closed at the end of a `with`."""

    def __init__(self) -> None:
        self._devices: list[WorldMount | WorldReceiver] = []
        self._timeline: RealTimeline | VirtualClock | None = None
        self._lock = threading.RLock()
        self._thread: _Serving | None = None

    @property
    def clock(self) -> RealTimeline | VirtualClock:
        """The timeline of its devices."""
        if self._timeline is None:
            raise SimAddressError("this world has no device yet, and so no clock", remedy="Make a mount or a receiver.")
        return self._timeline

    def mount(
        self,
        *,
        on: Where = "pty",
        dialect: str | Dialect = "usual",
        right: tuple[float, float, float] | None = None,
        error_s: float = 0.0,
        drift_ppm: float | None = None,
        faults: Sequence[str] = (),
        quirks: Sequence[str] = (),
        must_bite: bool = True,
        seed: int = 0,
        baud: int = 9600,
        link: Path | None = None,
        utc: dt.datetime | None = None,
    ) -> WorldMount:
        """A mount fresh from the works, or set up properly at `right`: latitude, longitude (degrees, EAST positive),
        local minus UTC (hours).

        on: "pty", "tcp" (a free port), or "virtual", where a run takes milliseconds. dialect: a name, the path of a
        TOML file, or the value itself. faults: as `noonmark sim faults` lists them, "name" or "name:amount", of the
        mount and of its line. quirks: "name" or "name:value". must_bite: a fault that never did its harm fails the
        test. link: a symbolic link to the pseudo-terminal. utc: when virtual time begins. Raises SimAddressError.
        """
        timeline = self._timeline_for(on, utc)
        kinds = build_fault_set(list(faults), seed, without="receiver")
        mount = build_mount(
            timeline,
            dialect=dialect if isinstance(dialect, str) else dialect.name,
            find=find_dialect if isinstance(dialect, str) else lambda _: dialect,
            right_at=list(right) if right is not None else None,
            error_s=error_s,
            drift_ppm=drift_ppm,
            quirks=build_quirks(list(quirks)),
            faults=kinds,
            seed=seed,
        )
        if isinstance(timeline, VirtualClock):
            port = f"sim:?device={len(self._devices)}"
            timeline.devices[port] = (mount, kinds.line, seed)
        else:
            endpoint = _endpoint(on, link)
            port = endpoint.address
            self._serve(ServedMount(mount, endpoint, LineManner(baud), kinds.line, seed), timeline)
        made = WorldMount(port, timeline, kinds, self._lock, must_bite, mount)
        self._devices.append(made)
        return made

    def receiver(
        self,
        *,
        latitude_deg: float,
        longitude_deg: float,
        altitude_m: float,
        on: Where = "pty",
        talker: str = "GP",
        rate_hz: float = 1.0,
        faults: Sequence[str] = (),
        must_bite: bool = True,
        seed: int = 0,
        baud: int = 9600,
        link: Path | None = None,
        utc: dt.datetime | None = None,
    ) -> WorldReceiver:
        """A receiver at a place: degrees (EAST positive), metres above mean sea level. The rest is as for a mount.
        Raises SimAddressError."""
        check_place(latitude_deg, longitude_deg, altitude_m)
        timeline = self._timeline_for(on, utc)
        kinds = build_fault_set(list(faults), seed, without="mount")
        receiver = _Traced(
            timeline=timeline,
            latitude_deg=latitude_deg,
            longitude_deg=longitude_deg,
            altitude_m=altitude_m,
            talker=two_letters(talker),
            rate_hz=rate(rate_hz),
            baud=baud,
            faults=kinds.receiver,
            seed=seed,
        )
        receiver.trace = []
        if isinstance(timeline, VirtualClock):
            port = f"sim:receiver?device={len(self._devices)}"
            timeline.devices[port] = (receiver, kinds.line)
        else:
            endpoint = _endpoint(on, link)
            port = endpoint.address
            self._serve(ServedReceiver(receiver, endpoint, kinds.line), timeline)
        made = WorldReceiver(port, timeline, kinds, self._lock, must_bite, receiver)
        self._devices.append(made)
        return made

    def idle_faults(self) -> list[str]:
        """Names of the faults that were to do harm and never did."""
        return [fault.name for device in self._devices for fault in device.idle]

    def close(self) -> None:
        """End the serving and take the ports away. Raises what went wrong in the thread, if anything did."""
        if self._thread is not None:
            serving, self._thread = self._thread, None
            serving.close()

    def __enter__(self) -> World:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _timeline_for(self, on: Where, utc: dt.datetime | None) -> RealTimeline | VirtualClock:
        if on not in ("pty", "tcp", "virtual"):
            raise SimAddressError(f"'on' is pty, tcp or virtual; it is {on!r}")
        if on != "virtual" and utc is not None:
            raise SimAddressError(
                "'utc' is for virtual time: a served device has this machine's", remedy='Say on="virtual".'
            )
        if self._timeline is None:
            self._timeline = VirtualClock(utc or NIGHT) if on == "virtual" else RealTimeline(HostClock())
        elif isinstance(self._timeline, VirtualClock) is not (on == "virtual"):
            raise SimAddressError(
                "one world can't hold devices in virtual time and in real time",
                remedy="Give all of them the same 'on'.",
            )
        elif utc is not None:
            raise SimAddressError("virtual time has begun already", remedy="Give 'utc' with the first device.")
        return self._timeline

    def _serve(self, service: Service, timeline: RealTimeline) -> None:
        if self._thread is None:
            self._thread = _Serving(timeline, self._lock)
        self._thread.add(service)


class _Serving:
    """One thread for all served devices of a world."""

    def __init__(self, timeline: RealTimeline, lock: threading.RLock) -> None:
        self._timeline = timeline
        self._lock = lock
        self._services: list[Service] = []
        self._woken, self._waker = os.pipe()
        os.set_blocking(self._woken, False)
        self._closing = False
        self._error: BaseException | None = None
        self._thread = threading.Thread(target=self._run, name="noonmark-simulated", daemon=True)
        self._thread.start()

    def add(self, service: Service) -> None:
        with self._lock:
            self._services.append(service)
        os.write(self._waker, b"x")

    def _run(self) -> None:
        try:
            while not self._closing:
                with self._lock:
                    services = list(self._services)
                    now = self._timeline.monotonic()
                    for service in services:
                        service.step(now)
                wait_for_work(services, self._timeline, self._woken)
                self._drain()
        except BaseException as error:  # told where the world is closed: a thread has nobody to tell
            self._error = error

    def _drain(self) -> None:
        try:
            os.read(self._woken, 64)
        except BlockingIOError:
            pass

    def close(self) -> None:
        self._closing = True
        os.write(self._waker, b"x")
        self._thread.join()
        for service in self._services:
            service.endpoint.close()
        os.close(self._woken)
        os.close(self._waker)
        if self._error is not None:
            raise self._error


def _endpoint(on: Where, link: Path | None) -> Endpoint:
    if on == "tcp":
        if link is not None:
            raise SimAddressError("'link' is for pseudo-terminals", remedy='Leave it out, or say on="pty".')
        return TcpPort(0)
    return PseudoTerminal(link)
