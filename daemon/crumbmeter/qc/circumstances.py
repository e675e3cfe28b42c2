"""What happened around a deviation: what called first, what the daemon did, who did what. Out of the record's events.

Rubber that is missing at the drum's outlet left the auger, or did not, some time before. So what is looked at begins
earlier than the deviation, by the travel of line and drum, and ends with it.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from crumbmeter.qc.deviations import Deviation

ACTIONS: Final = frozenset(
    {
        "run_state_changed", "feed_stopped", "feed_put_in_service", "feed_put_on_hold", "feed_taken_out_of_service",
        "refill_began", "line_diagnosed", "mix_arrived", "owed_rubber_forgotten", "drum_dumped", "weight_step",
        "weight_baseline_doubted", "control_enabled", "monitor_only", "rubber_late", "batch_not_served",
    }
)  # fmt: skip
MOST: Final = 20
"""Happenings that are listed of each deviation; the count of all is given."""


@dataclass(frozen=True, slots=True)
class Happening:
    """An event of the record."""

    at_us: int
    seq: int
    name: str
    detail: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Circumstances:
    """Around one deviation."""

    first_out: Happening | None
    """The alarm that called first; None where none did."""
    alarms: tuple[str, ...]
    """All that were raised, in their order."""
    actions: tuple[Happening, ...]
    """What the daemon or a person did, at most `MOST`."""
    actions_count: int


def circumstances(deviation: Deviation, happened: Iterable[Happening], lead_us: int) -> Circumstances:
    """Gather what happened around a deviation.

    Args:
        deviation: One.
        happened: Events in their order; those outside its time are passed over.
        lead_us: [us] So long before it a cause may lie: travel of the line and the drum, twice over.
    """
    near = [one for one in happened if deviation.began_us - lead_us <= one.at_us <= deviation.ended_us]
    raised = [one for one in near if one.name == "alarm_raised"]
    first = next((one for one in raised if one.detail.get("first_out")), raised[0] if raised else None)
    actions = [one for one in near if one.name in ACTIONS]
    return Circumstances(
        first_out=first,
        alarms=tuple(dict.fromkeys(str(one.detail.get("alarm")) for one in raised)),
        actions=tuple(actions[:MOST]),
        actions_count=len(actions),
    )
