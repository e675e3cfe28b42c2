"""Properties of the read plan: every value exactly where the plan says, whole, and within what its device takes."""

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from crumbmeter.field.plan import bus_load, describe, make_plan
from crumbmeter.field.spec import (
    AddressSpan,
    DeviceSpec,
    Forbidden,
    OutputSpec,
    PowerOfTen,
    RegisterSpec,
    SignalSource,
    Table,
    WordType,
)
from tests.fakes import device_spec, output

KINDS = [WordType.U16, WordType.F32, WordType.F64]


@st.composite
def registers(draw: st.DrawFn, tables: list[Table]) -> RegisterSpec:
    table = draw(st.sampled_from(tables))
    kind = WordType.BIT if table.of_bits else draw(st.sampled_from(KINDS))
    return RegisterSpec(table, draw(st.integers(0, 60)), kind)


@st.composite
def sites(draw: st.DrawFn) -> tuple[list[DeviceSpec], list[SignalSource], list[OutputSpec]]:
    devices = [
        device_spec(
            f"d{n}",
            port=1502 + draw(st.integers(0, 1)),
            unit_id=n,
            max_words=draw(st.integers(4, 20)),
            max_bits=draw(st.integers(1, 20)),
            max_gap=draw(st.integers(0, 10)),
        )
        for n in range(draw(st.integers(1, 3)))
    ]
    which = st.integers(0, len(devices) - 1)
    sources = [
        SignalSource(f"s{n}", draw(which), draw(registers(list(Table))), draw(st.sampled_from([0.2, 1.0])))
        for n in range(draw(st.integers(0, 25)))
    ]
    outputs = [
        output(f"role{n}", 0, device=draw(which), register=draw(registers([Table.COIL, Table.HOLDING])))
        for n in range(draw(st.integers(0, 5)))
    ]
    return devices, sources, outputs


@given(sites())
def test_every_value_lies_whole_in_its_block(
    site: tuple[list[DeviceSpec], list[SignalSource], list[OutputSpec]],
) -> None:
    devices, sources, outputs = site
    plan = make_plan(devices, sources, outputs)
    assert len(plan.signals) == len(sources)
    assert len(plan.outputs) == len(outputs)
    wanted = [(s.device, s.register, place) for s, place in zip(sources, plan.signals, strict=True)]
    wanted += [(o.device, o.register, place) for o, place in zip(outputs, plan.outputs, strict=True)]
    for device, register, place in wanted:
        block = plan.blocks[place.block]
        assert (block.device, block.table) == (device, register.table)
        assert block.address + place.offset == register.address
        assert 0 <= place.offset <= block.count - register.count
    for entry, place in zip(sources, plan.signals, strict=True):
        assert plan.blocks[place.block].period_s == entry.period_s


@given(sites())
def test_every_request_is_within_limits_and_has_a_purpose(
    site: tuple[list[DeviceSpec], list[SignalSource], list[OutputSpec]],
) -> None:
    devices, sources, outputs = site
    plan = make_plan(devices, sources, outputs)
    pairs = [(s.register, place) for s, place in zip(sources, plan.signals, strict=True)]
    pairs += [(o.register, place) for o, place in zip(outputs, plan.outputs, strict=True)]
    for number, block in enumerate(plan.blocks):
        device = devices[block.device]
        assert 1 <= block.count <= (device.max_bits if block.table.of_bits else device.max_words)
        used = set[int]()
        for register, place in pairs:
            if place.block == number:
                used.update(range(place.offset, place.offset + register.count))
        assert {0, block.count - 1} <= used
        gaps = [b - a - 1 for a, b in zip(sorted(used), sorted(used)[1:], strict=False)]
        assert max(gaps, default=0) <= device.max_gap


@given(sites())
def test_the_plan_depends_on_nothing_but_the_site(
    site: tuple[list[DeviceSpec], list[SignalSource], list[OutputSpec]],
) -> None:
    devices, sources, outputs = site
    plan = make_plan(devices, sources, outputs)
    assert make_plan(list(devices), list(sources), list(outputs)) == plan
    rows = describe(plan, devices, sources, outputs)
    named = [name for row in rows for name in row.signal_ids] + [role for row in rows for role in row.roles]
    assert sorted(named) == sorted([s.signal_id for s in sources] + [o.role for o in outputs])
    loads = bus_load(devices, plan, 0.01)
    asked_per_s = sum(1 / block.period_s for block in plan.blocks)
    assert abs(sum(load.requests_per_s for load in loads) - asked_per_s) < 1e-9


@st.composite
def tied_sites(draw: st.DrawFn) -> tuple[DeviceSpec, list[SignalSource]]:
    """One device with holes, groups and powers of ten, without the values that no request can bring."""
    holes = [Forbidden(Table.INPUT, AddressSpan(at, at + 2)) for at in draw(st.lists(st.integers(0, 80), max_size=4))]
    device = device_spec(
        max_words=draw(st.integers(4, 30)),
        max_gap=draw(st.integers(0, 10)),
        forbidden=tuple(holes),
        one_per_request=draw(st.booleans()),
    )
    starts = draw(st.lists(st.integers(0, 80), min_size=1, max_size=12))
    sources = []
    for number, start in enumerate(starts):
        length = draw(st.integers(2, 8))
        span = draw(st.sampled_from([None, AddressSpan(start, start + length)]))
        power = PowerOfTen(RegisterSpec(Table.INPUT, start + draw(st.integers(-5, 5)) + 5, WordType.U16))
        for member in range(draw(st.integers(1, 3))):
            register = RegisterSpec(
                Table.INPUT,
                start + draw(st.integers(0, length - 1)),
                WordType.U16,
                together=span,
                power=draw(st.sampled_from([None, power])),
            )
            wanted = register.span
            fits = wanted.end - wanted.first <= device.max_words
            if fits and not any(hole.span.meets(wanted.first, wanted.end) for hole in holes):
                sources.append(SignalSource(f"s{number}_{member}", 0, register, draw(st.sampled_from([0.2, 1.0]))))
    return device, sources


@given(tied_sites())
def test_groups_come_whole_and_no_request_meets_a_hole(site: tuple[DeviceSpec, list[SignalSource]]) -> None:
    device, sources = site
    plan = make_plan([device], sources, [])
    for source, place in zip(sources, plan.signals, strict=True):
        block, span = plan.blocks[place.block], source.register.span
        assert block.address <= span.first
        assert span.end <= block.address + block.count
        assert block.address + place.offset == source.register.address
    for block in plan.blocks:
        assert 1 <= block.count <= device.max_words
        assert not any(hole.span.meets(block.address, block.address + block.count) for hole in device.forbidden)
    block_of: dict[AddressSpan, int] = {}
    for source, place in zip(sources, plan.signals, strict=True):
        group = source.register.together
        if group is not None and source.register.power is None:
            assert plan.blocks[block_of.setdefault(group, place.block)].period_s == plan.blocks[place.block].period_s


@given(tied_sites())
def test_one_per_request_asks_for_nothing_that_no_single_value_needs(
    site: tuple[DeviceSpec, list[SignalSource]],
) -> None:
    device, sources = site
    plan = make_plan([replace(device, one_per_request=True)], sources, [])
    for number, block in enumerate(plan.blocks):
        spans = [
            source.register.span for source, place in zip(sources, plan.signals, strict=True) if place.block == number
        ]
        assert AddressSpan(block.address, block.address + block.count) in spans
