"""What a person or another program asks for. A request enters the constraint chain like any other."""

from enum import StrEnum

from crumbmeter.model.frozen import dataclass


class CommandKind(StrEnum):
    """What is asked for."""

    ENABLE_CONTROL = "enable control"
    MONITOR_ONLY = "monitor only"
    START_FEED = "start feed"
    HOLD_FEED = "hold feed"
    STOP_FEED = "stop feed"
    SELECT_MIX = "select mix"
    SET_MOISTURE = "set moisture"
    ACKNOWLEDGE = "acknowledge"
    RESET_ALARM = "reset alarm"
    SHELVE_ALARM = "shelve alarm"
    UNSHELVE_ALARM = "unshelve alarm"
    REMOVE_ALARM = "take alarm out of service"
    RETURN_ALARM = "return alarm to service"
    RESET_SUBTOTAL = "reset subtotal"
    SETTLE_TOTAL = "settle total"
    ACCEPT_WEIGHT = "accept weight"
    CONFIRM_WEIGHT = "confirm weight"
    MEASURE_TRIP = "measure trip"
    RELEARN_LINE = "relearn line"
    DRUM_DUMPED = "drum dumped"
    PLAN_JOB = "plan job"
    LOAD_BAG = "load bag"
    WASTE_MIX = "mix wasted"
    HAND_OVER_NOTE = "hand over note"


@dataclass(frozen=True, slots=True)
class Command:
    """One request, with who asked and until when it may still be carried out (REQ-25)."""

    kind: CommandKind
    who: str
    command_id: str
    expires_s: float
    """[s] Process time after which it is dropped unseen, with an event."""
    subject: str = ""
    """Mix, stream, alarm or signal id, as the kind needs (`SIGNAL#GAP` for a gap that is not the oldest); for
    ENABLE_CONTROL the settings id that was agreed to."""
    value: float = 0.0
    """SI value where the kind needs one (moisture as a fraction of dry mass, a total in SI, a known weight in kg,
    the length of a shelf in s, a share of the drum as a fraction)."""
    reason: str = ""
    """Why, in the person's own words, where the record needs it."""
    since_s: float = 0.0
    """[s] For how long it has been so already, as people say (a moisture that was sampled an hour ago)."""
