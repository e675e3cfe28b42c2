from math import sqrt
from typing import Any

import pytest

from crumbmeter.estimation.budget import ONE_REFILL_S, weighing_uncertainty
from crumbmeter.model.quality import Quality
from crumbmeter.process.params import DoseBasis
from crumbmeter.qc.adding import Adding, UnknownBasisError
from crumbmeter.qc.booked import Booked
from crumbmeter.qc.made import ONE_REFILL_US, Made, Masses, joined, scatter_of
from tests.booked_parcels import NOON_US, PARCEL, US_PER_S, booked, in_a_row, run_of

WINDOW_G = 5_000_000


def made_of(
    parcels: list[Booked],
    *,
    basis: DoseBasis | None = None,
    simulated_site: bool = False,
    left_out: tuple[int, ...] = (),
) -> Made:
    adding = Adding(WINDOW_G, basis, simulated_site=simulated_site)
    for one in parcels:
        adding.add(one, left_out=one.parcel.number in left_out)
    return adding.made()


def test_sums_and_ends_of_a_run() -> None:
    made = made_of(run_of(40))
    assert (made.first_parcel, made.last_parcel, made.first_seq, made.last_seq) == (1, 40, 10, 400)
    assert (made.began_us, made.ended_us) == (NOON_US, NOON_US + 120 * US_PER_S)
    assert made.parcels == 40
    assert made.mix_g == made.dosed_g == 40 * PARCEL.mix_g == 10_000_000
    assert made.masses.rubber_g == made.masses.target_rubber_g == 50_000
    assert made.masses.binder_g == 40 * 15_000
    assert (made.mix_ids, made.settings_ids, made.good_percent) == (("mix A",), ("site 1",), 100.0)
    assert (made.mean_dose, made.target_dose, made.relative_error) == (0.005, 0.005, 0.0)


def test_quality_counts_by_mass() -> None:
    parcels = [
        booked(1, quality=Quality.GOOD), booked(2, quality=Quality.UNCERTAIN), booked(3, quality=Quality.BAD),
        booked(4, quality=Quality.BAD),
    ]  # fmt: skip
    made = made_of(parcels)
    assert (made.good_percent, made.bad_g) == (25.0, 500_000)


def test_uncertainty_follows_the_rule_of_the_closed_period() -> None:
    """Parcels of one ten minutes share their error; so does `weighing_uncertainty` with the same parts."""
    assert round(ONE_REFILL_S * US_PER_S) == ONE_REFILL_US
    parcels = run_of(500, rubber_uncertainty_g=7)
    parts = [(one.ended_us / 1e6, one.parcel.rubber_uncertainty_g / 1000.0) for one in parcels]
    by_the_rule_g = 1000.0 * weighing_uncertainty(parts, ONE_REFILL_S)
    assert made_of(parcels).rubber_uncertainty_g == pytest.approx(by_the_rule_g)
    halves = joined([made_of(parcels[:230]), made_of(parcels[230:])])
    assert halves.rubber_uncertainty_g == pytest.approx(by_the_rule_g)
    assert sqrt(500) * 7 < by_the_rule_g < 500 * 7


def test_scatter_is_that_of_windows() -> None:
    """Twenty parcels of 250 kg are a window of 5 t; its dose is its rubber over its mix."""
    rich, poor = run_of(20), run_of(20, rubber_g=1_000, dry_aggregate_g=186_500)
    made = made_of(list(in_a_row(rich + poor + run_of(19))))
    assert [window.dose for window in made.windows] == [0.005, 0.004]
    assert [(window.first_parcel, window.last_parcel) for window in made.windows] == [(1, 20), (21, 40)]
    assert {window.mix_g for window in made.windows} == {WINDOW_G}
    scatter = made.scatter
    assert scatter is not None
    assert (scatter.n, scatter.least, scatter.greatest) == (2, 0.004, 0.005)
    assert scatter.s == pytest.approx(0.001 / sqrt(2.0))
    assert made.mean_dose == pytest.approx((39 * 1_250 + 20 * 1_000) / (59 * 250_000))


def test_one_window_has_no_standard_deviation_and_none_has_no_scatter() -> None:
    one = made_of(run_of(20)).scatter
    assert one is not None
    assert (one.n, one.s) == (1, None)
    assert made_of(run_of(19)).scatter is None


@pytest.mark.parametrize(
    "between",
    [
        {"mix_id": "mix B"},
        {"settings_id": "site 2"},
        {"simulated": True},
        {"target_rubber_g": 0, "rubber_g": 0, "dose_target": 0.0},
    ],
)
def test_window_begins_anew_behind_what_is_not_of_it(between: dict[str, Any]) -> None:
    parcels = in_a_row([*run_of(15), booked(1, **between), *run_of(19)])
    assert made_of(list(parcels)).windows == ()


def test_mix_without_rubber_is_in_the_totals_and_not_in_the_dose() -> None:
    plain = run_of(10, target_rubber_g=0, rubber_g=0, dose_target=0.0)
    made = made_of(list(in_a_row(plain + run_of(10))))
    assert made.mix_g == 10 * 248_750 + 10 * 250_000
    assert made.dosed_g == 2_500_000
    assert made.mean_dose == 0.005


def test_rubber_in_a_mix_without_dose_is_judged() -> None:
    """Rubber that was not asked for is no mix without rubber."""
    made = made_of(run_of(4, target_rubber_g=0, dose_target=0.0))
    assert (made.mean_dose, made.target_dose, made.relative_error) == (0.005, 0.0, None)


def test_simulated_parcels_are_not_judged_on_a_real_site_and_always_marked() -> None:
    parcels = list(in_a_row([*run_of(5), *run_of(5, simulated=True, rubber_g=5_000)]))
    real = made_of(parcels)
    assert (real.simulated_g, real.parcels) == (5 * 253_750, 10)
    assert real.mean_dose == 0.005
    assert real.masses.rubber_g == 5 * 6_250
    whole = made_of(parcels, simulated_site=True)
    assert whole.mean_dose == pytest.approx(31_250 / (5 * 250_000 + 5 * 253_750))
    assert whole.simulated_g == real.simulated_g


def test_what_quality_control_left_out_is_in_the_totals_and_not_judged() -> None:
    made = made_of(run_of(10), left_out=(3, 4))
    assert (made.mix_g, made.dosed_g, made.left_out.mix_g) == (2_500_000, 2_000_000, 500_000)
    assert made.left_out.rubber_g == 2_500


def test_watched_mix_and_doubtful_times_are_told() -> None:
    made = made_of([booked(1, controlled=False), booked(2, clock_synced=False), booked(3)])
    assert (made.uncontrolled_g, made.clock_doubtful) == (250_000, 1)


def test_several_bases_have_no_one_dose_unless_one_is_asked_for() -> None:
    parcels = list(in_a_row([*run_of(20), *run_of(20, mix_id="mix B", dose_basis="total_binder")]))
    mixed = made_of(parcels)
    assert mixed.bases == (DoseBasis.TOTAL_MIX, DoseBasis.TOTAL_BINDER)
    assert (mixed.basis, mixed.mean_dose, mixed.target_dose, mixed.scatter) == (None, None, None, None)
    assert mixed.relative_error == 0.0
    told = made_of(parcels, basis=DoseBasis.ADDED_TO_MIX)
    assert told.mean_dose == pytest.approx(1_250 / 248_750)
    assert {window.dose for window in told.windows} == {1_250 / 248_750}


def test_unknown_basis_names_its_place_and_a_given_one_helps() -> None:
    parcels = run_of(20, dose_basis="by guess")
    with pytest.raises(UnknownBasisError, match=r"parcel 20 \(record 200\): the dose is in 'by guess'"):
        made_of(parcels)
    with pytest.raises(UnknownBasisError, match="parcels of mix A: the dose is in 'by guess'"):
        made_of(parcels[:3])
    assert made_of(parcels, basis=DoseBasis.TOTAL_MIX).mean_dose == 0.005


def test_basis_with_nothing_to_relate_to_makes_no_window() -> None:
    parcels = run_of(21, virgin_binder_g=0, dry_aggregate_g=198_750, dose_basis="virgin_binder")
    made = made_of(parcels)
    assert (made.windows, made.mean_dose) == ((), None)
    assert scatter_of(made.windows) is None


def test_nothing_is_no_run() -> None:
    with pytest.raises(ValueError, match="at least one parcel"):
        Adding(WINDOW_G, None, simulated_site=False).made()
    with pytest.raises(ValueError, match="nothing to put together"):
        joined([])


def test_masses_add_and_subtract_exactly() -> None:
    one = Masses(1, 2, 3, 4, 5, 6)
    assert one + one - one == one
    assert (one.mix_g, one.rubber_error_g) == (12, -1)
