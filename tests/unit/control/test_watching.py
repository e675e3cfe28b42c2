"""What control does with counters, first values, doubted weights and other masters, scan by scan."""

from dataclasses import dataclass, field, replace
from itertools import pairwise

import pytest

from crumbmeter.control import counters
from crumbmeter.control.params import Params
from crumbmeter.control.state import State, first_state
from crumbmeter.field.words import encode_si
from crumbmeter.ledger.snapshot import decode, encode
from crumbmeter.model.commands import Command, CommandKind
from crumbmeter.model.image import NOT_WRITTEN, ReadOutcome, WriteStage, WriteStatus
from crumbmeter.model.outputs import OutputRole
from crumbmeter.model.quality import Quality, Reason
from crumbmeter.signals.params import BaselineParams
from crumbmeter.signals.totaliser import TotaliserParams, Verdict
from tests.cores import INDEX, SETTINGS_ID, Bench, command, image_of, make_params

COUNTER = TotaliserParams(
    "recipe", INDEX["recipe"], 0.5, 1000, wraps=False, resettable=True, max_rate_counts_s=10.0, rate=INDEX["aggregate"]
)


def counting() -> Bench:
    params, place = make_params(), INDEX["recipe"]
    wide = replace(params.signals[place], high_si=499.5)
    signals = (*params.signals[:place], wide, *params.signals[place + 1 :])
    bench = Bench(replace(params, signals=signals, totalisers=(COUNTER,)))
    bench.run(1.0, recipe=200.0, aggregate=2.5)
    return bench


def settle(subject: str = "recipe", value: float = 30.0, reason: str = "belt ticket 17") -> Command:
    return Command(CommandKind.SETTLE_TOTAL, "foreman", "id-9", 1e9, subject, value, reason)


def test_a_counter_is_booked_and_stands_beside_what_the_rate_comes_to() -> None:
    bench = counting()
    for place in range(50):
        result = bench.run(0.2, recipe=200.0 + (place + 1) * 0.5)
    (view,) = result.view.totalisers
    assert view.booked_si == 25.0
    assert view.compared_si == 25.0
    # 0.8 s at 2.5 passed before the counter moved: the difference is shown, not hidden.
    assert view.by_rate_si == pytest.approx(27.0)
    assert view.open_gaps == 0


def test_a_gap_is_alarmed_and_settled_by_a_person_with_a_reason_beside_what_was_booked() -> None:
    bench = counting()
    bench.run(1.0, recipe=201.0)
    booked = bench.results[-1].view.totalisers[0].booked_si
    result = bench.run(1.0, recipe=0.5)
    assert "totaliser_gap" in bench.events()
    assert [alarm.alarm_id for alarm in result.view.alarms if alarm.alarm_id == "total_undecided"]
    refused = bench.scan(settle(reason=" "))
    assert refused.events[-1].name == "command_refused"
    for wrong in (settle("no such"), settle("recipe#2"), settle("recipe#x"), settle(value=-1.0)):
        assert bench.scan(wrong).events[0].name == "command_refused"
    (told,) = [happened for happened in bench.scan(settle()).events if happened.name == "total_settled"]
    detail = dict(told.detail)
    assert (detail["who"], detail["reason"], detail["settled_si"]) == ("foreman", "belt ticket 17", 30.0)
    assert (detail["verdict"], detail["gap"]) == (Verdict.RESET.value, 1)
    (view,) = bench.scan().view.totalisers
    assert (view.booked_si, view.settled_si, view.open_gaps) == (booked, 30.0, 0)
    assert bench.scan(settle()).events[0].name == "command_refused"


def test_a_counter_goes_on_over_a_restart_from_the_kept_state() -> None:
    bench = counting()
    bench.run(1.0, recipe=203.0)
    kept = decode(State, encode(bench.state))
    assert kept == bench.state
    fresh = first_state(bench.params)
    left_s = bench.now_s
    for away_s, expected in ((60.0, 8.0), (None, 0.0), (0.0, 0.0)):
        again = Bench(bench.params)
        carried = counters.restored(fresh.totalisers, kept.totalisers, left_s, away_s, again.now_s)
        again.state = replace(again.state, totalisers=carried)
        result = again.run(2.0, recipe=211.0)
        (view,) = result.view.totalisers
        assert view.booked_si - 3.0 == expected
        assert view.open_gaps == (0 if expected else 1)
    other = counters.restored(
        tuple(replace(state, modulus=77) for state in fresh.totalisers), kept.totalisers, left_s, 60.0, 100.0
    )
    assert other[0].booked_counts == 0


def test_nothing_is_written_before_inputs_have_been_good_for_some_scans_also_when_control_is_enabled() -> None:
    bench = Bench(replace(make_params(), good_scans=3))
    bench.values["aggregate"] = float("nan")
    bench.scan(command(CommandKind.ENABLE_CONTROL, SETTINGS_ID))
    assert not any(bench.scan().outputs.write_enabled for _ in range(10))
    bench.values["aggregate"] = 10.0
    written = [bench.scan().outputs.write_enabled for _ in range(4)]
    assert written == [False, False, True, True]
    bench.values["aggregate"] = float("nan")
    assert bench.scan().outputs.write_enabled  # once begun, doubt is the sequence's business


def test_first_values_keep_it_from_writing_too() -> None:
    params = make_params()
    signals = tuple(replace(signal, initial_reads=2) for signal in params.signals)
    bench = Bench(replace(params, signals=signals, good_scans=2))
    bench.scan(command(CommandKind.ENABLE_CONTROL, SETTINGS_ID))
    assert [bench.scan().outputs.write_enabled for _ in range(4)] == [False, False, True, True]


def test_it_begins_from_the_setpoint_that_the_device_holds() -> None:
    bench = Bench(replace(make_params(), good_scans=2))
    held = WriteStatus(WriteStage.NONE, read_back_words=encode_si(bench.params.outputs[0].register, 0.4))
    writes = (held, *(NOT_WRITTEN,) * 6)
    before = None
    for _ in range(6):
        image = image_of(bench.now_s + 0.2, bench.values, writes=writes)
        rate = bench.scan(image=image).view.setpoint_kg_s
        if bench.state.good_scans == 2 and before is not None:
            assert abs(rate - before) <= bench.params.feed.slew_kg_s2 * 0.2 + 1e-9 or before == 0.0
        before = rate
    seen = [result.view.setpoint_kg_s for result in bench.results]
    assert seen[1] == pytest.approx(0.9 * 0.4, abs=bench.params.feed.slew_kg_s2 * 0.2 + 1e-9)


def lost_and_back(held_rev_s: float | None) -> tuple[Bench, list[float | None]]:
    """Feed, lose the feeder for 2 s and find it again holding a speed; return the speeds asked, None where none was."""
    bench = Bench()
    bench.enable_and_start()
    bench.run_obeying(120.0)
    (before,) = [spec for spec in bench.params.outputs if spec.role == OutputRole.AUGER_SPEED.value]
    asked: list[float | None] = []

    def scan(outcome: ReadOutcome, words: tuple[int, ...] | None) -> None:
        at_s = bench.now_s + 0.2
        status = WriteStatus(WriteStage.CONFIRMED, read_back_words=words, stamped_s=0.0 if words is None else at_s)
        image = image_of(
            at_s, bench.values, outcome=outcome, writes=(status, *(NOT_WRITTEN,) * 6),
            received_s=at_s if outcome is ReadOutcome.OK else bench.now_s - 100.0,
        )  # fmt: skip
        asked.append(bench.scan(image=image).outputs.value(OutputRole.AUGER_SPEED))
        if outcome is ReadOutcome.OK:
            bench.obey()

    for _ in range(10):
        scan(ReadOutcome.NO_CONNECTION, None)
    words = None if held_rev_s is None else encode_si(before.register, held_rev_s)
    for _ in range(40):
        scan(ReadOutcome.OK, words)
    return bench, asked


def test_a_feeder_that_was_restarted_is_brought_up_from_rest() -> None:
    bench, asked = lost_and_back(0.0)
    step = bench.params.feed.slew_kg_s2 * 0.2 / 0.9
    assert asked[:10] == [None] * 10
    first = asked[10]
    assert first is not None
    assert first <= max(step, bench.params.feed.min_speed_rev_s) + 1e-6
    told = [speed for speed in asked[10:] if speed is not None]
    assert len(told) == 40
    assert max(after - before for before, after in pairwise(told)) <= step * 1.05 + bench.params.feed.min_speed_rev_s
    assert told[-1] > 0.3


def test_a_feeder_that_was_restarted_unseen_is_brought_up_from_what_it_holds() -> None:
    bench = Bench()
    bench.enable_and_start()
    bench.run_obeying(120.0)
    held = encode_si(bench.params.outputs[0].register, 0.1)
    status = WriteStatus(WriteStage.ACKNOWLEDGED, (99,), held, foreign=True)
    writes = (status, *(NOT_WRITTEN,) * 6)
    before = bench.results[-1].outputs.value(OutputRole.AUGER_SPEED)
    asked = bench.scan(image=image_of(bench.now_s + 0.2, bench.values, writes=writes)).outputs.value(
        OutputRole.AUGER_SPEED
    )
    assert before is not None
    assert asked is not None
    assert before > 0.3
    assert asked == pytest.approx(0.1 + bench.params.feed.slew_kg_s2 * 0.2 / 0.9, rel=0.05)


def test_a_higher_setpoint_that_somebody_else_wrote_is_never_adopted() -> None:
    bench = Bench()
    bench.enable_and_start()
    bench.run_obeying(120.0)
    before = bench.results[-1].outputs.value(OutputRole.AUGER_SPEED)
    held = encode_si(bench.params.outputs[0].register, 0.9)
    status = WriteStatus(WriteStage.ACKNOWLEDGED, (99,), held, foreign=True)
    for _ in range(20):
        image = image_of(bench.now_s + 0.2, bench.values, writes=(status, *(NOT_WRITTEN,) * 6))
        asked = bench.scan(image=image).outputs.value(OutputRole.AUGER_SPEED)
        bench.obey()
        assert asked == pytest.approx(before, rel=0.1)


def test_a_feeder_that_kept_its_setpoint_goes_on_as_if_nothing_had_been() -> None:
    _, plain = lost_and_back(None)
    kept = plain[-1]
    assert kept is not None
    _, asked = lost_and_back(kept)
    assert asked[10] == pytest.approx(kept, rel=0.2)


def test_a_read_back_that_does_not_come_is_waited_for_and_no_longer() -> None:
    bench, asked = lost_and_back(None)
    waits = round(bench.params.outputs[0].confirm_within_s / 0.2)
    assert asked[10 : 10 + waits - 1] == [None] * (waits - 1)
    assert None not in asked[10 + waits :]


def test_a_stop_is_written_to_a_feeder_that_is_not_heard() -> None:
    bench = Bench()
    bench.enable_and_start()
    bench.run_obeying(120.0)
    for _ in range(50):
        image = image_of(
            bench.now_s + 0.2, bench.values, outcome=ReadOutcome.NO_CONNECTION, received_s=bench.now_s - 100.0
        )
        result = bench.scan(image=image)
    assert result.view.run_state != "feeding"
    assert result.outputs.value(OutputRole.AUGER_SPEED) == 0.0


def test_a_weight_in_doubt_is_uncertain_alarmed_and_accepted_by_a_person() -> None:
    params = make_params()
    hopper = INDEX["hopper_mass"]
    watched = replace(params.signals[hopper], baseline=BaselineParams(1.0, 2.0))
    bench = Bench(replace(params, signals=(*params.signals[:hopper], watched, *params.signals[hopper + 1 :])))
    bench.run(2.0)
    factor = bench.state.weighing.factor_kg_rev
    for _ in range(40):
        image = image_of(bench.now_s + 0.2, bench.values, received_s=108.0, outcome=ReadOutcome.TIMEOUT)
        bench.scan(image=image)
    result = bench.run(0.2, hopper_mass=0.3)
    assert "weight_baseline_doubted" in bench.events()
    assert "weight_rebaselined" in bench.events()
    assert "weight_baseline" in [alarm.alarm_id for alarm in result.view.alarms]
    assert (result.view.fed.quality, result.view.fed.reason) == (Quality.UNCERTAIN, Reason.BASELINE_DOUBT)
    assert bench.state.weighing.factor_kg_rev == factor
    assert bench.scan(command(CommandKind.ACCEPT_WEIGHT, "auger_speed")).events[0].name == "command_refused"
    assert "weight_accepted" in [e.name for e in bench.scan(command(CommandKind.ACCEPT_WEIGHT, "hopper_mass")).events]
    assert bench.scan().view.fed.quality is Quality.GOOD


def test_a_refill_that_does_not_end_makes_the_feed_rate_bad() -> None:
    bench = Bench()
    bench.run(2.0)
    assert bench.run(30.0, refilling=1.0).view.fed.quality is Quality.UNCERTAIN
    fed = bench.run(40.0).view.fed
    assert (fed.value, fed.reason) == (None, Reason.HOLD_TOO_LONG)


@dataclass
class Feeder:
    """The registers by which two masters can see each other."""

    owner: float = 0.0
    heartbeat: float = 0.0
    log: list[tuple[int, tuple[str, ...]]] = field(default_factory=list)


@dataclass
class Master:
    """One daemon at that feeder."""

    instance: int
    feeder: Feeder

    def __post_init__(self) -> None:
        params = make_params()
        register = replace(params.outputs[0].register, address=400)
        owner = replace(params.outputs[5], role="owner", register=register)
        outputs = (*params.outputs, owner)
        self.bench = Bench(replace(params, outputs=outputs, owner=7, heartbeat=5))
        self.bench.state = replace(self.bench.state, instance=self.instance)

    def scan(self, *commands: Command) -> None:
        specs = self.bench.params.outputs
        shown = {5: self.feeder.heartbeat, 7: self.feeder.owner}
        writes = tuple(
            WriteStatus(WriteStage.NONE, read_back_words=encode_si(spec.register, shown[place]))
            if place in shown
            else NOT_WRITTEN
            for place, spec in enumerate(specs)
        )
        image = image_of(self.bench.now_s + 0.2, self.bench.values, writes=writes)
        outputs = self.bench.scan(*commands, image=image).outputs
        if not outputs.write_enabled:
            return
        self.feeder.log.append((self.instance, tuple(role.value for role, _ in outputs.values)))
        for role, value in outputs.values:
            if role is OutputRole.OWNER:
                self.feeder.owner = value
            elif role is OutputRole.HEARTBEAT:
                self.feeder.heartbeat = value

    def wrote(self) -> list[tuple[str, ...]]:
        return [roles for who, roles in self.feeder.log if who == self.instance]

    def alarms(self) -> list[str]:
        return [alarm.alarm_id for alarm in self.bench.results[-1].view.alarms]


def enable() -> Command:
    return command(CommandKind.ENABLE_CONTROL, SETTINGS_ID)


def test_one_master_claims_first_and_then_writes() -> None:
    master = Master(4711, Feeder())
    master.scan(enable())
    for _ in range(5):
        master.scan()
    assert master.wrote()[0] == ("owner",)
    assert len(master.wrote()[-1]) > 5
    assert master.feeder.owner == 4711.0


def test_of_two_masters_the_second_writes_nothing_and_says_so() -> None:
    feeder = Feeder()
    first, second = Master(4711, feeder), Master(815, feeder)
    first.scan(enable())
    for _ in range(20):
        first.scan()
    second.scan(enable())
    for _ in range(300):
        first.scan()
        second.scan()
    assert second.wrote() == []
    assert "other_master" in second.alarms()
    assert "other_master" not in first.alarms()
    assert feeder.owner == 4711.0


def test_what_a_dead_master_left_is_taken_over_after_its_heartbeat_has_stood() -> None:
    feeder = Feeder(owner=4711.0, heartbeat=99.0)
    second = Master(815, feeder)
    second.scan(enable())
    for _ in range(45):
        second.scan()
    assert second.wrote() == []
    for _ in range(15):
        second.scan()
    assert feeder.owner == 815.0
    assert len(second.wrote()[-1]) > 5


def test_a_master_whose_number_is_overwritten_stops_writing_at_once() -> None:
    feeder = Feeder()
    first = Master(4711, feeder)
    first.scan(enable())
    for _ in range(20):
        first.scan()
    feeder.owner = 815.0
    count = len(feeder.log)
    for beat in range(100):
        feeder.heartbeat = float(beat)
        first.scan()
    assert len(feeder.log) == count
    assert "other_master" in first.alarms()
    assert first.bench.state.sequence.state.value == "local"


def test_giving_control_back_frees_the_feeder() -> None:
    master = Master(4711, Feeder())
    master.scan(enable())
    for _ in range(10):
        master.scan()
    master.scan(command(CommandKind.MONITOR_ONLY))
    for _ in range(20):
        master.scan()
    assert master.feeder.owner == 0.0


def test_params_of_a_site_without_an_owner_register_leave_everything_as_it_was() -> None:
    params: Params = make_params()
    assert params.owner is None
    bench = Bench(params)
    bench.scan(enable())
    assert bench.scan().outputs.write_enabled
