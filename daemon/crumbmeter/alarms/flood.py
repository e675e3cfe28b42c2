"""A flood of alarms: more than a person can take in. Begins and ends by the count of ten minutes (ISA-18.2; EEMUA 191).

More than ten new alarms in ten minutes begin it; it ends when a window of ten minutes holds fewer than five (the limits
as the project's check values give them: section 6b, partly from memory).
"""

from crumbmeter.model.events import Event, event
from crumbmeter.model.frozen import dataclass

WINDOW_S = 600.0
"""[s] Window of the count."""
BEGINS_ABOVE = 10
ENDS_BELOW = 5


@dataclass(frozen=True, slots=True)
class Flood:
    """New alarms of late."""

    ages_s: tuple[float, ...] = ()
    """[s] Since each new alarm of the window, the oldest first."""
    on: bool = False


def follow_flood(before: Flood, raised: int, dt_s: float) -> tuple[Flood, tuple[Event, ...]]:
    """Count the new alarms of a scan.

    Args:
        before: As the scan before left it.
        raised: New alarms in this scan.
        dt_s: [s] Length of the scan.
    """
    if not (before.ages_s or raised):
        return before, ()
    older = [age_s + dt_s for age_s in before.ages_s]
    ages_s = (*[age_s for age_s in older if age_s < WINDOW_S], *([0.0] * raised))
    count = len(ages_s)
    if not before.on and count > BEGINS_ABOVE:
        return Flood(ages_s, on=True), (event("alarm_flood_began", alarms=count),)
    if before.on and count < ENDS_BELOW:
        return Flood(ages_s, on=False), (event("alarm_flood_ended", alarms=count),)
    return Flood(ages_s, before.on), ()
