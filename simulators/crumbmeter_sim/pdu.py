"""Modbus requests and answers without a socket (Application Protocol v1.1b3, sections 6 and 7)."""

import struct

from crumbmeter_sim.bank import ILLEGAL_FUNCTION, ILLEGAL_VALUE, Bank, BankError

_READS = {1: "coil", 2: "discrete", 3: "holding", 4: "input"}
_MAX_READ = {"coil": 2000, "discrete": 2000, "holding": 125, "input": 125}
_MAX_WRITE_BITS, _MAX_WRITE_WORDS = 1968, 123
_COIL_ON, _COIL_OFF = 0xFF00, 0x0000


def answer(bank: Bank, request: bytes) -> bytes:
    """Answer one request PDU; whatever is wrong with it becomes a Modbus exception."""
    function = request[0]
    try:
        if function in _READS:
            return _read(bank, function, request)
        if function in (5, 6):
            return _write_one(bank, function, request)
        if function in (15, 16):
            return _write_many(bank, function, request)
    except BankError as error:
        return exception(function, error.code)
    except struct.error:
        return exception(function, ILLEGAL_VALUE)
    return exception(function, ILLEGAL_FUNCTION)


def exception(function: int, code: int) -> bytes:
    """Return an exception PDU."""
    return bytes((function | 0x80, code))


def _read(bank: Bank, function: int, request: bytes) -> bytes:
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


def _write_one(bank: Bank, function: int, request: bytes) -> bytes:
    address, value = struct.unpack(">HH", request[1:])
    if function == 5:
        if value not in (_COIL_ON, _COIL_OFF):
            raise BankError(ILLEGAL_VALUE)
        bank.write("coil", address, (int(value == _COIL_ON),))
    else:
        bank.write("holding", address, (value,))
    return request


def _write_many(bank: Bank, function: int, request: bytes) -> bytes:
    address, count, size = struct.unpack(">HHB", request[1:6])
    data = request[6:]
    bits = function == 15
    due = (count + 7) // 8 if bits else 2 * count
    if not 1 <= count <= (_MAX_WRITE_BITS if bits else _MAX_WRITE_WORDS) or size != due or len(data) != due:
        raise BankError(ILLEGAL_VALUE)
    if bits:
        bank.write("coil", address, tuple((data[i // 8] >> (i % 8)) & 1 for i in range(count)))
    else:
        bank.write("holding", address, struct.unpack(f">{count}H", data))
    return request[:5]
