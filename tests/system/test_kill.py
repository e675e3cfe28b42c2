"""A hundred `kill -9` under load, at random and at named points: what was acknowledged stays, and nothing else appears.

After each: the journal opens and verifies, every acknowledged head is in it with its hash, sequences have no hole,
parcel numbers come once and in order, and the next run continues the same chain.
"""

import os
import random
import subprocess
import sys
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from crumbmeter.journal.chain import Head, parse_head
from crumbmeter.journal.reader import Reader
from crumbmeter.journal.verify import verify
from crumbmeter.ledger import parcels, scans

KILLS = 100
POINTS = (
    "before_commit", "after_commit", "before_seal", "after_seal", "mid_retention", "before_checkpoint",
    "after_checkpoint",
)  # fmt: skip


@dataclass
class Shift:
    """One journal over all its kills, and what was promised of it."""

    path: Path
    root: Path
    rng: random.Random
    promised: dict[str, Head] = field(default_factory=dict)
    """Newest acknowledged heads."""
    promised_before: list[Head] = field(default_factory=list)
    """Acknowledged heads of earlier runs, the last few."""
    seen: dict[int, bytes] = field(default_factory=dict)
    """Hash of every entry of the record strand that was ever found after a kill."""
    next_number: int = 0
    acknowledgements: int = 0
    killed_at: dict[str, int] = field(default_factory=dict)

    def run(self, point: str) -> None:
        """Let the worker run until it is dead."""
        env = os.environ | {
            "PYTHONPATH": str(self.root),
            "CRUMBMETER_CRASH_AT": point,
            "CRUMBMETER_CRASH_AFTER": str(self.rng.randrange(6)),
        }
        worker = subprocess.Popen(
            [sys.executable, "-m", "tests.system.kill_worker", str(self.path), str(self.next_number)],
            env=env,
            cwd=self.root,
            stdout=subprocess.PIPE,
        )
        assert worker.stdout is not None
        mercy = self.rng.randrange(1, 60)
        opened, lines = "", 0
        for raw in worker.stdout:
            line = raw.decode()
            if not line.endswith("\n"):
                break  # torn by the kill: never promised
            word, *rest = line.split()
            if word == "open":
                opened = rest[0]
                continue
            self._promise(rest)
            lines += 1
            if not point and lines == mercy:
                worker.kill()
            assert lines < 5000, f"the worker never reached {point}"
        worker.stdout.close()
        assert worker.wait(20) == -9
        assert opened == ("continued" if self.acknowledgements > lines else "new")
        self.killed_at[point or "random"] = self.killed_at.get(point or "random", 0) + 1

    def _promise(self, texts: list[str]) -> None:
        self.acknowledgements += 1
        for text in texts:
            head = parse_head(text)
            assert isinstance(head, Head)
            self.promised[head.strand] = head
        self.promised_before = [*self.promised_before[-20:], self.promised["record"]]

    def check(self) -> None:
        """Judge the file that the dead process left."""
        for head in (*self.promised.values(), *self.promised_before):
            report = verify(self.path, head)
            assert report.ok, (report, head)
        assert report.strands[0].head.seq >= self.promised["record"].seq
        with Reader(self.path) as reader:
            stored = list(reader.entries("record"))
            numbers = [one.parcel.number for one in parcels.iterate(reader)]
            scan_blocks = list(reader.entries("image", ("scans",)))
            for boot_id in {one.boot_id for one in scan_blocks}:
                scan_numbers = [number for _, number, _ in scans.iterate(reader, boot_id)]
                assert scan_numbers == list(range(scan_numbers[0], scan_numbers[0] + len(scan_numbers)))
        assert [one.seq for one in stored] == list(range(stored[0].seq, stored[0].seq + len(stored)))
        assert numbers == list(range(numbers[0], numbers[0] + len(numbers)))
        # Nothing once found on the disk is ever another entry later: not resurrected, not replaced.
        assert all(self.seen.get(one.seq, one.hash) == one.hash for one in stored)
        self.seen |= {one.seq: one.hash for one in stored}
        self.next_number = numbers[-1] + 1


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_a_hundred_kills_lose_nothing_acknowledged(tmp_path: Path, repo_root: Path) -> None:
    shift = Shift(tmp_path / "journal.db", repo_root, random.Random(2))
    shift.run("")
    shift.check()
    for kill in range(1, KILLS):
        shift.run(POINTS[kill // 2 % len(POINTS)] if kill % 2 else "")
        shift.check()
    assert sum(shift.killed_at.values()) == KILLS
    assert set(shift.killed_at) == {"random", *POINTS}
    assert shift.acknowledgements > 10 * KILLS
    with Reader(shift.path) as reader:
        boots = {one.boot_id for one in reader.entries()}
    assert len(boots) > 1
    assert verify(shift.path).strands[0].dropped > 0
