"""Simulated devices as real processes: on a pseudo-terminal or a TCP port, in real time, bytes paced like the wire.

One thread: each device says when its next byte is due, and the loop sleeps until then or until a client speaks.
The addresses come first on stdout, a line each. SIGTERM and SIGINT end it cleanly.
"""

from __future__ import annotations

import json
import os
import select
import signal
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Protocol, TextIO

from noonmark.protocols.seams import Discipline, LinkError
from noonmark.sim.endpoints import Endpoint
from noonmark.sim.injection import Fault, LineFault
from noonmark.sim.line import NEVER, LineManner, Wire
from noonmark.sim.mount import SimulatedMount, TraceRow
from noonmark.sim.receiver import SimulatedReceiver
from noonmark.sim.timeline import RealTimeline

LOOK_AGAIN_S = 0.01  # how often a port without a client, or one that is gone, is looked at
IDLE_S = 0.5


class HostClock:
    """This machine's clock, for devices that are served."""

    def monotonic(self) -> float:
        return time.monotonic()

    def utc_ns(self) -> int:
        return time.time_ns()

    def boottime(self) -> float:
        return time.clock_gettime(time.CLOCK_BOOTTIME)

    def discipline(self) -> Discipline:
        return Discipline(synchronised=None, why="not asked")

    def wait_until(self, instant: float) -> None:
        while (left := instant - time.monotonic()) > 0:
            time.sleep(left)


class Service(Protocol):
    """A device behind an endpoint."""

    endpoint: Endpoint

    def step(self, now: float) -> None:
        """Take what came, send what is due."""
        ...

    def next_at(self) -> float:
        """When `step` is needed next, even if nothing comes."""
        ...


class _Served:
    """What both kinds share: a port that may vanish and come back by its line's faults."""

    def __init__(self, endpoint: Endpoint, faults: Sequence[LineFault]) -> None:
        self.endpoint = endpoint
        self._line_faults = list(faults)
        self._there = True
        self._had_client = False

    def available(self, now: float) -> bool:
        """Whether the port exists now and a client has it open."""
        if self._there and any(fault.gone(now) for fault in self._line_faults):
            self.endpoint.vanish()
            self._there = False
        if not self._there and self._comes_back(now):
            self.endpoint.reappear()
            self._there = True
        has_client = self._there and self.endpoint.connected
        if has_client and not self._had_client:
            self.opened(now)
        self._had_client = has_client
        return has_client

    def _comes_back(self, now: float) -> bool:
        try:
            for fault in self._line_faults:
                fault.opened(now, self.endpoint.address)
        except LinkError:
            return False
        return not any(fault.gone(now) for fault in self._line_faults)

    def opened(self, now: float) -> None:
        """A client has just opened the port."""


class ServedMount(_Served):
    """A mount behind an endpoint; its bytes arrive and leave at the line's rate."""

    def __init__(
        self, mount: SimulatedMount, endpoint: Endpoint, manner: LineManner, faults: Sequence[LineFault], seed: int
    ) -> None:
        super().__init__(endpoint, faults)
        self._mount = mount
        self._wire = Wire(manner, faults, seed)
        self._byte_s = manner.byte_s

    def step(self, now: float) -> None:
        available = self.available(now)
        if self._there and (data := self.endpoint.read()):
            arriving, first_at = self._wire.to_device(data, now)
            for ready, answer in self._mount.receive(arriving, first_at, self._byte_s) if arriving else ():
                self._wire.to_host(answer, ready)
        while (piece := self._wire.take(now)) is not None:
            if available:
                self.endpoint.write(piece[2])

    def next_at(self) -> float:
        return self._wire.next_at()


class ServedReceiver(_Served):
    """A receiver behind an endpoint: it talks as long as somebody listens, as a line does."""

    def __init__(
        self,
        receiver: SimulatedReceiver,
        endpoint: Endpoint,
        faults: Sequence[LineFault],
        trace: TraceFile | None = None,
    ) -> None:
        super().__init__(endpoint, faults)
        self._receiver = receiver
        self._trace = trace
        self._open = False

    def opened(self, now: float) -> None:
        self._receiver.open(now)
        self._open = True

    def step(self, now: float) -> None:
        available = self.available(now)
        if self._there and (data := self.endpoint.read()):
            self._receiver.hear(data, now)
            for fault in self._line_faults:
                fault.to_device(data, now)
        if not self._open:
            return
        for at, data in self._receiver.take(now):
            for fault in self._line_faults:
                data = fault.to_host(data, at)
            if available and data:
                self.endpoint.write(data)
                if self._trace is not None:
                    self._trace.row(TraceRow(at, "<", data))

    def next_at(self) -> float:
        return self._receiver.next_at() if self._open else NEVER


def serve(services: Sequence[Service], timeline: RealTimeline, addresses: Sequence[str], stdout: TextIO) -> None:
    """Print the addresses and run the devices until SIGTERM or SIGINT."""
    with _StopSignal() as stop:
        for line in addresses:
            stdout.write(line + "\n")
        stdout.flush()
        while not stop.asked:
            now = timeline.monotonic()
            for service in services:
                service.step(now)
            wait_for_work(services, timeline, stop.descriptor)


def wait_for_work(services: Sequence[Service], timeline: RealTimeline, stop: int) -> None:
    """Sleep until a device has something to send, a client speaks, or the descriptor `stop` is readable."""
    watched = [stop]
    until = timeline.monotonic() + IDLE_S
    for service in services:
        watched += service.endpoint.descriptors()
        until = min(until, service.next_at())
        if not service.endpoint.connected:
            until = min(until, timeline.monotonic() + LOOK_AGAIN_S)
    select.select(watched, [], [], max(0.0, until - timeline.monotonic()))


class _StopSignal:
    """SIGTERM and SIGINT ask to stop; the descriptor is readable from then on."""

    def __init__(self) -> None:
        self.asked = False
        self.descriptor, self._writer = os.pipe()

    def __enter__(self) -> _StopSignal:
        self._earlier = {number: signal.signal(number, self._ask) for number in (signal.SIGTERM, signal.SIGINT)}
        return self

    def _ask(self, number: int, frame: object) -> None:
        self.asked = True
        os.write(self._writer, b"x")

    def __exit__(self, *exc: object) -> None:
        for number, handler in self._earlier.items():
            signal.signal(number, handler)
        os.close(self.descriptor)
        os.close(self._writer)


class TraceFile:
    """What passes, one JSON object a line: instant (monotonic s), utc_s, direction, bytes (escaped); at the end how
    often each fault bit."""

    def __init__(self, path: Path, timeline: RealTimeline) -> None:
        self._file = path.open("w", encoding="ascii", buffering=1)
        self._timeline = timeline

    def row(self, row: TraceRow) -> None:
        """Note what passed."""
        text = row.data.decode("latin-1").encode("unicode_escape").decode("ascii")
        utc_s = round(self._timeline.true_utc_at(row.instant), 6)
        self._write({"instant": round(row.instant, 6), "utc_s": utc_s, "direction": row.direction, "bytes": text})

    def close(self, faults: Sequence[Fault]) -> None:
        """Note how often the faults bit, and close."""
        self._write({"faults": {fault.name: fault.bites for fault in faults}})
        self._file.close()

    def _write(self, values: dict[str, object]) -> None:
        self._file.write(json.dumps(values) + "\n")


def serve_mount(
    mount: SimulatedMount,
    endpoint: Endpoint,
    timeline: RealTimeline,
    *,
    baud: int = 9600,
    faults: Sequence[LineFault] = (),
    seed: int = 0,
    trace: TraceFile | None = None,
    stdout: TextIO | None = None,
) -> None:
    """Serve one mount until a signal comes; its address is the first line on stdout."""
    if trace is not None:
        mount.on_trace = trace.row
    service = ServedMount(mount, endpoint, LineManner(baud), faults, seed)
    try:
        serve([service], timeline, [endpoint.address], stdout or sys.stdout)
    finally:
        endpoint.close()
        mount.firmware.changed()
        if trace is not None:
            trace.close([*mount.faults, *faults])


def serve_receiver(
    receiver: SimulatedReceiver,
    endpoint: Endpoint,
    timeline: RealTimeline,
    *,
    faults: Sequence[LineFault] = (),
    trace: TraceFile | None = None,
    stdout: TextIO | None = None,
) -> None:
    """Serve one receiver until a signal comes; its address is the first line on stdout."""
    service = ServedReceiver(receiver, endpoint, faults, trace)
    try:
        serve([service], timeline, [endpoint.address], stdout or sys.stdout)
    finally:
        endpoint.close()
        if trace is not None:
            trace.close([*receiver.faults, *faults])
