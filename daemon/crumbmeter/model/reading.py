"""A value never travels without its quality and its age (REQ-1)."""

from crumbmeter.model.frozen import dataclass
from crumbmeter.model.quality import Quality, Reason


@dataclass(frozen=True, slots=True)
class Reading:
    """One settled value in SI. `value` is None exactly when the quality is Bad.

    Contacts are readings too: 1.0 is closed (true), 0.0 is open.
    """

    value: float | None
    quality: Quality
    reason: Reason
    age_s: float
    """[s] Since the device's reply that carried it arrived; 0 with quality Bad where none ever came."""

    @property
    def good(self) -> bool:
        """Tell whether the value may be used for control without a second thought."""
        return self.quality is Quality.GOOD

    @property
    def usable(self) -> bool:
        """Tell whether there is a value at all (Good or Uncertain)."""
        return self.value is not None

    def or_none(self) -> float | None:
        """Return the value whatever its quality, or None."""
        return self.value


NOT_CONFIGURED = Reading(None, Quality.BAD, Reason.NOT_CONFIGURED, 0.0)
"""Stands where a site has no such signal."""


def bad(reason: Reason, age_s: float = 0.0) -> Reading:
    """Make a Bad reading: no number stands for "missing" anywhere (REQ-5)."""
    return Reading(None, Quality.BAD, reason, age_s)


def good(value: float, age_s: float = 0.0) -> Reading:
    """Make a Good reading. The caller has checked that `value` is finite."""
    return Reading(value, Quality.GOOD, Reason.OK, age_s)
