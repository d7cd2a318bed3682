"""What a cold `noonmark check` costs: its CPU time beside that of an interpreter that only imports the libraries.

Run by hand: python tests/bench/bench_cold.py [runs]. CPU time is user and system together, of the whole process, the
median of several runs, taken in turn so that a busy machine is busy for both. The aim is a ratio of 1.5.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

AIM = 1.5
LIBRARIES = "import click, pydantic, serial, structlog, erfa"
CONFIG = """\
[site]
name = "Saltbush Ridge"
latitude_deg = -31.8571
longitude_deg = 141.6034
elevation_m = 212.0
timezone = "Australia/Broken_Hill"
[mount]
port = "sim:"
[[sources]]
kind = "host"
[[sources]]
kind = "nmea"
port = "sim:receiver"
[record]
folder = "{folder}"
"""


def cpu_s(command: list[str], folder: Path) -> float:
    """User and system seconds of one process, as the kernel counted them when it ended."""
    with (folder / "output").open("wb") as output:
        process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=output, stderr=subprocess.DEVNULL)
        _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode not in (0, 1):
        raise SystemExit(f"{command} ended with {process.returncode}")
    return used.ru_utime + used.ru_stime


def main(runs: int) -> None:
    """Print the figures."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        config = folder / "noonmark.toml"
        config.write_text(CONFIG.format(folder=folder / "records"), "utf-8")
        check = [sys.executable, "-m", "noonmark.driver", "check", "--config", str(config)]
        commands = {
            "bare interpreter": [sys.executable, "-c", "pass"],
            LIBRARIES: [sys.executable, "-c", LIBRARIES],
            "noonmark check --json, all simulated": [*check, "--json"],
            "noonmark check, with the table": check,
        }
        for command in commands.values():  # compiled once, and in the page cache
            cpu_s(command, folder)
        taken: dict[str, list[float]] = {what: [] for what in commands}
        for _ in range(runs):
            for what, command in commands.items():
                taken[what].append(cpu_s(command, folder))
    base_s = statistics.median(taken[LIBRARIES])
    for what, seconds in taken.items():
        middle = statistics.median(seconds)
        print(f"{what:52} {middle * 1000:5.0f} ms CPU ({min(seconds) * 1000:.0f} to {max(seconds) * 1000:.0f})", end="")
        print(f"   {middle / base_s:.2f} of the libraries alone")
    ratio = statistics.median(taken["noonmark check --json, all simulated"]) / base_s
    print(f"ratio {ratio:.2f}, the aim is {AIM}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 7)
