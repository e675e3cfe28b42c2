"""What settling needs to know of each signal."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class SignalParams:
    """Limits of trust of one signal. Its position in the list is its index in the input image."""

    signal_id: str
    low_si: float
    """Below this the reading is Bad, out of range."""
    high_si: float
    max_age_s: float
    """[s] Older than this is Bad, stale. Process time."""
    frozen_after_s: float | None = None
    """[s] Identical for so long while `frozen_while` is true: Bad, frozen. None: never judged."""
    frozen_while: int | None = None
    """Index of the signal that must be true for frozenness to be judged (a belt that runs). None: always. A contact is
    true when closed, a speed when something moves."""
    frozen_above_si: float | None = None
    """[SI] Up to this it is not judged frozen: an empty belt reads a constant zero, and is right. None: all are."""
    max_rise_per_s: float | None = None
    """[SI per s] Faster changes than this are Bad for one reading. None: never judged."""
    is_contact: bool = False
