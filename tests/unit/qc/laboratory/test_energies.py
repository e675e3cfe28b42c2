"""CT index and fracture energy from raw curves with known area and slope (invented)."""

import pytest

from crumbmeter.qc.laboratory import cracking, fracture
from crumbmeter.qc.laboratory.curves import CurveRefusedError
from crumbmeter.qc.laboratory.limits import judge_energy
from crumbmeter.qc.verdict import Verdict
from tests.laboratory_curves import Triangle


def test_ct_index_of_a_curve_is_exact() -> None:
    curve = Triangle()
    displacement, load = curve.record()
    found = cracking.evaluate(load, displacement, 150.0, 62.0)
    assert found.complete
    assert found.peak_kn == pytest.approx(16.0)
    assert found.l75_mm == pytest.approx(curve.behind_mm(0.75))
    assert found.m75_kn_mm == pytest.approx(curve.slope_kn_mm)
    assert found.work_j == pytest.approx(curve.work_j())
    index = 62.0 / 62.0 * (curve.behind_mm(0.75) / 150.0) * (curve.work_j() / (150.0 * 62.0) * 1e6 / curve.slope_kn_mm)
    assert found.ct_index == pytest.approx(index)


def test_signs_and_zeros_of_the_machine_do_not_matter() -> None:
    displacement, load = Triangle().record()
    plain = cracking.evaluate(load, displacement, 150.0, 62.0)
    other = cracking.evaluate([-one for one in load], [31.0 - one for one in displacement], 150.0, 62.0)
    assert other.ct_index == pytest.approx(plain.ct_index)


def test_the_way_before_the_machine_touches_does_not_count() -> None:
    displacement, load = Triangle().record()
    approach = [0.1 * i for i in range(8)]
    plain = cracking.evaluate(load, displacement, 150.0, 62.0)
    found = cracking.evaluate(
        [0.01] * len(approach) + load, approach + [0.8 + one for one in displacement], 150.0, 62.0
    )
    assert found.l75_mm == pytest.approx(plain.l75_mm, abs=1e-9)
    assert found.work_j == pytest.approx(plain.work_j, rel=1e-4)


def test_a_record_that_ends_early_is_said_to_be_incomplete() -> None:
    curve = Triangle(stop_kn=4.0)
    displacement, load = curve.record()
    found = cracking.evaluate(load, displacement, 150.0, 62.0)
    assert not found.complete
    assert found.work_j == pytest.approx(curve.work_j(4.0))


@pytest.mark.parametrize(
    ("curve", "diameter_mm", "words"),
    [
        (Triangle(stop_kn=13.0), 150.0, "never falls to 75 %"),
        (Triangle(peak_kn=0.05), 150.0, "peak load is 0.05 kN"),
        (Triangle(step_mm=3.0), 150.0, "3 records"),
        (Triangle(), 0.0, "diameter 0 mm"),
    ],
)
def test_what_is_no_ct_curve_is_refused(curve: Triangle, diameter_mm: float, words: str) -> None:
    displacement, load = curve.record()
    with pytest.raises(CurveRefusedError, match=words):
        cracking.evaluate(load, displacement, diameter_mm, 62.0)


def test_columns_that_are_taken_for_each_other_are_refused() -> None:
    displacement, load = Triangle().record()
    with pytest.raises(CurveRefusedError):
        cracking.evaluate(displacement, load, 150.0, 62.0)


def test_replicates() -> None:
    assert cracking.replicates_of([80.0]) == cracking.Replicates(1, 80.0, None)
    assert cracking.replicates_of([0.0, 0.0]).cv_percent is None
    with pytest.raises(CurveRefusedError):
        cracking.replicates_of([])


def test_fracture_energy_of_a_curve_is_exact() -> None:
    curve = Triangle(peak_kn=3.0, peak_mm=0.2, end_mm=2.2, step_mm=0.005)
    opening, load = curve.record()
    found = fracture.evaluate(load, opening, 82.5, 50.0)
    assert found.complete
    assert found.work_j == pytest.approx(curve.work_j())
    # kN mm = J; mm2 = 1e-6 m2.
    assert found.energy_j_m2 == pytest.approx(curve.work_j() / (0.0825 * 0.050))
    assert found.cmod_at_peak_mm == pytest.approx(0.2)
    assert found.cmod_at_end_mm == pytest.approx(2.2 - 0.1 / curve.slope_kn_mm)


def test_fracture_signs_do_not_matter() -> None:
    opening, load = Triangle(peak_kn=3.0).record()
    plain = fracture.evaluate(load, opening, 82.5, 50.0)
    assert fracture.evaluate([-one for one in load], [5.0 - one for one in opening], 82.5, 50.0).energy_j_m2 == (
        pytest.approx(plain.energy_j_m2)
    )


def test_an_incomplete_record_fails_nobody() -> None:
    curve = Triangle(peak_kn=1.0, peak_mm=0.2, end_mm=2.2, step_mm=0.005, stop_kn=0.3)
    opening, load = curve.record()
    found = fracture.evaluate(load, opening, 82.5, 50.0)
    assert not found.complete
    assert judge_energy(found, 400.0)[0] is Verdict.CANNOT_TELL
    assert judge_energy(found, 100.0)[0] is Verdict.PASSES


@pytest.mark.parametrize(("ligament_mm", "peak_kn"), [(0.0, 3.0), (82.5, 0.09)])
def test_what_is_no_fracture_curve_is_refused(ligament_mm: float, peak_kn: float) -> None:
    opening, load = Triangle(peak_kn=peak_kn).record()
    with pytest.raises(CurveRefusedError):
        fracture.evaluate(load, opening, ligament_mm, 50.0)
