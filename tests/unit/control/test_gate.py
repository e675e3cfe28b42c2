"""A leak of the refill gate on its way to people: alarm, quality of the flow, and the flow that is reckoned with."""

from dataclasses import replace

from crumbmeter.control.state import State
from crumbmeter.estimation.fills import STANDING, SUPPLY, FillsState
from crumbmeter.model.quality import Quality, Reason
from tests.cores import Bench

LEAK = FillsState(leak_kg_s=0.02, leak_uncertainty_kg_s=0.002, found_by=SUPPLY, fills_agree=True)


def scanned(fills: FillsState) -> Bench:
    """Scan a feeding core that knows of a leak."""
    bench = Bench()
    bench.scan()
    state: State = replace(bench.state, fills=fills)
    bench.state = state
    for _ in range(3):
        bench.scan()
    return bench


def test_a_leak_is_an_alarm_and_the_flow_is_uncertain() -> None:
    bench = scanned(LEAK)
    view = bench.results[-1].view
    (alarm,) = [alarm for alarm in view.alarms if alarm.alarm_id == "refill_gate_leaks"]
    assert "1.20 kg/min by supply weight, feed corrected" in alarm.text
    assert (view.fed.quality, view.fed.reason) == (Quality.UNCERTAIN, Reason.GATE_LEAKS)
    assert bench.state.weighing.leak_kg_s == 0.02


def test_a_leak_that_is_not_well_founded_is_an_alarm_and_corrects_nothing() -> None:
    for fills in (replace(LEAK, found_by=STANDING), replace(LEAK, fills_agree=False), replace(LEAK, unseen=2)):
        bench = scanned(fills)
        view = bench.results[-1].view
        (alarm,) = [alarm for alarm in view.alarms if alarm.alarm_id == "refill_gate_leaks"]
        assert "feed not corrected" in alarm.text
        assert view.fed.quality is Quality.UNCERTAIN
        assert bench.state.weighing.leak_kg_s == 0.0


def test_a_turn_that_carries_less_is_a_lower_alarm_and_leaves_the_flow_good() -> None:
    view = scanned(FillsState(dropped_from=0.9)).results[-1].view
    assert [alarm.alarm_id for alarm in view.alarms if alarm.alarm_id.startswith("feed_factor")] == ["feed_factor_fell"]
    assert view.fed.quality is Quality.GOOD


def test_the_view_says_learning_until_the_weight_has_told_the_factor() -> None:
    bench = Bench()
    bench.scan()
    assert bench.results[-1].view.learning
    bench.state = replace(bench.state, weighing=replace(bench.state.weighing, learned=True))
    bench.scan()
    assert not bench.results[-1].view.learning
