"""Half of a full drum goes to the ground after a long stop: with the operator's word to the daemon, and without it."""

import pytest

from crumbmeter_sim import drum as truth
from tests.closed_loop import ClosedLoop, loop_for

MIX = (truth.A_VIRGIN, truth.A_RECYCLE, truth.A_CARRIED, truth.A_BINDER, truth.A_RUBBER)


def shift(*, told: bool) -> tuple[ClosedLoop, float, float]:
    """Play it; return the loop, RMS of the 5 t windows by the indicated mix [%], and mix that truly left [kg]."""
    loop = loop_for("drum_dumped")
    if not told:
        loop.orders = [order for order in loop.orders if order.command != "drum dumped"]
    score = loop.play()
    return loop, score["windows"]["5_t"]["metering"]["rms_percent"], sum(loop.drum.plant.out[part] for part in MIX)


@pytest.mark.slow
@pytest.mark.timeout(180)
def test_a_dump_that_is_told_is_booked_as_it_was_and_the_dose_stays() -> None:
    loop, rms_percent, mix_kg = shift(told=True)
    totals, heap = loop.state.totals, loop.drum.plant.dumped
    assert totals.wasted_mix_g / 1000.0 == pytest.approx(heap.dry_kg + heap.after[truth.A_RUBBER], rel=0.02)
    assert totals.wasted_rubber_g / 1000.0 == pytest.approx(heap.after[truth.A_RUBBER], rel=0.03)
    assert totals.mix_g / 1000.0 == pytest.approx(mix_kg, rel=0.005)
    assert rms_percent < 0.5
    assert not any(happened.name == "owed_rubber_forgotten" for _, happened in loop.events)


@pytest.mark.slow
@pytest.mark.timeout(180)
def test_without_a_word_the_record_holds_mix_that_lies_on_the_ground_and_it_gets_rubber() -> None:
    loop, rms_percent, mix_kg = shift(told=False)
    heap = loop.drum.plant.dumped
    assert loop.state.totals.mix_g / 1000.0 - mix_kg == pytest.approx(heap.dry_kg, rel=0.1)
    assert rms_percent > 3.0
