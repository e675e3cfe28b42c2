"""What a run takes over from the one before: counters go on from their baseline, as far as the time away is known."""

from dataclasses import replace
from pathlib import Path

import pytest

from crumbmeter.alarms.machine import PLACES, AlarmMemory
from crumbmeter.app.standing import restored_state
from crumbmeter.app.startup import instance_of
from crumbmeter.control.job import JobState
from crumbmeter.control.mix_change import first_mixes
from crumbmeter.control.params import Params
from crumbmeter.control.state import first_state
from crumbmeter.journal.reader import Reader
from crumbmeter.ledger import events, snapshots
from crumbmeter.ledger.stamped import Stamped
from crumbmeter.model.events import Event, event
from crumbmeter.model.view import NoteView
from crumbmeter.signals.totaliser import TotaliserParams, TotaliserState, observe
from tests.batch_cores import make_batch_params
from tests.cores import INDEX, make_params
from tests.unit.journal.making import NOW, write

COUNTER = TotaliserParams(
    "recipe", INDEX["recipe"], 1.0, 65536, wraps=True, resettable=False, max_rate_counts_s=10.0, confirm_reads=2
)
AWAY_S = 300.0
NEW_RUN_S = 1000.0


def params() -> Params:
    return replace(make_params(), totalisers=(COUNTER,))


def kept(path: Path, left_s: float = 50_000.0) -> Path:
    """Write the journal of a run that ended 3 s after its last read."""
    state = first_state(params())
    counted, _ = observe(state.totalisers[0], COUNTER, 65_000, left_s - 9.0)
    counted, _ = observe(counted, COUNTER, 65_020, left_s - 3.0)
    snapshot = snapshots.Snapshot(7, "of other settings", replace(state, totalisers=(counted,)))
    write(path, [[snapshots.entry(snapshot, Stamped(round(left_s * 1e6), NOW.wall_us))]])
    return path


def restored(path: Path, away_s: float) -> TotaliserState:
    with Reader(path) as reader:
        state = restored_state(reader, params(), NEW_RUN_S, NOW.wall_us + round(away_s * 1e6))
    return state.totalisers[0]


def test_a_counter_goes_on_from_its_baseline_and_books_what_passed_while_nobody_looked(tmp_path: Path) -> None:
    counter = restored(kept(tmp_path / "journal.db"), AWAY_S)
    assert (counter.baseline_count, counter.booked_counts) == (65_020, 20)
    assert counter.baseline_s == pytest.approx(NEW_RUN_S - AWAY_S - 3.0)
    for place in range(2):  # over its top meanwhile, 2516 counts in 303 s
        counter, _ = observe(counter, COUNTER, 2_000, NEW_RUN_S + place)
    assert (counter.booked_counts, counter.gaps) == (20 + 2_516, ())


@pytest.mark.parametrize("away_s", [6_600.0, -10.0])
def test_what_cannot_be_decided_is_said_to_be_so(tmp_path: Path, away_s: float) -> None:
    """Away for longer than one turn of the counter, or for a time that the wall clock does not tell."""
    counter = restored(kept(tmp_path / "journal.db"), away_s)
    for place in range(2):
        counter, events = observe(counter, COUNTER, 65_030, NEW_RUN_S + place)
    assert counter.booked_counts == 20
    assert [(happened.name, happened.get("verdict")) for happened in events] == [("totaliser_gap", "undecidable")]


def test_more_than_can_have_passed_is_another_device(tmp_path: Path) -> None:
    counter = restored(kept(tmp_path / "journal.db"), AWAY_S)
    for place in range(2):
        counter, events = observe(counter, COUNTER, 40_000, NEW_RUN_S + place)
    assert events[0].get("verdict") == "replacement"
    assert counter.booked_counts == 20


def confirmed_for(path: Path, *happened: Event, kept: str = "", reading: str = "now") -> tuple[str, bool]:
    """Start with a journal of a snapshot and then events; return for which reading, and whether control is enabled."""
    site = replace(params(), weight_reading=reading)
    state = replace(first_state(site), weight_confirmed=kept)
    at = Stamped(NOW.mono_us, NOW.wall_us)
    snapshot = snapshots.entry(snapshots.Snapshot(7, site.settings_id, state), at)
    write(path, [[snapshot, *(events.entry(one, at) for one in happened)]])
    with Reader(path) as reader:
        restored = restored_state(reader, site, NEW_RUN_S, NOW.wall_us)
    return restored.weight_confirmed, restored.control_enabled


@pytest.mark.parametrize("name", ["mix_selected", "mix_changed"])
def test_the_mix_chosen_last_is_chosen_still_and_nothing_of_another_is_on_its_way(tmp_path: Path, name: str) -> None:
    at = Stamped(NOW.mono_us, NOW.wall_us)
    # The second is the name that journals had before a change followed the material.
    happened = (event("mix_selected", was="plain", to="surface"), event(name, was="surface", to="plain"))
    write(tmp_path / "kept.db", [[events.entry(one, at) for one in happened]])
    with Reader(tmp_path / "kept.db") as reader:
        restored = restored_state(reader, params(), NEW_RUN_S, NOW.wall_us)
    assert restored.mix_id == restored.outlet.older_mix == "plain"
    assert restored.plant.mixes == first_mixes("plain")


def test_the_job_and_the_last_note_outlive_a_restart_and_a_changed_site_file(tmp_path: Path) -> None:
    happened = (
        event("bag_loaded", lot="L-0", mass_kg=500.0, bags_in_job=4, who="ana"),
        event("subtotal_reset", who="ana", rubber_g=1, mix_g=1),
        event("job_planned", mix_kg=300_000.0, who="ana"),
        event("bag_loaded", lot="L-1", mass_kg=700.0, bags_in_job=1, who="ana"),
        event("hand_over_note", note="old", who="ana"),
        event("settings_changed"),
        event("bag_loaded", lot="L-2", mass_kg=680, bags_in_job=2, who="ben"),
        event("mix_wasted", mix_kg=1000.0, who="ben", reason="cold"),
        event("job_planned", mix_kg=400_000.0, who="ben"),
        event("hand_over_note", note="Left leg is noisy.", who="ben"),
    )
    at = Stamped(NOW.mono_us, NOW.wall_us)
    write(tmp_path / "kept.db", [[events.entry(one, at) for one in happened]])
    with Reader(tmp_path / "kept.db") as reader:
        restored = restored_state(reader, params(), NEW_RUN_S, NOW.wall_us + round(AWAY_S * 1e6))
    assert restored.job == JobState(400_000.0, bags=2, bags_kg=1380.0, bag_kg=680.0, lot="L-2", wasted_kg=1000.0)
    assert restored.note == NoteView("Left leg is noisy.", "ben", NEW_RUN_S - AWAY_S)


def test_a_confirmed_weight_lasts_as_long_as_it_is_read_the_same_way(tmp_path: Path) -> None:
    enabled = event("control_enabled", who="anna", settings_id=params().settings_id)
    now = event("weight_confirmed", reading="now")
    before = event("weight_confirmed", reading="before")
    changed = event("settings_changed")
    cases: dict[str, tuple[str, tuple[Event, ...]]] = {
        "kept": ("now", (enabled,)), "told": ("", (now, enabled)), "newest": ("", (before, now, enabled)),
        "over a change": ("now", (before, changed, enabled)), "newer than kept": ("before", (now, enabled)),
    }  # fmt: skip
    for name, (held, happened) in cases.items():
        assert confirmed_for(tmp_path / f"{name}.db", *happened, kept=held) == ("now", True), name
    assert confirmed_for(tmp_path / "never.db", enabled) == ("", False)
    assert confirmed_for(tmp_path / "other.db", enabled, kept="before") == ("before", False)
    assert confirmed_for(tmp_path / "not asked.db", enabled, reading="") == ("", True)


def test_what_a_batch_plants_vessel_and_auger_taught_is_kept(tmp_path: Path) -> None:
    site = make_batch_params()
    fresh = first_state(site)
    assert fresh.batch is not None
    taught = replace(
        fresh.batch,
        vessel=replace(fresh.batch.vessel, account_kg=9.0, zero_kg=0.07, overrun_kg=1.1),
        dosing=replace(fresh.batch.dosing, overrun_kg=0.31),
        wasted_kg=4.5,
        counter=77,
    )
    for settings_id, kept_on in ((site.settings_id, True), ("of other settings", False)):
        path = tmp_path / f"{settings_id[:4]}.db"
        snapshot = snapshots.Snapshot(7, settings_id, replace(fresh, batch=taught))
        write(path, [[snapshots.entry(snapshot, Stamped(NOW.mono_us, NOW.wall_us))]])
        with Reader(path) as reader:
            batch = restored_state(reader, site, NEW_RUN_S, NOW.wall_us).batch
        assert batch is not None
        wanted = (0.07, 1.1, 0.31, 4.5) if kept_on else (0.0, fresh.batch.vessel.overrun_kg, 0.18, 0.0)
        assert (batch.vessel.zero_kg, batch.vessel.overrun_kg, batch.dosing.overrun_kg, batch.wasted_kg) == wanted
        # What lies in the vessel its scale knows, and what is in the pugmill nobody does.
        assert (batch.vessel.account_kg, batch.counter, batch.current) == (0.0, None, None)


def test_the_number_of_a_run_is_never_that_of_nobody() -> None:
    assert {instance_of(f"{boot:08x}{'0' * 24}") for boot in (0, 1, 65_534, 65_535, 65_536, 2**32 - 1)} <= set(
        range(1, 65_536)
    )
    assert instance_of("00000000" + "0" * 24) == 1


def test_alarms_stand_as_the_record_left_them(tmp_path: Path) -> None:
    """Raised, seen, shelved, out of service, latched: each as its newest event says (REQ-34)."""
    told = (
        event("alarm_raised", alarm="hopper_low", state="unacknowledged", detail="25 kg left", first_out=True),
        event("alarm_raised", alarm="dose_out", state="unacknowledged", detail="", first_out=False),
        event("alarm_acknowledged", alarm="dose_out", state="acknowledged", who="anna"),
        event("alarm_shelved", alarm="supply_low", state="shelved", who="anna", for_s=3600.0, reason="bag comes"),
        event("alarm_shelved", alarm="total_off", state="shelved", who="anna", for_s=60.0, reason="known"),
        event("alarm_removed", alarm="flow_switch", state="out of service", who="ben", reason="broken"),
        event("alarm_cleared", alarm="other_master", state="latched, unacknowledged", detail="number 7"),
        event("alarm_raised", alarm="gone_from_the_catalogue", state="unacknowledged", detail="", first_out=False),
    )
    path = tmp_path / "journal.db"
    at = Stamped(NOW.mono_us, NOW.wall_us)
    write(path, [[events.entry(one, at) for one in told]])
    with Reader(path) as reader:
        alarms = restored_state(reader, params(), NEW_RUN_S, NOW.wall_us + round(AWAY_S * 1e6)).alarms
    found = {name: alarms.each[place] for name, place in PLACES.items()}
    assert {name: memory.state.value for name, memory in found.items() if memory != AlarmMemory()} == {
        "hopper_low": "unacknowledged", "dose_out": "acknowledged", "supply_low": "shelved",
        "flow_switch": "out of service", "other_master": "latched, unacknowledged", "total_off": "normal",
    }  # fmt: skip
    hopper, supply, switch = found["hopper_low"], found["supply_low"], found["flow_switch"]
    assert (hopper.holds, hopper.first, hopper.detail, hopper.since_s) == (True, True, "25 kg left", NEW_RUN_S)
    assert (supply.left_s, supply.who, supply.why) == (3600.0 - AWAY_S, "anna", "bag comes")
    assert (switch.who, switch.why) == ("ben", "broken")
