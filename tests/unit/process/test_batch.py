"""Arithmetic of a batch. Figures are own derivations, worked out by hand beside each."""

import pytest

from crumbmeter.process.batch import counter_way, mix_of_masses, release_s
from crumbmeter.process.dose import rubber_for
from crumbmeter.process.params import DoseBasis
from tests.batch_cores import TARGET_KG, make_batch_params


def test_hot_bins_are_dry_and_rap_loses_its_water() -> None:
    batch = make_batch_params().batch
    assert batch is not None
    mix = mix_of_masses(batch.ingredients, (2000.0, 515.0, 100.0))
    # 515 kg with 3 % of water on dry mass (AASHTO T 255) are 500 kg dry, of which 5 % is binder.
    assert (mix.dry_aggregate, mix.virgin_binder) == (2000.0, 100.0)
    assert mix.recycle == pytest.approx(500.0)
    assert mix.recycle_binder == pytest.approx(25.0)
    assert rubber_for(DoseBasis.TOTAL_MIX, 0.005, mix) == pytest.approx(TARGET_KG)


def test_a_weigh_hopper_below_zero_is_empty() -> None:
    batch = make_batch_params().batch
    assert batch is not None
    assert mix_of_masses(batch.ingredients, (-5.0, -1.0, -0.2)).total == 0.0


@pytest.mark.parametrize(
    ("before", "now", "way"),
    [(7, 7, 0), (7, 8, 1), (65535, 0, 1), (65534, 1, 3), (8, 7, -1), (0, 65535, -1), (100, 32868, 32768)],
)
def test_a_counter_of_16_bits_goes_the_shorter_way(before: int, now: int, way: int) -> None:
    assert counter_way(before, now, 65536) == way


def test_a_release_takes_its_mass_the_line_and_the_tail() -> None:
    assert release_s(15.0, 2.5, 2.5, 2.0) == pytest.approx(10.5)
