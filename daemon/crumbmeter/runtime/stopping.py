"""The stop at the end: brings every output to rest and proves it by read-back (REQ-4b, REQ-20).

Needs neither the core nor a scan, nor the tasks of the supervisor: it works after the core has raised. Devices are
stopped at the same time, so that a dead one delays no other.
"""

import asyncio
import contextlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from crumbmeter.field.opcua import read_back
from crumbmeter.field.spec import OutputSpec, Table
from crumbmeter.field.words import encode_si
from crumbmeter.model.faults import CrumbmeterError, DeviceExceptionError
from crumbmeter.model.outputs import OutputRole
from crumbmeter.ports import Clock
from crumbmeter.runtime.link import DeviceLine
from crumbmeter.runtime.writer import OutputWriter

REST: Mapping[OutputRole, float] = {
    OutputRole.AUGER_SPEED: 0.0,
    OutputRole.FEED_RATE: 0.0,
    OutputRole.FEED_RUN: 0.0,
    OutputRole.PLANT_HEALTHY: 0.0,
    OutputRole.START_WARNING: 0.0,
    OutputRole.RELEASE: 0.0,
    OutputRole.CHARGE_READY: 0.0,
    OutputRole.CHARGE_DELIVERED: 0.0,
    OutputRole.REFILL: 0.0,
    OutputRole.OWNER: 0.0,
}
"""What each output is brought to. Others are left: blower and airlock clear the line, the heartbeat just ends."""

_PAUSE_S = 0.05
"""[s] Process time between two looks at a register that does not hold what it should yet."""


@dataclass(frozen=True, slots=True)
class StopResult:
    """How one output ended."""

    role: str
    device_id: str
    wanted_words: tuple[int, ...]
    acknowledged: bool = False
    confirmed: bool = False
    """The device itself reported the wanted words afterwards."""
    read_back_words: tuple[int, ...] | None = None
    cause: str = ""
    """Why it is not confirmed."""


@dataclass(frozen=True, slots=True)
class StopReport:
    """How the stop went. Empty where nothing was to be written."""

    results: tuple[StopResult, ...]
    skipped: bool = False
    """Writing was not enabled: nothing was touched, since somebody else may be in charge."""

    @property
    def confirmed(self) -> bool:
        """Tell whether every output is known to be at rest."""
        return all(result.confirmed for result in self.results)


class _Stop:
    """One device's part of the stop."""

    def __init__(
        self, line: DeviceLine, outputs: Sequence[OutputSpec], clock: Clock, rest: Mapping[OutputRole, float]
    ) -> None:
        self._line = line
        self._outputs = outputs
        self._clock = clock
        self.results = {
            spec.role: StopResult(
                spec.role,
                line.device.device_id,
                encode_si(spec.register, rest[OutputRole(spec.role)]),
                cause="not reached in time",
            )
            for spec in outputs
        }

    async def run(self, deadline_s: float) -> None:
        """Write, and look until everything is confirmed or the time is over. Never raises, but for being cancelled."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(deadline_s):
                while not all(result.confirmed for result in self.results.values()):
                    await self._pass()

    async def _pass(self) -> None:
        for spec in self._outputs:
            if not self.results[spec.role].acknowledged:
                await self._write(spec)
        for spec in self._outputs:
            if self.results[spec.role].acknowledged and not self.results[spec.role].confirmed:
                await self._read_back(spec)
        if not all(result.confirmed for result in self.results.values()):
            await self._clock.sleep_until(self._clock.now_s() + _PAUSE_S)

    async def _write(self, spec: OutputSpec) -> None:
        wanted = self.results[spec.role].wanted_words
        try:
            await self._line.endpoint.revive(at_once=True)
            await self._line.write(spec.register, lambda: wanted, spec.write_function)
        except Exception as fault:  # noqa: BLE001 - whatever it is, it must not end the stop of the other devices
            self._note(spec, cause=str(fault) or type(fault).__name__)
        else:
            self._note(spec, acknowledged=True, cause="not yet read back")

    async def _read_back(self, spec: OutputSpec) -> None:
        register = spec.register
        try:
            await self._line.endpoint.revive(at_once=True)
            whole = register.span if register.table is Table.NODE else register.own
            came = await self._line.read(register.table, whole.first, whole.end - whole.first, ahead=True)
            found = read_back(register, came, register.address - whole.first)
        except DeviceExceptionError as fault:
            self._note(spec, cause=f"read-back refused: {fault}")
        except Exception as fault:  # noqa: BLE001 - likewise
            # What it holds after a break is not known: it is written again.
            withheld = isinstance(fault, CrumbmeterError) and fault.withheld
            self._note(spec, acknowledged=withheld, cause=str(fault) or type(fault).__name__)
        else:
            confirmed = found == self.results[spec.role].wanted_words
            cause = "" if confirmed else "the device holds something else"
            self._note(spec, confirmed=confirmed, read_back_words=found, cause=cause)

    def _note(self, spec: OutputSpec, **changes: object) -> None:
        self.results[spec.role] = replace(self.results[spec.role], **changes)  # type: ignore[arg-type]


async def stop_all(
    writer: OutputWriter,
    lines: Sequence[DeviceLine],
    outputs: Sequence[OutputSpec],
    clock: Clock,
    *,
    deadline_s: float = 2.0,
    rest: Mapping[OutputRole, float] = REST,
) -> StopReport:
    """Bring every output to rest, at once, and confirm it.

    Args:
        writer: Halted first, so that no older value follows.
        lines: One per device.
        outputs: The allow list.
        clock: For the pauses between two looks.
        deadline_s: [s] Loop time; whatever is not confirmed by then is reported as not confirmed.
        rest: What each output is brought to; one that is not in it is left.

    Returns:
        What became of each output.
    """
    enabled = writer.enabled
    writer.halt()
    if not enabled:
        return StopReport((), skipped=True)
    by_device: dict[int, list[OutputSpec]] = {}
    for spec in outputs:
        if OutputRole(spec.role) in rest:
            by_device.setdefault(spec.device, []).append(spec)
    stops = [_Stop(lines[device], specs, clock, rest) for device, specs in by_device.items()]
    async with asyncio.TaskGroup() as group:
        for stop in stops:
            group.create_task(stop.run(deadline_s), name="stop")
    done = {role: result for stop in stops for role, result in stop.results.items()}
    return StopReport(tuple(done[spec.role] for spec in outputs if spec.role in done))
