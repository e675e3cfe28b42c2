"""The HTTP server: on a socket of our own, with signals that are ours, and an end that no browser can hold up."""

import asyncio
import contextlib
import socket
import ssl
import struct
from collections.abc import Iterator
from typing import Final

import uvicorn
from starlette.types import ASGIApp

from crumbmeter.site import DeskSettings
from crumbmeter.web.faults import DeskRefusedError

STOP_S: Final = 2
"""[s] Answers under way may take so long to end."""
SEND_BUFFER: Final = 65_536
"""[bytes] Of each connection in the kernel: a client that does not read must be noticed, not buffered for."""
MOST_CONNECTIONS: Final = 256
KEEP_ALIVE_S: Final = 15


class DeskServer(uvicorn.Server):
    """Serves until told to stop. The process's signals are left alone."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Take no signal: the desk does."""
        yield

    def drop(self, client: tuple[str, int] | None) -> None:
        """Cut the connection of one client at once, with all that waits for it."""
        for connection in list(self.server_state.connections):
            if client is not None and getattr(connection, "client", None) == tuple(client):
                _cut(connection.transport)

    def drop_all(self) -> None:
        """Cut all connections that are left."""
        for connection in list(self.server_state.connections):
            _cut(connection.transport)


def _cut(transport: asyncio.BaseTransport) -> None:
    """Reset a connection: closed in peace, what was sent would wait in the kernel for one who does not read."""
    with contextlib.suppress(OSError, AttributeError):
        line = transport.get_extra_info("socket")
        line.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    if isinstance(transport, asyncio.WriteTransport):
        transport.abort()


def listen(settings: DeskSettings) -> socket.socket:
    """Take the address and port.

    Raises:
        DeskRefusedError: somebody else has them, or this machine has no such address.
    """
    try:
        return _listening(settings)
    except OSError as fault:
        raise DeskRefusedError(
            f"cannot listen on {settings.address}:{settings.port} ({fault.strerror or fault}): change address or port "
            "under [desk], or see whether another desk runs"
        ) from fault


def _listening(settings: DeskSettings) -> socket.socket:
    family, kind, protocol, _, address = socket.getaddrinfo(
        settings.address, settings.port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
    )[0]
    line = socket.socket(family, kind, protocol)
    try:
        line.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        line.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BUFFER)
        line.bind(address)
        line.listen(128)
    except BaseException:
        line.close()
        raise
    line.setblocking(False)
    return line


def make_server(app: ASGIApp, settings: DeskSettings) -> DeskServer:
    """Make the server.

    Raises:
        DeskRefusedError: certificate and key cannot be used.
    """
    config = uvicorn.Config(
        app,
        http="h11",
        ws="none",
        lifespan="off",
        loop="none",
        log_config=None,
        access_log=False,
        proxy_headers=False,
        server_header=False,
        date_header=True,
        limit_concurrency=MOST_CONNECTIONS,
        timeout_keep_alive=KEEP_ALIVE_S,
        timeout_graceful_shutdown=STOP_S,
        h11_max_incomplete_event_size=32_768,
    )
    config.load()
    if settings.tls_certificate is not None and settings.tls_key is not None:
        config.ssl = _tls(settings)
    return DeskServer(config)


def _tls(settings: DeskSettings) -> ssl.SSLContext:
    assert settings.tls_certificate is not None  # noqa: S101 - the caller has looked
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    try:
        context.load_cert_chain(settings.tls_certificate, settings.tls_key, password=lambda: b"")
    except (OSError, ssl.SSLError) as fault:
        raise DeskRefusedError(
            f"TLS cannot be used with {settings.tls_certificate} and {settings.tls_key} ({fault}): they must be PEM, "
            "belong together, and be readable by this user; the key has no passphrase"
        ) from fault
    return context
