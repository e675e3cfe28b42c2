"""Cracking tolerance index (IDEAL-CT) of one specimen, ASTM D8225 as applied in FHWA data, from load over displacement.

    Gf = W / (D t) 10^6          [J/m2], W [J] the area under the curve, D and t [mm]
    |m75| = (P85 - P65) / (l65 - l85)   behind the peak
    CT = (t / 62) (l75 / D) (Gf / |m75|) 10^6, |m75| in N/m

With |m75| in kN/mm the factor 10^6 goes out: 1 kN/mm is 10^6 N/m. The factor t / 62 is part of it: without it a
specimen that is not 62 mm thick gets another index. 1 kN mm is 1 J.

Beginning and end of the curve: displacement counts from the last record before the peak whose load is not above 0.02 kN
(ours: the noise of a load cell; a machine travels some way before it touches); the area ends where the load behind the
peak has come down to 0.1 kN (FROM MEMORY), or with the record, which is then said.
"""

from math import sqrt
from typing import Final

from crumbmeter.model.frozen import dataclass
from crumbmeter.qc.laboratory.curves import CurveRefusedError, Values, area_of, checked, falls_to, upright

STANDARD_THICKNESS_MM: Final = 62.0
TOUCHES_KN: Final = 0.02
END_KN: Final = 0.1
FEWEST: Final = 10
WARN_CV_PERCENT: Final = 15.0
"""[%] About what one laboratory finds among replicates (Univ. of Utah MPC-23-492); above it they are doubted."""
METHOD: Final = "ASTM D8225, area to 0.1 kN behind the peak, slope between 85 and 65 % of the peak"


@dataclass(frozen=True, slots=True)
class Cracking:
    """What one specimen showed."""

    ct_index: float
    fracture_energy_j_m2: float
    work_j: float
    peak_kn: float
    l75_mm: float
    """[mm] Displacement at 75 % of the peak, behind it."""
    m75_kn_mm: float
    """[kN/mm] Size of the slope there."""
    complete: bool
    """Whether the load came down to 0.1 kN before the record ended; else the work is too small."""
    method: str = METHOD


@dataclass(frozen=True, slots=True)
class Replicates:
    """Specimens of one sample."""

    count: int
    mean: float
    cv_percent: float | None
    """[%] Standard deviation (n - 1) over the mean; None for a single one or a mean of 0."""
    warning: str = ""


def ct_index(work_j: float, l75_mm: float, m75_kn_mm: float, diameter_mm: float, thickness_mm: float) -> float:
    """Return the cracking tolerance index.

    Args:
        work_j: [J] Work of failure.
        l75_mm: [mm] Displacement at 75 % of the peak load, behind the peak.
        m75_kn_mm: [kN/mm] Size of the slope there. Positive.
        diameter_mm: [mm]
        thickness_mm: [mm]
    """
    energy = fracture_energy_j_m2(work_j, diameter_mm, thickness_mm)
    return thickness_mm / STANDARD_THICKNESS_MM * (l75_mm / diameter_mm) * (energy / m75_kn_mm)


def fracture_energy_j_m2(work_j: float, diameter_mm: float, thickness_mm: float) -> float:
    """[J/m2] Return the work over the area that breaks, the diameter times the thickness."""
    return work_j / (diameter_mm * thickness_mm) * 1e6


def evaluate(load_kn: Values, displacement_mm: Values, diameter_mm: float, thickness_mm: float) -> Cracking:
    """Evaluate the raw curve of one specimen.

    Args:
        load_kn: [kN] Either sign.
        displacement_mm: [mm] Either sign, any zero.
        diameter_mm: [mm]
        thickness_mm: [mm]

    Raises:
        CurveRefusedError: it is no such curve, or ends before the load has fallen to 65 % of its peak.
    """
    checked("CT curve", displacement_mm, load_kn, FEWEST)
    if not (diameter_mm > 0.0 and thickness_mm > 0.0):
        raise CurveRefusedError(f"CT curve: diameter {diameter_mm:g} mm and thickness {thickness_mm:g} mm must be > 0.")
    loads = upright(load_kn)
    peak = loads.index(max(loads))
    if loads[peak] <= END_KN:
        raise CurveRefusedError(f"CT curve: the peak load is {loads[peak]:g} kN. See whether the load's unit is right.")
    begin = next((i for i in range(peak, -1, -1) if loads[i] <= TOUCHES_KN), 0)
    sign = -1.0 if displacement_mm[peak] < displacement_mm[begin] else 1.0
    travel = tuple(sign * (place - displacement_mm[begin]) for place in displacement_mm)
    l85, l75, l65 = (_behind(travel, loads, peak, share) for share in (0.85, 0.75, 0.65))
    if l65 <= l85:
        raise CurveRefusedError("CT curve: displacement does not grow behind the peak. See which column is which.")
    m75 = (0.85 - 0.65) * loads[peak] / (l65 - l85)
    work, complete = _work(travel, loads, begin, peak)
    index = ct_index(work, l75, m75, diameter_mm, thickness_mm)
    energy = fracture_energy_j_m2(work, diameter_mm, thickness_mm)
    return Cracking(index, energy, work, loads[peak], l75, m75, complete)


def replicates_of(values: Values) -> Replicates:
    """Take specimens of one sample together, and doubt them where they differ too much.

    Raises:
        CurveRefusedError: there is none.
    """
    if not values:
        raise CurveRefusedError("replicates: none was given. Give the figure of at least one specimen.")
    count = len(values)
    mean = sum(values) / count
    if count < 2 or mean == 0.0:
        return Replicates(count, mean, None)
    cv = 100.0 * sqrt(sum([(value - mean) ** 2 for value in values]) / (count - 1)) / abs(mean)
    warning = f"replicates differ: CV {cv:.1f} % is above {WARN_CV_PERCENT:g} %" if cv > WARN_CV_PERCENT else ""
    return Replicates(count, mean, cv, warning)


def _behind(travel: Values, loads: Values, peak: int, share: float) -> float:
    found = falls_to(travel, loads, share * loads[peak], peak)
    if found is None:
        raise CurveRefusedError(
            f"CT curve: the load never falls to {100 * share:.0f} % of its peak of {loads[peak]:g} kN; the record ends "
            f"at {loads[-1]:g} kN. Give the whole record, or test another specimen."
        )
    return found[1]


def _work(travel: Values, loads: Values, begin: int, peak: int) -> tuple[float, bool]:
    """[J] Return the area from first touch to the end, and whether the end was reached."""
    end = falls_to(travel, loads, END_KN, peak)
    if end is None:
        return area_of(travel[begin:], loads[begin:]), False
    record, place = end
    return area_of((*travel[begin:record], place), (*loads[begin:record], END_KN)), True
