"""A job's plan: worked figures of feeder, line, loads and cost, and each check on both sides of its limit."""

from dataclasses import replace
from math import sqrt
from typing import Any

import pytest

from crumbmeter.planning.cost import Prices, job_cost, mix_cost
from crumbmeter.planning.electric import Load, Supply, total
from crumbmeter.planning.feeding import FeederPlan, refilling
from crumbmeter.planning.job import Job, JobPlan, plan
from crumbmeter.planning.line_job import LineJob, line_result
from crumbmeter.planning.pressure import BEND_M, Pipe, pressure_drop
from crumbmeter.planning.rubber import Bags, JobMix, Rates, needs, whole
from crumbmeter.planning.verdicts import Check, Subject, Verdict
from crumbmeter.process.params import DoseBasis

SURFACE = JobMix("surface", "Surface", 1_000_000.0, DoseBasis.TOTAL_MIX, 0.005, 0.05)
PLAIN = JobMix("plain", "Plain", 500_000.0, DoseBasis.TOTAL_MIX, 0.0, 0.05)
RATES = Rates(40.0, 60.0, 80.0, 36_000.0)
FEEDER = FeederPlan(0.9, 0.2, 1.0, 1.0, 70.0, 240.0, 4.0, 3.0, 90.0, 0.2, 1300.0, 350.0)
PIPE = Pipe(0.1023, 40.0, 6.0, 4, 5e-5, 1e-3, 1150.0, 0.34, 98_000.0, 310.0)
LINE = LineJob(PIPE, (), 0.06, 298.0, 2000.0, 40_000.0, 0.6, 18_500.0)
LOADS = (Load("blower", 18_000.0, 400.0, 3, 0.9, 1.0), Load("auger", 2000.0, 400.0, 3, 0.8, 0.5))
PRICES = Prices(0.7, 0.05, 0.6, 0.9, None, 0.05, 4e-8)
JOB = Job(
    (SURFACE, PLAIN), RATES, Bags(900.0, 20, 6, 600.0, 0.02), FEEDER, LINE, LOADS, 0.9, Supply(400.0, 3, 63.0), PRICES
)


def check(made: JobPlan, subject: Subject) -> Check:
    (found,) = [one for one in made.checks if one.subject is subject]
    return found


def verdict(job: Job, subject: Subject) -> Verdict:
    return check(plan(job), subject).verdict


def test_a_job_that_passes_everything() -> None:
    made = plan(JOB)
    assert [one.subject for one in made.checks if one.verdict is not Verdict.PASSES] == []
    assert {one.subject for one in made.checks} == set(Subject)


def test_what_the_job_takes() -> None:
    needed = plan(JOB).needs
    assert needed.rubber_kg == pytest.approx(5000.0)
    assert needed.waste_kg == pytest.approx(100.0)
    assert (needed.bags, needed.deliver_bags, needed.trucks) == (6, 0, 0)
    assert needed.production_s == pytest.approx(25_000.0)
    assert (needed.days, needed.day_bags) == (1, 6)
    assert needs((SURFACE,), RATES, Bags(900.0)).trucks is None


def test_whole_pieces() -> None:
    assert [whole(count) for count in (0.0, 0.2, 1.0, 1.0 + 1e-13, 1.0001, 3.0 * 1.1 / 1.1)] == [0, 1, 1, 1, 2, 3]


def test_a_step_of_the_feeder() -> None:
    """0.5 % of 80 kg/s is 0.4 kg/s: 0.444 turns a second; 170 kg last 425 s and come in 170 / 3.6 s."""
    step = plan(JOB).steps[2]
    assert step.hour.rubber_kg_s == pytest.approx(0.4)
    assert step.speed_rev_s == pytest.approx(0.4 / 0.9)
    assert step.bag_lasts_s == pytest.approx(2250.0)
    turn = step.refilling
    assert turn is not None
    assert turn.refill_s == pytest.approx(170.0 / 3.6)
    assert turn.lasts_s == pytest.approx(425.0)
    assert turn.share == pytest.approx((170.0 / 3.6 + 3.0) / (170.0 / 3.6 + 425.0))
    assert turn.per_hour == pytest.approx(3600.0 / (170.0 / 3.6 + 425.0))


def test_a_mix_without_rubber_asks_nothing_of_the_feeder() -> None:
    plain = [step for step in plan(JOB).steps if step.hour.mix_id == "plain"]
    assert [(step.bag_lasts_s, step.refilling) for step in plain] == [(None, None)] * 3
    only = plan(replace(JOB, mixes=(PLAIN,)))
    assert [one.subject for one in only.checks] == [Subject.ELECTRIC_SUPPLY]
    assert only.line == ()
    assert only.cost is None


@pytest.mark.parametrize(
    ("change", "subject"),
    [
        ({"low_rev_s": 0.23}, Subject.LOWEST_SPEED),  # 0.2 kg/s at 0.9 kg a turn is 0.222
        ({"high_rev_s": 0.44}, Subject.HIGHEST_SPEED),
        ({"low_rev_s": 0.6}, Subject.TURNDOWN),
        ({"most_kg_s": 0.39}, Subject.HIGHEST_RATE),
        ({"refill_kg_s": 0.4}, Subject.REFILL_RATE),  # as much as is fed: never full
        ({"refill_kg_s": 0.4}, Subject.REFILL_TIME),
        ({"refill_kg_s": 0.4}, Subject.REFILL_SHARE),
        ({"most_refill_s": 47.0}, Subject.REFILL_TIME),
        ({"most_refill_share": 0.10}, Subject.REFILL_SHARE),
        ({"supply_low_kg": 239.0}, Subject.SUPPLY_RESERVE),  # 0.4 kg/s for 600 s is 240 kg
        ({"supply_low_kg": 401.0}, Subject.BAG_FITS),
    ],
)
def test_feeder_checks_fail(change: dict[str, float], subject: Subject) -> None:
    made = plan(replace(JOB, feeder=replace(FEEDER, **change)))
    assert check(made, subject).verdict is Verdict.FAILS
    assert made.checks[0].verdict is Verdict.FAILS, "what fails stands on top"


@pytest.mark.parametrize(
    ("change", "subject", "missing"),
    [
        ({"feed_factor_kg_rev": None}, Subject.LOWEST_SPEED, ("feeder.feed_factor",)),
        ({"high_rev_s": None}, Subject.HIGHEST_SPEED, ("feeder.calibrated_high_rpm",)),
        ({"low_rev_s": None}, Subject.TURNDOWN, ("feeder.calibrated_low_rpm",)),
        ({"refill_kg_s": None}, Subject.REFILL_RATE, ("feeder.refill_rate",)),
        ({"refill_at_kg": None}, Subject.REFILL_TIME, ("feeder.refill_at",)),
        ({"most_refill_share": None}, Subject.REFILL_SHARE, ("feeder.most_refill_percent",)),
        ({"supply_low_kg": None}, Subject.SUPPLY_RESERVE, ("feeder.supply_low",)),
        ({"supply_kg": None}, Subject.BAG_FITS, ("feeder.supply",)),
    ],
)
def test_what_is_not_known_cannot_be_judged(change: dict[str, Any], subject: Subject, missing: tuple[str, ...]) -> None:
    found = check(plan(replace(JOB, feeder=replace(FEEDER, **change))), subject)
    assert (found.verdict, found.missing) == (Verdict.NOT_JUDGED, missing)


def test_bags() -> None:
    assert verdict(replace(JOB, bags=replace(JOB.bags, change_s=2251.0)), Subject.BAG_INTERVAL) is Verdict.FAILS
    assert verdict(replace(JOB, bags=replace(JOB.bags, change_s=None)), Subject.BAG_INTERVAL) is Verdict.NOT_JUDGED
    assert verdict(replace(JOB, bags=replace(JOB.bags, on_hand_bags=5)), Subject.STOCK) is Verdict.FAILS


def test_refilling_that_is_not_known() -> None:
    assert refilling(FeederPlan(), 0.1) is None
    assert refilling(FEEDER, 0.0) is None


@pytest.mark.parametrize(
    ("air_kg_s", "expected"), [(0.34, Verdict.PASSES), (0.15, Verdict.NOT_JUDGED), (0.10, Verdict.FAILS)]
)
def test_air_over_saltation(air_kg_s: float, expected: Verdict) -> None:
    job = replace(JOB, line=replace(LINE, pipe=replace(PIPE, air_kg_s=air_kg_s)))
    found = check(plan(job), Subject.SALTATION)
    assert found.verdict is expected, found


@pytest.mark.parametrize(
    ("share", "expected"), [(1.51, Verdict.PASSES), (1.4, Verdict.NOT_JUDGED), (0.99, Verdict.FAILS)]
)
def test_pressure_and_power_may_be_wrong_by_half(share: float, expected: Verdict) -> None:
    worst = plan(JOB).line[-1]
    assert worst.rise_pa is not None
    assert worst.power_w is not None
    job = replace(JOB, line=replace(LINE, most_pa=share * worst.rise_pa, motor_w=share * worst.power_w))
    assert verdict(job, Subject.PRESSURE) is expected
    assert verdict(job, Subject.BLOWER_POWER) is expected


def test_a_line_that_is_not_known_or_lifts_nothing() -> None:
    found = check(plan(replace(JOB, line=LineJob(None, ("line.bends",)))), Subject.PRESSURE)
    assert found.missing == ("line.bends", "line.most")
    still = replace(JOB, line=replace(LINE, pipe=replace(PIPE, air_kg_s=0.03)))
    assert verdict(still, Subject.SALTATION) is Verdict.FAILS
    assert plan(still).line[-1].drop is None
    heavy = replace(PIPE, particle_m=5e-3, particle_kg_m3=10_000.0)
    assert pressure_drop(heavy, 0.1) is None


def test_a_bend_is_so_much_vertical_pipe() -> None:
    drop = pressure_drop(PIPE, 0.3)
    assert drop is not None
    assert drop.bends_pa / drop.vertical_pa == pytest.approx(4 * BEND_M / 6.0)


def test_the_terms_of_a_short_line() -> None:
    """So short that the air does not expand: each term by hand after Rhodes, chapter 8."""
    pipe = replace(PIPE, horizontal_m=0.0, vertical_m=1.0, bends=0)
    loaded, empty = pressure_drop(pipe, 0.3), pressure_drop(pipe, 1e-12)
    assert loaded is not None
    assert empty is not None
    area_m2 = 3.141592653589793 * 0.1023**2 / 4.0
    air_kg_m3 = 98_000.0 / (287.05 * 310.0)
    air_m_s, flux = 0.34 / (air_kg_m3 * area_m2), 0.3 / area_m2
    falls_m_s = 4.3  # of 1 mm rubber in air, to the accuracy that is asked here
    by_hand = 0.057 * flux * sqrt(9.80665 / 0.1023) + 9.80665 * flux / (air_m_s - falls_m_s)
    assert loaded.vertical_pa - empty.vertical_pa == pytest.approx(by_hand, rel=0.01)
    grain_m_s = air_m_s * (1.0 - 0.0638 * 0.001**0.3 * sqrt(1150.0))
    assert loaded.acceleration_pa - empty.acceleration_pa == pytest.approx(0.5 * flux * grain_m_s, rel=0.01)


def test_the_blower_takes_what_the_airlock_leaks() -> None:
    tight, leaky = line_result(replace(LINE, leak=0.0), 0.3), line_result(replace(LINE, leak=0.5), 0.3)
    assert tight.power_w is not None
    assert leaky.power_w == pytest.approx(2.0 * tight.power_w)


def test_loads_add_up_as_vectors() -> None:
    """18 kW at 0.9 is 20 kVA and 8.718 kvar; 2 kW at 0.8 is 2.5 kVA and 1.5 kvar: 20 kW and 10.218 kvar."""
    made = total(LOADS, 0.9)
    assert made.connected_w == pytest.approx(20_000.0)
    assert made.connected_va == pytest.approx(22_458.9, abs=0.1)
    assert made.demand_va == pytest.approx(0.9 * made.connected_va)
    assert made.mean_w == pytest.approx(19_000.0)
    limit_a = made.demand_va / (400.0 * sqrt(3.0))
    for most_a, expected in ((limit_a * 1.001, Verdict.PASSES), (limit_a * 0.999, Verdict.FAILS)):
        assert verdict(replace(JOB, supply=Supply(400.0, 3, most_a)), Subject.ELECTRIC_SUPPLY) is expected
    assert check(plan(replace(JOB, supply=None)), Subject.ELECTRIC_SUPPLY).missing == ("supply", "supply.most_a")
    assert check(plan(replace(JOB, loads=())), Subject.ELECTRIC_SUPPLY).missing == ("loads",)


def test_cost_by_hand() -> None:
    """Binder 0.995 x 0.05 x 0.6; rubber 0.005 x 1.02 x 0.75; running (0.05 + 0.00076) / 60; modified 0.05 x 0.9."""
    cost = mix_cost(SURFACE, PRICES, 0.02, 60.0, 19_000.0)
    assert cost.binder_per_kg == pytest.approx(0.02985)
    assert cost.rubber_per_kg == pytest.approx(0.003825)
    assert cost.running_per_kg == pytest.approx(0.05076 / 60.0)
    assert cost.modified_per_kg == pytest.approx(0.045)
    assert cost.break_even_per_kg == pytest.approx(cost.dry_per_kg / 0.05)


def test_at_the_break_even_price_both_routes_cost_the_same() -> None:
    both = (SURFACE, replace(SURFACE, mix_id="other", mass_kg=3e6, dose=0.01, binder_content=0.06))
    even = job_cost(tuple(mix_cost(mix, PRICES, 0.02, 60.0, 0.0) for mix in both)).break_even_per_kg
    assert even is not None
    again = job_cost(tuple(mix_cost(mix, replace(PRICES, modified_per_kg=even), 0.02, 60.0, 0.0) for mix in both))
    assert again.modified_per_kg == pytest.approx(again.dry_per_kg, rel=1e-12)
    for price, expected in ((even * 1.01, Verdict.PASSES), (even * 0.99, Verdict.FAILS)):
        job = replace(JOB, mixes=both, loads=(), prices=replace(PRICES, modified_per_kg=price))
        assert verdict(job, Subject.COST) is expected


def test_without_the_buyer_s_price_the_break_even_price_is_still_told() -> None:
    made = plan(replace(JOB, prices=replace(PRICES, modified_per_kg=None)))
    assert check(made, Subject.COST).missing == ("prices.modified_binder",)
    assert made.cost is not None
    assert made.cost.break_even_per_kg is not None
    assert check(plan(replace(JOB, prices=None)), Subject.COST).missing == ("prices",)
