"""A daemon's journal under load, to be killed: the real Journal and ledger, saying each acknowledgement on its output.

    python -m tests.system.kill_worker JOURNAL FIRST

JOURNAL is the file, FIRST the number of the first entry. CRUMBMETER_CRASH_AT names a fault point at which the process
kills itself, CRUMBMETER_CRASH_AFTER how often it passes there before. Only this script reads them, never the product.
"""

import os
import random
import signal
import sys
import uuid
from dataclasses import replace
from pathlib import Path

from crumbmeter.journal.entry import Appendable, Stamp
from crumbmeter.journal.journal import Journal
from crumbmeter.journal.limits import Limits
from crumbmeter.ledger import events, parcels, scans
from crumbmeter.ledger.scancode import ScanRecord
from crumbmeter.ledger.stamped import Stamped
from crumbmeter.model.events import event
from crumbmeter.model.image import RawBlock, RawImage, ReadOutcome
from crumbmeter.model.parcel import Parcel
from crumbmeter.model.quality import Quality

WALL_US = 1_770_000_000_000_000
SECOND_US = 1_000_000


def small_limits() -> Limits:
    """Segments and retention so small that every fault point is passed within a moment."""
    base = Limits()
    return replace(
        base,
        record=replace(base.record, segment_entries=60, keep_us=120 * SECOND_US),
        image=replace(base.image, segment_entries=4, keep_us=60 * SECOND_US, queue_entries=1000),
        checkpoint_pages=40,
    )


def crash_point() -> "Crash":
    return Crash(os.environ.get("CRUMBMETER_CRASH_AT", ""), int(os.environ.get("CRUMBMETER_CRASH_AFTER", "0")))


class Crash:
    """Kills this process at the named point, as a power cut would: no handler runs, nothing is flushed."""

    def __init__(self, at: str, after: int) -> None:
        self._at = at
        self._left = after

    def __call__(self, point: str) -> None:
        if point == self._at:
            if self._left == 0:
                os.kill(os.getpid(), signal.SIGKILL)
            self._left -= 1


def parcel(number: int) -> Parcel:
    return Parcel(
        number, number * 1.0, number + 1.0, "surface", "added to mix", 0.005, 1250, 1240 + number % 20, 12, 230_000,
        8_000, 400, 12_000, Quality.GOOD, "feeding", controlled=True, simulated=False,
    )  # fmt: skip


def main(path: Path, first: int) -> None:
    """Append for ever; a line for every acknowledgement: both heads."""
    journal = Journal(path, uuid.uuid4().hex, lambda: Stamp(0, WALL_US), small_limits(), fault_point=crash_point())

    def acknowledged(_seq: int, _head: bytes) -> None:
        heads = journal.heads()
        os.write(1, f"ack {heads['record']} {heads['image']}\n".encode())

    journal.on_committed(acknowledged)
    os.write(1, f"open {journal.opening.outcome}\n".encode())
    rng = random.Random(first)
    builder = scans.ScanBlockBuilder(5)
    number = first
    while True:
        at = Stamped(number * SECOND_US, WALL_US + number * SECOND_US)
        batch: list[Appendable] = [parcels.entry(parcel(number), at)]
        batch += [events.entry(event("happened", number=number, part=part), at) for part in range(rng.randrange(4))]
        words = tuple(rng.randrange(65536) for _ in range(20))
        image = RawImage(float(number), (RawBlock(words, float(number), ReadOutcome.OK),))
        block = builder.add(ScanRecord(image, 0.2, (), bytes(8)))
        if block is not None:
            batch.append(scans.scan_entry(block, at))
        journal.append_nowait(batch)
        number += 1
        if number % 3 == 0:
            journal.flush(10.0)


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]))
