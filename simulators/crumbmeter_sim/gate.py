"""Gates: where masters come in. A TCP port or a pseudo-terminal that can be opened, closed, and left unattended."""

import asyncio
import os
import socket
import termios
import tty
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

from crumbmeter_sim.channel import Channel

Visitor = Callable[[Channel], None]
_BACKLOG = 64


class Gate(Protocol):
    """A way in. All of it happens at once; nothing is awaited."""

    on_visitor: Visitor

    @property
    def is_open(self) -> bool:
        """Whether masters find it open."""
        ...

    @property
    def port(self) -> int:
        """TCP port; 0 where there is none (yet)."""
        ...

    @property
    def address(self) -> str:
        """What a master is to be told: `host:port`, or a path."""
        ...

    def open(self) -> None:
        """Let masters in."""
        ...

    def close(self) -> None:
        """Close it: masters are refused (TCP), the terminal is gone (serial). Channels already made stay."""
        ...

    def ignore(self) -> None:
        """Stay open and let nobody in: the kernel shakes hands, nobody answers."""
        ...

    def attend(self) -> None:
        """End `ignore`."""
        ...


class TcpGate:
    """A listening TCP port. Port 0 takes any free one, and keeps it from then on."""

    def __init__(self, host: str, port: int, on_visitor: Visitor = lambda _: None) -> None:
        self.host = host
        self.port = port
        self.on_visitor = on_visitor
        self._socket: socket.socket | None = None
        self._ignoring = False

    @property
    def is_open(self) -> bool:
        """Whether masters find it open."""
        return self._socket is not None

    @property
    def address(self) -> str:
        """What a master is to be told."""
        return f"{self.host}:{self.port}"

    def open(self) -> None:
        """Let masters in."""
        if self._socket is not None:
            return
        family = socket.AF_INET6 if ":" in self.host else socket.AF_INET
        sock = socket.socket(family, socket.SOCK_STREAM)
        try:
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            sock.setblocking(False)
            sock.bind((self.host, self.port))
            sock.listen(_BACKLOG)
        except OSError as error:
            sock.close()
            raise OSError(error.errno, f"cannot listen on {self.address}: {error.strerror}") from error
        self.port = sock.getsockname()[1]
        self._socket = sock
        if not self._ignoring:
            asyncio.get_running_loop().add_reader(sock.fileno(), self._accept)

    def close(self) -> None:
        """Refuse masters."""
        sock, self._socket = self._socket, None
        if sock is not None:
            asyncio.get_running_loop().remove_reader(sock.fileno())
            sock.close()

    def ignore(self) -> None:
        """Let connections pile up unanswered."""
        self._ignoring = True
        if self._socket is not None:
            asyncio.get_running_loop().remove_reader(self._socket.fileno())

    def attend(self) -> None:
        """Answer again, those who have waited first."""
        self._ignoring = False
        if self._socket is not None:
            asyncio.get_running_loop().add_reader(self._socket.fileno(), self._accept)

    def _accept(self) -> None:
        assert self._socket is not None  # noqa: S101 - the reader is removed before the socket is
        try:
            sock, _ = self._socket.accept()
        except OSError:  # the master has gone again
            return
        self.on_visitor(Channel(sock))


class PtyGate:
    """One end of a pseudo-terminal pair in raw mode; a symbolic link is where masters look for the other end.

    Closed and opened again it is another terminal under the same link, as a serial converter that was pulled out.
    """

    port = 0

    def __init__(self, link: Path, on_visitor: Visitor = lambda _: None) -> None:
        self.link = link
        self.on_visitor = on_visitor
        self._far: int | None = None
        self._channel: Channel | None = None

    @property
    def is_open(self) -> bool:
        """Whether the terminal is there."""
        return self._far is not None

    @property
    def address(self) -> str:
        """What a master is to be told."""
        return str(self.link)

    def open(self) -> None:
        """Make the pair and the link, and meet the one visitor that a serial line has."""
        if self._far is not None:
            return
        near, self._far = os.openpty()  # the far end stays open here, so that masters may come and go
        for end in (near, self._far):
            tty.setraw(end, termios.TCSANOW)
        self.link.parent.mkdir(parents=True, exist_ok=True)
        self.link.unlink(missing_ok=True)
        self.link.symlink_to(os.ttyname(self._far))
        self._channel = Channel(near)
        self.on_visitor(self._channel)

    def close(self) -> None:
        """Pull it out: a master that has it open reads its end."""
        far, self._far = self._far, None
        if far is None:
            return
        self.link.unlink(missing_ok=True)
        if self._channel is not None:
            self._channel.close()
        os.close(far)

    def ignore(self) -> None:
        """Do nothing: a serial line has no hand to shake. Use a black hole."""

    def attend(self) -> None:
        """Do nothing."""
