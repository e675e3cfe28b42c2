"""Every payload against the published schema, and what must never get out."""

import json
import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator, FormatChecker

from crumbmeter.model.events import Event, event
from crumbmeter.model.quality import Quality, Reason
from crumbmeter.model.reading import NOT_CONFIGURED, Reading, bad
from crumbmeter.outward import payloads
from crumbmeter.outward.body import finite, reading_body, view_body
from crumbmeter.outward.lines import view_line
from crumbmeter.outward.origin import Names, iso_utc, si_code
from crumbmeter.outward.payloads import Presence, Topic
from tests.unit.outward.samples import NAMES, ORIGIN, PARCEL, STAMP, VIEW, scan, view

SCHEMA = json.loads((Path(__file__).parents[3] / "config" / "mqtt-payloads.schema.json").read_text("utf-8"))
VALIDATOR = Draft202012Validator(SCHEMA, format_checker=FormatChecker())


def checked(payload: bytes) -> dict[str, Any]:
    """Read a payload as a strict reader would, and hold it against the schema."""

    def refuse(word: str) -> None:
        raise AssertionError(f"{word} in JSON")

    body: dict[str, Any] = json.loads(payload, parse_constant=refuse)
    errors = [f"{'/'.join(map(str, fault.absolute_path))}: {fault.message}" for fault in VALIDATOR.iter_errors(body)]
    assert errors == []
    return body


def test_schema_is_a_schema() -> None:
    Draft202012Validator.check_schema(SCHEMA)


@pytest.mark.parametrize(
    ("presence", "online"), [(Presence.STARTED, True), (Presence.STOPPED, False), (Presence.LINK_LOST, False)]
)
def test_status(presence: Presence, online: bool) -> None:
    body = checked(payloads.status(ORIGIN, STAMP, presence, "0.1.0"))
    assert (body["type"], body["online"], body["reason"], body["boot_id"]) == ("status", online, presence.value, "b00t")


def test_state_says_what_the_view_says() -> None:
    body = checked(payloads.state(ORIGIN, STAMP, VIEW))
    assert body["setpoint_kg_s"] == VIEW.setpoint_kg_s
    assert body["fed_kg_s"] == {"value": 0.249, "quality": "Good", "reason": "ok", "age_s": 0.2}
    assert body["hopper_mass_kg"]["quality"] == "Uncertain"
    assert body["supply_mass_kg"] == {"value": None, "quality": "Bad", "reason": "not configured", "age_s": 0.0}
    assert body["permissives"][1] == {"name": "blower proven", "met": None, "why": "blower_running is Bad: stale"}
    assert (body["seq"], body["valid_for_s"], body["simulated"]) == (7, 5.0, True)
    assert body["wall_time"] == "2025-11-25T07:00:00.123456Z"


def test_parcel() -> None:
    body = checked(payloads.parcel(ORIGIN, STAMP, PARCEL))
    assert (body["number"], body["rubber_g"], body["mix_g"]) == (100, 1_250, 249_750)


@pytest.mark.parametrize(("site", "item", "told"), [(False, False, False), (True, False, True), (False, True, True)])
def test_simulated_is_marked_whoever_says_so(site: bool, item: bool, told: bool) -> None:
    body = checked(payloads.parcel(replace(ORIGIN, simulated=site), STAMP, replace(PARCEL, simulated=item)))
    assert body["simulated"] is told


def test_event_keeps_its_details() -> None:
    body = checked(payloads.event(ORIGIN, STAMP, event("mix_selected", was="a", n=3, ok=True, share=0.5, none=None)))
    assert body["detail"] == {"was": "a", "n": 3, "ok": True, "share": 0.5, "none": None}


def test_head() -> None:
    body = checked(payloads.head(ORIGIN, STAMP, "record", 1234, "ab" * 32))
    assert (body["strand"], body["last_seq"], body["head_sha256"]) == ("record", 1234, "ab" * 32)


numbers = st.floats(allow_nan=True, allow_infinity=True) | st.none()
readings = st.builds(
    Reading, value=numbers, quality=st.sampled_from(Quality), reason=st.sampled_from(Reason), age_s=st.floats()
)


@given(
    plain=st.fixed_dictionaries(
        {key: st.floats() for key in ("dose_target", "mix_rate_kg_s", "wanted_kg_s", "owed_kg")}
    ),
    maybe=st.fixed_dictionaries(dict.fromkeys(("window_dose", "window_error", "feed_error"), numbers)),
    read=st.fixed_dictionaries(dict.fromkeys(("fed", "auger_speed", "hopper_mass", "line_pressure"), readings)),
)
def test_whatever_the_view_holds_the_state_is_valid_json_without_a_false_number(
    plain: dict[str, float], maybe: dict[str, float | None], read: dict[str, Reading]
) -> None:
    body = checked(payloads.state(ORIGIN, STAMP, view(**plain, **maybe, **read)))
    for key, reading in (("fed_kg_s", read["fed"]), ("hopper_mass_kg", read["hopper_mass"])):
        told = reading.quality is not Quality.BAD and reading.value is not None and math.isfinite(reading.value)
        assert body[key]["value"] == (reading.value if told else None)
        assert (body[key]["quality"] == "Bad") is not told


@given(value=st.floats() | st.none())
def test_only_finite_numbers_pass(value: float | None) -> None:
    passed = finite(value)
    assert passed is None or (passed == value and math.isfinite(passed))


def test_good_reading_that_is_not_finite_is_told_as_bad() -> None:
    body = reading_body(Reading(math.nan, Quality.GOOD, Reason.OK, 0.1))
    assert (body["value"], body["quality"], body["reason"]) == (None, "Bad", "not finite")


@given(detail=st.dictionaries(st.text(min_size=1), st.text() | st.floats() | st.integers() | st.booleans() | st.none()))
def test_any_event_is_valid(detail: dict[str, Any]) -> None:
    checked(payloads.event(ORIGIN, STAMP, Event("something_happened", tuple(detail.items()))))


def test_keys_end_with_their_unit() -> None:
    """Every number in a payload stands under a key that names its unit, or beside a `unit`."""
    view_json = view_line(ORIGIN, NAMES, scan(), 100.0)
    parcel_json = json.loads(payloads.parcel(ORIGIN, STAMP, PARCEL))
    bare = {key for body in (view_json, parcel_json) for key in _numeric_keys(body)}
    suffixes = ("_s", "_kg", "_g", "_kg_s", "_kg_rev", "_rev_s", "_pa", "_fraction", "_count", "_words")
    counts_or_beside_unit = {"seq", "number", "value", "coverage_factor"}
    assert {key for key in bare - counts_or_beside_unit if not key.endswith(suffixes)} == set()


def _numeric_keys(body: Any, under: str = "") -> Iterator[str]:
    if isinstance(body, dict):
        for key, value in body.items():
            yield from _numeric_keys(value, under if key == "value" and under.endswith(("_s", "_kg", "_pa")) else key)
    elif isinstance(body, list):
        for item in body:
            yield from _numeric_keys(item, under)
    elif isinstance(body, (int, float)) and not isinstance(body, bool):
        yield under


@pytest.mark.parametrize("field", ["readings", "streams", "alarms", "writes"])
def test_view_with_empty_lists(field: str) -> None:
    names = replace(NAMES, signal_ids=(), signal_units=()) if field == "readings" else NAMES
    body = view_body(view(**{field: ()}), names)
    assert body["signals" if field == "readings" else field] == []


def test_names_that_do_not_fit_the_view_are_a_fault() -> None:
    with pytest.raises(ValueError, match="zip"):
        view_body(VIEW, Names(signal_ids=("one",), signal_units=("kg",)))


def test_schema_catches_a_wrong_payload() -> None:
    body = json.loads(payloads.state(ORIGIN, STAMP, VIEW))
    for change in ({"setpoint_kg_s": "0.25"}, {"unknown": 1}, {"wall_time": "yesterday"}, {"schema": "crumbmeter/2"}):
        assert list(VALIDATOR.iter_errors(body | change)), change
    body["fed_kg_s"] = {"value": 0.0, "quality": "Bad", "reason": "stale", "age_s": 12.0}
    assert list(VALIDATOR.iter_errors(body)), "a number with quality Bad must not be valid"


def test_topics() -> None:
    assert payloads.topic_name("acme/line/", "demo_drum", Topic.PARCEL) == "acme/line/demo_drum/parcel"
    for root in ("a//b", "a/+/b", "#", "", "a\0"):
        with pytest.raises(ValueError, match="no topic"):
            payloads.topic_name(root, "demo_drum", Topic.STATE)


@pytest.mark.parametrize(
    ("wall_us", "text"),
    [
        (0, "1970-01-01T00:00:00.000000Z"),
        (951_782_399_999_999, "2000-02-28T23:59:59.999999Z"),  # `date -u -d @951782399`
        (1_709_164_800_000_001, "2024-02-29T00:00:00.000001Z"),  # `date -u -d @1709164800`
    ],
)
def test_wall_time_is_iso_8601_in_utc(wall_us: int, text: str) -> None:
    assert iso_utc(wall_us) == text


@pytest.mark.parametrize(("read_in", "leaves_as"), [("short_ton/h", "kg/s"), ("rpm", "rev/s"), ("degF", "degC")])
def test_signals_leave_in_si(read_in: str, leaves_as: str) -> None:
    assert si_code(read_in) == leaves_as


def test_bad_reading_has_its_reason() -> None:
    assert reading_body(bad(Reason.STALE, 3.0))["reason"] == "stale"
    assert reading_body(NOT_CONFIGURED)["reason"] == "not configured"


def test_payloads_are_small_enough_for_a_poor_link() -> None:
    assert len(payloads.state(ORIGIN, STAMP, VIEW)) < 4096
