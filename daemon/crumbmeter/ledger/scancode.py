"""The bytes of a block of scans: columns, so that packing is cheap in the scan and compression finds its repetitions.

A read block or a write status that is the same object as in the scan before costs nothing. One that changed costs its
index, a shape (how the read ended, and how many words), its times as exact doubles, and its words unless these are
unchanged. Doubles and words are laid out byte plane by byte plane, which is what makes them compressible.
"""

import json
import struct
import sys
import zlib
from array import array
from collections.abc import Iterator
from dataclasses import field
from typing import Any, Final

from crumbmeter.model.commands import Command, CommandKind
from crumbmeter.model.frozen import dataclass
from crumbmeter.model.image import RawBlock, RawImage, ReadOutcome, WriteStage, WriteStatus

MAGIC: Final = b"crumbmeter scans 1\n"
DIGEST_BYTES: Final = 8
LEVEL: Final = 6
NO_WORDS: Final = -1
SAME_WORDS: Final = -2


@dataclass(frozen=True, slots=True)
class ScanRecord:
    """All that one scan was given, and a digest of what it gave: enough to replay it bit for bit and to know that."""

    image: RawImage
    dt_s: float
    """[s] Length of the scan, as the core was told."""
    commands: tuple[Command, ...]
    outputs_digest: bytes
    """8 bytes; see `digest_outputs`."""


@dataclass(slots=True)
class Columns:
    """A block of scans in columns."""

    first_scan: int
    scans: int = 0
    times: "array[float]" = field(default_factory=lambda: array("d"))
    """now_s and dt_s of every scan."""
    digests: bytearray = field(default_factory=bytearray)
    counts: "array[int]" = field(default_factory=lambda: array("H"))
    """For every scan: blocks, changed blocks, writes, changed writes."""
    indices: "array[int]" = field(default_factory=lambda: array("H"))
    shapes: "array[int]" = field(default_factory=lambda: array("H"))
    received: "array[float]" = field(default_factory=lambda: array("d"))
    """received_s of every changed block."""
    words: "array[int]" = field(default_factory=lambda: array("H"))
    write_indices: "array[int]" = field(default_factory=lambda: array("H"))
    write_shapes: "array[int]" = field(default_factory=lambda: array("H"))
    stamps: "array[float]" = field(default_factory=lambda: array("d"))
    """requested_s and stamped_s of every changed write."""
    write_words: "array[int]" = field(default_factory=lambda: array("H"))
    block_shape_of: dict[tuple[str, int, int], int] = field(default_factory=dict)
    write_shape_of: dict[tuple[str, int, int, int, int], int] = field(default_factory=dict)
    commands: list[tuple[int, list[str]]] = field(default_factory=list)
    """Place of the scan, and the command."""

    def arrays(self) -> "tuple[array[Any], ...]":
        """Return the columns in the order in which they are stored."""
        return (
            self.times,
            self.counts,
            self.indices,
            self.shapes,
            self.received,
            self.words,
            self.write_indices,
            self.write_shapes,
            self.stamps,
            self.write_words,
        )

    def body(self) -> bytes:
        """Return the canonical bytes. Heavy: for the writer thread."""
        columns = self.arrays()
        head = json.dumps(
            {
                "block_shapes": [list(shape) for shape in self.block_shape_of],
                "commands": self.commands,
                "first_scan": self.first_scan,
                "lengths": [len(column) for column in columns],
                "scans": self.scans,
                "write_shapes": [_short(shape) for shape in self.write_shape_of],
            },
            sort_keys=True,
            separators=(",", ":"),
        ).encode()
        parts = [struct.pack("<I", len(head)), head, bytes(self.digests), *map(_planes, columns)]
        return MAGIC + zlib.compress(b"".join(parts), LEVEL)


def _short(shape: tuple[str, int, int, int, int]) -> list[str | int]:
    """Leave wear and foreign words out where there are none, as in records of before there was a word for them."""
    return list(shape) if shape[4] else list(shape[:4]) if shape[3] else list(shape[:3])


def _planes(column: "array[Any]") -> bytes:
    """Return a column's bytes, all first bytes before all second ones and so on, little end first."""
    raw = column.tobytes()
    size = column.itemsize
    order = range(size) if sys.byteorder == "little" else range(size - 1, -1, -1)
    return b"".join(raw[place::size] for place in order)


def _from_planes(code: str, raw: bytes, length: int) -> "array[Any]":
    column = array(code)
    size = column.itemsize
    mixed = bytearray(length * size)
    order = range(size) if sys.byteorder == "little" else range(size - 1, -1, -1)
    for plane, place in enumerate(order):
        mixed[place::size] = raw[plane * length : (plane + 1) * length]
    column.frombytes(mixed)
    return column


def packed_command(command: Command) -> list[str]:
    """Return a command as texts; floats in hexadecimal, so that any value at all is exact.

    What is mostly left out comes last: a reason, and since when.
    """
    texts = [
        command.kind.value,
        command.who,
        command.command_id,
        float(command.expires_s).hex(),
        command.subject,
        float(command.value).hex(),
    ]
    if command.since_s:
        return [*texts, command.reason, float(command.since_s).hex()]
    return [*texts, command.reason] if command.reason else texts


def _command(texts: list[str]) -> Command:
    kind, who, command_id, expires, subject, value, *rest = texts
    reason = rest[0] if rest else ""
    since_s = float.fromhex(rest[1]) if len(rest) > 1 else 0.0
    number = float.fromhex(value)
    return Command(CommandKind(kind), who, command_id, float.fromhex(expires), subject, number, reason, since_s)


def decode_scans(body: bytes) -> Iterator[tuple[int, ScanRecord]]:
    """Yield number and record of every scan of a block.

    Raises:
        ValueError: this is no block of scans of a version that this program knows.
    """
    if not body.startswith(MAGIC):
        raise ValueError("no block of scans, or one of a newer version")
    raw = zlib.decompress(body[len(MAGIC) :])
    (head_length,) = struct.unpack_from("<I", raw)
    at = 4 + head_length
    head = json.loads(raw[4:at])
    digests = raw[at : at + head["scans"] * DIGEST_BYTES]
    at += len(digests)
    columns: list[array[Any]] = []
    for code, length in zip("dHHHdHHHdH", head["lengths"], strict=True):
        size = array(code).itemsize * length
        columns.append(_from_planes(code, raw[at : at + size], length))
        at += size
    return _scans(head, digests, columns)


def _scans(head: dict[str, Any], digests: bytes, columns: "list[array[Any]]") -> Iterator[tuple[int, ScanRecord]]:
    times, counts = columns[0], columns[1]
    blocks = _Blocks(head["block_shapes"], columns[2:6])
    writes = _Writes(head["write_shapes"], columns[6:10])
    commands: dict[int, list[Command]] = {}
    for scan, texts in head["commands"]:
        commands.setdefault(scan, []).append(_command(texts))
    for scan in range(head["scans"]):
        block_count, changed_blocks, write_count, changed_writes = counts[4 * scan : 4 * scan + 4]
        image = RawImage(
            times[2 * scan], blocks.step(block_count, changed_blocks), writes.step(write_count, changed_writes)
        )
        digest = digests[scan * DIGEST_BYTES : (scan + 1) * DIGEST_BYTES]
        taken = tuple(commands[scan]) if scan in commands else ()
        yield head["first_scan"] + scan, ScanRecord(image, times[2 * scan + 1], taken, digest)


class _Blocks:
    """The read blocks, scan by scan."""

    def __init__(self, shapes: list[list[Any]], columns: "list[array[Any]]") -> None:
        self._shapes = [(ReadOutcome(outcome), code, count) for outcome, code, count in shapes]
        self._indices, self._places, self._received, words = (column.tolist() for column in columns)
        self._words: list[int] = words
        self._at = self._word = 0
        self._now: tuple[RawBlock, ...] = ()

    def step(self, count: int, changed: int) -> tuple[RawBlock, ...]:
        """Return the blocks of the next scan."""
        if not changed and count == len(self._now):
            return self._now
        now: list[Any] = list(self._now) if count == len(self._now) else [None] * count
        for at in range(self._at, self._at + changed):
            index = self._indices[at]
            outcome, code, size = self._shapes[self._places[at]]
            if size == SAME_WORDS:
                words = now[index].words
            elif size == NO_WORDS:
                words = None
            else:
                words = tuple(self._words[self._word : self._word + size])
                self._word += size
            now[index] = RawBlock(words, self._received[at], outcome, code)
        self._at += changed
        self._now = tuple(now)
        return self._now


class _Writes:
    """The write statuses, scan by scan."""

    def __init__(self, shapes: list[list[Any]], columns: "list[array[Any]]") -> None:
        # A fourth part, the wear, and a fifth, foreign words, stand there only where there are any.
        self._shapes = [
            (WriteStage(stage), requested, back, *more, *(0, 0)[len(more) :])
            for stage, requested, back, *more in shapes
        ]
        self._indices, self._places, self._stamps, words = (column.tolist() for column in columns)
        self._words: list[int] = words
        self._at = self._word = 0
        self._now: tuple[WriteStatus, ...] = ()

    def step(self, count: int, changed: int) -> tuple[WriteStatus, ...]:
        """Return the statuses of the next scan."""
        if not changed and count == len(self._now):
            return self._now
        now: list[Any] = list(self._now) if count == len(self._now) else [None] * count
        for at in range(self._at, self._at + changed):
            stage, requested, back, wear, foreign = self._shapes[self._places[at]]
            asked = self._take(requested)
            told = None if back == NO_WORDS else self._take(back)
            asked_s, stamped_s = self._stamps[2 * at : 2 * at + 2]
            now[self._indices[at]] = WriteStatus(stage, asked, told, asked_s, stamped_s, wear, bool(foreign))
        self._at += changed
        self._now = tuple(now)
        return self._now

    def _take(self, count: int) -> tuple[int, ...]:
        self._word += count
        return tuple(self._words[self._word - count : self._word])
