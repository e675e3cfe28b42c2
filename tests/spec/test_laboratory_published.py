"""Laboratory figures against published formulas and specimens. The source stands beside each check.

Status as in the project's check values: "read" in a stored copy of the source, "derived" by arithmetic, "from memory".
"""

from statistics import NormalDist

import pytest

from crumbmeter.qc.laboratory.cracking import ct_index, fracture_energy_j_m2, replicates_of
from crumbmeter.qc.laboratory.curves import Line, crossing_of
from crumbmeter.qc.laboratory.fracture import Fracture
from crumbmeter.qc.laboratory.hamburg import FitMethod, Hamburg, evaluate, rut_curve
from crumbmeter.qc.laboratory.limits import (
    COLORADO_TEMPERATURES_C,
    CT_INDEX_AT_LEAST,
    ENERGY_LIMITS,
    judge_energy,
    judge_hamburg,
    passes_needed,
)
from crumbmeter.qc.laboratory.trend import NORMAL_975, Pair, trend
from crumbmeter.qc.verdict import Verdict
from tests.laboratory_curves import CREEP, STRIPPING, two_phases


def test_stripping_inflection_point_formula() -> None:
    # FHWA Turner-Fairbank laboratory analysis source: SIP = (b_strip - b_creep) / (m_creep - m_strip) (read).
    # Creep 2.0 + 1e-4 N, stripping -7.0 + 7e-4 N -> 15 000 passes, 3.5 mm (derived).
    sip = crossing_of(CREEP, STRIPPING)
    assert sip == pytest.approx(15_000.0, rel=1e-12)
    assert CREEP.at(15_000.0) == pytest.approx(3.5, rel=1e-12)
    # Parallel lines have no crossing; they are no division by zero.
    assert crossing_of(Line(1e-4, 2.0), Line(1e-4, -7.0)) is None


@pytest.mark.parametrize(("method", "rel"), [(FitMethod.TANGENTS, 1e-9), (FitMethod.TWO_LINES, 1e-4)])
def test_stripping_inflection_point_of_a_curve(method: FitMethod, rel: float) -> None:
    # AASHTO T 324 as quoted by MnDOT/NRRA: passes at which the lines of creep and stripping phase cross (read).
    passes = [100.0 * i for i in range(201)]
    found = evaluate(rut_curve(passes, [[two_phases(one) for one in passes]]), method=method).stripping
    assert found is not None
    assert found.sip_passes == pytest.approx(15_000.0, rel=rel)
    assert found.sip_mm == pytest.approx(3.5, rel=rel)
    assert found.method is method


@pytest.mark.parametrize(
    ("grade", "passes"),
    [("PG 58-28", 10_000), ("PG 64-22", 10_000), ("PG 70-22", 15_000), ("PG 76-22", 20_000), ("82", 20_000)],
)
def test_passes_by_grade(grade: str, passes: float) -> None:
    # TxDOT specification 2004, Tex-242-F, passes at 12.5 mm: PG 64 or lower 10 000, PG 70 15 000, PG 76 or higher
    # 20 000 (read).
    assert passes_needed(grade) == passes


@pytest.mark.parametrize(
    ("last", "rut_mm", "at", "verdict"),
    [
        (15_000.0, 12.4, None, Verdict.PASSES),
        (14_999.0, 12.5, 14_999.0, Verdict.FAILS),
        (15_000.0, 12.5, 15_000.0, Verdict.PASSES),
        (14_999.0, 3.0, None, Verdict.CANNOT_TELL),
    ],
)
def test_verdict_at_the_limit(last: float, rut_mm: float, at: float | None, verdict: Verdict) -> None:
    # The same text: PG 70, 12.4 mm after 15 000 passes passes, 12.5 mm after 14 999 fails (derived).
    found = Hamburg(rut_mm, last, 12.5, at, 0.1, None)
    assert judge_hamburg(found, passes_needed("PG 70-22"))[0] is verdict


def test_bath_temperatures() -> None:
    # Colorado CPL 5112: PG 52 40 degC, PG 58 45, PG 64 50, PG 70 55 (read).
    assert COLORADO_TEMPERATURES_C == {52: 40.0, 58: 45.0, 64: 50.0, 70: 55.0}


@pytest.mark.parametrize(
    ("thickness_mm", "work_j", "l75_mm", "m75_kn_mm", "energy_j_m2", "index"),
    [
        # ASTM D8225 as applied in FHWA data, lane 1, replicates 2 and 1, D 152.4 mm (read):
        # Gf = W / (D t), CT = (t/62) (l75/D) (Gf/|m75|).
        (62.0, 116.3833444825152, 4.957575443283928, 5.30132957639146, 12317.26192559004, 75.58119203089231),
        (62.9, 124.2134482894016, 5.370989614456009, 4.619737123013717, 12957.8517216, 100.2868623609),
    ],
)
def test_ct_index_of_published_specimens(
    thickness_mm: float, work_j: float, l75_mm: float, m75_kn_mm: float, energy_j_m2: float, index: float
) -> None:
    assert fracture_energy_j_m2(work_j, 152.4, thickness_mm) == pytest.approx(energy_j_m2, rel=1e-9)
    assert ct_index(work_j, l75_mm, m75_kn_mm, 152.4, thickness_mm) == pytest.approx(index, rel=1e-9)


def test_thickness_counts() -> None:
    # Without t/62 the second specimen would be 98.852 (derived): the classic mistake.
    right = ct_index(124.2134482894016, 5.370989614456009, 4.619737123013717, 152.4, 62.9)
    assert right / (62.9 / 62.0) == pytest.approx(98.852, abs=5e-4)


def test_ct_minimum_and_scatter() -> None:
    # VDOT minimum 70 (VDOT paper, read); about 15 % within one laboratory (Univ. of Utah MPC-23-492, read).
    assert CT_INDEX_AT_LEAST == 70.0
    # 85, 100, 115: mean 100, s = 15 exactly, CV 15 % (derived): not above it.
    assert not replicates_of([85.0, 100.0, 115.0]).warning
    assert "CV 16.0 %" in replicates_of([84.0, 100.0, 116.0]).warning


def test_fracture_energy_must_be_above_the_limit() -> None:
    # MnDOT DCT implementation update 2017: Gf > 400 J/m2 passes (read); 400.0 does not, 400.1 does.
    limit = ENERGY_LIMITS[0]
    assert limit.above_j_m2 == 400.0
    assert limit.status == "confirmed"
    assert judge_energy(Fracture(400.0, 1.0, 1.0, 1.0, 1.0, True), limit.above_j_m2)[0] is Verdict.FAILS
    assert judge_energy(Fracture(400.1, 1.0, 1.0, 1.0, 1.0, True), limit.above_j_m2)[0] is Verdict.PASSES


def test_limits_by_traffic_say_that_they_are_from_memory() -> None:
    # Low-temperature cracking pooled-fund study, phase II: 400, 460, 690 J/m2 (from memory).
    assert [one.above_j_m2 for one in ENERGY_LIMITS[1:]] == [400.0, 460.0, 690.0]
    assert {one.status for one in ENERGY_LIMITS[1:]} == {"from memory"}


def test_interval_of_a_correlation() -> None:
    # Fisher's z: atanh r +- 1.959964 / sqrt(n - 3). x = 1..5 with y = 2, 1, 4, 3, 5 has r = 0.8; z = 1.098612,
    # half-width 1.385904, so -0.279640 to 0.986196 (derived by hand).
    pairs = [
        Pair(str(i), float(x), float(y)) for i, (x, y) in enumerate(zip(range(1, 6), (2, 1, 4, 3, 5), strict=True))
    ]
    found = trend(pairs)
    assert found.r == pytest.approx(0.8, rel=1e-12)
    assert found.r_low == pytest.approx(-0.279640, abs=1e-6)
    assert found.r_high == pytest.approx(0.986196, abs=1e-6)
    assert "no conclusion" in found.words
    assert pytest.approx(NormalDist().inv_cdf(0.975), rel=1e-14) == NORMAL_975
