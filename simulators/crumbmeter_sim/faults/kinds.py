"""Every fault that the line can have, and how a script or a mix names them. docs/simulator.md shows this table."""

from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any, Literal

from crumbmeter_sim.loader import FileRefusedError, build, read_toml

Direction = Literal["to_master", "to_device"]
Framing = Literal["tcp", "rtu"]
FRAMINGS: tuple[Framing, ...] = ("tcp", "rtu")


@dataclass(frozen=True, slots=True)
class Kind:
    """What a fault does, and what it takes where the script does not say."""

    what: str
    framings: tuple[Framing, ...] = FRAMINGS
    seconds: float = 0.0
    size: int = 0
    whole_line: bool = False
    """It strikes the connection or the port, not a frame."""


KINDS: dict[str, Kind] = {
    "delay": Kind("the frame comes late, by `seconds` and up to `spread_s` more or less", seconds=0.5),
    "drop": Kind("the frame is lost"),
    "duplicate": Kind("the frame comes twice, the second `seconds` after the first"),
    "reorder": Kind(
        "the frame is held until the next one of its direction has gone; lost after `seconds`, where given"
    ),
    "carry_over": Kind(
        "the frame is kept, and comes ahead of the next connection's first one; lost after `seconds`, where given"
    ),
    "carry_over_stamped": Kind("the same, with the transaction id of the frame that it comes ahead of", ("tcp",)),
    "stale": Kind("an earlier frame of its direction comes in its place, byte for byte"),
    "truncate": Kind("the last `size` bytes are lost, without `size` any number; over TCP with all that would follow"),
    "split": Kind("the frame comes in pieces of `size` bytes, `seconds` apart", seconds=0.008, size=8),
    "noise": Kind("`size` bytes of rubbish come before or behind the frame", size=3),
    "echo": Kind("the line hears itself: the other direction's last frame comes first"),
    "wrong_unit": Kind("another unit id, all else in order"),
    "wrong_function": Kind("another function code, all else in order"),
    "wrong_count": Kind("a byte count that lies, or one register too few or too many"),
    "wrong_address": Kind("the address in the echo of a write is another (or in any request, towards the device)"),
    "wrong_transaction": Kind("another transaction id", ("tcp",)),
    "wrong_protocol": Kind("a protocol id that is not 0", ("tcp",)),
    "wrong_length": Kind("a length in the header that is not the frame's", ("tcp",)),
    "wrong_crc": Kind("one bit is turned on the way, and the CRC tells", ("rtu",)),
    "exception": Kind("exception `size` comes in place of the reply", size=6),
    "fin": Kind("the connection is closed in place of the frame", whole_line=True),
    "rst": Kind("the connection is reset in place of the frame", whole_line=True),
    "black_hole": Kind("for `seconds` nothing passes, and nobody is told", seconds=2.0, whole_line=True),
    "close_port": Kind("connections are reset and new ones refused for `seconds`", seconds=2.0, whole_line=True),
    "stop_accepting": Kind("connections are reset, new ones wait for `seconds`", seconds=2.0, whole_line=True),
    "wrong_banner": Kind(
        "connections are reset; for `seconds` something that is no Modbus answers", seconds=2.0, whole_line=True
    ),
}
CARRIED = ("carry_over", "carry_over_stamped")
OUTAGES = tuple(name for name, kind in KINDS.items() if kind.whole_line)
MISMATCHES = tuple(name for name, kind in KINDS.items() if not kind.whole_line)


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault and when it strikes. Frames are counted from 1 in their direction, of all connections together.

    With neither `share` nor `frames` nor `every` it strikes each frame that its other conditions let through.
    """

    kind: str
    direction: Direction = "to_master"
    share: float | None = None
    """Of the frames, by chance, from 0 to 1."""
    frames: tuple[int, ...] = ()
    every: int = 0
    unit: int | None = None
    from_s: float = 0.0
    for_s: float | None = None
    seconds: float | None = None
    spread_s: float = 0.0
    size: int | None = None

    @property
    def lasts_s(self) -> float:
        """[s] `seconds`, or what this kind takes without."""
        return KINDS[self.kind].seconds if self.seconds is None else self.seconds

    @property
    def takes(self) -> int:
        """Return `size`, or what this kind takes without."""
        return KINDS[self.kind].size if self.size is None else self.size


def problems_of(fault: Fault, framing: Framing | None = None) -> list[str]:
    """Return what is wrong with a fault; with a framing, also whether a line of that framing can have it."""
    kind = KINDS.get(fault.kind)
    if kind is None:
        return [f"kind = {fault.kind!r}: no such fault (known: {', '.join(KINDS)})"]
    found = []
    if framing is not None and framing not in kind.framings:
        found.append(f"kind = {fault.kind!r}: only with framing {', '.join(kind.framings)}")
    if fault.direction not in ("to_master", "to_device"):
        found.append(f"direction = {fault.direction!r}: expected to_master or to_device")
    if fault.share is not None and not 0.0 <= fault.share <= 1.0:
        found.append(f"share = {fault.share}: expected 0 to 1")
    if (fault.share is not None) + bool(fault.frames) + bool(fault.every) > 1:
        found.append("share, frames, every: only one of them")
    if any(number < 1 for number in fault.frames) or fault.every < 0:
        found.append("frames, every: counted from 1")
    if fault.lasts_s < 0.0 or not 0.0 <= fault.spread_s <= max(fault.lasts_s, 0.0):
        found.append(f"seconds = {fault.lasts_s}, spread_s = {fault.spread_s}: expected 0 <= spread_s <= seconds")
    if fault.takes < 0:
        found.append(f"size = {fault.size}: expected 0 or more")
    return found


def read_mix(text: str, framing: Framing | None = None, **common: Any) -> tuple[Fault, ...]:
    """Read a mix: `delay=0.05,drop=0.02`, or `all=0.01` for every fault of a frame that the framing can have.

    Args:
        text: Kinds and their shares of the frames.
        framing: Framing of the line; kinds that it cannot have are refused, or left out of `all`.
        common: Further fields of each fault (`seconds` and `spread_s` go to `delay` alone).

    Raises:
        ValueError: naming everything that is wrong.
    """
    delays = {key: common.pop(key) for key in ("seconds", "spread_s") if key in common}
    shares: dict[str, float] = {}
    wrong: list[str] = []
    for entry in filter(None, (part.strip() for part in text.split(","))):
        name, _, number = entry.partition("=")
        try:
            share = float(number)
        except ValueError:
            wrong.append(f"{entry}: not `kind=share`")
            continue
        for kind in MISMATCHES if name == "all" else (name,):
            if name != "all" or framing is None or framing in KINDS[kind].framings:
                shares[kind] = share
    faults = [Fault(kind, share=share, **common) for kind, share in shares.items()]
    faults = [replace(fault, **delays) if fault.kind == "delay" else fault for fault in faults]
    wrong += [problem for fault in faults for problem in problems_of(fault, framing)]
    if sum(shares.values()) > 1.0:
        wrong.append(f"{text}: shares of more than 1 together")
    if wrong:
        raise ValueError("; ".join(wrong))
    return tuple(faults)


@dataclass(frozen=True, slots=True)
class _Script:
    fault: tuple[Fault, ...]
    seed: int = 1


def read_script(path: Path, framing: Framing | None = None) -> tuple[tuple[Fault, ...], int]:
    """Read a script (`[[fault]]` tables with the fields of Fault, and `seed`); return the faults and the seed.

    Raises:
        FileRefusedError: with every problem found.
    """
    script = build(path, _Script, read_toml(path))
    wrong = [f"  fault[{i}].{text}" for i, fault in enumerate(script.fault) for text in problems_of(fault, framing)]
    if wrong:
        raise FileRefusedError(path, wrong)
    return script.fault, script.seed


FIELDS = tuple(field.name for field in fields(Fault))
