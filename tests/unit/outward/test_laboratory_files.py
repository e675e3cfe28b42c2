"""Files of laboratory machines as they come, and refusals that name line and column."""

from pathlib import Path

import pytest

from crumbmeter.outward.laboratory_files import MOST_SHOWN, CurveKind, LaboratoryFileRefusedError, read_curve
from crumbmeter.qc.laboratory import cracking, fracture, hamburg
from tests.laboratory_curves import Triangle

CASES = Path(__file__).parents[2] / "cases/laboratory"
HAMBURG, FRACTURE, CRACKING = CurveKind.HAMBURG, CurveKind.FRACTURE, CurveKind.CRACKING


@pytest.mark.parametrize(
    ("text", "kind", "first", "second"),
    [
        ("passes,rut_mm\n0,0\n20,0.3\n40,0.4\n", HAMBURG, (0.0, 20.0, 40.0), (0.0, 0.3, 0.4)),
        ("\ufeffpasses;rut_mm\r\n0;0\r\n20;-0,3\r\n40;-0,4\r\n", HAMBURG, (0.0, 20.0, 40.0), (0.0, -0.3, -0.4)),
        ("Number of Cycles\tRut Depth [mm]\n5\t0.1\n10\t.3\n20\t0.4", HAMBURG, (10.0, 20.0, 40.0), (0.1, 0.3, 0.4)),
        ("passes,rut depth (in)\n0,0\n20,0.1\n40,0.2\n", HAMBURG, (0.0, 20.0, 40.0), (0.0, 2.54, 5.08)),
        ("load_N,displacement_mm\n0,0\n1500,0.5\n2000,1e0\n", CRACKING, (0.0, 1.5, 2.0), (0.0, 0.5, 1.0)),
        ("LoadkN,StrokeMM\n0,0\n1,2\n2,3\n", CRACKING, (0.0, 1.0, 2.0), (0.0, 2.0, 3.0)),
        ("Force (lbf),CMOD (um)\n0,0\n1000,9\n2000,18\n", FRACTURE, (0.0, 4.4482216, 8.8964432), (0.0, 0.009, 0.018)),
    ],
)
def test_headers_name_quantity_and_unit(
    text: str, kind: CurveKind, first: tuple[float, ...], second: tuple[float, ...]
) -> None:
    found = read_curve(text, "curve.csv", kind)
    assert found.columns[0].values == pytest.approx(first)
    assert found.columns[1].values == pytest.approx(second)


def test_a_preamble_comments_a_row_of_units_and_other_columns_are_passed_over() -> None:
    text = (
        "Machine 3;;;\n# invented\n\nTime;Load;Displacement;Remark\n(s);(N);(mm);\n"
        "0;0;0,0;start\n% break\n1;1000;0,5;\n2;2000;1,0;\n;;;\n"
    )
    found = read_curve(text, "curve.csv", CRACKING)
    assert found.header_line == 4
    assert found.of("load") == pytest.approx((0.0, 1.0, 2.0))
    assert found.of("displacement") == pytest.approx((0.0, 0.5, 1.0))


def test_a_hamburg_record_may_have_several_positions() -> None:
    found = read_curve("Pass,1 (mm),Position 2 (mm)\n0,0,0\n20,1,3\n40,2,4\n", "curve.csv", HAMBURG)
    assert found.all_of("rut") == ((0.0, 1.0, 2.0), (0.0, 3.0, 4.0))


@pytest.mark.parametrize(
    ("text", "kind", "place"),
    [
        ("", HAMBURG, "line 1: an empty file"),
        ("a,b\n1,2\n", HAMBURG, "line 1: 'a,b': no header names passes and rut"),
        ("1,2\n2,3\n", HAMBURG, "no header names"),
        ("passes,temperature\n1,2\n", HAMBURG, "line 1 names passes and no rut"),
        ("load,displacement_mm\n1,2\n", CRACKING, "line 1, column 1: 'load': no unit of load"),
        ("load_kN,load_N,displacement_mm\n1,2,3\n", CRACKING, "names load more than once"),
        ("load_kN,displacement_mm\n1,2\n2,x\n3,4\n", CRACKING, "line 3, column 2: 'x': a number is needed"),
        ("load_kN,displacement_mm\n1,2\n2\n3,4\n", CRACKING, "line 3, column 2: nothing: a number is needed"),
        ("load_kN,displacement_mm\n1,2\n2,nan\n3,4\n", CRACKING, "line 3, column 2: 'nan'"),
        ("load_kN,displacement_mm\n1,2\n2,1e999\n3,4\n", CRACKING, "too large"),
        ('load_kN,displacement_mm\n1,2\n"1,5",3\n3,4\n', CRACKING, "line 3, column 1: '1,5': a comma in a number"),
        ("load_kN;displacement_mm\n1,5;2\n2.5;3\n3;4\n", CRACKING, "line 2, column 1: '1,5': a comma"),
        ("passes;rut_mm\n1,000;2\n2000;3\n3000;4\n", HAMBURG, "line 2, column 1: '1,000': may be thousands"),
        ("passes,rut_mm\n0,0\n20,1\n", HAMBURG, "line 1: 2 records: a curve has at least 3"),
    ],
)
def test_refusals_name_the_place(text: str, kind: CurveKind, place: str) -> None:
    with pytest.raises(LaboratoryFileRefusedError) as refused:
        read_curve(text, "curve.csv", kind)
    assert f"curve.csv, {place}" in str(refused.value) or place in str(refused.value)
    assert all(problem.remedy for problem in refused.value.problems)


def test_all_mistakes_are_told_at_once_and_not_endlessly() -> None:
    with pytest.raises(LaboratoryFileRefusedError) as refused:
        read_curve("passes,rut_mm\n" + "x,1\n" * 500, "curve.csv", HAMBURG)
    assert len(refused.value.problems) == 500
    assert str(refused.value).count("\n") == MOST_SHOWN
    assert "and 480 more" in str(refused.value)


def test_invented_files_give_the_figures_they_were_made_with() -> None:
    rut = read_curve((CASES / "hamburg_strips.csv").read_text("utf-8"), "hamburg_strips.csv", HAMBURG)
    found = hamburg.evaluate(hamburg.rut_curve(rut.of("passes"), rut.all_of("rut")))
    assert found.stripping is not None
    assert found.stripping.sip_passes == pytest.approx(15_000.0, rel=1e-3)
    curve = Triangle()
    ct = read_curve((CASES / "ct_triangle.csv").read_text("utf-8"), "ct_triangle.csv", CRACKING)
    assert cracking.evaluate(ct.of("load"), ct.of("displacement"), 150.0, 62.0).work_j == (
        pytest.approx(curve.work_j(), rel=1e-5)
    )
    dct = read_curve((CASES / "dct_triangle.csv").read_text("utf-8"), "dct_triangle.csv", FRACTURE)
    opening = Triangle(3.0, 0.2, 2.2, 0.02)
    assert fracture.evaluate(dct.of("load"), dct.of("cmod"), 82.5, 50.0).work_j == (
        pytest.approx(opening.work_j(), rel=1e-4)
    )
