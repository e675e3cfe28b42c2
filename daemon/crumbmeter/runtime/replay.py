"""Replay: every recorded scan through the same core, compared bit for bit with what was put out then.

So any fault in the field can be re-run at a desk. This is not a simulation: the plant does not answer, it is on record.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from crumbmeter.control.adopting import adopted
from crumbmeter.control.params import Params
from crumbmeter.control.state import State
from crumbmeter.control.step import Core, StepResult, make_core, step
from crumbmeter.journal.entry import Stored
from crumbmeter.journal.reader import Reader
from crumbmeter.ledger import snapshots
from crumbmeter.ledger.scancode import ScanRecord
from crumbmeter.ledger.scans import digest_outputs, iterate
from crumbmeter.ledger.snapshot import SnapshotError, encode
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
    exchanges: int = 0
    """Places where other settings were put in force while the run went on."""


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

    def _readable_starts(self, boot_id: str) -> dict[int, tuple[str, Stored]]:
        """Return the settings and the entry of a snapshot by the number of its scan.

        Of two for one scan the later holds: other settings were put in force in between.
        """
        found: dict[int, tuple[str, Stored]] = {}
        problem: SnapshotError | None = None
        for stored in snapshots.iterate(self._reader, boot_id):
            try:
                snapshot = snapshots.read(stored, State)
                found[snapshot.next_scan] = (snapshot.settings_id, stored)
            except SnapshotError as fault:
                problem = fault
        if not found and problem is not None:
            raise NothingToReplayError(f"snapshots of run {boot_id} are of another version: {problem}")
        return found

    def _core(self, settings_id: str) -> Core:
        if settings_id not in self._cores:
            self._cores[settings_id] = make_core(self._settings_of(settings_id))
        return self._cores[settings_id]

    def _start(self, number: int) -> tuple[State, Core]:
        snapshot = snapshots.read(self._starts[number][1], State)
        return snapshot.state, self._core(snapshot.settings_id)

    def _judge_exchange(self, number: int, before: State, after: State) -> None:
        """Hold the state that was recorded when other settings were put in force against the replayed one."""
        self.report.exchanges += 1
        if encode(after) not in [encode(adopted(before, control_kept=kept)) for kept in (True, False)]:
            self._differs(number)

    def _differs(self, number: int) -> None:
        self.report.differing += 1
        self.report.first_difference = number if self.report.first_difference is None else self.report.first_difference

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
                if number not in self._starts:
                    report.skipped += 1
                    continue
                state, core = self._start(number)
            elif number in self._starts and self._starts[number][0] != core.params.settings_id:
                before = state
                state, core = self._start(number)
                self._judge_exchange(number, before, state)
            result = step(state, record.image, record.commands, core, record.dt_s)
            state = result.state
            same = digest_outputs(result.outputs) == record.outputs_digest
            report.scans += 1
            report.process_s += record.dt_s
            if not same:
                self._differs(number)
            yield Replayed(number, record, result, same)
