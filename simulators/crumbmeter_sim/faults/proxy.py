"""The fault proxy: stands between a master and a device, and lets through what its deck lets through.

master ── gate ──► Pair ──► dial ── device
           ▲         │
           └── deck ─┘   one for the line: which fault strikes, and the counts
"""

import asyncio
import os
import tty
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from crumbmeter_sim.channel import Channel, dial
from crumbmeter_sim.faults.deck import Deck
from crumbmeter_sim.faults.kinds import OUTAGES, Direction, Fault, Framing, problems_of
from crumbmeter_sim.faults.wire import Passage, Wire
from crumbmeter_sim.gate import Gate, PtyGate, TcpGate

BANNER = b"SSH-2.0-no_modbus_here\r\n"
_SILENCE_S = 0.02
"""[s] Bytes that are no whole frame are handed on after this time without more."""


@dataclass(frozen=True, slots=True)
class Place:
    """One end of a line: `tcp:HOST:PORT` (Modbus TCP), `rtutcp:HOST:PORT` (RTU over TCP), `rtu:PATH` (serial)."""

    scheme: str
    host: str = ""
    port: int = 0
    path: str = ""

    @classmethod
    def read(cls, text: str) -> "Place":
        """Read it as a command line gives it.

        Raises:
            ValueError: where it is none of the three.
        """
        scheme, _, rest = text.partition(":")
        if scheme == "rtu" and rest:
            return cls(scheme, path=rest)
        host, _, port = rest.rpartition(":")
        if scheme in ("tcp", "rtutcp") and host and port.isdecimal():
            return cls(scheme, host.strip("[]"), int(port))
        raise ValueError(f"{text}: expected tcp:HOST:PORT, rtutcp:HOST:PORT or rtu:PATH")

    @property
    def framing(self) -> Framing:
        """How frames look here."""
        return "tcp" if self.scheme == "tcp" else "rtu"

    def gate(self) -> Gate:
        """Make the gate that masters come in by."""
        return PtyGate(Path(self.path)) if self.scheme == "rtu" else TcpGate(self.host, self.port)

    def dial(self) -> Channel:
        """Begin to connect to a device here."""
        if self.scheme != "rtu":
            return dial(self.host, self.port)
        fd = os.open(self.path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        tty.setraw(fd)
        return Channel(fd)


class Pair:
    """One master's connection and the one made for it to the device."""

    def __init__(self, proxy: "Proxy", master: Channel) -> None:
        self._proxy = proxy
        self._loop = asyncio.get_running_loop()
        self._wire = Wire(proxy.deck, proxy.framing)
        self.master = master
        self._device: Channel | None = None
        self._timers: dict[Direction, asyncio.TimerHandle] = {}
        self._speaking: dict[Direction, int] = {"to_master": 0, "to_device": 0}
        """Number of the frame that is under way in pieces."""
        self._waiting: dict[Direction, list[Passage]] = {"to_master": [], "to_device": []}
        self._cut: set[Direction] = set()
        master.on_data = self._from_master
        master.on_end = self.close
        self._dial()

    def _dial(self) -> bool:
        try:
            device = self._proxy.dial()
        except OSError:
            self._device_gone()
            return False
        self._device = device
        device.on_data = self._from_device
        device.on_end = self._device_gone
        return True

    def _device_gone(self) -> None:
        self._device = None
        if not self._proxy.serial:  # a serial line has no end to tell of
            self.close()

    def _from_master(self, data: bytes) -> None:
        if self._proxy.bannered:
            self.master.write(BANNER)
            return
        if self._device is None and not self._dial():
            return
        self._carry("to_device", data)

    def _from_device(self, data: bytes) -> None:
        self._carry("to_master", data)

    def _carry(self, direction: Direction, data: bytes) -> None:
        wire = self._wire
        for passage in wire.pass_on(direction, data, self._loop.time()):
            if passage.outage is not None:
                self._proxy.strike(passage.outage, self)
            elif passage.delay_s > 0.0:
                self._loop.call_later(passage.delay_s, self._go, direction, passage)
            else:
                self._go(direction, passage)
        timer = self._timers.pop(direction, None)
        if timer is not None:
            timer.cancel()
        if wire.waiting(direction):
            self._timers[direction] = self._loop.call_later(_SILENCE_S, self._hand_on, direction)

    def _go(self, direction: Direction, passage: Passage) -> None:
        """Send it, unless a frame is under way in pieces or the stream has ended in the middle of one."""
        if direction in self._cut:
            return
        if self._speaking[direction] not in (0, passage.frame):
            self._waiting[direction].append(passage)
            return
        self._speaking[direction] = passage.frame if passage.more else 0
        if passage.cut:
            self._cut.add(direction)
        self._send(direction, passage.data)
        if not passage.more and self._waiting[direction]:
            waiting, self._waiting[direction] = self._waiting[direction], []
            for other in waiting:
                self._go(direction, other)

    def _hand_on(self, direction: Direction) -> None:
        rest = self._wire.flush(direction)
        if rest and self._loop.time() >= self._proxy.deck.hole_until_s:
            self._send(direction, rest)

    def _send(self, direction: Direction, data: bytes) -> None:
        channel = self.master if direction == "to_master" else self._device
        if channel is not None:
            channel.write(data)

    def close(self, *, reset: bool = False) -> None:
        """End both connections. A serial master's stays: its line is the gate's."""
        self._proxy.pairs.discard(self)
        for timer in self._timers.values():
            timer.cancel()
        device, self._device = self._device, None
        if device is not None:
            device.on_end = lambda: None
            device.close()
        if self._proxy.serial:
            return
        if reset:
            self.master.reset()
        else:
            self.master.close()


class Proxy:
    """One line with faults. Everything but `start` and `close` may be called while it runs."""

    def __init__(self, gate: Gate, target: Callable[[], Channel], framing: Framing, deck: Deck | None = None) -> None:
        self.gate = gate
        self.dial = target
        self.framing: Framing = framing
        self.deck = deck or Deck()
        self.serial = isinstance(gate, PtyGate)
        self.pairs: set[Pair] = set()
        self.bannered = False
        """Whether those who ask get an answer that is no Modbus."""
        self._restoring: asyncio.TimerHandle | None = None
        gate.on_visitor = self._visit

    @classmethod
    def between(cls, listen: str, to: str, deck: Deck | None = None) -> "Proxy":
        """Make one from two places as the command line gives them.

        Raises:
            ValueError: where a place is none, or the two have different framings.
        """
        here, there = Place.read(listen), Place.read(to)
        if here.framing != there.framing:
            raise ValueError(f"{listen} and {to}: Modbus TCP here, RTU there; the proxy translates nothing")
        return cls(here.gate(), there.dial, here.framing, deck)

    @property
    def address(self) -> str:
        """Where masters find it."""
        return self.gate.address

    @property
    def port(self) -> int:
        """TCP port, known after `start`; 0 for a serial line."""
        return self.gate.port

    @property
    def counts(self) -> dict[str, int]:
        """How many frames went each way, and how often each fault was done."""
        return {f"frames_{name}": count for name, count in self.deck.seen.items()} | dict(self.deck.done)

    def start(self) -> None:
        """Let masters in."""
        self.gate.open()

    def close(self) -> None:
        """End everything."""
        if self._restoring is not None:
            self._restoring.cancel()
        self.gate.close()
        self._drop_all(reset=False)

    def inject(self, kind: str, **values: Any) -> Fault:
        """Add a fault from now on (fields of Fault); return it for `remove`. Raises ValueError where it cannot be."""
        fault = Fault(kind, **values)
        wrong = problems_of(fault, self.framing)
        if wrong:
            raise ValueError("; ".join(wrong))
        return self.deck.add(fault, asyncio.get_running_loop().time() if _timed(values) else 0.0)

    def remove(self, fault: Fault) -> None:
        """Take an injected fault out."""
        self.deck.remove(fault)

    def outage(self, kind: str, seconds: float | None = None) -> None:
        """Let the line fail now: one of `OUTAGES`. It ends after `seconds`; without them when `restore` is called."""
        if kind not in OUTAGES:
            raise ValueError(f"{kind}: no outage (known: {', '.join(OUTAGES)})")
        self.deck.done[kind] += 1
        hole = kind == "black_hole" or (kind == "stop_accepting" and self.serial)
        self.deck.hole_until_s = float("inf") if hole else 0.0
        self._strike(kind, seconds)

    def restore(self) -> None:
        """End an outage: the port is open, who comes is let in."""
        if self._restoring is not None:
            self._restoring.cancel()
            self._restoring = None
        self.deck.hole_until_s = 0.0
        self.bannered = False
        self.gate.attend()
        self.gate.open()

    def strike(self, fault: Fault, pair: Pair) -> None:
        """Do what a fault of the whole line does; FIN and RST strike one connection alone."""
        if fault.kind in ("fin", "rst") and not self.serial:
            pair.close(reset=fault.kind == "rst")
        else:
            self._strike(fault.kind, fault.lasts_s)

    def _strike(self, kind: str, seconds: float | None) -> None:
        if kind == "close_port" or (self.serial and kind in ("fin", "rst")):
            self.gate.close()
        elif kind == "stop_accepting":
            self.gate.ignore()
        self.bannered = kind == "wrong_banner"
        if kind != "black_hole":
            self._drop_all(reset=kind != "fin")
        if kind in ("fin", "rst"):
            self.gate.open()
            return
        if self._restoring is not None:  # what began last decides when it ends
            self._restoring.cancel()
            self._restoring = None
        if seconds is not None:
            self._restoring = asyncio.get_running_loop().call_later(seconds, self.restore)

    def _visit(self, master: Channel) -> None:
        pair = Pair(self, master)
        if master.open:
            self.pairs.add(pair)
        if self.bannered:
            master.write(BANNER)

    def _drop_all(self, *, reset: bool) -> None:
        for pair in list(self.pairs):
            pair.close(reset=reset)


def _timed(values: dict[str, Any]) -> bool:
    return "from_s" in values or "for_s" in values
