"""Laws of a batch plant's rubber for any inputs: nothing outside the window, on doubt, or in monitor only."""

import math
from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from crumbmeter.control.batch_cycle import TRANSITIONS, Cue
from crumbmeter.control.batch_state import Phase
from crumbmeter.control.record import add_to
from crumbmeter.model.commands import CommandKind
from crumbmeter.model.image import ReadOutcome
from crumbmeter.model.quality import Quality
from crumbmeter.model.reading import Reading
from crumbmeter.model.view import Totals
from crumbmeter.process.batch import counter_way
from tests.batch_cores import CONTACTS, INDEX, RESTING, SIGNALS, WHOLE, BatchBench, batch_image
from tests.cores import SETTINGS_ID, command

any_float = st.floats(allow_nan=True, allow_infinity=True)
values = st.fixed_dictionaries(
    {
        name: st.one_of(st.sampled_from([0.0, 1.0]), any_float)
        if name in CONTACTS
        else st.one_of(st.floats(low, high), any_float)
        for name, (low, high) in SIGNALS.items()
    }
)


@settings(max_examples=60)
@given(st.lists(st.tuples(values, st.booleans(), st.sampled_from(CommandKind)), min_size=1, max_size=25))
def test_monitor_only_never_writes(script: list[tuple[dict[str, float], bool, CommandKind]]) -> None:
    bench = BatchBench()
    for inputs, link_ok, kind in script:
        outcome = ReadOutcome.OK if link_ok else ReadOutcome.TIMEOUT
        # Every command but the one that enables control, and that one with a wrong settings id.
        image = batch_image(bench.now_s + bench.dt_s, inputs, outcome=outcome)
        result = bench.scan(command(kind, subject="not these settings"), image=image)
        assert result.outputs.write_enabled is False
        assert bench.out("release") == bench.out("charge_ready") == bench.out("charge_delivered") == 0.0


@settings(max_examples=60)
@given(st.sampled_from(Phase), st.lists(st.tuples(values, st.booleans()), min_size=1, max_size=6))
def test_nothing_is_released_outside_the_window_for_any_image(
    phase: Phase, script: list[tuple[dict[str, float], bool]]
) -> None:
    bench = served_to(phase)
    for inputs, link_ok in script:
        outcome = ReadOutcome.OK if link_ok else ReadOutcome.TIMEOUT
        image = batch_image(bench.now_s + bench.dt_s, inputs, outcome=outcome)
        result = bench.scan(image=image)
        window = result.view.readings[INDEX["rubber_wanted"]]
        if bench.out("release") or bench.out("charge_delivered"):
            assert window.quality is Quality.GOOD
            assert window.value == 1.0
            assert result.view.run_state == "feeding"
            assert not any(reading.value is None for reading in required(bench, result.view.readings))


def required(bench: BatchBench, readings: tuple[Reading, ...]) -> list[Reading]:
    return [readings[index] for index in bench.core.required]


def served_to(phase: Phase) -> BatchBench:
    """Bring a bench to a phase, where it can be brought there."""
    bench = BatchBench().ready()
    if phase in (Phase.BLOW, Phase.TRAVEL, Phase.DELIVERED):
        bench.weigh()
        bench.drop()
        bench.values["rubber_wanted"] = 1.0
        bench.until(phase.value)
    return bench


@settings(max_examples=40)
@given(st.sampled_from(sorted(set(SIGNALS) - {"refilling"})), st.sampled_from([Phase.BLOW, Phase.DELIVERED]))
def test_a_bad_input_never_widens(lost: str, phase: Phase) -> None:
    bench = served_to(phase)
    before = {role: bench.out(role) for role in ("release", "charge_ready", "charge_delivered", "feed_run")}
    bench.values[lost] = math.nan
    bench.scan()
    for role, value in before.items():
        assert bench.out(role) <= value


@given(st.integers(0, 65535), st.integers(0, 32767))
def test_the_counter_finds_its_way_over_the_roll(before: int, way: int) -> None:
    assert counter_way(before, (before + way) % 65536, 65536) == way
    assert counter_way((before + way) % 65536, before, 65536) == (-way if way else 0)


def test_every_phase_can_be_left_and_reached() -> None:
    reached = set(TRANSITIONS.values())
    for phase in Phase:
        assert phase in reached
        assert any(start is phase for start, _ in TRANSITIONS), phase
        if phase is not Phase.REST:
            assert TRANSITIONS[phase, Cue.NOT_FEEDING] is Phase.REST
    assert {cue for _, cue in TRANSITIONS} == set(Cue)


class AnyBatches(RuleBasedStateMachine):
    """Whatever the plant and people do, the invariants of every scan hold."""

    def __init__(self) -> None:
        super().__init__()
        self.bench = BatchBench().ready()
        self.seen = 0
        self.totals = Totals()

    @rule(seconds=st.floats(0.2, 20.0))
    def go_on(self, seconds: float) -> None:
        self.bench.run(seconds)

    @rule(share=st.floats(0.3, 1.3))
    def weigh(self, share: float) -> None:
        self.bench.weigh(**{name: share * kg for name, kg in WHOLE.items()})

    @rule(steps=st.integers(1, 3))
    def drop(self, steps: int) -> None:
        self.bench.drop(steps)

    @rule(seconds=st.floats(0.2, 70.0))
    def window(self, seconds: float) -> None:
        self.bench.run(seconds, rubber_wanted=1.0)
        self.bench.run(0.2, rubber_wanted=0.0)

    @rule(aborted=st.booleans())
    def discharge(self, aborted: bool) -> None:
        self.bench.discharge(aborted=aborted)

    @rule(name=st.sampled_from(list(SIGNALS)))
    def lose(self, name: str) -> None:
        held = self.bench.values[name]
        self.bench.values[name] = math.nan
        for _ in range(5):
            self.bench.scan()
        self.bench.values[name] = held

    @rule(name=st.sampled_from(["remote", "emergency_stop_ok", "mixer_running"]), seconds=st.floats(0.2, 5.0))
    def contact_opens(self, name: str, seconds: float) -> None:
        self.bench.run(seconds, **{name: 0.0})
        self.bench.run(1.0, **{name: RESTING[name]})

    @rule(kind=st.sampled_from([CommandKind.STOP_FEED, CommandKind.HOLD_FEED, CommandKind.START_FEED]))
    def ask(self, kind: CommandKind) -> None:
        self.bench.scan(command(kind))
        self.bench.obey()

    @rule()
    def give_back(self) -> None:
        self.bench.scan(command(CommandKind.MONITOR_ONLY))
        self.bench.run(1.0)
        self.bench.scan(command(CommandKind.ENABLE_CONTROL, SETTINGS_ID))
        self.bench.scan(command(CommandKind.START_FEED))

    @invariant()
    def nothing_left_the_vessel_outside_a_window(self) -> None:
        # The bench shuts its valve at once, one scan after its window closed.
        assert self.bench.released_outside_kg <= 0.5 * self._closings() + 1e-9

    def _closings(self) -> int:
        windows = [None if one.state.batch is None else one.state.batch.wanted for one in self.bench.results]
        return sum(was is True and now is not True for was, now in pairwise(windows))

    @invariant()
    def every_scan_keeps_its_word(self) -> None:
        for result in self.bench.results[self.seen :]:
            out = {role.value: value for role, value in result.outputs.values}
            assert all(math.isfinite(value) for value in out.values())
            batch = result.state.batch
            assert batch is not None
            assert batch.vessel.account_kg >= 0.0
            if out["release"]:
                assert batch.wanted is True
                assert out["auger_speed"] == out["charge_ready"] == 0.0
                assert out["blower_run"] == 1.0
            if out["charge_ready"]:
                assert batch.phase is Phase.CHARGED
            if out["refill"]:
                assert out["auger_speed"] == 0.0
            for parcel in result.parcels:
                self.totals = add_to(self.totals, parcel)
        self.seen = len(self.bench.results)
        assert self.bench.state.totals == self.totals


AnyBatches.TestCase.settings = settings(max_examples=12, stateful_step_count=15, deadline=None)
TestAnyBatches = AnyBatches.TestCase
