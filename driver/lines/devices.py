"""Serial ports as device files: open one for ourselves alone, or say what stands in the way."""

from __future__ import annotations

import contextlib
import errno
import grp
import os
import stat
import termios
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from noonmark.driver.lines.addresses import escaped
from noonmark.driver.lines.locks import admit_others, exclude_others, holders, lockers, named
from noonmark.protocols.seams import SeamError

if TYPE_CHECKING:
    import serial

_BY_ID = Path("/dev/serial/by-id")
_LISTED = 12  # so many ports are named in a message


def open_device(path: str, baud: int, fault: type[SeamError]) -> tuple[serial.SerialBase, Callable[[], None]]:
    """The port, opened once and locked, with what it takes to let go of it.

    Opening raises DTR, as Linux does; the line is left alone after that. Raises `fault`, see `open_port`.
    """
    status = _look_at(path, fault)
    if found := holders(status):
        raise _busy(path, named(found), fault)
    port = _open_serial(path, baud, status, fault)
    try:
        exclude_others(port.fileno())
    except (OSError, termios.error) as error:
        port.close()
        raise fault(f"{escaped(path)} can't be locked: {escaped(str(error))}", code="port-unusable") from None

    def release() -> None:
        admit_others(port.fileno())
        with contextlib.suppress(OSError):  # what was unplugged may refuse even this
            port.close()

    return port, release


def ports_present() -> list[str]:
    """Serial ports of this machine, the names that survive replugging first."""
    try:
        stable = sorted(str(link) for link in _BY_ID.iterdir())
    except OSError:
        stable = []
    from serial.tools import list_ports  # costs milliseconds, and only errors need it

    meant = {str(Path(link).resolve()) for link in stable}
    return stable + sorted(port.device for port in list_ports.comports() if port.device not in meant)


def adapter_latency_ms(path: str, sysfs: Path = Path("/sys")) -> int | None:
    """How long a USB adapter holds received bytes back, milliseconds; None where sysfs does not show it."""
    try:
        name = Path(path).resolve().name
        return int((sysfs / "class" / "tty" / name / "device" / "latency_timer").read_text("ascii"))
    except (OSError, ValueError):
        return None


def _look_at(path: str, fault: type[SeamError]) -> os.stat_result:
    try:
        status = Path(path).stat()
    except PermissionError:
        raise _not_permitted(path, None, fault) from None
    except OSError:
        raise _absent(path, "there is no such port", fault) from None
    if not stat.S_ISCHR(status.st_mode) or _is_no_terminal(status):
        raise fault(
            f"{escaped(path)} is not a serial port, nor a link to one",
            code="address-invalid",
            remedy=_present(),
        )
    return status


def _is_no_terminal(status: os.stat_result) -> bool:
    """Whether sysfs shows another kind of device behind it, told without opening it; False if it shows none."""
    number = f"{os.major(status.st_rdev)}:{os.minor(status.st_rdev)}"
    try:
        return (Path("/sys/dev/char") / number / "subsystem").readlink().name != "tty"
    except OSError:
        return False


def _open_serial(path: str, baud: int, status: os.stat_result, fault: type[SeamError]) -> serial.SerialBase:
    import serial

    try:
        return serial.serial_for_url(path, baudrate=baud, timeout=0, exclusive=True)
    except (ValueError, OverflowError) as error:  # no SerialException: that one is an OSError
        raise _baud(path, baud, error, fault) from None
    except (OSError, termios.error) as error:
        number = _errno(error)
    if number in (errno.EACCES, errno.EPERM):
        raise _not_permitted(path, status, fault)
    if number in (errno.EBUSY, errno.EAGAIN):
        raise _busy(path, named(lockers(status)), fault)
    if number == errno.EINVAL:
        raise _baud(path, baud, os.strerror(number), fault)
    if number == errno.ENOTTY:
        raise fault(f"{escaped(path)} is not a serial port", code="address-invalid", remedy=_present())
    if number in (errno.EIO, errno.ENXIO, errno.ENODEV, errno.ENOENT):
        raise _absent(path, f"no hardware answers behind it ({os.strerror(number)})", fault)
    raise fault(f"{escaped(path)} can't be opened: {os.strerror(number)}", code="port-unusable")


def _errno(error: BaseException) -> int:
    """The system's number for what went wrong. pyserial drops it where termios told it."""
    for one in (error, error.__context__):
        if isinstance(one, OSError) and one.errno:
            return one.errno
        if isinstance(one, termios.error) and one.args:
            return int(one.args[0])
    return errno.EIO


def _busy(path: str, who: str, fault: type[SeamError]) -> SeamError:
    return fault(
        f"{escaped(path)} is in use by {who}",
        code="port-busy",
        remedy="Stop that program, or wait until it lets go of the port. Root sees other users' with fuser(1).",
    )


def _absent(path: str, why: str, fault: type[SeamError]) -> SeamError:
    return fault(f"{escaped(path)}: {why}", code="port-absent", remedy=_present())


def _present() -> str:
    found = ports_present()
    if not found:
        return "No serial port is present: is the adapter plugged in?"
    more = f", and {len(found) - _LISTED} more" if len(found) > _LISTED else ""
    return "Ports present: " + ", ".join(escaped(name) for name in found[:_LISTED]) + more + "."


def _baud(path: str, baud: int, why: object, fault: type[SeamError]) -> SeamError:
    return fault(
        f"{escaped(path)} can't run at {baud} baud: {escaped(str(why))}",
        code="baud-invalid",
        remedy="9600 is usual.",
    )


def _not_permitted(path: str, status: os.stat_result | None, fault: type[SeamError]) -> SeamError:
    remedy = "Give this user the right to read and write the device file."
    if status is not None and status.st_mode & 0o060 == 0o060:
        try:
            group = grp.getgrgid(status.st_gid).gr_name
        except KeyError:
            group = str(status.st_gid)
        remedy = (
            f"The group {escaped(group)} may use it: add this user to the group "
            f"(usermod -aG {escaped(group)} USER), and log in again."
        )
    return fault(f"{escaped(path)} may not be opened by this user", code="port-not-permitted", remedy=remedy)
