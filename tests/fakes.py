"""Stand-ins for the outside world that the ports of the runtime allow: a clock without real time, devices in memory."""

import asyncio
import heapq
import itertools
from collections import defaultdict
from collections.abc import Callable, Generator, Sequence
from dataclasses import replace

from crumbmeter.field.spec import DeviceSpec, OutputSpec, RegisterSpec, SignalSource, Table, WordType
from crumbmeter.model.events import Event
from crumbmeter.model.faults import DeviceExceptionError, ReconnectError, RetryLaterError


class _Turn:
    """Awaiting it gives the loop one turn."""

    def __await__(self) -> Generator[None, None, None]:
        yield


async def settle() -> None:
    """Let everything run that can run without time passing or the outside world moving."""
    loop = asyncio.get_running_loop()
    for _ in range(100_000):
        await _Turn()
        if not loop._ready:  # type: ignore[attr-defined]
            return
    raise AssertionError("something runs without ever waiting")


async def turns(count: int) -> None:
    """Let the loop turn so many times."""
    for _ in range(count):
        await _Turn()


class FakeClock:
    """Process time that passes when a test says so; an hour of it takes as long as what happens in it."""

    def __init__(self, start_s: float = 1000.0) -> None:
        self._now_s = start_s
        self._sleepers: list[tuple[float, int, asyncio.Future[None]]] = []
        self._count = itertools.count()

    def now_s(self) -> float:
        return self._now_s

    def wall_us(self) -> int:
        return 1_700_000_000_000_000 + round(self._now_s * 1e6)

    async def sleep_until(self, due_s: float) -> None:
        if due_s <= self._now_s:
            await _Turn()
            return
        waiter: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        heapq.heappush(self._sleepers, (due_s, next(self._count), waiter))
        await waiter

    async def advance(self, by_s: float) -> None:
        """Let time pass, waking sleepers in the order of their times."""
        await settle()
        until_s = self._now_s + by_s
        while self._sleepers and self._sleepers[0][0] <= until_s:
            due_s, _, waiter = heapq.heappop(self._sleepers)
            self._now_s = max(self._now_s, due_s)
            if not waiter.done():
                waiter.set_result(None)
            await settle()
        self._now_s = until_s
        await settle()


class Reports:
    """Collects events."""

    def __init__(self) -> None:
        self.events: list[Event] = []

    def __call__(self, happening: Event) -> None:
        self.events.append(happening)

    @property
    def names(self) -> list[str]:
        return [happening.name for happening in self.events]


class FakeDevice:
    """Registers of one device in memory, with the ways in which real ones disappoint."""

    def __init__(self) -> None:
        self.tables: dict[Table, dict[int, int]] = defaultdict(lambda: defaultdict(int))
        self.writes: list[tuple[Table, int, tuple[int, ...]]] = []
        """All that was accepted on the wire, whether or not the device did it."""
        self.reads = 0
        self.reachable = True
        self.silent = False
        self.withheld: set[int] = set()
        """Reads at these addresses are not sent: a late reply might be taken for theirs."""
        self.ignores_writes = False
        self.clamps_to: int | None = None
        self.exception_code = 0
        self.write_exception_code = 0
        self.gate: asyncio.Event | None = None
        """While set and clear, an exchange waits: a slow device."""
        self.applies_later: list[Callable[[], None]] | None = None
        """While a list, accepted writes are kept in it instead of being done."""
        self.connects = 0
        self.mute_address: int | None = None
        """A write there gets no answer, and ends the link."""
        self.attempts: list[tuple[int, tuple[int, ...]]] = []
        """Writes that reached the device, answered or not, by address."""

    def put(self, table: Table, address: int, words: Sequence[int]) -> None:
        for position, word in enumerate(words):
            self.tables[table][address + position] = word

    def get(self, table: Table, address: int, count: int = 1) -> tuple[int, ...]:
        return tuple(self.tables[table][address + position] for position in range(count))


class FakeLink:
    """FieldLink to a FakeDevice. A new one per connection, as with the real one."""

    def __init__(self, spec: DeviceSpec, device: FakeDevice) -> None:
        self._spec = spec
        self._device = device
        self._open = False
        self._sound = False

    async def connect(self) -> None:
        self._device.connects += 1
        if not self._device.reachable:
            raise ReconnectError("refused")
        self._open = self._sound = True

    async def get_ready(self) -> None:
        if not self._open:
            raise ReconnectError("not connected")

    async def close(self) -> None:
        self._open = False

    async def _exchange(self, code: int) -> None:
        if not (self._open and self._sound and self._device.reachable):
            self._sound = False
            raise ReconnectError("not connected")
        if self._device.gate is not None:
            await self._device.gate.wait()
        if self._device.silent:
            self._sound = False
            raise RetryLaterError("silent")
        if code:
            raise DeviceExceptionError(code, endpoint=self._spec.endpoint, unit=self._spec.unit_id, address=0)

    async def read(self, table: Table, address: int, count: int) -> tuple[int, ...]:
        self._device.reads += 1
        if address in self._device.withheld:
            fault = RetryLaterError("not asked while a late reply may come")
            fault.link_sound = fault.withheld = True
            raise fault
        await self._exchange(self._device.exception_code)
        return self._device.get(table, address, count)

    async def write(self, register: RegisterSpec, words: Sequence[int], function: int = 0) -> None:
        await self._exchange(self._device.write_exception_code)
        device, table, address = self._device, register.table, register.address
        words = tuple(words)
        device.attempts.append((address, words))
        if address == device.mute_address:
            self._sound = False
            raise RetryLaterError("no answer to the write")
        device.writes.append((table, address, words))
        if device.clamps_to is not None:
            words = tuple(min(word, device.clamps_to) for word in words)
        if device.applies_later is not None:
            device.applies_later.append(lambda: device.put(table, address, words))
        elif not device.ignores_writes:
            device.put(table, address, words)


class FakeField:
    """A link factory over fake devices, by device id."""

    def __init__(self, **devices: FakeDevice) -> None:
        self.devices = devices

    def __call__(self, specs: Sequence[DeviceSpec]) -> tuple[FakeLink, ...]:
        # One socket serves them all: opening the first opens every one.
        links = tuple(FakeLink(spec, self.devices[spec.device_id]) for spec in specs)
        for link in links[1:]:
            link._open = link._sound = True
        return links


def device_spec(device_id: str = "feeder", **changes: object) -> DeviceSpec:
    spec = DeviceSpec(
        device_id=device_id,
        host="127.0.0.1",
        port=1502,
        unit_id=1,
        timeout_s=0.05,
        read_retries=0,
        connect_timeout_s=0.5,
        backoff_min_s=0.5,
        backoff_max_s=8.0,
        max_words=125,
        max_bits=2000,
        max_gap=0,
        request_gap_s=0.0,
    )
    return replace(spec, **changes)  # type: ignore[arg-type]


def source(signal_id: str, address: int, *, device: int = 0, period_s: float = 0.2, **register: object) -> SignalSource:
    given: dict[str, object] = {"table": Table.INPUT, "word_type": WordType.U16, **register}
    return SignalSource(signal_id, device, RegisterSpec(address=address, **given), period_s)  # type: ignore[arg-type]


def output(role: str, address: int, *, device: int = 0, register: object = None, **changes: object) -> OutputSpec:
    where = register if isinstance(register, RegisterSpec) else RegisterSpec(Table.HOLDING, address, WordType.U16)
    spec = OutputSpec(role=role, device=device, register=where, low_si=0.0, high_si=1000.0)
    return replace(spec, **changes)  # type: ignore[arg-type]
