"""What the runtime needs from the outside world, as protocols of one to three methods. Adapters serve them."""

from collections.abc import Sequence
from typing import Protocol

from crumbmeter.field.spec import RegisterSpec, Table


class Clock(Protocol):
    """One clock for the whole process: process time runs at a rate, deadlines of sockets stay on loop time."""

    def now_s(self) -> float:
        """[s] Return process time: monotonic, and faster than real by the clock's rate."""
        ...

    def wall_us(self) -> int:
        """[us] Return UTC since 1970, as a label for records. Derived from process time, so it has the same rate."""
        ...

    async def sleep_until(self, due_s: float) -> None:
        """Wait until process time `due_s` [s]; return at once where that has passed."""
        ...


class FieldReader(Protocol):
    """Reads words from one device."""

    async def read(self, table: Table, address: int, count: int) -> tuple[int, ...]:
        """Read `count` words (bits as 0/1) from PDU offset `address`.

        Raises:
            DeviceExceptionError: a Modbus exception; the connection is sound.
            RetryLaterError: no reply in time.
            ReconnectError: the connection is gone or a reply did not match.

        After the last two the caller discards the connection (REQ-2), unless the error's `link_sound` is set.
        """
        ...


class FieldWriter(Protocol):
    """Writes words to one device."""

    async def write(self, register: RegisterSpec, words: Sequence[int], function: int = 0) -> None:
        """Write the words of one register; return when the device's echo agrees. Never retried here.

        Args:
            register: Where.
            words: What.
            function: Function code; 0: 5 or 6 for one word, 15 or 16 for more.

        Raises: as FieldReader.read.
        """
        ...


class FrameTap(Protocol):
    """Looks at raw frames as they go over the wire. Called within an exchange: it must not wait."""

    def frame(self, device_id: str, data: bytes, *, sent: bool) -> None:
        """Take one frame, or whatever bytes came in its place."""
        ...


class FieldLink(FieldReader, FieldWriter, Protocol):
    """One connection to one device. Discarded and built anew after any doubt."""

    async def connect(self) -> None:
        """Open the connection within the device's connect time-out, or raise ReconnectError."""
        ...

    async def get_ready(self) -> None:
        """Wait until a request would go out at once, for a bus or a new connection; or raise ReconnectError."""
        ...

    async def close(self) -> None:
        """Close it. Never raises."""
        ...
