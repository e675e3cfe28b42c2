"""A drum that is dumped: what is booked, what is left in the model, what is owed, and that no kilogram is lost."""

from dataclasses import replace

import pytest

from crumbmeter.control.dumping import Heap, dump
from crumbmeter.control.mixes import Leaving
from crumbmeter.control.outlet import MASS_PARTS, RUBBER
from crumbmeter.control.state import FeedState, State, first_state
from crumbmeter.model.commands import CommandKind
from crumbmeter.model.view import Totals
from crumbmeter.process.path import PathState
from tests.cores import SETTINGS_ID, Bench, command, make_params

EMPTY = first_state(make_params())


def full_drum() -> State:
    """Two stages and three paths with round figures; not what any plant would hold."""
    stages = (
        (800.0, 400.0), (200.0, 100.0), (9.6, 4.8), (52.0, 26.0), (5.0, 2.5), (5.2, 2.6), (0.1, 0.05), (1057.0, 528.5),
    )  # fmt: skip
    drums = ((300.0, 100.0), (60.0, 40.0), ())
    paths = tuple(
        PathState(replace(path.belt, entering=70.0), drum) for path, drum in zip(EMPTY.plant.paths, drums, strict=True)
    )
    return replace(
        EMPTY,
        outlet=replace(EMPTY.outlet, stages=stages, forming=(20.0, 5.0, 0.2, 1.3, 0.1, 0.1, 0.0, 26.4)),
        plant=replace(EMPTY.plant, paths=paths),
        feed=FeedState(balance_kg=1.2, forgotten_kg=0.3),
        totals=Totals(5, 5, 1000, 1000, 1, 10, 2),
    )


def test_a_quarter_of_the_drum_by_hand() -> None:
    # Behind the injection point 1200 + 300 + 78 + 7.5 = 1585.5 kg with 7.5 kg of rubber; before it 500 kg. A quarter of
    # 2085.5 kg is 521.375 kg, of 7.5 kg 1.875 kg; the recycle's binder is part of the recycle.
    before = full_drum()
    after, heap = dump(before, 0.25)
    assert heap == Heap(mix_g=521_375, rubber_g=1_875)
    assert (after.totals.wasted_mix_g, after.totals.wasted_rubber_g) == (10 + 521_375, 2 + 1_875)
    assert after.totals == replace(before.totals, wasted_mix_g=521_385, wasted_rubber_g=1_877)
    for part, was in zip(after.outlet.stages, before.outlet.stages, strict=True):
        assert part == pytest.approx([0.75 * kg for kg in was])
    assert after.plant.paths[0].drum == pytest.approx((225.0, 75.0))
    assert after.plant.paths[1].drum == pytest.approx((45.0, 30.0))


def test_what_has_left_and_what_lies_on_belts_stays() -> None:
    before = full_drum()
    after, _ = dump(before, 1.0)
    assert after.outlet.forming == before.outlet.forming
    assert [path.belt for path in after.plant.paths] == [path.belt for path in before.plant.paths]
    assert after.line == before.line
    assert all(kg == 0.0 for part in after.outlet.stages for kg in part)
    assert all(kg == 0.0 for path in after.plant.paths for kg in path.drum)


def test_what_is_owed_to_mix_that_has_gone_is_forgotten_with_it() -> None:
    after, _ = dump(full_drum(), 0.25)
    assert after.feed.balance_kg == pytest.approx(0.9)
    assert after.feed.forgotten_kg == pytest.approx(0.6)


class Books:
    """Every kilogram that entered over the scales, and every one that left the auger."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.mix_kg = self.fed_kg = 0.0
        self.booked_g = [0, 0]
        """[g] Mix without rubber, rubber: in parcels."""

    def run(self, seconds: float) -> None:
        for _ in range(round(seconds / 0.2)):
            self.take()

    def take(self, *kinds: CommandKind, value: float = 0.0, subject: str = "") -> None:
        result = self.bench.scan(*[command(kind, subject, value) for kind in kinds])
        self.bench.obey()
        self.mix_kg += sum(stream.dry_kg_s * 0.2 for stream in result.view.streams)
        self.fed_kg += result.shown.flow.fed_kg
        for parcel in result.parcels:
            self.booked_g[0] += parcel.mix_without_rubber_g
            self.booked_g[1] += parcel.rubber_g

    def check(self) -> None:
        state = self.bench.state
        stages, forming, totals = state.outlet.stages, state.outlet.forming, state.totals
        inside_kg = sum(path.belt.content + sum(path.drum) for path in state.plant.paths) + sum(
            sum(stages[part]) + forming[part] for part in MASS_PARTS if part != RUBBER
        )
        wasted_kg = (totals.wasted_mix_g - totals.wasted_rubber_g) / 1000.0
        assert self.mix_kg == pytest.approx(self.booked_g[0] / 1000.0 + inside_kg + wasted_kg, abs=0.01)
        rubber_kg = state.line.content + sum(stages[RUBBER]) + forming[RUBBER] + state.caught_kg
        assert self.fed_kg == pytest.approx(
            self.booked_g[1] / 1000.0 + rubber_kg + totals.wasted_rubber_g / 1000.0, abs=0.01
        )


def test_what_came_in_is_in_parcels_inside_or_wasted() -> None:
    bench = Bench()
    books = Books(bench)
    books.take(CommandKind.ENABLE_CONTROL, subject=SETTINGS_ID)
    books.take(CommandKind.START_FEED)
    books.run(240.0)
    assert books.fed_kg > 30.0
    for share in (0.5, 0.2):
        bench.values["drum_turning"] = 0.0
        for name in ("aggregate", "recycle", "binder", "belt_speed"):
            bench.values[name] = 0.0
        books.run(20.0)
        books.check()
        before = bench.state.totals.wasted_mix_g
        books.take(CommandKind.DRUM_DUMPED, value=share)
        assert bench.state.totals.wasted_mix_g > before + 500_000
        books.check()
        bench.values |= {"drum_turning": 1.0, "aggregate": 50.0, "recycle": 10.0, "binder": 2.6, "belt_speed": 1.6}
        books.run(120.0)
        books.check()
    assert bench.state.totals.parcels > 20


def test_material_of_an_older_mix_goes_with_the_rest() -> None:
    """Within a change of mix the drum holds both: 500 kg of the newest before the injection point, 200 of the older."""
    before = full_drum()
    paths = tuple(replace(path, drum=tuple(0.4 * kg for kg in path.drum)) for path in before.plant.paths)
    older = Leaving("older", paths, ())
    mixes = replace(before.plant.mixes, leaving=(older,))
    after, heap = dump(replace(before, plant=replace(before.plant, mixes=mixes)), 0.25)
    assert heap.mix_g == 521_375 + 50_000
    (left,) = after.plant.mixes.leaving
    assert left.paths[0].drum == pytest.approx((0.75 * 120.0, 0.75 * 40.0))
    assert left.paths[0].belt == older.paths[0].belt
