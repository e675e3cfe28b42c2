"""Read requests are gathered as a device allows, and said as they go over the wire."""

from dataclasses import replace

import pytest

from crumbmeter.field.plan import EndpointLoad, PlanRow, WireRow, bus_load, describe, make_plan, wire_addresses
from crumbmeter.field.spec import (
    AddressSpan,
    BlockSpec,
    ByteOrder,
    DeviceSpec,
    Forbidden,
    Place,
    PowerOfTen,
    RegisterSpec,
    SignalSource,
    Table,
    Transport,
    WordType,
)
from tests.fakes import device_spec, output, source

DEVICE = device_spec(max_words=8, max_bits=16, max_gap=2)


def test_neighbours_share_a_request_and_small_gaps_are_crossed() -> None:
    sources = [source("a", 0), source("b", 1, word_type=WordType.F32), source("c", 5)]
    plan = make_plan([DEVICE], sources, [])
    assert plan.blocks == (BlockSpec(0, Table.INPUT, 0, 6, 0.2),)
    assert plan.signals == (Place(0, 0), Place(0, 1), Place(0, 5))


def test_a_gap_wider_than_allowed_splits() -> None:
    plan = make_plan([DEVICE], [source("a", 0), source("b", 4)], [])
    assert [(block.address, block.count) for block in plan.blocks] == [(0, 1), (4, 1)]


def test_a_value_is_never_split_at_the_limit() -> None:
    sources = [source(f"s{n}", 3 * n, word_type=WordType.F32) for n in range(4)]
    plan = make_plan([replace(DEVICE, max_words=7)], sources, [])
    # 0-1, 3-4 fit in 5 words; 6-7 would make 8.
    assert [(block.address, block.count) for block in plan.blocks] == [(0, 5), (6, 5)]
    assert plan.signals == (Place(0, 0), Place(0, 3), Place(1, 0), Place(1, 3))


def test_tables_periods_and_devices_keep_apart() -> None:
    sources = [
        source("slow", 1, period_s=1.0),
        source("other", 0, device=1),
        source("fast", 0),
        source("held", 0, table=Table.HOLDING),
    ]
    plan = make_plan([DEVICE, DEVICE], sources, [])
    assert plan.blocks == (
        BlockSpec(0, Table.INPUT, 0, 1, 0.2),
        BlockSpec(0, Table.INPUT, 1, 1, 1.0),
        BlockSpec(0, Table.HOLDING, 0, 1, 0.2),
        BlockSpec(1, Table.INPUT, 0, 1, 0.2),
    )
    assert plan.signals == (Place(1, 0), Place(3, 0), Place(0, 0), Place(2, 0))


def test_read_backs_are_in_the_plan_at_the_device_s_fastest_period() -> None:
    outputs = [output("auger_speed", 4), output("feed_rate", 9, device=1, confirm_within_s=1.0)]
    plan = make_plan([DEVICE, DEVICE], [source("a", 0, period_s=0.5), source("b", 1)], outputs)
    assert plan.blocks[plan.outputs[0].block] == BlockSpec(0, Table.HOLDING, 4, 1, 0.2)
    # A device without signals: twice within the time to confirm.
    assert plan.blocks[plan.outputs[1].block] == BlockSpec(1, Table.HOLDING, 9, 1, 0.5)


def test_bits_of_one_word_and_overlapping_views_share_it() -> None:
    sources = [source(f"bit{n}", 3, word_type=WordType.BIT, bit=n) for n in range(3)]
    sources.append(source("whole", 2, word_type=WordType.U32))
    plan = make_plan([DEVICE], sources, [])
    assert plan.blocks == (BlockSpec(0, Table.INPUT, 2, 2, 0.2),)
    assert plan.signals == (Place(0, 1), Place(0, 1), Place(0, 1), Place(0, 0))


def test_a_value_larger_than_a_request_is_refused() -> None:
    with pytest.raises(ValueError, match="one value needs 4"):
        make_plan([replace(DEVICE, max_words=3)], [source("a", 0, word_type=WordType.F64)], [])


def test_coils_follow_the_limit_for_bits() -> None:
    plan = make_plan([DEVICE], bits("c", 0, 19, Table.COIL), [])
    assert [(block.address, block.count) for block in plan.blocks] == [(0, 16), (16, 4)]


def test_describe_says_what_goes_over_the_wire() -> None:
    sources = [source("drum_speed", 0), source("turning", 3, table=Table.DISCRETE, word_type=WordType.BIT)]
    coil = RegisterSpec(Table.COIL, 7, WordType.BIT)
    outputs = [output("auger_speed", 100), output("feed_run", 7, register=coil)]
    devices = [replace(DEVICE, unit_id=17)]
    rows = describe(make_plan(devices, sources, outputs), devices, sources, outputs)
    assert rows == (
        PlanRow("feeder", 17, 1, 7, 1, 0.2, (), ("feed_run",)),
        PlanRow("feeder", 17, 2, 3, 1, 0.2, ("turning",), ()),
        PlanRow("feeder", 17, 4, 0, 1, 0.2, ("drum_speed",), ()),
        PlanRow("feeder", 17, 3, 100, 1, 0.2, (), ("auger_speed",)),
    )


def test_a_plan_of_another_site_is_not_described() -> None:
    sources, outputs = [source("a", 0)], [output("auger_speed", 4)]
    plan = make_plan([DEVICE], sources, outputs)
    for others in ((sources * 2, outputs), (sources, outputs * 2)):
        with pytest.raises(ValueError, match="argument"):
            describe(plan, [DEVICE], *others)


def test_load_adds_up_over_the_devices_of_one_endpoint() -> None:
    devices = [DEVICE, replace(DEVICE, unit_id=2, request_gap_s=0.01), device_spec("alone", port=1503)]
    sources = [source("a", 0), source("b", 0, device=1, period_s=0.5)]
    loads = bus_load(devices, make_plan(devices, sources, []), 0.02)
    shared, alone = loads
    assert shared.endpoint == "127.0.0.1:1502"
    assert shared.requests_per_s == pytest.approx(5.0 + 2.0)
    assert shared.share == pytest.approx(0.02 / 0.2 + 0.03 / 0.5)
    assert alone == EndpointLoad("127.0.0.1:1503", 0.0, 0.0)


ON_A_BUS = device_spec("meter", transport=Transport.RTU_OVER_TCP, timeout_s=0.05, max_gap=0)
"""Nothing but 100 ms without a request tells apart replies that look the same."""


def share_of(device: DeviceSpec, sources: list[SignalSource], exchange_estimate_s: float = 0.02) -> float:
    (load,) = bus_load([device], make_plan([device], sources, []), exchange_estimate_s)
    return load.share


def bits(signal_id: str, first: int, last: int, table: Table = Table.DISCRETE) -> list[SignalSource]:
    addresses = range(first, last + 1)
    return [source(f"{signal_id}{at}", at, table=table, word_type=WordType.BIT) for at in addresses]


def test_on_a_bus_requests_whose_replies_look_the_same_each_take_as_long_as_a_reply_may_be_late() -> None:
    alike = [source("a", 0), source("b", 10)]
    assert share_of(ON_A_BUS, alike[:1]) == pytest.approx(0.02 / 0.2)
    assert share_of(ON_A_BUS, alike) == pytest.approx(2 * 0.1 / 0.2)
    assert share_of(ON_A_BUS, alike, 0.11) == pytest.approx(2 * 0.11 / 0.2)
    assert share_of(replace(ON_A_BUS, worst_response_s=0.5), alike) == pytest.approx(2 * 0.5 / 0.2)


def test_requests_whose_replies_tell_themselves_apart_follow_each_other_at_once() -> None:
    alike = [source("a", 0), source("b", 10)]
    assert share_of(replace(ON_A_BUS, transport=Transport.TCP), alike) == pytest.approx(2 * 0.02 / 0.2)
    longer = [source("a", 0), source("b", 10, word_type=WordType.F32)]
    assert share_of(ON_A_BUS, longer) == pytest.approx(2 * 0.02 / 0.2)
    elsewhere = [source("a", 0), source("b", 10, table=Table.HOLDING)]
    assert share_of(ON_A_BUS, elsewhere) == pytest.approx(2 * 0.02 / 0.2)
    units = [ON_A_BUS, replace(ON_A_BUS, device_id="other", unit_id=2)]
    (load,) = bus_load(units, make_plan(units, [source("a", 0), source("b", 10, device=1)], []), 0.02)
    assert load.share == pytest.approx(2 * 0.02 / 0.2)


def test_bits_that_fill_as_many_bytes_look_the_same() -> None:
    # Nine and sixteen bits come in two bytes, eight in one: only the byte count stands in the reply.
    assert share_of(ON_A_BUS, [*bits("a", 0, 8), *bits("b", 20, 35)]) == pytest.approx(2 * 0.1 / 0.2)
    assert share_of(ON_A_BUS, [*bits("a", 0, 7), *bits("b", 20, 35)]) == pytest.approx(2 * 0.02 / 0.2)


def test_on_a_serial_port_the_characters_take_their_time() -> None:
    # 9600 baud and 11 bits a character; a request of 8, a reply of 5 and its data, and 3.5 of silence after each.
    port = replace(ON_A_BUS, transport=Transport.RTU, baud=9600, request_gap_s=0.001)
    one_s = 11 / 9600
    words = [source("a", 0, word_type=WordType.F64)]
    assert share_of(port, words) == pytest.approx((0.021 + (8 + 5 + 8 + 7) * one_s) / 0.2)
    assert share_of(port, bits("a", 0, 8)) == pytest.approx((0.021 + (8 + 5 + 2 + 7) * one_s) / 0.2)
    bare = replace(port, parity="none", data_bits=7, stop_bits=2)  # 10 bits
    assert share_of(bare, words) == pytest.approx((0.021 + (8 + 5 + 8 + 7) * 10 / 9600) / 0.2)
    assert share_of(replace(bare, stop_bits=1), words) == pytest.approx((0.021 + (8 + 5 + 8 + 7) * 9 / 9600) / 0.2)


def _hole(first: int, last: int, table: Table = Table.INPUT) -> Forbidden:
    return Forbidden(table, AddressSpan(first, last + 1))


@pytest.mark.parametrize(
    ("hole", "blocks"),
    [
        (_hole(1, 1), [(0, 1), (2, 1)]),
        (_hole(1, 1, Table.HOLDING), [(0, 3)]),
        (_hole(3, 9), [(0, 3)]),
        (_hole(100, 200), [(0, 3)]),
    ],
)
def test_no_request_touches_a_forbidden_address(hole: Forbidden, blocks: list[tuple[int, int]]) -> None:
    device = replace(DEVICE, forbidden=(_hole(900, 901), hole))
    plan = make_plan([device], [source("a", 0), source("b", 2)], [])
    assert [(block.address, block.count) for block in plan.blocks] == blocks


@pytest.mark.parametrize(("first", "last"), [(4, 4), (5, 5), (0, 99)])
def test_a_value_on_a_forbidden_address_is_refused(first: int, last: int) -> None:
    with pytest.raises(ValueError, match=r"^feeder must not be asked for input 4 to 5$"):
        make_plan([replace(DEVICE, forbidden=(_hole(first, last),))], [source("a", 4, word_type=WordType.F32)], [])


def test_a_forbidden_neighbour_is_no_hindrance() -> None:
    device = replace(DEVICE, forbidden=(_hole(3, 3), _hole(6, 6)))
    assert make_plan([device], [source("a", 4, word_type=WordType.F32)], []).blocks == (
        BlockSpec(0, Table.INPUT, 4, 2, 0.2),
    )


def test_one_value_in_each_request_where_the_device_wants_it_so() -> None:
    device = replace(DEVICE, one_per_request=True)
    sources = [
        source("whole", 2, word_type=WordType.U32),
        source("bit0", 3, word_type=WordType.BIT, bit=0),
        source("bit1", 3, word_type=WordType.BIT, bit=1),
        source("next", 4),
    ]
    plan = make_plan([device], sources, [])
    assert [(block.address, block.count) for block in plan.blocks] == [(2, 2), (4, 1)]
    assert plan.signals == (Place(0, 0), Place(0, 1), Place(0, 1), Place(1, 0))


def test_an_atomic_group_is_one_request_as_often_as_its_fastest_member() -> None:
    group = AddressSpan(10, 16)
    sources = [
        source("weight", 10, word_type=WordType.I32, together=group, period_s=0.5),
        source("status", 15, together=group, period_s=0.1),
        source("other", 12, period_s=0.5),
    ]
    plan = make_plan([replace(DEVICE, max_gap=0)], sources, [])
    assert plan.blocks == (BlockSpec(0, Table.INPUT, 10, 6, 0.1), BlockSpec(0, Table.INPUT, 12, 1, 0.5))
    assert plan.signals == (Place(0, 0), Place(0, 5), Place(1, 0))
    turned = make_plan([replace(DEVICE, max_gap=0)], [sources[1], sources[0]], [])
    assert turned.blocks == (BlockSpec(0, Table.INPUT, 10, 6, 0.1),)


def test_what_begins_together_is_read_with_the_longest() -> None:
    # Alone, the short one first would leave no room for the other in its request.
    device = replace(DEVICE, one_per_request=True)
    point = PowerOfTen(RegisterSpec(Table.INPUT, 5, WordType.U16))
    sources = [source("short", 2), source("double", 2, word_type=WordType.U32), source("scaled", 2, power=point)]
    plan = make_plan([device], sources, [])
    assert plan.blocks == (BlockSpec(0, Table.INPUT, 2, 4, 0.2),)


def test_a_value_may_fill_a_whole_request() -> None:
    device = replace(DEVICE, max_words=4)
    assert make_plan([device], [source("a", 0, word_type=WordType.F64)], []).blocks[0].count == 4


def test_a_group_is_its_own_on_each_device_and_table() -> None:
    group = AddressSpan(0, 2)
    sources = [
        source("a", 0, together=group, period_s=0.5),
        source("b", 1, together=group, period_s=0.1, device=1),
        source("c", 1, together=group, period_s=0.2, table=Table.HOLDING),
    ]
    plan = make_plan([DEVICE, DEVICE], sources, [])
    assert [(block.device, block.table, block.period_s) for block in plan.blocks] == [
        (0, Table.INPUT, 0.5),
        (0, Table.HOLDING, 0.2),
        (1, Table.INPUT, 0.1),
    ]


def test_a_power_of_ten_comes_with_its_value_and_is_no_signal() -> None:
    point = RegisterSpec(Table.INPUT, 3, WordType.U16)
    plan = make_plan([replace(DEVICE, max_gap=0)], [source("weight", 7, power=PowerOfTen(point))], [])
    assert plan.blocks == (BlockSpec(0, Table.INPUT, 3, 5, 0.2),)
    assert plan.signals == (Place(0, 4),)


def test_a_group_is_never_split_to_fit() -> None:
    point = PowerOfTen(RegisterSpec(Table.INPUT, 8, WordType.U16))
    sources = [source("a", 0), source("weight", 4, power=point), source("b", 9)]
    plan = make_plan([replace(DEVICE, max_words=6, max_gap=3)], sources, [])
    assert [(block.address, block.count) for block in plan.blocks] == [(0, 1), (4, 6)]
    with pytest.raises(ValueError, match=r"^feeder reads 4 at once; one value needs 5$"):
        make_plan([replace(DEVICE, max_words=4)], sources, [])


def test_a_block_never_counts_more_than_modbus_allows() -> None:
    # v1.1b3, sections 6.1 to 6.4: at most 125 registers and 2000 bits.
    device = device_spec()
    words = [source(f"s{n}", n) for n in range(300)]
    counts = [block.count for block in make_plan([device], [*words, *bits("b", 0, 4499)], []).blocks]
    assert counts == [2000, 2000, 500, 125, 125, 50]


def test_the_table_of_wire_addresses_says_each_value() -> None:
    point = RegisterSpec(Table.INPUT, 12, WordType.U16)
    sources = [
        source("weight", 10, word_type=WordType.F32, order=ByteOrder.CDAB, power=PowerOfTen(point)),
        source("turning", 3, table=Table.DISCRETE, word_type=WordType.BIT),
    ]
    rows = wire_addresses([replace(DEVICE, unit_id=17)], sources, [output("auger_speed", 100)])
    assert rows == (
        WireRow("weight", "feeder", 17, 4, 10, 2, "f32", "CDAB", (10, 12)),
        WireRow("turning", "feeder", 17, 2, 3, 1, "bit", "", (3, 3)),
        WireRow("auger_speed", "feeder", 17, 3, 100, 1, "u16", "ABCD", (100, 100)),
    )


def test_spans() -> None:
    span = AddressSpan(2, 5)
    assert span.hull(AddressSpan(7, 8)) == AddressSpan(2, 8)
    assert span.hull(AddressSpan(3, 4)) == span
    assert [span.meets(first, end) for first, end in ((0, 2), (0, 3), (4, 9), (5, 9))] == [False, True, True, False]
