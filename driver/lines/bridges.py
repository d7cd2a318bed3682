"""Serial bridges that speak RFC 2217 (Telnet Com Port Control Option), through pyserial.

pyserial takes the telnet layer off in a thread of its own, so there is no descriptor to wait on, and its
queue of received bytes has no bound: it gets one here, and the thread is kept from writing a traceback to
the user's terminal when a bridge sends what it does not understand.
"""

from __future__ import annotations

import contextlib
import queue
import socket
import termios
import time
import warnings
from collections.abc import Callable
from typing import Any

import serial

from noonmark.driver.interrupts import SLICE_S
from noonmark.driver.lines import tcp
from noonmark.driver.lines.addresses import NetworkAddress
from noonmark.driver.lines.ports import CHUNK_BYTES, vanished, write_timeout
from noonmark.protocols.seams import SeamError

_QUEUE_BYTES = 65536  # beyond it the bridge is made to wait, by TCP
_FAILURES = (serial.SerialException, OSError, termios.error)


class BridgePort:
    """`ports.Port` over a bridge. Instants are late by what the reading thread needs, and by the network."""

    def __init__(
        self, bridge: Any, where: str, fault: type[SeamError], release: Callable[[], None], *, byte_s: float
    ) -> None:
        self.byte_s = byte_s
        self._bridge, self._where, self._fault = bridge, where, fault
        self._release: Callable[[], None] | None = release
        self._held = b""

    def wait(self, timeout_s: float) -> bool:
        # pyserial's own timeout is SLICE_S and stays so: changing it negotiates all settings anew
        until = time.monotonic() + timeout_s
        while not self._held:
            self._held = self._read(1 if timeout_s > 0 else min(1, self._waiting()))
            if time.monotonic() >= until:
                break
        return bool(self._held)

    def take(self) -> bytes:
        data, self._held = self._held, b""
        return data + self._read(min(self._waiting(), CHUNK_BYTES - len(data)))

    def put(self, data: bytes, limit: float) -> None:
        self._require_open()
        try:
            self._bridge.write(data)
        except _FAILURES as error:
            if isinstance(error.__context__, TimeoutError):
                raise write_timeout(self._where, 0, len(data), self._fault) from None
            raise vanished(self._where, error, self._fault) from None
        if time.monotonic() > limit:
            raise write_timeout(self._where, len(data), len(data), self._fault)

    def close(self) -> None:
        release, self._release = self._release, None
        if release is not None:
            release()

    def _waiting(self) -> int:
        self._require_open()
        return int(self._bridge.in_waiting)

    def _read(self, size: int) -> bytes:
        self._require_open()
        try:
            return bytes(self._bridge.read(size))
        except _FAILURES as error:
            raise vanished(self._where, error, self._fault) from None

    def _require_open(self) -> None:
        if self._release is None:
            raise self._fault(f"{self._where} has been closed", code="port-closed")


def open_bridge(place: NetworkAddress, endpoint: tcp.Endpoint, baud: int, fault: type[SeamError]) -> Any:
    """pyserial's port for a bridge, connected, its line set to `baud`. Raises `fault` ("port-unreachable").

    Takes some 0.5 s of negotiation, and gives up after about 10.
    """
    family, (host, port) = endpoint
    numeric = f"[{host}]" if family == socket.AF_INET6 else host
    url = f"rfc2217://{numeric}:{port}" + (f"?{place.options}" if place.options else "")
    with warnings.catch_warnings():  # it names its thread in a manner deprecated since Python 3.10
        warnings.simplefilter("ignore", DeprecationWarning)
        bridge: Any = serial.serial_for_url(url, baudrate=baud, timeout=SLICE_S, do_not_open=True)
        bridge._telnet_read_loop = _quietly(bridge, bridge._telnet_read_loop)
        try:
            bridge.open()
        except (*_FAILURES, ValueError) as error:
            raise tcp.unreachable(place, str(error), fault) from None
    bridge._read_buffer.maxsize = _QUEUE_BYTES
    return bridge


def close_bridge(bridge: Any) -> None:
    """Close pyserial's port. Takes 0.3 s there, so that the bridge is ready for the next client."""
    waiting: queue.Queue[bytes | None] = bridge._read_buffer
    waiting.maxsize = 1 << 30  # a reading thread that waits for room must go on to see the end of the line
    with contextlib.suppress(queue.Empty):
        waiting.get_nowait()  # wakes it
    line: socket.socket | None = bridge._socket
    bridge.close()
    if line is not None:
        line.close()  # pyserial leaves it open where the far end was the first to go


def _quietly(bridge: Any, loop: Callable[[], None]) -> Callable[[], None]:
    """`loop`, ending without a word where a bridge breaks the protocol: reading then raises by itself."""

    def run() -> None:
        try:
            loop()
        except Exception:  # whatever pyserial's parser trips over
            bridge._read_buffer.put(None)

    return run
