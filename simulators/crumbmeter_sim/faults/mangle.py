"""What each fault does to one frame. Pure: a frame goes in, and out come pieces with the time each of them waits."""

from collections import deque
from collections.abc import Callable
from random import Random

from crumbmeter_sim.faults.frames import body_of, rebuilt
from crumbmeter_sim.faults.kinds import Fault, Framing

Piece = tuple[float, bytes]
"""Waiting time [s], bytes."""

_KEPT = 8
_SHORTEST = {"tcp": 9, "rtu": 4}
"""Bytes of the least frame that has a unit, a function and something more."""
_ECHOES = (5, 6, 15, 16, 22)


class Memory:
    """What one direction of a connection has seen."""

    def __init__(self) -> None:
        self.held: list[bytes] = []
        """Frames that wait for the next one to go first."""
        self.held_until_s = float("inf")
        """[s] They are lost where that comes later."""
        self.past: deque[bytes] = deque(maxlen=_KEPT)
        self.other: bytes = b""
        """The other direction's last frame."""


def mangle(fault: Fault, framing: Framing, frame: bytes, memory: Memory, random: Random) -> list[Piece]:
    """Return the pieces that go out in place of `frame`."""
    timed = _TIMED.get(fault.kind)
    if timed is not None:
        return timed(fault, frame, memory, random)
    if len(frame) < _SHORTEST[framing]:
        return [(0.0, frame)]
    return [(0.0, _CHANGED[fault.kind](fault, framing, frame, random))]


def _delay(fault: Fault, frame: bytes, _: Memory, random: Random) -> list[Piece]:
    spread_s = random.uniform(-fault.spread_s, fault.spread_s)
    return [(fault.lasts_s + spread_s, frame)]


def _drop(*_: object) -> list[Piece]:
    return []


def _duplicate(fault: Fault, frame: bytes, _: Memory, __: Random) -> list[Piece]:
    return [(0.0, frame + frame)] if fault.lasts_s == 0.0 else [(0.0, frame), (fault.lasts_s, frame)]


def _reorder(_: Fault, frame: bytes, memory: Memory, __: Random) -> list[Piece]:
    memory.held.append(frame)
    return []


def _stale(_: Fault, frame: bytes, memory: Memory, random: Random) -> list[Piece]:
    return [(0.0, random.choice(memory.past) if memory.past else frame)]


def _split(fault: Fault, frame: bytes, _: Memory, __: Random) -> list[Piece]:
    size = max(1, fault.takes)
    return [(i // size * fault.lasts_s, frame[i : i + size]) for i in range(0, len(frame), size)]


def _noise(fault: Fault, frame: bytes, _: Memory, random: Random) -> list[Piece]:
    rubbish = random.randbytes(max(1, fault.takes))
    return [(0.0, rubbish + frame if random.random() < 0.5 else frame + rubbish)]


def _echo(_: Fault, frame: bytes, memory: Memory, __: Random) -> list[Piece]:
    return [(0.0, memory.other + frame)]


_TIMED: dict[str, Callable[[Fault, bytes, Memory, Random], list[Piece]]] = {
    "delay": _delay,
    "drop": _drop,
    "carry_over": _drop,
    "carry_over_stamped": _drop,
    "duplicate": _duplicate,
    "reorder": _reorder,
    "stale": _stale,
    "split": _split,
    "noise": _noise,
    "echo": _echo,
}


def _truncate(fault: Fault, _: Framing, frame: bytes, random: Random) -> bytes:
    lost = fault.takes or random.randint(1, max(1, len(frame) - 1))
    return frame[: max(0, len(frame) - lost)]


def _other(value: int, top: int, random: Random) -> int:
    """Return another number up to `top`: often the neighbour, which is the worse trap."""
    if random.random() < 0.5:
        return (value + random.choice((-1, 1))) % (top + 1)
    return (value + random.randint(1, top)) % (top + 1)


def _with_byte(framing: Framing, frame: bytes, place: int, random: Random) -> bytes:
    body = bytearray(body_of(framing, frame))
    if place < len(body):
        body[place] = _other(body[place], 0xFF, random)
    return rebuilt(framing, frame, bytes(body))


def _wrong_unit(_: Fault, framing: Framing, frame: bytes, random: Random) -> bytes:
    return _with_byte(framing, frame, 0, random)


def _wrong_function(_: Fault, framing: Framing, frame: bytes, random: Random) -> bytes:
    body = bytearray(body_of(framing, frame))
    others = [code for code in (1, 2, 3, 4, 5, 6, 15, 16, 22, 23) if code != body[1] & 0x7F]
    body[1] = random.choice(others)
    return rebuilt(framing, frame, bytes(body))


def _wrong_count(_: Fault, framing: Framing, frame: bytes, random: Random) -> bytes:
    """Let the count lie, or take a register away, or add one; a frame without data gets another byte at its end."""
    body = bytearray(body_of(framing, frame))
    if body[1] & 0x80 or len(body) < 5 or body[2] != len(body) - 3:
        body[-1] = _other(body[-1], 0xFF, random)
        return rebuilt(framing, frame, bytes(body))
    way = random.choice(("lie", "short", "long"))
    if way == "lie":
        body[2] = _other(body[2], 0xFF, random)
    elif way == "short":
        del body[-2:]
        body[2] = len(body) - 3
    else:
        body += random.randbytes(2)
        body[2] = (len(body) - 3) & 0xFF
    return rebuilt(framing, frame, bytes(body))


def _wrong_address(fault: Fault, framing: Framing, frame: bytes, random: Random) -> bytes:
    """Change the low byte of an address. A reply that holds data has none, and stays as it is."""
    if fault.direction == "to_master" and body_of(framing, frame)[1] not in _ECHOES:
        return frame
    return _with_byte(framing, frame, 3, random)


def _wrong_transaction(_: Fault, __: Framing, frame: bytes, random: Random) -> bytes:
    return _other(int.from_bytes(frame[:2], "big"), 0xFFFF, random).to_bytes(2, "big") + frame[2:]


def _wrong_protocol(_: Fault, __: Framing, frame: bytes, random: Random) -> bytes:
    return frame[:2] + random.randint(1, 0xFFFF).to_bytes(2, "big") + frame[4:]


def _wrong_length(_: Fault, __: Framing, frame: bytes, random: Random) -> bytes:
    return frame[:4] + _other(int.from_bytes(frame[4:6], "big"), 0xFF, random).to_bytes(2, "big") + frame[6:]


def _wrong_crc(_: Fault, __: Framing, frame: bytes, random: Random) -> bytes:
    changed = bytearray(frame)
    changed[random.randrange(len(frame))] ^= 1 << random.randrange(8)
    return bytes(changed)


def _exception(fault: Fault, framing: Framing, frame: bytes, _: Random) -> bytes:
    body = body_of(framing, frame)
    return rebuilt(framing, frame, bytes((body[0], body[1] | 0x80, fault.takes)))


_CHANGED: dict[str, Callable[[Fault, Framing, bytes, Random], bytes]] = {
    "truncate": _truncate,
    "wrong_unit": _wrong_unit,
    "wrong_function": _wrong_function,
    "wrong_count": _wrong_count,
    "wrong_address": _wrong_address,
    "wrong_transaction": _wrong_transaction,
    "wrong_protocol": _wrong_protocol,
    "wrong_length": _wrong_length,
    "wrong_crc": _wrong_crc,
    "exception": _exception,
}
