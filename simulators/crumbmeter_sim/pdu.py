"""Modbus requests and answers without a socket (Application Protocol v1.1b3, sections 6 and 7)."""

import struct
from collections.abc import Callable, Sequence
from typing import Protocol

ILLEGAL_FUNCTION = 1
ILLEGAL_ADDRESS = 2
ILLEGAL_VALUE = 3
DEVICE_FAILURE = 4

_READS = {1: "coil", 2: "discrete", 3: "holding", 4: "input"}
_MAX_READ = {"coil": 2000, "discrete": 2000, "holding": 125, "input": 125}
_MAX_WRITE_BITS, _MAX_WRITE_WORDS = 1968, 123
_COIL_ON, _COIL_OFF = 0xFF00, 0x0000


class BankError(Exception):
    """The device answers with a Modbus exception (Application Protocol v1.1b3, section 7)."""

    def __init__(self, code: int) -> None:
        self.code = code
        super().__init__(f"Modbus exception {code}")


class Registers(Protocol):
    """Four tables of registers. What cannot be read or written raises BankError."""

    def read(self, table: str, address: int, count: int) -> tuple[int, ...]:
        """Read words (bits as 0/1) from a PDU offset."""
        ...

    def write(self, table: str, address: int, values: Sequence[int]) -> None:
        """Write words (bits as 0/1) from a PDU offset."""
        ...


def is_write(request: bytes) -> bool:
    """Tell whether a request changes something."""
    return request[0] in (5, 6, 15, 16, 22, 23)


def answer(bank: Registers, request: bytes) -> bytes:
    """Answer one request PDU; whatever is wrong with it becomes a Modbus exception."""
    function = request[0]
    do = _FUNCTIONS.get(function)
    if do is None:
        return exception(function, ILLEGAL_FUNCTION)
    try:
        return do(bank, request)
    except BankError as error:
        return exception(function, error.code)
    except struct.error:
        return exception(function, ILLEGAL_VALUE)


def exception(function: int, code: int) -> bytes:
    """Return an exception PDU."""
    return bytes((function | 0x80, code))


def _read(bank: Registers, request: bytes) -> bytes:
    function = request[0]
    address, count = struct.unpack(">HH", request[1:])
    table = _READS[function]
    if not 1 <= count <= _MAX_READ[table]:
        raise BankError(ILLEGAL_VALUE)
    values = bank.read(table, address, count)
    if function in (1, 2):
        data = bytearray((count + 7) // 8)
        for i, value in enumerate(values):
            data[i // 8] |= (value & 1) << (i % 8)
    else:
        data = bytearray(struct.pack(f">{count}H", *values))
    return bytes((function, len(data))) + bytes(data)


def _write_one(bank: Registers, request: bytes) -> bytes:
    function = request[0]
    address, value = struct.unpack(">HH", request[1:])
    if function == 5:
        if value not in (_COIL_ON, _COIL_OFF):
            raise BankError(ILLEGAL_VALUE)
        bank.write("coil", address, (int(value == _COIL_ON),))
    else:
        bank.write("holding", address, (value,))
    return request


def _write_many(bank: Registers, request: bytes) -> bytes:
    address, count, size = struct.unpack(">HHB", request[1:6])
    data = request[6:]
    bits = request[0] == 15
    due = (count + 7) // 8 if bits else 2 * count
    if not 1 <= count <= (_MAX_WRITE_BITS if bits else _MAX_WRITE_WORDS) or size != due or len(data) != due:
        raise BankError(ILLEGAL_VALUE)
    if bits:
        bank.write("coil", address, tuple((data[i // 8] >> (i % 8)) & 1 for i in range(count)))
    else:
        bank.write("holding", address, struct.unpack(f">{count}H", data))
    return request[:5]


def _mask_write(bank: Registers, request: bytes) -> bytes:
    """Do `(now AND and_mask) OR (or_mask AND NOT and_mask)` (section 6.16)."""
    address, and_mask, or_mask = struct.unpack(">HHH", request[1:])
    now = bank.read("holding", address, 1)[0]
    bank.write("holding", address, ((now & and_mask) | (or_mask & ~and_mask & 0xFFFF),))
    return request


def _read_write(bank: Registers, request: bytes) -> bytes:
    """Write, then read (section 6.17); at most 121 words in and 125 out."""
    read_at, read_count, write_at, write_count, size = struct.unpack(">HHHHB", request[1:10])
    data = request[10:]
    if not (1 <= read_count <= 125 and 1 <= write_count <= 121 and size == len(data) == 2 * write_count):
        raise BankError(ILLEGAL_VALUE)
    bank.write("holding", write_at, struct.unpack(f">{write_count}H", data))
    values = bank.read("holding", read_at, read_count)
    return bytes((23, 2 * read_count)) + struct.pack(f">{read_count}H", *values)


_FUNCTIONS: dict[int, Callable[[Registers, bytes], bytes]] = {
    **dict.fromkeys((1, 2, 3, 4), _read),
    **dict.fromkeys((5, 6), _write_one),
    **dict.fromkeys((15, 16), _write_many),
    22: _mask_write,
    23: _read_write,
}
