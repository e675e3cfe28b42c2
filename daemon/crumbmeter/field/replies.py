"""Which bytes answer a request, and which only look like it (REQ-2, REQ-2b). Sans-IO; knows frames, not sockets.

A reply counts only when unit, transaction, function code, length and byte count are those of the request, and for a
write when the echo is the request's. There is no partial credit: one byte more or less and nothing of it is used.
Source of the layouts: Modbus Application Protocol v1.1b3, section 6; Messaging on TCP/IP v1.0b, section 3.1.3.
"""

import struct
from enum import StrEnum

from crumbmeter.model.frozen import dataclass

_HEADER = struct.Struct(">HHHB")
_HEADER_BYTES = 7
_SHORTEST, _LONGEST = 3, 254
"""[byte] Unit id and PDU: every reply has a function code and one byte more; no PDU is longer than 253."""
_BIT_READS = (1, 2)
_WORD_READS = (3, 4)
_ECHO_WRITES = (5, 6, 15, 16)
"""The reply repeats the two numbers after the function code."""
_MASK_WRITE = 22
"""The reply repeats the whole request."""
_READ_WRITE = 23
"""The reply is that of a read; the device has written before."""


class MismatchKind(StrEnum):
    """What about the bytes does not fit. Counted apart, since each has its own cause in the field."""

    PROTOCOL = "protocol"
    TRANSACTION = "transaction"
    UNIT = "unit"
    FUNCTION = "function"
    LENGTH = "length"
    BYTE_COUNT = "byte count"
    ECHO = "echo"
    CRC = "crc"
    UNASKED = "unasked"


@dataclass(frozen=True, slots=True)
class Expected:
    """What the reply to one request must look like."""

    transaction: int
    unit: int
    function_code: int
    count: int
    """Registers or bits asked for; 0 for a write."""
    data: bytes
    """Reads: the byte count that must stand in front. Writes: the whole echo after the function code."""

    @property
    def look(self) -> tuple[int, int, bytes]:
        """Return all that a reply can be told by without its transaction id."""
        return self.unit, self.function_code, self.data


@dataclass(frozen=True, slots=True)
class Accepted:
    """The reply answers the request."""

    words: tuple[int, ...]
    """Register words, or 0/1 for bits; empty after a write."""


@dataclass(frozen=True, slots=True)
class SaysNo:
    """The device answers with a Modbus exception."""

    code: int


@dataclass(frozen=True, slots=True)
class Mismatch:
    """The bytes do not answer the request: the connection that brought them is done with."""

    what: str
    evidence: str
    kind: MismatchKind


Verdict = Accepted | SaysNo | Mismatch


def expect(transaction: int, unit: int, request: bytes) -> Expected:
    """Work out the only acceptable reply to a request PDU.

    Raises:
        ValueError: a function code that this master does not use.
    """
    function_code = request[0]
    count = int.from_bytes(request[3:5], "big")
    if function_code in _WORD_READS or function_code == _READ_WRITE:
        return Expected(transaction, unit, function_code, count, bytes([2 * count]))
    if function_code in _BIT_READS:
        return Expected(transaction, unit, function_code, count, bytes([(count + 7) // 8]))
    if function_code in _ECHO_WRITES:
        return Expected(transaction, unit, function_code, 0, request[1:5])
    if function_code == _MASK_WRITE:
        return Expected(transaction, unit, function_code, 0, request[1:7])
    raise ValueError(f"function code {function_code} is not used here")


def reply_bytes(expected: Expected) -> int:
    """[byte] Return how long the PDU of the reply is, where the device does not say no."""
    return 2 + expected.data[0] if expected.count else 1 + len(expected.data)


def judge_tcp(expected: Expected, received: bytes) -> Verdict | None:
    """Judge the bytes received since the request was sent on a TCP connection; None while more must come."""
    if len(received) < _HEADER_BYTES:
        return None
    length: int = int.from_bytes(received[4:6], "big")
    fault = _header_fault(expected, received, length)
    if fault is not None:
        return fault
    end = 6 + length
    if len(received) < end:
        return None
    if len(received) > end:
        return Mismatch(f"{len(received) - end} bytes after the reply", evidence_of(received), MismatchKind.LENGTH)
    return judge_pdu(expected, received[_HEADER_BYTES:])


def _header_fault(expected: Expected, received: bytes, length: int) -> Mismatch | None:
    transaction, protocol, _, unit = _HEADER.unpack_from(received)
    what, kind = "", MismatchKind.PROTOCOL
    if protocol != 0:
        what = f"protocol id {protocol}"
    elif transaction != expected.transaction:
        what, kind = f"transaction {transaction} for {expected.transaction}", MismatchKind.TRANSACTION
    elif unit != expected.unit:
        what, kind = f"unit {unit} for {expected.unit}", MismatchKind.UNIT
    elif not _SHORTEST <= length <= _LONGEST:
        what, kind = f"length {length}", MismatchKind.LENGTH
    return Mismatch(what, evidence_of(received), kind) if what else None


def late_bytes(units: dict[int, int], received: bytes) -> int | None:
    """Tell how many bytes at the front are the reply to an earlier request that nobody waits for any more.

    Args:
        units: Unit id by transaction id of the requests that were given up.
        received: Bytes from the beginning of a frame on.

    Returns:
        0: not such a reply; None: more must come before that can be said; else its length, to be skipped whole.
    """
    if len(received) < _HEADER_BYTES:
        return None if int.from_bytes(received[:2], "big") in units or len(received) < 2 else 0
    transaction, protocol, length, unit = _HEADER.unpack_from(received)
    if protocol != 0 or units.get(transaction) != unit or not _SHORTEST <= length <= _LONGEST:
        return 0
    return 6 + int(length) if len(received) >= 6 + length else None


def judge_pdu(expected: Expected, pdu: bytes) -> Verdict:
    """Judge one whole reply PDU: function code and what follows it."""
    code = expected.function_code
    if pdu[0] == code | 0x80 and len(pdu) == 2 and pdu[1]:
        return SaysNo(pdu[1])
    if pdu[0] != code:
        what = f"function code {pdu[0]} in {len(pdu)} bytes for {code}"
        return Mismatch(what, evidence_of(pdu), MismatchKind.FUNCTION)
    if not expected.count:
        same = pdu[1:] == expected.data
        return Accepted(()) if same else Mismatch("echo of a write differs", evidence_of(pdu), MismatchKind.ECHO)
    byte_count = expected.data[0]
    if pdu[1] != byte_count or len(pdu) != byte_count + 2:
        what = f"byte count {pdu[1]} in {len(pdu)} bytes for {byte_count}"
        return Mismatch(what, evidence_of(pdu), MismatchKind.BYTE_COUNT)
    if code in _BIT_READS:
        return Accepted(_bits(pdu[2:], expected.count))
    return Accepted(struct.unpack_from(f">{expected.count}H", pdu, 2))


def _bits(data: bytes, count: int) -> tuple[int, ...]:
    """Unpack bits, the lowest address in the least significant bit of the first byte."""
    whole = int.from_bytes(data, "little")
    return tuple((whole >> position) & 1 for position in range(count))


def evidence_of(data: bytes) -> str:
    """Say bytes for a message: the first of them."""
    return data[:24].hex(" ") + (" ..." if len(data) > 24 else "")
