"""The table of what is wrong with line or feed: whole, without dead rows, and saying what a plant hand would say."""

from itertools import product

import pytest

from crumbmeter.alarms.catalogue import BY_ID
from crumbmeter.control.line_table import ALARM_OF, PLUGS, QUIET, ROWS, Diagnosis, Evidence, Pressure, Weight, row_for

D, P, W = Diagnosis, Pressure, Weight
EVERYTHING = [
    Evidence(*seen)
    for seen in product((True, False), tuple(W), tuple(P), (True, False), (True, False), (True, False, None))
]


def test_every_evidence_has_a_diagnosis_and_no_row_is_dead() -> None:
    assert {row_for(seen) for seen in EVERYTHING} == set(ROWS)
    assert {row.diagnosis for row in ROWS} == set(Diagnosis) - {D.NONE}


def test_what_is_wrong_has_one_alarm_and_every_alarm_exists() -> None:
    assert set(ALARM_OF.values()) <= set(BY_ID)
    assert set(Diagnosis) - set(ALARM_OF) == {D.NONE, D.CLEAR, D.LEAK, D.NO_AIR}
    assert set(PLUGS) <= set(ALARM_OF)
    assert not set(QUIET) & set(ALARM_OF)


FEEDING = {"auger": True, "weight": W.FALLING, "pressure": P.ON_CURVE, "hopper_low": False, "air": True}


@pytest.mark.parametrize(
    ("seen", "diagnosis"),
    [
        ({}, D.CLEAR),
        ({"pressure": P.ABOVE}, D.PLUGGING),
        ({"pressure": P.TOO_HIGH}, D.PLUGGED),
        ({"pressure": P.ABOVE, "weight": W.UNKNOWN}, D.PLUGGING),  # while the hopper fills
        ({"weight": W.STANDING}, D.BRIDGE),
        ({"weight": W.STANDING, "pressure": P.AT_BASE}, D.BRIDGE),
        ({"weight": W.STANDING, "pressure": P.UNKNOWN}, D.BRIDGE),  # a site without a pressure
        ({"weight": W.STANDING, "pressure": P.AT_BASE, "hopper_low": True}, D.EMPTY),
        ({"weight": W.STANDING, "pressure": P.AS_LOADED}, D.WEIGHT_DOUBTFUL),
        ({"weight": W.STANDING, "pressure": P.ABOVE}, D.BACKED_UP),
        ({"pressure": P.BELOW_BASE}, D.HOSE_OFF),
        ({"pressure": P.BELOW_BASE, "weight": W.UNKNOWN}, D.HOSE_OFF),
        ({"pressure": P.AT_BASE}, D.NOT_ARRIVING),
        ({"pressure": P.AT_BASE, "flow_switch": False}, D.NOT_ARRIVING),
        ({"pressure": P.AT_BASE, "flow_switch": True}, D.INSTRUMENTS),
        ({"pressure": P.AT_BASE, "weight": W.UNKNOWN}, D.NO_RUBBER),
        ({"pressure": P.AT_BASE, "weight": W.UNKNOWN, "hopper_low": True}, D.EMPTY),
        ({"pressure": P.UNKNOWN, "flow_switch": False}, D.NOT_ARRIVING),
        ({"pressure": P.UNKNOWN}, D.CLEAR),
        ({"flow_switch": False}, D.SWITCH),
        ({"flow_switch": True}, D.CLEAR),
        ({"pressure": P.BELOW}, D.LEAK),
        ({"air": False}, D.NO_AIR),
        ({"air": False, "pressure": P.BELOW_BASE}, D.NO_AIR),  # no hose is looked for where the blower stands
        ({"auger": False, "pressure": P.ABOVE}, D.NOT_CLEAR),
        ({"auger": False, "pressure": P.BELOW_BASE}, D.AIR_LOW),
        ({"auger": False, "flow_switch": True}, D.SWITCH),
        ({"auger": False, "pressure": P.TOO_HIGH}, D.PLUGGED),
    ],
)
def test_it_says_what_it_is(seen: dict[str, object], diagnosis: Diagnosis) -> None:
    assert row_for(Evidence(**{"flow_switch": None, **FEEDING, **seen})).diagnosis is diagnosis  # type: ignore[arg-type]


def test_what_stops_or_needs_nobody_waits_for_nothing_and_the_rest_for_certainty() -> None:
    waits = {row.diagnosis: row.after_s for row in ROWS}
    assert waits[D.PLUGGED] == 0.0
    assert waits[D.HOSE_OFF] <= 2.0
    assert min(waits[found] for found in (D.NOT_ARRIVING, D.NO_RUBBER, D.SWITCH, D.LEAK)) >= 8.0
