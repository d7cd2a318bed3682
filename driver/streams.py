"""Receivers' lines, for real: a thread of its own stamps what comes, so that no instant depends on what the
program is doing meanwhile."""

from __future__ import annotations

import threading
from collections import deque

from noonmark.driver.allowlist import ForbiddenCommand
from noonmark.driver.clocks import SystemClock
from noonmark.driver.interrupts import SLICE_S, InterruptFlag
from noonmark.driver.lines.addresses import escaped
from noonmark.driver.lines.ports import Port, open_port
from noonmark.protocols.seams import SeamError, StreamError

CHUNKS_KEPT = 32768  # a byte each at 9600 baud: half a minute that nobody read
BYTES_KEPT = 1 << 20
_WRITE_S = 2.0


def open_stream(address: str, *, baud: int, clock: SystemClock, interrupt: InterruptFlag | None = None) -> SerialStream:
    """Open a receiver's line: a device file, socket://host:port, rfc2217://host:port, or host:port of a GNSS
    daemon (which serves many, so that one is not locked).

    What lay in a device's buffer is stale, and thrown away. Raises StreamError (codes in `open_port`).
    """
    flag = clock.interrupt if interrupt is None else interrupt
    port = open_port(address, baud=baud, clock=clock, interrupt=flag, fault=StreamError, daemon=True)
    return SerialStream(address, port, clock, flag)


class SerialStream:
    """`seams.Stream` over a raw port."""

    def __init__(self, address: str, port: Port, clock: SystemClock, interrupt: InterruptFlag) -> None:
        self._address, self._port, self._clock, self._interrupt = address, port, clock, interrupt
        self._chunks: deque[tuple[float, bytes]] = deque()
        self._held_bytes = 0
        self._dropped_chunks = 0
        self._failure: SeamError | None = None
        self._news = threading.Condition()
        self._closing = threading.Event()
        self._reader = threading.Thread(target=self._listen, name="noonmark-stream", daemon=True)
        self._reader.start()

    @property
    def address(self) -> str:
        return self._address

    @property
    def dropped_chunks(self) -> int:
        """Chunks thrown away, oldest first, because nobody read them in time."""
        return self._dropped_chunks

    def read(self, until: float) -> list[tuple[float, bytes]]:
        """As `seams.Stream.read`; also raises Interrupted, within 50 ms of a signal."""
        while True:
            self._interrupt.check()
            with self._news:
                if self._chunks:
                    chunks = list(self._chunks)
                    self._chunks.clear()
                    self._held_bytes = 0
                    return chunks
                if self._failure is not None:
                    raise self._failure
                remaining_s = until - self._clock.monotonic()
                if remaining_s <= 0:
                    return []
                self._news.wait(min(SLICE_S, remaining_s))

    def write(self, data: bytes) -> None:
        """Send bytes to a source that wants to be asked. Raises StreamError.

        Raises ForbiddenCommand for a `#`, without which no mount obeys: an address may be mistaken.
        """
        if b"#" in data:
            raise ForbiddenCommand(data, "a receiver is never sent the end mark of a mount's command")
        self._interrupt.check()
        self._port.put(data, self._clock.monotonic() + _WRITE_S)

    def close(self) -> None:
        """Stop listening, let go of the line."""
        self._closing.set()
        self._reader.join()
        with self._news:
            if self._failure is None:
                self._failure = StreamError(f"{escaped(self._address)} has been closed", code="port-closed")
        self._port.close()

    def _listen(self) -> None:
        try:
            while not self._closing.is_set():
                if self._port.wait(SLICE_S) and (chunk := self._port.take()):
                    self._keep(self._clock.monotonic(), chunk)  # every byte of it had come by then
        except SeamError as error:
            self._fail(error)
        except Exception as error:  # a fault of ours: without this the line would seem silent for ever
            self._fail(StreamError(f"{escaped(self._address)}: reading failed: {escaped(repr(error))}"))

    def _fail(self, error: SeamError) -> None:
        with self._news:
            self._failure = error
            self._news.notify_all()

    def _keep(self, instant: float, chunk: bytes) -> None:
        with self._news:
            self._chunks.append((instant, chunk))
            self._held_bytes += len(chunk)
            while len(self._chunks) > CHUNKS_KEPT or self._held_bytes > BYTES_KEPT:
                self._held_bytes -= len(self._chunks.popleft()[1])
                self._dropped_chunks += 1
            self._news.notify_all()
