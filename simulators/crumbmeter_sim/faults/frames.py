"""Frames as both framings have them: cut out of a stream, taken apart, put together again."""

from collections.abc import Callable

from crumbmeter_sim.faults.kinds import Direction, Framing
from crumbmeter_sim.rtu import reply_length, request_length, seal

_MBAP = 6
"""Bytes of the header up to its length field (Messaging on TCP/IP Implementation Guide v1.0b, section 3.1.3)."""


class Cutter:
    """Cuts a stream into frames by their length. What cannot be a frame is handed on as it came."""

    def __init__(self, length_of: Callable[[bytes], int]) -> None:
        self._length_of = length_of
        self._buffer = b""

    @property
    def waiting(self) -> bool:
        """Whether a part of a frame is held."""
        return bool(self._buffer)

    def feed(self, data: bytes) -> list[bytes]:
        """Take bytes; return the frames that are whole now."""
        data = self._buffer + data if self._buffer else data
        if len(data) == self._length_of(data):  # nearly always
            self._buffer = b""
            return [data]
        frames = []
        while data:
            length = self._length_of(data)
            if length == 0 or length > len(data):
                break
            length = length if length > 0 else len(data)
            frames.append(data[:length])
            data = data[length:]
        self._buffer = data
        return frames

    def flush(self) -> bytes:
        """Return what is held, and hold it no longer."""
        data, self._buffer = self._buffer, b""
        return data


def _tcp_length(data: bytes) -> int:
    if len(data) < _MBAP:
        return 0
    length = int.from_bytes(data[4:6], "big")
    return _MBAP + length if data[2:4] == b"\0\0" and 2 <= length <= 254 else -1


def cutter(framing: Framing, direction: Direction) -> Cutter:
    """Return a cutter for one direction of a line."""
    if framing == "tcp":
        return Cutter(_tcp_length)
    return Cutter(request_length if direction == "to_device" else reply_length)


def unit_of(framing: Framing, frame: bytes) -> int:
    """Return the unit id of a frame; -1 where it is too short to have one."""
    place = _MBAP if framing == "tcp" else 0
    return frame[place] if len(frame) > place else -1


def body_of(framing: Framing, frame: bytes) -> bytes:
    """Return unit id and PDU."""
    return frame[_MBAP:] if framing == "tcp" else frame[:-2]


def rebuilt(framing: Framing, frame: bytes, body: bytes) -> bytes:
    """Return the frame with another body; length and CRC agree with it."""
    return frame[:4] + len(body).to_bytes(2, "big") + body if framing == "tcp" else seal(body)
