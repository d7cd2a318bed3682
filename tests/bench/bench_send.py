"""How near to its instant the last byte of a timed command leaves, and what opening a line costs.

Run by hand: python tests/bench/bench_send.py [sends]. Figures are of this host, and of a pseudo-terminal and
the loopback: what an adapter, a bridge or a network adds is not in them.
"""

from __future__ import annotations

import contextlib
import os
import random
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from support.readers import Nothing, UpToHash

from noonmark.driver.clocks import SystemClock
from noonmark.driver.lines import locks
from noonmark.driver.links import open_link
from noonmark.driver.streams import open_stream
from noonmark.protocols.seams import Link

SET_TIME = b":SL21:05:30#"


def figures(name: str, values_s: list[float]) -> None:
    micro = sorted(1e6 * value for value in values_s)
    p95 = micro[int(0.95 * (len(micro) - 1))]
    print(f"{name:52} median {statistics.median(micro):8.1f}  95% {p95:8.1f}  worst {micro[-1]:8.1f} us")


def timed_sends(name: str, link: Link, sends: int) -> None:
    rng = random.Random(1)
    lateness, handing_over = [], []
    for _ in range(sends):
        wanted = time.monotonic() + 0.07 + rng.random() * 0.02
        got = link.exchange(SET_TIME, Nothing(), wanted + 1.0, last_byte_at=wanted)
        assert got.t_last_before is not None
        lateness.append(got.t_last_before - (wanted - link.byte_s))
        handing_over.append(got.t_written - got.t_last_before)
    figures(f"{name}: last byte begun after its instant", lateness)
    figures(f"{name}: last byte handed over", handing_over)


def round_trips(name: str, link: Link, questions: int) -> None:
    whole, first = [], []
    for _ in range(questions):
        got = link.exchange(b":GL#", UpToHash(), time.monotonic() + 1.0)
        assert got.t_first is not None
        whole.append(got.t_first - got.t_before)
        first.append(got.t_first - got.t_written)
    figures(f"{name}: question begun to first byte", whole)


@contextlib.contextmanager
def served(read: Callable[[int], bytes], write: Callable[[bytes], object]) -> Iterator[None]:
    """A mount that answers `:GL#` at once."""

    def serve() -> None:
        pending = b""
        with contextlib.suppress(OSError):
            while data := read(4096):
                pending += data
                while b"#" in pending:
                    command, _, pending = pending.partition(b"#")
                    if command.endswith(b":GL"):
                        write(b"21:05:30#")

    threading.Thread(target=serve, daemon=True).start()
    yield


def pty() -> tuple[int, str, int]:
    master, slave = os.openpty()
    tty.setraw(slave)
    return master, os.ttyname(slave), slave


def over_pty(sends: int, clock: SystemClock) -> None:
    master, path, _ = pty()
    with (
        served(lambda size: os.read(master, size), lambda data: os.write(master, data)),
        contextlib.closing(open_link(path, baud=9600, clock=clock)) as link,
    ):
        timed_sends("pseudo-terminal", link, sends)
        round_trips("pseudo-terminal", link, sends)
        receiver, receiver_path, _ = pty()
        stop = threading.Event()

        def chatter() -> None:
            while not stop.wait(0.001):
                os.write(receiver, b"$GPRMC,1\r\n")

        threading.Thread(target=chatter, daemon=True).start()
        with contextlib.closing(open_stream(receiver_path, baud=9600, clock=clock)):
            timed_sends("pseudo-terminal, receiver chattering", link, sends)
        stop.set()


def over_tcp(sends: int, clock: SystemClock) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        address = f"socket://127.0.0.1:{server.getsockname()[1]}"
        with contextlib.closing(open_link(address, baud=9600, clock=clock)) as link:
            connection = server.accept()[0]
            with served(connection.recv, connection.sendall):
                timed_sends("socket", link, sends)
                round_trips("socket", link, sends)


def opening(clock: SystemClock) -> None:
    _, path, _ = pty()
    took, scan = [], []
    for _ in range(20):
        start = time.perf_counter()
        open_link(path, baud=9600, clock=clock).close()
        took.append(time.perf_counter() - start)
        start = time.perf_counter()
        locks.holders(Path(path).stat())
        scan.append(time.perf_counter() - start)
    figures("opening and closing a pseudo-terminal", took)
    figures("of it, the search for holders", scan)
    program = (
        "import time; a = time.perf_counter(); import noonmark.driver.links; b = time.perf_counter(); "
        "import serial; print(b - a, time.perf_counter() - b)"
    )
    cold = [
        [float(part) for part in subprocess.check_output([sys.executable, "-c", program]).split()] for _ in range(7)
    ]
    figures("import noonmark.driver.links, cold", [row[0] for row in cold])
    figures("import serial after it, cold", [row[1] for row in cold])


def main() -> None:
    sends = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    clock = SystemClock()
    with tempfile.TemporaryDirectory() as folder:
        os.environ["XDG_RUNTIME_DIR"] = folder
        over_pty(sends, clock)
        over_tcp(sends, clock)
        opening(clock)


if __name__ == "__main__":
    main()
