"""A channel: one socket or pseudo-terminal, read and written without waiting, without a task of its own.

Both are a file number to the event loop; what differs is how they end: a socket can be closed (FIN) or reset (RST).
"""

import asyncio
import errno
import os
import socket
import struct
from collections.abc import Callable

_READ_BYTES = 65536
_LINGER_NONE = struct.pack("ii", 1, 0)


class Channel:
    """Bytes both ways. `on_data(bytes)` for each piece that comes; `on_end()` once, when the peer has gone."""

    def __init__(self, end: socket.socket | int, *, connecting: bool = False) -> None:
        self._socket = None if isinstance(end, int) else end
        self._fd = end if isinstance(end, int) else end.fileno()
        os.set_blocking(self._fd, False)
        self._loop = asyncio.get_running_loop()
        self._unsent = bytearray()
        self._connecting = connecting
        self.open = True
        self.on_data: Callable[[bytes], None] = lambda _: None
        self.on_end: Callable[[], None] = lambda: None
        if self._socket is not None:
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        if connecting:
            self._loop.add_writer(self._fd, self._flush)
        else:
            self._loop.add_reader(self._fd, self._read)

    def write(self, data: bytes) -> None:
        """Send bytes, now or as soon as the peer takes them. To a closed channel: nothing happens."""
        if not self.open:
            return
        if self._unsent or self._connecting:
            self._unsent += data
            return
        sent = self._send(data)
        if self.open and sent < len(data):
            self._unsent += data[sent:]
            self._loop.add_writer(self._fd, self._flush)

    def close(self) -> None:
        """Close it: for a socket, a FIN."""
        if not self.open:
            return
        self.open = False
        self._loop.remove_reader(self._fd)
        self._loop.remove_writer(self._fd)
        if self._socket is not None:
            self._socket.close()
        else:
            os.close(self._fd)

    def reset(self) -> None:
        """Close it: for a socket, with an RST."""
        if self.open and self._socket is not None:
            self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _LINGER_NONE)
        self.close()

    def _read(self) -> None:
        try:
            data = os.read(self._fd, _READ_BYTES)
        except (BlockingIOError, InterruptedError):
            return
        except OSError:
            data = b""
        if data:
            self.on_data(data)
        else:
            self._end()

    def _send(self, data: bytes | bytearray) -> int:
        try:
            return os.write(self._fd, data)
        except (BlockingIOError, InterruptedError):
            return 0
        except OSError:
            self._end()
            return 0

    def _flush(self) -> None:
        if self._connecting:
            assert self._socket is not None  # noqa: S101 - told to the type checker
            if self._socket.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR):
                self._end()
                return
            self._connecting = False
            self._loop.add_reader(self._fd, self._read)
        del self._unsent[: self._send(self._unsent) if self._unsent else 0]
        if self.open and not self._unsent:
            self._loop.remove_writer(self._fd)

    def _end(self) -> None:
        if self.open:
            self.close()
            self.on_end()


def dial(host: str, port: int) -> Channel:
    """Begin to connect to a TCP port; the channel ends by itself where nobody answers. A host is a numeric address."""
    family, kind, protocol, _, address = socket.getaddrinfo(
        host, port, type=socket.SOCK_STREAM, flags=socket.AI_NUMERICHOST
    )[0]
    sock = socket.socket(family, kind, protocol)
    sock.setblocking(False)
    result = sock.connect_ex(address)
    channel = Channel(sock, connecting=True)
    if result not in (0, errno.EINPROGRESS):
        asyncio.get_running_loop().call_soon(channel._end)  # noqa: SLF001 - same module
    return channel
