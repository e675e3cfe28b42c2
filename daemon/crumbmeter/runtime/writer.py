"""Puts the output image into the field: a newest-wins mailbox per device, and never anything else (R3).

Order of a value: is writing enabled at all -> is it on the allow list -> is it finite -> clamp -> round to raw counts
-> is a write due. Nothing is queued across a break of the connection: a mailbox holds only the newest value, which
expires and is looked at once more immediately before it is sent (REQ-25). A write is never repeated; the next scan's
is a new one.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import NoReturn

from crumbmeter.field.opcua import read_back
from crumbmeter.field.spec import OutputSpec, Place
from crumbmeter.field.words import UnencodableError, decode_words, encode_si
from crumbmeter.model.events import event
from crumbmeter.model.faults import DeviceExceptionError, ReconnectError, RetryLaterError
from crumbmeter.model.image import RawBlock, WriteStage
from crumbmeter.model.outputs import OutputImage, OutputRole
from crumbmeter.ports import Clock
from crumbmeter.runtime.buffer import InputBuffer
from crumbmeter.runtime.endurance import WriteBudget, key_of
from crumbmeter.runtime.link import DeviceLine, NotConnectedError, Report
from crumbmeter.runtime.mailbox import Mailbox, Wish
from crumbmeter.runtime.tally import DeviceTally
from crumbmeter.runtime.track import OutputTrack
from crumbmeter.runtime.writelog import WriteLog, WriteOutcome, Written


def encode_clamped(spec: OutputSpec, value_si: float) -> tuple[int, ...]:
    """Say a value in the words of its register: finite check, clamp to the output's limits, round half to even.

    Raises:
        UnencodableError: not finite, or a site file was let through that it should not have been.
    """
    if not math.isfinite(value_si):
        raise UnencodableError("not finite", spec.register, value_si)
    return encode_si(spec.register, min(max(value_si, spec.low_si), spec.high_si))


class OutputWriter:
    """Owns all writing in normal operation. `post_nowait` belongs to the scan, `run_device` to one task per device."""

    def __init__(
        self,
        lines: Sequence[DeviceLine],
        outputs: Sequence[OutputSpec],
        places: Sequence[Place],
        buffer: InputBuffer,
        clock: Clock,
        *,
        expiry_s: float,
        report: Report,
        tallies: Mapping[int, DeviceTally],
        counts: Mapping[str, int] | None = None,
    ) -> None:
        """Prepare the mailboxes.

        Args:
            lines: One per device.
            outputs: The allow list. A role that is not on it is never written.
            places: Where each output is read back (`ReadPlan.outputs`).
            buffer: Takes the write statuses, and shows the read-backs.
            clock: Process time.
            expiry_s: [s] Age at which a posted value may not be sent any more; about two scans.
            report: Gets `output_failed`, `output_confirmed_again`, `output_overwritten` as transitions.
            tallies: Counts per device index.
            counts: How often each memory was written in earlier runs.
        """
        self.log = WriteLog()
        keys = [key_of(spec, lines[spec.device].device.device_id) for spec in outputs]
        self.budget = WriteBudget(outputs, keys, counts or {})
        self._lines = tuple(lines)
        self._outputs = tuple(outputs)
        self._buffer = buffer
        self._clock = clock
        self._expiry_s = expiry_s
        self._report = report
        self._tallies = tallies
        self._tracks = tuple(OutputTrack(spec) for spec in outputs)
        self._boxes = {spec.device: Mailbox() for spec in outputs}
        self._by_block: dict[int, list[tuple[int, int]]] = {}
        for index, place in enumerate(places):
            self._by_block.setdefault(place.block, []).append((index, place.offset))
        self._sent_words: dict[int, tuple[int, ...] | None] = dict.fromkeys(self._boxes)
        """Words of the write that is under way, by device; one at a time."""
        self._told_failed = [False] * len(outputs)
        self._halted = False
        self._enabled = False
        self._told_bad_values: set[int] = set()
        buffer.watch(self._observe)

    @property
    def enabled(self) -> bool:
        """Tell whether the newest image allowed writing. Where it did not, not even the stop at the end may write."""
        return self._enabled

    @property
    def devices(self) -> tuple[int, ...]:
        """Return the indices of the devices that have outputs: each needs a task of `run_device`."""
        return tuple(sorted(self._boxes))

    def lifetime_counts(self) -> dict[str, int]:
        """Return by role how often each output was written, in all runs."""
        return {spec.role: self.budget.lifetime(index) for index, spec in enumerate(self._outputs)}

    def halt(self) -> None:
        """Take no more images and send nothing that waits: the stop at the end has the field to itself."""
        self._halted = True
        for box in self._boxes.values():
            box.clear()

    def note_stop(self, role: str, words: tuple[int, ...], *, acknowledged: bool) -> None:
        """Count a write of the stop at the end, which went past the mailboxes."""
        outcome = WriteOutcome.ACKNOWLEDGED if acknowledged else WriteOutcome.UNANSWERED
        for index, spec in enumerate(self._outputs):
            if spec.role == role:
                self.budget.sent(index, self._clock.now_s())
                self.log.note(Written(self._clock.now_s(), role, words, outcome))

    def post_nowait(self, image: OutputImage, now_s: float) -> None:
        """Take the output image of a scan. Never waits, never raises for what the field does.

        Args:
            image: Newest wishes of the core; replaces all earlier ones.
            now_s: [s] Process time of the scan.
        """
        if self._halted:
            return
        # A claim of ownership alone does not yet make the outputs ours to bring to rest.
        self._enabled = image.write_enabled and any(role is not OutputRole.OWNER for role, _ in image.values)
        for index, spec in enumerate(self._outputs):
            value_si = image.value(OutputRole(spec.role)) if image.write_enabled else None
            if value_si is None:
                self._boxes[spec.device].discard(index)
                if image.paused:
                    self._tracks[index].pause(now_s)
                else:
                    self._tracks[index].release(now_s)
            else:
                self._post(index, spec, value_si, image.stop_now, now_s)
            self._publish(index)

    def _post(self, index: int, spec: OutputSpec, value_si: float, stop_now: bool, now_s: float) -> None:
        track, tally = self._tracks[index], self._tallies[spec.device]
        try:
            words = encode_clamped(spec, value_si)
        except UnencodableError as fault:
            tally.values_unencodable += 1
            self._boxes[spec.device].discard(index)
            track.fail(now_s)
            self._tell_bad_value(index, str(fault))
            return
        self._told_bad_values.discard(index)
        tally.values_clamped += not spec.low_si <= value_si <= spec.high_si
        line = self._lines[spec.device]
        to_rest = spec.role != OutputRole.HEARTBEAT and not decode_words(spec.register, words)
        urgent = stop_now or to_rest
        if self._is_spent(index, words, urgent=urgent, now_s=now_s):
            self._boxes[spec.device].discard(index)
        elif track.want(words, urgent=urgent, generation=line.endpoint.generation, now_s=now_s):
            self._boxes[spec.device].put(index, Wish(words, now_s + self._expiry_s, urgent))
        else:
            # An older value that still waits must not overtake the decision that none is due.
            self._boxes[spec.device].discard(index)

    def _is_spent(self, index: int, words: tuple[int, ...], *, urgent: bool, now_s: float) -> bool:
        """Hold a due write back whose budget is spent; never one that stops something."""
        spec, track = self._outputs[index], self._tracks[index]
        if not spec.durable or urgent or self.budget.allows(index, now_s):
            return False
        generation = self._lines[spec.device].endpoint.generation
        if not track.is_due(words, urgent=False, generation=generation, now_s=now_s):
            return False
        if track.status.stage is not WriteStage.HELD_BACK:
            self._tallies[spec.device].writes_withheld += 1
            lifetime = self.budget.lifetime(index)
            self._report(event("writes_spent", role=spec.role, wanted_words=_hex(words), lifetime_count=lifetime))
        track.hold_back(words, now_s)
        return True

    def _tell_bad_value(self, index: int, cause: str) -> None:
        if index not in self._told_bad_values:
            self._told_bad_values.add(index)
            self._report(event("output_unencodable", role=self._outputs[index].role, cause=cause))

    async def run_device(self, device: int) -> NoReturn:
        """Send what comes into the mailbox of one device, for ever. One task per device with outputs."""
        box = self._boxes[device]
        while True:
            await box.wait()
            while (index := box.first()) is not None:
                await self._send(device, index)

    async def _send(self, device: int, index: int) -> None:
        line, track, tally = self._lines[device], self._tracks[index], self._tallies[device]
        outcome, self._sent_words[device] = WriteOutcome.UNANSWERED, None
        try:
            spec = self._outputs[index]
            words = await line.write(spec.register, self._choose(device, index), spec.write_function)
        except DeviceExceptionError as fault:
            tally.writes_refused += 1
            tally.exceptions[fault.code] += 1
            outcome = WriteOutcome.REFUSED
            track.refused(fault.code, self._clock.now_s())
        except NotConnectedError:
            self._boxes[device].discard(index)
            tally.writes_not_sent += 1
            outcome = WriteOutcome.NOT_SENT
            track.unanswered()
        except (RetryLaterError, ReconnectError):
            tally.writes_unanswered += 1
            track.mistrusted(self._clock.now_s())
        except BaseException:
            self._boxes[device].discard(index)
            track.unanswered()
            raise
        else:
            if words is not None:
                tally.writes_acknowledged += 1
                outcome = WriteOutcome.ACKNOWLEDGED
                track.acknowledged(words, line.endpoint.generation, self._clock.now_s())
        finally:
            self._note(device, index, outcome)
        self._publish(index)

    def _note(self, device: int, index: int, outcome: WriteOutcome) -> None:
        """Count a write that was chosen, and keep what became of it."""
        words, now_s = self._sent_words[device], self._clock.now_s()
        if words is None:
            return
        if outcome is not WriteOutcome.NOT_SENT:
            self.budget.sent(index, now_s)
        self.log.note(Written(now_s, self._outputs[index].role, words, outcome))

    def _choose(self, device: int, index: int) -> Callable[[], tuple[int, ...] | None]:
        def choose() -> tuple[int, ...] | None:
            now_s = self._clock.now_s()
            wish = self._boxes[device].take(index)
            if wish is None:
                return None
            if now_s > wish.expires_s:
                self._tallies[device].writes_expired += 1
                return None
            self._tracks[index].sending(wish.words, now_s)
            self._sent_words[device] = wish.words
            return wish.words

        return choose

    def _observe(self, block_index: int, block: RawBlock) -> None:
        if self._halted:
            return  # what the registers hold now is the stop's business
        for index, offset in self._by_block.get(block_index, ()):
            spec, track = self._outputs[index], self._tracks[index]
            words = read_back(spec.register, block.words or (), offset)
            if not words:
                track.not_told(block.received_s)
            elif track.observe(words, block.received_s, self._lines[spec.device].endpoint.generation):
                self._tallies[spec.device].overwritten += 1
                self._report(
                    event(
                        "output_overwritten",
                        role=spec.role,
                        wanted_words=_hex(track.status.requested_words),
                        found_words=_hex(words),
                    )
                )
            track.judge(block.received_s)
            self._publish(index)

    def _publish(self, index: int) -> None:
        status, role = self._tracks[index].status, self._outputs[index].role
        wear = self.budget.wear_percent(index)
        self._buffer.put_write(index, replace(status, wear_percent=wear) if wear else status)
        failed = status.stage is WriteStage.FAILED
        if failed == self._told_failed[index]:
            return
        if failed:
            self._told_failed[index] = True
            wanted, found = _hex(status.requested_words), _hex(status.read_back_words or ())
            self._report(event("output_failed", role=role, wanted_words=wanted, found_words=found))
        elif status.stage in (WriteStage.CONFIRMED, WriteStage.NONE):
            self._told_failed[index] = False
            if status.stage is WriteStage.CONFIRMED:
                self._report(event("output_confirmed_again", role=role))


def _hex(words: Sequence[int]) -> str:
    return " ".join(f"{word:04X}" for word in words)
