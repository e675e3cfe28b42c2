"""The rubber of a batch plant, scan by scan over plain values: hand-shake, charge, window, aborts, counter."""

import math

import pytest

from crumbmeter.model.commands import CommandKind
from crumbmeter.model.quality import Quality
from tests.batch_cores import FACTOR_KG_REV, TARGET_KG, BatchBench, batch_image, make_batch_params
from tests.cores import command


@pytest.fixture
def bench() -> BatchBench:
    return BatchBench().ready()


def vessel_kg(bench: BatchBench) -> float:
    return bench.values["vessel_mass"]


def test_the_next_charge_is_dosed_ahead_and_said_to_be_ready(bench: BatchBench) -> None:
    assert bench.out("charge_ready") == 1.0
    assert vessel_kg(bench) == pytest.approx(TARGET_KG, rel=0.02)
    assert bench.out("release") == bench.out("charge_delivered") == 0.0
    assert bench.out("auger_speed") == 0.0


def test_a_batch_goes_its_way(bench: BatchBench) -> None:
    bench.weigh()
    bench.drop()
    bench.values["rubber_wanted"] = 1.0
    bench.until("blowing in", 1.0)
    assert bench.out("release") == 1.0
    assert bench.out("charge_ready") == 0.0
    bench.until("under way", 10.0)
    assert bench.out("release") == bench.out("charge_delivered") == 0.0
    bench.until("delivered", 10.0)
    assert bench.out("charge_delivered") == 1.0
    bench.run(0.4, rubber_wanted=0.0)
    assert bench.out("charge_delivered") == 0.0
    bench.run(20.0)
    result = bench.discharge()
    assert result.view.batch is not None
    ((rubber, target),) = bench.parcels()
    assert target == pytest.approx(TARGET_KG, abs=0.002)
    assert rubber == pytest.approx(TARGET_KG, rel=0.02)
    assert result.state.totals.parcels == 1
    assert bench.released_outside_kg == 0.0


def test_delivered_comes_no_sooner_than_the_last_dust(bench: BatchBench) -> None:
    bench.weigh()
    bench.drop()
    bench.values["rubber_wanted"] = 1.0
    bench.until("under way", 12.0)
    began_s = bench.now_s
    bench.until("delivered", 12.0)
    batch = bench.params.batch
    assert batch is not None
    assert bench.now_s - began_s == pytest.approx(bench.params.line.travel_s + batch.tail_s, abs=0.41)


def test_late_rubber_is_told_and_then_delivered(bench: BatchBench) -> None:
    bench.weigh()
    bench.drop()
    bench.serve()
    bench.discharge()
    bench.drop()  # at once: nothing is dosed yet
    bench.run(14.0, rubber_wanted=1.0)
    assert bench.out("charge_ready") == bench.out("release") == 0.0
    assert "rubber_late" in bench.events()
    bench.until("delivered")
    bench.run(0.4, rubber_wanted=0.0)
    bench.discharge()
    for rubber, target in bench.parcels():
        assert rubber == pytest.approx(target, rel=0.03)


def test_what_would_come_too_late_is_not_begun() -> None:
    """The window lasts 60 s; a charge needs about 9.5 s. Rubber is dosed again 52 s after it opened."""
    bench = BatchBench().ready()
    bench.weigh()
    bench.drop()
    bench.run(52.0, rubber_wanted=1.0, remote=0.0)
    bench.run(6.0, remote=1.0)
    assert bench.released_outside_kg == 0.0
    assert not any(result.outputs.value(role) for result in bench.results for role, _ in result.outputs.values
                   if role.value == "release")  # fmt: skip
    held = vessel_kg(bench)
    bench.run(1.0, rubber_wanted=0.0)
    bench.discharge()
    ((rubber, target),) = bench.parcels()
    assert rubber == 0.0
    assert target > 0.0
    assert held == pytest.approx(TARGET_KG, rel=0.02)


def test_the_charge_of_an_aborted_batch_is_kept_for_the_next(bench: BatchBench) -> None:
    bench.weigh()
    bench.drop()
    held = vessel_kg(bench)
    bench.discharge(aborted=True)
    assert bench.parcels() == []
    assert "batch_aborted" in bench.events()
    bench.weigh()
    bench.drop()
    assert vessel_kg(bench) == pytest.approx(held, abs=1e-6)
    bench.serve()
    bench.discharge()
    ((rubber, target),) = bench.parcels()
    assert rubber == pytest.approx(target, rel=0.02)


def test_a_batch_aborted_while_its_rubber_is_blown_in_leaves_the_rest(bench: BatchBench) -> None:
    bench.weigh()
    bench.drop()
    bench.run(3.0, rubber_wanted=1.0)
    bench.run(0.2, rubber_wanted=0.0)
    assert bench.out("release") == 0.0
    rest = vessel_kg(bench)
    assert 1.0 < rest < TARGET_KG - 1.0
    bench.run(8.0)
    bench.discharge(aborted=True)
    assert bench.state.batch is not None
    assert bench.state.batch.wasted_kg == pytest.approx(TARGET_KG - rest, rel=0.05)
    bench.until("charge ready")
    assert vessel_kg(bench) == pytest.approx(TARGET_KG, rel=0.03)


def test_a_short_batch_takes_its_share_and_leaves_the_rest(bench: BatchBench) -> None:
    bench.weigh(aggregate=1200.0, rap=309.0, binder=60.0)  # 60 %
    bench.drop()
    bench.serve()
    bench.discharge()
    ((rubber, target),) = bench.parcels()
    assert target == pytest.approx(0.6 * TARGET_KG, abs=0.01)
    assert rubber == pytest.approx(target, rel=0.05)
    bench.until("charge ready")
    assert vessel_kg(bench) == pytest.approx(TARGET_KG, rel=0.03)


def test_a_larger_batch_is_topped_up(bench: BatchBench) -> None:
    bench.weigh(aggregate=2400.0, rap=618.0, binder=120.0)
    bench.until("charge ready")
    assert vessel_kg(bench) == pytest.approx(1.2 * TARGET_KG, rel=0.03)


def test_a_second_request_for_one_batch_gets_no_second_charge(bench: BatchBench) -> None:
    bench.weigh()
    bench.drop()
    bench.serve()
    bench.until("charge ready")
    bench.run(4.0, rubber_wanted=1.0)
    assert bench.out("release") == 0.0
    assert bench.out("charge_delivered") == 1.0
    assert "batch_asked_again" in bench.events()
    bench.run(1.0, rubber_wanted=0.0)
    assert bench.out("charge_delivered") == 0.0
    bench.discharge()
    ((rubber, target),) = bench.parcels()
    assert rubber == pytest.approx(target, rel=0.02)


def test_a_batch_dropped_onto_another_gets_its_own_charge(bench: BatchBench) -> None:
    for _ in range(2):
        bench.weigh()
        bench.drop()
        bench.serve()
        bench.until("charge ready")
    assert "batch_doubled" in bench.events()
    bench.discharge()
    assert len(bench.parcels()) == 2
    for rubber, target in bench.parcels():
        assert rubber == pytest.approx(target, rel=0.03)


def test_a_counter_that_rolls_over_is_one_batch(bench: BatchBench) -> None:
    bench.run(0.4, counter=65534.0)
    bench.discharge()
    bench.values["counter"] = 65535.0
    bench.run(0.4)
    bench.discharge()
    before = len(bench.parcels())
    bench.weigh()
    bench.drop()
    assert bench.values["counter"] == 0.0
    bench.serve()
    bench.discharge()
    assert len(bench.parcels()) == before + 1
    assert bench.state.batch is not None
    assert bench.state.batch.counter == 0


def test_batches_that_passed_unseen_are_told(bench: BatchBench) -> None:
    bench.weigh()
    bench.drop(steps=3)
    (happened,) = [h for result in bench.results for h in result.events if h.name == "batches_not_seen"]
    assert happened.get("missed_count") == 2


def test_a_counter_set_back_is_told_and_still_a_batch(bench: BatchBench) -> None:
    bench.weigh()
    bench.run(0.4, counter=1.0, weighed=0.0)
    assert "batch_counter_set_back" in bench.events()
    assert bench.state.batch is not None
    assert bench.state.batch.current is not None


def test_weights_are_taken_at_rest_and_not_while_they_fall(bench: BatchBench) -> None:
    """The contact may be read earlier than the weights: these fall already while it still says "weighed"."""
    bench.weigh()
    for share in (0.7, 0.4, 0.1):
        bench.run(0.2, aggregate=2000.0 * share, rap=515.0 * share, binder=100.0 * share)
    bench.drop()
    assert bench.state.batch is not None
    assert bench.state.batch.current is not None
    assert bench.state.batch.current.target_kg == pytest.approx(TARGET_KG, abs=1e-6)
    assert bench.state.batch.current.quality is Quality.GOOD


def test_a_batch_that_is_dropped_as_soon_as_it_is_weighed_is_taken_as_it_lay(bench: BatchBench) -> None:
    """The contact "weighed" was closed for less than a scan: the pugmill had been waiting."""
    bench.run(1.6, aggregate=1900.0, rap=515.0, binder=100.0)
    bench.run(1.0, counter=8.0, aggregate=0.0, rap=0.0, binder=0.0)
    assert bench.state.batch is not None
    assert bench.state.batch.current is not None
    assert bench.state.batch.current.parts.dry_aggregate == 1900.0
    assert bench.state.batch.current.quality is Quality.GOOD


def test_announced_masses_stand_in_for_weights_that_are_bad(bench: BatchBench) -> None:
    bench.run(1.0, aggregate=math.nan, rap=515.0, binder=100.0)
    bench.run(1.0, weighed=1.0)
    bench.run(1.0, weighed=0.0, counter=8.0)
    assert bench.state.batch is not None
    assert bench.state.batch.current is not None
    assert bench.state.batch.current.target_kg == pytest.approx(TARGET_KG, abs=1e-6)
    assert bench.state.batch.current.quality is Quality.UNCERTAIN


@pytest.mark.parametrize("lost", ["rubber_wanted", "vessel_mass", "counter", "discharging", "hopper_mass", "weighed"])
def test_a_bad_reading_shuts_the_valve_in_the_same_scan(bench: BatchBench, lost: str) -> None:
    bench.weigh()
    bench.drop()
    bench.run(2.0, rubber_wanted=1.0)
    assert bench.out("release") == 1.0
    bench.values[lost] = math.nan
    bench.scan()
    assert bench.out("release") == bench.out("charge_ready") == bench.out("charge_delivered") == 0.0
    assert bench.out("auger_speed") == 0.0


@pytest.mark.parametrize(
    "values", [{"emergency_stop_ok": 0.0}, {"blower_running": 0.0}, {"remote": 0.0}, {"mixer_running": 0.0}]
)
def test_what_ends_feeding_shuts_the_valve_in_the_same_scan(bench: BatchBench, values: dict[str, float]) -> None:
    bench.weigh()
    bench.drop()
    bench.run(2.0, rubber_wanted=1.0)
    bench.values.update(values)
    bench.scan()
    assert bench.out("release") == bench.out("charge_ready") == bench.out("charge_delivered") == 0.0
    assert bench.phase == "at rest"


@pytest.mark.parametrize("kind", [CommandKind.STOP_FEED, CommandKind.HOLD_FEED, CommandKind.MONITOR_ONLY])
def test_people_stop_it_in_the_same_scan(bench: BatchBench, kind: CommandKind) -> None:
    bench.weigh()
    bench.drop()
    bench.run(2.0, rubber_wanted=1.0)
    bench.scan(command(kind))
    assert bench.out("release") == 0.0


def test_rubber_left_in_the_line_waits_for_a_window(bench: BatchBench) -> None:
    """An emergency stop takes the air away at once (run_down_s would be counted): the blower may not start again."""
    bench.weigh()
    bench.drop()
    bench.run(3.0, rubber_wanted=1.0)
    bench.run(6.0, rubber_wanted=0.0, emergency_stop_ok=0.0)
    assert bench.state.line.content > 0.05
    bench.discharge(aborted=True)
    bench.run(1.0, emergency_stop_ok=1.0)
    bench.scan(command(CommandKind.START_FEED))
    bench.weigh()
    bench.drop()
    bench.run(10.0)
    assert bench.out("blower_run") == bench.out("start_warning") == 0.0
    bench.run(8.0, rubber_wanted=1.0)
    assert bench.out("blower_run") == 1.0
    bench.until("delivered", 60.0)
    bench.run(0.4, rubber_wanted=0.0)
    bench.discharge()
    ((rubber, target),) = bench.parcels()
    assert rubber == pytest.approx(target, rel=0.03)
    (parcel,) = [parcel for result in bench.results for parcel in result.parcels]
    # What was left in the line is reckoned and not known, and the record says so.
    assert parcel.quality is Quality.UNCERTAIN
    assert parcel.rubber_uncertainty_g > 50


def test_the_weigh_hopper_fills_before_a_charge_that_it_does_not_hold() -> None:
    bench = BatchBench()
    bench.values["hopper_mass"] = 48.0  # 8 kg above its low level
    bench.scan(command(CommandKind.ENABLE_CONTROL, bench.params.settings_id))
    bench.scan(command(CommandKind.START_FEED))
    bench.until("weigh hopper fills", 60.0)
    assert bench.out("refill") == 1.0
    bench.until("dosing")
    assert bench.out("refill") == 0.0
    for result in bench.results:
        values = {role.value: value for role, value in result.outputs.values}
        assert not (values["refill"] and values["auger_speed"])


def test_a_mix_without_rubber_asks_for_nothing(bench: BatchBench) -> None:
    bench.scan(command(CommandKind.SELECT_MIX, "plain"))
    bench.weigh()
    bench.drop()
    bench.run(20.0, rubber_wanted=1.0)
    assert bench.out("release") == bench.out("charge_delivered") == 0.0
    bench.run(1.0, rubber_wanted=0.0)
    bench.discharge()
    ((rubber, target),) = bench.parcels()
    assert (rubber, target) == (0.0, 0.0)


def test_a_charge_that_hopper_and_vessel_disagree_on_is_withheld() -> None:
    """A refill gate that leaks hides what the auger takes: the vessel gets more than the hopper seems to lose."""
    bench = BatchBench()
    bench.scan(command(CommandKind.ENABLE_CONTROL, bench.params.settings_id))
    bench.scan(command(CommandKind.START_FEED))
    for _ in range(600):
        bench.scan()
        bench.obey()
        bench.values["hopper_mass"] += 0.15 * FACTOR_KG_REV * bench.values["auger_speed"] * bench.dt_s
        if bench.phase == "charge in doubt":
            break
    assert bench.phase == "charge in doubt"
    bench.run(5.0)
    assert bench.out("charge_ready") == 0.0
    assert any(h.get("alarm") == "charge_doubtful" for result in bench.results for h in result.events)
    bench.scan(command(CommandKind.STOP_FEED))
    bench.run(10.0)
    bench.scan(command(CommandKind.START_FEED))
    bench.until("charge ready")
    assert vessel_kg(bench) == pytest.approx(TARGET_KG, rel=0.2)


def test_an_image_that_is_late_opens_no_valve(bench: BatchBench) -> None:
    bench.weigh()
    bench.drop()
    bench.run(2.0, rubber_wanted=1.0)
    for _ in range(8):
        old = batch_image(bench.now_s + bench.dt_s, bench.values, received_s=bench.now_s - 1.5)
        bench.scan(image=old)
    assert bench.out("release") == 0.0


def test_the_settings_name_the_pugmill() -> None:
    bench = BatchBench(make_batch_params())
    result = bench.scan()
    names = [permissive.name for permissive in result.view.permissives]
    assert "pugmill turning" in names
    assert result.view.batch is not None
    assert result.view.batch.phase == "at rest"
