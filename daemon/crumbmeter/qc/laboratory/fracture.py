"""Fracture energy by the disk-shaped compact tension test (DCT, ASTM D7313), from load over crack mouth opening (CMOD).

    Gf = W / (ligament x thickness)

W is the area under the curve of load [kN] over CMOD [mm], from the first record to where the load behind the peak has
come down to 0.1 kN; 1 kN mm is 1 J. That the test ends at 0.1 kN, and that the area counts from the first record, with
the seating load in it, is FROM MEMORY of ASTM D7313. Where the record ends sooner the work is that of the record, too
small, and the result says that it is not complete. No tail is made up.
"""

from typing import Final

from crumbmeter.model.frozen import dataclass
from crumbmeter.qc.laboratory.curves import CurveRefusedError, Values, area_of, checked, falls_to, upright

END_KN: Final = 0.1
FEWEST: Final = 10
METHOD: Final = "ASTM D7313, area from the first record to 0.1 kN behind the peak"


@dataclass(frozen=True, slots=True)
class Fracture:
    """What one specimen showed."""

    energy_j_m2: float
    work_j: float
    peak_kn: float
    cmod_at_peak_mm: float
    cmod_at_end_mm: float
    complete: bool
    """Whether the load came down to 0.1 kN before the record ended; else the energy is at least this."""
    method: str = METHOD


def evaluate(load_kn: Values, cmod_mm: Values, ligament_mm: float, thickness_mm: float) -> Fracture:
    """Evaluate the raw curve of one specimen.

    Args:
        load_kn: [kN] Either sign.
        cmod_mm: [mm] Opening of the crack's mouth, either sign, any zero.
        ligament_mm: [mm] From the notch's tip to the far edge.
        thickness_mm: [mm]

    Raises:
        CurveRefusedError: it is no such curve.
    """
    checked("DCT curve", cmod_mm, load_kn, FEWEST)
    if not (ligament_mm > 0.0 and thickness_mm > 0.0):
        raise CurveRefusedError(
            f"DCT curve: ligament {ligament_mm:g} mm and thickness {thickness_mm:g} mm must be > 0."
        )
    loads = upright(load_kn)
    peak = loads.index(max(loads))
    if loads[peak] <= END_KN:
        raise CurveRefusedError(
            f"DCT curve: the peak load is {loads[peak]:g} kN. See whether the load's unit is right."
        )
    sign = -1.0 if cmod_mm[-1] < cmod_mm[0] else 1.0
    opening = tuple(sign * (place - cmod_mm[0]) for place in cmod_mm)
    end = falls_to(opening, loads, END_KN, peak)
    if end is None:
        work, last = area_of(opening, loads), opening[-1]
    else:
        record, last = end
        work = area_of((*opening[:record], last), (*loads[:record], END_KN))
    energy = work / (ligament_mm * thickness_mm) * 1e6
    return Fracture(energy, work, loads[peak], opening[peak], last, end is not None)
