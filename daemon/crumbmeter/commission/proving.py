"""The proof of a write: one output is brought to a value for some seconds, read back, and brought to rest again.

Runs only while no daemon does, and writes through the daemon's own writer: the same clamp, read-back, expiry and
budget. The writer's allow list is cut down to what was named, with the heartbeat and the owner register where the site
has them, so that nothing else can ever be sent. Course: look (inputs known, nothing in the way), claim the outputs,
give the heartbeat until the feeder has heard it, hold, rest. It ends at its time, when a person says so, and at any
doubt; then everything that was written is brought to rest, whatever it was that ended it.
"""

import asyncio
from collections.abc import Awaitable, Callable, Mapping, Sequence
from typing import Final, NoReturn

from crumbmeter.commission.proof_parts import EndedError, Outcome, ProofScan, Second, as_wanted, cut_down
from crumbmeter.commission.write_rules import PROOF_REST, Wish, actual_of, doubt, fastest_change_si_s, watched
from crumbmeter.control.chain import slew
from crumbmeter.control.outputs import HEARTBEAT_MODULUS
from crumbmeter.control.ownership import may_write
from crumbmeter.control.params import Params
from crumbmeter.field.words import decode_written_si
from crumbmeter.model.events import Event
from crumbmeter.model.image import WriteStage
from crumbmeter.model.outputs import OutputImage, OutputRole
from crumbmeter.ports import Clock
from crumbmeter.runtime.backoff import Chance
from crumbmeter.runtime.buffer import InputBuffer
from crumbmeter.runtime.link import DeviceLine
from crumbmeter.runtime.poller import DevicePoller
from crumbmeter.runtime.stopping import StopReport, stop_all
from crumbmeter.runtime.supervisor import Supervisor
from crumbmeter.runtime.tally import DeviceTally
from crumbmeter.runtime.writer import OutputWriter

LOOK_S: Final = 10.0
"""[s] Within this the inputs must be known, and the registers read back once."""
GREET_S: Final = 5.0
"""[s] Within this the feeder must have heard the heartbeat and dropped its fault."""
REST_S: Final = 3.0
"""[s] Real time for bringing what was written to rest."""
IN_TIME: Final = "its time is over"


class Proof:
    """One proof. Build it inside the running loop; `stop` may be called from a signal handler."""

    def __init__(
        self,
        params: Params,
        wish: Wish,
        lines: Sequence[DeviceLine],
        clock: Clock,
        rng: Chance,
        *,
        instance: int,
        counts: Mapping[str, int],
        show: Callable[[Second], None],
        report: Callable[[Event], None] = lambda _happened: None,
    ) -> None:
        """Build everything; nothing is opened yet.

        Args:
            params: Of the site. The wish has been found in order for it (`write_rules.refusals`).
            wish: What is to be written.
            lines: One per device, in the order of the site.
            clock: Process time.
            rng: For jitter.
            instance: Number of this run for the owner register.
            counts: How often each memory was written in earlier runs.
            show: Gets a line each second, and one at the end.
            report: Gets what happens to links, writes and tasks.
        """
        self._wish, self._lines, self._clock, self._show = wish, tuple(lines), clock, show
        self._params = cut_down(params, wish)
        self._roles = wish.roles
        self._instance, self._report = instance, report
        buffer = InputBuffer(blocks=len(params.plan.blocks), outputs=len(self._params.outputs))
        tallies = {index: DeviceTally() for index in range(len(self._lines))}
        self.writer = OutputWriter(
            self._lines, self._params.outputs, self._params.plan.outputs, buffer, clock,
            expiry_s=max(2.0 * params.scan_period_s, 0.1), report=report, tallies=tallies, counts=counts,
        )  # fmt: skip
        self._scan = ProofScan(self._params, buffer, clock, instance)
        self._supervisor = Supervisor(clock, rng, report)
        self._add_tasks(buffer, tallies)
        self._beat = 0
        self._touched: set[OutputRole] = set()
        self._asked_to_stop = ""
        self._held_s = 0.0
        self._begun = self._confirmed = False
        self._last: Second | None = None

    def _add_tasks(self, buffer: InputBuffer, tallies: Mapping[int, DeviceTally]) -> None:
        """Add what reads and writes the devices that are needed, and no other."""
        params = self._params
        signals = [*watched(params, self._roles), actual_of(params, self._wish.role)]
        needed = {params.sources[index].device for index in signals if index is not None}
        needed |= {spec.device for spec in params.outputs}
        self._endpoints = {id(self._lines[index].endpoint): self._lines[index].endpoint for index in sorted(needed)}
        for endpoint in self._endpoints.values():
            self._supervisor.add(f"link {endpoint.name}", endpoint.keep)
        for index in sorted(needed):
            line, blocks = self._lines[index], list(enumerate(params.plan.blocks))
            own = [(number, block) for number, block in blocks if block.device == index]
            if own:
                poller = DevicePoller(line, own, buffer, self._clock, self._report, tallies[index])
                self._supervisor.add(f"poller {line.device.device_id}", poller.run)
        for device in self.writer.devices:
            self._supervisor.add(f"writer {self._lines[device].device.device_id}", _bound(self.writer, device))

    def stop(self, why: str) -> None:
        """Ask it to end; everything is brought to rest."""
        self._asked_to_stop = self._asked_to_stop or why

    async def run(self) -> Outcome:
        """Run the course, and bring to rest whatever it wrote."""
        ended = EndedError("it did not begin")

        async def course() -> NoReturn:
            nonlocal ended
            try:
                await self._course()
            except EndedError as told:
                ended = told
            except Exception as fault:  # noqa: BLE001 - whatever it is: outputs are brought to rest, and it is told
                ended = EndedError(f"{type(fault).__name__}: {fault}")
            self._supervisor.leave()
            await asyncio.Event().wait()
            raise AssertionError

        self._supervisor.add("proof", course, critical=True)
        try:
            await self._supervisor.run()
        finally:
            await self._supervisor.end("proof")
            stopped = await self._bring_to_rest()
            await self._supervisor.stop()
            for endpoint in self._endpoints.values():
                await endpoint.close()
        last = self._last
        return Outcome(
            ended=str(ended), begun=self._begun, held_s=self._held_s, wanted_si=self._wish.value_si,
            read_back_si=None if last is None else last.read_back_si, confirmed=self._confirmed,
            by_person=ended.by_person,
            actual_si=None if last is None or last.actual is None else last.actual.value, stop=stopped,
            writes=self.writer.log.total,
        )  # fmt: skip

    async def _bring_to_rest(self) -> StopReport:
        outputs = [spec for spec in self._params.outputs if OutputRole(spec.role) in self._touched]
        stopped = await stop_all(self.writer, self._lines, outputs, self._clock, deadline_s=REST_S, rest=PROOF_REST)
        for result in stopped.results:
            if result.acknowledged or result.cause != "not reached in time":
                self.writer.note_stop(result.role, result.wanted_words, acknowledged=result.acknowledged)
        return stopped

    async def _course(self) -> NoReturn:
        await self._look()
        await self._claim()
        await self._greet()
        await self._hold()

    async def _tick(self) -> float:
        """[s] Wait for the next scan, and return its time. Raises EndedError where somebody asked for the end."""
        now_s = await self._scan.tick()
        if self._asked_to_stop:
            raise EndedError(self._asked_to_stop, by_person=True)
        return now_s

    def _doubt(self, *, fault_counts: bool) -> str:
        into_drum = self._wish.into_drum
        return doubt(self._params, self._roles, self._scan.readings, into_drum=into_drum, fault_counts=fault_counts)

    async def _look(self) -> None:
        """Wait until all that is needed is known. Raises EndedError where it is not, or speaks against it."""
        params, scan, began_s = self._params, self._scan, self._scan.now_s
        while True:
            now_s = await self._tick()
            patience_s, unread = LOOK_S, scan.unread()
            why = self._doubt(fault_counts=params.heartbeat is None)
            if why and not why.startswith("not known"):
                raise EndedError(why)
            if unread:
                why = f"not read back: {', '.join(unread)}"
            elif not why and params.owner is not None and not scan.owner.may_claim:
                why = f"another master, number {scan.owner.other}, writes to these outputs: stop it first"
                patience_s += params.owner_dead_after_s
            if not why:
                return
            if now_s - began_s > patience_s:
                raise EndedError(why)

    async def _claim(self) -> None:
        """Put our number into the owner register, where the site has one. Raises EndedError where that fails."""
        scan, began_s = self._scan, self._scan.now_s
        while not may_write(scan.owner, self._params):
            self._post((), beat=False)
            now_s = await self._tick()
            if not (scan.owner.may_claim or scan.owner.ours) or now_s - began_s > LOOK_S:
                raise EndedError("the owner register does not take our number: another master may have it")

    async def _greet(self) -> None:
        """Give the heartbeat, where the site has one, until the feeder shows no fault. Raises EndedError."""
        if self._params.heartbeat is None:
            return
        began_s, beats = self._scan.now_s, 0
        while True:
            self._post(())
            beats += 1
            now_s = await self._tick()
            why = self._doubt(fault_counts=True)
            if not why and beats > 1:
                return
            if self._doubt(fault_counts=False) or now_s - began_s > GREET_S:
                raise EndedError(why)

    async def _hold(self) -> NoReturn:
        """Hold the values until the time is over. Raises EndedError, whatever ends it."""
        began_s = before_s = shown_s = self._scan.now_s
        self._begun = True
        values = dict.fromkeys(self._roles, 0.0)
        while True:
            now_s = self._scan.now_s
            self._held_s = now_s - began_s
            for role, wanted_si in self._wish.values:
                limit = fastest_change_si_s(self._params, role)
                values[role] = wanted_si if limit is None else slew(values[role], wanted_si, limit, now_s - before_s)
            before_s = now_s
            self._last = self._note()
            if now_s >= shown_s or self._held_s >= self._wish.seconds:
                self._show(self._last)
                shown_s += 1.0
            if self._held_s >= self._wish.seconds:
                raise EndedError(IN_TIME, by_person=True)
            self._post(tuple(values.items()))
            await self._tick()
            self._end_in_doubt()

    def _end_in_doubt(self) -> None:
        why = self._doubt(fault_counts=True)
        if not may_write(self._scan.owner, self._params):
            why = why or "the owner register holds another number: somebody else writes"
        failed = self._scan.at_stage(WriteStage.FAILED)
        if why or failed:
            raise EndedError(why or f"not confirmed by the device: {', '.join(failed)}")

    def _post(self, values: tuple[tuple[OutputRole, float], ...], *, beat: bool = True) -> None:
        """Hand the newest wishes to the writer, with heartbeat and owner."""
        params = self._params
        if beat and params.heartbeat is not None:
            self._beat = (self._beat + 1) % HEARTBEAT_MODULUS
            values = (*values, (OutputRole.HEARTBEAT, float(self._beat)))
        if params.owner is not None:
            values = (*values, (OutputRole.OWNER, float(self._instance)))
        self._touched |= {role for role, _ in values}
        self.writer.post_nowait(OutputImage(write_enabled=True, stop_now=False, values=values), self._scan.now_s)

    def _note(self) -> Second:
        """Say how far the proved output has come."""
        place = next(index for index, spec in enumerate(self._params.outputs) if spec.role == self._wish.role)
        spec, status = self._params.outputs[place], self._scan.writes[place]
        back, wanted_si = status.read_back_words, self._wish.value_si
        if status.stage is WriteStage.CONFIRMED:
            self._confirmed |= wanted_si is None or as_wanted(spec, wanted_si, status.requested_words)
        actual = actual_of(self._params, self._wish.role)
        return Second(
            at_s=self._held_s, wanted_si=wanted_si, stage=status.stage,
            read_back_si=None if back is None else decode_written_si(spec.register, back),
            actual=None if actual is None else self._scan.readings[actual],
        )  # fmt: skip


def _bound(writer: OutputWriter, device: int) -> Callable[[], Awaitable[object]]:
    return lambda: writer.run_device(device)
