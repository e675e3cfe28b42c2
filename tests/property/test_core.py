"""Laws of the core for any inputs: limits, slew, Bad never widens, monitor only never writes, mass conserved."""

import math
from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from crumbmeter.control.chain import KEPT_BACK_SHARE, Proposal, narrow, slew, trim_kg_s
from crumbmeter.control.params import BelowTurndown
from crumbmeter.control.record import add_to
from crumbmeter.model.commands import CommandKind
from crumbmeter.model.image import ReadOutcome
from crumbmeter.model.parcel import Parcel
from crumbmeter.model.view import Totals
from tests.cores import INDEX, SETTINGS_ID, SIGNALS, Bench, command, image_of, make_params

PARAMS = make_params()
FEED = PARAMS.feed
any_float = st.floats(allow_nan=True, allow_infinity=True)
proposals = st.builds(
    Proposal,
    wanted_kg_s=st.one_of(any_float, st.floats(0.0, 2.0)),
    owed_kg=st.one_of(any_float, st.floats(-5.0, 5.0)),
    last_kg_s=st.floats(0.0, 0.8),
    in_doubt=st.sampled_from(["", "aggregate"]),
    factor_kg_rev=st.floats(0.45, 1.35),
    feeding=st.booleans(),
    state_reason=st.just("ready"),
)


@given(proposals, st.floats(0.0, 2.0), st.sampled_from(BelowTurndown))
def test_the_setpoint_is_always_inside_its_limits(ask: Proposal, dt_s: float, rule_below: BelowTurndown) -> None:
    feed = replace(FEED, below_turndown=rule_below)
    setpoint = narrow(ask, feed, dt_s)
    assert math.isfinite(setpoint.rate_kg_s)
    assert 0.0 <= setpoint.rate_kg_s <= feed.max_rate_kg_s
    assert 0.0 <= setpoint.speed_rev_s <= feed.max_speed_rev_s * (1.0 + 1e-12)
    if not ask.feeding:
        assert setpoint.rate_kg_s == 0.0
    if setpoint.rate_kg_s != ask.wanted_kg_s and ask.owed_kg == 0.0 and math.isfinite(ask.wanted_kg_s):
        assert setpoint.narrowed or setpoint.rate_kg_s == max(0.0, ask.wanted_kg_s)


@given(proposals, st.floats(0.0, 2.0))
def test_doubt_never_widens(ask: Proposal, dt_s: float) -> None:
    doubtful = narrow(replace(ask, in_doubt="aggregate"), FEED, dt_s)
    assert doubtful.rate_kg_s <= ask.last_kg_s


@given(proposals, st.floats(0.0, 2.0))
def test_the_slew_holds(ask: Proposal, dt_s: float) -> None:
    setpoint = narrow(replace(ask, feeding=True, in_doubt=""), FEED, dt_s)
    # Upwards always; downwards the limits and the turndown rule may take it faster to zero.
    assert setpoint.rate_kg_s <= ask.last_kg_s + FEED.slew_kg_s2 * dt_s + 1e-12


@given(st.floats(0.0, 1.0), st.floats(0.0, 1.0), st.floats(0.0, 1.0), st.floats(0.0, 5.0))
def test_slew_moves_towards_and_never_past(last: float, wanted: float, limit: float, dt_s: float) -> None:
    after = slew(last, wanted, limit, dt_s)
    assert min(last, wanted) <= after <= max(last, wanted)
    assert abs(after - last) <= limit * dt_s + 1e-12
    assert slew(last, wanted, limit, 0.0) == last


@given(st.floats(0.0, 2.0), st.floats(-1e6, 1e6), st.floats(0.0, 1.0))
def test_trim_is_a_bounded_share(wanted: float, owed: float, kept_back: float) -> None:
    paid = trim_kg_s(wanted, owed, FEED)
    assert abs(paid) <= FEED.trim_share * wanted
    assert paid * owed >= 0.0
    with_kept_back = trim_kg_s(wanted, owed, FEED, kept_back * max(0.0, owed))
    assert paid <= with_kept_back <= max(paid, (FEED.trim_share + KEPT_BACK_SHARE) * wanted)
    assert with_kept_back <= max(0.0, owed) / FEED.trim_time_s


values = st.fixed_dictionaries(
    {name: st.one_of(st.floats(low - 1.0, high * 1.2 + 1.0), any_float) for name, (low, high) in SIGNALS.items()}
)


@settings(max_examples=60)
@given(st.lists(st.tuples(values, st.booleans(), st.sampled_from(CommandKind)), min_size=1, max_size=25))
def test_monitor_only_never_writes(script: list[tuple[dict[str, float], bool, CommandKind]]) -> None:
    bench = Bench()
    for inputs, link_ok, kind in script:
        bench.values = inputs
        image = image_of(bench.now_s + 0.2, inputs, outcome=ReadOutcome.OK if link_ok else ReadOutcome.TIMEOUT)
        # Every command but the one that enables control, and that one with a wrong settings id.
        result = bench.scan(command(kind, subject="not these settings"), image=image)
        assert result.outputs.write_enabled is False
        assert result.state.control_enabled is False


class AnyShift(RuleBasedStateMachine):
    """Whatever the plant and people do, the invariants of every scan hold."""

    def __init__(self) -> None:
        super().__init__()
        self.bench = Bench()
        self.last = self.bench.scan()
        self.parcels = Totals()
        self.dumped_kg = 0.0
        """[kg] Without its rubber, out of the part behind the injection point."""
        self.entered_kg = self._entered()

    def _scan(self, seconds: float) -> None:
        for _ in range(max(1, round(seconds / 0.2))):
            before = self.last
            self.last = self.bench.scan()
            self.bench.obey()
            self.entered_kg += self._entered()
            self._add(self.last.parcels)
            limit = FEED.slew_kg_s2 * 0.2 + 1e-9
            assert self.last.view.setpoint_kg_s - before.view.setpoint_kg_s <= limit

    def _add(self, parcels: tuple[Parcel, ...]) -> None:
        for parcel in parcels:
            self.parcels = add_to(self.parcels, parcel)

    def _entered(self) -> float:
        return sum(stream.at_injection_kg_s * 0.2 for stream in self.last.view.streams)

    @rule()
    def enable(self) -> None:
        self.bench.scan(command(CommandKind.ENABLE_CONTROL, SETTINGS_ID))
        self.last = self.bench.scan(command(CommandKind.START_FEED))
        self.entered_kg += sum(s.at_injection_kg_s * 0.2 for r in self.bench.results[-2:] for s in r.view.streams)
        for result in self.bench.results[-2:]:
            self._add(result.parcels)
        self.bench.obey()

    @rule(seconds=st.floats(0.2, 12.0))
    def go_on(self, seconds: float) -> None:
        self._scan(seconds)

    @rule(name=st.sampled_from(list(SIGNALS)), share=st.floats(-0.1, 1.2))
    def change(self, name: str, share: float) -> None:
        low, high = SIGNALS[name]
        self.bench.values[name] = low + share * (high - low)
        self._scan(1.0)

    @rule(name=st.sampled_from(list(SIGNALS)))
    def lose(self, name: str) -> None:
        self.bench.values[name] = math.nan
        self._scan(2.0)

    @rule(kind=st.sampled_from([CommandKind.STOP_FEED, CommandKind.HOLD_FEED, CommandKind.MONITOR_ONLY]))
    def ask(self, kind: CommandKind) -> None:
        self.last = self.bench.scan(command(kind))
        self._add(self.last.parcels)
        self.entered_kg += self._entered()
        self.bench.obey()

    @rule(share=st.floats(0.01, 1.0))
    def dump(self, share: float) -> None:
        self.bench.values["drum_turning"] = 0.0
        self._scan(1.0)
        before = self.last.state
        self.last = self.bench.scan(command(CommandKind.DRUM_DUMPED, value=share))
        totals, was = self.last.state.totals, before.totals
        heap_kg = (totals.wasted_mix_g - was.wasted_mix_g - totals.wasted_rubber_g + was.wasted_rubber_g) / 1000.0
        if heap_kg > 0.0:
            self.dumped_kg += heap_kg - share * sum(sum(path.drum) for path in before.plant.paths)
        self._add(self.last.parcels)
        self.entered_kg += self._entered()
        self.bench.obey()

    @rule()
    def recover(self) -> None:
        for name, value in Bench().values.items():
            if name not in ("hopper_mass", "auger_speed", "blower_running", "airlock_running"):
                self.bench.values[name] = value
        self.bench.values["hopper_mass"] = 200.0
        self._scan(10.0)

    @invariant()
    def output_obeys_state(self) -> None:
        view, outputs = self.last.view, self.last.outputs
        values_by_role = {role.value: value for role, value in outputs.values}
        assert all(math.isfinite(value) for value in values_by_role.values())
        if view.run_state != "feeding":
            assert values_by_role["auger_speed"] == 0.0
            assert values_by_role["feed_run"] == 0.0
        if values_by_role["feed_run"] == 1.0:
            assert values_by_role["blower_run"] == values_by_role["airlock_run"] == 1.0
            assert values_by_role["start_warning"] == 0.0

    @invariant()
    def no_feed_without_its_permissives(self) -> None:
        readings = self.last.view.readings
        if self.last.view.run_state == "feeding":
            for name in ("drum_turning", "emergency_stop_ok", "blower_running", "diverter_to_drum"):
                value = readings[INDEX[name]].value
                assert value is None or value > 0.5

    @invariant()
    def mass_is_conserved(self) -> None:
        state = self.last.state
        inside = sum(sum(state.outlet.stages[part]) + state.outlet.forming[part] for part in (0, 1, 3))
        booked = (self.parcels.mix_g - self.parcels.rubber_g) / 1000.0
        assert math.isclose(inside + booked + self.dumped_kg, self.entered_kg, rel_tol=1e-6, abs_tol=0.05)
        assert replace(state.totals, wasted_mix_g=0, wasted_rubber_g=0) == self.parcels


AnyShift.TestCase.settings = settings(max_examples=15, stateful_step_count=20, deadline=None)
TestAnyShift = AnyShift.TestCase
