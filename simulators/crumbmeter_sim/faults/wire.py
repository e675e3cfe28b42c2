"""A wire: the two directions of one connection, each frame of which may be struck by a fault.

A stream stays a stream: who says a frame in pieces says nothing else between them, and TCP, which loses no byte in the
middle, brings nothing after a frame whose end is lost. Otherwise a peer could forge what stands inside a Modbus TCP
frame, which no check sum guards, and no master could tell.
"""

from collections.abc import Iterable
from typing import NamedTuple

from crumbmeter_sim.faults.deck import Carried, Deck
from crumbmeter_sim.faults.frames import cutter, unit_of
from crumbmeter_sim.faults.kinds import CARRIED, KINDS, Direction, Fault, Framing
from crumbmeter_sim.faults.mangle import Memory, Piece, mangle

_APART_S = 0.002
"""[s] So much later than what comes ahead of it a frame goes out."""


class Passage(NamedTuple):
    """Bytes that go on after a while, or a fault that strikes the whole line."""

    delay_s: float
    data: bytes
    outage: Fault | None = None
    frame: int = 0
    """Number of the frame of which this is a piece, where others follow or have gone before; 0 for a whole one."""
    more: bool = False
    """Whether further pieces of it follow: nothing else goes out between them."""
    cut: bool = False
    """Whether the end of it is lost for good: nothing more goes out on this connection."""


class Wire:
    """One connection. Knows no socket: whoever owns it sends what `pass_on` returns."""

    def __init__(self, deck: Deck, framing: Framing) -> None:
        self.deck = deck
        self._framing: Framing = framing
        self._cutters = {"to_master": cutter(framing, "to_master"), "to_device": cutter(framing, "to_device")}
        self._memories = {"to_master": Memory(), "to_device": Memory()}
        self._split = 0

    def waiting(self, direction: Direction) -> bool:
        """Whether a part of a frame is held, which `flush` would hand on."""
        return self._cutters[direction].waiting

    def pass_on(self, direction: Direction, data: bytes, now_s: float) -> list[Passage]:
        """Take bytes as they come; return what goes on."""
        passages: list[Passage] = []
        for frame in self._cutters[direction].feed(data):
            passages += self.pass_frame(direction, frame, now_s)
        return passages

    def flush(self, direction: Direction) -> bytes:
        """Return bytes that are no whole frame and will not become one."""
        return self._cutters[direction].flush()

    def pass_frame(self, direction: Direction, frame: bytes, now_s: float) -> Iterable[Passage]:
        """Take one whole frame; return what goes on."""
        deck = self.deck
        if now_s < deck.hole_until_s:
            deck.seen[direction] += 1
            deck.done["swallowed"] += 1
            return ()
        memory = self._memories[direction]
        fault = deck.pick(direction, unit_of(self._framing, frame), now_s)
        held, memory.held = memory.held if now_s <= memory.held_until_s else [], []
        brought = [Passage(0.0, late) for late in self._brought_over(direction, frame, now_s)]
        passages: list[Passage]
        if fault is None:
            passages = [Passage(0.0, frame)]
        elif KINDS[fault.kind].whole_line:
            passages = [self._outage(fault, now_s)]
        else:
            passages = self._struck(fault, mangle(fault, self._framing, frame, memory, deck.random))
            if fault.kind == "reorder":
                memory.held_until_s = now_s + (fault.lasts_s or float("inf"))
            elif fault.kind in CARRIED:
                until_s, stamped = now_s + (fault.lasts_s or float("inf")), fault.kind == "carry_over_stamped"
                deck.carried = [one for one in deck.carried if now_s <= one.until_s]
                deck.carried.append(Carried(self, direction, frame, until_s, stamped))
        passages += [Passage(0.0, late) for late in held]
        if brought:
            # Alone, so that it has every chance to be taken for the answer.
            passages = [*brought, *(one._replace(delay_s=one.delay_s + _APART_S) for one in passages)]
        memory.past.append(frame)
        self._memories["to_device" if direction == "to_master" else "to_master"].other = frame
        return passages

    def _brought_over(self, direction: Direction, frame: bytes, now_s: float) -> list[bytes]:
        """Take what other connections have left for this direction, ahead of `frame`."""
        here = [one for one in self.deck.carried if one.direction == direction and one.connection is not self]
        if not here:
            return []
        self.deck.carried = [one for one in self.deck.carried if one not in here]
        return [frame[:2] + one.frame[2:] if one.stamped else one.frame for one in here if now_s <= one.until_s]

    def _struck(self, fault: Fault, pieces: list[Piece]) -> list[Passage]:
        if fault.kind == "split":
            self._split += 1
            last = len(pieces) - 1
            return [Passage(at_s, piece, None, self._split, i < last) for i, (at_s, piece) in enumerate(pieces)]
        cut = fault.kind == "truncate" and self._framing == "tcp"
        return [Passage(at_s, piece, cut=cut) for at_s, piece in pieces]

    def _outage(self, fault: Fault, now_s: float) -> Passage:
        if fault.kind == "black_hole":
            self.deck.hole_until_s = now_s + fault.lasts_s
        return Passage(0.0, b"", fault)
