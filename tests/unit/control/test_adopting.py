"""Other settings between two scans: no output moves by what applies at any time, and the rest waits for rest."""

from crumbmeter.alarms.catalogue import CATALOGUE
from crumbmeter.control.adopting import adopted, unlike, why_not
from crumbmeter.control.sequence import RunState
from crumbmeter.control.state import State
from crumbmeter.control.step import make_core
from crumbmeter.estimation.params import UncertaintyParams, Within
from crumbmeter.model.commands import CommandKind
from crumbmeter.model.frozen import replace
from crumbmeter.model.outputs import OutputImage
from tests.cores import Bench, command, make_params

NOW = make_params()
SHOWN = replace(
    NOW,
    settings_id="f" * 64,
    tolerance=replace(NOW.tolerance, warn=0.0001, alarm=0.0002, deadband=0.0, total=0.0001, total_from_kg=0.1),
    alarm_delays_s=tuple((spec.alarm_id, 0.0, 0.0) for spec in CATALOGUE),
    uncertainty=UncertaintyParams(aggregate_scale=Within(0.2)),
    mixes=tuple(replace(mix, title=f"Another {mix.title}") for mix in NOW.mixes),
)
"""All that may be applied at any time, far from what it was."""
OTHER = replace(
    NOW,
    settings_id="e" * 64,
    sequence=replace(NOW.sequence, purge_s=1.0, start_warning_s=1.0, pressure_high_pa=20_000.0),
    feed=replace(NOW.feed, slew_kg_s2=0.05, trim_share=0.1, max_rate_kg_s=0.3),
    good_scans=4,
)


def day(bench: Bench, exchange_at_s: float | None = None) -> list[OutputImage]:
    """Feed through a refused weight, a lost input and a stop; take other settings on the way where asked."""
    bench.enable_and_start()
    for second in range(120):
        if exchange_at_s is not None and second == exchange_at_s:
            bench.core, bench.state = make_core(SHOWN), adopted(bench.state, control_kept=True)
        bench.values["aggregate"] = 60.0 if second < 60 else 40.0
        bench.values["line_pressure"] = 8000.0 if second < 100 else 40_000.0
        bench.run_obeying(1.0)
    bench.scan(command(CommandKind.STOP_FEED))
    return [result.outputs for result in bench.results]


def test_no_output_moves_by_what_is_applied_at_any_time() -> None:
    plain = Bench(NOW)
    before = day(plain)
    assert day(Bench(NOW), exchange_at_s=30) == before
    other = Bench(replace(SHOWN, settings_id=NOW.settings_id))
    assert day(other) == before
    assert {result.state.sequence.state for result in plain.results} >= {RunState.FEEDING, RunState.STOPPED}
    told = [[name for name in bench.events() if name.startswith("alarm_")] for bench in (plain, other)]
    assert told[0] != told[1], "the alarms did come otherwise"


def fed() -> Bench:
    bench = Bench(NOW)
    bench.enable_and_start()
    bench.run_obeying(60.0)
    assert bench.state.sequence.state is RunState.FEEDING
    return bench


def rested() -> Bench:
    bench = fed()
    bench.scan(command(CommandKind.STOP_FEED))
    bench.values["aggregate"] = bench.values["recycle"] = bench.values["binder"] = 0.0
    bench.run_obeying(200.0)
    assert bench.state.sequence.state is RunState.IDLE
    return bench


def test_what_control_depends_on_waits_for_rest() -> None:
    state = fed().state
    assert why_not(state, NOW, SHOWN, at_rest=False) == ""
    assert "stop-feed, and wait" in why_not(state, NOW, OTHER, at_rest=True)
    assert why_not(rested().state, NOW, OTHER, at_rest=True) == ""


def test_a_mix_that_is_chosen_or_under_way_keeps_its_rule() -> None:
    state = rested().state
    without = replace(NOW, mixes=NOW.mixes[1:])
    assert "mix surface is chosen or under way" in why_not(state, NOW, without, at_rest=True)
    richer = replace(NOW, mixes=(replace(NOW.mixes[0], dose=0.01), NOW.mixes[1]))
    assert why_not(state, NOW, richer, at_rest=True) == "", "belts and drum are empty"
    loaded = replace(state, plant=replace(state.plant, material_kg=500.0))
    assert "wait until belts and drum are empty" in why_not(loaded, NOW, richer, at_rest=True)


def test_control_falls_and_comes_back_under_the_other_settings() -> None:
    bench = rested()
    before: State = bench.state
    bench.core, bench.state = make_core(OTHER), adopted(before, control_kept=False)
    assert (bench.state.control_enabled, bench.state.sequence.in_service) == (False, False)
    assert bench.state.totals == before.totals
    assert bench.state.weighing == before.weighing
    bench.params = OTHER
    bench.values |= {"aggregate": 60.0, "recycle": 12.0, "binder": 3.0}
    bench.run(5.0)
    assert not bench.results[-1].outputs.write_enabled, "given back: after the zeros nothing is written"
    bench.enable_and_start()
    bench.run_obeying(60.0)
    assert bench.state.sequence.state is RunState.FEEDING
    assert bench.state.feed.setpoint_kg_s <= 0.3 + 1e-9


def test_what_the_memory_takes_its_shape_from_is_named() -> None:
    assert unlike(NOW, SHOWN) == unlike(NOW, OTHER) == ()
    assert unlike(NOW, replace(NOW, line=replace(NOW.line, travel_s=5.0), scan_period_s=0.1)) == (
        "scan_period_s", "line",
    )  # fmt: skip
    assert unlike(NOW, replace(NOW, signals=NOW.signals[:-1])) == ("signals",)
