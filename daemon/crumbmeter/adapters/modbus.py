"""Modbus over pymodbus: TCP, a serial bus, and a serial bus behind a TCP gateway. Maps reads and writes to requests.

What a reply must be is decided in field/replies.py and field/frames.py; how a connection is kept free of late replies,
in modbus_wire.py. The library carries bytes and builds requests: its retries, reconnecting and judgement are off.
"""

import asyncio
import logging
import secrets
from collections.abc import Mapping, Sequence

from pymodbus.pdu import ModbusPDU
from pymodbus.pdu.bit_message import (
    ReadCoilsRequest,
    ReadDiscreteInputsRequest,
    WriteMultipleCoilsRequest,
    WriteSingleCoilRequest,
)
from pymodbus.pdu.register_message import (
    MaskWriteRegisterRequest,
    ReadHoldingRegistersRequest,
    ReadInputRegistersRequest,
    ReadWriteMultipleRegistersRequest,
    WriteMultipleRegistersRequest,
    WriteSingleRegisterRequest,
)

from crumbmeter.adapters.modbus_wire import Ask, Wire
from crumbmeter.field.counts import UnitCounts
from crumbmeter.field.owed import Owed
from crumbmeter.field.spec import DeviceSpec, RegisterSpec, Table
from crumbmeter.model.faults import BugError
from crumbmeter.ports import FrameTap

_READERS = {
    Table.COIL: ReadCoilsRequest,
    Table.DISCRETE: ReadDiscreteInputsRequest,
    Table.HOLDING: ReadHoldingRegistersRequest,
    Table.INPUT: ReadInputRegistersRequest,
}


class ModbusLink:
    """One device (unit id) on a shared connection. Serves ports.FieldLink."""

    def __init__(self, device: DeviceSpec, shared: Wire) -> None:
        self._device = device
        self._shared = shared

    async def connect(self) -> None:
        """Open the shared connection unless it is open. Raises ReconnectError."""
        await self._shared.connect()

    async def close(self) -> None:
        """Close the shared connection at once, with whatever it still holds."""
        self._shared.close()

    async def read(self, table: Table, address: int, count: int) -> tuple[int, ...]:
        """Read words or bits. Raises as ports.FieldReader says."""
        request = _READERS[table](address=address, count=count, dev_id=self._device.unit_id)
        reply = await self._shared.exchange(Ask(self._device, request, address, reads=True))
        return reply.words

    async def write(self, register: RegisterSpec, words: Sequence[int], function: int = 0) -> None:
        """Write the words of one register and check the echo. Raises as ports.FieldWriter says."""
        request = write_request(register, words, function, self._device.unit_id)
        await self._shared.exchange(Ask(self._device, request, register.address, reads=False))


def write_request(register: RegisterSpec, words: Sequence[int], function: int, unit: int) -> ModbusPDU:
    """Make the request that writes a register: by default function 5 or 6 for one word, 15 or 16 for more.

    Function 22 changes one bit of a holding register, or a whole one; 23 also has the device report what it then holds.

    Raises:
        BugError: a table that no master writes, or a function that does not fit; the site check lets neither through.
    """
    if not register.table.writable:
        raise BugError(f"no master writes a {register.table.value}")
    several, of_bits = len(words) > 1, register.table.of_bits
    code = function or {(True, False): 5, (True, True): 15, (False, False): 6, (False, True): 16}[of_bits, several]
    address, values = register.address, list(words)
    fits = code in ((5, 15) if of_bits else (6, 16, 22, 23)) and not (several and code in (5, 6, 22))
    if not fits:
        raise BugError(f"function {code} does not write {len(words)} of a {register.table.value}")
    if code == 5:
        return WriteSingleCoilRequest(address=address, bits=[bool(values[0])], dev_id=unit)
    if code == 15:
        return WriteMultipleCoilsRequest(address=address, bits=[bool(value) for value in values], dev_id=unit)
    if code == 6:
        return WriteSingleRegisterRequest(address=address, registers=values, dev_id=unit)
    if code == 16:
        return WriteMultipleRegistersRequest(address=address, registers=values, dev_id=unit)
    if code == 22:
        and_mask, or_mask = _masks(register, values[0])
        return MaskWriteRegisterRequest(address=address, and_mask=and_mask, or_mask=or_mask, dev_id=unit)
    return ReadWriteMultipleRegistersRequest(
        read_address=address, read_count=len(values), write_address=address, write_registers=values, dev_id=unit
    )


def _masks(register: RegisterSpec, word: int) -> tuple[int, int]:
    """Return the masks of function 22, by which a register becomes (old AND and_mask) OR (or_mask AND NOT and_mask)."""
    if register.bit is None:
        return 0, word
    bit = 1 << register.bit
    return 0xFFFF ^ bit, bit if word else 0


class LinkMaker:
    """Makes links, new ones for every connection, and keeps what outlives one: counts, trace, replies still owed."""

    def __init__(self, devices: Sequence[DeviceSpec], tap: FrameTap | None = None) -> None:
        """Start counting.

        Args:
            devices: All devices of the site.
            tap: Sees every frame.
        """
        self.counts: Mapping[str, UnitCounts] = {device.device_id: UnitCounts() for device in devices}
        """By device id."""
        self._loop = asyncio.get_running_loop()
        self._started_s = self._loop.time()
        self._tap = tap
        self._owed: dict[str, Owed] = {}
        """By endpoint."""

    def __call__(self, devices: Sequence[DeviceSpec]) -> tuple[ModbusLink, ...]:
        """Make links for the devices of one endpoint over one new connection, not yet open (REQ-12, REQ-19)."""
        endpoints = {(device.endpoint, device.transport) for device in devices}
        if len(endpoints) != 1:
            raise BugError(f"one connection cannot serve {sorted(endpoints)}")
        owed = self._owed.setdefault(devices[0].endpoint, Owed(secrets.randbelow(1 << 16)))
        shared = Wire(devices, self.counts, owed, self._tap)
        return tuple(ModbusLink(device, shared) for device in devices)

    def shares(self) -> Mapping[str, float]:
        """Return by device id the share of all time for which it had its connection."""
        elapsed_s = max(self._loop.time() - self._started_s, 1e-9)
        return {device_id: counts.busy_s / elapsed_s for device_id, counts in self.counts.items()}


def make_links(devices: Sequence[DeviceSpec]) -> tuple[ModbusLink, ...]:
    """Make links for the devices of one endpoint, with counts of their own."""
    return LinkMaker(devices)(devices)


def silence_library() -> None:
    """Keep the library's multi-line hex dumps out of the log: every fault of a link reaches us as an exception."""
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL + 1)
