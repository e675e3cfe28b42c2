"""What the journal remembers of how things stood: whether control is enabled, the mix, moistures, totals.

After a start the feed is never in service: an operator puts it there, also after a power dip. Control stays enabled for
exactly the settings it was enabled for.
"""

from dataclasses import dataclass, field, replace
from functools import reduce

from crumbmeter.alarms.machine import AlarmMemory
from crumbmeter.alarms.restart import remembered, resumed
from crumbmeter.control import counters
from crumbmeter.control.batch_state import BatchState
from crumbmeter.control.job import retold
from crumbmeter.control.mix_change import first_mixes
from crumbmeter.control.params import Params
from crumbmeter.control.state import State, first_state
from crumbmeter.control.watching import weight_is_known
from crumbmeter.estimation.weighing import WeighingState
from crumbmeter.journal.entry import Stored
from crumbmeter.journal.reader import Reader
from crumbmeter.ledger import events, snapshots, totals
from crumbmeter.ledger.in_force import agreed
from crumbmeter.ledger.snapshot import SnapshotError
from crumbmeter.ledger.snapshots import Snapshot
from crumbmeter.ledger.stamped import EVENT
from crumbmeter.model.events import Event
from crumbmeter.model.view import NoteView
from crumbmeter.signals.totaliser import TotaliserState

FACTOR_DOUBT = 0.02
"""Relative doubt put on a feed factor that has been taken over from an earlier run."""
SELECTED = ("mix_selected", "mix_changed")
"""Events by which a mix was chosen; the second is the name that older journals have for it."""


@dataclass(slots=True)
class _Found:
    enabled_for: str | None = None
    mix_id: str | None = None
    moisture: dict[str, float] | None = None
    weight_confirmed: str = ""
    alarms: dict[str, AlarmMemory] = field(default_factory=dict)
    job: list[Event] = field(default_factory=list)
    """What people said of the job, newest first."""
    note: Event | None = None
    note_wall_us: int = 0


def restored_state(reader: Reader, params: Params, now_s: float, wall_us: int) -> State:
    """Make the state of the first scan from the journal.

    Args:
        reader: The journal as the last run left it.
        params: Settings in force now.
        now_s: [s] Process time.
        wall_us: [us] UTC since 1970.
    """
    state = first_state(params)
    kept = totals.restore(reader)
    found = _search(reader, wall_us)
    stored = reader.last("snapshot", "image")
    snapshot = None if stored is None else _read(stored)
    known = {mix.mix_id for mix in params.mixes}
    mix_id = found.mix_id if found.mix_id in known else params.first_mix
    moisture = found.moisture or {}
    water = tuple(moisture.get(stream.stream_id, stream.moisture) if stream.wet else 0.0 for stream in params.streams)
    confirmed = found.weight_confirmed or ("" if snapshot is None else snapshot.state.weight_confirmed)
    state = replace(state, weight_confirmed=confirmed)
    enabled = params.control_allowed and found.enabled_for in agreed(reader, params.settings_id)
    return replace(
        state,
        control_enabled=enabled and weight_is_known(state, params),
        mix_id=mix_id,
        outlet=replace(state.outlet, next_number=kept.last_parcel + 1, older_mix=mix_id),
        plant=replace(state.plant, moisture=water, mixes=first_mixes(mix_id)),
        alarms=resumed(state.alarms, found.alarms, now_s),
        totals=kept.totals,
        job_mark=kept.job_mark,
        job=reduce(retold, reversed(found.job), state.job),
        note=state.note if found.note is None else _note(found.note, now_s - (wall_us - found.note_wall_us) / 1e6),
        weighing=state.weighing if snapshot is None else _weighing(snapshot, params, state.weighing),
        batch=state.batch if snapshot is None else _batch(snapshot, params, state.batch),
        totalisers=state.totalisers if snapshot is None else _totalisers(snapshot, stored, state, now_s, wall_us),
    )


def _search(reader: Reader, wall_us: int) -> _Found:
    """Look back through the events, newest first, until every question is answered."""
    found = _Found(moisture={})
    decided: set[str] = set()
    for stored in reader.entries("record", (EVENT,), newest_first=True):
        happened = events.read(stored)
        _of_the_job(found, happened, stored.wall_us, decided)
        if "settings" not in decided:
            _of_the_site(found, happened, (wall_us - stored.wall_us) / 1e6, decided)
        elif {"job", "note"} <= decided:
            break
    return found


def _of_the_site(found: _Found, happened: Event, away_s: float, decided: set[str]) -> None:
    """Take what holds under these settings; what is older than their change belongs to another site file."""
    if happened.name in ("control_enabled", "monitor_only") and "control" not in decided:
        decided.add("control")
        if happened.name == "control_enabled":
            found.enabled_for = str(happened.get("settings_id"))
    elif happened.name in SELECTED and "mix" not in decided:
        decided.add("mix")
        found.mix_id = str(happened.get("to"))
    elif happened.name == "moisture_entered" and found.moisture is not None:
        stream, fraction = str(happened.get("stream")), happened.get("fraction")
        if isinstance(fraction, float):
            found.moisture.setdefault(stream, fraction)
    elif happened.name.startswith("alarm_") and happened.get("alarm") is not None:
        found.alarms.setdefault(str(happened.get("alarm")), remembered(happened, away_s))
    elif happened.name == "weight_confirmed":
        found.weight_confirmed = found.weight_confirmed or str(happened.get("reading"))
    elif happened.name == "settings_changed":
        decided.add("settings")


def _of_the_job(found: _Found, happened: Event, wall_us: int, decided: set[str]) -> None:
    """Take what people said of the job since its subtotal was last reset, and the last note of a shift."""
    if happened.name == "subtotal_reset":
        decided.add("job")
    elif happened.name in ("job_planned", "bag_loaded", "mix_wasted") and "job" not in decided:
        found.job.append(happened)
    elif happened.name == "hand_over_note" and "note" not in decided:
        decided.add("note")
        found.note, found.note_wall_us = happened, wall_us


def _note(happened: Event, left_s: float) -> NoteView:
    return NoteView(str(happened.get("note")), str(happened.get("who")), left_s)


def _read(stored: Stored) -> Snapshot[State] | None:
    """Read a snapshot; one of another version is none."""
    try:
        return snapshots.read(stored, State)
    except SnapshotError:
        return None


def _totalisers(
    snapshot: Snapshot[State], stored: Stored | None, fresh: State, now_s: float, wall_us: int
) -> tuple[TotaliserState, ...]:
    """Go on from every counter's baseline. How long ago that was is known by wall time alone, if that went forwards."""
    if stored is None:
        return fresh.totalisers
    away_s = (wall_us - stored.wall_us) / 1e6
    left_s = stored.mono_us / 1e6
    return counters.restored(
        fresh.totalisers, snapshot.state.totalisers, left_s, away_s if away_s >= 0.0 else None, now_s
    )


def _batch(snapshot: Snapshot[State], params: Params, fresh: BatchState | None) -> BatchState | None:
    """Take over what a batch plant's vessel and auger have taught, under the same settings.

    Not what lay in the vessel: its own scale knows that better. The batch in the pugmill is unknown after a start.
    """
    before = snapshot.state.batch
    if fresh is None or before is None or snapshot.settings_id != params.settings_id:
        return fresh
    vessel = replace(fresh.vessel, zero_kg=before.vessel.zero_kg, overrun_kg=before.vessel.overrun_kg)
    dosing = replace(fresh.dosing, overrun_kg=before.dosing.overrun_kg)
    return replace(fresh, vessel=vessel, dosing=dosing, wasted_kg=before.wasted_kg)


def _weighing(snapshot: Snapshot[State], params: Params, fresh: WeighingState) -> WeighingState:
    """Take over the feed factor and its level map from the newest snapshot under the same settings."""
    if snapshot.settings_id != params.settings_id:
        return fresh
    before = snapshot.state.weighing
    return replace(
        fresh,
        factor_kg_rev=before.factor_kg_rev,
        mean_factor_kg_rev=before.mean_factor_kg_rev,
        level=before.level,
        noise_kg=before.noise_kg,
        var_ff=(FACTOR_DOUBT * before.factor_kg_rev) ** 2 if before.learned else before.var_ff,
        learned=before.learned,
        taught_s=before.taught_s,
    )
