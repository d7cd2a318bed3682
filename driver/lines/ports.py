"""Raw ports: bytes in and bytes out of a device file or a network connection. Only links and streams use it.

pyserial opens device files and RFC 2217 bridges. Bytes then go through the descriptor itself wherever there
is one, for two reasons: an instant is read next to the system call, and a write is never reported as timed
out after all of it was taken. `socket://` is opened here: pyserial's handler leaves Nagle's delay on, which
holds the last byte of a timed send back, and sleeps 0.3 s on closing.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import time
from collections.abc import Callable
from typing import Protocol

from noonmark.driver.clocks import SystemClock
from noonmark.driver.interrupts import SLICE_S, InterruptFlag
from noonmark.driver.lines import tcp
from noonmark.driver.lines.addresses import DeviceAddress, NetworkAddress, escaped, parse_address
from noonmark.driver.lines.locks import lock_bridge
from noonmark.protocols.seams import SeamError

CHUNK_BYTES = 4096


class Port(Protocol):
    """What links and streams need. Every method raises the fault it was made with, "port-vanished" mostly."""

    @property
    def byte_s(self) -> float: ...

    def wait(self, timeout_s: float) -> bool:
        """Whether there is something to take (or the line has failed) within `timeout_s`."""
        ...

    def take(self) -> bytes:
        """What has come, at most CHUNK_BYTES; b"" for nothing."""
        ...

    def put(self, data: bytes, limit: float) -> None:
        """Hand all of `data` over by the monotonic instant `limit`, or raise "write-timeout": maybe sent."""
        ...

    def close(self) -> None: ...


def vanished(where: str, why: object, fault: type[SeamError]) -> SeamError:
    """The error for a line that failed in use."""
    return fault(
        f"{where} failed in use: {escaped(str(why))}",
        code="port-vanished",
        remedy="Check the cable, the adapter and the power, and run again.",
    )


def write_timeout(where: str, sent: int, total: int, fault: type[SeamError]) -> SeamError:
    """The error for bytes that the line did not take in time."""
    return fault(
        f"{where} took {sent} of {total} bytes in the time allowed; the command may have been sent",
        code="write-timeout",
        remedy="Read the setting back before writing it again.",
    )


class DescriptorPort:
    """A terminal or a socket, by its non-blocking descriptor."""

    def __init__(
        self, fd: int, where: str, fault: type[SeamError], release: Callable[[], None], *, byte_s: float
    ) -> None:
        self.byte_s = byte_s
        self._fd, self._where, self._fault = fd, where, fault
        self._release: Callable[[], None] | None = release
        self._terminal = os.isatty(fd)
        self._readable, self._writable = select.poll(), select.poll()
        self._readable.register(fd, select.POLLIN)
        self._writable.register(fd, select.POLLOUT)
        self._hung_up = False

    def wait(self, timeout_s: float) -> bool:
        self._require_open()
        events = self._readable.poll(max(0.0, timeout_s) * 1000)
        self._hung_up = any(mask & (select.POLLHUP | select.POLLERR | select.POLLNVAL) for _, mask in events)
        return bool(events)

    def take(self) -> bytes:
        if not self.wait(0.0):
            return b""
        try:
            data = os.read(self._fd, CHUNK_BYTES)
        except BlockingIOError:
            return b""
        except OSError as error:
            raise vanished(self._where, error.strerror, self._fault) from None
        if data:
            return data
        self.wait(0.0)  # was it hung up meanwhile?
        if self._terminal and not self._hung_up:
            raise self._fault(
                f"{self._where}: bytes arrive, but another program takes them",
                code="port-busy",
                remedy="Stop the other program that has this port open.",
            )
        raise vanished(self._where, "unplugged" if self._terminal else "closed by the far end", self._fault)

    def put(self, data: bytes, limit: float) -> None:
        self._require_open()
        sent = 0
        while True:
            try:
                sent += os.write(self._fd, data[sent:])
            except BlockingIOError:
                pass
            except OSError as error:
                raise vanished(self._where, error.strerror, self._fault) from None
            if sent == len(data):
                return
            remaining_s = limit - time.monotonic()
            if remaining_s <= 0:
                raise write_timeout(self._where, sent, len(data), self._fault)
            self._writable.poll(min(SLICE_S, remaining_s) * 1000)

    def close(self) -> None:
        release, self._release = self._release, None
        if release is not None:
            release()

    def _require_open(self) -> None:
        if self._release is None:
            raise self._fault(f"{self._where} has been closed", code="port-closed")


def open_port(
    address: str,
    *,
    baud: int,
    clock: SystemClock,
    interrupt: InterruptFlag,
    fault: type[SeamError],
    daemon: bool = False,
) -> Port:
    """Open and lock a line. Errors are `fault` with a code: "address-invalid", "port-absent", "port-busy",
    "port-not-permitted", "port-unusable", "port-unreachable", "baud-invalid", "lock-not-writable"."""
    place = parse_address(address, fault=fault, daemon=daemon)
    interrupt.check()
    if not isinstance(baud, int) or baud <= 0:
        raise fault(f"baud {baud!r}: a positive whole number is needed", code="baud-invalid")
    if isinstance(place, DeviceAddress):
        from noonmark.driver.lines.devices import open_device

        port, release = open_device(place.path, baud, fault)
        return DescriptorPort(port.fileno(), escaped(address), fault, release, byte_s=10 / baud)
    return _open_network(place, escaped(address), baud, clock, interrupt, fault)


def _open_network(
    place: NetworkAddress,
    where: str,
    baud: int,
    clock: SystemClock,
    interrupt: InterruptFlag,
    fault: type[SeamError],
) -> Port:
    endpoints = tcp.resolve(place, clock, interrupt, fault)
    with contextlib.ExitStack() as held:
        if place.scheme != "tcp":  # a daemon serves many; a bridge has one line behind it
            held.callback(os.close, lock_bridge(*endpoints[0][1], fault=fault))
        if place.scheme == "rfc2217":
            from noonmark.driver.lines.bridges import BridgePort, close_bridge, open_bridge

            bridge = open_bridge(place, endpoints[0], baud, fault)
            held.callback(close_bridge, bridge)
            return BridgePort(bridge, where, fault, held.pop_all().close, byte_s=10 / baud)
        line = tcp.connect(endpoints, place, clock, interrupt, fault)
        held.callback(_close_socket, line)
        return DescriptorPort(line.fileno(), where, fault, held.pop_all().close, byte_s=0.0)


def _close_socket(line: socket.socket) -> None:
    with contextlib.suppress(OSError):
        line.shutdown(socket.SHUT_RDWR)
    line.close()
