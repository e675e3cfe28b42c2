"""A connection of the library's and its end: a TCP socket or a serial port, opened and closed the way a field needs it.

The library's reconnecting and time-outs are off. A port is opened once and never again; after it there is a new one.
"""

import asyncio
import contextlib
import errno
import fcntl
import socket
import struct
import termios
from collections.abc import Callable, Sequence

from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient
from pymodbus.pdu import ModbusPDU
from serial import SerialException

from crumbmeter.adapters.modbus_framer import RtuFramer, StrictFramer, TcpFramer
from crumbmeter.field.spec import DeviceSpec, Transport
from crumbmeter.model.faults import ReconnectError
from crumbmeter.ports import FrameTap

_KEEPALIVE_IDLE_S = 5
_KEEPALIVE_INTERVAL_S = 2
_KEEPALIVE_PROBES = 3
_LIBRARY_FACTOR = 1000.0
"""The library's own time-outs are so much longer than ours that ours decide."""
HINT = "another master may hold this device"


def cancellations() -> int:
    """Count how often the present task has been told to end."""
    task = asyncio.current_task()
    return task.cancelling() if task else 0


def raise_lost_cancellation(before: int) -> None:
    """Raise a cancellation that came since and was swallowed.

    The library waits with `asyncio.wait_for`, which in Python 3.11 returns its result and forgets a cancellation that
    comes in the same turn of the loop: a task told to end would go on for ever.
    """
    if cancellations() > before:
        raise asyncio.CancelledError


class Port:
    """One client object of the library with a framer of ours."""

    def __init__(
        self, devices: Sequence[DeviceSpec], tap: FrameTap | None, next_transaction: Callable[[], int]
    ) -> None:
        """Prepare; nothing is opened.

        Args:
            devices: Of one endpoint.
            tap: Sees every frame.
            next_transaction: Gives the transaction ids of TCP.
        """
        first = devices[0]
        self.endpoint = first.endpoint
        self._first = first
        self._connect_timeout_s = max(device.connect_timeout_s for device in devices)
        self._longest_timeout_s = max(device.timeout_s for device in devices)
        self.up = False
        self.used = False
        """Whether it has been opened, with or without success."""
        self._opened = asyncio.Event()
        self.framer: StrictFramer
        if first.transport is Transport.TCP:
            self.framer = TcpFramer(tap, next_transaction)
        else:
            self.framer = RtuFramer(tap, max(device.idle_timeout_s for device in devices), self._resolve)
        self.client = self._make_client()
        self.client.ctx.framer = self.framer
        self.client.ctx.max_buffer_size = self.framer.MAX_SIZE

    def _make_client(self) -> AsyncModbusTcpClient | AsyncModbusSerialClient:
        first = self._first
        timeout_s = _LIBRARY_FACTOR * max(self._connect_timeout_s, self._longest_timeout_s)
        if first.transport is Transport.RTU:
            return AsyncModbusSerialClient(
                first.host,
                baudrate=first.baud,
                bytesize=first.data_bits,
                parity=first.parity[0].upper(),
                stopbits=first.stop_bits,
                timeout=timeout_s,
                retries=0,
                reconnect_delay=0,
                name=self.endpoint,
                trace_connect=self._on_connection,
            )
        return AsyncModbusTcpClient(
            first.host,
            port=first.port,
            timeout=timeout_s,
            retries=0,
            reconnect_delay=0,
            name=self.endpoint,
            trace_connect=self._on_connection,
        )

    def _on_connection(self, connected: bool) -> None:
        self.up = connected
        if connected:
            self._opened.set()
            return
        self.framer.news.set()
        waiting = self.client.ctx.response_future
        if not waiting.done():
            waiting.set_exception(ConnectionResetError("the peer closed the connection"))
            # Nobody may be waiting any more; an exception that nobody fetches would be reported as a leak.
            waiting.exception()

    def _resolve(self, judged: ModbusPDU) -> None:
        waiting = self.client.ctx.response_future
        if not waiting.done():
            waiting.set_result(judged)

    async def open(self) -> None:
        """Open it within the device's connect time-out. Raises ReconnectError."""
        before = cancellations()
        self.used = True
        ctx = self.client.ctx
        try:
            async with asyncio.timeout(self._connect_timeout_s):
                ctx.is_closing = False
                ctx.transport, _ = await ctx.call_create()
                await self._opened.wait()
                raise_lost_cancellation(before)
        except TimeoutError as error:
            self.close()
            raise ReconnectError(f"{self.endpoint}: no connection within {self._connect_timeout_s} s") from error
        except (OSError, SerialException, ValueError, termios.error) as error:
            self.close()
            raise ReconnectError(f"{self.endpoint}: {_why_not_open(error)}") from error
        self._guard_socket()

    def _guard_socket(self) -> None:
        """Let the kernel find a peer that vanished without a word (REQ-15)."""
        sock = self.raw_socket()
        if sock is None:
            return
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPIDLE, _KEEPALIVE_IDLE_S)
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPINTVL, _KEEPALIVE_INTERVAL_S)
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPCNT, _KEEPALIVE_PROBES)
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, round(2000.0 * self._longest_timeout_s))

    def raw_socket(self) -> socket.socket | None:
        """Return the socket, or None where there is none."""
        transport = self.client.ctx.transport
        sock: socket.socket | None = transport.get_extra_info("socket") if transport is not None else None
        return sock

    def close(self) -> None:
        """Drop the connection at once: nothing that lies in a buffer may reach the device later (REQ-25)."""
        transport = self.client.ctx.transport
        sock = self.raw_socket()
        if sock is not None and sock.fileno() >= 0:
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        port = getattr(transport, "sync_serial", None)
        if port is not None:
            with contextlib.suppress(OSError, termios.error):
                termios.tcflush(port.fileno(), termios.TCIOFLUSH)
        with contextlib.suppress(OSError):
            self.client.close()
        if sock is not None and isinstance(transport, asyncio.WriteTransport):
            transport.abort()
        self.framer.give_up()
        if not self.framer.doubt:
            self.framer.doubt = "closed"
        self._on_connection(False)

    def unacknowledged(self) -> bool:
        """Tell whether the peer's machine has not even acknowledged the request: then it is gone, not just slow."""
        sock = self.raw_socket()
        if sock is None or sock.fileno() < 0:
            return True
        queued = fcntl.ioctl(sock.fileno(), termios.TIOCOUTQ, struct.pack("i", 0))
        return bool(struct.unpack("i", queued)[0])


def _why_not_open(error: Exception) -> str:
    if isinstance(error, termios.error):
        return f"the port refuses its settings ({error.args[-1]})"
    code = getattr(error, "errno", None)
    if code in (errno.ENOENT, errno.ENODEV, errno.ENXIO):
        return "there is no such port; is the adapter plugged in?"
    if code in (errno.EACCES, errno.EPERM):
        return "this user may not open the port (group dialout)"
    if code in (errno.EBUSY, errno.EAGAIN):
        return f"the port is taken; {HINT}"
    return f"refused or unreachable ({error}); {HINT}"
