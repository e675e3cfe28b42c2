"""Dose in every basis against arithmetic done by hand, and what happens where there is nothing to relate it to."""

import pytest

from crumbmeter.process.dose import (
    KG_PER_TONNE,
    LB_PER_SHORT_TON,
    Mix,
    base_of,
    counts_rubber,
    dose_of,
    dry_rate,
    from_kg_per_tonne,
    from_lb_per_short_ton,
    ratio_of,
    rubber_for,
    to_kg_per_tonne,
    to_lb_per_short_ton,
    virgin_binder_for,
)
from crumbmeter.process.params import DoseBasis

MIX = Mix(dry_aggregate=70.0, recycle=25.0, recycle_binder=1.25, virgin_binder=5.0)
"""100 of mix without rubber; 6.25 of binder, a fifth of it from recycle."""


def test_sums_of_a_mix() -> None:
    assert MIX.total == 100.0
    assert MIX.binder == 6.25
    assert MIX.binder_replacement == 0.2


def test_a_mix_without_binder_has_no_replacement() -> None:
    assert Mix(10.0, 5.0).binder_replacement is None
    assert Mix(0.0, 5.0, 0.25).binder_replacement == 1.0


def test_a_mix_is_empty_unless_told() -> None:
    assert (Mix().total, Mix().binder) == (0.0, 0.0)


@pytest.mark.parametrize(
    ("basis", "base", "rubber"),
    [
        # Ten per cent in each basis: a share of a whole that counts its rubber is 1/9 of the rest.
        (DoseBasis.TOTAL_MIX, 100.0, 100.0 / 9.0),
        (DoseBasis.ADDED_TO_MIX, 100.0, 10.0),
        (DoseBasis.TOTAL_BINDER, 6.25, 0.625),
        (DoseBasis.BINDER_RUBBER_BLEND, 6.25, 6.25 / 9.0),
        (DoseBasis.VIRGIN_BINDER, 5.0, 0.5),
        (DoseBasis.DRY_AGGREGATE, 70.0, 7.0),
    ],
)
def test_ten_per_cent_in_every_basis(basis: DoseBasis, base: float, rubber: float) -> None:
    assert base_of(basis, MIX) == base
    assert rubber_for(basis, 0.1, MIX) == pytest.approx(rubber, rel=1e-12)
    assert ratio_of(basis, 0.1) == pytest.approx(rubber / base, rel=1e-12)
    assert dose_of(basis, rubber, MIX) == pytest.approx(0.1, rel=1e-12)


def test_which_bases_count_their_rubber() -> None:
    assert {basis for basis in DoseBasis if counts_rubber(basis)} == {
        DoseBasis.TOTAL_MIX,
        DoseBasis.BINDER_RUBBER_BLEND,
    }


@pytest.mark.parametrize("basis", list(DoseBasis))
def test_no_dose_no_rubber(basis: DoseBasis) -> None:
    assert rubber_for(basis, 0.0, MIX) == 0.0
    assert dose_of(basis, 0.0, MIX) == 0.0


@pytest.mark.parametrize("basis", list(DoseBasis))
def test_nothing_to_relate_it_to(basis: DoseBasis) -> None:
    assert dose_of(basis, 0.0, Mix()) is None
    # Rubber alone is all of a whole that counts it, and of no other.
    assert dose_of(basis, 3.0, Mix()) == (1.0 if counts_rubber(basis) else None)


def test_the_smallest_base_is_a_base() -> None:
    assert dose_of(DoseBasis.ADDED_TO_MIX, 0.25, Mix(dry_aggregate=0.5)) == 0.5


def test_water_is_a_share_of_dry_mass() -> None:
    assert dry_rate(105.0, 0.05) == pytest.approx(100.0)
    assert dry_rate(105.0, 0.0) == 105.0


def test_virgin_binder_fills_up_to_the_formula() -> None:
    # 95 of solids with 1.25 of binder in them, 6.25 % of binder in all: 5.0 more makes 6.25 in 100.
    assert virgin_binder_for(95.0, 1.25, 0.0625) == pytest.approx(5.0)
    assert virgin_binder_for(95.0, 0.0, 0.05) == pytest.approx(5.0)


def test_recycle_may_bring_more_binder_than_is_wanted() -> None:
    assert virgin_binder_for(95.0, 10.0, 0.05) == 0.0
    assert virgin_binder_for(0.0, 0.0, 0.05) == 0.0


def test_pounds_and_kilograms() -> None:
    assert (LB_PER_SHORT_TON, KG_PER_TONNE) == (2000.0, 1000.0)
    assert from_lb_per_short_ton(10.0) == 0.005
    assert to_lb_per_short_ton(0.005) == 10.0
    assert from_kg_per_tonne(5.0) == 0.005
    assert to_kg_per_tonne(0.005) == 5.0
