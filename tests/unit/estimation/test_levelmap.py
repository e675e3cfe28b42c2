"""The feed factor's dependence on the head: read by interpolation, never extrapolated, learned slowly."""

import pytest

from crumbmeter.estimation.levelmap import BANDS, LevelMap

SLOPED = LevelMap(ratios=tuple(0.9 + 0.02 * band for band in range(BANDS)))


def test_a_new_map_is_flat() -> None:
    assert [LevelMap().ratio(share) for share in (-1.0, 0.0, 0.37, 1.0, 9.0)] == [1.0] * 5


@pytest.mark.parametrize("band", range(BANDS))
def test_the_middle_of_a_band_is_its_own_figure(band: int) -> None:
    assert SLOPED.ratio((band + 0.5) / BANDS) == pytest.approx(0.9 + 0.02 * band)


def test_between_the_middles_it_is_interpolated() -> None:
    assert SLOPED.ratio(1.0 / BANDS) == pytest.approx(0.91)
    assert SLOPED.ratio(2.75 / BANDS) == pytest.approx(0.945)


def test_beyond_the_ends_the_ends_hold() -> None:
    assert [SLOPED.ratio(share) for share in (-3.0, 0.0, 0.5 / BANDS)] == pytest.approx([0.9] * 3)
    assert [SLOPED.ratio(share) for share in (1.0, 1.0 - 0.5 / BANDS, 3.0)] == pytest.approx([1.12] * 3)


@pytest.mark.parametrize(("share", "band"), [(-1.0, 0), (0.0, 0), (0.5, 6), (0.999, 11), (1.0, 11), (7.0, 11)])
def test_a_look_teaches_the_band_it_falls_into(share: float, band: int) -> None:
    seasoned = LevelMap(weights=(0.5,) * BANDS)
    learned = seasoned.learned(share, 1.1, 0.01)
    assert [place for place, ratio in enumerate(learned.ratios) if ratio != 1.0] == [band]
    assert [place for place, weight in enumerate(learned.weights) if weight != 0.5] == [band]


def test_bands_that_have_seen_nothing_hold_what_the_nearest_one_does() -> None:
    # Else a mean factor that is still wrong would pull the factor back whenever the content falls into a new band.
    first = LevelMap().learned(0.99, 0.8, 0.01)
    assert set(first.ratios) == {first.ratios[11]}
    assert first.weights == (0.0,) * 11 + (0.01,)
    both = first.learned(0.0, 1.2, 0.01)
    assert len(set(both.ratios)) == 2
    assert both.ratios[5] == both.ratios[0] != both.ratios[6] == both.ratios[11]


def test_a_map_never_overshoots_and_settles_on_what_it_sees() -> None:
    learned, before = LevelMap(), 1.0
    for _ in range(3000):
        learned = learned.learned(0.5, 1.1, 0.003)
        assert before <= learned.ratios[6] <= 1.1
        before = learned.ratios[6]
    assert before == pytest.approx(1.1, abs=1e-3)
    assert learned.weights[6] == pytest.approx(1.0)


def test_a_band_that_has_seen_little_follows_quicker() -> None:
    gain = 0.003
    new = LevelMap().learned(0.5, 1.1, gain).ratios[6] - 1.0
    seasoned = LevelMap(weights=(1.0,) * BANDS).learned(0.5, 1.1, gain).ratios[6] - 1.0
    assert new > 10.0 * seasoned
    assert seasoned == pytest.approx(0.1 * gain)
