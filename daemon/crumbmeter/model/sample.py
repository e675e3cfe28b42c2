"""A decoded value before it is settled: what one signal's words mean, or why they mean nothing."""

from crumbmeter.model.frozen import dataclass
from crumbmeter.model.quality import Reason


@dataclass(frozen=True, slots=True)
class Sample:
    """One signal's words of one image, decoded, scaled and converted to SI.

    `reason` says why `value` is None; beside a value it is OK, or says why that is to be taken as Uncertain.
    """

    value: float | None
    reason: Reason
    received_s: float
    """[s] Process time at which the reply that carried it arrived. 0 when there was none."""
    link_ok: bool
    """Whether the newest attempt to read its block succeeded (an old value may stand while attempts fail)."""
