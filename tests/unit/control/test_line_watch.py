"""The line watched by the core itself, over plain values: learned, warned, told apart, and never wider than before."""

from dataclasses import dataclass, replace

import pytest

from crumbmeter.control.line_state import LineWatch
from crumbmeter.control.line_table import Diagnosis
from crumbmeter.control.sequence import RunState
from crumbmeter.control.state import State
from crumbmeter.control.step import StepResult, make_core
from crumbmeter.ledger.snapshot import decode, encode
from crumbmeter.model.commands import CommandKind
from tests.cores import INDEX, Bench, command, make_params

BASE_PA, SLOPE_PA_KG, RIPPLE_PA = 6000.0, 2000.0, 20.0


@dataclass
class LineBench(Bench):
    """A bench whose line has a pressure: of air, of rubber under way, and of whatever is wrong with it."""

    extra_pa: float = 0.0
    """[Pa] On top, or missing."""
    rise_pa_s: float = 0.0
    """[Pa/s] By which `extra_pa` grows."""
    rubber_share: float = 1.0
    """Share of the rubber under way that is really there."""
    runs_empty: bool = False
    """Nobody refills the hopper."""
    run_up_s: float = 0.0
    """[s] The blower needs so long, although its contact is closed at once."""
    blown_s: float = 0.0

    def obey(self) -> None:
        """Let the pressure follow too."""
        held_kg = self.values["hopper_mass"]
        super().obey()
        if self.runs_empty:
            self.values["hopper_mass"] = max(20.0, held_kg - 0.9 * self.values["auger_speed"] * self.dt_s)
        self.extra_pa += self.rise_pa_s * self.dt_s
        ripple_pa = RIPPLE_PA if len(self.results) % 2 else -RIPPLE_PA
        load_kg = self.state.line.content * self.rubber_share
        air_pa = BASE_PA + SLOPE_PA_KG * load_kg + self.extra_pa + ripple_pa
        self.blown_s = self.blown_s + self.dt_s if self.values["blower_running"] else 0.0
        share = min(1.0, self.blown_s / self.run_up_s) if self.run_up_s else 1.0
        self.values["line_pressure"] = air_pa * share**2 if self.values["blower_running"] else 0.0

    @property
    def found(self) -> Diagnosis:
        """What is found now."""
        return self.state.line_watch.finding.diagnosis

    def alarms(self) -> list[str]:
        """Return all alarms raised so far."""
        return [
            str(happened.get("alarm"))
            for result in self.results
            for happened in result.events
            if happened.name == "alarm_raised"
        ]

    def run_until(self, diagnosis: Diagnosis, within_s: float) -> float:
        """Scan until it is found; return after how long [s]."""
        for scan in range(round(within_s / self.dt_s)):
            self.scan()
            self.obey()
            if self.found is diagnosis:
                return scan * self.dt_s
        raise AssertionError(f"{diagnosis!r} not found within {within_s} s but {self.found!r}")


def learned_bench(*, fitted: bool = False) -> LineBench:
    """A bench that has fed for some minutes and knows its line."""
    params = make_params()
    params = replace(params, sequence=replace(params.sequence, purge_s=10.0))
    if fitted:
        params = replace(params, contacts=replace(params.contacts, flow_switch=INDEX["flow_switch"]))
    bench = LineBench(params)
    bench.values["flow_switch"] = 0.0
    bench.enable_and_start()
    bench.run_obeying(60.0)
    bench.values["flow_switch"] = 1.0
    bench.run_obeying(180.0)
    assert bench.state.sequence.state is RunState.FEEDING
    assert bench.found is Diagnosis.CLEAR
    return bench


def test_it_learns_base_and_slope_while_it_feeds() -> None:
    curve = learned_bench().state.line_watch.curve
    assert curve.base_pa == pytest.approx(BASE_PA, abs=30.0)
    assert curve.slope_pa_kg == pytest.approx(SLOPE_PA_KG, rel=0.03)
    assert curve.fed_s > 60.0


def test_a_plug_that_builds_up_is_warned_of_with_the_time_there_is() -> None:
    bench = learned_bench()
    bench.rise_pa_s = 50.0
    bench.run_until(Diagnosis.PLUGGING, 60.0)
    bench.run_obeying(20.0)
    assert "line_plugging" in bench.alarms()
    assert "pressure_high" not in bench.alarms()
    assert bench.state.sequence.state is RunState.FEEDING  # a warning stops nothing
    finding = bench.state.line_watch.finding
    assert finding.soonest_s is not None
    assert finding.latest_s is not None
    left_s = (30_000.0 - bench.values["line_pressure"]) / 50.0
    assert finding.soonest_s <= left_s
    assert finding.latest_s == pytest.approx(left_s, rel=0.05)


@pytest.mark.parametrize("rise_pa_s", [1.0, 3.0, 10.0])
def test_a_creeping_plug_is_not_learned_away(rise_pa_s: float) -> None:
    bench = learned_bench()
    before = bench.state.line_watch.curve
    bench.rise_pa_s = rise_pa_s
    bench.run_until(Diagnosis.PLUGGING, 3000.0 / rise_pa_s)
    curve = bench.state.line_watch.curve
    assert bench.extra_pa < 0.25 * (30_000.0 - BASE_PA)
    assert curve.base_pa + curve.slope_pa_kg < 1.1 * (before.base_pa + before.slope_pa_kg)


def test_a_trend_that_is_not_there_is_said_not_to_be_known() -> None:
    bench = learned_bench()
    bench.extra_pa = 1500.0
    bench.run_obeying(90.0)
    assert bench.found is Diagnosis.PLUGGING
    assert bench.state.line_watch.finding.latest_s is None
    view = bench.results[-1].view
    assert any("time to the limit not known" in alarm.text or "s to the limit" in alarm.text for alarm in view.alarms)
    assert view.line.latest_s is None


def test_a_hose_off_above_the_fixed_limit_stops_the_feed() -> None:
    bench = learned_bench()
    bench.extra_pa = -2500.0  # 3500 Pa and rubber, where the fixed limit is 2000 Pa
    bench.rubber_share = 0.3
    bench.run_until(Diagnosis.HOSE_OFF, 6.0)
    bench.run_obeying(1.0)
    assert bench.state.sequence.state is RunState.STOPPED
    assert bench.state.sequence.reason == "line pressure low: hose off, or air lost"
    assert bench.alarms().count("pressure_low") == 1
    assert "rubber_not_arriving" not in bench.alarms()


def test_rubber_that_does_not_arrive_is_alarmed_and_stops_nothing() -> None:
    bench = learned_bench()
    bench.rubber_share = 0.0
    bench.run_until(Diagnosis.NOT_ARRIVING, 20.0)
    bench.run_obeying(30.0)
    assert bench.alarms() == ["rubber_not_arriving"]
    assert bench.state.sequence.state is RunState.FEEDING


def test_a_bridge_is_one_alarm_with_its_reason() -> None:
    bench = learned_bench()
    held_kg = bench.values["hopper_mass"]
    for _ in range(150):
        bench.scan()
        bench.obey()
        bench.values["hopper_mass"] = held_kg
    assert bench.found is Diagnosis.BRIDGE
    told = [alarm for alarm in bench.results[-1].view.alarms if alarm.alarm_id == "no_rubber_flow"]
    assert [alarm.text.rpartition(": ")[2] for alarm in told] == ["bridge in the weigh hopper"]
    assert not {"feed_off_setpoint", "rubber_not_arriving", "pressure_low"} & set(bench.alarms())


def test_an_empty_hopper_is_no_bridge() -> None:
    bench = learned_bench()
    bench.runs_empty = True
    bench.run_until(Diagnosis.EMPTY, 900.0)
    bench.run_obeying(10.0)
    assert bench.values["hopper_mass"] == 20.0
    assert bench.alarms().count("no_rubber_flow") == 1


def test_a_scale_that_stands_while_rubber_flows_is_told_by_the_pressure() -> None:
    bench = learned_bench()
    held_kg, loaded_pa = bench.values["hopper_mass"], bench.values["line_pressure"]
    for _ in range(200):
        bench.scan()
        bench.obey()
        bench.values["hopper_mass"], bench.values["line_pressure"] = held_kg, loaded_pa
    assert bench.found is Diagnosis.WEIGHT_DOUBTFUL


def test_a_flow_switch_is_a_second_witness() -> None:
    bench = learned_bench(fitted=True)
    bench.values["flow_switch"] = 0.0
    bench.run_until(Diagnosis.SWITCH, 30.0)
    bench.values["flow_switch"] = 1.0
    bench.run_until(Diagnosis.CLEAR, 10.0)
    bench.rubber_share = 0.0
    bench.run_until(Diagnosis.INSTRUMENTS, 20.0)
    assert bench.state.sequence.state is RunState.FEEDING


def test_air_that_is_less_than_it_was_is_seen_before_any_rubber() -> None:
    bench = learned_bench()
    bench.values["drum_turning"] = 0.0
    bench.run_obeying(30.0)
    assert bench.state.sequence.state is RunState.READY
    assert bench.found is Diagnosis.CLEAR
    bench.extra_pa = -1200.0
    bench.run_until(Diagnosis.AIR_LOW, 15.0)
    bench.run_obeying(5.0)
    assert "line_air_low" in bench.alarms()


def test_another_day_s_air_is_taken_anew_at_the_start() -> None:
    bench = learned_bench()
    bench.values["drum_turning"] = 0.0
    bench.run_obeying(20.0)
    bench.extra_pa = -400.0
    bench.run_obeying(20.0)
    bench.scan(command(CommandKind.STOP_FEED))
    bench.run_obeying(60.0)
    bench.scan(command(CommandKind.START_FEED))
    bench.values["drum_turning"] = 1.0
    bench.run_obeying(60.0)
    assert bench.state.line_watch.curve.base_pa == pytest.approx(BASE_PA - 400.0, abs=60.0)
    assert bench.found is Diagnosis.CLEAR
    assert "line_air_low" not in bench.alarms()


def test_a_blower_that_runs_up_is_no_air_that_is_low() -> None:
    bench = learned_bench()
    bench.run_up_s, bench.extra_pa = 8.0, -400.0
    bench.params = replace(bench.params, sequence=replace(bench.params.sequence, purge_s=20.0))
    bench.core = make_core(bench.params)
    bench.scan(command(CommandKind.STOP_FEED))
    states = [bench.run_obeying(60.0).state.sequence.state]
    bench.scan(command(CommandKind.START_FEED))
    states.append(bench.run_obeying(60.0).state.sequence.state)
    assert states == [RunState.IDLE, RunState.FEEDING]
    assert not {"line_air_low", "line_plugging", "pressure_low"} & set(bench.alarms())
    assert bench.state.line_watch.curve.base_pa == pytest.approx(BASE_PA - 400.0, abs=60.0)


def test_nothing_is_learned_or_found_with_the_diverter_on_catch() -> None:
    bench = learned_bench()
    bench.values["diverter_to_drum"] = 0.0
    before = bench.state.line_watch.curve
    bench.rubber_share = 0.0
    bench.run_obeying(3.0)
    assert bench.state.sequence.state is RunState.STOPPED  # machine doubt, as ever
    bench.run_obeying(30.0)
    assert bench.state.line_watch.curve == before
    assert not {"rubber_not_arriving", "pressure_low"} & set(bench.alarms())


def test_a_bad_pressure_neither_raises_nor_clears() -> None:
    bench = learned_bench()
    bench.extra_pa = 2500.0
    bench.run_until(Diagnosis.PLUGGING, 30.0)
    bench.run_obeying(5.0)
    assert "line_plugging" in bench.alarms()

    def bad() -> StepResult:
        bench.scan()
        bench.obey()
        bench.values["line_pressure"] = float("nan")
        return bench.results[-1]

    cleared = [happened for _ in range(15) for happened in bad().events if happened.get("alarm") == "line_plugging"]
    assert cleared == []


def test_in_monitor_only_it_learns_and_says_and_alarms_nobody() -> None:
    bench = learned_bench()
    bench.scan(command(CommandKind.MONITOR_ONLY))
    bench.rubber_share = 0.0
    for _ in range(200):  # another hand feeds on
        bench.scan()
        bench.values["blower_running"] = 1.0
        bench.values["auger_speed"] = 0.34
        bench.values["hopper_mass"] -= 0.9 * 0.34 * bench.dt_s
        bench.values["line_pressure"] = BASE_PA
    assert bench.state.sequence.state is RunState.MONITOR
    assert bench.found is Diagnosis.NOT_ARRIVING
    assert bench.alarms() == []


def test_a_scan_of_no_length_changes_nothing() -> None:
    bench = learned_bench()
    before = bench.state.line_watch
    bench.scan(dt_s=0.0)
    assert bench.state.line_watch == before


def test_it_survives_a_restart_to_the_bit() -> None:
    bench = learned_bench()
    state = decode(State, encode(bench.state))
    assert state.line_watch == bench.state.line_watch
    assert state.line_watch.curve.fed_s > 0.0


def test_the_line_is_learned_anew_on_request_and_never_to_silence_a_plug() -> None:
    bench = learned_bench()
    ask = replace(command(CommandKind.RELEARN_LINE), reason="new blower")
    assert "command_refused" in [happened.name for happened in bench.scan(ask).events]
    bench.scan(command(CommandKind.STOP_FEED))
    bench.run_obeying(40.0)
    without = bench.scan(command(CommandKind.RELEARN_LINE))
    assert "command_refused" in [happened.name for happened in without.events]
    (told,) = [happened for happened in bench.scan(ask).events if happened.name == "line_relearned"]
    assert told.get("base_pa") == pytest.approx(BASE_PA, abs=30.0)
    assert bench.state.line_watch.curve == LineWatch().curve


def test_a_site_without_a_pressure_still_tells_a_bridge() -> None:
    params = make_params()
    bench = LineBench(replace(params, contacts=replace(params.contacts, line_pressure=None)))
    bench.enable_and_start()
    bench.run_obeying(120.0)
    held_kg = bench.values["hopper_mass"]
    for _ in range(150):
        bench.scan()
        bench.obey()
        bench.values["hopper_mass"] = held_kg
    assert bench.found is Diagnosis.BRIDGE
    assert bench.state.line_watch.curve == LineWatch().curve


def test_a_site_with_a_flow_switch_alone_raises_and_clears_by_it() -> None:
    params = make_params()
    contacts = replace(params.contacts, line_pressure=None, flow_switch=INDEX["flow_switch"])
    bench = LineBench(replace(params, contacts=contacts))
    bench.values["flow_switch"] = 0.0
    bench.enable_and_start()
    bench.run_until(Diagnosis.NOT_ARRIVING, 120.0)
    bench.run_obeying(2.0)
    assert bench.alarms() == ["rubber_not_arriving"]
    bench.values["flow_switch"] = 1.0
    bench.run_obeying(20.0)
    cleared = [
        happened.get("alarm")
        for result in bench.results
        for happened in result.events
        if happened.name == "alarm_cleared"
    ]
    assert cleared == ["rubber_not_arriving"]
