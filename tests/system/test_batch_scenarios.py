"""Every scenario of a batch plant, in closed loop on virtual time: events in order, end, masses, record."""

import dataclasses
from pathlib import Path

import pytest

from crumbmeter.cli.demo_parts import Expectations, read_shift
from crumbmeter.cli.demo_report import judge
from crumbmeter.control.state import State
from crumbmeter.control.step import make_core, step
from crumbmeter.ledger.snapshot import decode, encode
from crumbmeter.model.commands import Command
from crumbmeter.model.image import RawImage
from crumbmeter.site import load
from crumbmeter_sim.batch_rig import BatchRig
from tests.closed_loop import ROOT, ClosedLoop, loop_for

FOLDER = ROOT / "config" / "scenarios" / "batch"
SCENARIOS = sorted(FOLDER.glob("*.toml"))
SITE = "demo_batch"
REACTION_KG = 1.5
"""[kg] What the valve may still let out when a plant closes its window without notice: half a second of a release."""


def batch_loop(name: str) -> ClosedLoop:
    return loop_for(f"batch/{name}", SITE)


@pytest.mark.slow
@pytest.mark.timeout(180)
@pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: path.stem)
def test_scenario(path: Path, tmp_path: Path) -> None:
    loop = batch_loop(path.stem)
    shift = read_shift(path, seed=None, plant=None, rate=1.0, folder=tmp_path)
    expected = Expectations(shift.expected)
    score = loop.play()
    for at_s, happened in loop.events:
        expected.take(at_s, happened)
    assert loop.view is not None
    assert judge(shift, score, expected, loop.view.run_state).failures == ()
    window = score["window"]
    assert window["released_in_reaction_kg"] <= REACTION_KG
    # What arrived with no window open was under way when a plant closed it without notice; else not even a gram.
    assert window["arrived_outside_kg"] - window["of_it_into_aborted_kg"] < 0.001
    assert abs(score["oracle"]["mix_gap_kg"]) < 1e-6
    assert loop.unsafe == 0
    assert isinstance(loop.rig, BatchRig)
    _record_is_the_truth(loop, loop.rig)


def _record_is_the_truth(loop: ClosedLoop, rig: BatchRig) -> None:
    """One parcel for each batch that left as mix, in their order, with what the plant weighed and what was blown in."""
    left = [batch for batch in rig.plant.tower.batches if batch.left_s is not None and batch.outcome == "complete"]
    assert len(left) - len(loop.parcels) in (0, 1)  # the gate may have shut in the last scan
    for parcel, batch in zip(loop.parcels, left, strict=False):
        assert parcel.target_rubber_g / 1000.0 == pytest.approx(batch.said_wanted_kg, rel=0.01)
        assert parcel.rubber_g / 1000.0 == pytest.approx(batch.parts.rubber_kg, abs=0.35)
        assert parcel.mix_without_rubber_g / 1000.0 == pytest.approx(batch.parts.mix_kg, rel=0.02)
    assert [parcel.number for parcel in loop.parcels] == list(range(1, len(loop.parcels) + 1))
    totals = loop.state.totals
    assert totals.rubber_g == sum(parcel.rubber_g for parcel in loop.parcels)
    assert totals.mix_g == sum(parcel.mix_g for parcel in loop.parcels)
    assert totals.parcels == len(loop.parcels)


def test_there_is_a_scenario_for_everything_that_happens() -> None:
    wanted = {
        "plain_run", "late_rubber", "rubber_missing", "aborted_batches", "doubled_batch", "partial_batches",
        "counter_rolls_over", "emergency_stop", "hand_shake_lost",
    }  # fmt: skip
    assert wanted == {path.stem for path in SCENARIOS}
    assert load(ROOT / "config" / "sites" / f"{SITE}.toml").params.simulated


@pytest.mark.timeout(120)
def test_a_recorded_run_replays_to_the_same_bits() -> None:
    """Also from a snapshot half way, as the journal keeps it."""
    loop = batch_loop("counter_rolls_over")
    taken: list[tuple[RawImage, tuple[Command, ...], float]] = []
    states: list[State] = []
    watched = loop.core
    while loop.rig.now_s < 200.0:
        before = loop.state
        commands = tuple(loop._command(order) for order in loop.orders if order.t_s <= loop.rig.now_s + loop.dt_s)
        result = loop.scan()
        states.append(before)
        taken.append((result.shown.image, commands, loop.dt_s))
    half = len(states) // 2
    state = decode(State, encode(states[half]))
    assert state == states[half]
    again = make_core(watched.params)
    for image, commands, dt_s in taken[half:]:
        state = step(state, image, commands, again, dt_s).state
    assert encode(state) == encode(loop.state)


@pytest.mark.slow
@pytest.mark.timeout(120)
def test_a_plant_that_goes_on_by_itself_is_booked_as_short() -> None:
    """No rubber at all: the plant waits, goes on, and the record says what the mix lacks."""
    path = FOLDER / "rubber_missing.toml"
    rig = BatchRig.from_scenario(path, overrides={"tower.then": "go_on"})
    loop = ClosedLoop(load(ROOT / "config" / "sites" / f"{SITE}.toml"), rig)
    score = loop.play()
    assert score["batches"]["complete"] > score["batches"]["delivered"]
    short = [parcel for parcel in loop.parcels if parcel.rubber_g < parcel.target_rubber_g // 2]
    assert len(short) == score["batches"]["complete"] - score["batches"]["delivered"]
    raised = {happened.get("alarm") for _, happened in loop.events if happened.name == "alarm_raised"}
    assert {"dose_out", "rubber_late"} <= raised
    assert score["window"]["released_outside_kg"] == 0.0


@pytest.mark.timeout(120)
def test_monitor_only_writes_nothing_and_still_books_batches() -> None:
    loop = batch_loop("counter_rolls_over")
    loop.orders = []
    while loop.rig.now_s < 200.0:
        result = loop.scan()
        assert result.outputs.write_enabled is False
    assert isinstance(loop.rig, BatchRig)
    assert not loop.rig.plant.vessel.release
    assert not loop.rig.plant.tower.ready
    # Nothing delivers: after its longest dry mix the plant throws the batch away.
    assert loop.rig.plant.tower.batches[0].outcome == "aborted"
    assert any(happened.name == "batch_aborted" for _, happened in loop.events)


@pytest.mark.timeout(120)
def test_a_leaking_vessel_holds_ready_back() -> None:
    loop = batch_loop("counter_rolls_over")
    while loop.rig.now_s < 140.0:
        loop.scan()
    loop.rig.do("vessel_leak", kg_s=0.15)
    raised = []
    while loop.rig.now_s < 260.0:
        result = loop.scan()
        raised += [happened.get("alarm") for happened in result.events if happened.name == "alarm_raised"]
    assert "charge_doubtful" in raised


def test_the_site_of_another_settings_id_is_another_plant() -> None:
    """A drum plant's state has no batch in it, and the other way round: a snapshot tells them apart by its settings."""
    drum, batch = (load(ROOT / "config" / "sites" / f"{name}.toml").params for name in ("demo_drum", SITE))
    assert drum.batch is None
    assert batch.batch is not None
    assert (drum.mixer, batch.mixer) == ("drum", "pugmill")
    assert dataclasses.replace(batch, batch=None).mixer == "drum"
