"""What is asked over Modbus: reads and writes as the library's requests."""

from collections.abc import Sequence
from dataclasses import dataclass

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

from crumbmeter.field.replies import Expected, expect
from crumbmeter.field.spec import DeviceSpec, RegisterSpec, Table
from crumbmeter.model.faults import BugError

_READERS = {
    Table.COIL: ReadCoilsRequest,
    Table.DISCRETE: ReadDiscreteInputsRequest,
    Table.HOLDING: ReadHoldingRegistersRequest,
    Table.INPUT: ReadInputRegistersRequest,
}


@dataclass(frozen=True, slots=True)
class Ask:
    """One request, ready to be sent."""

    device: DeviceSpec
    request: ModbusPDU
    address: int
    reads: bool

    def pdu(self) -> bytes:
        """Return its bytes."""
        return self.request.function_code.to_bytes(1, "big") + self.request.encode()

    def expected(self) -> Expected:
        """Return what its reply must look like, whatever its transaction id."""
        return expect(0, self.device.unit_id, self.pdu())


def read_request(table: Table, address: int, count: int, unit: int) -> ModbusPDU:
    """Make the request that reads words or bits."""
    return _READERS[table](address=address, count=count, dev_id=unit)


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
