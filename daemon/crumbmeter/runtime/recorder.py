"""Turns finished scans into records: what happened, what was made, and enough to replay every scan bit for bit."""

from collections.abc import Callable, Sequence

from crumbmeter.control.params import Params
from crumbmeter.control.state import State
from crumbmeter.control.step import StepResult
from crumbmeter.journal.entry import CLOCK_NOT_SYNCED, SIMULATED, Appendable
from crumbmeter.ledger import boots, commands, events, in_force, parcels, rows, settings, snapshots, totals
from crumbmeter.ledger.scancode import ScanRecord
from crumbmeter.ledger.scans import ScanBlockBuilder, digest_outputs, scan_entry
from crumbmeter.ledger.stamped import Stamped
from crumbmeter.model.events import Event, event
from crumbmeter.model.frozen import replace
from crumbmeter.model.quality import Quality
from crumbmeter.model.scan import ScanResult
from crumbmeter.model.view import ScanView

ROW_S = 1.0
"""[s] Between two rows of the record."""
SNAPSHOT_S = 60.0
"""[s] Between two snapshots of the state: what a replay may have to run through before it reaches its place."""
TOTALS_S = 60.0
LASTING = ("total_settled", "totaliser_gap", "weight_accepted", "weight_confirmed")
"""Events after which the state is kept at once: the next run must know of them."""
BOOKED = ("drum_dumped",)
"""Events that change totals and are in no parcel: the totals are kept at once."""

FIGURES: tuple[tuple[str, Callable[[ScanView], float | None]], ...] = (
    ("mix_rate_kg_s", lambda view: view.mix_rate_kg_s),
    ("wanted_kg_s", lambda view: view.wanted_kg_s),
    ("setpoint_kg_s", lambda view: view.setpoint_kg_s),
    ("fed_kg_s", lambda view: view.fed.value),
    ("fed_uncertainty_kg_s", lambda view: view.fed_uncertainty_kg_s),
    ("feed_factor_kg_rev", lambda view: view.feed_factor_kg_rev),
    ("owed_kg", lambda view: view.owed_kg),
)
"""Columns of a row before the signals."""


class Recorder:
    """Makes journal entries of every scan and of what the runtime reports. Never waits."""

    def __init__(self, params: Params, append: Callable[[Sequence[Appendable]], None], *, clock_synced: bool) -> None:
        """Prepare.

        Args:
            params: Site, for names and marks.
            append: The journal's `append_nowait`.
            clock_synced: Whether the machine's clock was synchronised at the start.
        """
        self._append = append
        self._flags = (SIMULATED if params.simulated else 0) | (0 if clock_synced else CLOCK_NOT_SYNCED)
        self._settings_id = params.settings_id
        names = tuple(name for name, _ in FIGURES) + tuple(signal.signal_id for signal in params.signals)
        self._layout = rows.Layout(names)
        self._builder = ScanBlockBuilder()
        self._row_due_s = 0.0
        self._snapshot_due_s = 0.0
        self._totals_due_s = 0.0
        self._state: State | None = None
        self.faults = 0
        """Scans that could not be packed. Each leaves an event."""

    def doubt_clock(self) -> None:
        """Mark all further entries: their wall time comes from a clock that was stepped."""
        self._flags |= CLOCK_NOT_SYNCED

    def stamped(self, process_s: float, wall_us: int) -> Stamped:
        """Stamp something that happened now."""
        return Stamped(round(process_s * 1e6), wall_us, self._flags)

    def begin(
        self, boot: boots.Boot, kept: settings.KeptSettings | None, first: State, process_s: float, wall_us: int
    ) -> None:
        """Record the start: which program, which settings, and the state that the first scan starts from.

        Args:
            boot: This run.
            kept: The site's files, where the journal does not hold them yet.
            first: State before the first scan.
            process_s: [s] Process time.
            wall_us: [us] UTC since 1970.
        """
        at = self.stamped(process_s, wall_us)
        entries: list[Appendable] = [boots.entry(boot, at), rows.layout_entry(self._layout, at)]
        if kept is not None:
            entries.append(settings.entry(kept, at))
        entries.append(snapshots.entry(snapshots.Snapshot(0, self._settings_id, first), at))
        self._snapshot_due_s = process_s + SNAPSHOT_S
        self._append(entries)

    def exchange(
        self, params: Params, kept: settings.KeptSettings | None, told: in_force.Applied, state: State, at: Stamped
    ) -> None:
        """Record that other settings are in force, and the state that the next scan starts from.

        Args:
            params: The other settings.
            kept: The site's files, where the journal does not hold them yet.
            told: Who, why and instead of what; the number of the next scan is filled in here.
            state: As it is under them.
            at: Now.
        """
        self._settings_id, self._state = params.settings_id, state
        next_scan = self._builder.next_scan
        entries: list[Appendable] = [] if kept is None else [settings.entry(kept, at)]
        entries.append(in_force.entry(replace(told, next_scan=next_scan), at))
        entries.append(snapshots.entry(snapshots.Snapshot(next_scan, params.settings_id, state), at))
        self._append(entries)

    def note(self, happened: Event, process_s: float, wall_us: int) -> None:
        """Record an event from outside the scan."""
        self._append((events.entry(happened, self.stamped(process_s, wall_us)),))

    def take(self, done: ScanResult, result: StepResult) -> None:
        """Record one finished scan."""
        at = self.stamped(done.began_s, done.wall_us)
        entries: list[Appendable] = [commands.entry(command, at) for command in done.commands]
        entries += [events.entry(happened, at) for happened in done.events]
        entries += [parcels.entry(parcel, at) for parcel in done.parcels]
        self._state = result.state
        self._add_scan(done, result, at, entries)
        if done.began_s >= self._row_due_s:
            self._row_due_s = max(self._row_due_s + ROW_S, done.began_s)
            entries.append(rows.entry(self._row(done.view), at))
        if done.began_s >= self._totals_due_s or any(happened.name in BOOKED for happened in done.events):
            self._totals_due_s = done.began_s + TOTALS_S
            entries.append(totals.entry(self._totals(result.state), at))
        if done.began_s >= self._snapshot_due_s or any(happened.name in LASTING for happened in done.events):
            self._snapshot_due_s = done.began_s + SNAPSHOT_S
            snapshot = snapshots.Snapshot(self._builder.next_scan, self._settings_id, result.state)
            entries.append(snapshots.entry(snapshot, at))
        if entries:
            self._append(entries)

    def end(self, process_s: float, wall_us: int) -> None:
        """Record what is still open: the last scans, totals, and the state."""
        at = self.stamped(process_s, wall_us)
        entries: list[Appendable] = []
        block = self._builder.flush()
        if block is not None:
            entries.append(scan_entry(block, at))
        if self._state is not None:
            entries.append(totals.entry(self._totals(self._state), at))
            snapshot = snapshots.Snapshot(self._builder.next_scan, self._settings_id, self._state)
            entries.append(snapshots.entry(snapshot, at))
        self._append(entries)

    def _add_scan(self, done: ScanResult, result: StepResult, at: Stamped, entries: list[Appendable]) -> None:
        scan = ScanRecord(done.image, done.dt_s, done.commands, digest_outputs(result.outputs))
        try:
            block = self._builder.add(scan)
        except ValueError as fault:
            self.faults += 1
            entries.append(events.entry(event("scan_not_recorded", why=str(fault)), at))
            return
        if block is not None:
            entries.append(scan_entry(block, at))

    def _row(self, view: ScanView) -> rows.Row:
        values = [figure(view) for _, figure in FIGURES] + [reading.value for reading in view.readings]
        qualities = [Quality.GOOD if value is not None else Quality.BAD for value in values[: len(FIGURES)]]
        qualities += [reading.quality for reading in view.readings]
        return rows.Row(self._layout.layout_id, view.run_state, tuple(values), tuple(qualities))

    @staticmethod
    def _totals(state: State) -> totals.KeptTotals:
        return totals.KeptTotals(state.outlet.next_number - 1, state.totals, state.job_mark)
