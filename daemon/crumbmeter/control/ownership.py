"""Two controllers must not write at once (REQ-54): who owns the outputs, by a register that both can see.

The number of this run stands in the owner register while it writes. A stranger's number whose heartbeat still moves is
another master: hands off, and an alarm. One whose heartbeat stands was left by a run that has died, and is taken over.
"""

from crumbmeter.control.params import Params
from crumbmeter.field.words import decode_words
from crumbmeter.model.frozen import dataclass
from crumbmeter.model.image import WriteStatus


@dataclass(frozen=True, slots=True)
class OwnerState:
    """What is known of the owner register."""

    ours: bool = False
    """Our number was read back."""
    may_claim: bool = False
    """It is free, or what stands there is dead."""
    other: int = 0
    """Number of another master that lives; 0: none."""
    still_s: float = 0.0
    """[s] For how long the stranger's heartbeat has not moved."""
    beat: tuple[int, ...] = ()


def watch_owner(
    state: OwnerState, params: Params, instance: int, writes: tuple[WriteStatus, ...], dt_s: float
) -> OwnerState:
    """Look at the owner register.

    Args:
        state: Before.
        params: Site.
        instance: Number of this run.
        writes: Status of every output, with what was read back.
        dt_s: [s] Length of the scan.
    """
    if params.owner is None:
        return state
    found = writes[params.owner].read_back_words
    if found is None:
        return OwnerState()
    owner = int(decode_words(params.outputs[params.owner].register, found))
    if owner in (0, instance):
        return OwnerState(ours=owner == instance, may_claim=True)
    beat = () if params.heartbeat is None else writes[params.heartbeat].read_back_words or ()
    same = beat == state.beat and not state.ours and state.beat != ()
    still_s = state.still_s + dt_s if same or params.heartbeat is None else 0.0
    dead = still_s > params.owner_dead_after_s
    # Until its heartbeat has stood for long enough, it is taken to live.
    return OwnerState(may_claim=dead, other=0 if dead else owner, still_s=still_s, beat=beat)


def may_write(state: OwnerState, params: Params) -> bool:
    """Tell whether outputs are ours to write."""
    return params.owner is None or state.ours
