"""How far one output has come: requested, acknowledged, confirmed or failed, each apart from the others (REQ-3).

Only a read-back that equals the requested words, read after the device acknowledged them, confirms. A setpoint that
moves in every scan is never given the time to be confirmed value by value, so agreement is judged over what was
acknowledged of late: a device that holds the value before last still follows, one that stays behind does not.
"""

from collections import deque
from dataclasses import replace

from crumbmeter.field.spec import OutputSpec, WordType
from crumbmeter.field.words import decode_words
from crumbmeter.model.image import NOT_WRITTEN, WriteStage, WriteStatus
from crumbmeter.model.outputs import MOVES_RUBBER, OutputRole

_BUSY = (5, 6)
"""Exceptions that mean "later": acknowledge and server device busy (v1.1b3, section 7)."""
_NEVER_S = float("-inf")
_HISTORY = 64


class OutputTrack:
    """State of one output register. All times are process time [s]; nothing here waits or sends."""

    def __init__(self, spec: OutputSpec) -> None:
        self.spec = spec
        self.status: WriteStatus = NOT_WRITTEN
        self._held: tuple[int, ...] | None = None
        """Words that the device acknowledged and so should hold; None where that is not known."""
        self._in_flight: tuple[int, ...] | None = None
        self._generation = -1
        """Connection on which `_held` was acknowledged."""
        self._sent_s = _NEVER_S
        self._mistrusted = 0
        """Writes in a row that had no right answer."""
        self._hold_off_s = _NEVER_S
        self._agreed_s = _NEVER_S
        self._given: tuple[int, ...] | None = None
        """Words acknowledged last, on whatever connection."""
        self._doubtful: tuple[int, ...] | None = None
        """Words of a write that had no answer since: the device may hold them."""
        self._looked = -1
        """Connection on which a read-back has come since it was last in doubt what the device holds."""
        self._paused_s: float | None = None
        self._agreed = False
        """Whether a read-back has agreed since the device last got its time anew."""
        self._superseded: deque[tuple[tuple[int, ...], float]] = deque(maxlen=_HISTORY)
        """Words acknowledged before, and when others took their place."""

    def release(self, now_s: float) -> None:
        """Forget all wishes: nothing may be written. What the device reports is still taken."""
        if self.status.stage is not WriteStage.NONE:
            self.status = WriteStatus(WriteStage.NONE, (), self.status.read_back_words, 0.0, now_s)
        self._held = self._in_flight = self._given = self._doubtful = self._paused_s = None
        self._hold_off_s = self._agreed_s = _NEVER_S
        self._superseded.clear()

    def pause(self, now_s: float) -> None:
        """Send nothing for now, and forget nothing: the time in which the device must agree stands still."""
        if self._paused_s is None:
            self._paused_s = now_s

    def _go_on(self, now_s: float) -> None:
        if self._paused_s is not None:
            self._agreed_s = min(now_s, self._agreed_s + now_s - self._paused_s)
            self._paused_s = None

    def want(self, words: tuple[int, ...], *, urgent: bool, generation: int, now_s: float) -> bool:
        """Take the newest wish and tell whether it has to be written now.

        Args:
            words: What the register should hold.
            urgent: A stop: past the interval, the deadband and any holding off.
            generation: Of the present connection: what was written on an earlier one is not known to hold.
            now_s: [s] Process time.
        """
        self._go_on(now_s)
        if self._agreed and self.status.stage is WriteStage.CONFIRMED and generation != self._generation:
            # A new connection: the device gets its time anew, once; afterwards only agreement moves the time on.
            self._agreed, self._agreed_s = False, now_s
        if not self.is_due(words, urgent=urgent, generation=generation, now_s=now_s):
            if self.status.stage is not WriteStage.NONE and self._waits_for_a_look(generation):
                self._note_wish(words, now_s)
            self._settle_on_held(now_s)
            self._come_back(words, generation, now_s)
            self.judge(now_s)
            return False
        if self.status.stage is WriteStage.NONE:
            self._agreed_s = now_s
        self._note_wish(words, now_s)
        self.judge(now_s)
        return True

    def _note_wish(self, words: tuple[int, ...], now_s: float) -> None:
        """Show the newest wish, whether or not it can be sent at once."""
        status = self.status
        failed = status.stage is WriteStage.FAILED
        if failed or status.stage is not WriteStage.REQUESTED or words != status.requested_words:
            same = words == status.requested_words and status.stage is not WriteStage.NONE
            self.status = WriteStatus(
                stage=WriteStage.FAILED if failed else WriteStage.REQUESTED,
                requested_words=words,
                read_back_words=status.read_back_words,
                requested_s=status.requested_s if same else now_s,
                stamped_s=now_s,
            )

    def _waits_for_a_look(self, generation: int) -> bool:
        """Tell whether nothing is sent, for it has to be read first what the device holds."""
        known = self._held is not None and generation == self._generation
        return self._in_flight is None and not known and self._must_look(generation)

    def _settle_on_held(self, now_s: float) -> None:
        """Take what the device holds for what is asked for, where that was held back or is known from its read-back."""
        stage, held = self.status.stage, self._held
        if held is None or stage not in (WriteStage.NONE, WriteStage.HELD_BACK):
            return
        if stage is WriteStage.NONE:
            self._agreed_s = now_s
        self.status = replace(
            self.status, stage=WriteStage.ACKNOWLEDGED, requested_words=held, requested_s=now_s, stamped_s=now_s
        )

    def _come_back(self, words: tuple[int, ...], generation: int, now_s: float) -> None:
        """Leave a wish that was never sent, where the newest one is what the device holds already."""
        held, status = self._held, self.status
        if held is None or self._in_flight is not None or generation != self._generation:
            return
        if status.stage not in (WriteStage.REQUESTED, WriteStage.FAILED) or status.requested_words == held:
            return
        if words == held or self._within_deadband(words, held):
            stage = WriteStage.ACKNOWLEDGED if status.stage is WriteStage.REQUESTED else WriteStage.FAILED
            self.status = replace(status, stage=stage, requested_words=held, requested_s=now_s, stamped_s=now_s)

    def is_due(self, words: tuple[int, ...], *, urgent: bool, generation: int, now_s: float) -> bool:
        """Tell whether these words would have to be written now. Arguments as for `want`."""
        if self._in_flight is not None:
            return words != self._in_flight
        if now_s < self._hold_off_s and not urgent:
            return False
        if self._held is None or generation != self._generation:
            return urgent or not (self._must_look(generation) or self._adopted(words, generation))
        if words != self._held and (urgent or not self._within_deadband(words, self._held)):
            rested = now_s - self._sent_s >= self.spec.min_interval_s
            return urgent or rested or self.spec.role == OutputRole.HEARTBEAT
        if urgent and self.status.foreign:
            return True
        disputed = self.status.stage is WriteStage.FAILED and self.status.read_back_words != self._held
        return disputed and now_s - self._sent_s >= self.spec.confirm_within_s

    def _must_look(self, generation: int) -> bool:
        """Tell whether it has to be read before it is written: what makes the feeder turn, after any doubt."""
        return self.spec.role in MOVES_RUBBER and self._looked != generation

    def _adopted(self, words: tuple[int, ...], generation: int) -> bool:
        """Take over what a register that wears out already holds: it is written on change alone (REQ-26)."""
        if not self.spec.durable or self.status.read_back_words != words:
            return False
        self._held = self._given = words
        self._generation = generation
        return True

    def hold_back(self, words: tuple[int, ...], now_s: float) -> None:
        """Note that the words are wanted and not sent, since the register's writes are spent."""
        if self.status.stage is WriteStage.HELD_BACK and self.status.requested_words == words:
            return
        if self.status.stage is not WriteStage.FAILED:
            self.status = replace(
                self.status, stage=WriteStage.HELD_BACK, requested_words=words, requested_s=now_s, stamped_s=now_s
            )

    def _within_deadband(self, words: tuple[int, ...], held: tuple[int, ...]) -> bool:
        register, counts = self.spec.register, self.spec.deadband_counts
        if counts <= 0 or register.word_type is WordType.BIT:
            return False
        wanted = decode_words(register, words)
        return wanted != 0 and abs(wanted - decode_words(register, held)) <= counts

    def sending(self, words: tuple[int, ...], now_s: float) -> None:
        """Note that the words go out now."""
        self._in_flight = words
        self._sent_s = now_s

    def acknowledged(self, words: tuple[int, ...], generation: int, now_s: float) -> None:
        """Note that the device's echo agreed."""
        if self._in_flight is None:
            return  # released while it was under way
        self._mistrusted = 0
        self._in_flight = None
        if self._given is not None and self._given != words:
            self._superseded.append((self._given, now_s))
        self._held = self._given = words
        self._doubtful, self._generation = None, generation
        if self.status.foreign:
            self.status = replace(self.status, foreign=False)
        if self.status.stage is not WriteStage.FAILED and words == self.status.requested_words:
            self.status = replace(self.status, stage=WriteStage.ACKNOWLEDGED, stamped_s=now_s)

    def unanswered(self) -> None:
        """Note that it is not known whether the device took the words. The next wish is a new write."""
        if self._in_flight is not None:
            self._doubtful = self._in_flight
        self._in_flight = self._held = None
        self._looked = -1

    def mistrusted(self, now_s: float) -> None:
        """Note that what was sent had no answer, or a wrong one: twice in a row, and it waits as after a refusal.

        Each such write may cost the connection. A register that never answers rightly must not take it from all others.
        """
        self.unanswered()
        self._mistrusted += 1
        if self._mistrusted > 1 and self.spec.role != OutputRole.HEARTBEAT:
            self._hold_off_s = now_s + self.spec.confirm_within_s

    def refused(self, code: int, now_s: float) -> bool:
        """Note a Modbus exception; tell whether the output has failed by it just now."""
        self._mistrusted = 0
        self._in_flight = self._held = None
        self._hold_off_s = now_s + self.spec.confirm_within_s
        return code not in _BUSY and self.fail(now_s)

    def fail(self, now_s: float) -> bool:
        """Mark the output as failed until a read-back confirms it; tell whether it was not so before."""
        if self.status.stage is WriteStage.FAILED:
            return False
        self.status = replace(self.status, stage=WriteStage.FAILED, stamped_s=now_s)
        return True

    def judge(self, now_s: float) -> bool:
        """Fail what has not agreed for too long; tell whether it failed just now."""
        if self.status.stage in (WriteStage.NONE, WriteStage.FAILED) or self._paused_s is not None:
            return False
        return now_s - self._agreed_s > self.spec.confirm_within_s and self.fail(now_s)

    def observe(self, words: tuple[int, ...], now_s: float, generation: int) -> bool:
        """Take a read-back that was asked after the newest acknowledgement; tell whether somebody else overwrote.

        Replies come one at a time on a connection, so a block that arrives after an acknowledgement was asked after it.
        """
        stage, held = self.status.stage, self._held
        overwritten = foreign = False
        self._looked = generation
        if stage is not WriteStage.NONE and self._given is not None and self._in_flight is None:
            if words == held:
                self._agreed, self._agreed_s = True, now_s
                if held == self.status.requested_words:
                    stage = WriteStage.CONFIRMED
            else:
                overwritten = stage is WriteStage.CONFIRMED and held is not None
                if overwritten:
                    stage = WriteStage.ACKNOWLEDGED
                foreign = not (self._note_lag(words, now_s) or words in (self._given, self._doubtful))
        self.status = replace(self.status, stage=stage, read_back_words=words, stamped_s=now_s, foreign=foreign)
        return overwritten

    def not_told(self, now_s: float) -> None:
        """Take a read-back in which the device does not stand by its value: it confirms nothing, and holds nothing."""
        self.status = replace(self.status, read_back_words=None, stamped_s=now_s)

    def _note_lag(self, words: tuple[int, ...], now_s: float) -> bool:
        """Take words that were acknowledged before for agreement until then; tell whether they were so of late."""
        late = False
        for old, until_s in self._superseded:
            if old == words:
                self._agreed_s = max(self._agreed_s, until_s)
                late |= now_s - until_s <= self.spec.confirm_within_s
        return late
