"""The writer thread: takes all that is queued, stores it in one transaction, and goes on whatever the disk does."""

import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import apsw

from crumbmeter.journal.chain import Head
from crumbmeter.journal.entry import STRANDS, Appendable, Entry, Strand
from crumbmeter.journal.errors import JournalRefusedError
from crumbmeter.journal.intake import Gap, Intake
from crumbmeter.journal.limits import Limits
from crumbmeter.journal.space import Level, Space, level
from crumbmeter.journal.store import Store

Committed = Callable[[int, bytes], None]
"""Called with sequence and hash of the record strand's head."""

_DISK = (
    apsw.FullError,
    apsw.IOError,
    apsw.CantOpenError,
    apsw.BusyError,
    apsw.LockedError,
    apsw.ReadOnlyError,
    apsw.NoMemError,
    apsw.CorruptError,
    apsw.NotADBError,
    OSError,
    JournalRefusedError,
)
"""Errors of the disk and the file, not of the entries: try the same entries again after opening anew."""


@dataclass(frozen=True, slots=True)
class WriterState:
    """What the thread last knew; swapped whole."""

    heads: dict[Strand, Head] = field(default_factory=dict)
    """Where both strands end, as acknowledged."""
    failing: str = ""
    """Why nothing can be stored now; empty when all is well."""
    last_problem: str = ""
    """Newest trouble, also when it is over."""
    level: Level = Level.AMPLE
    wal_pages: int = 0


class Writer:
    """Runs in its own thread; everything public is a plain attribute swapped whole."""

    def __init__(self, store: Store, intake: Intake, limits: Limits, space: Space) -> None:
        self._store = store
        self._intake = intake
        self._limits = limits
        self._space = space
        self._listeners: list[Committed] = []
        self._gaps: dict[Strand, Gap] = {}
        self.state = WriterState(heads=store.heads())
        self.thread = threading.Thread(target=self._run, name="journal-writer", daemon=True)

    def listen(self, listener: Committed) -> None:
        """Call it after every commit, from this thread."""
        self._listeners.append(listener)

    def _run(self) -> None:
        while (work := self._intake.take()) is not None:
            taken, gaps = work
            try:
                self._take(taken, gaps)
            except Exception as problem:  # noqa: BLE001 -- a fault of our own must not end recording for good
                self._trouble(problem)
            self._intake.settle(len(taken))
            self._keep_house()
        self._finish()

    def _take(self, taken: Sequence[Appendable], gaps: Sequence[Gap]) -> None:
        self._write(self._resolve(taken))
        for gap in gaps:
            self._lost(gap)
        if gaps:
            self._write([])

    def _resolve(self, taken: Sequence[Appendable]) -> list[Entry]:
        """Make the bodies, once; an entry whose body cannot be made is counted like any other loss."""
        entries: list[Entry] = []
        for one in taken:
            try:
                entries.append(
                    one
                    if isinstance(one, Entry)
                    else Entry(one.strand, one.kind, one.body, one.mono_us, one.wall_us, one.flags)
                )
            except Exception as problem:  # noqa: BLE001 -- the thread must live on; the loss is in the chain
                self._give_up(one, f"body could not be made: {type(problem).__name__}: {problem}")
        return entries

    def _lost(self, gap: Gap) -> None:
        self._gaps.setdefault(gap.strand, Gap(gap.strand)).merge(gap)

    def _give_up(self, entry: Appendable, reason: str) -> None:
        self._intake.count_lost(entry)
        self._gaps.setdefault(entry.strand, Gap(entry.strand)).add(entry, reason)

    def _write(self, entries: list[Entry]) -> None:
        """Store entries behind the gap records that are due, or go on trying until that succeeds or we are closing."""
        last_try = False
        while True:
            shed = self._shed()
            entries = self._without(entries, shed)
            attempt = [gap.entry() for gap in self._gaps.values() if gap.strand not in shed] + entries
            if not attempt and not self._store.has_own:
                return
            try:
                self._store.commit(attempt)
            except _DISK as problem:
                self._trouble(problem)
                if isinstance(problem, apsw.FullError):
                    entries = self._without(entries, {"image": "disk full"})
                if last_try:
                    self._without(entries, dict.fromkeys(STRANDS, "disk refused until the end"))
                    return
                last_try = self._intake.wait_closing(self._limits.retry_s)
            except Exception as problem:  # noqa: BLE001 -- something in the entries; never the end of the thread
                self._trouble(problem)
                self._write_singly(entries)
                return
            else:
                self._gaps = {strand: gap for strand, gap in self._gaps.items() if strand in shed}
                self._stored()
                return

    def _write_singly(self, entries: list[Entry]) -> None:
        """Find the entry that cannot be stored, and give up that one only."""
        for entry in entries:
            try:
                self._store.commit([entry])
            except Exception as problem:  # noqa: BLE001 -- as in `_write`
                self._trouble(problem)
                self._give_up(entry, f"could not be stored: {type(problem).__name__}: {problem}")
            else:
                self._stored()

    def _without(self, entries: list[Entry], shed: Mapping[Strand, str]) -> list[Entry]:
        for entry in entries:
            if entry.strand in shed:
                self._give_up(entry, shed[entry.strand])
        return [entry for entry in entries if entry.strand not in shed]

    def _shed(self) -> dict[Strand, str]:
        """Judge the disk and the write-ahead log: which strands have to give way now, and why."""
        now = level(*self._space(), self._limits.disk)
        self.state = WriterState(
            self.state.heads, self.state.failing, self.state.last_problem, now, self._store.wal_pages
        )
        if now is Level.SHED_RECORD and not self._made_room():
            return dict.fromkeys(STRANDS, "disk low")
        if now >= Level.SHED_IMAGE:
            return {"image": "disk low"}
        return {"image": "a reader holds the write-ahead log"} if self._limits.wal_long(self._store.wal_pages) else {}

    def _made_room(self) -> bool:
        try:
            return self._store.make_room()
        except Exception as problem:  # noqa: BLE001 -- no room then
            self._trouble(problem)
            return False

    def _trouble(self, problem: Exception, failing: str | None = None) -> None:
        text = f"{type(problem).__name__}: {problem}"
        self._store.abandon()
        self.state = WriterState(
            self.state.heads, text if failing is None else failing, text, self.state.level, self._store.wal_pages
        )

    def _stored(self) -> None:
        heads = self._store.heads()
        self.state = WriterState(heads, "", self.state.last_problem, self.state.level, self._store.wal_pages)
        for listener in self._listeners:
            try:
                listener(heads["record"].seq, heads["record"].hash)
            except Exception as problem:  # noqa: BLE001 -- a listener's fault is not the journal's
                self.state = WriterState(
                    heads, "", f"listener: {type(problem).__name__}: {problem}", self.state.level, self.state.wal_pages
                )

    def _keep_house(self) -> None:
        """Retention and checkpoint, after the acknowledgement: trouble here costs no entry."""
        try:
            if self._store.retain():
                self._stored()
            self._store.checkpoint(at_least_pages=self._limits.checkpoint_pages)
        except Exception as problem:  # noqa: BLE001 -- the next commit opens anew
            self._trouble(problem, failing="")

    def _finish(self) -> None:
        try:
            self._store.checkpoint(at_least_pages=1)
        except Exception as problem:  # noqa: BLE001 -- the WAL is kept and used at the next start
            self._trouble(problem)
        self._store.close()
