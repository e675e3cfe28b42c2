"""Weighing indicator, pulse counters and current loops, as a plant on one bus shows them in its registers."""

from random import Random

import pytest

from crumbmeter_sim.device.indicator import FAULT, MOTION, NET, OVER, SETUP, UNDER, Indicator, IndicatorTruth
from crumbmeter_sim.device.loops import Loop, LoopTruth
from crumbmeter_sim.device.pulses import PulseCounter, PulseTruth
from crumbmeter_sim.rig import Rig
from tests.unit.sim.making import PLANTS, feeding

BUS = PLANTS / "demo_bus.toml"


def indicator() -> Indicator:
    made = Indicator(IndicatorTruth(capacity_kg=300.0, decimal_point=2, motion_kg=1.0, beat_s=1.0), 0.1)
    weigh(made, 100.0)
    return made


def weigh(made: Indicator, *loads_kg: float) -> None:
    for load_kg in loads_kg:
        for _ in range(12):
            made.step(load_kg)


def test_net_is_gross_less_tare_and_every_change_is_counted() -> None:
    made = indicator()
    assert (made.value_kg, made.status) == (100.0, 0)
    made.tare()
    weigh(made, 130.0)
    assert (made.gross_kg, made.value_kg, made.counts) == (130.0, 30.0, 3000.0)
    assert made.status == NET
    made.tare(12.5)
    assert made.value_kg == 117.5
    made.clear_tare()
    assert (made.value_kg, made.status) == (130.0, 0)
    made.shift_zero(2.0)
    assert made.value_kg == 128.0
    assert (made.tare_changes, made.zero_changes, made.calibration_changes) == (3, 1, 0)


def test_status_tells_range_motion_mode_and_fault() -> None:
    made = indicator()
    for _ in range(3):
        made.step(made.load_kg + 0.6)
    assert made.status == MOTION
    weigh(made, made.load_kg)
    assert made.status == 0
    weigh(made, 301.0)
    assert made.status == OVER
    weigh(made, -7.0)
    assert made.status == UNDER
    weigh(made, 50.0)
    made.setup = True
    assert made.status == SETUP
    made.leave_setup()
    assert (made.status, made.calibration_changes) == (0, 1)
    made.cell_lost = True
    assert (made.status, made.value_kg, made.counts) == (FAULT, None, None)


def test_after_a_power_dip_it_may_come_back_tared_and_say_nothing_of_it() -> None:
    made = indicator()
    made.power(on=False)
    weigh(made, 120.0)
    assert made.value_kg == 100.0  # no power, no weighing
    made.power(on=True, tared=True)
    weigh(made, 100.0)
    assert (made.value_kg, made.net_mode, made.tare_changes) == (0.0, True, 0)


def counter(modulus: int = 65536, start: int = 0) -> tuple[list[float], PulseCounter]:
    total = [0.0]
    made = PulseCounter(PulseTruth("x", "x.total", 10.0, modulus, start), Random(1))
    made.total = lambda: total[0]
    return total, made


def test_pulses_are_whole_and_the_counter_turns_over() -> None:
    total, made = counter(65536, 65530)
    total[0] = 59.9
    assert made.shown == 65535
    total[0] = 60.0
    assert made.shown == 0
    total[0] = 115.0
    assert (made.shown, made.pulses) == (5, 11)


def test_lost_and_doubled_pulses_are_known_to_the_last() -> None:
    total, made = counter()
    total[0] = 1000.0
    made.spoil(0.2, 0.1)
    total[0] = 51000.0
    made.spoil()
    total[0] = 52000.0
    assert made.shown == made.pulses - made.lost + made.doubled
    assert made.pulses == 5200
    assert made.lost == pytest.approx(1000, rel=0.1)
    assert made.doubled == pytest.approx(500, rel=0.15)


def test_a_counter_is_put_and_glitches() -> None:
    total, made = counter()
    total[0] = 500.0
    made.put(-2)
    assert made.shown == 65534
    total[0] = 530.0
    assert made.shown == 1
    made.glitch = 0
    assert made.shown == 0
    made.glitch = None
    assert made.shown == 1


def test_a_loop_goes_on_beyond_its_ends_and_a_broken_wire_is_3_5_ma() -> None:
    loop = Loop(LoopTruth("x", "line.pressure", 0.0, 40000.0))
    assert loop.current_ma(0.0) == 4.0
    assert loop.current_ma(20000.0) == 12.0
    assert loop.current_ma(80000.0) == 20.5
    assert loop.current_ma(-80000.0) == 3.8
    assert loop.current_ma(None) == 3.5
    assert loop.shown(20000.0) == 20000.0
    loop.forced_ma = 21.0
    assert loop.shown(0.0) == 42500.0


@pytest.fixture(scope="module")
def bus() -> Rig:
    rig = Rig.from_plant(BUS)
    rig.do("plant_start", mix_short_ton_h=240.0)
    feeding(rig, 20.0)
    rig.advance(120.0)
    return rig


def test_a_weight_in_counts_agrees_with_its_decimal_point(bus: Rig) -> None:
    device = bus.banks["indicator"]
    weights = set()
    for digits in (1, 2, 3):
        bus.do("decimal_point", digits=digits)
        high, low, point = device.read("input", 0, 3)
        assert point == digits
        weights.add(round(((high << 16) | low) / 10**point, 1))
        assert device.value("weight") == pytest.approx(bus.plant.feeder.indicator.value_kg, abs=0.06)
    assert len(weights) == 1
    assert bytes(b for w in device.read("input", 10, 10) for b in w.to_bytes(2, "big")) == b"demo_weigh_indicator"


def test_verbs_reach_the_indicator(bus: Rig) -> None:
    device = bus.banks["indicator"]

    def shown(*names: str) -> list[float | None]:
        return [device.value(name) for name in names]

    before = device.value("weight")
    bus.do("tare", for_s=1.0)
    assert shown("weight", "net", "tare_changes") == [pytest.approx(0.0, abs=0.05), 1.0, 1.0]
    bus.advance(1.2)
    assert shown("weight", "net", "tare_changes") == [pytest.approx(before, abs=1.0), 0.0, 2.0]
    bus.do("zero_shift", kg=5.0)
    assert shown("weight", "zero_changes") == [pytest.approx((before or 0.0) - 5.0, abs=1.0), 1.0]
    bus.do("zero_shift", kg=-5.0)
    bus.do("bump", kg=400.0, lasts_s=5.0)
    bus.advance(2.5)
    assert shown("over_range", "motion") == [1.0, 1.0]
    bus.advance(30.0)
    bus.do("load_cell_lost", for_s=1.0)
    assert device.read("input", 0, 2) == (0x8000, 0x0000)  # the sentinel of its profile
    assert device.value("cell_fault") == 1.0
    bus.advance(1.2)
    assert device.value("cell_fault") == 0.0
    beat = device.value("heartbeat")
    bus.do("heartbeat_stop", for_s=5.0)
    bus.advance(5.0)
    assert device.value("heartbeat") == beat
    bus.advance(5.0)
    assert device.value("heartbeat") != beat
    bus.do("indicator_setup", for_s=1.0)
    assert device.value("setup") == 1.0
    bus.advance(1.2)
    assert shown("setup", "calibration_changes") == [0.0, 1.0]


def test_a_power_dip_of_the_cabinet_brings_it_back_tared(bus: Rig) -> None:
    device = bus.banks["indicator"]
    assert device.value("weight") != 0.0
    changes = device.value("tare_changes")
    bus.do("power_dip", tared=True, for_s=3.0)
    bus.advance(1.0)
    assert not bus.link_up("indicator")
    bus.advance(4.0)
    assert bus.link_up("indicator")
    assert device.value("weight") == pytest.approx(0.0, abs=0.5)
    assert device.value("tare_changes") == changes
    bus.do("clear_tare")


def test_verbs_reach_counters_and_loops(bus: Rig) -> None:
    device = bus.banks["remote_io"]
    truth_kg = bus.plant.belts[0].shown_total_kg
    assert device.read("input", 10, 1)[0] == (64000 + int(truth_kg // 10)) % 65536
    bus.do("counter_put", counter="aggregate", count=-1)
    assert device.read("input", 10, 1) == (65535,)
    bus.do("counter_glitch", counter="aggregate", for_s=1.0)
    assert device.read("input", 10, 1) == (0,)
    bus.advance(1.2)
    assert device.read("input", 10, 1) != (0,)
    bus.do("pulses_bad", counter="recycle", lost_share=1.0, for_s=60.0)
    before = device.value("recycle_pulses")
    bus.advance(30.0)
    assert device.value("recycle_pulses") == before
    assert bus.plant.counters["recycle"].lost > 5
    for verb, counts in (("loop_broken", -864), ("loop_short", 29376)):
        bus.do(verb, loop="line_pressure", for_s=1.0)
        assert device.read("input", 0, 1)[0] == counts % 65536  # 3.5 and 21 mA on a scale of 4 to 20 mA over 27648
        bus.advance(1.2)
        assert device.value("line_pressure") == pytest.approx(bus.plant.line.shown_pressure_pa, abs=2.0)
