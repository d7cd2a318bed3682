"""Commands out of the bytes that reach a mount, joined or split as they may be: `:` + letters + argument + `#`.

A `:` inside a command belongs to it (times of day bear some), so that half a command swallows the next one: as
on real mounts. What stands before a `:` is passed over. A lone `#` with nothing before it is told apart, because
it could complete another program's half-sent command.
"""

from __future__ import annotations

COMMAND_CAP = 64  # bytes between `:` and `#`; a longer run is thrown away up to its end mark

LONE_MARK = b"#"


class CommandFramer:
    """Incremental: cutting the input anywhere never changes what comes out."""

    def __init__(self) -> None:
        self._held: bytearray | None = None  # None: outside a command
        self._overflowed = False
        self._noise = False  # bytes came since the last command that belong to none

    def feed(self, data: bytes) -> list[tuple[int, bytes]]:
        """(index in `data` of its end mark, command without `:` and `#`) of each that is complete now.

        A lone `#` comes as LONE_MARK; a command with nothing in it as b"".
        """
        last = len(data) - 1
        if self._held is None and data[:1] == b":" and data.find(b"#") == last and last <= COMMAND_CAP:
            self._noise = False
            return [(last, data[1:-1])]  # the usual case: one whole command
        found: list[tuple[int, bytes]] = []
        for index, byte in enumerate(data):
            if self._held is None:
                self._outside(byte, index, found)
            elif byte == 0x23:
                if not self._overflowed:
                    found.append((index, bytes(self._held)))
                self._held, self._overflowed = None, False
            elif len(self._held) < COMMAND_CAP:
                self._held.append(byte)
            else:
                self._overflowed = True
        return found

    def _outside(self, byte: int, index: int, found: list[tuple[int, bytes]]) -> None:
        if byte == 0x3A:
            self._held, self._noise = bytearray(), False
        elif byte == 0x23:
            if not self._noise:
                found.append((index, LONE_MARK))
            self._noise = False
        else:
            self._noise = True

    def reset(self) -> None:
        """Forget what was half received, as at power-up."""
        self._held, self._overflowed, self._noise = None, False, False
