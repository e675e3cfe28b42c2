"""Raw frames of one device for a limited time: bytes, times, and what they mean. Ends by itself, holds up nobody.

A session has a bounded ring; what does not fit because nobody fetched it in time is counted and left out. Without a
session a frame costs one look into an empty table.
"""

import asyncio
import contextlib
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass

from crumbmeter.field.frames import explain_frame
from crumbmeter.ports import Clock

RING = 2000
"""Frames that may wait to be fetched."""


@dataclass(frozen=True, slots=True)
class Frame:
    """One frame, or whatever bytes came in place of one."""

    at_us: int
    """[us] UTC since 1970."""
    sent: bool
    data: bytes
    meaning: str


class TraceSession:
    """One asker's frames of one device."""

    def __init__(self, trace: "FrameTrace", device_id: str, until_s: float) -> None:
        self.device_id = device_id
        self.until_s = until_s
        """[s] Loop time, as for everything on the wire."""
        self.lost = 0
        """Frames for which there was no room."""
        self._trace = trace
        self._ring: deque[Frame] = deque()
        self._news = asyncio.Event()

    def put(self, frame: Frame) -> None:
        """Take a frame."""
        if len(self._ring) >= RING:
            self._ring.popleft()
            self.lost += 1
        self._ring.append(frame)
        self._news.set()

    async def take(self) -> tuple[Frame, ...]:
        """Wait for frames and take them all; empty once the time is over."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout_at(self.until_s):
                while not self._ring:
                    self._news.clear()
                    await self._news.wait()
        frames = tuple(self._ring)
        self._ring.clear()
        return frames

    def close(self) -> None:
        """End it."""
        self._trace.end(self)


class FrameTrace:
    """All sessions. Serves ports.FrameTap."""

    def __init__(self, clock: Clock, serial: Mapping[str, bool]) -> None:
        """Start without a session.

        Args:
            clock: Gives the wall time that labels frames.
            serial: By device id, whether its frames are serial ones.
        """
        self._clock = clock
        self._serial = serial
        self._sessions: dict[str, list[TraceSession]] = {}

    def start(self, device_id: str, seconds: float) -> TraceSession | None:
        """Begin to look at a device for so many seconds [s]; None where there is no such device."""
        if device_id not in self._serial:
            return None
        session = TraceSession(self, device_id, asyncio.get_running_loop().time() + seconds)
        self._sessions.setdefault(device_id, []).append(session)
        return session

    def end(self, session: TraceSession) -> None:
        """Forget a session."""
        sessions = self._sessions.get(session.device_id, [])
        if session in sessions:
            sessions.remove(session)
        if not sessions:
            self._sessions.pop(session.device_id, None)

    def frame(self, device_id: str, data: bytes, *, sent: bool) -> None:
        """Take one frame, or whatever bytes came in its place."""
        for session in tuple(self._sessions.get(device_id, ())):
            if asyncio.get_running_loop().time() >= session.until_s:
                self.end(session)
                continue
            meaning = explain_frame(data, sent=sent, serial=self._serial[device_id])
            session.put(Frame(self._clock.wall_us(), sent, data, meaning))
