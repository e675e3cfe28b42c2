"""The library's framers, replaced by ones that judge raw bytes against the request that was really sent.

The library accepts replies with another function code, a short count or a lying byte count, and on a serial bus the
reply to an earlier request. Here a reply is accepted by field/replies.py and field/frames.py alone. Both framers take
every byte that comes, whether or not somebody waits for it: what nobody asked for is a doubt, never thrown away unseen.
"""

import asyncio
from collections.abc import Callable

from pymodbus.framer.base import FramerBase
from pymodbus.pdu import DecodePDU, ModbusPDU

from crumbmeter.field.counts import UnitCounts
from crumbmeter.field.frames import judge_rtu, rtu_frame, stalled
from crumbmeter.field.replies import Expected, Mismatch, Verdict, expect, judge_tcp, late_bytes
from crumbmeter.field.spec import DeviceSpec
from crumbmeter.ports import FrameTap

_HEADER_BYTES = 6
_MOST_GIVEN_UP = 64
"""So many late replies can be told by their ids; an older one is bytes that nobody asked for."""


class Judged(ModbusPDU):
    """Carries a verdict through the library to the one who asked."""

    def __init__(self, expected: Expected, verdict: Verdict) -> None:
        super().__init__(dev_id=expected.unit, transaction_id=expected.transaction)
        self.verdict = verdict


class StrictFramer(FramerBase):
    """What both framers share: the request that waits, the bytes that have come, and any doubt."""

    MAX_SIZE = 1 << 20
    """[byte] Above it the library would drop bytes without a word; every byte has to be seen here."""

    def __init__(self, tap: FrameTap | None) -> None:
        super().__init__(DecodePDU(False))
        self.expected: Expected | None = None
        self.doubt = ""
        """Why nothing more may be asked on this connection; empty while it is sound."""
        self.buffer = b""
        self.news = asyncio.Event()
        """Set by bytes that nobody waits for, and by the end of the connection."""
        self.last_byte_s = float("-inf")
        """[s] Loop time."""
        self.sent_s = float("-inf")
        """[s] Loop time at which the newest request was handed over."""
        self.sent_bytes = 0
        self._tap = tap
        self._device_id = ""
        self._counts = UnitCounts()

    def begin(self, device: DeviceSpec, counts: UnitCounts) -> None:
        """Note whose exchange comes next."""
        self._device_id = device.device_id
        self._counts = counts

    def show(self, data: bytes, *, sent: bool) -> None:
        """Let the trace see bytes."""
        if self._tap is not None and data:
            self._tap.frame(self._device_id, data, sent=sent)

    def give_up(self) -> bytes:
        """Stop waiting for the reply; return what has come of it."""
        self.expected = None
        rest, self.buffer = self.buffer, b""
        self.show(rest, sent=False)
        return rest

    def take_unasked(self) -> bytes:
        """Count and return bytes that nobody asked for."""
        rest, self.buffer = self.buffer, b""
        self._counts.unasked_bytes += len(rest)
        self.show(rest, sent=False)
        return rest

    def buildFrame(self, message: ModbusPDU) -> bytes:  # noqa: N802 (the library's name)
        message.transaction_id = self._transaction()
        pdu = message.function_code.to_bytes(1, "big") + message.encode()
        self.expected = expect(message.transaction_id, message.dev_id, pdu)
        frame = self.encode(pdu, message.dev_id, message.transaction_id)
        self.sent_s = asyncio.get_running_loop().time()
        self.sent_bytes = len(frame)
        self._counts.sent += 1
        self.show(frame, sent=True)
        return frame

    def handleFrame(  # noqa: N802 (the library's name)
        self,
        data: bytes,
        exp_devid: int,  # noqa: ARG002 (the request itself says more)
        exp_tid: int,  # noqa: ARG002
    ) -> tuple[int, ModbusPDU | None]:
        self.last_byte_s = asyncio.get_running_loop().time()
        self.buffer += data
        return len(data), self._judge()

    def _judge(self) -> Judged | None:
        raise NotImplementedError

    def _transaction(self) -> int:
        return 0

    def _end(self, expected: Expected, verdict: Verdict) -> Judged:
        self.expected = None
        rest, self.buffer = self.buffer, b""
        self.show(rest, sent=False)
        return Judged(expected, verdict)


class TcpFramer(StrictFramer):
    """Frames with a transaction id: a late reply can be told from any other, and is skipped."""

    def __init__(self, tap: FrameTap | None, next_transaction: Callable[[], int]) -> None:
        super().__init__(tap)
        self._next_transaction = next_transaction
        self.given_up: dict[int, int] = {}
        """Unit by transaction id of the requests that nobody waits for any more."""

    def expect_late(self, transaction: int, unit: int) -> None:
        """Skip the reply to a request that nobody waits for any more, should it come."""
        self.given_up[transaction] = unit
        while len(self.given_up) > _MOST_GIVEN_UP:
            del self.given_up[next(iter(self.given_up))]

    def _transaction(self) -> int:
        return self._next_transaction()

    def encode(self, payload: bytes, dev_id: int, tid: int) -> bytes:
        return tid.to_bytes(2, "big") + b"\0\0" + (len(payload) + 1).to_bytes(2, "big") + bytes([dev_id]) + payload

    def _judge(self) -> Judged | None:
        while self.given_up and self.buffer:
            late = late_bytes(self.given_up, self.buffer)
            if late is None:
                return None
            if not late:
                break
            self.given_up.pop(int.from_bytes(self.buffer[:2], "big"))
            self._counts.late_skipped += 1
            self.show(self.buffer[:late], sent=False)
            self.buffer = self.buffer[late:]
        if not self.buffer:
            return None
        expected = self.expected
        if expected is None:
            self.doubt = f"bytes that nobody asked for: {self.take_unasked()[:24].hex(' ')}"
            self.news.set()
            return None
        verdict = judge_tcp(expected, self.buffer)
        if verdict is None:
            return None
        if isinstance(verdict, Mismatch):
            self.doubt = verdict.what
        return self._end(expected, verdict)


class RtuFramer(StrictFramer):
    """Frames with a CRC and nothing else: length and silence tell what belongs to what."""

    def __init__(self, tap: FrameTap | None, idle_timeout_s: float, resolve: Callable[[ModbusPDU], None]) -> None:
        """Prepare.

        Args:
            tap: For the trace.
            idle_timeout_s: [s] A pause of so long inside a reply is its end.
            resolve: Hands over a verdict that no further byte brings about.
        """
        super().__init__(tap)
        self._idle_timeout_s = idle_timeout_s
        self._resolve = resolve
        self._timer: asyncio.TimerHandle | None = None

    def encode(self, payload: bytes, dev_id: int, _tid: int) -> bytes:
        return rtu_frame(dev_id, payload)

    def give_up(self) -> bytes:
        self._stop_timer()
        return super().give_up()

    def _judge(self) -> Judged | None:
        self._stop_timer()
        expected = self.expected
        if expected is None:
            self.news.set()
            return None
        verdict = judge_rtu(expected, self.buffer)
        if verdict is None:
            loop = asyncio.get_running_loop()
            self._timer = loop.call_later(self._idle_timeout_s, self._on_idle)
            return None
        return self._end(expected, verdict)

    def _on_idle(self) -> None:
        self._timer = None
        if self.expected is not None:
            self._resolve(self._end(self.expected, stalled(self.buffer)))

    def _stop_timer(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
