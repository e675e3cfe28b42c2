"""Replay: every recorded scan through the same core, compared bit for bit with what was put out then.

So any fault in the field can be re-run at a desk. This is not a simulation: the plant does not answer, it is on record.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from crumbmeter.control.params import Params
from crumbmeter.control.state import State
from crumbmeter.control.step import Core, StepResult, make_core, step
from crumbmeter.journal.entry import Stored
from crumbmeter.journal.reader import Reader
from crumbmeter.ledger import snapshots
from crumbmeter.ledger.scancode import ScanRecord
from crumbmeter.ledger.scans import digest_outputs, iterate
from crumbmeter.ledger.snapshot import SnapshotError
from crumbmeter.model.faults import CrumbmeterError


class NothingToReplayError(CrumbmeterError):
    """The journal holds no scans of that run, or none that this program can start from."""


@dataclass(frozen=True, slots=True)
class Replayed:
    """One scan of a replay."""

    number: int
    """Of the scan in its run."""
    record: ScanRecord
    result: StepResult
    same: bool
    """Whether the outputs are those of then, bit for bit."""


@dataclass(slots=True)
class ReplayReport:
    """What a replay came to."""

    boot_id: str
    scans: int = 0
    differing: int = 0
    first_difference: int | None = None
    gaps: int = 0
    """Places where scans are missing; after each the replay starts anew from the next snapshot."""
    skipped: int = 0
    """Scans between a gap and the next snapshot, which cannot be replayed."""
    process_s: float = 0.0
    """[s] Process time replayed."""


SettingsOf = Callable[[str], Params]
"""Gives the settings of an id, from the journal's own copy of the site."""


class Replay:
    """Replays one run of the daemon."""

    def __init__(self, reader: Reader, boot_id: str, settings_of: SettingsOf) -> None:
        """Prepare.

        Args:
            reader: The journal.
            boot_id: Which run.
            settings_of: Settings by id.

        Raises:
            NothingToReplayError: no snapshot of that run can be read.
        """
        self._reader = reader
        self._starts = self._readable_starts(boot_id)
        self._settings_of = settings_of
        self._cores: dict[str, Core] = {}
        self.report = ReplayReport(boot_id)
        if not self._starts:
            raise NothingToReplayError(f"no snapshot of run {boot_id} that this version of crumbmeter can start from")

    def _readable_starts(self, boot_id: str) -> dict[int, Stored]:
        found: dict[int, Stored] = {}
        problem: SnapshotError | None = None
        for stored in snapshots.iterate(self._reader, boot_id):
            try:
                found.setdefault(snapshots.read(stored, State).next_scan, stored)
            except SnapshotError as fault:
                problem = fault
        if not found and problem is not None:
            raise NothingToReplayError(f"snapshots of run {boot_id} are of another version: {problem}")
        return found

    def _core(self, settings_id: str) -> Core:
        if settings_id not in self._cores:
            self._cores[settings_id] = make_core(self._settings_of(settings_id))
        return self._cores[settings_id]

    def scans(self) -> Iterator[Replayed]:
        """Replay every scan that can be reached, in order; `report` counts as it goes."""
        report = self.report
        state: State | None = None
        core: Core | None = None
        expected: int | None = None
        for _, number, record in iterate(self._reader, report.boot_id):
            if number != expected:
                report.gaps += expected is not None
                state = None
            expected = number + 1
            if state is None or core is None:
                stored = self._starts.get(number)
                if stored is None:
                    report.skipped += 1
                    continue
                snapshot = snapshots.read(stored, State)
                state, core = snapshot.state, self._core(snapshot.settings_id)
            result = step(state, record.image, record.commands, core, record.dt_s)
            state = result.state
            same = digest_outputs(result.outputs) == record.outputs_digest
            report.scans += 1
            report.process_s += record.dt_s
            if not same:
                report.differing += 1
                report.first_difference = number if report.first_difference is None else report.first_difference
            yield Replayed(number, record, result, same)
