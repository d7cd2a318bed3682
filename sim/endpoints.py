"""Where a served device can be reached: a pseudo-terminal or a TCP port, as bytes in and out of this process.

An endpoint can vanish, as an unplugged adapter does, and come back under the same name.
"""

from __future__ import annotations

import contextlib
import errno
import os
import select
import socket
import tty
from pathlib import Path
from typing import Protocol

READ_BYTES = 4096


class EndpointError(Exception):
    """An endpoint can't be made: the message names it and the remedy."""


class Endpoint(Protocol):
    """One client at a time; bytes that nobody takes are lost, as on a line."""

    @property
    def address(self) -> str:
        """As a program opens it."""
        ...

    def descriptors(self) -> list[int]:
        """What to watch for input now."""
        ...

    @property
    def connected(self) -> bool:
        """Whether a client has it open."""
        ...

    def read(self) -> bytes:
        """What the client sent, b"" if nothing."""
        ...

    def write(self, data: bytes) -> None: ...

    def vanish(self) -> None: ...

    def reappear(self) -> None: ...

    def close(self) -> None: ...


class PseudoTerminal:
    """A raw pseudo-terminal; `link`: a symbolic link to it that keeps its name."""

    def __init__(self, link: Path | None = None) -> None:
        self._link = link
        self._master = -1
        self._name = ""
        self.reappear()

    @property
    def address(self) -> str:
        return self._name

    def descriptors(self) -> list[int]:
        return [self._master] if self.connected else []

    @property
    def connected(self) -> bool:
        if self._master < 0:
            return False
        poll = select.poll()
        poll.register(self._master, select.POLLIN)
        return not any(event & select.POLLHUP for _, event in poll.poll(0))

    def read(self) -> bytes:
        try:
            return os.read(self._master, READ_BYTES)
        except (BlockingIOError, OSError):  # nothing there, or nobody has it open (EIO)
            return b""

    def write(self, data: bytes) -> None:
        with contextlib.suppress(BlockingIOError, OSError):
            os.write(self._master, data)

    def vanish(self) -> None:
        if self._master >= 0:
            os.close(self._master)
            self._master = -1

    def reappear(self) -> None:
        self._master, slave = os.openpty()
        tty.setraw(slave)
        self._name = os.ttyname(slave)
        os.chmod(self._name, 0o666)  # noqa: PTH101 - daemons that drop their privileges must be able to open it
        os.close(slave)  # or we would be one more program that has the port open
        os.set_blocking(self._master, False)
        if self._link is not None:
            self._point_link(self._link)

    def _point_link(self, link: Path) -> None:
        if link.exists() and not link.is_symlink():
            raise EndpointError(f"{link} exists and is no symbolic link; give another path to --link")
        beside = link.with_name(f".{link.name}.{os.getpid()}")
        try:
            beside.unlink(missing_ok=True)
            beside.symlink_to(self._name)
            beside.replace(link)
        except OSError as error:
            raise EndpointError(f"{link} can't be made: {error.strerror}; give a folder that can be written") from None

    def close(self) -> None:
        self.vanish()
        if self._link is not None and self._link.is_symlink() and os.readlink(self._link) == self._name:  # noqa: PTH115
            self._link.unlink()


class TcpPort:
    """A TCP port on the loopback interface; port 0 takes any free one. A second client is turned away."""

    def __init__(self, port: int) -> None:
        self._port = port
        self._server: socket.socket | None = None
        self._client: socket.socket | None = None
        self.reappear()

    @property
    def address(self) -> str:
        return f"socket://127.0.0.1:{self._port}"

    def descriptors(self) -> list[int]:
        return [one.fileno() for one in (self._server, self._client) if one is not None]

    @property
    def connected(self) -> bool:
        return self._client is not None

    def read(self) -> bytes:
        data = b"" if self._client is None else self._receive(self._client)
        self._accept()  # after the reading: a client that is gone makes room for the next one
        return data

    def _receive(self, client: socket.socket) -> bytes:
        try:
            data = client.recv(READ_BYTES)
        except BlockingIOError:
            return b""
        except OSError:
            data = b""
        if not data:
            client.close()
            self._client = None
        return data

    def _accept(self) -> None:
        if self._server is None:
            return
        try:
            arrived, _ = self._server.accept()
        except OSError:
            return
        if self._client is not None:
            arrived.close()
            return
        arrived.setblocking(False)
        arrived.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._client = arrived

    def write(self, data: bytes) -> None:
        if self._client is not None:
            with contextlib.suppress(OSError):
                self._client.send(data)

    def vanish(self) -> None:
        for one in (self._client, self._server):
            if one is not None:
                one.close()
        self._client = self._server = None

    def reappear(self) -> None:
        try:
            self._server = socket.create_server(("127.0.0.1", self._port))
        except OSError as error:
            why = "is in use" if error.errno == errno.EADDRINUSE else f"can't be used: {error.strerror}"
            raise EndpointError(f"TCP port {self._port} {why}; give another one, or 0 for any") from None
        self._server.setblocking(False)
        self._port = self._server.getsockname()[1]

    def close(self) -> None:
        self.vanish()
