"""What stops the feed at once in which state, what only puts it in doubt, and what forbids a start."""

from dataclasses import replace
from typing import Any

import pytest

from crumbmeter.control.line_state import Finding
from crumbmeter.control.line_table import Diagnosis
from crumbmeter.control.permissives import (
    Contacts,
    doubt_before_start,
    inputs_in_doubt,
    machine_doubt,
    read_contacts,
    required_signals,
    truth,
    views,
)
from crumbmeter.control.sequence import RunState
from crumbmeter.control.state import FeedState
from crumbmeter.model.image import NOT_WRITTEN, WriteStage, WriteStatus
from crumbmeter.model.quality import Reason
from crumbmeter.model.reading import Reading, bad, good
from tests.cores import INDEX, RUNNING, make_params

PARAMS = make_params()
WELL = Contacts(*(True,) * 7)
R = RunState
UNWRITTEN = (NOT_WRITTEN,) * len(PARAMS.outputs)
LINE = {R.PURGE, R.READY, R.FEEDING}
ARMED = {R.READY, R.FEEDING}


def readings(**values: float | None) -> tuple[Reading, ...]:
    shown: dict[str, float | None] = {**RUNNING, **values}
    return tuple(bad(Reason.STALE) if (value := shown[name]) is None else good(value) for name in INDEX)


@pytest.mark.parametrize(("value", "is_true"), [(1.0, True), (0.51, True), (0.5, False), (0.0, False), (None, None)])
def test_a_contact(value: float | None, is_true: bool | None) -> None:
    assert truth(readings(remote=value), INDEX["remote"]) is is_true


def test_a_contact_that_the_site_does_not_have_counts_as_met() -> None:
    bare = replace(PARAMS, contacts=type(PARAMS.contacts)())
    contacts = read_contacts(bare, readings(drum_turning=None))
    assert contacts == Contacts(True, True, True, True, True, True, None)


def test_every_contact_is_read_from_its_own_signal() -> None:
    named = {
        "emergency_stop_ok": "emergency_stop_ok", "remote": "remote", "blower_running": "blower_running",
        "airlock_running": "airlock_running", "diverter_to_drum": "diverter_to_drum", "drum_turning": "drum_turning",
    }  # fmt: skip
    for signal, contact in named.items():
        others = dict.fromkeys(named, 1.0)
        contacts = read_contacts(PARAMS, readings(**{**others, signal: 0.0}))
        assert [name for name in named.values() if getattr(contacts, name) is False] == [contact]


@pytest.mark.parametrize(("value", "free"), [(0.0, True), (1.0, False), (None, None)])
def test_a_fault_contact_is_the_other_way_round(value: float | None, free: bool | None) -> None:
    params = replace(PARAMS, contacts=replace(PARAMS.contacts, feeder_fault=INDEX["refilling"]))
    assert read_contacts(params, readings(refilling=value)).fault_free is free


@pytest.mark.parametrize(
    ("changes", "why", "leaves_air", "states"),
    [
        ({"emergency_stop_ok": False}, "emergency stop", False, set(R)),
        ({"fault_free": False}, "feeder reports a fault", True, set(R)),
        ({"blower_running": False}, "blower not running", False, LINE),
        ({"airlock_running": False}, "airlock not running", True, ARMED),
        ({"diverter_to_drum": False}, "diverter not on drum", True, ARMED),
        ({"drum_turning": False}, "", False, set()),
        ({"remote": False}, "", False, set()),
    ],
)
def test_which_contact_stops_what(changes: dict[str, bool], why: str, leaves_air: bool, states: set[RunState]) -> None:
    for state in R:
        doubt = machine_doubt(state, replace(WELL, **changes), FeedState(), PARAMS, UNWRITTEN)
        assert doubt == ((why, leaves_air) if state in states else ("", False)), state


@pytest.mark.parametrize("state", list(R))
def test_a_contact_that_is_not_known_is_no_machine_doubt(state: RunState) -> None:
    assert machine_doubt(state, Contacts(*(None,) * 7), FeedState(), PARAMS, UNWRITTEN) == ("", False)


@pytest.mark.parametrize(
    ("feed", "why", "states"),
    [
        (FeedState(pressure_high_s=2.1), "line pressure high", ARMED),
        (FeedState(pressure_high_s=2.0), "", set()),
        (FeedState(pressure_low_s=2.1), "line pressure low", {R.FEEDING}),
        (FeedState(pressure_low_s=2.0), "", set()),
    ],
)
def test_pressure_stops_without_air(feed: FeedState, why: str, states: set[RunState]) -> None:
    for state in R:
        doubt = machine_doubt(state, WELL, feed, PARAMS, UNWRITTEN)
        assert doubt == ((why, False) if state in states else ("", False)), state


@pytest.mark.parametrize("found", list(Diagnosis))
def test_of_the_line_s_diagnoses_only_a_hose_off_by_the_learned_curve_stops(found: Diagnosis) -> None:
    for state in R:
        for expected_pa in (None, 8000.0):
            line = Finding(found, found, 10.0, 3000.0, expected_pa)
            doubt = machine_doubt(state, WELL, FeedState(), PARAMS, UNWRITTEN, line)
            stops = found is Diagnosis.HOSE_OFF and expected_pa is not None and state is R.FEEDING
            assert doubt == (("line pressure low: hose off, or air lost", False) if stops else ("", False))


@pytest.mark.parametrize("found", list(Diagnosis))
def test_no_diagnosis_holds_a_fixed_limit_back(found: Diagnosis) -> None:
    high, low = FeedState(pressure_high_s=2.1), FeedState(pressure_low_s=2.1)
    line = Finding(found, found, 10.0)
    for feed, why in ((high, "line pressure high"), (low, "line pressure low")):
        doubt, leaves_air = machine_doubt(R.FEEDING, WELL, feed, PARAMS, UNWRITTEN, line)
        assert doubt.startswith(why)
        assert not leaves_air


@pytest.mark.parametrize("role", [spec.role for spec in PARAMS.outputs])
@pytest.mark.parametrize("stage", list(WriteStage))
def test_a_setpoint_that_is_not_confirmed(role: str, stage: WriteStage) -> None:
    writes = tuple(WriteStatus(stage if spec.role == role else WriteStage.CONFIRMED) for spec in PARAMS.outputs)
    stops = stage is WriteStage.FAILED and role in ("auger_speed", "feed_rate", "feed_run")
    for state in R:
        doubt = machine_doubt(state, WELL, FeedState(), PARAMS, writes)
        assert doubt == ((f"{role} not confirmed by the feeder", True) if stops and state in ARMED else ("", False))


def test_the_first_doubt_counts() -> None:
    everything = replace(WELL, emergency_stop_ok=False, fault_free=False, blower_running=False)
    assert machine_doubt(R.FEEDING, everything, FeedState(), PARAMS, UNWRITTEN) == ("emergency stop", False)


@pytest.mark.parametrize("value", [False, None])
def test_what_forbids_a_start(value: bool | None) -> None:
    def why(**changes: Any) -> str:
        return doubt_before_start(replace(WELL, **changes))

    assert why() == ""
    assert why(emergency_stop_ok=value, fault_free=value) == "emergency stop"
    assert why(fault_free=value) == "feeder reports a fault"
    assert why(diverter_to_drum=value) == "diverter not on drum"
    assert why(blower_running=value, airlock_running=value, remote=value, drum_turning=value) == ""


def test_what_the_feed_cannot_go_without() -> None:
    names = {PARAMS.signals[index].signal_id for index in required_signals(PARAMS)}
    # The refill gate has its own rule in the estimator; recipe number and flow switch are for comparison only.
    assert names == set(INDEX) - {"refilling", "recipe", "flow_switch"}
    assert len(required_signals(PARAMS)) == len(names)
    belt = replace(PARAMS.streams[0], belt_running=INDEX["refilling"])
    assert INDEX["refilling"] in required_signals(replace(PARAMS, streams=(belt, *PARAMS.streams[1:])))


def test_doubt_names_up_to_three_inputs() -> None:
    required = required_signals(PARAMS)
    lost: dict[str, float | None] = {}
    texts = []
    for name in ("aggregate", "recycle", "binder", "belt_speed", "remote"):
        texts.append(inputs_in_doubt(PARAMS, required, readings(**lost)))
        lost[name] = None
    assert texts == [
        "", "aggregate", "aggregate, recycle", "aggregate, recycle, binder", "aggregate, recycle, binder and 1 more",
    ]  # fmt: skip
    assert inputs_in_doubt(PARAMS, required, readings(recipe=None, refilling=None)) == ""


def test_every_condition_says_what_is_missing() -> None:
    def shown(contacts: Contacts, *, met: bool, doubt: str) -> list[tuple[str, bool | None, str]]:
        listed = views(
            contacts, control_enabled=met, weight_known=met, in_service=met, in_doubt=doubt, dosed=met, material=met
        )
        return [(view.name, view.met, view.why) for view in listed]

    good_ones = shown(WELL, met=True, doubt="")
    assert [met for _, met, _ in good_ones] == [True] * 12
    assert {why for _, _, why in good_ones} == {""}
    missing = shown(Contacts(*(False,) * 7), met=False, doubt="aggregate")
    assert [met for _, met, _ in missing] == [False] * 12
    assert all(why and why != "reading is Bad" for _, _, why in missing)
    assert ("inputs good", False, "aggregate") in missing
    assert "known weight" in missing[0][2]
    unknown = shown(Contacts(*(None,) * 7), met=True, doubt="")
    assert [why for _, met, why in unknown if met is None] == ["reading is Bad"] * 7
