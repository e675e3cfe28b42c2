"""Memory of the watch over the conveying line (line_watch.py): the second under way, the curve, and what was found."""

from dataclasses import field

from crumbmeter.control.line_table import OF_PRESSURE, PLUGS, Diagnosis
from crumbmeter.estimation.line_curve import LineCurve
from crumbmeter.model.frozen import dataclass


@dataclass(frozen=True, slots=True)
class Second:
    """Sums over the second under way. Times say for how much of it something held."""

    span_s: float = 0.0
    heard_s: float = 0.0
    """[s] Pressure not Bad."""
    pressure_pa_s: float = 0.0
    load_kg_s: float = 0.0
    way_rev: float = 0.0
    """[rev] Made by the auger."""
    turning_s: float = 0.0
    air_s: float = 0.0
    """[s] Blower proven, diverter on the drum."""
    no_air_s: float = 0.0
    """[s] Blower not proven, diverter on the drum."""
    falling_s: float = 0.0
    standing_s: float = 0.0
    switch_s: float = 0.0
    """[s] Flow switch not Bad."""
    switched_s: float = 0.0
    """[s] It saw rubber."""


@dataclass(frozen=True, slots=True)
class Calm:
    """For how long things have been as they are, and what the pressure lies off its curve."""

    load_kg: float = 0.0
    """[kg] Rubber under way, filtered."""
    steady_s: float = 0.0
    """[s] It has stayed near that."""
    air_s: float = 0.0
    """[s] The line has been open to the drum with the blower proven."""
    empty_s: float = 0.0
    """[s] ...and nothing has been under way, the auger at rest."""
    taken_anew: bool = False
    """Whether air alone has been taken anew since it became empty."""
    falling_s: float = 0.0
    """[s] The weight has fallen as it should."""
    quick_pa: float = 0.0
    slow_pa: float = 0.0
    """[Pa] Pressure above its curve, filtered; two time constants make a trend of it."""


@dataclass(frozen=True, slots=True)
class Finding:
    """What was found in the last second."""

    diagnosis: Diagnosis = Diagnosis.NONE
    candidate: Diagnosis = Diagnosis.NONE
    candidate_s: float = 0.0
    """[s] For how long the table has said so."""
    pressure_pa: float | None = None
    """[Pa] Mean of the last second."""
    expected_pa: float | None = None
    """[Pa] By the curve at this loading; None: the curve is not known well enough."""
    spread_pa: float = 0.0
    """[Pa] Standard deviation of a reading about it."""
    soonest_s: float | None = None
    """[s] To the fixed limit, should the pressure go on to rise ever faster, as plugs do; None: no trend is known."""
    latest_s: float | None = None
    """[s] To the fixed limit, should it rise as fast as now."""


@dataclass(frozen=True, slots=True)
class LineWatch:
    """All of it."""

    second: Second = field(default_factory=Second)
    curve: LineCurve = field(default_factory=LineCurve)
    calm: Calm = field(default_factory=Calm)
    finding: Finding = field(default_factory=Finding)


def words(finding: Finding) -> str:
    """Say a finding for an alarm or an event: what, how far off, and how long there is."""
    parts = [finding.diagnosis.value]
    if finding.pressure_pa is not None and finding.expected_pa and finding.diagnosis in OF_PRESSURE:
        off = finding.pressure_pa / finding.expected_pa - 1.0
        parts.append(f"pressure {abs(off):.0%} {'above' if off > 0.0 else 'below'} what is learned")
    if finding.diagnosis in PLUGS:
        soonest_s, latest_s = finding.soonest_s, finding.latest_s
        known = soonest_s is not None and latest_s is not None
        parts.append(f"{soonest_s:.0f} to {latest_s:.0f} s to the limit" if known else "time to the limit not known")
    return "; ".join(parts)
