"""Modbus RTU frames (Modbus over Serial Line v1.02, section 2.5.1): CRC, lengths, the search for frames in a stream.

Nothing here knows a socket or a clock. A frame is `unit, function, data, CRC low, CRC high`.
"""

from collections.abc import Callable

_POLYNOMIAL = 0xA001
_LONGEST = 256
_REQUESTS = {1: 8, 2: 8, 3: 8, 4: 8, 5: 8, 6: 8, 7: 4, 8: 8, 11: 4, 12: 4, 17: 4, 22: 10}
"""Lengths of the requests that have always one (Application Protocol v1.1b3, section 6)."""


def _table() -> tuple[int, ...]:
    """Return the CRC of each single byte (the annex of Modbus over Serial Line v1.02 does it bit by bit)."""
    words = []
    for byte in range(256):
        word = byte
        for _ in range(8):
            word = (word >> 1) ^ _POLYNOMIAL if word & 1 else word >> 1
        words.append(word)
    return tuple(words)


_TABLE = _table()


def crc16(data: bytes) -> int:
    """Return the CRC of `data`; over a whole frame with its CRC it is 0."""
    word = 0xFFFF
    for byte in data:
        word = (word >> 8) ^ _TABLE[(word ^ byte) & 0xFF]
    return word


def seal(body: bytes) -> bytes:
    """Return `body` (unit and PDU) with its CRC, low byte first."""
    return body + crc16(body).to_bytes(2, "little")


def request_length(data: bytes) -> int:
    """Return how long the request that begins `data` is; 0 while that cannot be said yet, -1 where it never can.

    Args:
        data: Bytes from the unit id on.
    """
    if len(data) < 2:
        return 0
    function = data[1]
    if function in (15, 16):
        return 9 + data[6] if len(data) > 6 else 0
    if function == 23:
        return 13 + data[10] if len(data) > 10 else 0
    return _REQUESTS.get(function, -1)


def reply_length(data: bytes) -> int:
    """Return how long the reply that begins `data` is; 0 while that cannot be said yet, -1 where it never can."""
    if len(data) < 2:
        return 0
    function = data[1]
    if function & 0x80:
        return 5
    if function in (1, 2, 3, 4, 12, 17, 23):
        return 5 + data[2] if len(data) > 2 else 0
    if function in (5, 6, 8, 11, 15, 16):
        return 8
    if function == 22:
        return 10
    return 5 if function == 7 else -1


class FrameSearch:
    """Finds frames in bytes that come in pieces and with rubbish between them; only what its CRC proves is a frame."""

    def __init__(self, length_of: Callable[[bytes], int]) -> None:
        self._length_of = length_of
        self._buffer = b""
        self.rubbish = 0
        """Bytes that belonged to no frame."""

    @property
    def waiting(self) -> bool:
        """Whether bytes are held that may yet become a frame."""
        return bool(self._buffer)

    def feed(self, data: bytes) -> list[bytes]:
        """Take bytes; return the frames that are whole now."""
        self._buffer += data
        return self._search(give_up=False)

    def silence(self) -> tuple[list[bytes], bytes]:
        """Take it that the line has been silent: what is no frame by now never will be.

        Returns:
            Frames behind rubbish that looked like the head of a longer one, and the bytes given up.
        """
        frames = self._search(give_up=True)
        rest, self._buffer = self._buffer, b""
        self.rubbish += len(rest)
        return frames, rest

    def _search(self, *, give_up: bool) -> list[bytes]:
        frames: list[bytes] = []
        start, data = 0, self._buffer
        while start < len(data):
            length = self._length_of(data[start : start + 12])
            if (length == 0 or start + length > len(data)) and not give_up and length <= _LONGEST:
                break
            end = start + length
            if length > 0 and end <= len(data) and crc16(data[start:end]) == 0:
                frames.append(data[start:end])
                self.rubbish += start
                start, data = 0, data[end:]
            else:
                start += 1
        if not give_up:
            self.rubbish += start
            data = data[start:]
        self._buffer = data
        return frames
