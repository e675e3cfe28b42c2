"""From registers to read requests: pure, the same for the same site, printed before anything is asked (R12).

A request never splits a value or an atomic group (a 32-bit number read in two requests can be torn, a value and its
decimal point can be of different instants), never exceeds what its device takes, never touches a forbidden address, and
crosses no more unasked addresses than its device allows. Read-backs of outputs are read like signals.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import groupby

from crumbmeter.field.frames import data_bytes, exchange_s
from crumbmeter.field.spec import (
    AddressSpan,
    BlockSpec,
    DeviceSpec,
    OutputSpec,
    Place,
    ReadPlan,
    RegisterSpec,
    SignalSource,
    Table,
)

READ_FUNCTIONS = {Table.COIL: 1, Table.DISCRETE: 2, Table.HOLDING: 3, Table.INPUT: 4, Table.NODE: 0}
"""Function code that reads each table (Application Protocol v1.1b3, section 6); 0: OPC UA's Read has none."""

_TABLE_ORDER = {table: position for position, table in enumerate(Table)}


@dataclass(frozen=True, slots=True)
class PlanRow:
    """One read request in words for a person: what goes over the wire, and for whom."""

    device_id: str
    unit_id: int
    function_code: int
    address: int
    """PDU offset, counted from 0."""
    count: int
    period_s: float
    signal_ids: tuple[str, ...]
    roles: tuple[str, ...]
    """Outputs that are read back by it."""
    of_nodes: bool = False
    """It is OPC UA's Read of so many nodes; unit, function code and address say nothing."""


@dataclass(frozen=True, slots=True)
class WireRow:
    """One value as it lies on the wire."""

    name: str
    """Signal or output role."""
    device_id: str
    unit_id: int
    function_code: int
    """That reads it."""
    address: int
    """PDU offset, counted from 0, whatever the notation of the profile."""
    count: int
    word_type: str
    order: str
    with_addresses: tuple[int, int]
    """First and last address that come in the same reply: its atomic group."""
    node: str = ""
    """Of an OPC UA device: which node, with its namespace; unit, function code and address say nothing."""


@dataclass(frozen=True, slots=True)
class EndpointLoad:
    """How busy one connection is with reads alone (REQ-39)."""

    endpoint: str
    requests_per_s: float
    share: float
    """[fraction] Of the time; above 0.7 there is no room for writes and for one slow reply."""


@dataclass(frozen=True, slots=True)
class _Want:
    device: int
    register: RegisterSpec
    period_s: float
    output: bool
    index: int
    """Position in the list of signals or of outputs."""

    @property
    def span(self) -> AddressSpan:
        return self.register.span

    def order(self) -> tuple[int, int, float, int, int]:
        span = self.span  # what has the same span shares a request, whichever comes first
        return (self.device, _TABLE_ORDER[self.register.table], self.period_s, span.first, -span.end)

    def lane(self) -> tuple[int, Table, float]:
        return (self.device, self.register.table, self.period_s)


def make_plan(
    devices: Sequence[DeviceSpec], sources: Sequence[SignalSource], outputs: Sequence[OutputSpec]
) -> ReadPlan:
    """Gather registers into read requests.

    An output is read back as often as the fastest signal of its device, and at least twice within its time to confirm.
    An atomic group is read as often as the fastest of its members.

    Raises:
        ValueError: a device does not give in one request what one value needs, or it lies on a forbidden address.
    """
    wants = [_Want(s.device, s.register, s.period_s, False, i) for i, s in enumerate(sources)]
    wants += [_Want(o.device, o.register, read_back_period_s(o, sources), True, i) for i, o in enumerate(outputs)]
    wants = sorted(_in_step(wants), key=_Want.order)
    blocks: list[BlockSpec] = []
    places: dict[tuple[bool, int], Place] = {}
    for (device, table, period_s), lane in groupby(wants, _Want.lane):
        for span, group in _coalesce(lane, table, devices[device]):
            for want in group:
                places[want.output, want.index] = Place(len(blocks), want.register.address - span.first)
            blocks.append(BlockSpec(device, table, span.first, span.end - span.first, period_s))
    return ReadPlan(
        blocks=tuple(blocks),
        signals=tuple(places[False, index] for index in range(len(sources))),
        outputs=tuple(places[True, index] for index in range(len(outputs))),
    )


def read_back_period_s(output: OutputSpec, sources: Sequence[SignalSource]) -> float:
    """[s] Return how often the register of an output is read back."""
    own = [source.period_s for source in sources if source.device == output.device]
    return min((*own, output.confirm_within_s / 2.0))


def _in_step(wants: Sequence[_Want]) -> list[_Want]:
    """Give all that belongs to one atomic group the same period, so that it lies in the same request."""
    fastest: dict[tuple[int, Table, AddressSpan | None], float] = {}
    for want in wants:
        key = (want.device, want.register.table, want.register.together)
        fastest[key] = min(want.period_s, fastest.get(key, want.period_s))
    return [
        want
        if want.register.together is None
        else replace(want, period_s=fastest[want.device, want.register.table, want.register.together])
        for want in wants
    ]


def _coalesce(lane: Iterable[_Want], table: Table, device: DeviceSpec) -> list[tuple[AddressSpan, list[_Want]]]:
    limit = device.max_bits if table.of_bits else device.max_words
    groups: list[tuple[AddressSpan, list[_Want]]] = []
    for want in lane:
        fault = span_fault(device, table, want.span, limit)
        if fault:
            raise ValueError(f"{device.device_id} {fault}")
        whole = groups[-1][0].hull(want.span) if groups else want.span
        if groups and _may_grow(groups[-1][0], want.span, device, table, limit):
            groups[-1][1].append(want)
            groups[-1] = (whole, groups[-1][1])
        else:
            groups.append((want.span, [want]))
    return groups


def span_fault(device: DeviceSpec, table: Table, span: AddressSpan, limit: int) -> str:
    """Say why a device does not give these addresses in one request; empty where it does."""
    count = span.end - span.first
    if count > limit:
        return f"reads {limit} at once; one value needs {count}"
    if _is_forbidden(device, table, span):
        return f"must not be asked for {table.value} {span.first} to {span.end - 1}"
    return ""


def _may_grow(block: AddressSpan, span: AddressSpan, device: DeviceSpec, table: Table, limit: int) -> bool:
    """Tell whether a request may also bring the addresses of one more value, which begin no earlier than its own."""
    whole = block.hull(span)
    if whole == block:
        return True
    return not (
        device.one_per_request
        or span.first - block.end > device.max_gap
        or whole.end - whole.first > limit
        or _is_forbidden(device, table, whole)
    )


def _is_forbidden(device: DeviceSpec, table: Table, span: AddressSpan) -> bool:
    return any(hole.table is table and hole.span.meets(span.first, span.end) for hole in device.forbidden)


def describe(
    plan: ReadPlan, devices: Sequence[DeviceSpec], sources: Sequence[SignalSource], outputs: Sequence[OutputSpec]
) -> tuple[PlanRow, ...]:
    """Say every read request as it goes over the wire, in the order of the plan (REQ-14)."""
    rows = []
    for number, block in enumerate(plan.blocks):
        device = devices[block.device]
        rows.append(
            PlanRow(
                device_id=device.device_id,
                unit_id=device.unit_id,
                function_code=READ_FUNCTIONS[block.table],
                address=block.address,
                count=_nodes(plan, number) if block.table is Table.NODE else block.count,
                period_s=block.period_s,
                signal_ids=tuple(
                    source.signal_id
                    for source, place in zip(sources, plan.signals, strict=True)
                    if place.block == number
                ),
                roles=tuple(
                    output.role for output, place in zip(outputs, plan.outputs, strict=True) if place.block == number
                ),
                of_nodes=block.table is Table.NODE,
            )
        )
    return tuple(rows)


def _nodes(plan: ReadPlan, block: int) -> int:
    """Count the nodes that a block asks for."""
    return len({place.offset for place in (*plan.signals, *plan.outputs) if place.block == block})


def wire_addresses(
    devices: Sequence[DeviceSpec], sources: Sequence[SignalSource], outputs: Sequence[OutputSpec]
) -> tuple[WireRow, ...]:
    """Say where every value is on the wire, signals first, in the order of the site (REQ-14)."""
    named = [(source.signal_id, source.device, source.register) for source in sources]
    named += [(output.role, output.device, output.register) for output in outputs]
    return tuple(
        WireRow(
            name=name,
            device_id=devices[device].device_id,
            unit_id=devices[device].unit_id,
            function_code=READ_FUNCTIONS[register.table],
            address=register.address,
            count=register.count,
            word_type=register.word_type.value,
            order="" if register.table.of_bits else register.order.value,
            with_addresses=(register.span.first, register.span.end - 1),
            node=register.node,
        )
        for name, device, register in named
    )


def bus_load(devices: Sequence[DeviceSpec], plan: ReadPlan, exchange_estimate_s: float) -> tuple[EndpointLoad, ...]:
    """Estimate how busy each endpoint is with the plan's reads.

    Args:
        devices: All devices; those that share an endpoint share its time.
        plan: The read requests.
        exchange_estimate_s: [s] What one request and its reply take, without the device's own gap.
    """
    requests_per_s: dict[str, float] = {device.endpoint: 0.0 for device in devices}
    share = dict(requests_per_s)
    alike = Counter((block.device, block.table, data_bytes(block)) for block in plan.blocks)
    for block in plan.blocks:
        device = devices[block.device]
        requests_per_s[device.endpoint] += 1.0 / block.period_s
        cost_s = exchange_s(device, block, exchange_estimate_s)
        if device.transport.serial_frames and alike[block.device, block.table, data_bytes(block)] > 1:
            # Nothing but time tells their replies apart (adapters/modbus_wire.py).
            cost_s = max(cost_s, device.guard_s)
        share[device.endpoint] += cost_s / block.period_s
    return tuple(EndpointLoad(endpoint, requests_per_s[endpoint], share[endpoint]) for endpoint in share)
