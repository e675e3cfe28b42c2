"""A change of mix on its way: the boundary moves with the material, nothing is lost, and the dose changes with it."""

import itertools
from dataclasses import replace

import pytest

from crumbmeter.control.mix_change import MOST_LEAVING
from crumbmeter.control.mixes import LEAST_KG, content_kg
from crumbmeter.control.params import Params
from crumbmeter.control.plant import Demand, PlantState, choose_mix, move, new_plant
from crumbmeter.control.sequence import RunState
from crumbmeter.control.state import State
from crumbmeter.ledger.snapshot import decode, encode
from crumbmeter.model.commands import CommandKind
from crumbmeter.model.reading import Reading, good
from crumbmeter.process.dose import rubber_for
from crumbmeter.process.params import DoseBasis, MixParams
from tests.cores import INDEX, RUNNING, Bench, command, make_params

DT_S = 0.2
LEAN = MixParams("lean", "5 lb", DoseBasis.TOTAL_MIX, 0.0025, 0.048, None)
RICH = MixParams("rich", "15 lb", DoseBasis.TOTAL_MIX, 0.0075, 0.058, None)
TWIN = replace(LEAN, mix_id="twin")
OTHERS = tuple(replace(LEAN, mix_id=f"other_{place}", dose=0.001 * place) for place in range(1, 6))


def settings(*, scale_filter_s: float = 0.0, load_effect: float = 0.0) -> Params:
    """Belt 15 s and drum 30 s for the aggregate, 6.25 s and 15 s for the recycle; binder by the controller's timing."""
    params = make_params()
    aggregate, recycle, binder = params.streams
    streams = (
        replace(aggregate, scale_filter_s=scale_filter_s, binder_belt_s=14.0, binder_drum_s=30.0),
        replace(recycle, scale_filter_s=scale_filter_s, binder_belt_s=6.0, binder_drum_s=15.0),
        binder,
    )
    return replace(
        params, streams=streams, mixes=(*params.mixes, LEAN, RICH, TWIN, *OTHERS),
        drum=replace(params.drum, load_effect=load_effect, normal_dry_kg_s=58.0),
    )  # fmt: skip


PARAMS = settings()
MIXES = {mix.mix_id: mix for mix in PARAMS.mixes}


class Walk:
    """Moves the material scan by scan."""

    def __init__(self, mix_id: str, params: Params = PARAMS) -> None:
        self.params = params
        self.mix_id = mix_id
        first = replace(params, first_mix=mix_id)
        self.state: PlantState = new_plant(first)
        self.seen: list[Demand] = []

    def choose(self, mix_id: str) -> None:
        self.state = choose_mix(self.state, self.params, self.mix_id, mix_id)
        self.mix_id = mix_id

    def run(self, seconds: float, **values: float) -> Demand:
        shown: dict[str, float | Reading] = {**RUNNING, **values}
        readings = tuple(good(float(str(shown[name]))) for name in INDEX)
        for _ in range(round(seconds / DT_S)):
            self.state, demand = move(self.state, self.params, MIXES[self.mix_id], readings, DT_S)
            self.seen.append(demand)
        return demand

    def kg(self) -> float:
        """All that lies between the scales and the injection point."""
        ways = (self.state.paths, *[one.paths for one in self.state.mixes.leaving])
        return sum(content_kg(self.params.streams, paths) for paths in ways)

    def told(self) -> list[tuple[str, str, str]]:
        """(event, was, to)"""
        found = [one for demand in self.seen if demand.passing is not None for one in demand.passing.events]
        return [(one.name, str(one.get("was")), str(one.get("to"))) for one in found]


def ratio(demand: Demand, part: str) -> float:
    """Return the dose that a demand comes to, over that of the lean mix: 1 lean, 3 rich."""
    mix = demand.at_injection
    whole = {"now": demand.target_kg / mix.total if mix.total else 0.0, "ahead": demand.wanted_kg_s * DT_S / mix.total}
    return (
        whole[part]
        / rubber_for(LEAN.dose_basis, LEAN.dose, replace(mix, virgin_binder=0.0))
        * (mix.dry_aggregate + mix.recycle)
    )


def test_a_dose_changes_where_the_material_changes() -> None:
    walk = Walk("lean")
    walk.run(300.0)
    walk.choose("rich")
    # What lies between the scales and the injection point is still lean: 6.25 s of belt and some of the drum, at least.
    for demand in (walk.run(DT_S), walk.run(8.0)):
        assert ratio(demand, "now") == pytest.approx(1.0, rel=1e-3)
        assert ratio(demand, "ahead") == pytest.approx(1.0, rel=2e-2)
    assert walk.told() == []
    # Recycle is there after 21 s, aggregate after 45: then half of the aggregate is rich.
    assert ratio(walk.run(45.0 - 8.2), "now") == pytest.approx(2.17, abs=0.1)
    assert walk.told() == [("mix_arrived", "lean", "rich")]
    assert ratio(walk.run(80.0), "now") == pytest.approx(3.0 * 0.9975 / 0.9925, rel=3e-3)
    assert walk.state.mixes.leaving == ()
    walk.run(DT_S)
    assert walk.seen[-1].passing is None


def test_the_setpoint_changes_one_look_ahead_before_the_mix_does() -> None:
    walk = Walk("lean")
    walk.run(300.0)
    begun = len(walk.seen)
    walk.choose("rich")
    walk.run(120.0)
    now = next(place for place, demand in enumerate(walk.seen[begun:]) if ratio(demand, "now") > 2.0)
    ahead = next(place for place, demand in enumerate(walk.seen[begun:]) if ratio(demand, "ahead") > 2.0)
    assert (now - ahead) * DT_S == pytest.approx(4.5, abs=0.25)


def test_nothing_is_lost_on_the_way() -> None:
    plain, changed = Walk("lean"), Walk("lean")
    for walk in (plain, changed):
        walk.run(200.0)
    for mix_id, seconds in (("rich", 3.0), ("lean", 20.0), ("plain", 7.0), ("surface", 1.0), ("rich", 90.0)):
        changed.choose(mix_id)
        for walk in (plain, changed):
            walk.run(seconds)
        assert changed.kg() == pytest.approx(plain.kg(), rel=1e-12)
        assert changed.state.material_kg == pytest.approx(changed.kg(), rel=1e-12)
    for one, other in zip(plain.seen, changed.seen, strict=True):
        assert other.injected_kg_s == pytest.approx(one.injected_kg_s, rel=1e-11, abs=1e-12)


@pytest.mark.parametrize("params", [PARAMS, settings(scale_filter_s=1.5, load_effect=0.12)])
def test_a_change_to_the_same_mix_under_another_name_changes_nothing(params: Params) -> None:
    plain, changed = Walk("lean", params), Walk("lean", params)
    for walk in (plain, changed):
        walk.run(200.0)
    changed.choose("twin")
    for walk in (plain, changed):
        walk.run(20.0)
        walk.run(20.0, aggregate=20.0, recycle=0.0, belt_speed=0.0, drum_turning=0.0)
        walk.run(60.0, aggregate=70.0, binder=3.5)
    for one, other in zip(plain.seen, changed.seen, strict=True):
        for part in ("target_kg", "wanted_kg_s", "within_kg"):
            assert getattr(other, part) == pytest.approx(getattr(one, part), rel=1e-12, abs=1e-15), part
    assert changed.state.binder_ratio == pytest.approx(plain.state.binder_ratio, rel=1e-12)


def test_material_that_stands_holds_the_boundary() -> None:
    through, stopped = Walk("lean"), Walk("lean")
    for walk in (through, stopped):
        walk.run(300.0)
        walk.choose("rich")
        walk.run(30.0)
    still = {"drum_turning": 0.0, "belt_speed": 0.0, "aggregate": 0.0, "recycle": 0.0, "binder": 0.0}
    before_kg = stopped.kg()
    demand = stopped.run(600.0, **still)
    assert (demand.target_kg, demand.wanted_kg_s) == (0.0, 0.0)
    assert stopped.kg() == pytest.approx(before_kg, rel=1e-12)
    assert stopped.state.mixes.asks  # the lean mix in the drum still wants its rubber
    for walk in (through, stopped):
        walk.run(DT_S)
    assert ratio(stopped.seen[-1], "now") == pytest.approx(ratio(through.seen[-1], "now"), rel=1e-3)
    assert stopped.told() == through.told() == []
    for walk in (through, stopped):
        walk.run(40.0)
    assert stopped.told() == through.told() == [("mix_arrived", "lean", "rich")]


def test_what_a_scale_shows_late_is_still_of_the_mix_before() -> None:
    # The way of a stream is shorter by what its scale takes to show it; the change is later by the same.
    at_once, averaging = Walk("lean"), Walk("lean", settings(scale_filter_s=2.0))
    for walk in (at_once, averaging):
        walk.run(300.0)
        walk.choose("rich")
        walk.run(45.0)
    assert ratio(averaging.seen[-1], "now") == pytest.approx(ratio(at_once.seen[-1], "now"), abs=0.03)


def test_what_was_weighed_before_the_choice_was_heard_is_still_of_the_mix_before() -> None:
    walk = Walk("lean")
    walk.run(300.0)
    walk.choose("rich")
    walk.run(DT_S)  # of the scan that carries the choice out
    assert content_kg(walk.params.streams, walk.state.paths) == 0.0
    before_kg = walk.kg()
    walk.run(DT_S)
    gained_kg = walk.kg() - before_kg + sum(walk.seen[-1].injected_kg_s[:2]) * DT_S
    assert content_kg(walk.params.streams, walk.state.paths) == pytest.approx(gained_kg, rel=1e-6)


def test_the_binder_is_shared_by_the_job_mix_formulas() -> None:
    by_binder = replace(LEAN, mix_id="surface", dose_basis=DoseBasis.VIRGIN_BINDER, dose=0.1)
    none = replace(RICH, mix_id="plain", dose=0.0)
    params = replace(PARAMS, mixes=(by_binder, none))
    state = new_plant(params)
    readings = tuple(good(RUNNING[name]) for name in INDEX)
    for _ in range(1500):
        state, _ = move(state, params, by_binder, readings, DT_S)
    state = choose_mix(state, params, "surface", "plain")
    shares = []
    for _ in range(600):
        state, demand = move(state, params, none, readings, DT_S)
        shares.append(demand.target_kg / (0.1 * demand.at_injection.virgin_binder))
    assert shares[0] == pytest.approx(1.0)
    assert shares[-1] == 0.0
    assert all(later <= sooner + 1e-9 for sooner, later in itertools.pairwise(shares))


def test_a_choice_that_is_taken_back_before_anything_was_weighed_leaves_no_trace() -> None:
    walk = Walk("lean")
    walk.run(200.0)
    before = walk.state
    walk.choose("rich")
    walk.choose("lean")
    assert walk.state.mixes == before.mixes
    assert walk.state.timing == before.timing
    assert walk.kg() == pytest.approx(content_kg(PARAMS.streams, before.paths), rel=1e-12)


def test_on_an_empty_way_the_mix_has_arrived_at_once() -> None:
    walk = Walk("lean")
    walk.choose("rich")
    walk.run(DT_S, aggregate=0.0, recycle=0.0, binder=0.0)
    assert walk.told() == [("mix_arrived", "lean", "rich")]
    assert walk.state.mixes.leaving == ()


def test_more_changes_than_are_kept_apart_join_the_oldest() -> None:
    walk = Walk("lean")
    walk.run(200.0)
    for mix in OTHERS[: MOST_LEAVING + 1]:
        walk.choose(mix.mix_id)
        walk.run(2.0)
    assert len(walk.state.mixes.leaving) == MOST_LEAVING
    assert walk.told() == [("mixes_joined", "lean", "other_1"), ("mix_arrived", "lean", "other_1")]
    walk.run(150.0)
    assert [to for name, _, to in walk.told() if name == "mix_arrived"] == ["other_1", "other_2", "other_3", "other_4"]
    assert walk.state.mixes.leaving == ()


def test_recycle_left_on_a_standing_belt_asks_for_nothing_until_it_runs() -> None:
    params = settings()
    aggregate, recycle, binder = params.streams
    recycle = replace(recycle, belt_speed=None, belt_running=INDEX["flow_switch"])
    params = replace(params, streams=(aggregate, recycle, binder))
    walk = Walk("rich", params)
    walk.run(300.0, flow_switch=1.0)
    walk.choose("plain")
    walk.run(200.0, flow_switch=0.0, recycle=0.0)
    assert len(walk.state.mixes.leaving) == 1
    assert not walk.state.mixes.asks
    assert walk.told() == [("mix_arrived", "rich", "plain")]
    assert walk.seen[-1].wanted_kg_s == pytest.approx(0.0, abs=1e-6)
    walk.run(1.0, flow_switch=1.0)
    assert walk.state.mixes.asks


def bench(mix_id: str) -> Bench:
    made = Bench(PARAMS)
    made.scan(command(CommandKind.SELECT_MIX, mix_id))
    made.enable_and_start()
    made.run_obeying(300.0)
    return made


def run_state(made: Bench) -> RunState:
    return made.state.sequence.state


def test_the_older_mix_is_fed_to_its_end_before_one_without_rubber() -> None:
    made = bench("rich")
    assert run_state(made) is RunState.FEEDING
    made.scan(command(CommandKind.SELECT_MIX, "plain"))
    result = made.run_obeying(20.0)
    assert (result.view.mix_id, result.view.mix_at_injection) == ("plain", "rich")
    assert result.view.setpoint_kg_s > 0.3
    made.run_obeying(120.0)
    assert run_state(made) is RunState.READY
    assert made.state.sequence.reason == "mix without rubber"
    left_kg = content_kg(PARAMS.streams, made.state.plant.paths)
    assert left_kg > LEAST_KG
    assert made.state.plant.mixes.arrived == "plain"
    # And back: the feed is ready at the keystroke and gives nothing until the material is near.
    made.scan(command(CommandKind.SELECT_MIX, "rich"))
    result = made.run_obeying(5.0)
    assert run_state(made) is RunState.FEEDING
    assert result.view.setpoint_kg_s == 0.0
    assert made.run_obeying(100.0).view.setpoint_kg_s > 0.4


def test_a_feed_that_was_idle_is_ready_before_the_first_mix_with_rubber_comes() -> None:
    made = bench("plain")
    assert run_state(made) is RunState.IDLE
    made.scan(command(CommandKind.SELECT_MIX, "rich"))
    begun = len(made.results)
    made.run_obeying(120.0)
    scans = made.results[begun:]
    fed = next(place for place, one in enumerate(scans) if one.state.sequence.state is RunState.FEEDING)
    wanted = next(place for place, one in enumerate(scans) if one.shown.demand.wanted_kg_s > 0.01)
    assert fed < wanted
    assert scans[-1].view.setpoint_kg_s > 0.4


def test_a_drum_that_stops_within_a_change_goes_on_with_the_older_mix() -> None:
    made = bench("rich")
    made.scan(command(CommandKind.SELECT_MIX, "plain"))
    made.run_obeying(20.0)
    still = {"drum_turning": 0.0, "belt_speed": 0.0, "aggregate": 0.0, "recycle": 0.0, "binder": 0.0}
    made.values.update(still)
    made.run_obeying(100.0)
    assert run_state(made) is RunState.READY
    made.values.update({name: RUNNING[name] for name in still})
    result = made.run_obeying(3.0)
    assert run_state(made) is RunState.FEEDING
    assert result.view.setpoint_kg_s > 0.3
    made.run_obeying(120.0)
    assert (run_state(made), made.state.sequence.reason) == (RunState.READY, "mix without rubber")


def test_parcels_change_their_mix_when_the_material_has_passed_the_drum() -> None:
    made = bench("lean")
    made.scan(command(CommandKind.SELECT_MIX, "rich"))
    begun = len(made.results)
    made.run_obeying(250.0)
    booked = [(place * DT_S, parcel) for place, one in enumerate(made.results[begun:]) for parcel in one.parcels]
    ids = [parcel.mix_id for _, parcel in booked]
    assert ids == sorted(ids)
    changed_s = next(at_s for at_s, parcel in booked if parcel.mix_id == "rich")
    # Aggregate 45 s to the injection point, 60 s from there to the outlet.
    assert changed_s == pytest.approx(105.0, abs=6.0)
    # A parcel wants what its material wants, whatever its name: it goes from one dose to the other with the front.
    wants = [parcel.target_rubber_g / parcel.mix_g for _, parcel in booked]
    assert wants[0] == pytest.approx(0.0025, rel=1e-2)
    assert wants[-1] == pytest.approx(0.0075, rel=1e-2)


def test_what_is_owed_to_a_mix_is_not_paid_to_the_next() -> None:
    made = bench("lean")
    made.run(30.0, auger_speed=0.0)  # it is asked to turn and does not
    assert made.state.feed.owed_kg > 1.0
    made.scan(command(CommandKind.SELECT_MIX, "rich"))
    before = len(made.results)
    made.run(60.0)
    turned = [place for place, one in enumerate(made.results[before:]) if one.shown.demand.passing is not None
              and one.shown.demand.passing.turns]  # fmt: skip
    assert len(turned) == 1
    forgot = made.results[before + turned[0]]
    assert forgot.state.feed.owed_kg == 0.0
    assert [(one.name, one.get("reason")) for one in forgot.events] == [("owed_rubber_forgotten", "another mix")]


def test_a_snapshot_within_a_change_goes_on_as_if_nothing_had_been() -> None:
    made = bench("rich")
    made.scan(command(CommandKind.SELECT_MIX, "plain"))
    made.run_obeying(5.0)
    back = decode(State, encode(made.state))
    assert back == made.state
    assert len(back.plant.mixes.leaving) == 1
    other = Bench(PARAMS)
    other.state, other.now_s, other.values = back, made.now_s, dict(made.values)
    assert other.scan().state == made.scan().state
