"""Which bytes answer a request, and which only look like it (REQ-2, REQ-2b). Sans-IO; knows frames, not sockets.

A reply counts only when unit, transaction, function code, length and byte count are those of the request, and for a
write when the echo is the request's. There is no partial credit: one byte more or less and nothing of it is used.
Source of the layouts: Modbus Application Protocol v1.1b3, section 6; Messaging on TCP/IP v1.0b, section 3.1.3.
"""

import struct
from dataclasses import dataclass

_HEADER = struct.Struct(">HHHB")
_HEADER_BYTES = 7
_SHORTEST, _LONGEST = 3, 254
"""[byte] Unit id and PDU: every reply has a function code and one byte more; no PDU is longer than 253."""
_BIT_READS = (1, 2)
_WORD_READS = (3, 4)
_SINGLE_WRITES = (5, 6)
_MULTIPLE_WRITES = (15, 16)


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


Verdict = Accepted | SaysNo | Mismatch


def expect(transaction: int, unit: int, request: bytes) -> Expected:
    """Work out the only acceptable reply to a request PDU.

    Raises:
        ValueError: a function code that this master does not use.
    """
    function_code = request[0]
    count = int.from_bytes(request[3:5], "big")
    if function_code in _WORD_READS:
        return Expected(transaction, unit, function_code, count, bytes([2 * count]))
    if function_code in _BIT_READS:
        return Expected(transaction, unit, function_code, count, bytes([(count + 7) // 8]))
    if function_code in _SINGLE_WRITES or function_code in _MULTIPLE_WRITES:
        return Expected(transaction, unit, function_code, 0, request[1:5])
    raise ValueError(f"function code {function_code} is not used here")


def judge_tcp(expected: Expected, received: bytes) -> Verdict | None:
    """Judge the bytes received since the request was sent on a TCP connection; None while more must come."""
    if len(received) < _HEADER_BYTES:
        return None
    length: int = int.from_bytes(received[4:6], "big")
    fault = _header_fault(expected, received, length)
    if fault:
        return Mismatch(fault, _hex(received))
    end = 6 + length
    if len(received) < end:
        return None
    if len(received) > end:
        return Mismatch(f"{len(received) - end} bytes after the reply", _hex(received))
    return judge_pdu(expected, received[_HEADER_BYTES:])


def _header_fault(expected: Expected, received: bytes, length: int) -> str:
    transaction, protocol, _, unit = _HEADER.unpack_from(received)
    if protocol != 0:
        return f"protocol id {protocol}"
    if transaction != expected.transaction:
        return f"transaction {transaction} for {expected.transaction}"
    if unit != expected.unit:
        return f"unit {unit} for {expected.unit}"
    return "" if _SHORTEST <= length <= _LONGEST else f"length {length}"


def judge_pdu(expected: Expected, pdu: bytes) -> Verdict:
    """Judge one whole reply PDU: function code and what follows it."""
    code = expected.function_code
    if pdu[0] == code | 0x80 and len(pdu) == 2 and pdu[1]:
        return SaysNo(pdu[1])
    if pdu[0] != code:
        return Mismatch(f"function code {pdu[0]} in {len(pdu)} bytes for {code}", _hex(pdu))
    if not expected.count:
        return Accepted(()) if pdu[1:] == expected.data else Mismatch("echo of a write differs", _hex(pdu))
    byte_count = expected.data[0]
    if pdu[1] != byte_count or len(pdu) != byte_count + 2:
        return Mismatch(f"byte count {pdu[1]} in {len(pdu)} bytes for {byte_count}", _hex(pdu))
    if code in _WORD_READS:
        return Accepted(struct.unpack_from(f">{expected.count}H", pdu, 2))
    return Accepted(_bits(pdu[2:], expected.count))


def _bits(data: bytes, count: int) -> tuple[int, ...]:
    """Unpack bits, the lowest address in the least significant bit of the first byte."""
    whole = int.from_bytes(data, "little")
    return tuple((whole >> position) & 1 for position in range(count))


def _hex(data: bytes) -> str:
    return data[:24].hex(" ") + (" ..." if len(data) > 24 else "")
