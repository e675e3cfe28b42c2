"""The journal of one run: opened, begun with the state it remembers, fed, and closed."""

import asyncio
import contextlib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from crumbmeter import __version__
from crumbmeter.app.sealing import Sealing, ends_unsigned
from crumbmeter.app.standing import restored_state
from crumbmeter.app.startup import clock_is_synchronised, instance_of
from crumbmeter.control.state import State, first_state
from crumbmeter.control.step import StepResult
from crumbmeter.journal.entry import SIMULATED, Stamp
from crumbmeter.journal.errors import JournalUnreadableError
from crumbmeter.journal.journal import Journal, JournalStatus
from crumbmeter.journal.limits import limits_of
from crumbmeter.journal.reader import Reader
from crumbmeter.journal.strand import no_fault
from crumbmeter.ledger import boots, in_force, settings
from crumbmeter.model.events import Event, event
from crumbmeter.model.scan import ScanResult
from crumbmeter.ports import Clock
from crumbmeter.runtime.recorder import Recorder
from crumbmeter.site import Site

CLOSE_S = 5.0
"""[s] Real time for storing what is queued at the end."""
LAST_SEAL_S = 2.0
"""[s] Real time for acknowledging the last entries, before they are signed."""


class Recording:
    """What the daemon knows of its journal."""

    def __init__(
        self, site: Site, boot_id: str, clock: Clock, fault_point: Callable[[str], None] | None = None
    ) -> None:
        self._site = site
        self._boot_id = boot_id
        self._clock = clock
        self._fault_point = fault_point or no_fault
        self.path: Path = site.journal.folder / "journal.db"
        self._journal: Journal | None = None
        self._recorder: Recorder | None = None
        self._sealing: Sealing | None = None
        self._early: list[Event] = []

    async def open(self, stack: contextlib.AsyncExitStack) -> State:
        """Open the journal and record the start; return the state to scan from.

        Raises:
            JournalRefusedError: somebody else's file, or one being written by another daemon.
        """
        site, params = self._site, self._site.params
        synced = clock_is_synchronised()
        self.path.parent.mkdir(parents=True, exist_ok=True)
        limits = limits_of(site.journal.record_days, site.journal.image_days, site.journal.max_bytes)
        journal = Journal(
            self.path, self._boot_id, self._stamp, limits,
            flags=SIMULATED if params.simulated else 0, fault_point=self._fault_point,
        )  # fmt: skip
        self._journal = journal
        stack.callback(journal.close, CLOSE_S)
        sealing = Sealing(journal, SIMULATED if params.simulated else 0)
        state, kept, changed, unsigned = await asyncio.to_thread(self._look_back)
        keyless = await asyncio.to_thread(sealing.load_key)
        if keyless is not None:
            self._early.append(keyless)
        state = replace(state, instance=instance_of(self._boot_id))
        recorder = Recorder(params, journal.append_nowait, clock_synced=synced)
        self._recorder, self._sealing = recorder, sealing
        boot = boots.boot(
            self._boot_id, __version__, params.settings_id, clock_synced=synced, simulated=params.simulated
        )
        recorder.begin(boot, kept, state, self._clock.now_s(), self._clock.wall_us())
        opening = journal.opening
        if opening.outcome == "set aside":
            self._early.append(event("journal_set_aside", detail=opening.detail))
        if changed:
            self._early.append(event("settings_changed", settings_id=params.settings_id))
        for happened in self._early:
            self.note(happened)
        if unsigned:
            sealing.seal(self._stamp())
        return state

    def _look_back(self) -> tuple[State, settings.KeptSettings | None, bool, bool]:
        params = self._site.params
        kept = settings.KeptSettings(params.settings_id, tuple((f.name, f.content) for f in self._site.files))
        try:
            with Reader(self.path) as reader:
                state = restored_state(reader, params, self._clock.now_s(), self._clock.wall_us())
                last = in_force.newest(reader)
                changed = last is not None and last != params.settings_id
                keep_us = round(self._site.journal.record_days * 86_400e6)
                due = settings.due(reader, params.settings_id, self._clock.wall_us(), keep_us)
                return state, kept if due else None, changed, ends_unsigned(reader)
        except JournalUnreadableError:
            return first_state(params), kept, False, False

    def clock_stepped(self) -> None:
        """Mark all that is recorded from now on: its wall time follows a clock that was found to be wrong."""
        if self._recorder is not None:
            self._recorder.doubt_clock()

    def _stamp(self) -> Stamp:
        return Stamp(round(self._clock.now_s() * 1e6), self._clock.wall_us())

    def note(self, happened: Event) -> None:
        """Record an event from outside the scan."""
        if self._recorder is None:
            self._early.append(happened)
        else:
            self._recorder.note(happened, self._clock.now_s(), self._clock.wall_us())

    def take(self, done: ScanResult, result: StepResult) -> None:
        """Record a finished scan."""
        if self._recorder is not None:
            self._recorder.take(done, result)
        if self._sealing is not None:
            self._sealing.look(Stamp(round(done.began_s * 1e6), done.wall_us))

    def lacks(self, settings_id: str) -> bool:
        """Tell whether the record does not hold these settings' files yet. Waits for the disk."""
        with Reader(self.path) as reader:
            return settings.find(reader, settings_id) is None

    def exchange(self, site: Site, kept: settings.KeptSettings | None, told: in_force.Applied, state: State) -> None:
        """Record that another version of the site is in force from the next scan on."""
        self._site = site
        if self._recorder is not None:
            at = self._recorder.stamped(self._clock.now_s(), self._clock.wall_us())
            self._recorder.exchange(site.params, kept, told, state, at)

    def end(self) -> None:
        """Record what is still open."""
        if self._recorder is not None:
            self._recorder.end(self._clock.now_s(), self._clock.wall_us())

    async def sign_off(self) -> None:
        """Sign all that is recorded, once it is acknowledged. What the disk does not take in time stays unsigned."""
        if self._journal is not None and self._sealing is not None:
            await asyncio.to_thread(self._journal.flush, LAST_SEAL_S)
            self._sealing.seal(self._stamp())

    def on_committed(self, poke: Callable[[], None]) -> None:
        """Have `poke` called on the running loop after each commit."""
        loop = asyncio.get_running_loop()
        if self._journal is not None:
            self._journal.on_committed(lambda _seq, _head: call_on(loop, poke))

    def status(self) -> JournalStatus | None:
        """Return how the journal is."""
        return None if self._journal is None else self._journal.status()


def call_on(loop: asyncio.AbstractEventLoop, poke: Callable[[], None]) -> None:
    """Call on a loop from another thread."""
    with contextlib.suppress(RuntimeError):  # the loop has ended; nobody is left to be told
        loop.call_soon_threadsafe(poke)
