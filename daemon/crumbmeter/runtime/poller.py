"""Reads the blocks of one device for ever, on absolute deadlines, and puts what comes into the buffer (R8, R19).

A device that does not answer is left alone for a growing time, so that it takes no more than its share of a connection
that others use too (REQ-11); it is never given up. What is due while a round is still under way is skipped and counted.
"""

from collections.abc import Sequence
from typing import NoReturn

from crumbmeter.field.spec import BlockSpec
from crumbmeter.model.events import event
from crumbmeter.model.faults import DeviceExceptionError, ReconnectError, RetryLaterError
from crumbmeter.model.image import ReadOutcome
from crumbmeter.ports import Clock
from crumbmeter.runtime.backoff import Backoff, Chance
from crumbmeter.runtime.buffer import InputBuffer
from crumbmeter.runtime.link import DeviceLine, Report, outcome_of
from crumbmeter.runtime.tally import DeviceTally


class _Lane:
    """One block with its next deadline."""

    def __init__(self, index: int, block: BlockSpec, due_s: float) -> None:
        self.index = index
        self.block = block
        self.due_s = due_s
        self.refused = False

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
        rng: Chance,
        report: Report,
        tally: DeviceTally,
    ) -> None:
        """Prepare the loop.

        Args:
            line: The device.
            blocks: Its blocks, each with its index in the read plan.
            buffer: Where the words go.
            clock: Process time.
            rng: For the jitter.
            report: Gets `device_lost`, `device_back`, `read_refused` and `read_accepted`, as transitions.
            tally: Counts.
        """
        self._line = line
        self._lanes = [_Lane(index, block, 0.0) for index, block in blocks]
        self._buffer = buffer
        self._clock = clock
        self._report = report
        self._tally = tally
        self._backoff = Backoff(shortest_s=line.device.backoff_min_s, longest_s=line.device.backoff_max_s, rng=rng)
        self._silent = 0
        """Exchanges in a row that were sent and not answered as they should."""
        self._lost_s: float | None = None
        self._rest_until_s = float("-inf")

    async def run(self) -> NoReturn:
        """Poll for ever. Raises only what is a mistake in the program."""
        start_s = self._clock.now_s()
        for lane in self._lanes:
            lane.due_s = start_s
        while True:
            due_s = min((lane.due_s for lane in self._lanes), default=float("inf"))
            await self._clock.sleep_until(max(due_s, self._rest_until_s))
            await self._round()

    async def _round(self) -> None:
        began_s = self._clock.now_s()
        failed: ReadOutcome | None = None
        for lane in self._lanes:
            if lane.due_s > began_s:
                continue
            if failed is None:
                failed = await self._read(lane)
            else:
                self._buffer.put_failure(lane.index, failed)
                self._tally.reads[failed] += 1
        ended_s = self._clock.now_s()
        for lane in self._lanes:
            if lane.due_s <= began_s:
                self._tally.skipped += lane.advance(ended_s)
        self._tally.last_pass_s = ended_s - began_s
        self._tally.longest_pass_s = max(self._tally.longest_pass_s, self._tally.last_pass_s)

    async def _read(self, lane: _Lane) -> ReadOutcome | None:
        """Read one block; return how it failed where the rest of the round need not be tried."""
        block = lane.block
        try:
            words = await self._ask(block)
        except DeviceExceptionError as fault:
            self._buffer.put_failure(lane.index, ReadOutcome.EXCEPTION, fault.code)
            self._tally.reads[ReadOutcome.EXCEPTION] += 1
            self._tally.exceptions[fault.code] += 1
            self._note_answer()
            self._note_refusal(lane, fault.code)
            return None
        except (RetryLaterError, ReconnectError) as fault:
            outcome = outcome_of(fault)
            self._buffer.put_failure(lane.index, outcome)
            self._tally.reads[outcome] += 1
            self._note_silence(outcome, fault)
            return outcome
        self._buffer.put_words(lane.index, words, self._clock.now_s())
        self._tally.reads[ReadOutcome.OK] += 1
        self._note_answer()
        self._note_refusal(lane, 0)
        return None

    async def _ask(self, block: BlockSpec) -> tuple[int, ...]:
        """Read, and once more per retry where a new connection can be had without waiting for it."""
        for _ in range(self._line.device.read_retries):
            try:
                return await self._line.read(block.table, block.address, block.count)
            except (RetryLaterError, ReconnectError):
                if not await self._line.endpoint.revive():
                    raise
        return await self._line.read(block.table, block.address, block.count)

    def _note_silence(self, outcome: ReadOutcome, fault: Exception) -> None:
        now_s = self._clock.now_s()
        if outcome is not ReadOutcome.NO_CONNECTION:
            self._silent += 1
            # One lost reply costs one poll; only from the second in a row on is the device left alone.
            self._rest_until_s = now_s + self._backoff.delay_s(self._silent - 1)
        if self._lost_s is None:
            self._lost_s = now_s
            self._report(
                event("device_lost", device=self._line.device.device_id, outcome=outcome.value, cause=str(fault))
            )

    def _note_answer(self) -> None:
        self._silent = 0
        self._rest_until_s = float("-inf")
        if self._lost_s is not None:
            lost_s, self._lost_s = self._clock.now_s() - self._lost_s, None
            self._report(event("device_back", device=self._line.device.device_id, lost_s=lost_s))

    def _note_refusal(self, lane: _Lane, code: int) -> None:
        if lane.refused == bool(code):
            return
        lane.refused = bool(code)
        detail = {"device": self._line.device.device_id, "table": lane.block.table.value, "address": lane.block.address}
        if code:
            self._report(event("read_refused", **detail, exception_code=code))
        else:
            self._report(event("read_accepted", **detail))
