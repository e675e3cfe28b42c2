"""The journal as the rest of the daemon sees it: append without waiting, hear what is on the disk, close."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import apsw

from crumbmeter.journal.chain import Head
from crumbmeter.journal.entry import Appendable, Stamp, Strand
from crumbmeter.journal.intake import Intake
from crumbmeter.journal.limits import Limits
from crumbmeter.journal.opening import Opening
from crumbmeter.journal.space import Level, Space, disk_space
from crumbmeter.journal.store import Store, StoreSetup
from crumbmeter.journal.strand import FaultPoint, no_fault
from crumbmeter.journal.writer import Committed, Writer


@dataclass(frozen=True, slots=True)
class JournalStatus:
    """For metrics, the terminal and alarms."""

    heads: dict[Strand, Head]
    """Acknowledged ends of both strands; empty while the journal never could be opened."""
    queued: int
    """Entries accepted and not on the disk yet."""
    dropped: dict[str, int]
    """Entries lost since start, by strand. Each loss is also a gap record in the chain."""
    failing: str
    """Why nothing can be stored now; empty when all is well."""
    last_problem: str
    space: Level
    wal_pages: int
    wal_long: bool = False
    """Whether something holds the write-ahead log, and images are given up for it."""


class Journal:
    """One journal file with its writer thread. Control never waits for it and never fails with it."""

    def __init__(
        self,
        path: Path,
        boot_id: str,
        stamp: Callable[[], Stamp],
        limits: Limits | None = None,
        *,
        flags: int = 0,
        fault_point: FaultPoint = no_fault,
        space: Space | None = None,
        vfs: str | None = None,
    ) -> None:
        """Open the journal and start its writer thread.

        Args:
            path: The database file; its folder is made if need be.
            boot_id: 32 hexadecimal digits, new for every run of the daemon.
            stamp: Gives process and wall time [us], for the entries that the journal writes about itself.
            limits: What is kept, and when to shed.
            flags: Of those entries, SIMULATED on a simulated site.
            fault_point: For tests.
            space: [byte] Gives free space and size of the disk; the folder's own disk unless given.
            vfs: For tests.

        Raises:
            JournalRefusedError: the file is newer, another program's, or being written by another process, or SQLite is
                too old. Do not start. (A disk that refuses raises nothing: see `opening`.)
        """
        limits = limits or Limits()
        self._limits = limits
        self._intake = Intake(limits)
        self._store = Store(StoreSetup(path, _boot_bytes(boot_id), limits, stamp, flags, fault_point, vfs))
        self.path = path
        self.opening = self._open()
        """What was found: a new file, one continued, a damaged one set aside, or a disk that refuses."""
        self._writer = Writer(self._store, self._intake, limits, space or disk_space(path.parent))
        self._writer.thread.start()
        if self._store.has_own:
            self._intake.nudge()

    def _open(self) -> Opening:
        try:
            return self._store.open()
        except (apsw.Error, OSError) as problem:
            return Opening("unavailable", f"{type(problem).__name__}: {problem}", checked=False)
        except BaseException:
            self._store.close()
            raise

    def append_nowait(self, entries: Sequence[Appendable]) -> None:
        """Queue entries. Never waits for the disk; what finds no room is counted and leaves a gap record."""
        self._intake.offer(entries)

    def on_committed(self, callback: Committed) -> None:
        """Call `callback(last_seq, head_hash)` of the record strand after each FULL commit, from the writer thread.

        Returning from COMMIT is what "acknowledged" means: these entries survive a power cut. `heads()` inside the
        callback gives the image strand's end of the same commit too.
        """
        self._writer.listen(callback)

    def heads(self) -> dict[Strand, Head]:
        """Return the acknowledged ends of both strands."""
        return self._writer.state.heads

    def status(self) -> JournalStatus:
        """Return how the journal is."""
        state = self._writer.state
        queued, dropped = self._intake.counts()
        return JournalStatus(
            state.heads, queued, dropped, state.failing, state.last_problem, state.level, state.wal_pages,
            self._limits.wal_long(state.wal_pages),
        )  # fmt: skip

    def flush(self, timeout_s: float) -> bool:
        """Wait at most `timeout_s` [s] until all accepted so far is stored (or given up and counted)."""
        return self._intake.wait_settled(timeout_s)

    def close(self, timeout_s: float) -> bool:
        """Store what is queued and end the thread; False when that took longer than `timeout_s` [s]."""
        self._intake.close()
        self._writer.thread.join(timeout_s)
        return not self._writer.thread.is_alive()


def _boot_bytes(boot_id: str) -> bytes:
    digits = bytes.fromhex(boot_id.replace("-", ""))
    if len(digits) != 16:
        raise ValueError(f"boot_id has to be 32 hexadecimal digits, not {boot_id!r}")
    return digits
