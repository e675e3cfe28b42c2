"""Rates of the journal and of the ledger's codecs, beside a floor in the same run. Prints JSON; asserts nothing.

    python -m tests.benchmarks.bench_journal [FOLDER]

FOLDER is on the disk to be measured; a temporary one unless given.
"""

import json
import random
import sys
import time
import uuid
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import apsw

from crumbmeter.journal.entry import Entry, Stamp
from crumbmeter.journal.journal import Journal
from crumbmeter.journal.reader import Reader
from crumbmeter.journal.verify import verify
from crumbmeter.ledger.scancode import ScanRecord, decode_scans
from crumbmeter.ledger.scans import ScanBlockBuilder, digest_outputs
from crumbmeter.model.image import RawBlock, RawImage, ReadOutcome, WriteStage, WriteStatus
from crumbmeter.model.outputs import OutputImage, OutputRole

ENTRIES = 50_000
BATCH = 100
SCANS = 6_000
SCANS_A_DAY = 432_000
"""At 200 ms."""
QUEUED = 10_000
BLOCKS = 14
BODY = (
    b'{"layout":"0011223344556677","q":"222222222222222222","run":"feeding","v":1,"x":['
    + b"1.23456789," * 17
    + b"1.0]}"
)


@dataclass
class Rates:
    """What was measured, in its order."""

    told: list[dict[str, Any]] = field(default_factory=list)

    def take(self, what: str, count: int, act: Callable[[], object], unit: str = "entries") -> float:
        """Time `act`, which does `count` things; return how many a second."""
        began = time.perf_counter()
        act()
        took_s = time.perf_counter() - began
        self.told.append({"what": what, "unit": unit, "per_s": count / took_s, "us_each": 1e6 * took_s / count})
        return count / took_s


def floor(path: Path, entries: int) -> None:
    """The same rows through bare apsw: no thread, no chain, no seals."""
    connection = apsw.Connection(str(path))
    connection.execute("PRAGMA journal_mode=WAL").fetchall()
    connection.execute("PRAGMA synchronous=FULL")
    connection.execute(
        "CREATE TABLE record (seq INTEGER PRIMARY KEY, boot_id BLOB, kind TEXT, mono_us INTEGER, wall_us INTEGER,"
        " flags INTEGER, body BLOB, hash BLOB) STRICT; CREATE INDEX k ON record (kind);"
        " CREATE INDEX w ON record (wall_us)"
    )
    boot, digest = bytes(16), bytes(32)
    for first in range(0, entries, BATCH):
        connection.execute("BEGIN IMMEDIATE")
        connection.executemany(
            "INSERT INTO record VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            [(n + 1, boot, "row", n, n * 1000, 0, BODY, digest) for n in range(first, first + BATCH)],
        )
        connection.execute("COMMIT")
    connection.close()


def through_journal(journal: Journal, entries: int, per_flush: int) -> None:
    for first in range(0, entries, per_flush):
        journal.append_nowait([Entry("record", "row", BODY, n, n * 1000) for n in range(first, first + per_flush)])
        journal.flush(60.0)


def offer(journal: Journal) -> None:
    one = [Entry("record", "row", BODY, 0, 0)]
    for _ in range(QUEUED):
        journal.append_nowait(one)


def shift(rng: random.Random, scans: int) -> list[ScanRecord]:
    """Scans as a busy plant gives them: every block read anew in every scan, a third of them with other words."""
    blocks = [RawBlock(tuple(rng.randrange(65536) for _ in range(12)), 0.0, ReadOutcome.OK) for _ in range(BLOCKS)]
    writes = [WriteStatus(WriteStage.CONFIRMED, (1,), (1,), 0.0, 0.0) for _ in range(8)]
    made: list[ScanRecord] = []
    now_s = 1000.0
    for number in range(scans):
        now_s += 0.2 + rng.random() * 1e-3
        for place in range(BLOCKS):
            words = list(blocks[place].words or ())
            if place % 3 == 0:
                words[0], words[1] = rng.randrange(65536), (words[1] + rng.randrange(5)) % 65536
            blocks[place] = RawBlock(tuple(words), now_s - rng.random() * 0.2, ReadOutcome.OK)
        for place in range(3):
            writes[place] = WriteStatus(WriteStage.CONFIRMED, (number,), (number,), now_s - 0.2, now_s - 0.1)
        made.append(ScanRecord(RawImage(now_s, tuple(blocks), tuple(writes)), 0.2, (), rng.randbytes(8)))
    return made


def journal_rates(rates: Rates, folder: Path, entries: int) -> dict[str, float]:
    """Measure the journal beside the same rows through bare apsw, the better of two runs; return the ratios."""
    title = f"bare apsw, {BATCH} rows a commit (the floor), before"
    before = rates.take(title, entries, lambda: floor(folder / "floor.db", entries))
    got: dict[str, float] = {}
    path = folder
    for name, per_flush, title in (
        ("ratio_to_bare_apsw", BATCH, f"journal, {BATCH} entries a commit, each awaited"),
        ("ratio_queued_to_bare_apsw", QUEUED, f"journal, {QUEUED} queued at once"),
    ):
        path = folder / f"journal{per_flush}.db"
        journal = Journal(path, uuid.uuid4().hex, lambda: Stamp(0, 0))
        got[name] = rates.take(title, entries, lambda j=journal, n=per_flush: through_journal(j, entries, n))  # type: ignore[misc]
        journal.close(60.0)
    after = rates.take("the floor again, after", entries, lambda: floor(folder / "floor2.db", entries))
    bare = max(before, after)
    journal = Journal(folder / "offer.db", uuid.uuid4().hex, lambda: Stamp(0, 0))
    rates.take("append_nowait of one entry (what the scan pays)", QUEUED, lambda: offer(journal))
    journal.close(60.0)
    with Reader(path) as reader:
        rates.take("reader, streaming", entries, lambda: sum(1 for _ in reader.entries()))
    rates.take("verify", entries, lambda: verify(path))
    return {"bare_apsw_commits_s": bare / BATCH, **{name: rate / bare for name, rate in got.items()}}


def scan_rates(rates: Rates, scans: int) -> float:
    """Measure the codecs of full-rate images; return [byte] a scan."""
    given = shift(random.Random(1), scans)
    builder = ScanBlockBuilder()
    blocks = []

    def pack() -> None:
        for one in given:
            block = builder.add(one)
            if block is not None:
                blocks.append(block)

    rates.take(f"pack a scan of {BLOCKS} changed blocks (in the scan)", scans, pack, "scans")
    bodies: list[bytes] = []
    rates.take(
        "compress (in the writer thread)", scans, lambda: bodies.extend(block.body() for block in blocks), "scans"
    )
    rates.take("decode, streaming", scans, lambda: [sum(1 for _ in decode_scans(body)) for body in bodies], "scans")
    outputs = OutputImage(True, False, tuple((role, 1.0) for role in OutputRole))
    rates.take("digest of outputs", QUEUED, lambda: [digest_outputs(outputs) for _ in range(QUEUED)], "scans")
    return sum(map(len, bodies)) / scans


def measure(folder: Path, *, quick: bool = False) -> dict[str, Any]:
    """Measure everything in `folder`, which is on the disk to be measured."""
    entries, scans = (ENTRIES // 10, SCANS // 10) if quick else (ENTRIES, SCANS)
    rates = Rates()
    ratios = journal_rates(rates, folder, entries)
    size = scan_rates(rates, scans)
    return {
        "entries": entries, "batch": BATCH, "body_bytes": len(BODY), "bytes_a_scan": size,
        "mb_a_day": size * SCANS_A_DAY / 1e6, **ratios, "rates": rates.told,
    }  # fmt: skip


if __name__ == "__main__":
    with TemporaryDirectory(dir=sys.argv[1] if len(sys.argv) > 1 else None) as temporary:
        sys.stdout.write(json.dumps(measure(Path(temporary)), indent=2) + "\n")
