"""Other settings taken between two scans: what the memory of the core becomes under them. Pure, so that replay can."""

from dataclasses import fields
from typing import Final

from crumbmeter.control.params import Params
from crumbmeter.control.requests import RELEASE_S
from crumbmeter.control.sequence import RunState
from crumbmeter.control.state import State
from crumbmeter.model.frozen import replace

EXCHANGED: Final = frozenset({
    "settings_id", "control_allowed", "signals", "mixes", "sequence", "feed", "tolerance", "alarm_delays_s",
    "good_scans", "known_weight_band", "uncertainty",
})  # fmt: skip
"""Parts of the settings that the memory of the core does not take its shape from. All others stay as they are."""
AT_REST: Final = (RunState.MONITOR, RunState.IDLE, RunState.LOCAL)
LEAST_MATERIAL_KG: Final = 20.0
"""[kg] Less than this between the scales and the injection point is dust."""


def unlike(before: Params, after: Params) -> tuple[str, ...]:
    """Name the parts of the settings that are different and cannot be exchanged while the daemon runs."""
    other = [field.name for field in fields(Params) if getattr(before, field.name) != getattr(after, field.name)]
    fixed = [name for name in other if name not in EXCHANGED]
    if [one.signal_id for one in before.signals] != [one.signal_id for one in after.signals]:
        fixed.append("signals")
    return tuple(fixed)


def why_not(state: State, before: Params, after: Params, *, at_rest: bool) -> str:
    """Say why the core cannot take other settings at this moment; empty: it can.

    Args:
        state: After the last scan.
        before: Settings in force.
        after: Settings to take.
        at_rest: Something that control depends on is different.
    """
    if not at_rest:
        return ""
    if state.sequence.in_service or state.sequence.state not in AT_REST:
        return f"the feed is in service or not at rest yet ({state.sequence.state}): stop-feed, and wait"
    if state.trip.who:
        return "the feeder's trip time is being measured: wait for it"
    known, wanted = ({mix.mix_id: mix for mix in params.mixes} for params in (before, after))
    used = {state.mix_id, state.outlet.older_mix, state.plant.mixes.booked, state.plant.mixes.arrived}
    used |= {one.mix_id for one in state.plant.mixes.leaving}
    for mix_id in sorted(used & known.keys()):
        if mix_id not in wanted:
            return f"mix {mix_id} is chosen or under way, and is not in the new file: choose another first"
        if known[mix_id] != wanted[mix_id] and state.plant.material_kg > LEAST_MATERIAL_KG:
            return f"mix {mix_id} is under way through the plant: wait until belts and drum are empty"
    return ""


def adopted(state: State, *, control_kept: bool) -> State:
    """Return the state under other settings: monitor only, unless nothing that control depends on is different."""
    if control_kept:
        return state
    left_s = RELEASE_S if state.control_enabled else state.feed.release_left_s
    return replace(
        state, control_enabled=False, sequence=replace(state.sequence, in_service=False, on_hold=False),
        feed=replace(state.feed, release_left_s=left_s),
    )  # fmt: skip
