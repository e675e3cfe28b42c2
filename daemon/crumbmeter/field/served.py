"""What a Modbus TCP server reads and answers, as bytes: the other side of frames.py and replies.py. No socket.

Source: MODBUS Application Protocol V1.1b3, sections 6.1 to 6.6, 6.11, 6.12 and 7, and MODBUS Messaging on TCP/IP
V1.0b, section 3.1. A count or a value that cannot be is answered with exception 03, an address that is not there with
02, in this order, as the state diagrams there have it.
"""

import struct
from collections.abc import Sequence
from typing import Final, Protocol

from crumbmeter.field.spec import Table
from crumbmeter.model.frozen import dataclass

HEADER_BYTES: Final = 7
LONGEST: Final = 254
"""Largest length field: unit id and a PDU of 253 bytes."""
ILLEGAL_FUNCTION: Final = 1
ILLEGAL_ADDRESS: Final = 2
ILLEGAL_VALUE: Final = 3
BUSY: Final = 6
TARGET_SILENT: Final = 11

_READS: Final = {
    1: (Table.COIL, 2000), 2: (Table.DISCRETE, 2000), 3: (Table.HOLDING, 125), 4: (Table.INPUT, 125),
}  # fmt: skip
_ONE_BIT: Final = {0x0000: 0, 0xFF00: 1}
_MOST_BITS: Final = 0x7B0
_MOST_WORDS: Final = 0x7B


class Bank(Protocol):
    """What stands behind a server."""

    def read(self, table: Table, address: int, count: int) -> Sequence[int] | None:
        """Return words, or bits as 0 and 1; None where one of the addresses is not there."""
        ...

    def write(self, table: Table, address: int, values: Sequence[int]) -> int:
        """Take words or bits, all or none; return 0, or the code of the exception."""
        ...


@dataclass(frozen=True, slots=True)
class Asked:
    """One request as it came over the wire."""

    transaction: int
    unit_id: int
    pdu: bytes


class BrokenStreamError(Exception):
    """What came is no Modbus TCP: nothing that follows on this connection can be believed."""


def split(data: bytes, most: int) -> tuple[tuple[Asked, ...], bytes]:
    """Take whole requests off the front of what has come.

    Args:
        data: What has come.
        most: So many requests are taken, if there are more.

    Returns:
        The requests in order, and the bytes after them: those of one that is not whole yet, or of those beyond `most`.

    Raises:
        BrokenStreamError: a header that is none.
    """
    asked: list[Asked] = []
    while len(data) >= HEADER_BYTES and len(asked) < most:
        transaction, protocol, length, unit_id = struct.unpack(">HHHB", data[:HEADER_BYTES])
        if protocol != 0 or not 2 <= length <= LONGEST:
            raise BrokenStreamError(f"protocol {protocol}, length {length}: expected 0, and 2 to {LONGEST}")
        end = HEADER_BYTES - 1 + length
        if len(data) < end:
            break
        asked.append(Asked(transaction, unit_id, data[HEADER_BYTES:end]))
        data = data[end:]
    return tuple(asked), data


def framed(asked: Asked, pdu: bytes) -> bytes:
    """Put the answer to a request into its frame."""
    return struct.pack(">HHHB", asked.transaction, 0, len(pdu) + 1, asked.unit_id) + pdu


def refusal(pdu: bytes, code: int) -> bytes:
    """Make an exception of a request."""
    return bytes((pdu[0] | 0x80, code))


def answer(pdu: bytes, bank: Bank) -> bytes:
    """Carry a request out; return the PDU that answers it."""
    function, body = pdu[0], pdu[1:]
    if function in _READS:
        return _read(pdu, bank, *_READS[function])
    if function in (5, 6):
        return _write_one(pdu, bank)
    if function == 15:
        return _write_bits(pdu, body, bank)
    if function == 16:
        return _write_words(pdu, body, bank)
    return refusal(pdu, ILLEGAL_FUNCTION)


def _read(pdu: bytes, bank: Bank, table: Table, most: int) -> bytes:
    if len(pdu) != 5:
        return refusal(pdu, ILLEGAL_VALUE)
    address, count = struct.unpack(">HH", pdu[1:])
    if not 1 <= count <= most:
        return refusal(pdu, ILLEGAL_VALUE)
    found = bank.read(table, address, count)
    if found is None:
        return refusal(pdu, ILLEGAL_ADDRESS)
    data = _packed(found) if table.of_bits else struct.pack(f">{count}H", *found)
    return bytes((pdu[0], len(data))) + data


def _packed(bits: Sequence[int]) -> bytes:
    """Lay bits out as the standard has it: the first one in the least significant bit of the first byte."""
    whole = sum(1 << place for place, bit in enumerate(bits) if bit)
    return whole.to_bytes((len(bits) + 7) // 8, "little")


def _write_one(pdu: bytes, bank: Bank) -> bytes:
    if len(pdu) != 5:
        return refusal(pdu, ILLEGAL_VALUE)
    address, value = struct.unpack(">HH", pdu[1:])
    table = Table.HOLDING
    if pdu[0] == 5:
        if value not in _ONE_BIT:
            return refusal(pdu, ILLEGAL_VALUE)
        table, value = Table.COIL, _ONE_BIT[value]
    code = bank.write(table, address, (value,))
    return refusal(pdu, code) if code else pdu


def _write_bits(pdu: bytes, body: bytes, bank: Bank) -> bytes:
    if len(body) < 5:
        return refusal(pdu, ILLEGAL_VALUE)
    address, count, size = struct.unpack(">HHB", body[:5])
    if not 1 <= count <= _MOST_BITS or size != (count + 7) // 8 or len(body) != 5 + size:
        return refusal(pdu, ILLEGAL_VALUE)
    whole = int.from_bytes(body[5:], "little")
    code = bank.write(Table.COIL, address, tuple(whole >> place & 1 for place in range(count)))
    return refusal(pdu, code) if code else pdu[:5]


def _write_words(pdu: bytes, body: bytes, bank: Bank) -> bytes:
    if len(body) < 5:
        return refusal(pdu, ILLEGAL_VALUE)
    address, count, size = struct.unpack(">HHB", body[:5])
    if not 1 <= count <= _MOST_WORDS or size != 2 * count or len(body) != 5 + size:
        return refusal(pdu, ILLEGAL_VALUE)
    code = bank.write(Table.HOLDING, address, struct.unpack(f">{count}H", body[5:]))
    return refusal(pdu, code) if code else pdu[:5]
