"""Fills a small disk under a journal, frees it again, and prints what became of the record. For test_small_disk.py.

    python -m tests.system.small_disk_worker FOLDER

FOLDER is a file system of its own, of 16 MiB. Prints one line of JSON.
"""

import json
import sys
from dataclasses import replace
from pathlib import Path

from crumbmeter.adapters.clock import machine_wall_us
from crumbmeter.journal.entry import Entry, Stamp, Strand
from crumbmeter.journal.journal import Journal
from crumbmeter.journal.limits import Limits
from crumbmeter.journal.space import Level

WALL_US = 1_770_000_000_000_000
STEP = 1 << 16
LONGEST_US = 60_000_000


class Feed:
    """Appends entries as a scan does and keeps what was acknowledged."""

    def __init__(self, folder: Path) -> None:
        base = Limits()
        limits = replace(base, retry_s=0.05, image=replace(base.image, segment_entries=20))
        self.journal = Journal(folder / "journal.db", "ab" * 16, lambda: Stamp(0, WALL_US), limits)
        self.number = 0

    def put(self) -> bool:
        """Append a row and an image; tell whether the record took its row."""
        lost = self.journal.status().dropped["record"]
        self.number += 1
        at = (self.number * 1_000_000, WALL_US + self.number * 1_000_000)
        parts: tuple[tuple[Strand, str, bytes], ...] = (("record", "row", b"r" * 600), ("image", "scans", b"i" * 3000))
        self.journal.append_nowait([Entry(strand, kind, body, *at) for strand, kind, body in parts])
        return self.journal.flush(1.0) and self.journal.status().dropped["record"] == lost


def main() -> None:
    """Fill, look, free, look."""
    folder = Path(sys.argv[1])
    feed = Feed(folder)
    for _ in range(200):
        feed.put()
    filled = folder / "filled"
    with filled.open("wb", buffering=0) as file:
        try:
            while file.write(b"\0" * STEP):
                pass
        except OSError as full:
            reason = full.errno
    while feed.put():  # on pages of its own, until there are none
        pass
    full_status = feed.journal.status()
    acknowledged = str(feed.journal.heads()["record"])
    filled.unlink()
    began_us = machine_wall_us()
    while not feed.put():
        if machine_wall_us() - began_us > LONGEST_US:
            break
    resumed_s = (machine_wall_us() - began_us) / 1e6
    for _ in range(50):
        feed.put()
    level = feed.journal.status().space
    closed = feed.journal.close(20.0)
    told = {
        "errno": reason, "full_level": full_status.space.name, "failing": full_status.failing, "closed": closed,
        "acknowledged": acknowledged, "resumed_s": resumed_s, "level": level.name, "ample": level is Level.AMPLE,
        "dropped": feed.journal.status().dropped, "put": feed.number,
    }  # fmt: skip
    sys.stdout.write(json.dumps(told) + "\n")


if __name__ == "__main__":
    main()
