"""RTU frames and the timing of a serial line (Modbus over Serial Line v1.02, section 2.5.1). Sans-IO.

A reply is framed by the length that the request demands, never by pauses: a USB adapter hands over bytes in lumps of up
to its latency timer, so that a pause inside a frame says nothing. Nothing is searched for in a stream: a reply begins
with the first byte that comes after the request, or it is no reply.
"""

from crumbmeter.field.replies import (
    Expected,
    Mismatch,
    MismatchKind,
    Verdict,
    evidence_of,
    judge_pdu,
    reply_bytes,
)
from crumbmeter.field.spec import BlockSpec, DeviceSpec, Transport

LONGEST_RTU = 256
"""[byte] Unit, PDU of at most 253, CRC (v1.02, section 2.5.1)."""
_REQUEST_BYTES = 8
_EXCEPTION_BYTES = 5
SHORTEST_SILENCE_S = 0.00175
"""[s] Above 19200 baud, the silence between frames is a fixed 1.75 ms (v1.02, section 2.5.1.1)."""
_SILENT_CHARS = 3.5


def _crc_table() -> tuple[int, ...]:
    rows = []
    for byte in range(256):
        value = byte
        for _ in range(8):
            value = (value >> 1) ^ (0xA001 if value & 1 else 0)
        rows.append(value)
    return tuple(rows)


_TABLE = _crc_table()


def crc16(data: bytes) -> int:
    """Return the check sum of a serial frame: initial 0xFFFF, polynomial 0xA001, sent low byte first."""
    crc = 0xFFFF
    for byte in data:
        crc = (crc >> 8) ^ _TABLE[(crc ^ byte) & 0xFF]
    return crc


def rtu_frame(unit: int, pdu: bytes) -> bytes:
    """Put a PDU into a serial frame."""
    body = bytes([unit]) + pdu
    return body + crc16(body).to_bytes(2, "little")


def rtu_reply_bytes(expected: Expected) -> int:
    """[byte] Return how long the whole reply frame to a request is, where the device does not say no."""
    return reply_bytes(expected) + 3


def judge_rtu(expected: Expected, received: bytes) -> Verdict | None:
    """Judge the bytes received since the request was sent on a serial bus; None while more must come.

    Whatever can be known to be wrong is said as soon as it is known: unit, function code, byte count, too many bytes.
    What remains is decided by the CRC over exactly the length that the request demands.
    """
    fault = _early_fault(expected, received)
    if fault is not None:
        return fault
    if len(received) < _EXCEPTION_BYTES:
        return None
    says_no = bool(received[1] & 0x80)
    length = _EXCEPTION_BYTES if says_no else rtu_reply_bytes(expected)
    if len(received) < length:
        return None
    if len(received) > length:
        surplus = len(received) - length
        return Mismatch(f"{surplus} bytes after the reply", evidence_of(received), MismatchKind.LENGTH)
    if crc16(received):
        return Mismatch("CRC", evidence_of(received), MismatchKind.CRC)
    return judge_pdu(expected, received[1:-2])


def _early_fault(expected: Expected, received: bytes) -> Mismatch | None:
    code = expected.function_code
    if received and received[0] != expected.unit:
        return Mismatch(f"unit {received[0]} for {expected.unit}", evidence_of(received), MismatchKind.UNIT)
    if len(received) > 1 and received[1] not in (code, code | 0x80):
        return Mismatch(f"function code {received[1]} for {code}", evidence_of(received), MismatchKind.FUNCTION)
    if len(received) > 2 and received[1] == code and expected.count and received[2] != expected.data[0]:
        what = f"byte count {received[2]} for {expected.data[0]}"
        return Mismatch(what, evidence_of(received), MismatchKind.BYTE_COUNT)
    return None


def stalled(received: bytes) -> Mismatch:
    """Say that a reply stopped before its end."""
    return Mismatch(f"the reply stops after {len(received)} bytes", evidence_of(received), MismatchKind.LENGTH)


def char_s(baud: int, *, data_bits: int = 8, parity: bool = True, stop_bits: int = 1) -> float:
    """[s] Return how long one character takes on the line, with its start bit."""
    return (1 + data_bits + parity + stop_bits) / baud


def char_of_s(device: DeviceSpec) -> float:
    """[s] Return how long one character takes on the line of a device."""
    return char_s(device.baud, data_bits=device.data_bits, parity=device.parity != "none", stop_bits=device.stop_bits)


def silence_s(one_char_s: float) -> float:
    """[s] Return the silence that separates two frames: 3.5 characters, and never less than 1.75 ms.

    Args:
        one_char_s: [s] What one character takes; 0 where that is not known (a serial bus behind a TCP gateway).
    """
    return max(_SILENT_CHARS * one_char_s, SHORTEST_SILENCE_S)


def exchange_s(device: DeviceSpec, block: BlockSpec, estimate_s: float) -> float:
    """[s] Estimate what one read takes of its connection: on a serial port the line's own time as well (REQ-39).

    Args:
        device: Whose.
        block: What is read.
        estimate_s: [s] What network and device need.
    """
    if device.transport is not Transport.RTU:
        return estimate_s + device.request_gap_s
    one_s = char_of_s(device)
    line_bytes = _REQUEST_BYTES + _EXCEPTION_BYTES + data_bytes(block)
    return estimate_s + device.request_gap_s + line_bytes * one_s + 2 * silence_s(one_s)


def data_bytes(block: BlockSpec) -> int:
    """[byte] Return how much data a read brings: all that its reply tells of how much was asked for."""
    return (block.count + 7) // 8 if block.table.of_bits else 2 * block.count


_NAMES = {
    1: "read coils",
    2: "read discrete inputs",
    3: "read holding registers",
    4: "read input registers",
    5: "write one coil",
    6: "write one register",
    15: "write coils",
    16: "write registers",
    22: "mask write register",
    23: "read and write registers",
}
EXCEPTIONS = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "server device failure",
    5: "acknowledge",
    6: "server device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target failed to respond",
}
"""Application Protocol v1.1b3, section 7."""


def explain_frame(frame: bytes, *, sent: bool, serial: bool) -> str:
    """Say in words what stands in a frame as it was seen on the wire; never raises, whatever the bytes are."""
    head, unit, pdu, tail = ("", *_serial_parts(frame)) if serial else (*_tcp_parts(frame), "")
    if not pdu:
        return "no whole frame"
    words = [head, f"unit {unit}", _explain_pdu(pdu, sent=sent), tail]
    return ", ".join(word for word in words if word)


def _serial_parts(frame: bytes) -> tuple[int, bytes, str]:
    if len(frame) < 4:
        return 0, b"", ""
    return frame[0], frame[1:-2], "CRC wrong" if crc16(frame) else ""


def _tcp_parts(frame: bytes) -> tuple[str, int, bytes]:
    if len(frame) < 8:
        return "", 0, b""
    length = int.from_bytes(frame[4:6], "big")
    odd = "" if length == len(frame) - 6 else f", length {length} in {len(frame) - 6}"
    return f"transaction {int.from_bytes(frame[:2], 'big')}{odd}", frame[6], frame[7:]


def _explain_pdu(pdu: bytes, *, sent: bool) -> str:
    code = pdu[0]
    if code & 0x80:
        number = pdu[1] if len(pdu) > 1 else 0
        return f"says no to {code & 0x7F}: {number:02d} {EXCEPTIONS.get(number, 'unknown')}"
    name = f"{code:02d} {_NAMES.get(code, 'unknown function')}"
    if not sent and code in (1, 2, 3, 4, 23):
        return f"{name}: {pdu[2:].hex(' ', 1 if code < 3 else -2)}"
    return f"{name}{_explain_request(code, pdu)}" if len(pdu) >= 5 else name


def _explain_request(code: int, pdu: bytes) -> str:
    """Say a request, or the echo of a write."""
    address, second = int.from_bytes(pdu[1:3], "big"), int.from_bytes(pdu[3:5], "big")
    if code in (5, 6):
        return f" at {address}: {second:04x}"
    if code == 22:
        return f" at {address}: and {second:04x} or {pdu[5:7].hex()}"
    if code == 23 and len(pdu) > 10:
        at, count = int.from_bytes(pdu[5:7], "big"), int.from_bytes(pdu[7:9], "big")
        return f": read {second} at {address}, write {count} at {at}: {pdu[10:].hex(' ')}"
    values = f": {pdu[6:].hex(' ')}" if code in (15, 16) and len(pdu) > 6 else ""
    return f" at {address}, {second}{values}"
