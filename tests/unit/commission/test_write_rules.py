"""What a proof of a write may be, what speaks against it, and that it can write nothing but what was named."""

from collections.abc import Mapping
from dataclasses import replace as changed
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crumbmeter.commission.proof_parts import as_wanted, cut_down
from crumbmeter.commission.write_rules import MOST_S, PROOF_REST, Wish, doubt, fastest_change_si_s, refusals, watched
from crumbmeter.field.words import encode_si
from crumbmeter.model.frozen import replace
from crumbmeter.model.outputs import OutputRole
from crumbmeter.model.quality import Reason
from crumbmeter.model.reading import Reading, bad, good
from crumbmeter.site import load

ROOT = Path(__file__).resolve().parents[3]
SITE = load(ROOT / "config" / "sites" / "demo_drum.toml")
PARAMS = SITE.params
SPEED, RUN = OutputRole.AUGER_SPEED, OutputRole.FEED_RUN
ON_SITE = tuple(OutputRole(spec.role) for spec in PARAMS.outputs)
RPM = 1.0 / 60.0


def readings(**values: float | None) -> tuple[Reading, ...]:
    usual: Mapping[str, float | None] = {
        "emergency_stop_ok": 1.0, "feeder_remote": 1.0, "feeder_fault": 0.0, "diverter_to_drum": 0.0,
        "line_pressure": 0.0, **values,
    }  # fmt: skip
    found = (usual.get(one.signal_id) for one in PARAMS.signals)
    return tuple(bad(Reason.NOT_YET_READ) if value is None else good(value) for value in found)


def test_a_small_value_for_a_short_time_is_not_refused() -> None:
    assert refusals(SITE, Wish(SPEED, 5.0 * RPM, 10.0)) == ()
    assert refusals(SITE, Wish(SPEED, 25.0 * RPM, 10.0, beyond=True)) == ()
    assert refusals(SITE, Wish(OutputRole.HEARTBEAT, None, 10.0)) == ()


@pytest.mark.parametrize(
    ("wish", "words"),
    [
        (Wish(SPEED, 7.0 * RPM, 10.0), "7 rpm is beyond 10 % of its range (6 rpm)"),
        (Wish(SPEED, 61.0 * RPM, 10.0, beyond=True), "outside of its limits, 0 rpm to 60 rpm"),
        (Wish(SPEED, -1.0 * RPM, 10.0), "outside of its limits"),
        (Wish(SPEED, float("nan"), 10.0), "outside of its limits"),
        (Wish(SPEED, 5.0 * RPM, MOST_S + 1.0), "at most 120 s"),
        (Wish(SPEED, 5.0 * RPM, 0.0), "more than 0"),
        (Wish(SPEED, 5.0 * RPM, float("nan")), "more than 0"),
        (Wish(RUN, 0.5, 10.0), "a contact is 0 or 1"),
        (Wish(SPEED, None, 10.0), "--value is missing"),
        (Wish(OutputRole.HEARTBEAT, 3.0, 10.0), "has a value of its own"),
        (Wish(OutputRole.RELEASE, 1.0, 10.0), "release is not among the outputs of this site"),
        (Wish(SPEED, 5.0 * RPM, 10.0, beside=((OutputRole.HEARTBEAT, 1.0),)), "is written by itself"),
        (Wish(SPEED, 5.0 * RPM, 10.0, beside=((SPEED, 1.0 * RPM),)), "named twice"),
        (Wish(RUN, 1.0, 10.0, beside=((SPEED, 30.0 * RPM),)), "beyond 10 % of its range"),
    ],
)
def test_what_is_too_much_is_refused(wish: Wish, words: str) -> None:
    assert any(words in why for why in refusals(SITE, wish)), refusals(SITE, wish)


def test_a_site_that_may_only_watch_writes_nothing() -> None:
    watching = changed(SITE, params=replace(PARAMS, control_allowed=False))
    assert any("monitor only" in why for why in refusals(watching, Wish(SPEED, 5.0 * RPM, 10.0)))


@given(
    st.sampled_from(ON_SITE), st.lists(st.sampled_from(ON_SITE), max_size=3), st.floats(allow_nan=True),
)  # fmt: skip
def test_the_allow_list_is_cut_down_to_what_was_named(role: OutputRole, beside: list[OutputRole], value: float) -> None:
    wish = Wish(role, value, 10.0, beside=tuple((one, 0.0) for one in beside))
    cut = cut_down(PARAMS, wish)
    named = {role, *beside}
    kept = {OutputRole(spec.role) for spec in cut.outputs}
    assert named <= kept <= named | {OutputRole.HEARTBEAT}
    assert len(cut.plan.outputs) == len(cut.outputs)
    places = {spec.role: place for spec, place in zip(PARAMS.outputs, PARAMS.plan.outputs, strict=True)}
    assert all(places[spec.role] == place for spec, place in zip(cut.outputs, cut.plan.outputs, strict=True))
    if cut.heartbeat is not None:
        assert cut.outputs[cut.heartbeat].role == OutputRole.HEARTBEAT


def test_every_output_but_the_heartbeat_has_a_rest() -> None:
    assert set(OutputRole) - set(PROOF_REST) == {OutputRole.HEARTBEAT}
    assert set(PROOF_REST.values()) == {0.0}


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"emergency_stop_ok": 0.0}, "emergency stop"),
        ({"emergency_stop_ok": None}, "not known: emergency_stop_ok"),
        ({"feeder_remote": 0.0}, "not in remote"),
        ({"feeder_fault": 1.0}, "the feeder shows a fault"),
        ({"diverter_to_drum": 1.0}, "the diverter stands to the drum"),
        ({"line_pressure": 60000.0}, "line pressure high"),
        ({"line_pressure": None, "feeder_remote": None}, "not known: feeder_remote, line_pressure"),
        ({}, ""),
    ],
)
def test_machine_doubt_speaks_against_it(values: Mapping[str, float | None], words: str) -> None:
    found = doubt(PARAMS, (SPEED,), readings(**values), into_drum=False, fault_counts=True)
    assert (words in found) if words else found == ""


def test_what_does_not_matter_for_an_output_does_not_speak_against_it() -> None:
    blower = (OutputRole.BLOWER_RUN,)
    assert {PARAMS.signals[index].signal_id for index in watched(PARAMS, blower)} == {"emergency_stop_ok"}
    away = readings(feeder_remote=0.0, diverter_to_drum=None)
    assert doubt(PARAMS, blower, away, into_drum=False, fault_counts=True) == ""
    assert doubt(PARAMS, (SPEED,), readings(diverter_to_drum=1.0), into_drum=True, fault_counts=True) == ""
    assert doubt(PARAMS, (SPEED,), readings(feeder_fault=1.0), into_drum=True, fault_counts=False) == ""


def test_rubber_of_which_nobody_says_where_it_goes_has_to_be_meant_for_the_mixer() -> None:
    """A site without a diverter's signal, and the valve above the pugmill, which no diverter is before."""
    blind = changed(SITE, params=replace(PARAMS, contacts=replace(PARAMS.contacts, diverter_to_drum=None)))
    turn = Wish(SPEED, 5.0 * RPM, 10.0)
    assert any("no signal of this site says where" in why for why in refusals(blind, turn))
    assert refusals(blind, changed(turn, into_drum=True)) == ()
    assert refusals(blind, Wish(OutputRole.BLOWER_RUN, 1.0, 10.0)) == ()
    batch = load(ROOT / "config" / "sites" / "demo_batch.toml")
    let_out = Wish(OutputRole.RELEASE, 1.0, 10.0)
    assert any("into the pugmill" in why for why in refusals(batch, let_out))
    assert refusals(batch, changed(let_out, into_drum=True)) == ()


def test_the_feed_changes_no_faster_than_the_site_allows() -> None:
    slew_rev_s2 = fastest_change_si_s(PARAMS, SPEED)
    assert slew_rev_s2 == pytest.approx(PARAMS.feed.slew_kg_s2 / PARAMS.weighing.feed_factor_kg_rev)
    assert fastest_change_si_s(PARAMS, OutputRole.FEED_RATE) == PARAMS.feed.slew_kg_s2
    assert fastest_change_si_s(PARAMS, RUN) is None


def test_a_read_back_within_the_deadband_is_as_wanted() -> None:
    spec = next(one for one in PARAMS.outputs if one.role == SPEED)
    words = encode_si(spec.register, 5.0 * RPM)
    assert as_wanted(spec, 5.0 * RPM, words)
    assert as_wanted(spec, 5.02 * RPM, words)
    assert not as_wanted(spec, 5.03 * RPM, words)


def test_an_output_at_an_opc_ua_node_is_held_to_the_same_rules() -> None:
    site = load(ROOT / "config" / "sites" / "demo_opcua.toml")
    assert refusals(site, Wish(SPEED, 5.0 * RPM, 10.0, beside=((RUN, 1.0),))) == ()
    assert refusals(site, Wish(SPEED, 7.0 * RPM, 10.0))
