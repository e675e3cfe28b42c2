"""Reads the blocks of one device for ever, on absolute deadlines, and puts what comes into the buffer (R8, R19).

A device that does not answer is left alone for a growing time, so that it takes no more than its share of a connection
that others use too (REQ-11); it is never given up. What is due while a round is still under way is skipped and counted.
What a Modbus exception means decides what is done: 01 to 03 are settings and are asked again at the next period only,
05 and 06 are asked again after a wait, 10 and 11 say that the unit behind a gateway is silent.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import NoReturn

from crumbmeter.field.parts import Part
from crumbmeter.field.spec import BlockSpec
from crumbmeter.model.events import event
from crumbmeter.model.faults import CrumbmeterError, DeviceExceptionError, ReconnectError, RetryLaterError
from crumbmeter.model.image import ReadOutcome
from crumbmeter.ports import Clock
from crumbmeter.runtime.buffer import InputBuffer
from crumbmeter.runtime.link import DeviceLine, Report, outcome_of
from crumbmeter.runtime.tally import DeviceTally

_ILLEGAL_ADDRESS = 2
_BUSY = (5, 6)
_GATEWAY_TARGET = (10, 11)
BUSY_RETRIES = 2
BUSY_WAIT_S = 0.1
"""[s] Before a busy device is asked again, doubled each time; others have the connection meanwhile. Process time."""


class _Lane:
    """One block with its next deadline."""

    def __init__(self, index: int, block: BlockSpec, due_s: float) -> None:
        self.index = index
        self.block = block
        self.due_s = due_s
        self.refused = False
        self.split = False
        """Whether it has been asked for in parts, to find the one that is refused."""

    def advance(self, now_s: float) -> int:
        """Move to the next deadline after now; return how many were missed between."""
        missed = max(0, int((now_s - self.due_s) / self.block.period_s))
        self.due_s += (missed + 1) * self.block.period_s
        return missed


class DevicePoller:
    """The read loop of one device."""

    def __init__(
        self,
        line: DeviceLine,
        blocks: Sequence[tuple[int, BlockSpec]],
        buffer: InputBuffer,
        clock: Clock,
        report: Report,
        tally: DeviceTally,
        parts: Mapping[int, Sequence[Part]] | None = None,
        moved: Callable[[], None] = lambda: None,
    ) -> None:
        """Prepare the loop.

        Args:
            line: The device.
            blocks: Its blocks, each with its index in the read plan.
            buffer: Where the words go.
            clock: Process time.
            report: Gets `device_lost`, `device_back`, `read_refused`, `read_accepted` and `register_refused`, as
                transitions.
            tally: Counts.
            parts: What each block is made of, by its index.
            moved: Called after each round, so that a poller that stands still is noticed.
        """
        self._line = line
        self._lanes = [_Lane(index, block, 0.0) for index, block in blocks]
        self._buffer = buffer
        self._clock = clock
        self._report = report
        self._tally = tally
        self._parts = parts or {}
        self._moved = moved
        self._lost_s: float | None = None

    async def run(self) -> NoReturn:
        """Poll for ever. Raises only what is a mistake in the program."""
        start_s = self._clock.now_s()
        for lane in self._lanes:
            lane.due_s = start_s
        while True:
            due_s = min((lane.due_s for lane in self._lanes), default=float("inf"))
            await self._line.wait_turn(due_s)
            await self._round()
            self._moved()

    async def _round(self) -> None:
        began_s = self._clock.now_s()
        failed: tuple[ReadOutcome, int] | None = None
        for lane in self._lanes:
            if lane.due_s > began_s:
                continue
            if failed is None:
                failed = await self._read(lane)
            else:
                self._put_failure(lane, *failed)
        ended_s = self._clock.now_s()
        for lane in self._lanes:
            if lane.due_s <= began_s:
                self._tally.skipped += lane.advance(ended_s)
        self._tally.last_pass_s = ended_s - began_s
        self._tally.longest_pass_s = max(self._tally.longest_pass_s, self._tally.last_pass_s)

    def _put_failure(self, lane: _Lane, outcome: ReadOutcome, code: int = 0) -> None:
        self._buffer.put_failure(lane.index, outcome, code)
        self._tally.reads[outcome] += 1

    async def _read(self, lane: _Lane) -> tuple[ReadOutcome, int] | None:
        """Read one block; return how it failed where the rest of the round need not be tried."""
        try:
            words = await self._ask(lane.block)
        except DeviceExceptionError as fault:
            self._put_failure(lane, ReadOutcome.EXCEPTION, fault.code)
            self._tally.exceptions[fault.code] += 1
            if fault.code in _GATEWAY_TARGET:
                self._note_silence(ReadOutcome.EXCEPTION, fault)
                return ReadOutcome.EXCEPTION, fault.code
            self._note_answer()
            await self._note_refusal(lane, fault.code)
            return None
        except (RetryLaterError, ReconnectError) as fault:
            if fault.withheld:
                return None  # nothing was sent; the age of what came last tells, and the other blocks may be asked
            outcome = outcome_of(fault)
            self._put_failure(lane, outcome)
            self._note_silence(outcome, fault)
            return outcome, 0
        self._buffer.put_words(lane.index, words, self._clock.now_s())
        self._tally.reads[ReadOutcome.OK] += 1
        self._note_answer()
        await self._note_refusal(lane, 0)
        return None

    async def _ask(self, block: BlockSpec) -> tuple[int, ...]:
        """Read; once more per retry where a connection can be had without waiting, and a busy device after a wait."""
        retries, waits = self._line.device.read_retries, 0
        while True:
            try:
                return await self._line.read(block.table, block.address, block.count)
            except DeviceExceptionError as fault:
                if fault.code not in _BUSY or waits >= BUSY_RETRIES:
                    raise
                await self._clock.sleep_until(self._clock.now_s() + BUSY_WAIT_S * 2.0**waits)
                waits += 1
            except (RetryLaterError, ReconnectError) as fault:
                if not retries or not self._worth_retrying(fault) or not await self._line.endpoint.revive():
                    raise
                retries -= 1

    def _worth_retrying(self, fault: CrumbmeterError) -> bool:
        """Tell whether a failed read may be tried again at once: not where a silent unit would cost others twice."""
        return not (fault.withheld or (isinstance(fault, RetryLaterError) and self._line.endpoint.shared))

    def _note_silence(self, outcome: ReadOutcome, fault: Exception) -> None:
        if self._lost_s is None:
            self._lost_s = self._clock.now_s()
            self._report(
                event("device_lost", device=self._line.device.device_id, outcome=outcome.value, cause=str(fault))
            )

    def _note_answer(self) -> None:
        if self._lost_s is not None:
            lost_s, self._lost_s = self._clock.now_s() - self._lost_s, None
            self._report(event("device_back", device=self._line.device.device_id, lost_s=lost_s))

    async def _note_refusal(self, lane: _Lane, code: int) -> None:
        if lane.refused == bool(code):
            return
        lane.refused = bool(code)
        detail = {"device": self._line.device.device_id, "table": lane.block.table.value, "address": lane.block.address}
        if code:
            self._report(event("read_refused", **detail, exception_code=code))
            if code == _ILLEGAL_ADDRESS and not lane.split:
                lane.split = True
                await self._name_refused(lane)
        else:
            lane.split = False
            self._report(event("read_accepted", **detail))

    async def _name_refused(self, lane: _Lane) -> None:
        """Ask once for each part of a block that does not exist as a whole, and say which part it is (lesson 41)."""
        parts = self._parts.get(lane.index, ())
        if len(parts) < 2:
            return
        for part in parts:
            try:
                await self._line.read(lane.block.table, part.address, part.count)
            except DeviceExceptionError as fault:
                self._report(
                    event(
                        "register_refused",
                        device=self._line.device.device_id,
                        table=lane.block.table.value,
                        address=part.address,
                        count=part.count,
                        names=", ".join(part.names),
                        exception_code=fault.code,
                    )
                )
            except CrumbmeterError:
                return
