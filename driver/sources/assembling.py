"""Bytes of a receiver's line to epochs: by its sentences, or by the GNSS daemon's reports."""

from __future__ import annotations

from typing import Literal, Protocol

from noonmark.protocols.epochs import Epoch

ReceiverKind = Literal["nmea", "gpsd"]


class Assembler(Protocol):
    """`noonmark.protocols.nmea.EpochAssembler`, and `noonmark.protocols.gpsd.TpvAssembler` for the daemon."""

    def feed(self, chunk: bytes, instant: float | None = None) -> list[Epoch]:
        """The epochs that these bytes complete. `instant`: monotonic, when they had come; None in a recording."""
        ...

    def flush_older_than(self, instant: float) -> list[Epoch]:
        """The epoch that has waited since before this monotonic instant for more to come, if there is one."""
        ...

    def finish(self) -> list[Epoch]:
        """Nothing more comes: what was left open."""
        ...


def assembler_for(kind: ReceiverKind) -> Assembler:
    """The assembler for NMEA sentences or the GNSS daemon's reports; only the one that is wanted is loaded."""
    if kind == "gpsd":
        from noonmark.protocols.gpsd import TpvAssembler

        return TpvAssembler()
    from noonmark.protocols.nmea import EpochAssembler

    return EpochAssembler()
