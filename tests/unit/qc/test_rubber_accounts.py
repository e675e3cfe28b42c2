"""The rubber account: hand-worked figures, and agreement with the balance of a whole plant."""

from math import sqrt

import pytest

from crumbmeter.estimation.gum import Component, budget_of
from crumbmeter.estimation.params import UncertaintyParams, Within
from crumbmeter.estimation.plant_balance import Entered, Load, Recorded, plant_balance
from crumbmeter.estimation.reconciliation import reconcile
from crumbmeter.model.events import event
from crumbmeter.qc.rubber_accounts import Assumed, Fed, Hopper, RubberAccount, Verdict, mass_balance
from crumbmeter.qc.rubber_entries import (
    BagLoad,
    BagLot,
    RubberEntry,
    RubberRefusedError,
    RubberWord,
    bag_load,
    bag_lots,
    read,
    rubber_entries,
    what,
    what_bag_lot,
)
from crumbmeter.qc.said import Said, Subject

ASSUMED = Assumed(bag=0.005, taken_out=0.1)
BAG_G = 907_185
"""[g] One short ton, rounded."""
STATED = {"L7": BagLot("L7", "C-1", "an invented mill", "mill scale", bias_g=2000)}


def bags(count: int, lot: str = "L7", mass_g: int = BAG_G) -> list[BagLoad]:
    return [BagLoad(lot, at, mass_g, at) for at in range(count)]


def shift(lots: dict[str, BagLot], *, fed_g: int = 10_790_000) -> RubberAccount:
    hopper = Hopper("supply hopper", 180_000, 240_000)
    return mass_balance(bags(12), lots, Fed(fed_g, 0.0), [hopper], [], ASSUMED)


def test_twelve_bags_of_one_scale_err_together() -> None:
    # computation.md, section 11 (derived there): 180 + 12 x 907.185 - 240 - 10 790 = +36.217 kg, computed
    # with 907.18474 kg; 12 bags at 2 kg are 24 kg uncertain by one scale, and 6.9 kg if each erred by itself.
    together = shift(STATED)
    assert together.residual_g == 36_220
    assert together.residual_share == pytest.approx(0.00336, abs=5e-6)
    assert together.uncertainty_g == pytest.approx(24_000)
    assert together.verdict is Verdict.AGREE
    alone = shift({"L7": BagLot("L7", "C-1", bias_g=0, random_g=2000)})
    assert alone.uncertainty_g == pytest.approx(6928, abs=1)
    assert alone.verdict is Verdict.BAGS_MORE
    assert shift({"L7": BagLot("L7", "C-1", bias_g=0, random_g=2000)}, fed_g=10_890_000).verdict is Verdict.FEEDER_MORE


def test_n_bags_have_n_biases_and_root_n_of_their_own() -> None:
    lots = {
        "A": BagLot("A", "1", scale="yard", bias_g=1000, random_g=300),
        "B": BagLot("B", "2", scale="yard", bias_g=1000, random_g=400),
        "C": BagLot("C", "3", scale="mill", bias_g=700),
    }
    found = mass_balance([*bags(4, "A"), *bags(9, "B"), *bags(2, "C")], lots, Fed(0, 0.0), [], [], ASSUMED)
    # yard: 13 x 1000 g; mill: 2 x 700 g; by themselves: sqrt(4 x 300^2 + 9 x 400^2) g.
    assert found.uncertainty_g == pytest.approx(sqrt(13_000**2 + 1400**2 + 4 * 300**2 + 9 * 400**2))
    assert [line.count for line in found.lines[:3]] == [4, 9, 2]
    assert found.causes[0].name == "bags of yard"


def test_what_nobody_stated_is_assumed_and_said() -> None:
    found = mass_balance(bags(10, "X", 1_000_000), {}, Fed(0, 0.0), [Hopper("supply hopper", None, 5)], [], ASSUMED)
    by_name = {cause.name: cause for cause in found.causes}
    assert by_name["bags of lot X"].contribution_g == pytest.approx(0.005 * 10_000_000 / sqrt(3.0))
    assert not by_name["bags of lot X"].stated
    assert by_name["content of the supply hopper"].contribution_g == pytest.approx(1_000_000 / sqrt(3.0))
    assert found.notes == (
        "Lot X is in no entry: its certificate and the scale of its bags are not known.",
        "What the supply hopper held was not read: taken as unchanged within one bag.",
    )


def test_every_way_out_is_a_line_and_the_lines_are_the_residual() -> None:
    taken = [
        RubberEntry(RubberWord.WASTE, 1, 12_000), RubberEntry(RubberWord.CAUGHT, 2, 30_000, 15),
        RubberEntry(RubberWord.CAUGHT, 3, 31_000, 15), RubberEntry(RubberWord.LOSS, 4, 500, 100),
        RubberEntry(RubberWord.SUPPLY, 5, 999_999),
    ]  # fmt: skip
    fed = Fed(8_000_000, 5000.0, dumped_g=4000, on_the_way_g=10_000.0, parcels=9000)
    found = mass_balance(bags(10), STATED, fed, [], taken, ASSUMED)
    masses = {line.name: (line.mass_g, line.count) for line in found.lines}
    assert masses == {
        "bags of lot L7": (9_071_850, 10), "fed into the mix": (-8_000_000, 9000), "dumped out of the drum": (-4000, 1),
        "waste": (-12_000, 1), "catch test": (-61_000, 2), "loss": (-500, 1),
    }  # fmt: skip
    assert found.residual_g == sum(mass_g for mass_g, _ in masses.values())
    by_name = {cause.name: abs(cause.contribution_g) for cause in found.causes}
    assert by_name["catch test"] == pytest.approx(30 / sqrt(3.0))
    assert by_name["waste"] == pytest.approx(1200 / sqrt(3.0))
    assert by_name["line and drum"] == pytest.approx(10_000 / sqrt(3.0))


def test_the_account_says_what_the_balance_of_the_whole_plant_says() -> None:
    """Residual and uncertainty against `estimation.plant_balance` and its nodal test; k against the law's own code."""
    span, half_kg = 0.004, 4.0
    params = UncertaintyParams(hopper_scale=Within(span), supply_scale=Within(0.01), waste=Within(0.1))
    recorded = Recorded(
        aggregate_kg=0.0, recycle_kg=0.0, binder_kg=0.0, rubber_kg=10_790.0, weighing_kg=21.0,
        hopper_change_kg=60.0, supply_change_kg=-15.0, on_the_way_kg=18.0, dumped_kg=4.0,
    )  # fmt: skip
    loads = tuple(Load(907.185, "mill scale", half_kg) for _ in range(12))
    problem = plant_balance(params, recorded, Entered(bags=loads)).problem
    outcome = reconcile(problem)
    rubber = next(test for test in outcome.tests.nodal if test.name == "rubber")  # type: ignore[union-attr]
    lots = {"L7": BagLot("L7", "C", scale="mill scale", bias_g=round(half_kg * 1000 / sqrt(3.0)))}
    hoppers = [
        Hopper("weigh hopper", 100_000, 160_000, feeds=True),
        Hopper("supply hopper", 45_000, 30_000, span_share=0.01 / sqrt(3.0)),
    ]
    fed = Fed(10_790_000, 21_000.0, span / sqrt(3.0), on_the_way_g=18_000.0, dumped_g=4000)
    found = mass_balance(bags(12), lots, fed, hoppers, [], Assumed(0.005, 0.1))
    assert found.residual_g / 1000 == pytest.approx(rubber.residual, abs=1e-6)
    assert found.uncertainty_g / 1000 == pytest.approx(rubber.uncertainty, rel=1e-4)
    causes = [Component(cause.name, cause.contribution_g, stated=cause.stated) for cause in found.causes]
    assert budget_of(found.residual_g, causes).expanded == pytest.approx(found.expanded_g, rel=1e-6)


def test_a_shift_without_rubber_has_nothing_to_compare() -> None:
    found = mass_balance([], {}, Fed(0, 0.0), [], [], ASSUMED)
    assert (found.verdict, found.residual_share, found.uncertainty_g) == (Verdict.NOTHING_TO_COMPARE, None, 0.0)


def said(subject: Subject, about: str, content: dict[str, object], at_us: int = 3, seq: int = 1) -> Said:
    return Said(subject, about, content, "QC", at_us, seq)


def test_entries_are_read_and_turned_back() -> None:
    lot = BagLot("L7", "C-1", "an invented mill", "yard", 2000, 100)
    bare = BagLot("L8")
    told = [said(Subject.BAG_LOT, one.lot, what_bag_lot(one)) for one in (lot, bare)]
    assert bag_lots(told) == {"L7": lot, "L8": bare}
    entry = RubberEntry(RubberWord.CAUGHT, 3, 30_000, 15, "slow", 1)
    waste = RubberEntry(RubberWord.WASTE, 2, 5, seq=2)
    held = [
        said(Subject.RUBBER, "", what(entry)), said(Subject.RUBBER, "", what(waste), 2, 2), *told,
    ]  # fmt: skip
    assert rubber_entries(held) == (waste, entry)


@pytest.mark.parametrize(
    ("content", "why"),
    [
        ({"word": "stolen"}, "word is 'stolen'; expected one of"),
        ({"word": "waste"}, "mass_g is None; expected a whole number of grams"),
        ({"word": "waste", "mass_g": 1, "within_g": -1}, "within_g is -1"),
        ({"word": "waste", "mass_g": 1, "note": 1}, "note is 1; expected text"),
    ],
)
def test_what_cannot_be_read_is_refused(content: dict[str, object], why: str) -> None:
    with pytest.raises(RubberRefusedError, match=why):
        read(said(Subject.RUBBER, "", content))


def test_a_lot_has_a_name() -> None:
    with pytest.raises(RubberRefusedError, match="names no lot"):
        bag_lots([said(Subject.BAG_LOT, " ", {"scale": "x"})])


def test_bags_are_events_of_the_plants_record() -> None:
    happened = event("bag_loaded", lot="L7", mass_kg=907.185, bags_in_job=1, who="x")
    assert bag_load(happened, 5, 9) == BagLoad("L7", 5, BAG_G, 9)
    assert bag_load(event("mix_wasted", mass_kg=1.0), 5, 9) is None
