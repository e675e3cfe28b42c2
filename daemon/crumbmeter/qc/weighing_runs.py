"""Whether a calibration run of a loss-in-weight feeder counts, by the Caltrans rules for such feeders.

Source: Caltrans WMA draft (District 1 laboratory) and HMA-additive provisions (read): at least one complete refill
within each run; ten minutes of normal running just before; the scale kept from vibration, and checked before and after;
below 1 ton/h at least 15 minutes. A later text says "15-minute or 250-pound-minimum": whether either will do or both
are needed is the agency's to say, so the reading is an option, and the time alone is asked for unless it is set.
"""

from enum import StrEnum
from typing import Final

from crumbmeter.model.frozen import dataclass
from crumbmeter.model.units import POUND_KG, SHORT_TON_KG

RULES_SECTION: Final = "Caltrans rules for loss-in-weight runs; confirmed"
"""Source and status, as a verdict names them."""


class Minimum(StrEnum):
    """How the two minima of a run are read."""

    TIME = "15 minutes"
    EITHER = "15 minutes or 250 pounds"
    BOTH = "15 minutes and 250 pounds"


@dataclass(frozen=True, slots=True)
class RunRules:
    """What a run must be. Defaults: Caltrans."""

    minimum: Minimum = Minimum.TIME
    least_s: float = 900.0
    least_kg: float = 250.0 * POUND_KG
    below_kg_s: float = SHORT_TON_KG / 3600.0
    """[kg/s] The minima are asked for below this rate: 1 short ton/h."""
    warm_up_s: float = 600.0
    refills: int = 1


CALTRANS: Final = RunRules()


@dataclass(frozen=True, slots=True)
class FeederRun:
    """One run. None: nobody said."""

    duration_s: float
    mass_kg: float
    warm_up_s: float
    """[s] Normal running just before."""
    refills: int
    """Complete ones within the run."""
    scale_isolated: bool | None = None
    checked_before: bool | None = None
    checked_after: bool | None = None

    @property
    def rate_kg_s(self) -> float:
        """[kg/s] Return the mean rate; 0 for a run without length."""
        return self.mass_kg / self.duration_s if self.duration_s > 0.0 else 0.0


def broken_rules(run: FeederRun, rules: RunRules = CALTRANS) -> tuple[str, ...]:
    """Name every rule that a run breaks; none: it counts."""
    broken = []
    if run.duration_s <= 0.0 or run.mass_kg <= 0.0:
        broken.append("the run has no length or no mass")
    if run.rate_kg_s < rules.below_kg_s and not _long_enough(run, rules):
        broken.append(
            f"the run took {run.duration_s:.0f} s and fed {run.mass_kg:.1f} kg; at less than "
            f"{rules.below_kg_s * 3600.0:.0f} kg/h at least {rules.minimum.value} are needed"
        )
    if run.refills < rules.refills:
        broken.append(f"{run.refills} complete refills within the run; {rules.refills} are needed")
    if run.warm_up_s < rules.warm_up_s:
        broken.append(f"{run.warm_up_s:.0f} s of normal running before it; {rules.warm_up_s:.0f} s are needed")
    for given, words in (
        (run.scale_isolated, "the scale was kept from vibration"),
        (run.checked_before, "the scale was checked before"),
        (run.checked_after, "the scale was checked after"),
    ):
        if given is not True:
            broken.append(f"it is not said that {words}" if given is None else f"it is denied that {words}")
    return tuple(broken)


def _long_enough(run: FeederRun, rules: RunRules) -> bool:
    in_time, in_mass = run.duration_s >= rules.least_s, run.mass_kg >= rules.least_kg * (1.0 - 1e-9)
    match rules.minimum:
        case Minimum.TIME:
            return in_time
        case Minimum.EITHER:
            return in_time or in_mass
        case Minimum.BOTH:
            return in_time and in_mass
