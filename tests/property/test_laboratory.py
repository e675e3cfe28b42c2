"""Laws of laboratory figures for any curve: units, signs and zeros change nothing, and files come back as written."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crumbmeter.outward.laboratory_files import CurveKind, FileProblem, LaboratoryFileRefusedError, read_curve
from crumbmeter.qc.laboratory import cracking
from crumbmeter.qc.laboratory.curves import CurveRefusedError
from crumbmeter.qc.laboratory.hamburg import FitMethod, evaluate, rut_curve
from tests.laboratory_curves import Triangle

numbers = st.floats(-1e6, 1e6, allow_nan=False)
triangles = st.builds(
    Triangle,
    peak_kn=st.floats(1.0, 60.0),
    peak_mm=st.floats(0.5, 5.0),
    end_mm=st.floats(6.0, 15.0),
    step_mm=st.just(0.05),
)


@given(st.lists(st.tuples(numbers, numbers), min_size=3, max_size=40), st.sampled_from([",", ";", "\t"]), st.booleans())
def test_a_file_comes_back_as_it_was_written(pairs: list[tuple[float, float]], mark: str, decimal_comma: bool) -> None:
    rows = [mark.join(map(repr, pair)) for pair in pairs]
    if decimal_comma and mark != ",":
        rows = [row.replace(".", ",") for row in rows]
    text = "\n".join([mark.join(("load_kN", "displacement_mm")), *rows])
    found = read_curve(text, "curve", CurveKind.CRACKING)
    assert list(zip(found.of("load"), found.of("displacement"), strict=True)) == pairs


@given(st.text(max_size=200), st.sampled_from(CurveKind))
def test_any_text_is_read_or_refused_with_its_place(text: str, kind: CurveKind) -> None:
    problems: tuple[FileProblem, ...] = ()
    try:
        read_curve(text, "any.txt", kind)
    except LaboratoryFileRefusedError as refused:
        problems = refused.problems
    assert all(one.line >= 1 and one.expected and one.remedy for one in problems)


@given(triangles, st.floats(-100.0, 100.0), st.sampled_from([1.0, -1.0]), st.sampled_from([1.0, -1.0]))
def test_signs_and_zeros_leave_the_index_alone(curve: Triangle, zero: float, up: float, way: float) -> None:
    displacement, load = curve.record()
    plain = cracking.evaluate(load, displacement, 150.0, 62.0)
    other = cracking.evaluate([up * one for one in load], [way * one + zero for one in displacement], 150.0, 62.0)
    assert other.ct_index == pytest.approx(plain.ct_index, rel=1e-6)


@given(
    st.lists(st.tuples(st.integers(0, 20_000), st.floats(-30.0, 30.0)), min_size=2, max_size=80),
    st.sampled_from(FitMethod),
)
def test_any_rut_curve_is_evaluated_or_refused(records: list[tuple[int, float]], method: FitMethod) -> None:
    try:
        curve = rut_curve([float(one) for one, _ in records], [[depth for _, depth in records]])
    except CurveRefusedError:
        assert len({one for one, _ in records}) < 2
        return
    found = evaluate(curve, method=method)
    assert (found.stripping is None) is bool(found.why_no_sip)
    if found.stripping is not None:
        assert 0.0 < found.stripping.sip_passes < found.last_passes
        assert found.stripping.stripping.slope > found.stripping.creep.slope
    if found.passes_at_limit is not None:
        assert curve.passes[0] <= found.passes_at_limit <= found.last_passes
