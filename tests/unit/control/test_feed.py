"""What is owed to the mix: it begins with the start sequence, within what trim can pay, and ends with a stop."""

from dataclasses import replace

import pytest

from crumbmeter.control.chain import PULSE_S
from crumbmeter.control.feed import past_kg
from crumbmeter.control.params import BelowTurndown
from crumbmeter.control.sequence import RunState
from crumbmeter.model.commands import CommandKind
from tests.cores import Bench, command, make_params


def feeding_since_start(bench: Bench) -> float:
    """Run until the first scan of feeding, and return what is owed [kg] then."""
    for _ in range(600):
        result = bench.scan()
        bench.obey()
        if bench.state.sequence.state is RunState.FEEDING:
            return result.state.feed.owed_kg
    raise AssertionError(bench.state.sequence)


def with_rule(rule: BelowTurndown) -> Bench:
    base = make_params()
    return Bench(replace(base, feed=replace(base.feed, below_turndown=rule)))


def test_what_passes_during_the_start_is_owed_and_paid_within_the_share() -> None:
    bench = Bench()
    bench.run_obeying(200.0)  # the drum has long been full; control is not enabled
    assert bench.state.feed.owed_kg == 0.0
    bench.enable_and_start()
    owed_kg = feeding_since_start(bench)
    wanted_kg_s = bench.results[-1].view.wanted_kg_s
    # 3 % of the highest rate (0.8 kg/s) for the horizon of 60 s: more cannot be paid while it is within reach. One scan
    # of feeding is in it already.
    assert owed_kg == pytest.approx(0.03 * 0.8 * 60.0, abs=0.2 * wanted_kg_s + 0.01)
    assert wanted_kg_s * 10.0 > owed_kg  # the start took longer than that
    first = bench.run_obeying(5.0)
    assert first.view.setpoint_kg_s == pytest.approx(1.03 * first.view.wanted_kg_s, rel=1e-3)
    rest = bench.run_obeying(200.0)
    assert rest.state.feed.owed_kg < 0.02 * owed_kg
    assert rest.view.setpoint_kg_s == pytest.approx(rest.view.wanted_kg_s, rel=2e-3)


def test_what_a_start_kept_back_of_a_thin_head_is_paid_beyond_the_share_and_at_once() -> None:
    bench = with_rule(BelowTurndown.PULSE)
    bench.values |= {"aggregate": 12.5, "recycle": 2.5, "binder": 0.65}  # a quarter of the usual
    bench.run_obeying(25.0)  # its head is about to pass
    bench.enable_and_start()
    owed_kg = feeding_since_start(bench)
    begun = bench.results[-1]
    wanted_kg_s = begun.view.wanted_kg_s
    assert 0.03 * 0.8 * 60.0 > owed_kg > 5.0 * wanted_kg_s  # it is all of the head, and seconds of it
    assert begun.state.feed.kept_back_kg == pytest.approx(owed_kg, rel=0.05)
    bench.run_obeying(8.0)
    soon = bench.results[-1].view
    assert soon.setpoint_kg_s == pytest.approx(soon.wanted_kg_s + soon.owed_kg / 20.0, rel=0.01)
    assert soon.setpoint_kg_s > 1.1 * soon.wanted_kg_s  # where the share alone allows 1.03
    paid = bench.run_obeying(60.0)
    assert paid.state.feed.owed_kg < 0.1 * owed_kg
    assert paid.state.feed.kept_back_kg <= max(0.0, paid.state.feed.owed_kg)


def test_the_tail_of_a_run_lacks_no_more_than_half_a_pulse_whatever_its_rate() -> None:
    lacks_kg = []
    for share in (0.5, 0.6, 0.7, 0.8, 0.9, 1.0):
        bench = with_rule(BelowTurndown.PULSE)
        bench.values |= {"aggregate": 50.0 * share, "recycle": 10.0 * share, "binder": 2.6 * share}
        bench.enable_and_start()
        bench.run_obeying(200.0)
        bench.values |= {"aggregate": 0.0, "recycle": 0.0, "binder": 0.0}
        while bench.scan().view.wanted_kg_s > 0.0005:  # what follows is under a gram in all
            bench.obey()
        lacks_kg.append(bench.state.feed.owed_kg)
    # The auger's lag and one scan come on top of half a pulse.
    assert max(map(abs, lacks_kg)) < (0.5 * PULSE_S + 1.0) * 0.045
    assert abs(sum(lacks_kg)) / len(lacks_kg) < 0.25 * PULSE_S * 0.045


@pytest.mark.parametrize("rule", BelowTurndown)
def test_minutes_of_material_too_thin_to_feed_are_let_go(rule: BelowTurndown) -> None:
    bench = with_rule(rule)
    bench.enable_and_start()
    bench.run_obeying(120.0)
    bench.values |= {"aggregate": 6.0, "recycle": 0.0, "binder": 0.3}
    bench.run_obeying(240.0)
    assert 0.0 < bench.results[-1].view.wanted_kg_s < 0.045  # under the auger's lowest steady rate
    bench.values |= {"aggregate": 50.0, "recycle": 10.0, "binder": 2.6}
    for _ in range(120):
        bench.run_obeying(1.0)
        shown = bench.results[-1].view
        if shown.wanted_kg_s > 0.1:
            # At most what is left of one pulse comes beyond the share.
            assert shown.setpoint_kg_s < 1.04 * shown.wanted_kg_s + PULSE_S * 0.045 / 20.0


def test_what_has_not_passed_yet_or_is_made_good_does_not_age() -> None:
    assert past_kg(0.0, 1.0) == 0.0  # owed to mix that is still to come
    assert past_kg(1.0, 0.0) == 0.0  # under way
    assert past_kg(1.0, 0.4) == 0.4  # partly under way
    assert past_kg(0.4, 1.0) == 0.4  # more is to come
    assert past_kg(-1.0, -0.4) == -0.4  # too much, as too little
    assert past_kg(-1.0, 0.4) == past_kg(1.0, -0.4) == 0.0


def test_what_passes_while_the_feed_is_on_hold_is_not_owed() -> None:
    bench = Bench()
    bench.enable_and_start()
    bench.run_obeying(200.0)
    bench.scan(command(CommandKind.HOLD_FEED))
    bench.run_obeying(60.0)
    assert bench.state.feed.owed_kg == 0.0
    bench.scan(command(CommandKind.START_FEED))
    owed_kg = feeding_since_start(bench)
    # It is ready at once: what is owed is what passes until the first rubber is there, less what the line still held.
    assert owed_kg < 5.0 * bench.results[-1].view.wanted_kg_s
