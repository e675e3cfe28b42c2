"""The job and its rubber: by hand, by the core, and what is refused."""

from dataclasses import replace

import pytest

from crumbmeter.control.job import JobState, supply_view
from crumbmeter.model.commands import CommandKind
from crumbmeter.model.quality import Quality, Reason
from crumbmeter.model.reading import NOT_CONFIGURED, Reading
from crumbmeter.model.view import SupplyView, Totals
from tests.cores import SETTINGS_ID, Bench, command, make_params

PARAMS = make_params()
MADE = Totals(1_010_000, 1_000_000, mix_g=230_000_000, mix_with_dose_g=200_000_000, parcels=900)
"""200 t of mix with 5 kg of rubber in each tonne, 30 t without."""
JOB = JobState(planned_kg=500_000.0, bags=2, bags_kg=1600.0, bag_kg=800.0, lot="L-7")


def good(value: float) -> Reading:
    return Reading(value, Quality.GOOD, Reason.OK, 0.1)


SUPPLY = good(300.0)


def view(
    job: JobState = JOB, supply: Reading = SUPPLY, fed_kg_s: float | None = 0.25, share: float | None = 0.005
) -> SupplyView:
    return supply_view(job, MADE, PARAMS, share, (good(190.0), supply), fed_kg_s)


def test_by_hand() -> None:
    # 190 kg less the low level of 40 kg is 150 kg; with 300 kg in the supply 450 kg, at 0.25 kg/s for 1800 s. 300 t are
    # left, with 5 kg each: 1500 kg. 1050 kg are not here, which is two bags of 800 kg.
    assert view() == SupplyView(
        hopper_empty_in_s=600.0, empty_in_s=1800.0, here_kg=450.0, planned_mix_kg=500_000.0, left_mix_kg=300_000.0,
        takes_kg=1500.0, bags_to_load=2, bags_loaded=2, bags_kg=1600.0, bag_lot="L-7", wasted_mix_kg=0.0,
    )  # fmt: skip


def test_the_job_so_far_tells_what_a_ton_takes_while_none_is_made() -> None:
    assert view(share=None).takes_kg == pytest.approx(1500.0)
    nothing_made = supply_view(JOB, Totals(), PARAMS, None, (good(190.0), good(300.0)), None)
    assert (nothing_made.left_mix_kg, nothing_made.takes_kg, nothing_made.bags_to_load) == (500_000.0, None, None)


def test_what_is_not_known_is_not_said() -> None:
    bad = Reading(None, Quality.BAD, Reason.STALE, 9.0)
    for supply in (NOT_CONFIGURED, bad):
        seen = view(supply=supply)
        assert (seen.hopper_empty_in_s, seen.empty_in_s, seen.here_kg, seen.bags_to_load) == (600.0, None, None, None)
    for rate in (0.0, None):
        assert view(fed_kg_s=rate).empty_in_s is None
    assert view(job=JobState()).takes_kg is None
    assert view(job=replace(JOB, bag_kg=0.0)).bags_to_load is None


def test_enough_rubber_takes_no_bag_and_a_job_that_is_made_takes_none() -> None:
    assert view(supply=good(1350.0)).bags_to_load == 0
    done = view(job=replace(JOB, planned_kg=150_000.0))
    assert (done.left_mix_kg, done.takes_kg, done.bags_to_load) == (0.0, 0.0, 0)


def asked(bench: Bench, kind: CommandKind, subject: str = "", value: float = 0.0, reason: str = "") -> tuple[str, str]:
    """Ask; return the event's name and, where it was refused, why."""
    result = bench.scan(replace(command(kind, subject, value), reason=reason))
    (happened,) = [one for one in result.events if one.get("command_id") is not None]
    return happened.name, str(happened.get("why") or "")


def test_words_of_people_go_into_record_and_view_and_end_with_the_subtotal() -> None:
    bench = Bench()
    assert asked(bench, CommandKind.PLAN_JOB, value=400_000.0)[0] == "job_planned"
    assert asked(bench, CommandKind.LOAD_BAG, " L-1 ", 750.0)[0] == "bag_loaded"
    assert asked(bench, CommandKind.LOAD_BAG, "L-2", 800.0)[0] == "bag_loaded"
    assert asked(bench, CommandKind.HAND_OVER_NOTE, reason="The supply's left leg is noisy.")[0] == "hand_over_note"
    note = bench.scan().view.note
    assert (note.text, note.who) == ("The supply's left leg is noisy.", "tester")
    seen = bench.scan().view.supply
    assert (seen.planned_mix_kg, seen.bags_loaded, seen.bags_kg, seen.bag_lot) == (400_000.0, 2, 1550.0, "L-2")
    bag = next(one for one in bench.results[1].events if one.name == "bag_loaded")
    assert (bag.get("lot"), bag.get("mass_kg"), bag.get("bags_in_job"), bag.get("who")) == ("L-1", 750.0, 1, "tester")
    bench.scan(command(CommandKind.RESET_SUBTOTAL))
    assert bench.state.job == JobState()
    assert bench.state.note == note  # it is of the shift, not of the job


def test_wasted_mix_is_no_more_than_was_made_and_stays_in_its_parcels() -> None:
    bench = Bench()
    bench.scan(command(CommandKind.ENABLE_CONTROL, SETTINGS_ID))
    bench.run_obeying(240.0)
    made_g = bench.state.totals.mix_g
    assert made_g > 4_000_000
    assert asked(bench, CommandKind.WASTE_MIX, value=3000.0, reason="cold truck")[0] == "mix_wasted"
    assert bench.state.totals.mix_g - made_g < 500_000
    assert bench.scan().view.supply.wasted_mix_kg == 3000.0
    name, why = asked(bench, CommandKind.WASTE_MIX, value=bench.state.totals.mix_g / 1000.0 - 2000.0, reason="again")
    assert name == "command_refused"
    assert "not marked yet" in why


@pytest.mark.parametrize(
    ("kind", "subject", "value", "reason", "why"),
    [
        (CommandKind.LOAD_BAG, "  ", 800.0, "", "lot is missing"),
        (CommandKind.LOAD_BAG, "L-1", 0.0, "", "not between 20 and 2000 kg"),
        (CommandKind.LOAD_BAG, "L-1", 80_000.0, "", "not between 20 and 2000 kg"),
        (CommandKind.PLAN_JOB, "", -1.0, "", "not between 0 and"),
        (CommandKind.PLAN_JOB, "", 1e9, "", "not between 0 and"),
        (CommandKind.WASTE_MIX, "", 10.0, " ", "must say why"),
        (CommandKind.WASTE_MIX, "", 10.0, "cold", "not marked yet"),
        (CommandKind.HAND_OVER_NOTE, "", 0.0, "\n", "note is empty"),
    ],
)
def test_what_cannot_be_is_refused_with_its_reason(
    kind: CommandKind, subject: str, value: float, reason: str, why: str
) -> None:
    bench = Bench()
    name, said = asked(bench, kind, subject, value, reason)
    assert name == "command_refused"
    assert why in said
    assert bench.state.job == JobState()
