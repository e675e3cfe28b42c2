"""The learned curve of the conveying line: what it learns, what it must not, and that it cannot run away."""

from random import Random

import pytest

from crumbmeter.estimation.line_curve import (
    BASE_WALK,
    LEARNED_S,
    MOST_WANDER,
    LineCurve,
    expected,
    expected_long,
    learned,
    opened,
    tells_rubber,
)

BASE_PA, SLOPE_PA_KG, NOISE_PA = 6000.0, 1500.0, 40.0


def taught(curve: LineCurve, loads_kg: list[float], random: Random | None, offset_pa: float = 0.0) -> LineCurve:
    for load_kg in loads_kg:
        noise_pa = random.gauss(0.0, NOISE_PA) if random else 0.0
        curve = learned(curve, load_kg, BASE_PA + offset_pa + SLOPE_PA_KG * load_kg + noise_pa, 1.0)
    return curve


def ordinary(seed: int = 1) -> LineCurve:
    """Ten seconds of air, then ten minutes at two rates."""
    return taught(LineCurve(), [0.0] * 10 + [1.2] * 300 + [0.7] * 300, Random(seed))


def test_without_noise_it_is_the_line_through_two_points() -> None:
    curve = taught(LineCurve(), [0.0] * 5 + [1.0] * 100, None)
    assert curve.base_pa == pytest.approx(BASE_PA, rel=1e-3)
    assert curve.slope_pa_kg == pytest.approx(SLOPE_PA_KG, rel=5e-3)


def test_it_finds_base_slope_and_spread_in_noise() -> None:
    for seed in range(1, 9):
        curve = ordinary(seed)
        assert curve.base_pa == pytest.approx(BASE_PA, abs=60.0)
        assert curve.slope_pa_kg == pytest.approx(SLOPE_PA_KG, abs=60.0)
        assert curve.spread_pa == pytest.approx(NOISE_PA, rel=0.35)
        assert tells_rubber(curve)


def test_its_interval_holds_what_it_says() -> None:
    """k = 2 covers about 95 % of new readings (normal distribution: 95.45 %)."""
    inside = told = 0
    for seed in range(1, 41):
        curve, random = ordinary(seed), Random(1000 + seed)
        for load_kg in (0.5, 0.7, 1.0, 1.2, 1.4):
            foretold = expected(curve, load_kg)
            reading_pa = BASE_PA + SLOPE_PA_KG * load_kg + random.gauss(0.0, NOISE_PA)
            told += 1
            inside += abs(reading_pa - foretold.pressure_pa) <= 2.0 * foretold.spread_pa
    assert 0.90 <= inside / told <= 0.99


def test_hours_at_one_loading_do_not_blow_it_up() -> None:
    curve = taught(ordinary(), [0.7] * 20_000, Random(3))
    assert curve.var_bb * curve.var_ss >= curve.var_bs**2  # a variance matrix still
    assert curve.var_bb < 1.0
    assert curve.var_ss < 1.0
    assert expected(curve, 1.2).pressure_pa == pytest.approx(BASE_PA + SLOPE_PA_KG * 1.2, abs=80.0)


def test_wander_widens_the_interval_and_a_creep_only_so_far() -> None:
    calm = ordinary()
    random, off_pa, curve = Random(6), 0.0, calm
    for _ in range(3000):
        off_pa = 0.98 * off_pa + random.gauss(0.0, 16.0)  # 80 Pa that wander within a minute
        curve = learned(curve, 1.0, BASE_PA + SLOPE_PA_KG + off_pa + random.gauss(0.0, NOISE_PA), 1.0)
    assert expected(curve, 1.0).spread_pa > 1.5 * expected(calm, 1.0).spread_pa
    crept = taught(calm, [1.0] * 3000, Random(7), offset_pa=2000.0)
    assert crept.wander_pa <= MOST_WANDER * 1.2 * (BASE_PA + SLOPE_PA_KG)
    assert crept.spread_pa < 1.5 * NOISE_PA


def test_an_unlearned_curve_is_not_sure() -> None:
    assert not expected(LineCurve(), 1.0).sure
    short = taught(LineCurve(), [0.0] * 10 + [1.0] * round(LEARNED_S - 5.0), Random(1))
    assert not expected(short, 1.0).sure
    assert expected(short, 0.0).sure  # air alone it knows
    assert expected(taught(short, [1.0] * 10, Random(2)), 1.0).sure


def test_at_one_loading_alone_air_alone_stays_unknown() -> None:
    curve = taught(LineCurve(), [1.0] * 300, Random(4))
    assert expected(curve, 1.0).sure
    assert not expected(curve, 0.0).sure
    assert not tells_rubber(curve)


def test_it_cannot_be_walked_away_from_its_reference() -> None:
    curve = ordinary()
    crept = taught(curve, [0.7] * 3600, Random(5), offset_pa=4000.0)
    limit_pa = (1.0 + BASE_WALK) * crept.reference_base_pa
    assert crept.base_pa <= limit_pa * (1.0 + 1e-12)
    assert expected(crept, 0.7).pressure_pa < expected_long(crept, 0.7) * 1.2
    assert expected_long(crept, 0.7) < BASE_PA + SLOPE_PA_KG * 0.7 + 2000.0


def test_after_a_pause_air_alone_is_taken_anew_and_the_slope_stays() -> None:
    curve = ordinary()
    warm = opened(curve)
    for _ in range(5):
        warm = learned(warm, 0.0, BASE_PA - 300.0, 1.0)
    assert warm.base_pa == pytest.approx(BASE_PA - 300.0, abs=80.0)
    assert warm.slope_pa_kg == pytest.approx(curve.slope_pa_kg, rel=0.1)


@pytest.mark.parametrize("seed", range(1, 13))
def test_a_first_feed_at_one_steady_loading_is_foretold_whatever_the_noise_begins_with(seed: int) -> None:
    """Half of these begin with a reading below the first: the slope may not be negative, and the base must give way."""
    random = Random(seed)
    curve, load_kg = LineCurve(), 1.05
    for _ in range(90):
        load_kg += 0.004
        curve = learned(curve, load_kg, BASE_PA + SLOPE_PA_KG * load_kg + random.gauss(0.0, NOISE_PA), 1.0)
        there_pa = BASE_PA + SLOPE_PA_KG * load_kg
        assert expected(curve, load_kg).pressure_pa == pytest.approx(there_pa, abs=4.0 * NOISE_PA)
    assert curve.base_pa < there_pa + 4.0 * NOISE_PA


@pytest.mark.parametrize("seed", range(1, 13))
def test_rubber_that_seems_to_lower_the_pressure_moves_the_base_alone(seed: int) -> None:
    """A filter that clogs less as it warms, say: by least squares under the bound it is the mean, and no slope."""
    random, readings_pa = Random(seed), []
    curve = LineCurve()
    for step in range(200):
        load_kg = 1.0 + 0.5 * (step % 2)
        readings_pa.append(7000.0 - 200.0 * load_kg + random.gauss(0.0, NOISE_PA))
        curve = learned(curve, load_kg, readings_pa[-1], 1.0)
    assert curve.slope_pa_kg < 1.0  # its reference keeps it from nought itself
    assert curve.base_pa == pytest.approx(sum(readings_pa) / len(readings_pa), abs=2.0 * NOISE_PA)


def test_nothing_negative_comes_of_nonsense() -> None:
    curve = taught(LineCurve(), [0.0] * 5, None)
    for _ in range(50):
        curve = learned(curve, 1.0, 0.0, 1.0)
    assert curve.base_pa >= 0.0
    assert curve.slope_pa_kg >= 0.0
