"""Properties of the read plan: every value exactly where the plan says, whole, and within what its device takes."""

from hypothesis import given
from hypothesis import strategies as st

from crumbmeter.field.plan import bus_load, describe, make_plan
from crumbmeter.field.spec import DeviceSpec, OutputSpec, RegisterSpec, SignalSource, Table, WordType
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
    assert sum(load.requests_per_s for load in loads) - sum(1 / block.period_s for block in plan.blocks) < 1e-9
