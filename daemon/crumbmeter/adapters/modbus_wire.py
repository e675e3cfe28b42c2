"""One connection to one endpoint: opens it, asks one thing at a time, and makes sure that no late reply is believed.

Why no value of another register can come out of here:

- TCP: a reply counts only with the transaction id of the request that waits. After a time-out the socket is reset. Not
  so on a gateway that serves several units, where the peer has acknowledged every byte and no reply lies half-read:
  there the late reply is told by its id and skipped whole. Either way, until `guard_s` has passed a request to the same
  unit that its contents would fit is not sent at all: not even a gateway that stamps it with a wrong id can do harm,
  nor one that brings it to the next connection, whose ids go on from those of the last. A request may also be doubled
  on its way: after a connection that ended in doubt, the second reply to what was answered on it may come as well.
- Serial frames have no id. What the bytes themselves tell (unit, function, byte count, CRC) is judged; what they cannot
  tell is settled by time. Let every reply, and every copy of it, come within `guard_s` of its request. After any doubt
  the bus must be silent for `guard_s` before the next request, so that no reply to an earlier request is still to come.
  Without a doubt only a copy of a reply accepted before could come; it passes for the reply to another request only if
  unit, function and byte count agree, and such a request is not sent within `guard_s` of the other one. Every new
  connection begins with the same silence: an earlier one, or an earlier process, may have left a request behind.
- Over a TCP gateway to a serial bus, bytes can also wait in the network; there the socket is replaced as well.
"""

import asyncio
import contextlib
import socket
from collections.abc import Awaitable, Mapping, Sequence

from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient
from pymodbus.exceptions import ModbusException
from pymodbus.pdu import ModbusPDU

from crumbmeter.adapters.modbus_framer import Judged, StrictFramer, TcpFramer
from crumbmeter.adapters.modbus_port import HINT, Port, cancellations, raise_lost_cancellation
from crumbmeter.adapters.modbus_requests import Ask
from crumbmeter.field.counts import UnitCounts
from crumbmeter.field.frames import char_of_s, rtu_reply_bytes, silence_s
from crumbmeter.field.owed import Owed
from crumbmeter.field.replies import Accepted, Expected, Mismatch, SaysNo, Verdict
from crumbmeter.field.spec import DeviceSpec, Transport
from crumbmeter.model.faults import BadReplyError, BugError, DeviceExceptionError, ReconnectError, RetryLaterError
from crumbmeter.ports import FrameTap

_NOISE_FACTOR = 4.0
"""A bus that is not silent for `guard_s` within so many times `guard_s` is not going to be."""
_ACKNOWLEDGED_S = 0.25
"""[s] A TCP acknowledgement may be held back for 200 ms; later than this the machine at the other end is not there."""
_BROADCAST_S = 0.1
"""[s] Turnaround after a broadcast (Modbus over Serial Line v1.02, section 2.4.1: typically 100 to 200 ms)."""


class Wire:
    """One connection, shared by the links of its units."""

    def __init__(
        self, devices: Sequence[DeviceSpec], counts: Mapping[str, UnitCounts], owed: Owed, tap: FrameTap | None = None
    ) -> None:
        """Prepare a connection for the devices of one endpoint, which may owe replies; nothing is opened."""
        first = devices[0]
        self.endpoint, self.transport = first.endpoint, first.transport
        self._devices = tuple(devices)
        self._counts = counts
        self._owed = owed
        self._tap = tap
        self._on_line = self.transport is Transport.RTU
        self._char_s = char_of_s(first) if self._on_line else 0.0
        self._gap_s = silence_s(self._char_s)
        self._guard_s = max(device.guard_s for device in devices)
        self._patience = len(devices) + 2 if len(devices) > 1 else (3 if self._on_line else 0)
        """So many failures in a row are got over on the same connection."""
        self._failures = 0
        self._one_reply_each = any(device.close_after_each for device in devices)
        self._answered = False
        self._hold_s = float("-inf")
        """[s] Loop time: until then a broadcast is still being carried out."""
        self._port = self._make_port()

    @property
    def client(self) -> AsyncModbusTcpClient | AsyncModbusSerialClient:
        """Return the library's client of the present connection."""
        return self._port.client

    @property
    def framer(self) -> StrictFramer:
        """Return the framer of the present connection."""
        return self._port.framer

    def raw_socket(self) -> socket.socket | None:
        """Return the socket, or None where there is none."""
        return self._port.raw_socket()

    def _make_port(self) -> Port:
        """Make new objects of the library for a new connection (REQ-12)."""
        return Port(self._devices, self._tap, self._owed.next_transaction)

    async def connect(self) -> None:
        """Open the connection unless it is open; the next one, where each reply has its own. Raises ReconnectError."""
        if self._port.up:
            return
        if self._port.used:
            if self.framer.doubt or not self._one_reply_each:
                self.ensure_sound()
            self._port = self._make_port()
        await self._port.open()
        if self.transport.serial_frames:
            await self._drain(self._guard_s)

    def close(self) -> None:
        """Drop the connection at once: nothing that lies in a buffer may reach the device later (REQ-25)."""
        self._owed.end_connection(in_doubt=bool(self.framer.doubt))
        self._port.close()

    async def get_ready(self) -> None:
        """Wait until a request would go out at once. Raises ReconnectError."""
        await self.connect()
        self.ensure_sound()
        if self.transport.serial_frames:
            await self._fall_silent()

    def ensure_sound(self) -> None:
        """Raise ReconnectError where nothing may be asked on this connection."""
        if self.framer.doubt or not self._port.up:
            raise ReconnectError(f"{self.endpoint}: {self.framer.doubt or 'not connected'}{self._hint()}")

    def _hint(self) -> str:
        return "" if self._answered else f" ({HINT})"

    async def exchange(self, ask: Ask) -> Accepted:
        """Ask once and wait for the reply within the device's time. Raises as ports.FieldReader."""
        device, loop = ask.device, asyncio.get_running_loop()
        counts = self._counts[device.device_id]
        began_s, owes = loop.time(), False
        try:
            if self._one_reply_each:
                await self.connect()
            self.ensure_sound()
            limit_s = device.timeout_s
            if self.transport.serial_frames or self._owed:
                expected = ask.expected()
                await self._prepare(ask, expected)
                limit_s = self._limit_s(ask, expected)
            else:  # on a TCP connection that owes no late reply nothing has to be waited for
                self._notice_a_peer_that_is_gone()
            self.framer.begin(device, counts)
            owes = True
            verdict = await self._send(ask, limit_s)
            owes = isinstance(verdict, Mismatch)
            if verdict is None:
                return Accepted(())
            took_s = loop.time() - self.framer.sent_s
            if ask.reads and not (owes or self.transport.serial_frames):
                self._owed.note_answered(ask.expected().look, ask.pdu(), self.framer.sent_s)
            if self._one_reply_each and not owes:
                self._hang_up()
            return await self._settle(ask, verdict, took_s)
        finally:
            if owes and ask.reads and not self.transport.serial_frames:
                self._owed.note(ask.expected().look, ask.pdu(), self.framer.sent_s)
            counts.busy_s += loop.time() - began_s

    def _hang_up(self) -> None:
        """End the connection, and let the next `connect` open another."""
        self.close()
        self._port = self._make_port()

    def _limit_s(self, ask: Ask, expected: Expected) -> float:
        """[s] Return how long to wait: the device's own time, and on a line what the bytes take."""
        line_s = (len(ask.pdu()) + 3 + rtu_reply_bytes(expected)) * self._char_s
        return ask.device.timeout_s + line_s

    async def _send(self, ask: Ask, limit_s: float) -> Verdict | None:
        device, before = ask.device, cancellations()
        broadcast = self.transport.serial_frames and device.unit_id == 0
        call: Awaitable[ModbusPDU | None] = self.client.execute(broadcast, ask.request)
        try:
            async with asyncio.timeout(limit_s):
                reply = await call
                raise_lost_cancellation(before)
        except TimeoutError as error:
            self._counts[device.device_id].timeouts += 1
            fault = RetryLaterError(f"{self.endpoint} unit {device.unit_id}: silent for {device.timeout_s} s")
            fault.link_sound = await self._get_over_silence(ask)
            raise fault from error
        except asyncio.CancelledError:
            self.framer.doubt = "a request was abandoned"
            self._counts[device.device_id].lost += 1
            raise
        except (ModbusException, OSError) as error:
            self.framer.doubt = "the connection is gone"
            self._counts[device.device_id].lost += 1
            raise ReconnectError(f"{self.endpoint} unit {device.unit_id}: {error}{self._hint()}") from error
        if reply is None:
            self.framer.expected = None
            self._hold_s = self.framer.sent_s + self.framer.sent_bytes * self._char_s + _BROADCAST_S
            self._counts[device.device_id].ok += 1
            return None
        if not isinstance(reply, Judged):
            raise BugError(f"a reply passed by the framer: {reply!r}")
        return reply.verdict

    async def _settle(self, ask: Ask, verdict: Verdict, took_s: float) -> Accepted:
        counts, unit = self._counts[ask.device.device_id], ask.device.unit_id
        if isinstance(verdict, Mismatch):
            counts.mismatches[verdict.kind] += 1
            fault = BadReplyError(
                verdict.what, endpoint=self.endpoint, unit=unit, address=ask.address, evidence=verdict.evidence,
                kind=verdict.kind,
            )  # fmt: skip
            fault.link_sound = await self._get_over_mismatch()
            raise fault
        counts.latencies.note(took_s)
        self._answered = True
        self._failures = 0
        if isinstance(verdict, SaysNo):
            counts.exceptions[verdict.code] += 1
            raise DeviceExceptionError(verdict.code, endpoint=self.endpoint, unit=unit, address=ask.address)
        counts.ok += 1
        return verdict

    async def _prepare(self, ask: Ask, expected: Expected) -> None:
        look, content = expected.look, ask.pdu()
        if not self.transport.serial_frames:
            self._notice_a_peer_that_is_gone()
            self._withhold(ask, expected)
            return
        if expected.unit == 0 and (ask.reads or not ask.device.broadcast):
            raise BugError("unit 0 of a serial bus is a broadcast: for writes, where the device allows it")
        if ask.reads:
            await self._silent_until(self._owed.latest_other_s(look, content) + ask.device.guard_s)
        await self._fall_silent()
        if ask.reads:
            self._owed.note_only(look, content, asyncio.get_running_loop().time())

    async def _fall_silent(self) -> None:
        """Wait for the pause between two frames of a serial bus."""
        await self._silent_until(self._quiet_from_s())
        await self._read_on()
        if self.framer.buffer:
            await self._drain(self._guard_s)
        self.ensure_sound()

    def _withhold(self, ask: Ask, expected: Expected) -> None:
        """Refuse what the late reply to another request would fit."""
        now_s = asyncio.get_running_loop().time()
        self._owed.forget_before(now_s - self._guard_s)
        if self._owed.may_ask(expected.look, ask.pdu(), now_s, ask.device.guard_s):
            return
        self._counts[ask.device.device_id].withheld += 1
        waits = f"not asked for up to {ask.device.guard_s:g} s (worst_response_s): a late reply could pass for its own"
        fault = RetryLaterError(f"{self.endpoint} unit {ask.device.unit_id}: {waits}")
        fault.link_sound = fault.withheld = True
        raise fault

    def _notice_a_peer_that_is_gone(self) -> None:
        if self._peer_is_gone():
            self.framer.doubt = "the peer acknowledges nothing"
            self.ensure_sound()

    def _peer_is_gone(self) -> bool:
        """Tell whether the peer's machine itself has not acknowledged the last request in ample time."""
        waited_s = asyncio.get_running_loop().time() - self.framer.sent_s
        return waited_s > _ACKNOWLEDGED_S and self._port.unacknowledged()

    def _quiet_from_s(self) -> float:
        """[s] Return when the next frame may begin: loop time."""
        sent_s = self.framer.sent_s + self.framer.sent_bytes * self._char_s
        return max(sent_s, self.framer.last_byte_s, self._hold_s) + self._gap_s

    async def _silent_until(self, until_s: float) -> None:
        loop = asyncio.get_running_loop()
        while True:
            if self.framer.buffer:
                await self._drain(self._guard_s)
            if loop.time() >= until_s:
                return
            await self._pause(until_s)
            self.ensure_sound()

    async def _pause(self, until_s: float) -> None:
        """Wait until loop time `until_s` [s], or until something comes that nobody asked for."""
        self.framer.news.clear()
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout_at(until_s):
                await self.framer.news.wait()

    @staticmethod
    async def _read_on() -> None:
        """Let the loop read what has come by now.

        Where this process was kept from running, time has passed while bytes lay unread: a time that is up proves no
        silence before the loop has looked.
        """
        loop = asyncio.get_running_loop()
        turn = loop.create_future()
        loop.call_soon(turn.set_result, None)
        await turn

    async def _drain(self, guard_s: float) -> None:
        """Wait until the bus has been silent for the guard [s]. Raises ReconnectError where it never is."""
        loop = asyncio.get_running_loop()
        last_s = loop.time() + _NOISE_FACTOR * guard_s
        self.framer.doubt = "the bus is not silent"
        while True:
            self.framer.take_unasked()
            until_s = loop.time() + guard_s
            await self._pause(until_s)
            await self._read_on()
            if not self._port.up:
                raise ReconnectError(f"{self.endpoint}: the connection is gone")
            if not self.framer.buffer and loop.time() >= until_s:
                break
            if loop.time() > last_s:
                raise ReconnectError(f"{self.endpoint}: bytes that nobody asked for, without end ({HINT})")
        self._owed.forget()
        self.framer.doubt = ""

    # What is done after a doubt.

    async def _get_over_silence(self, ask: Ask) -> bool:
        """Make the connection sound again after a time-out, or say that it has to be discarded."""
        rest = self.framer.give_up()
        self._failures += 1
        if self._failures > self._patience:
            self.framer.doubt = "a reply is overdue"
            return False
        if self.transport.serial_frames:
            return await self._clear(ask.device.guard_s)
        framer = self.framer
        if rest or not ask.reads or not isinstance(framer, TcpFramer) or self._peer_is_gone():
            framer.doubt = "a reply is overdue"
            return False
        framer.expect_late(ask.request.transaction_id, ask.device.unit_id)
        return True

    async def _get_over_mismatch(self) -> bool:
        if not self.transport.serial_frames:
            return False  # the framer says so already
        self._failures += 1
        if self._failures > self._patience:
            self.framer.doubt = "a reply did not match"
            return False
        return await self._clear(self._guard_s)

    async def _clear(self, guard_s: float) -> bool:
        """Bring a serial bus to silence; over TCP on a new socket."""
        try:
            if self._on_line:
                await self._drain(guard_s)
            else:
                self._hang_up()
                await self.connect()
        except ReconnectError:
            return False
        return True
