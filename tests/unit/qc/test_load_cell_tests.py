"""Load cell checks: what was on before is taken off, and linearity, hysteresis and zero return by hand."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crumbmeter.qc.load_cell_tests import shift, weights


def test_corners_by_hand() -> None:
    found = shift(50.0, 120.0, {"one": 170.1, "two": 169.8, "three": 170.0, "four": 170.0})
    assert [one.error_percent for one in found.trials] == pytest.approx([0.2, -0.4, 0.0, 0.0], abs=1e-9)
    assert found.worst_corner == "two"
    assert found.spread_percent == pytest.approx(0.6)


@pytest.mark.parametrize(("weight", "corners"), [(0.0, 4), (50.0, 1)])
def test_no_weight_or_one_corner_is_no_shift_test(weight: float, corners: int) -> None:
    with pytest.raises(ValueError, match="two corners"):
        shift(weight, 0.0, {str(at): 50.0 for at in range(corners)})


def test_weights_by_hand() -> None:
    # Up 0, 100.2, 200.0; down 100.5; 0.1 stays. Bow at 100: 100.2 - 100 = 0.2; of 200: 0.1 %. Hysteresis 0.3: 0.15 %.
    found = weights(10.0, [(100.0, 110.2), (200.0, 210.0)], [(100.0, 110.5)], 10.1)
    assert found.zero_return_percent == pytest.approx(0.05)
    assert found.linearity_percent == pytest.approx(0.1)
    assert found.hysteresis_percent == pytest.approx(0.15)
    assert [one.error_percent for one in found.trials] == pytest.approx([0.2, 0.0, 0.5], abs=1e-9)
    assert weights(0.0, [(100.0, 100.0)], [], 0.0).hysteresis_percent is None


@pytest.mark.parametrize(
    ("rising", "falling", "words"),
    [
        ([], [], "rise"),
        ([(0.0, 0.0)], [], "rise"),
        ([(100.0, 100.0), (50.0, 50.0)], [], "rise"),
        ([(50.0, 50.0), (100.0, 100.0)], [(50.0, 50.0), (60.0, 60.0)], "fall"),
    ],
)
def test_loads_out_of_order_are_refused(
    rising: list[tuple[float, float]], falling: list[tuple[float, float]], words: str
) -> None:
    with pytest.raises(ValueError, match=words):
        weights(0.0, rising, falling, 0.0)


@given(st.floats(0.0, 1000.0), st.floats(0.5, 2.0), st.floats(0.1, 10.0))
def test_a_straight_scale_has_no_bow_whatever_its_span_and_content(empty: float, span: float, scale: float) -> None:
    loads = [scale * load for load in (100.0, 200.0, 300.0)]
    rising = [(load, empty + span * load) for load in loads]
    found = weights(empty, rising, rising[-2::-1], empty)
    assert (found.linearity_percent, found.hysteresis_percent) == pytest.approx((0.0, 0.0), abs=1e-6)
    assert all(one.error_percent == pytest.approx(100.0 * (span - 1.0), abs=1e-6) for one in found.trials)
