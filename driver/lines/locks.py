"""One program at a time on a line: take it, and name who has it when that fails.

A device file is locked twice, because each way stops other openers: flock(2) those that lock too, TIOCEXCL
everyone but root. Neither sees a program that opened the device earlier and locks nothing: the open files
of all processes are searched for that. A bridge on the network knows no lock; there a file in the user's
runtime folder keeps the sessions of one user apart, and no others.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import re
import stat
import termios
import warnings
from dataclasses import dataclass
from pathlib import Path

from noonmark.driver.lines.addresses import escaped
from noonmark.protocols.seams import SeamError

_PROC = Path("/proc")
_PTY_MAJORS = range(136, 144)  # Documentation/admin-guide/devices.txt: Unix98 pseudo-terminal slaves


@dataclass(frozen=True, slots=True)
class Holder:
    """A process that has the device open. `program` is escaped."""

    pid: int
    program: str


def holders(device: os.stat_result) -> list[Holder]:
    """Processes that have this character device open, by what /proc shows to this user.

    Other users' open files are only visible to root. The program that serves a pseudo-terminal from its
    other end may keep this end open as well: it is the device, not a rival, and is left out.
    """
    found = []
    for process in sorted(_numbered(_PROC), key=lambda path: int(path.name)):
        handles = _numbered(process / "fd")
        if any(_is_device(handle, device.st_rdev) for handle in handles) and not _serves(process, device):
            found.append(Holder(int(process.name), _program(process)))
    return found


def lockers(device: os.stat_result) -> list[Holder]:
    """Processes that hold a flock on this file, by /proc/locks, which shows other users' too."""
    file = f"{os.major(device.st_dev):02x}:{os.minor(device.st_dev):02x}:{device.st_ino}"
    pattern = re.compile(rf"^\d+: FLOCK +ADVISORY +WRITE (\d+) {file} ", re.MULTILINE)
    with contextlib.suppress(OSError):
        text = (_PROC / "locks").read_text("ascii", "replace")
        return [Holder(int(pid), _program(_PROC / pid)) for pid in pattern.findall(text)]
    return []


def named(found: list[Holder]) -> str:
    """The holders in words, for a message."""
    if not found:
        return "a program that this user may not see"
    own = os.getpid()
    return ", ".join(
        "this program itself" if one.pid == own else f"process {one.pid} ({one.program})" for one in found[:5]
    )


def exclude_others(fd: int) -> None:
    """TIOCEXCL: no further open(2) of this terminal succeeds, root's apart."""
    fcntl.ioctl(fd, termios.TIOCEXCL)


def admit_others(fd: int) -> None:
    """Undo `exclude_others`. A pseudo-terminal would stay closed to all while its other end lives."""
    with contextlib.suppress(OSError):
        fcntl.ioctl(fd, termios.TIOCNXCL)


def lock_bridge(host: str, port: int, *, fault: type[SeamError]) -> int:
    """Lock host:port against this user's other sessions; the descriptor holds the lock until it is closed.

    Raises `fault`: "port-busy" naming the holder, or "lock-not-writable" naming the file.
    """
    where = f"{host.lower()}:{port}"
    path = Path()
    try:
        path = _runtime_folder() / f"line-{re.sub(r'[^0-9a-z.-]', '_', where)[:120]}.lock"
        fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o600)
    except OSError as error:
        raise fault(
            f"the lock file for {escaped(where)} can't be written: {escaped(str(error))}",
            code="lock-not-writable",
            remedy="Set XDG_RUNTIME_DIR to a folder of this user (in a unit: RuntimeDirectory=).",
        ) from None
    try:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        who = named(lockers(os.fstat(fd)))
        os.close(fd)
        raise fault(
            f"{escaped(where)} is in use by {who}",
            code="port-busy",
            remedy="Stop that program, or wait until it lets go of the line.",
        ) from None
    return fd


def _runtime_folder() -> Path:
    import platformdirs  # costs milliseconds, and only bridges need it

    with warnings.catch_warnings():  # it warns where no session set XDG_RUNTIME_DIR: usual in a unit
        warnings.simplefilter("ignore")
        return platformdirs.user_runtime_path("noonmark", ensure_exists=True)


def _numbered(folder: Path) -> list[Path]:
    """The entries of a /proc folder whose names are numbers; none where it may not be read or is gone."""
    try:
        return [entry for entry in folder.iterdir() if entry.name.isdecimal()]
    except OSError:
        return []


def _is_device(handle: Path, rdev: int) -> bool:
    """Whether an open file is that device. Only what lies under a /dev is asked: a stat(2) elsewhere may
    block on a file server that is gone."""
    try:
        if "/dev/" not in str(handle.readlink()):
            return False
        status = handle.stat()
    except OSError:
        return False
    return stat.S_ISCHR(status.st_mode) and status.st_rdev == rdev


def _serves(process: Path, device: os.stat_result) -> bool:
    """Whether the process has the master of this pseudo-terminal open (proc(5), fdinfo: tty-index)."""
    major = os.major(device.st_rdev)
    if major not in _PTY_MAJORS:
        return False
    index = (major - _PTY_MAJORS.start) * 256 + os.minor(device.st_rdev)
    for entry in _numbered(process / "fdinfo"):
        with contextlib.suppress(OSError):
            if re.search(rf"^tty-index:\s+{index}$", entry.read_text("ascii", "replace"), re.MULTILINE):
                return True
    return False


def _program(process: Path) -> str:
    try:
        return escaped((process / "comm").read_bytes().rstrip(b"\n").decode("utf-8", "replace"), 40)
    except OSError:
        return "gone"
