"""From registers to read requests: pure, the same for the same site, printed before anything is asked (R12).

A request never splits a value (a 32-bit number read in two requests can be torn), never exceeds what its device takes,
and crosses no more unasked addresses than its device allows. Read-backs of outputs are read like signals.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby

from crumbmeter.field.spec import BlockSpec, DeviceSpec, OutputSpec, Place, ReadPlan, RegisterSpec, SignalSource, Table

READ_FUNCTIONS = {Table.COIL: 1, Table.DISCRETE: 2, Table.HOLDING: 3, Table.INPUT: 4}
"""Function code that reads each table (Application Protocol v1.1b3, section 6)."""

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
    def end(self) -> int:
        return self.register.address + self.register.count

    def order(self) -> tuple[int, int, float, int, int, bool, int]:
        register = self.register
        table = _TABLE_ORDER[register.table]
        return (self.device, table, self.period_s, register.address, -register.count, self.output, self.index)

    def lane(self) -> tuple[int, Table, float]:
        return (self.device, self.register.table, self.period_s)


def make_plan(
    devices: Sequence[DeviceSpec], sources: Sequence[SignalSource], outputs: Sequence[OutputSpec]
) -> ReadPlan:
    """Gather registers into read requests.

    An output is read back as often as the fastest signal of its device, and at least twice within its time to confirm.

    Raises:
        ValueError: a device takes fewer words in one request than one value needs.
    """
    wants = [_Want(s.device, s.register, s.period_s, False, i) for i, s in enumerate(sources)]
    wants += [_Want(o.device, o.register, read_back_period_s(o, sources), True, i) for i, o in enumerate(outputs)]
    wants.sort(key=_Want.order)
    blocks: list[BlockSpec] = []
    places: dict[tuple[bool, int], Place] = {}
    for (device, table, period_s), lane in groupby(wants, _Want.lane):
        limit = devices[device].max_bits if table.of_bits else devices[device].max_words
        for group in _coalesce(lane, limit, devices[device]):
            start = group[0].register.address
            count = max(want.end for want in group) - start
            for want in group:
                places[want.output, want.index] = Place(len(blocks), want.register.address - start)
            blocks.append(BlockSpec(device, table, start, count, period_s))
    return ReadPlan(
        blocks=tuple(blocks),
        signals=tuple(places[False, index] for index in range(len(sources))),
        outputs=tuple(places[True, index] for index in range(len(outputs))),
    )


def read_back_period_s(output: OutputSpec, sources: Sequence[SignalSource]) -> float:
    """[s] Return how often the register of an output is read back."""
    own = [source.period_s for source in sources if source.device == output.device]
    return min((*own, output.confirm_within_s / 2.0))


def _coalesce(lane: Iterable[_Want], limit: int, device: DeviceSpec) -> list[list[_Want]]:
    groups: list[list[_Want]] = []
    start = end = 0
    for want in lane:
        address = want.register.address
        if want.register.count > limit:
            raise ValueError(f"{device.device_id} reads {limit} at once; one value needs {want.register.count}")
        if groups and address - end <= device.max_gap and max(end, want.end) - start <= limit:
            groups[-1].append(want)
            end = max(end, want.end)
        else:
            groups.append([want])
            start, end = address, want.end
    return groups


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
                count=block.count,
                period_s=block.period_s,
                signal_ids=tuple(
                    source.signal_id
                    for source, place in zip(sources, plan.signals, strict=True)
                    if place.block == number
                ),
                roles=tuple(
                    output.role for output, place in zip(outputs, plan.outputs, strict=True) if place.block == number
                ),
            )
        )
    return tuple(rows)


def bus_load(devices: Sequence[DeviceSpec], plan: ReadPlan, exchange_estimate_s: float) -> tuple[EndpointLoad, ...]:
    """Estimate how busy each endpoint is with the plan's reads.

    Args:
        devices: All devices; those that share an endpoint share its time.
        plan: The read requests.
        exchange_estimate_s: [s] What one request and its reply take, without the device's own gap.
    """
    requests_per_s: dict[str, float] = {device.endpoint: 0.0 for device in devices}
    share = dict(requests_per_s)
    for block in plan.blocks:
        device = devices[block.device]
        requests_per_s[device.endpoint] += 1.0 / block.period_s
        share[device.endpoint] += (exchange_estimate_s + device.request_gap_s) / block.period_s
    return tuple(EndpointLoad(endpoint, requests_per_s[endpoint], share[endpoint]) for endpoint in share)
