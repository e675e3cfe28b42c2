"""Rates of the journal and of the ledger's codecs, beside a floor measured in the same run. Prints; asserts nothing.

    python -m tests.benchmarks.bench_journal [FOLDER]

FOLDER is on the disk to be measured; a temporary one unless given.
"""

import random
import sys
import time
import uuid
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory

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
BLOCKS = 14
BODY = (
    b'{"layout":"0011223344556677","q":"222222222222222222","run":"feeding","v":1,"x":['
    + b"1.23456789," * 17
    + b"1.0]}"
)


def rate(what: str, count: int, act: Callable[[], object], unit: str = "entries") -> float:
    began = time.perf_counter()
    act()
    took = time.perf_counter() - began
    print(f"{what:<58} {count / took:>12,.0f} {unit}/s {1e6 * took / count:>9.2f} us each")  # noqa: T201 -- a script
    return count / took


def floor(path: Path) -> None:
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
    for first in range(0, ENTRIES, BATCH):
        connection.execute("BEGIN IMMEDIATE")
        connection.executemany(
            "INSERT INTO record VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            [(n + 1, boot, "row", n, n * 1000, 0, BODY, digest) for n in range(first, first + BATCH)],
        )
        connection.execute("COMMIT")
    connection.close()


def through_journal(journal: Journal, per_flush: int) -> None:
    for first in range(0, ENTRIES, per_flush):
        journal.append_nowait([Entry("record", "row", BODY, n, n * 1000) for n in range(first, first + per_flush)])
        journal.flush(60.0)


def offer(journal: Journal) -> None:
    one = [Entry("record", "row", BODY, 0, 0)]
    for _ in range(10_000):
        journal.append_nowait(one)


def shift(rng: random.Random) -> list[ScanRecord]:
    """Scans as a busy plant gives them: every block read anew in every scan, a third of them with other words."""
    blocks = [RawBlock(tuple(rng.randrange(65536) for _ in range(12)), 0.0, ReadOutcome.OK) for _ in range(BLOCKS)]
    writes = [WriteStatus(WriteStage.CONFIRMED, (1,), (1,), 0.0, 0.0) for _ in range(8)]
    made: list[ScanRecord] = []
    now_s = 1000.0
    for number in range(SCANS):
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


def journal_rates(folder: Path) -> None:
    bare = rate(f"bare apsw, FULL, {BATCH} rows a commit, same rows", ENTRIES, lambda: floor(folder / "floor.db"))
    for per_flush, title in (
        (BATCH, f"journal, {BATCH} entries a commit, each awaited"),
        (10_000, "journal, 10 000 queued at once"),
    ):
        path = folder / f"journal{per_flush}.db"
        journal = Journal(path, uuid.uuid4().hex, lambda: Stamp(0, 0))
        got = rate(title, ENTRIES, lambda j=journal, n=per_flush: through_journal(j, n))  # type: ignore[misc]
        print(f"{'  ratio to bare apsw':<58} {got / bare:>12.2f}")  # noqa: T201 -- a script
        journal.close(60.0)
    journal = Journal(folder / "offer.db", uuid.uuid4().hex, lambda: Stamp(0, 0))
    rate("append_nowait of one entry (what the scan pays)", 10_000, lambda: offer(journal))
    journal.close(60.0)
    with Reader(path) as reader:
        rate("reader, streaming", ENTRIES, lambda: sum(1 for _ in reader.entries()))
    rate("verify", ENTRIES, lambda: verify(path))


def scan_rates() -> None:
    given = shift(random.Random(1))
    builder = ScanBlockBuilder()
    blocks = []

    def pack() -> None:
        for one in given:
            block = builder.add(one)
            if block is not None:
                blocks.append(block)

    rate(f"pack a scan of {BLOCKS} changed blocks (in the scan)", SCANS, pack, "scans")
    bodies: list[bytes] = []
    rate("compress (in the writer thread)", SCANS, lambda: bodies.extend(block.body() for block in blocks), "scans")
    rate("decode, streaming", SCANS, lambda: [sum(1 for _ in decode_scans(body)) for body in bodies], "scans")
    size = sum(map(len, bodies)) / SCANS
    print(f"{'bytes a scan':<58} {size:>12.1f}  ({size * 432_000 / 1e6:.0f} MB a day at 200 ms)")  # noqa: T201 -- a script
    outputs = OutputImage(True, False, tuple((role, 1.0) for role in OutputRole))
    rate("digest of outputs", 10_000, lambda: [digest_outputs(outputs) for _ in range(10_000)], "scans")


if __name__ == "__main__":
    with TemporaryDirectory(dir=sys.argv[1] if len(sys.argv) > 1 else None) as temporary:
        journal_rates(Path(temporary))
    scan_rates()
