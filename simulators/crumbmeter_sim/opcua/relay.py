"""The door of one device: bytes pass between its clients and the server behind, or do not, as its link has it.

A link that is *dead* has no open port; one that *hangs* takes all that comes and lets nothing pass until it is well
again, as a computer does that has stopped; a slow one holds each answer back.
"""

import asyncio
from collections import deque
from collections.abc import Callable

from crumbmeter_sim.actions import Link
from crumbmeter_sim.channel import Channel, dial
from crumbmeter_sim.gate import TcpGate


class _Way:
    """One direction of one connection."""

    def __init__(self, link: Link, out: Channel, late_s: Callable[[], float]) -> None:
        self._link = link
        self._out = out
        self._late_s = late_s
        self._held: deque[bytes] = deque()
        self._timers = 0

    def take(self, data: bytes) -> None:
        """Pass bytes on, now or later; always in their order."""
        late_s = self._late_s()
        if not self._held and self._link.mode == "up" and late_s <= 0.0:
            self._out.write(data)
            return
        self._held.append(data)
        if self._link.mode == "up":
            self._timers += 1
            asyncio.get_running_loop().call_later(late_s, self._due)

    def release(self) -> None:
        """Let go what was held while the link hung; what waits for its own time goes on waiting."""
        while len(self._held) > self._timers:
            self._out.write(self._held.popleft())

    def _due(self) -> None:
        self._timers -= 1
        if self._held and self._link.mode == "up":
            self._out.write(self._held.popleft())


class Relay:
    """A port of a device, and the connections through it."""

    def __init__(self, host: str, port: int, link: Link) -> None:
        self.gate = TcpGate(host, port, self._meet)
        self.link = link
        self.inner_port = 0
        """Where the server behind listens; known once that has started."""
        self._pairs: dict[Channel, Channel] = {}
        self._ways: dict[Channel, tuple[_Way, _Way]] = {}

    def follow(self) -> None:
        """Open or close the port as the link demands, and let go what a hanging link has held."""
        if self.link.mode == "dead":
            self.close()
            return
        self.gate.open()
        if self.link.mode == "up":
            for ways in self._ways.values():
                for way in ways:
                    way.release()

    def close(self) -> None:
        """Close the port and cut every connection."""
        self.gate.close()
        for outer in list(self._pairs):
            outer.reset()
            self._part(outer)

    def _meet(self, outer: Channel) -> None:
        inner = dial("127.0.0.1", self.inner_port)
        there = _Way(self.link, inner, lambda: 0.0)
        back = _Way(self.link, outer, lambda: self.link.delay_s)
        self._pairs[outer], self._ways[outer] = inner, (there, back)
        outer.on_data, inner.on_data = there.take, back.take
        outer.on_end = lambda: self._part(outer)
        inner.on_end = lambda: self._part(outer)

    def _part(self, outer: Channel) -> None:
        inner = self._pairs.pop(outer, None)
        self._ways.pop(outer, None)
        outer.close()
        if inner is not None:
            inner.close()
