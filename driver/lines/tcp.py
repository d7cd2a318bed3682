"""A TCP connection within a time limit, given up at once when a signal comes.

The resolver of the C library can't be told to stop: it runs in a thread of its own that is left behind.
"""

from __future__ import annotations

import contextlib
import errno
import os
import queue
import select
import socket
import threading

from noonmark.driver.clocks import SystemClock
from noonmark.driver.interrupts import SLICE_S, InterruptFlag
from noonmark.driver.lines.addresses import NetworkAddress, escaped
from noonmark.protocols.seams import SeamError

RESOLVE_S = 5.0
CONNECT_S = 5.0  # for all addresses of a name together

Endpoint = tuple[socket.AddressFamily, tuple[str, int]]


def resolve(
    address: NetworkAddress, clock: SystemClock, interrupt: InterruptFlag, fault: type[SeamError]
) -> list[Endpoint]:
    """The numeric addresses of a host, best first. Raises `fault` ("port-unreachable") or Interrupted."""
    answers: queue.SimpleQueue[list[Endpoint] | OSError] = queue.SimpleQueue()

    def ask() -> None:
        try:
            found = socket.getaddrinfo(address.host, address.port, type=socket.SOCK_STREAM)
            answers.put([(row[0], (str(row[4][0]), int(row[4][1]))) for row in found])
        except (OSError, UnicodeError) as error:
            answers.put(error if isinstance(error, OSError) else OSError(str(error)))

    threading.Thread(target=ask, name="noonmark-resolve", daemon=True).start()
    limit = clock.monotonic() + RESOLVE_S
    while (remaining_s := limit - clock.monotonic()) > 0:
        interrupt.check()
        with contextlib.suppress(queue.Empty):
            answer = answers.get(timeout=min(SLICE_S, remaining_s))
            if isinstance(answer, OSError):
                raise unreachable(address, f"its name can't be resolved ({answer.strerror or answer})", fault)
            return answer
    raise unreachable(address, f"its name was not resolved within {RESOLVE_S:.0f} s", fault)


def connect(
    endpoints: list[Endpoint],
    address: NetworkAddress,
    clock: SystemClock,
    interrupt: InterruptFlag,
    fault: type[SeamError],
) -> socket.socket:
    """A connected, non-blocking socket that sends each byte at once.

    Raises `fault` ("port-unreachable") naming the last reason, or Interrupted.
    """
    limit = clock.monotonic() + CONNECT_S
    why = "it has no address"
    for family, endpoint in endpoints:
        line = socket.socket(family, socket.SOCK_STREAM)
        try:
            number = _attempt(line, endpoint, clock, interrupt, limit)
            if number == 0:
                # Without this the last byte of a timed send would wait for the others to be acknowledged.
                line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                return line
            why = os.strerror(number)
        except BaseException:
            line.close()
            raise
        line.close()
    raise unreachable(address, why, fault)


def _attempt(
    line: socket.socket,
    endpoint: tuple[str, int],
    clock: SystemClock,
    interrupt: InterruptFlag,
    limit: float,
) -> int:
    """Connect; the errno that came of it, 0 for success."""
    line.setblocking(False)
    number = line.connect_ex(endpoint)
    if number != errno.EINPROGRESS:
        return number
    poll = select.poll()
    poll.register(line, select.POLLOUT)
    while (remaining_s := limit - clock.monotonic()) > 0:
        interrupt.check()
        if poll.poll(min(SLICE_S, remaining_s) * 1000):
            return line.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
    return errno.ETIMEDOUT


def unreachable(address: NetworkAddress, why: str, fault: type[SeamError]) -> SeamError:
    """The error for a host and port that gave no connection."""
    return fault(
        f"{escaped(address.host)}:{address.port} can't be reached: {escaped(why)}",
        code="port-unreachable",
        remedy="Check the address, and that the bridge or daemon runs and serves this host.",
    )
