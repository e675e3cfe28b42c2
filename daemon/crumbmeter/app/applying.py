"""Another version of the site file put in force while the daemon runs, between two scans; or refused, with the reason.

The file is read, checked and compared in a thread. What remains is done at once, without waiting for anything: no scan
can come in between, and the record has it in the order in which it was.
"""

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from crumbmeter.adapters.logs import log_event
from crumbmeter.app.recording import Recording
from crumbmeter.control.adopting import adopted, unlike, why_not
from crumbmeter.control.step import make_core
from crumbmeter.ledger.in_force import Applied
from crumbmeter.ledger.settings import KeptSettings
from crumbmeter.model.events import event
from crumbmeter.ports import Clock
from crumbmeter.runtime.scanner import Scanner
from crumbmeter.site import Site, SiteRefusedError, load, report
from crumbmeter.site.changes import Change, changes, gravest
from crumbmeter.site.effects import When

FIXED: Final = (
    "devices", "device_profiles", "registers", "output_registers", "publish", "journal", "socket", "clock_rate",
)  # fmt: skip
"""Parts of a site that are opened or built at a start. The table of effects says so key by key; this makes sure."""


@dataclass(frozen=True, slots=True)
class Wish:
    """What is asked for."""

    who: str
    reason: str
    settings_id: str
    """Of the file as it was checked; another one there now is refused. Empty: whatever it is."""


class Applying:
    """Puts the site file in force as it is now on the disk."""

    def __init__(
        self, site: Site, scanner: Scanner, recording: Recording, clock: Clock, taken: Callable[[Site], None]
    ) -> None:
        """Prepare.

        Args:
            site: In force.
            scanner: Scans.
            recording: The journal.
            clock: Process and wall time.
            taken: Called with the new site once it is in force.
        """
        self._site = site
        self._scanner = scanner
        self._recording = recording
        self._clock = clock
        self._taken = taken
        self._busy = asyncio.Lock()

    async def apply(self, wish: Wish) -> Mapping[str, Any]:
        """Put the file in force, or say why not; plain JSON values either way."""
        if not wish.reason.strip():
            return _no("it must say why: the record keeps the reason")
        async with self._busy:
            try:
                site, kept = await asyncio.to_thread(self._read)
            except SiteRefusedError as refused:
                return _no(report(refused.problems))
            found = changes(self._site.files, site.files)
            why = self._why_not(site, found, wish)
            return _no(why, found) if why else self._exchange(site, kept, found, wish)

    def _read(self) -> tuple[Site, KeptSettings | None]:
        """Read and check the file. Waits for the disk."""
        site = load(self._site.path)
        kept = KeptSettings(site.settings_id, tuple((file.name, file.content) for file in site.files))
        return site, kept if self._recording.lacks(site.settings_id) else None

    def _why_not(self, site: Site, found: tuple[Change, ...], wish: Wish) -> str:
        if site.settings_id == self._site.settings_id:
            return "it is in force already, byte for byte"
        if wish.settings_id and wish.settings_id != site.settings_id:
            return "the file has changed since it was checked: check it again"
        hard = [change for change in found if change.when is When.RESTART]
        if hard:
            return "; ".join(f"{change.key} needs a restart of the daemon: {change.why}" for change in hard)
        other = unlike(self._site.params, site.params)
        other += tuple(name for name in FIXED if getattr(self._site, name) != getattr(site, name))
        if other:
            return f"what is built at a start is different ({', '.join(other)}): it needs a restart of the daemon"
        at_rest = gravest(found) is When.AT_REST
        return why_not(self._scanner.state, self._site.params, site.params, at_rest=at_rest)

    def _exchange(
        self, site: Site, kept: KeptSettings | None, found: tuple[Change, ...], wish: Wish
    ) -> Mapping[str, Any]:
        control_kept = gravest(found) is not When.AT_REST
        before = self._scanner.state
        state = adopted(before, control_kept=control_kept)
        told = Applied(site.settings_id, self._site.settings_id, 0, control_kept, wish.who, wish.reason)
        happened = [
            event("settings_applied", was=told.was, settings_id=told.settings_id, changes_count=len(found),
                  control_kept=control_kept, who=wish.who, reason=wish.reason)
        ]  # fmt: skip
        if before.control_enabled and not state.control_enabled:
            happened.append(event("monitor_only", who=wish.who))
        self._scanner.exchange(make_core(site.params), state)
        self._recording.exchange(site, kept, told, state)
        for one in happened:
            self._recording.note(one)
            log_event(one)
        self._site = site
        self._taken(site)
        return {
            "applied": True, "settings_id": site.settings_id, "was": told.was, "control_kept": control_kept,
            "control_enabled": state.control_enabled, "changes": [_body(change) for change in found],
        }  # fmt: skip


def _no(why: str, found: tuple[Change, ...] = ()) -> Mapping[str, Any]:
    return {"applied": False, "why": why, "changes": [_body(change) for change in found]}


def _body(change: Change) -> Mapping[str, str]:
    return {"key": change.key, "was": change.was, "now": change.now, "when": change.when.value, "says": change.says,
            "why": change.why}  # fmt: skip
