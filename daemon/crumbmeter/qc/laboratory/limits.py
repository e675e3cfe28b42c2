"""Limits of laboratory figures that public texts give, as data, and the verdict of each.

A site's own limits come from its specification profile (qc/specification.py); these are the tables it may follow.
"""

import re
from typing import Final

from crumbmeter.model.frozen import dataclass
from crumbmeter.qc.laboratory.fracture import Fracture
from crumbmeter.qc.laboratory.hamburg import Hamburg
from crumbmeter.qc.verdict import Verdict

CONFIRMED: Final = "confirmed"
FROM_MEMORY: Final = "from memory"


@dataclass(frozen=True, slots=True)
class PassesByGrade:
    """Passes that a specimen must bear, by the high grade of its binder."""

    up_to_grade: int
    """[degC] High temperature of the performance grade, this or lower. The last row takes all above it."""
    passes: float


@dataclass(frozen=True, slots=True)
class HamburgTable:
    """Passes at a rut."""

    source: str
    status: str
    temperature_c: float
    rut_mm: float
    rows: tuple[PassesByGrade, ...]


@dataclass(frozen=True, slots=True)
class EnergyLimit:
    """Fracture energy that must be exceeded, by traffic."""

    traffic: str
    above_j_m2: float
    source: str
    status: str


TXDOT_2004: Final = HamburgTable(
    "TxDOT specification 2004, Tex-242-F", CONFIRMED, 50.0, 12.5,
    (PassesByGrade(64, 10_000.0), PassesByGrade(70, 15_000.0), PassesByGrade(76, 20_000.0)),
)  # fmt: skip
COLORADO_TEMPERATURES_C: Final = {52: 40.0, 58: 45.0, 64: 50.0, 70: 55.0}
"""[degC] Of the water bath, by the high grade of the binder. Colorado CPL 5112 (confirmed)."""
ENERGY_LIMITS: Final = (
    EnergyLimit("any", 400.0, "MnDOT DCT implementation update 2017", CONFIRMED),
    EnergyLimit("below 10 million ESAL", 400.0, "low-temperature cracking pooled-fund study, phase II", FROM_MEMORY),
    EnergyLimit("10 to 30 million ESAL", 460.0, "low-temperature cracking pooled-fund study, phase II", FROM_MEMORY),
    EnergyLimit("above 30 million ESAL", 690.0, "low-temperature cracking pooled-fund study, phase II", FROM_MEMORY),
)
CT_INDEX_AT_LEAST: Final = 70.0
"""VDOT minimum, by a VDOT paper (confirmed)."""


def high_grade(grade: str) -> int:
    """[degC] Return the high temperature of a performance grade such as `PG 70-22`, `70` or `PG 64E-28`.

    Raises:
        ValueError: the text is no grade.
    """
    found = re.fullmatch(r"(?:PG)?\s*(\d{2})(?:\s*[A-Z])?(?:\s*[-\u2212]\s*\d{2})?", grade.strip().upper())
    if found is None:
        raise ValueError(f"{grade!r} is no performance grade; write it as PG 70-22")
    return int(found[1])


def passes_needed(grade: str, table: HamburgTable = TXDOT_2004) -> float:
    """Return the passes that a specimen with this binder must bear.

    Raises:
        ValueError: the text is no grade.
    """
    high = high_grade(grade)
    # A grade between two rows takes the stricter one.
    return next((row.passes for row in table.rows if high <= row.up_to_grade), table.rows[-1].passes)


def judge_hamburg(found: Hamburg, needed_passes: float, rut_mm: float = TXDOT_2004.rut_mm) -> tuple[Verdict, str]:
    """Judge one specimen, and say why.

    Args:
        found: Evaluated for the same rut.
        needed_passes: It must bear so many before its rut comes to the limit.
        rut_mm: [mm] The limit.
    """
    if found.limit_mm != rut_mm:
        return Verdict.CANNOT_TELL, f"passes were counted to {found.limit_mm:g} mm, the limit is {rut_mm:g} mm"
    at = found.passes_at_limit
    if at is not None:
        words = f"{rut_mm:g} mm after {at:.0f} passes; {needed_passes:.0f} are needed"
        return (Verdict.PASSES if at >= needed_passes else Verdict.FAILS), words
    if found.last_passes < needed_passes:
        return (
            Verdict.CANNOT_TELL,
            f"the test was stopped at {found.last_passes:.0f} passes; {needed_passes:.0f} are needed",
        )
    return Verdict.PASSES, f"{found.final_rut_mm:.1f} mm after {found.last_passes:.0f} passes"


def judge_energy(found: Fracture, above_j_m2: float) -> tuple[Verdict, str]:
    """Judge a fracture energy: it must be above the limit, strictly."""
    if found.energy_j_m2 > above_j_m2:
        return Verdict.PASSES, f"{found.energy_j_m2:.1f} J/m2, above {above_j_m2:g}"
    if not found.complete:
        return Verdict.CANNOT_TELL, f"at least {found.energy_j_m2:.1f} J/m2: the record ends before the load has gone"
    return Verdict.FAILS, f"{found.energy_j_m2:.1f} J/m2, not above {above_j_m2:g}"
