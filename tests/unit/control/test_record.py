"""What a scan adds to the record: line, drum, catch container, totals; and which run state is worse for the rubber."""

from dataclasses import replace

import pytest

from crumbmeter.control.outlet import NOTHING, OutletState
from crumbmeter.control.plant import Demand
from crumbmeter.control.record import RANK, LineScan, Surroundings, add_to, along_line, enter, since
from crumbmeter.control.sequence import RunState, SequenceState
from crumbmeter.control.state import State, first_state
from crumbmeter.control.tolerance import ToleranceState
from crumbmeter.estimation.weighing import Flow
from crumbmeter.model.quality import Quality
from crumbmeter.model.view import Totals
from crumbmeter.process.dose import Mix
from tests.cores import make_params
from tests.unit.control.parcels import parcel

PARAMS = make_params()
DEMAND = Demand(
    at_injection=Mix(10.0, 2.0, 0.1, 0.5), target_kg=0.06, wanted_kg_s=0.3, within_kg=1.0, dry_kg_s=(),
    injected_kg_s=(), quality=Quality.GOOD,
)  # fmt: skip
FLOW = Flow(rate_kg_s=0.3, uncertainty_kg_s=0.002, fed_kg=0.06, fed_uncertainty_kg=0.0004, believed=True)
LINE = LineScan(arrived_kg=0.05, uncertain_kg=0.0003)
AROUND = Surroundings(
    now_s=50.0, mix=PARAMS.mixes[0], drum_speed_ratio=1.0, to_drum=True, quality=Quality.GOOD, asked_kg=0.06
)


def feeding() -> State:
    return replace(first_state(PARAMS), sequence=SequenceState(RunState.FEEDING), control_enabled=True)


def held(outlet: OutletState, part: int) -> float:
    return sum(outlet.stages[part]) + outlet.forming[part]


def test_only_air_moves_the_line() -> None:
    state = first_state(PARAMS)
    still, line = along_line(state, PARAMS, FLOW, 0.2, air=False)
    assert line == LineScan(0.0, 0.0)
    assert still.line.content == pytest.approx(0.06)
    assert still.line_uncertainty.content == pytest.approx(0.0004)
    full = first_state(PARAMS)
    for _ in range(30):
        full, line = along_line(full, PARAMS, FLOW, 0.2, air=True)
    assert line.arrived_kg == pytest.approx(0.06)
    for _ in range(30):
        full, line = along_line(full, PARAMS, FLOW, 0.2, air=False)
        assert line == LineScan(0.0, 0.0)
    arrived = uncertain = 0.0
    # 4 s of line in cells of a quarter of a second: 4.6 s of air empty it.
    for _ in range(23):
        still, line = along_line(still, PARAMS, replace(FLOW, fed_kg=0.0, fed_uncertainty_kg=0.0), 0.2, air=True)
        arrived += line.arrived_kg
        uncertain += line.uncertain_kg
    assert arrived == pytest.approx(0.06)
    assert uncertain == pytest.approx(0.0004)
    assert still.line.content == pytest.approx(0.0, abs=1e-12)


def test_rubber_takes_the_time_of_the_line() -> None:
    state, line = along_line(first_state(PARAMS), PARAMS, FLOW, 0.2, air=True)
    nothing = replace(FLOW, fed_kg=0.0, fed_uncertainty_kg=0.0)
    seconds = 0.2
    while line.arrived_kg == 0.0:
        state, line = along_line(state, PARAMS, nothing, 0.2, air=True)
        seconds += 0.2
    assert seconds == pytest.approx(4.2, abs=0.25)


@pytest.mark.parametrize("travel_s", [0.3, 2.0, 3.9, 4.12, 6.6, 8.37])
def test_the_line_holds_what_is_fed_in_its_travel_whatever_its_cells(travel_s: float) -> None:
    params = replace(PARAMS, line=replace(PARAMS.line, travel_s=travel_s))
    state = first_state(params)
    for _ in range(200):
        state, line = along_line(state, params, FLOW, 0.2, air=True)
    assert line.arrived_kg == pytest.approx(FLOW.fed_kg)
    assert state.line.content == pytest.approx(0.3 * travel_s, rel=1e-9)


def test_a_scan_enters_the_drum_with_all_its_parts() -> None:
    after, made = enter(feeding(), DEMAND, FLOW, LINE, AROUND, PARAMS, 0.2)
    assert made is None
    parts = [held(after.outlet, part) for part in range(8)]
    assert parts == pytest.approx([10.0, 2.0, 0.1, 0.5, 0.05, 0.06, 0.0003, 12.55])
    assert after.caught_kg == 0.0
    assert after.outlet.worst_state == "feeding"
    assert after.outlet.controlled


def test_rubber_to_the_catch_container_is_counted_there_and_never_in_the_mix() -> None:
    around = replace(AROUND, to_drum=False)
    after, _ = enter(replace(feeding(), caught_kg=1.0), DEMAND, FLOW, LINE, around, PARAMS, 0.2)
    assert held(after.outlet, 4) == 0.0
    assert held(after.outlet, 6) == 0.0
    assert held(after.outlet, 7) == pytest.approx(12.5)
    assert after.caught_kg == pytest.approx(1.05)


def test_a_standing_drum_takes_in_and_lets_nothing_out() -> None:
    after, _ = enter(feeding(), DEMAND, FLOW, LINE, replace(AROUND, drum_speed_ratio=0.0), PARAMS, 0.2)
    assert after.outlet.forming == NOTHING
    assert held(after.outlet, 0) == pytest.approx(10.0)


def test_the_feed_is_judged_while_it_feeds() -> None:
    after, _ = enter(feeding(), DEMAND, FLOW, LINE, AROUND, PARAMS, 0.2)
    assert after.tolerance.buckets == ((0.06, 0.06),)
    ready = replace(feeding(), sequence=SequenceState(RunState.READY))
    waiting, _ = enter(ready, DEMAND, FLOW, LINE, AROUND, PARAMS, 0.2)
    assert waiting.tolerance == ToleranceState()
    assert waiting.outlet.worst_state == "ready"


def full_window(fed_share: float) -> ToleranceState:
    return ToleranceState(buckets=((1.5, 1.5 * fed_share),) * 12)


@pytest.mark.parametrize(
    ("fed_share", "noise_kg", "uncertainty", "level"),
    [
        # 18 kg asked for over a minute; 0.05 kg of noise and 0.002 kg/s of doubt: 2 (1.41 * 0.05 + 0.12) = 0.381 kg.
        (0.85, 0.05, 0.002, 2),
        (0.88, 0.05, 0.002, 1),
        (0.93, 0.05, 0.002, 0),
        (0.85, 0.40, 0.002, 1),
        (0.85, 0.05, 0.010, 1),
        (0.85, 0.00, 0.000, 2),
    ],
)
def test_an_error_of_the_feed_must_exceed_weighing_and_flow_doubt(
    fed_share: float, noise_kg: float, uncertainty: float, level: int
) -> None:
    state = feeding()
    state = replace(
        state, tolerance=full_window(fed_share), weighing=replace(state.weighing, noise_kg=noise_kg)
    )  # fmt: skip
    flow = replace(FLOW, uncertainty_kg_s=uncertainty, fed_kg=0.06 * fed_share)
    after, _ = enter(state, DEMAND, flow, LINE, AROUND, PARAMS, 0.2)
    assert after.tolerance.feed_level == level


def enter_until_parcels(state: State, count: int, scans: int = 4000) -> State:
    for _ in range(scans):
        if state.totals.parcels == count:
            return state
        state, _ = enter(state, DEMAND, FLOW, LINE, AROUND, PARAMS, 0.2)
    raise AssertionError(f"{state.totals.parcels} parcels")


def test_parcels_go_into_totals_and_windows() -> None:
    state = enter_until_parcels(feeding(), 30)
    # 0.05 of 0.06 kg of rubber arrive: a sixth too little, once 5000 kg are in the window.
    assert state.tolerance.dose_level == 2
    assert len(state.tolerance.parts) == 20
    assert state.totals.mix_g == pytest.approx(30 * 250_000, rel=0.03)
    assert state.totals.mix_with_dose_g == state.totals.mix_g
    # The drum filled before anything left: the first parcels carry what the last ones do.
    assert state.totals.rubber_g / state.totals.target_rubber_g == pytest.approx(5.0 / 6.0, rel=1e-3)
    assert state.tolerance.parts[0].base_g == pytest.approx(250_000 * 12.5 / 12.55, rel=0.06)


def test_the_total_is_judged_on_the_job_alone() -> None:
    limits = replace(PARAMS.tolerance, total_from_kg=5.0)
    params = replace(PARAMS, tolerance=limits)
    # Grand totals that are right; the job since the mark is a sixth short.
    right = Totals(10_000_000, 10_000_000, 10**9, 10**9, 4000)
    state = replace(feeding(), totals=right, job_mark=right)
    for _ in range(1500):
        state, _ = enter(state, DEMAND, FLOW, LINE, AROUND, params, 0.2)
    assert state.tolerance.total_out
    assert abs(state.totals.rubber_g / state.totals.target_rubber_g - 1.0) < limits.total


def test_a_parcel_of_the_older_mix_carries_its_own_dose() -> None:
    # Two minutes of the surface mix, then a mix without rubber: what leaves first is still the surface mix.
    state = enter_until_parcels(feeding(), 5)
    outlet = replace(
        state.outlet, stages=(*state.outlet.stages[:7], (0.0,) * len(state.outlet.stages[7])), older_mix="surface"
    )
    state = replace(state, outlet=outlet)
    plain = replace(AROUND, mix=PARAMS.mixes[1])
    parcels = []
    for _ in range(1000):
        state, made = enter(
            state, replace(DEMAND, target_kg=0.0), FLOW, replace(LINE, arrived_kg=0.0), plain, PARAMS, 0.2
        )
        parcels += [made] if made else []
    assert {(made.mix_id, made.dose_target) for made in parcels} == {("surface", 0.005), ("plain", 0.0)}
    assert parcels[0].mix_id == "surface"


def test_a_mix_that_the_settings_no_longer_have_leaves_its_material_to_the_present_one() -> None:
    state = replace(feeding(), outlet=replace(feeding().outlet, older_mix="gone"))
    demand = replace(DEMAND, at_injection=Mix(4000.0, 0.0, 0.0, 0.0))
    outlet = replace(state.outlet, forming=(300.0, *NOTHING[1:]))
    _, made = enter(replace(state, outlet=outlet), demand, FLOW, LINE, AROUND, PARAMS, 0.2)
    assert made is not None
    assert made.mix_id == "surface"


def test_parcels_say_what_the_scan_said() -> None:
    simulated = replace(PARAMS, simulated=True, parcel_kg=1.0)
    around = replace(AROUND, quality=Quality.UNCERTAIN)
    state = replace(feeding(), control_enabled=False)
    for _ in range(100):
        state, made = enter(state, DEMAND, FLOW, LINE, around, simulated, 0.2)
        if made:
            break
    assert made is not None
    assert (made.quality, made.controlled, made.simulated, made.ended_s) == (Quality.UNCERTAIN, False, True, 50.0)


def test_totals_add_up() -> None:
    one = add_to(Totals(), parcel(250_000, 1250, 1200))
    assert one == Totals(rubber_g=1250, target_rubber_g=1200, mix_g=250_000, mix_with_dose_g=250_000, parcels=1)
    two = add_to(one, parcel(240_000, 3, 0))
    assert two == Totals(rubber_g=1253, target_rubber_g=1200, mix_g=490_000, mix_with_dose_g=250_000, parcels=2)
    assert add_to(Totals(), parcel(250_000, 0, 1)).mix_with_dose_g == 250_000
    assert since(two, one) == Totals(rubber_g=3, target_rubber_g=0, mix_g=240_000, mix_with_dose_g=0, parcels=1)
    assert since(two, Totals()) == two
    dumped = Totals(wasted_mix_g=3_000, wasted_rubber_g=15)
    assert add_to(dumped, parcel(250_000, 1250, 1200)).wasted_mix_g == 3_000
    later = add_to(Totals(wasted_mix_g=5_000, wasted_rubber_g=25), parcel(250_000, 0, 1))
    assert (since(later, dumped).wasted_mix_g, since(later, dumped).wasted_rubber_g) == (2_000, 10)


def test_every_run_state_has_its_rank_and_feeding_is_the_best() -> None:
    assert set(RANK) == set(RunState)
    assert len(set(RANK.values())) == len(RunState)
    assert min(RANK, key=RANK.__getitem__) is RunState.FEEDING
    assert max(RANK, key=RANK.__getitem__) is RunState.STOPPED
    assert RANK[RunState.FEEDING] == 1


def test_a_booked_parcel_goes_into_the_dose_of_the_newest_tons_at_once() -> None:
    params = replace(PARAMS, parcel_kg=12.0)
    state = replace(feeding(), outlet=replace(feeding().outlet, stages=((0.0,),) * len(NOTHING)))
    state, made = enter(state, DEMAND, FLOW, LINE, AROUND, params, 0.2)
    while made is None:
        assert state.proving.shown is None
        state, made = enter(state, DEMAND, FLOW, LINE, AROUND, params, 0.2)
    assert state.proving.sums[:2] == (made.mix_g, made.rubber_g)
    assert state.proving.shown is not None
    assert state.proving.shown.dose == pytest.approx(made.rubber_g / made.mix_g)
