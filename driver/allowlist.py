"""The allow-list: what may leave a link to a mount. Everything else is refused, whoever asks.

No command here can move the mount, sync it or park it, and there is never a lone `#`: it can complete
another program's half-sent command. The set is common practice of the trade, from memory; no published
source exists. Reads are listed byte for byte; settings must match their argument's grammar to the last byte.
"""

from __future__ import annotations

import re

from noonmark.protocols.seams import Exchange, Link, ReplyReader

READS = frozenset(
    b":" + letters + b"#"
    for letters in b"GC GL GG Gg Gt GS GR GD GA GZ GVP GVN D GW Gc".split()
)  # fmt: skip
TOGGLE = b":U#"

_MINUTES = rb"[0-5][0-9]"
_MARK = rb"[*\xdf]"
_REST = rb"(?:[:']" + _MINUTES + rb")?"  # seconds of arc
_MONTH, _DAY = rb"(?:0[1-9]|1[0-2])", rb"(?:0[1-9]|[12][0-9]|3[01])"

# one row per setting: MM/DD or DD/MM and a year of 2 or 4 digits; HH:MM:SS; sHH, sHH.H or sHH:MM;
# DDD*MM with a sign or without; sDD*MM; the coordinates with seconds or without
SETTINGS: dict[str, re.Pattern[bytes]] = {
    "date": re.compile(
        rb":SC(?:" + _MONTH + rb"/" + _DAY + rb"|" + _DAY + rb"/" + _MONTH + rb")/(?:[0-9]{2}|[0-9]{4})#"
    ),
    "time": re.compile(rb":SL(?:[01][0-9]|2[0-3]):" + _MINUTES + rb":" + _MINUTES + rb"#"),
    "offset": re.compile(rb":SG[+-](?:[01][0-9]|2[0-4])(?:\.[0-9]|:" + _MINUTES + rb")?#"),
    "longitude": re.compile(
        rb":Sg[+-]?(?:(?:[0-2][0-9][0-9]|3[0-5][0-9])" + _MARK + _MINUTES + _REST
        + rb"|360" + _MARK + rb"00(?:[:']00)?)#"
    ),
    "latitude": re.compile(
        rb":St[+-](?:[0-8][0-9]" + _MARK + _MINUTES + _REST + rb"|90" + _MARK + rb"00(?:[:']00)?)#"
    ),
}  # fmt: skip


class ForbiddenCommand(ValueError):
    """These bytes may not be sent to a mount. A fault of the program, never of the mount or the line."""

    code = "command-forbidden"

    def __init__(self, request: object, allowed: str) -> None:
        shown = repr(request[:40] if isinstance(request, bytes) else request)[:80]
        super().__init__(f"{shown} may not be sent to a mount: {allowed}")


def permit(request: bytes) -> None:
    """Return if these bytes are exactly one read, one well-formed setting or the format toggle.

    Raises ForbiddenCommand for anything else, a mutable buffer included.
    """
    if type(request) is bytes:
        if request in READS or request == TOGGLE:
            return
        if any(pattern.fullmatch(request) for pattern in SETTINGS.values()):
            return
    raise ForbiddenCommand(request, "only reads, well-formed settings and the format toggle are allowed")


def permit_reads(request: bytes) -> None:
    """Return if these bytes are exactly one read, which changes nothing. Raises ForbiddenCommand."""
    if type(request) is not bytes or request not in READS:
        raise ForbiddenCommand(request, "this line was opened for reading settings only")


class GuardedLink:
    """A link that only lets through what the allow-list permits. Its inner link is out of public reach.

    `reads_only`: not even settings and the toggle pass, which is all that `check` ever needs.
    """

    __slots__ = ("__link", "__permit")

    def __init__(self, link: Link, *, reads_only: bool = False) -> None:
        self.__link = link
        self.__permit = permit_reads if reads_only else permit

    @property
    def address(self) -> str:
        return self.__link.address

    @property
    def byte_s(self) -> float:
        return self.__link.byte_s

    def exchange(
        self, request: bytes, reader: ReplyReader, deadline: float, *, last_byte_at: float | None = None
    ) -> Exchange:
        """As `Link.exchange`; raises ForbiddenCommand before a single byte is sent."""
        self.__permit(request)
        return self.__link.exchange(request, reader, deadline, last_byte_at=last_byte_at)

    def silence(self, quiet_s: float, deadline: float) -> bytes:
        return self.__link.silence(quiet_s, deadline)

    def close(self) -> None:
        self.__link.close()
