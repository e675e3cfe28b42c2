"""Proportioning and dose against published figures. The source stands beside each check.

Status of each figure as in the project's check values: "read" in a stored copy of the source, "derived" by arithmetic.
"""

import pytest

from crumbmeter.model.units import SHORT_TON_KG, UNITS
from crumbmeter.process.dose import (
    Mix,
    dose_of,
    dry_rate,
    from_lb_per_short_ton,
    rubber_for,
    to_kg_per_tonne,
    to_lb_per_short_ton,
    virgin_binder_for,
)
from crumbmeter.process.params import DoseBasis


def test_moisture_is_a_share_of_dry_mass() -> None:
    # AASHTO T 255 defines moisture as water over DRY mass; Caltrans logs "percent of the dry aggregate weight" (read).
    # 300 short ton/h wet at 4 % -> 288.462 dry, at 8 % -> 277.778 (derived).
    assert dry_rate(300.0, 0.04) == pytest.approx(288.462, abs=5e-4)
    assert dry_rate(300.0, 0.08) == pytest.approx(277.778, abs=5e-4)
    # The other convention would give 276.00 at 8 %: 0.64 % of the rubber.
    assert dry_rate(300.0, 0.08) != pytest.approx(276.0, abs=0.5)


def test_navy_proportioning_example() -> None:
    # US Navy training manual 14080, "Estimates for asphalt plants" (read): 800 ton of mix with 6 % bitumen and
    # aggregate at 50/40/10 -> 376.0, 300.8, 75.2 and 48.0 ton.
    aggregate = 752.0
    binder = virgin_binder_for(aggregate, 0.0, 0.06)
    assert binder == pytest.approx(48.0, abs=1e-9)
    mix = Mix(aggregate, 0.0, 0.0, binder)
    assert mix.total == pytest.approx(800.0)
    assert [round(share * aggregate, 1) for share in (0.5, 0.4, 0.1)] == [376.0, 300.8, 75.2]


def test_army_filler_example() -> None:
    # US Army Engineer course EN5459, pp. 94-95 (read): 6.0 % bitumen, 5.0 % filler of the aggregate: 89.3 % of the
    # total mix is dried aggregate (0.94 x 0.95 = 0.893).
    aggregate_and_filler = 0.94
    binder = virgin_binder_for(aggregate_and_filler, 0.0, 0.06)
    whole = Mix(aggregate_and_filler, 0.0, 0.0, binder)
    assert aggregate_and_filler * 0.95 / whole.total == pytest.approx(0.893, abs=1e-12)


def test_pound_per_ton_is_half_a_kilogram_per_tonne() -> None:
    # PennDOT modified section 409.3(c)3 gives 1.0 lb/ton and 0.5 kg/t as the same figure (read): 0.05 % of the mix.
    dose = from_lb_per_short_ton(1.0)
    assert dose == pytest.approx(0.0005, rel=1e-15)
    assert to_kg_per_tonne(dose) == pytest.approx(0.5, rel=1e-15)


def test_fibre_rate_of_the_unified_facilities_criteria() -> None:
    # UFC 3-250-03 (2001), SMA, fibre stabilisers (limits read, rates derived): 0.3 % of total mix at 300 ton/h is
    # 1 800 lb/h, 6 lb/ton; the band of 10 % is 1 620 to 1 980 lb/h.
    mix_kg_s = UNITS["short_ton/h"].to_si(300.0)
    without = Mix(dry_aggregate=mix_kg_s * (1.0 - 0.003))
    fibre_kg_s = rubber_for(DoseBasis.TOTAL_MIX, 0.003, without)
    assert UNITS["lb/h"].from_si(fibre_kg_s) == pytest.approx(1800.0, rel=1e-12)
    assert to_lb_per_short_ton(0.003) == pytest.approx(6.0)
    assert [UNITS["lb/h"].from_si(fibre_kg_s) * k for k in (0.9, 1.1)] == pytest.approx([1620.0, 1980.0])


def test_ten_pounds_per_ton_at_three_hundred_tons_an_hour() -> None:
    # Derived: 0.5 % x 300 ton/h = 1.5 ton/h = 3 000 lb/h = 50.00 lb/min = 10.0 lb/ton; metric 300 t/h -> 25.00 kg/min.
    without = Mix(dry_aggregate=UNITS["short_ton/h"].to_si(300.0) * 0.995)
    rubber = rubber_for(DoseBasis.TOTAL_MIX, 0.005, without)
    assert UNITS["lb/min"].from_si(rubber) == pytest.approx(50.0, rel=1e-12)
    metric = rubber_for(DoseBasis.TOTAL_MIX, 0.005, Mix(dry_aggregate=UNITS["tonne/h"].to_si(300.0) * 0.995))
    assert UNITS["kg/min"].from_si(metric) == pytest.approx(25.0, rel=1e-12)


def test_whether_the_ton_counts_its_rubber() -> None:
    # Derived: 10 lb/ton is 0.500 % of a mix that counts the rubber, 0.4975 % where it does not (10/2010).
    mix = Mix(dry_aggregate=SHORT_TON_KG)
    rubber = rubber_for(DoseBasis.ADDED_TO_MIX, from_lb_per_short_ton(10.0), mix)
    assert dose_of(DoseBasis.TOTAL_MIX, rubber, mix) == pytest.approx(10.0 / 2010.0, rel=1e-12)


@pytest.mark.parametrize(
    ("basis", "replacement", "lb_per_ton"),
    [
        # Derived, 10 % at 5.0 % total binder, pounds per ton of a mix of 2 000 lb without its rubber.
        (DoseBasis.TOTAL_BINDER, 0.0, 10.0),
        (DoseBasis.BINDER_RUBBER_BLEND, 0.0, 11.11),
        (DoseBasis.VIRGIN_BINDER, 0.232, 7.68),
    ],
)
def test_ten_per_cent_of_which_binder(basis: DoseBasis, replacement: float, lb_per_ton: float) -> None:
    binder = 100.0
    recycle_binder = replacement * binder
    mix = Mix(1900.0, recycle_binder, recycle_binder, binder - recycle_binder)  # the recycle's stone counts as dry
    assert mix.total == pytest.approx(2000.0)
    assert rubber_for(basis, 0.10, mix) == pytest.approx(lb_per_ton, abs=0.005)


def test_mix_rate_from_dry_aggregate() -> None:
    # Derived (mass balance): 285 dry, 5.0 % binder and 0.5 % rubber by total mix -> mix 301.587, binder 15.079, rubber
    # 1.50794 ton/h = 3 015.87 lb/h.
    total = 285.0 / (1.0 - 0.05 - 0.005)
    without = Mix(285.0, 0.0, 0.0, 0.05 * total)
    rubber = rubber_for(DoseBasis.TOTAL_MIX, 0.005, without)
    assert rubber == pytest.approx(1.50794, abs=5e-6)
    assert without.total + rubber == pytest.approx(301.587, abs=5e-4)


def test_binder_replacement() -> None:
    # Ratio form of AASHTO M 323's notion, as TRB and FHWA papers use it (clause from memory, arithmetic derived):
    # RAP 20 % at 5.0, RAS 3 % at 24.0, 5.5 % binder -> 31.27 %; virgin binder is 3.78 % of the mix.
    recycle_binder = 20.0 * 0.05 + 3.0 * 0.24
    mix = Mix(100.0 - 23.0 - (5.5 - recycle_binder), 23.0, recycle_binder, 5.5 - recycle_binder)
    assert mix.total == pytest.approx(100.0)
    assert mix.binder_replacement == pytest.approx(0.3127, abs=5e-5)
    assert mix.virgin_binder == pytest.approx(3.78)


def test_caltrans_setpoint_with_recycle() -> None:
    # Caltrans CEM-3511/3512 text (formula read, number derived): 5.40 - 0.15 x 4.8 = 4.68 % of the mix.
    solids = 100.0 - 4.68
    assert virgin_binder_for(solids, 15.0 * 0.048, 0.054) == pytest.approx(4.68, abs=1e-9)
