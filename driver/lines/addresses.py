"""Where a line is: a device file, a TCP serial bridge, or a daemon's TCP port."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal
from urllib.parse import urlsplit

from noonmark.driver.escaping import escape
from noonmark.protocols.seams import SeamError

FORMS = "/dev/..., socket://host:port or rfc2217://host:port"
STREAM_FORMS = "/dev/..., socket://host:port, rfc2217://host:port, or host:port of a GNSS daemon"

# what an RFC 2217 address may carry after a `?`: workarounds for bridges that implement it in part
_RFC2217_OPTIONS = re.compile(r"(?:(?:ign_set_control|poll_modem|timeout=\d{1,2})(?:&|$))*")
_PLAIN = re.compile(r"(?P<host>\[[0-9A-Fa-f:.%]+\]|[^\s\[\]/:@?#]+):(?P<port>\d{1,5})")


@dataclass(frozen=True, slots=True)
class DeviceAddress:
    """A serial port by its device file, or a link to it."""

    path: str


@dataclass(frozen=True, slots=True)
class NetworkAddress:
    """A TCP port. `scheme` "tcp" is a daemon that serves many; the others are bridges to one serial line."""

    scheme: Literal["socket", "rfc2217", "tcp"]
    host: str
    port: int
    options: str = ""


def escaped(text: str, limit: int = 200) -> str:
    """`text` as `escape` shows it, at most `limit` characters: an address is longer than what a mount says."""
    return escape(text, limit)


def parse_address(address: str, *, fault: type[SeamError], daemon: bool = False) -> DeviceAddress | NetworkAddress:
    """The address as a value. `daemon`: a bare host:port is one too.

    Raises `fault` with the code "address-invalid"; nothing has been opened then.
    """
    forms = STREAM_FORMS if daemon else FORMS

    def wrong(why: str) -> SeamError:
        return fault(f"{escaped(address)}: {why}", code="address-invalid", remedy=f"Write {forms}.")

    if "\0" in address:
        raise wrong("an address has no zero bytes")
    if address.startswith("/"):
        return DeviceAddress(address)
    if daemon and (match := _PLAIN.fullmatch(address)):
        return _network("tcp", match["host"].strip("[]"), int(match["port"]), "", wrong)
    scheme = address.partition("://")[0].lower()
    if "://" not in address or scheme not in ("socket", "rfc2217"):
        raise wrong("not the address of a line")
    try:
        parts = urlsplit(address)
        host, port = parts.hostname, parts.port
    except ValueError as error:
        raise wrong(escaped(str(error))) from None
    beyond = parts.username is not None or parts.path not in ("", "/") or parts.fragment
    if not host or port is None or beyond:
        raise wrong("a host and a port are needed, and nothing after them")
    if scheme == "socket" and parts.query:
        raise wrong("socket:// takes no options")
    if not _RFC2217_OPTIONS.fullmatch(parts.query):
        raise wrong("the options are ign_set_control, poll_modem and timeout=SECONDS")
    return _network("rfc2217" if scheme == "rfc2217" else "socket", host, port, parts.query, wrong)


def _network(
    scheme: Literal["socket", "rfc2217", "tcp"],
    host: str,
    port: int,
    options: str,
    wrong: Callable[[str], SeamError],
) -> NetworkAddress:
    if not 1 <= port <= 65535:
        raise wrong("a port is a number from 1 to 65535")
    return NetworkAddress(scheme, host, port, options)
