"""Nodes as words: exact both ways, judged by status first, and a plan and a sampler that know no other protocol."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crumbmeter.field.opcua import (
    NAMES,
    STATUS_AT,
    TYPE_NUMBERS,
    WORDS,
    NodeValue,
    judge_status,
    make_node_decoder,
    node_register,
    read_back,
    value_of,
    words_of_node,
)
from crumbmeter.field.plan import describe, make_plan, wire_addresses
from crumbmeter.field.sampling import make_sampler, sample_image
from crumbmeter.field.spec import AddressSpan, OpcuaSpec, OutputSpec, RegisterSpec, SignalSource, Table, Transport
from crumbmeter.field.words import UnencodableError, decode_written_si, encode_si
from crumbmeter.model.image import RawBlock, RawImage, ReadOutcome
from crumbmeter.model.quality import GOOD_REASONS, SAID_UNCERTAIN, Quality, Reason
from tests.fakes import device_spec

RANGES = {
    "int16": (-(2**15), 2**15 - 1), "uint16": (0, 2**16 - 1), "int32": (-(2**31), 2**31 - 1), "uint32": (0, 2**32 - 1),
    "int64": (-(2**63), 2**63 - 1), "uint64": (0, 2**64 - 1),
}  # fmt: skip


def register(kind: str, address: int = 0, **changes: object) -> RegisterSpec:
    spec = node_register(address, NAMES[kind][0], f"nsu=urn:x;s={kind}")
    return replace(spec, **changes)  # type: ignore[arg-type]


def good(kind: str, value: float) -> NodeValue:
    return NodeValue(0, NAMES[kind][1], value)


@given(st.sampled_from(sorted(RANGES)), st.data())
def test_whole_numbers_are_exact_both_ways_beyond_2_to_the_53(kind: str, data: st.DataObject) -> None:
    value = data.draw(st.integers(*RANGES[kind]))
    spec = register(kind)
    words = words_of_node(spec, good(kind, value))
    assert len(words) == WORDS
    assert value_of(spec, words[: spec.count]) == (NAMES[kind][1], value)
    assert make_node_decoder(spec)((9, 9, *words), 2) == (float(value), Reason.OK)


@given(st.floats())
def test_a_double_comes_as_its_very_bits(value: float) -> None:
    spec = register("double")
    words = words_of_node(spec, good("double", value))
    number, found = value_of(spec, words[:4])
    assert number == 11
    assert found == value or (math.isnan(found) and math.isnan(value))
    expected = (value, Reason.OK) if math.isfinite(value) else (None, Reason.NOT_FINITE)
    assert make_node_decoder(spec)(words, 0) == expected


@pytest.mark.parametrize(("value", "inverted", "closed"), [(True, False, 1.0), (False, False, 0.0), (True, True, 0.0)])
def test_a_boolean_is_a_contact(value: bool, inverted: bool, closed: float) -> None:
    spec = register("boolean", unit="contact", inverted=inverted)
    words = words_of_node(spec, good("boolean", value))
    assert make_node_decoder(spec)(words, 0) == (closed, Reason.OK)
    written = encode_si(spec, closed)
    number, asked = value_of(spec, written)
    assert (number, asked) == (1, value)
    assert isinstance(asked, bool)


def test_scale_unit_and_sentinel_are_as_for_any_register() -> None:
    spec = register("uint16", scale=0.1, offset=-5.0, unit="kg", sentinels=(0xFFFF,))
    decode = make_node_decoder(spec)
    assert decode(words_of_node(spec, good("uint16", 1000)), 0) == (95.0, Reason.OK)
    assert decode(words_of_node(spec, good("uint16", 0xFFFF)), 0) == (None, Reason.SENTINEL)
    assert encode_si(spec, 95.0) == (1000,)
    assert decode_written_si(spec, (1000,)) == 95.0
    with pytest.raises(UnencodableError):
        encode_si(spec, 1e9)


@given(st.integers(0, 2**32 - 1))
def test_severity_decides_whatever_the_rest_says(status: int) -> None:
    """11 is reserved and taken for Bad; the reserved bits and the lower half change nothing (REQ-38)."""
    quality, reason = judge_status(status)
    assert quality is (Quality.GOOD, Quality.UNCERTAIN, Quality.BAD, Quality.BAD)[status >> 30]
    assert (reason in GOOD_REASONS) is (quality is Quality.GOOD)
    assert (reason in SAID_UNCERTAIN) is (quality is Quality.UNCERTAIN)
    value, found = make_node_decoder(register("int16"))(words_of_node(register("int16"), NodeValue(status, 4, -3)), 0)
    assert (value is None) is (quality is Quality.BAD)
    assert found is reason


@given(st.integers(0, 2**32 - 1), st.integers(0, 255))
def test_status_and_type_stay_in_the_record_as_they_came(status: int, number: int) -> None:
    words = words_of_node(register("float"), NodeValue(status, number, 0.0))
    assert words[STATUS_AT] << 16 | words[STATUS_AT + 1] == status
    assert words[STATUS_AT + 2 :] == (number, 0)
    assert words[:STATUS_AT] == (0, 0, 0, 0)


@pytest.mark.parametrize("found", [NodeValue(0), NodeValue(0, 4), NodeValue(0, 5, 7), NodeValue(0, 4 | 0x80)])
def test_good_without_a_value_of_its_type_is_none(found: NodeValue) -> None:
    value, reason = make_node_decoder(register("int16"))(words_of_node(register("int16"), found), 0)
    assert value is None
    assert reason in (Reason.NO_VALUE, Reason.OTHER_TYPE)
    assert (reason is Reason.NO_VALUE) is (found.type_number in (0, 4))


@pytest.mark.parametrize("status", [0x80000000, 0x40000000, 0xC0000000])
def test_only_a_good_value_confirms_a_write(status: int) -> None:
    """The 0 that stands in the words of a Bad node is no 0 that the device holds."""
    spec = register("uint16", WORDS)
    assert read_back(spec, (0,) * WORDS + words_of_node(spec, good("uint16", 0)), WORDS) == (0,)
    assert read_back(spec, (0,) * WORDS + words_of_node(spec, NodeValue(status, 5, 0)), WORDS) == ()
    assert read_back(spec, (0,) * 2 * WORDS, WORDS) == ()
    assert read_back(spec, (), 0) == ()


def test_of_a_modbus_register_the_read_back_is_its_words() -> None:
    assert read_back(RegisterSpec(Table.HOLDING, 3, NAMES["uint16"][0]), (5, 6, 7), 1) == (6,)


def test_every_type_has_its_number_of_part_6() -> None:
    assert sorted(TYPE_NUMBERS.values()) == [1, 4, 5, 6, 7, 8, 9, 10, 11]


FLOW, RUN, SPEED = register("double", 0), register("boolean", WORDS, unit="contact"), register("uint16", 12 * WORDS)
DEVICE = device_spec(
    unit_id=0, transport=Transport.OPCUA, max_words=100 * WORDS, max_gap=8 * WORDS, opcua=OpcuaSpec("/x", (FLOW, RUN))
)
SOURCES = [SignalSource("flow", 0, FLOW, 0.2), SignalSource("runs", 0, RUN, 0.2)]
OUTPUTS = [OutputSpec("feed_run", 0, RUN, 0.0, 1.0), OutputSpec("auger_speed", 0, SPEED, 0.0, 10.0)]


def test_the_plan_asks_for_whole_nodes_and_leaves_no_wide_gap() -> None:
    plan = make_plan([DEVICE], SOURCES, OUTPUTS)
    assert [(block.address, block.count) for block in plan.blocks] == [(0, 2 * WORDS), (12 * WORDS, WORDS)]
    assert all(block.table is Table.NODE for block in plan.blocks)
    rows = describe(plan, [DEVICE], SOURCES, OUTPUTS)
    assert [(row.of_nodes, row.count) for row in rows] == [(True, 2), (True, 1)]
    assert [row.node for row in wire_addresses([DEVICE], SOURCES, OUTPUTS)][:2] == [FLOW.node, RUN.node]
    assert FLOW.span == AddressSpan(0, WORDS)


def test_the_sampler_reads_nodes_like_registers() -> None:
    plan = make_plan([DEVICE], SOURCES, OUTPUTS)
    words = words_of_node(FLOW, good("double", 2.5)) + words_of_node(RUN, NodeValue(0x808C0000, 1, True))
    blocks = (RawBlock(words, 1.0, ReadOutcome.OK), RawBlock(None, 0.0, ReadOutcome.NEVER))
    flow, runs = sample_image(make_sampler(plan, SOURCES), RawImage(2.0, blocks))
    assert (flow.value, flow.reason) == (2.5, Reason.OK)
    assert (runs.value, runs.reason) == (None, Reason.SAYS_SENSOR_FAILURE)


def test_the_endpoint_is_the_address_of_the_server() -> None:
    assert DEVICE.endpoint == "opc.tcp://127.0.0.1:1502/x"
    assert not DEVICE.transport.serial_frames
