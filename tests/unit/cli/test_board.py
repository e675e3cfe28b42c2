"""The board in words: what the operator must be able to read from it, whatever the view holds."""

import dataclasses
import json
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crumbmeter.cli.board import HEIGHT, WIDTH, Link, board
from crumbmeter.cli.display import METRIC, US, dose_per_mix, seconds
from crumbmeter.model.image import WriteStage, WriteStatus
from crumbmeter.model.quality import Quality, Reason
from crumbmeter.model.reading import Reading, bad
from crumbmeter.model.view import (
    AlarmView,
    BatchView,
    LineView,
    NoteView,
    OrderView,
    PermissiveView,
    StreamView,
    SupplyView,
    TripView,
)
from crumbmeter.outward.lines import view_line
from tests.unit.outward.samples import NAMES, ORIGIN, VIEW, scan

UP = Link(up=True, silent_s=0.1)
US_SITE = {"title": "Demo drum", "units": "us"}


def lines(link: Link = UP, settings: dict[str, Any] | None = None, **changes: Any) -> list[str]:
    view = json.loads(json.dumps(view_line(ORIGIN, NAMES, scan(**changes), 100.2)))
    return [line.plain for line in board(view, settings if settings is not None else US_SITE, link)]


def line_with(words: str, found: list[str]) -> str:
    (line,) = [line for line in found if words in line]
    return line


def test_wanted_setpoint_and_actual_stand_in_site_units() -> None:
    # 0.249 kg/s = 32.94 lb/min (1 lb = 0.45359237 kg); 2000 * 0.249 / 50.249 = 9.91 lb in a short ton of mix
    found = lines()
    assert "32.9 lb/min +-1.1 (k=2)" in line_with("Actual", found)
    assert "9.91 lb/short_ton" in line_with("Actual", found)
    assert "33.1 lb/min" in line_with("Setpoint", found)
    assert "198.4 short_ton/h" in line_with("Mix ", found)
    # 0.249 kg/s = 14.94 kg/min; 1000 * 0.249 / 50.249 = 4.96 kg in a tonne of mix
    found = lines(settings={"units": "metric"})
    assert "14.9 kg/min" in line_with("Actual", found)
    assert "4.96 kg/tonne" in line_with("Actual", found)
    assert "180.0 tonne/h" in line_with("Mix ", found)


def test_the_dose_stands_with_its_uncertainty_basis_and_coverage_factor() -> None:
    # 0.00506 +- 0.0001 of the mix: 10.12 +- 0.20 lb in a short ton; 18 200 kg are 20.06 short tons
    found = line_with("Dose", lines())
    assert found == "Dose     10.12 +- 0.20 lb/short_ton of mix with rubber, k=2, over 20 short_ton"
    assert len(found) <= WIDTH
    assert "5.06 +- 0.10 kg/tonne of mix with rubber, k=2, over 18 tonne" in line_with(
        "Dose", lines(settings={"units": "metric"})
    )
    proven = VIEW.proven
    assert proven is not None
    binder = replace(proven, basis="virgin_binder", dose=0.08, expanded=0.0021, coverage=2.13)
    assert "8.00 +- 0.21 % of virgin binder, k=2.1" in line_with("Dose", lines(proven=binder))
    bad_input = replace(proven, quality=Quality.BAD)
    assert line_with("Dose", lines(proven=bad_input)).endswith("k=2: an input was Bad")
    assert not any(line.startswith("Dose") for line in lines(proven=None))


def test_what_was_dumped_is_shown_once_there_is_some() -> None:
    # 3154.958 kg are 3.5 short tons (907.18474 kg each), 10.442 kg are 23.0 lb
    dumped = replace(VIEW.totals, wasted_mix_g=3_154_958, wasted_rubber_g=10_442)
    assert line_with("Dumped", lines(totals=dumped)) == "Dumped in all 3.5 short_ton of mix with 23.0 lb rubber"
    assert not any("Dumped" in line for line in lines())


def test_a_batch_plant_shows_its_batch_and_its_charge() -> None:
    batch = BatchView(
        "blowing in", "window is open", 4711, wanted=True, window_s=4.2, target_kg=15.08, need_kg=-0.02, vessel_kg=8.5,
        batch_rubber_kg=3.0, batch_target_kg=15.08, last_error=0.0061, wasted_kg=10.0,
    )  # fmt: skip
    found = lines(batch=batch)
    assert "Batch 4711: blowing in (window is open); dry-mix window open 4.2 s" in found
    # 1 lb = 0.45359237 kg: 15.08 kg are 33.25 lb, 8.5 kg 18.74 lb, 3.0 kg 6.61 lb
    assert "target 33.25 lb, in the vessel 18.74 lb" in line_with("Charge", found)
    assert "6.61 lb of 33.25 lb blown in" in line_with("Pugmill", found)
    assert "+0.6 %" in line_with("Made", found)
    unknown = dataclasses.replace(batch, wanted=None, batch_rubber_kg=None, batch_target_kg=None, last_error=None)
    found = lines(batch=unknown)
    assert "dry-mix window NOT KNOWN" in line_with("Batch 4711", found)
    assert not any("Pugmill" in line for line in found)


def test_not_good_is_told_in_words() -> None:
    assert "--- Bad: stale 12 s" in line_with("Actual", lines(fed=bad(Reason.STALE, 12.0)))
    held = Reading(0.2, Quality.UNCERTAIN, Reason.LAST_USABLE_VALUE, 3.0)
    assert "~26.5 lb/min (Uncertain: last usable value 3.0 s)" in line_with("Actual", lines(fed=held))
    assert "not fitted" in line_with("Supply", lines())


def test_a_feed_factor_that_is_not_yet_known_is_said_to_be_learned() -> None:
    assert "learning" not in line_with("Actual", lines())
    assert "learning, 0.2 s old" in line_with("Actual", lines(learning=True))
    held = Reading(0.2, Quality.UNCERTAIN, Reason.LAST_USABLE_VALUE, 3.0)
    assert line_with("Actual", lines(fed=held, learning=True)).endswith("learning")


def test_where_no_stream_is_read_nothing_is_shown_as_nought() -> None:
    unread = (StreamView("belt", bad(Reason.NO_COMMUNICATION, 9.0), 0.0, 0.0, 0.0),)
    found = lines(streams=unread)
    assert "--- no stream is read" in line_with("Wanted", found)
    assert "Mix --- of" in line_with("Mix ", found)


def test_while_a_change_of_mix_is_under_way_both_are_named() -> None:
    assert "of surface_10;" in line_with("Mix ", lines())
    assert "of base_5, then surface_10;" in line_with("Mix ", lines(mix_at_injection="base_5"))


def test_a_trip_that_is_being_measured_is_said() -> None:
    assert any("HEARTBEAT WITHHELD" in line for line in lines(trip=TripView(measuring=True)))
    assert not any("HEARTBEAT" in line for line in lines())


def test_what_is_wrong_with_the_line_is_said_with_the_time_there_is() -> None:
    # 21 000 Pa and 400 Pa are 3.05 and 0.058 psi (1 psi = 6894.757 Pa); the interval shown is k = 2
    plugging = LineView("plug building up", expected_pa=21_000.0, spread_pa=400.0, soonest_s=118.4, latest_s=355.0)
    found = lines(line=plugging)
    assert "(learned 3.05 psi +-0.12)" in line_with("Line ", found)
    assert line_with("LINE:", found) == "LINE: plug building up; 118 to 355 s to the limit"
    assert line_with("LINE:", lines(line=LineView("bridge in the weigh hopper"))) == "LINE: bridge in the weigh hopper"
    for calm in (LineView(), LineView("as learned"), LineView("not judged")):
        assert not any("LINE:" in line or "learned" in line for line in lines(line=calm))


def test_monitor_only_and_simulated_cannot_be_missed() -> None:
    found = lines(control_enabled=False)
    assert "MONITOR ONLY" in found[2]
    assert "SIMULATED" in found[0]


def test_missing_permissives_come_first_and_met_ones_are_silent() -> None:
    needs = (
        PermissiveView("drum turns", met=True, why=""),
        PermissiveView("blower proven", met=None, why="Bad: stale"),
        PermissiveView("diverter to drum", met=False, why="contact open"),
    )
    found = [line for line in lines(permissives=needs) if line.startswith("Needs")]
    assert found == ["Needs  NOT MET  diverter to drum: contact open", "Needs  NOT KNOWN blower proven: Bad: stale"]


def test_alarm_names_its_remedy_and_unacknowledged_come_first() -> None:
    alarms = (
        AlarmView("A", "acknowledged", 10.0, "a", "ra"),
        AlarmView("B", "unacknowledged", 20.0, "b", "rb"),
        AlarmView("C", "returned, unacknowledged", 30.0, "c", "rc"),
    )
    found = lines(alarms=alarms)
    at = found.index("!! B unacknowledged, 80 s: b")
    assert found[at + 1 : at + 4] == ["   do: rb", "!! C returned, unacknowledged, 70 s: c", "   do: rc"]
    assert found[at + 4] == "   and 1 more alarms"


def test_stages_of_a_write_are_kept_apart() -> None:
    for stage, words in ((WriteStage.REQUESTED, "requested"), (WriteStage.ACKNOWLEDGED, "acknowledged"),
                         (WriteStage.CONFIRMED, "confirmed"), (WriteStage.FAILED, "FAILED")):  # fmt: skip
        found = lines(writes=(WriteStatus(stage, (1,), None, 99.0, 99.5),))
        assert line_with("Writes", found) == f"Writes {words}: auger_speed, 0.5 s"


def test_failed_write_is_not_hidden_behind_the_confirmed_ones() -> None:
    stages = (WriteStage.CONFIRMED, WriteStage.FAILED)
    found = lines(writes=tuple(WriteStatus(stage, (1,), None, 99.0, 99.5) for stage in stages))
    assert [line for line in found if line.startswith("Writes")] == [
        "Writes FAILED: heartbeat, 0.5 s",
        "Writes confirmed: auger_speed, 0.5 s",
    ]


@pytest.mark.parametrize(
    ("link", "words"),
    [
        (Link(up=False, silent_s=14.0), "LINK LOST - what stands here is 14 s old"),
        (Link(up=True, silent_s=14.0), "NO NEW SCAN - what stands here is 14 s old"),
    ],
)
def test_old_values_are_greyed_and_said_to_be_old(link: Link, words: str) -> None:
    view = json.loads(json.dumps(view_line(ORIGIN, NAMES, scan(), 100.0)))
    drawn = board(view, US_SITE, link)
    assert words in drawn[0].plain
    assert all(any(span.style == "dim" for span in line.spans) for line in drawn[1:-1] if line.plain)
    fresh = board(view, US_SITE, UP)
    assert not any(span.style == "dim" for line in fresh[1:4] for span in line.spans)


def test_scan_that_died_behind_a_live_link_is_told() -> None:
    view = json.loads(json.dumps(view_line(ORIGIN, NAMES, scan(), 107.0)))
    assert "NO NEW SCAN" in board(view, US_SITE, UP)[0].plain


def test_no_view_yet() -> None:
    assert "Waiting" in board(None, {}, Link(up=False, silent_s=0.0))[1].plain


many = st.integers(0, 30)


@given(
    alarms=many, needs=many, streams=many, narrowed=many, width=st.integers(20, 120), height=st.integers(3, 40),
    word=st.text(max_size=200), up=st.booleans(),
)  # fmt: skip
def test_board_always_fits_the_terminal(
    alarms: int, needs: int, streams: int, narrowed: int, width: int, height: int, word: str, up: bool
) -> None:
    reading = Reading(None, Quality.BAD, Reason.STALE, 1.0)
    result = scan(
        alarms=(AlarmView("A", "unacknowledged", 1.0, word, word),) * alarms,
        permissives=(PermissiveView(word, met=False, why=word),) * needs,
        streams=(StreamView("s", reading, 0.0, 0.0, 0.0),) * streams,
        narrowed=((word, word),) * narrowed,
    )
    view = json.loads(json.dumps(view_line(ORIGIN, NAMES, result, 100.0)))
    drawn = board(view, US_SITE, Link(up, 0.0), width, height)
    assert len(drawn) <= height
    assert all(line.cell_len <= width for line in drawn)
    assert all(line.plain.isprintable() for line in drawn)


def test_sample_board_fits_the_usual_terminal_with_writes_on_it() -> None:
    found = lines()
    assert len(found) < HEIGHT
    assert max(map(len, found)) <= WIDTH
    assert line_with("Writes", found)


@pytest.mark.parametrize(("rubber", "mix"), [(0.1, 0.0), (None, 50.0), (0.1, None), (-1.0, 0.5)])
def test_dose_without_mix_is_no_number(rubber: float | None, mix: float | None) -> None:
    assert dose_per_mix(rubber, mix, US) == "--- lb/short_ton"
    assert dose_per_mix(rubber, mix, METRIC) == "--- kg/tonne"


@pytest.mark.parametrize(
    ("age", "words"), [(None, "never"), (0.04, "0.0 s"), (9.96, "10.0 s"), (61.0, "61 s"), (7200.0, "120 min")]
)
def test_ages(age: float | None, words: str) -> None:
    assert seconds(age) == words


def test_who_asked_last_stands_beside_the_run_state() -> None:
    order = OrderView("start feed", "ana (operator, desk)", VIEW.now_s - 95.0)
    assert lines(order=order)[1].endswith("(start feed: ana (operator, desk), 95 s ago)")
    assert "ago" not in lines()[1]


def test_the_note_of_the_last_shift_is_read() -> None:
    note = NoteView("The left leg is noisy.", "ana (operator, desk)", VIEW.now_s - 7200.0)
    assert line_with("Note of", lines(note=note)) == "Note of ana (operator, desk), 120 min ago: The left leg is noisy."
    assert not any("Note of" in line for line in lines())


def test_a_flood_says_where_to_look() -> None:
    assert line_with("MORE ALARMS", lines(alarm_flood=True)).endswith("look at what came FIRST.")
    assert not any("MORE ALARMS" in line for line in lines())


def test_how_long_the_rubber_lasts_and_how_many_bags_it_takes() -> None:
    # 300 t are 330.69 short tons.
    supply = SupplyView(
        hopper_empty_in_s=600.0, empty_in_s=1800.0, here_kg=450.0, planned_mix_kg=500_000.0, left_mix_kg=300_000.0,
        takes_kg=1500.0, bags_to_load=2,
    )  # fmt: skip
    assert line_with("Rubber for", lines(supply=supply)) == "Rubber for 30 min, 331 short_ton to make, 2 more bags"
    assert line_with("Weigh hopper for", lines(supply=SupplyView(hopper_empty_in_s=90.0))) == "Weigh hopper for 1.5 min"


def test_alarms_stand_by_urgency_and_what_is_put_aside_is_named() -> None:
    """To be seen before seen, high before low, the first of a group before what follows from it."""
    alarms = (
        AlarmView("supply_low", "unacknowledged", 60.0, "The supply hopper is low", "Hang the next bag.", "low"),
        AlarmView("feed_stopped", "unacknowledged", 91.0, "The feed has stopped", "Read the cause.", "high"),
        AlarmView("pressure_low", "unacknowledged", 90.0, "Line pressure is low", "Look at the hose.", "high", True),
        AlarmView("hopper_low", "acknowledged", 50.0, "The weigh hopper runs empty", "Look.", "high"),
        AlarmView("flow_switch", "out of service", 1.0, "Disagrees", "Look.", "medium", who="anna", why="broken"),
        AlarmView("dose_out", "suppressed by design", 1.0, "Out of band", "Look.", "high"),
    )
    found = lines(alarms=alarms)
    told = [line for line in found if line.startswith(("!!", " !"))]
    assert [line.split()[1] for line in told] == ["pressure_low", "feed_stopped"]
    assert "FIRST" in told[0]
    assert "FIRST" not in told[1]
    assert "   and 2 more alarms" in found
    assert line_with("Not told:", found) == "Not told: flow_switch out of service"
    assert not any("dose_out" in line for line in found)
