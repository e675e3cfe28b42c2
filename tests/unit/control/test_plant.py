"""Streams become the mix at the injection point: water off, low flow, lost rates held, belts, drum, binder."""

from dataclasses import replace

import pytest

from crumbmeter.control.params import Params
from crumbmeter.control.plant import (
    Demand,
    PlantState,
    belt_speed_m_s,
    drum_speed_ratio,
    look_ahead_s,
    move,
    new_plant,
)
from crumbmeter.model.quality import Quality, Reason
from crumbmeter.model.reading import Reading, bad, good
from crumbmeter.process.binder import RATIO_LIMIT
from crumbmeter.process.params import DoseBasis
from tests.cores import INDEX, RUNNING, make_params

PARAMS = make_params()
SURFACE = PARAMS.mixes[0]
AGGREGATE, RECYCLE, BINDER = PARAMS.streams


def readings(**values: float | Reading) -> tuple[Reading, ...]:
    shown = RUNNING | values
    return tuple(value if isinstance(value := shown[name], Reading) else good(value) for name in INDEX)


def run(
    seconds: float, state: PlantState | None = None, params: Params = PARAMS, **values: float | Reading
) -> tuple[PlantState, Demand]:
    state = state or new_plant(params)
    for _ in range(round(seconds / 0.2)):
        state, demand = move(state, params, SURFACE, readings(**values), 0.2)
    return state, demand


def test_steady_mix_and_what_it_asks_for() -> None:
    state, demand = run(400.0)
    assert demand.dry_kg_s == pytest.approx((50.0 / 1.04, 10.0 / 1.03, 2.6))
    assert demand.injected_kg_s == pytest.approx((50.0 / 1.04, 10.0 / 1.03, 2.6), rel=1e-6)
    mix = demand.at_injection
    assert mix.dry_aggregate == pytest.approx(0.2 * 50.0 / 1.04)
    assert mix.recycle == pytest.approx(0.2 * 10.0 / 1.03)
    assert mix.recycle_binder == pytest.approx(0.048 * 0.2 * 10.0 / 1.03)
    assert mix.virgin_binder == pytest.approx(0.52)
    total = 50.0 / 1.04 + 10.0 / 1.03 + 2.6
    assert demand.target_kg == pytest.approx(0.2 * total * 0.005 / 0.995)
    assert demand.wanted_kg_s == pytest.approx(total * 0.005 / 0.995, rel=1e-3)
    assert demand.within_kg == pytest.approx(look_ahead_s(PARAMS) * demand.wanted_kg_s, rel=1e-3)
    assert demand.quality is Quality.GOOD
    # Aggregate: 15 s of belt and 30 s of drum; recycle: 6.25 s and 15 s.
    assert state.material_kg == pytest.approx(45.0 * 50.0 / 1.04 + 21.25 * 10.0 / 1.03, rel=0.02)


def test_wasted_fines_enter_no_mix_and_get_no_rubber() -> None:
    # By hand: 50 kg/s wet / 1.04 = 48.0769 dry, of which 2 % leave: 47.1154. With 10 / 1.03 = 9.7087 of recycle and 2.6
    # of binder 59.4241 kg/s, and 0.5 % of the mix with rubber is 59.4241 * 0.005 / 0.995 = 0.29861 kg/s; without the
    # fines' loss it would be 0.30344.
    params = replace(PARAMS, streams=(replace(AGGREGATE, wasted_fines=0.02), RECYCLE, BINDER))
    state, demand = run(400.0, params=params)
    assert demand.dry_kg_s[0] == pytest.approx(48.0769, abs=1e-4)  # at the scale, as before
    assert demand.injected_kg_s == pytest.approx((47.1154, 9.7087, 2.6), abs=1e-3)
    assert demand.at_injection.total / 0.2 == pytest.approx(59.4241, abs=1e-3)
    assert demand.target_kg / 0.2 == pytest.approx(0.29861, abs=1e-5)
    assert demand.wanted_kg_s == pytest.approx(0.29861, rel=1e-3)
    assert state.material_kg == pytest.approx(45.0 * 47.1154 + 21.25 * 9.7087, rel=0.02)
    assert params.streams[0].entering(50.0) == pytest.approx(47.1154, abs=1e-4)
    assert replace(AGGREGATE, wet=False, wasted_fines=0.1).entering(50.0) == pytest.approx(45.0)


def test_the_look_ahead_is_line_and_auger() -> None:
    assert look_ahead_s(PARAMS) == 4.5


def test_moisture_in_force_is_that_of_the_entry() -> None:
    state = replace(new_plant(PARAMS), moisture=(0.08, 0.0, 0.0))
    _, demand = run(0.2, state)
    assert demand.dry_kg_s == pytest.approx((50.0 / 1.08, 10.0, 2.6))


@pytest.mark.parametrize(("rate", "flows"), [(0.5, False), (0.51, True), (-0.2, False)])
def test_low_flow_makes_neither_tons_nor_rubber(rate: float, flows: bool) -> None:
    _, demand = run(0.2, aggregate=rate)
    assert (demand.dry_kg_s[0] > 0.0) is flows
    assert demand.dry_kg_s[0] >= 0.0


def test_a_lost_rate_is_held_and_makes_the_demand_bad() -> None:
    state, before = run(200.0)
    after, demand = run(2.0, state, aggregate=bad(Reason.STALE))
    assert demand.dry_kg_s == before.dry_kg_s
    assert demand.quality is Quality.BAD
    assert after.held_kg_s == (50.0, 10.0, 2.6)
    assert run(0.2, after)[1].quality is Quality.GOOD


def test_an_uncertain_rate_makes_the_demand_uncertain_only_where_it_carries_something() -> None:
    doubtful = Reading(50.0, Quality.UNCERTAIN, Reason.LAST_USABLE_VALUE, 0.5)
    assert run(0.2, aggregate=doubtful)[1].quality is Quality.UNCERTAIN
    assert run(0.2, aggregate=replace(doubtful, value=0.1))[1].quality is Quality.GOOD


def test_a_standing_belt_keeps_its_material() -> None:
    state, _ = run(400.0)
    stopped, demand = run(600.0, state, belt_speed=0.0, aggregate=0.0, recycle=0.0, binder=0.0)
    assert demand.injected_kg_s[0] < 1e-6
    assert stopped.paths[0].belt.content == pytest.approx(state.paths[0].belt.content)
    assert stopped.material_kg == pytest.approx(15.0 * 50.0 / 1.04 + 6.25 * 10.0 / 1.03, rel=0.05)


def test_a_standing_drum_keeps_its_material() -> None:
    state, _ = run(400.0)
    stopped, demand = run(600.0, state, drum_turning=0.0, belt_speed=0.0, aggregate=0.0, recycle=0.0, binder=0.0)
    assert demand.injected_kg_s == (0.0, 0.0, 0.0)
    assert demand.wanted_kg_s == 0.0
    assert stopped.material_kg == pytest.approx(state.material_kg, rel=1e-9)


@pytest.mark.parametrize(
    ("shown", "ratio"),
    [({}, 1.0), ({"drum_turning": 0.0}, 0.0), ({"drum_turning": bad(Reason.STALE)}, None)],
)
def test_drum_speed_by_its_contact(shown: dict[str, float | Reading], ratio: float | None) -> None:
    assert drum_speed_ratio(PARAMS.drum, readings(**shown)) == ratio


def test_drum_speed_by_its_reading() -> None:
    drum = replace(PARAMS.drum, speed=INDEX["recipe"])
    assert drum_speed_ratio(drum, readings(recipe=0.075)) == pytest.approx(0.5)
    assert drum_speed_ratio(drum, readings(recipe=bad(Reason.STALE))) == 1.0
    assert drum_speed_ratio(drum, readings(recipe=0.075, drum_turning=0.0)) == 0.0


def test_a_drum_of_which_nothing_is_known_is_taken_to_turn() -> None:
    state, _ = run(400.0)
    _, demand = run(1.0, state, drum_turning=bad(Reason.STALE))
    assert demand.injected_kg_s[0] == pytest.approx(50.0 / 1.04, rel=1e-6)


RUNS, SPEED = INDEX["refilling"], INDEX["belt_speed"]


@pytest.mark.parametrize(
    ("running", "speed", "shown", "rate", "metres_s"),
    [
        (None, SPEED, {"belt_speed": 1.2}, 50.0, 1.2),
        (None, SPEED, {"belt_speed": 1.2}, 0.0, 1.2),
        # Without its reading: nominal while something lies on it.
        (None, SPEED, {"belt_speed": bad(Reason.STALE)}, 50.0, 1.6),
        (None, SPEED, {"belt_speed": bad(Reason.STALE)}, 0.5, 0.0),
        (None, None, {}, 50.0, 1.6),
        (None, None, {}, 0.4, 0.0),
        # The contact "belt runs" decides; the speed only says how fast.
        (RUNS, SPEED, {"refilling": 0.0, "belt_speed": 1.2}, 50.0, 0.0),
        (RUNS, SPEED, {"refilling": 1.0, "belt_speed": 1.2}, 50.0, 1.2),
        (RUNS, None, {"refilling": 1.0}, 0.0, 1.6),
        (RUNS, None, {"refilling": 0.0}, 50.0, 0.0),
        (RUNS, None, {"refilling": bad(Reason.STALE)}, 0.0, 1.6),
    ],
)
def test_speed_of_a_belt(
    running: int | None, speed: int | None, shown: dict[str, float | Reading], rate: float, metres_s: float
) -> None:
    stream = replace(AGGREGATE, belt_running=running, belt_speed=speed)
    assert belt_speed_m_s(stream, readings(**shown), rate) == metres_s


@pytest.mark.parametrize(
    ("binder", "ratio"),
    [(2.551, 1.0), (2.806, 1.1), (2.041, 0.8), (1.0, 1.0 - RATIO_LIMIT), (9.0, 1.0 + RATIO_LIMIT)],
)
def test_binder_is_foreseen_by_the_formula_times_what_is_really_metered(binder: float, ratio: float) -> None:
    # 57.786 of solids with 0.466 of binder in them at 5 % binder in all: 2.551 kg/s of virgin binder by the formula.
    state, demand = run(600.0, binder=binder)
    assert state.binder_ratio == pytest.approx(ratio, abs=0.002)
    foreseen = (57.786 + 2.551 * ratio) * 0.005 / 0.995
    assert demand.wanted_kg_s == pytest.approx(foreseen, rel=2e-3)


def test_binder_is_learned_slowly_and_only_while_both_flow() -> None:
    state, _ = run(400.0, binder=2.551)
    soon, _ = run(3.0, state, binder=2.806)
    assert soon.binder_ratio == pytest.approx(1.0 + 0.1 * 0.095, abs=0.002)
    assert run(60.0, state, binder=0.0)[0].binder_ratio == pytest.approx(state.binder_ratio)
    assert run(300.0, new_plant(PARAMS), aggregate=0.0, recycle=0.0, binder=2.6)[0].binder_ratio == 1.0


def test_a_scan_of_no_length_moves_nothing() -> None:
    state, _ = run(100.0)
    after, demand = move(state, PARAMS, SURFACE, readings(), 0.0)
    assert after.binder_ratio == state.binder_ratio
    assert after.material_kg == pytest.approx(state.material_kg)
    assert demand.target_kg == 0.0


def test_the_dose_is_taken_in_the_basis_of_the_mix() -> None:
    state, _ = run(400.0)
    by_binder = replace(SURFACE, dose_basis=DoseBasis.TOTAL_BINDER, dose=0.1)
    _, demand = move(state, PARAMS, by_binder, readings(), 0.2)
    assert demand.target_kg == pytest.approx(0.1 * 0.2 * (2.6 + 0.048 * 10.0 / 1.03))


DRY_KG_S = 50.0 / 1.04 + 10.0 / 1.03
LOADED = replace(PARAMS, drum=replace(PARAMS.drum, load_effect=0.2, normal_dry_kg_s=DRY_KG_S))


def test_a_drum_at_its_normal_content_moves_as_the_site_says() -> None:
    plain, _ = run(600.0)
    loaded, _ = run(600.0, params=LOADED)
    assert sum(loaded.paths[0].drum) == pytest.approx(sum(plain.paths[0].drum), rel=1e-3)


def test_an_empty_drum_moves_slower() -> None:
    _, plain = run(40.0)
    _, loaded = run(40.0, params=LOADED)
    assert 0.0 < loaded.injected_kg_s[0] < 0.8 * plain.injected_kg_s[0]


TIMED = replace(
    PARAMS,
    streams=(
        replace(AGGREGATE, binder_belt_s=14.0, binder_drum_s=30.0),
        replace(RECYCLE, binder_belt_s=6.0, binder_drum_s=15.0),
        BINDER,
    ),
)


def test_binder_is_foreseen_by_the_plants_own_timing() -> None:
    formula = replace(SURFACE, dose_basis=DoseBasis.VIRGIN_BINDER, dose=0.1)
    state, early = new_plant(TIMED), None
    for _ in range(round(30.0 / 0.2)):
        state, early = move(state, TIMED, formula, readings(binder=0.0), 0.2)
    assert early is not None
    assert early.wanted_kg_s == pytest.approx(0.0, abs=0.02)  # recycle brings its own, and nothing more is due yet
    for _ in range(round(12.0 / 0.2)):
        state, front = move(state, TIMED, formula, readings(binder=0.0), 0.2)
    assert front.wanted_kg_s > 0.2  # due within the look-ahead, though the meter shows none
