"""Full-rate scans in the journal: packed as they happen, compressed in the writer thread, replayed years later.

builder.add(record)      in the scan: cheap, and after so many scans it returns a block
scan_entry(block, at)    an entry whose bytes are made in the writer thread
iterate(reader)          every scan again, equal to what was given
"""

import struct
from collections.abc import Iterator
from hashlib import blake2b
from typing import Final

from crumbmeter.journal.entry import DeferredEntry, Stored
from crumbmeter.journal.reader import Reader
from crumbmeter.ledger.scancode import (
    DIGEST_BYTES,
    NO_WORDS,
    SAME_WORDS,
    Columns,
    ScanRecord,
    decode_scans,
    packed_command,
)
from crumbmeter.ledger.stamped import SCANS, Stamped
from crumbmeter.model.image import RawBlock, WriteStatus
from crumbmeter.model.outputs import OutputImage

BLOCK_SCANS: Final = 150
"""Half a minute of scans at 200 ms: what a power cut may cost of the full-rate images."""


def digest_outputs(outputs: OutputImage) -> bytes:
    """Return 8 bytes that tell whether a replay gave the same outputs, bit for bit."""
    roles = ",".join([role for role, _ in outputs.values])
    values = struct.pack(f"<{len(outputs.values)}d", *[value for _, value in outputs.values])
    flags = bytes((outputs.write_enabled, outputs.stop_now))
    return blake2b(flags + values + roles.encode(), digest_size=DIGEST_BYTES).digest()


class ScanBlockBuilder:
    """Packs scans into blocks. One for each boot; numbers scans from `first_scan` on."""

    def __init__(self, block_scans: int = BLOCK_SCANS, first_scan: int = 0) -> None:
        self._block_scans = block_scans
        self._begin(first_scan)

    def _begin(self, first_scan: int) -> None:
        self._columns = Columns(first_scan)
        self._blocks: tuple[RawBlock, ...] | None = None
        self._writes: tuple[WriteStatus, ...] | None = None

    @property
    def next_scan(self) -> int:
        """Return the number that the next scan gets: what a snapshot taken now has to carry."""
        return self._columns.first_scan + self._columns.scans

    def add(self, record: ScanRecord) -> Columns | None:
        """Pack one scan; return the block when it is full.

        Raises:
            ValueError: something does not fit the format (a word that is none). The open block is lost with it, and the
                next scan begins a new one.
        """
        columns = self._columns
        try:
            self._pack(columns, record)
        except (OverflowError, ValueError, TypeError) as problem:
            self._begin(self.next_scan + 1)
            raise ValueError(f"scan cannot be packed: {problem}") from problem
        columns.scans += 1
        return self.flush() if columns.scans >= self._block_scans else None

    def flush(self) -> Columns | None:
        """Return what is packed so far, or None when that is nothing: at the end of a run."""
        columns = self._columns
        if not columns.scans:
            return None
        self._begin(self.next_scan)
        return columns

    def _pack(self, columns: Columns, record: ScanRecord) -> None:
        image = record.image
        if len(record.outputs_digest) != DIGEST_BYTES:
            raise ValueError(f"a digest of {len(record.outputs_digest)} bytes")
        changed_blocks = self._pack_blocks(columns, image.blocks)
        changed_writes = self._pack_writes(columns, image.writes)
        columns.times.append(image.now_s)
        columns.times.append(record.dt_s)
        columns.digests += record.outputs_digest
        columns.counts.extend((len(image.blocks), changed_blocks, len(image.writes), changed_writes))
        for command in record.commands:
            columns.commands.append((columns.scans, packed_command(command)))

    def _pack_blocks(self, columns: Columns, blocks: tuple[RawBlock, ...]) -> int:
        before, self._blocks = self._blocks, blocks
        if blocks is before:
            return 0
        known = before is not None and len(before) == len(blocks)
        shape_of, changed = columns.block_shape_of, 0
        for index, block in enumerate(blocks):
            prior = before[index] if known and before is not None else None
            if block is prior:
                continue
            words = block.words
            if words is None:
                count = NO_WORDS
            elif prior is not None and words == prior.words:
                count = SAME_WORDS
            else:
                count = len(words)
                columns.words.extend(words)
            shape = (block.outcome, block.exception_code, count)
            place = shape_of.get(shape)
            if place is None:
                place = shape_of[shape] = len(shape_of)
            columns.indices.append(index)
            columns.shapes.append(place)
            columns.received.append(block.received_s)
            changed += 1
        return changed

    def _pack_writes(self, columns: Columns, writes: tuple[WriteStatus, ...]) -> int:
        before, self._writes = self._writes, writes
        if writes is before:
            return 0
        known = before is not None and len(before) == len(writes)
        shape_of, changed = columns.write_shape_of, 0
        for index, write in enumerate(writes):
            if known and before is not None and write is before[index]:
                continue
            back = write.read_back_words
            shape = (
                write.stage, len(write.requested_words), NO_WORDS if back is None else len(back), write.wear_percent,
                int(write.foreign),
            )  # fmt: skip
            place = shape_of.get(shape)
            if place is None:
                place = shape_of[shape] = len(shape_of)
            columns.write_indices.append(index)
            columns.write_shapes.append(place)
            columns.stamps.append(write.requested_s)
            columns.stamps.append(write.stamped_s)
            columns.write_words.extend(write.requested_words)
            if back is not None:
                columns.write_words.extend(back)
            changed += 1
        return changed


def scan_entry(block: Columns, at: Stamped) -> DeferredEntry:
    """Make the entry of a block of scans; it is compressed in the writer thread."""
    return DeferredEntry("image", SCANS, block.body, at.mono_us, at.wall_us, at.flags)


def iterate(reader: Reader, boot_id: str | None = None) -> Iterator[tuple[Stored, int, ScanRecord]]:
    """Iterate every scan in order with its number and the entry that holds it, of one boot or of all."""
    for stored in reader.entries("image", (SCANS,)):
        if boot_id is None or stored.boot_id == boot_id:
            for number, record in decode_scans(stored.body):
                yield stored, number, record
