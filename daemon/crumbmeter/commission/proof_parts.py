"""What a proof of a write is made of: its scan, its cut-down site, and what it shows and comes to."""

from crumbmeter.commission.write_rules import Wish, hand_shake
from crumbmeter.control.ownership import OwnerState, watch_owner
from crumbmeter.control.params import Params
from crumbmeter.field.sampling import make_sampler, sample_image
from crumbmeter.field.spec import OutputSpec
from crumbmeter.field.words import decode_words
from crumbmeter.model.frozen import dataclass, replace
from crumbmeter.model.image import WriteStage, WriteStatus
from crumbmeter.model.outputs import OutputRole
from crumbmeter.model.reading import Reading
from crumbmeter.ports import Clock
from crumbmeter.runtime.buffer import InputBuffer
from crumbmeter.runtime.scanner import Timetable
from crumbmeter.runtime.stopping import StopReport
from crumbmeter.runtime.writer import encode_clamped
from crumbmeter.signals.settle import first_memory, for_control, settle


@dataclass(frozen=True, slots=True)
class Second:
    """One line of what is shown while a proof runs."""

    at_s: float
    """[s] Since it began."""
    wanted_si: float | None
    stage: WriteStage
    read_back_si: float | None
    actual: Reading | None
    """None: no signal shows what the output does."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a proof went."""

    ended: str
    begun: bool
    """False: none of the values was written."""
    held_s: float
    wanted_si: float | None
    read_back_si: float | None
    """[SI] Newest while it was on."""
    confirmed: bool
    """The device itself reported what was wanted."""
    by_person: bool
    """Somebody ended it, or its time was over: nothing was in doubt."""
    actual_si: float | None
    stop: StopReport
    writes: int
    """Requests that were sent to write something, those that brought it to rest among them."""

    @property
    def passed(self) -> bool:
        """Tell whether the output is proved."""
        return self.begun and self.confirmed and self.by_person and self.stop.confirmed


class EndedError(Exception):
    """Ends the course of a proof; the text says why."""

    def __init__(self, why: str, *, by_person: bool = False) -> None:
        super().__init__(why)
        self.by_person = by_person


class ProofScan:
    """Latches and judges the inputs at the site's own pace, as the daemon's scan does, and watches the owner."""

    def __init__(self, params: Params, buffer: InputBuffer, clock: Clock, instance: int) -> None:
        self._params, self._buffer, self._clock, self._instance = params, buffer, clock, instance
        self._sampler = make_sampler(params.plan, params.sources)
        self._memory = first_memory(len(params.signals))
        self.now_s = clock.now_s()
        """[s] Process time of the newest image."""
        self._timetable = Timetable(self.now_s + params.scan_period_s, params.scan_period_s)
        self.readings: tuple[Reading, ...] = ()
        self.writes: tuple[WriteStatus, ...] = ()
        self.owner = OwnerState()

    async def tick(self) -> float:
        """[s] Wait for the next scan, take the image, and return its time."""
        due_s, _ = self._timetable.next_due(self._clock.now_s())
        await self._clock.sleep_until(due_s)
        now_s = self._clock.now_s()
        dt_s, self.now_s = now_s - self.now_s, now_s
        image = self._buffer.latch(now_s)
        samples = sample_image(self._sampler, image)
        self._memory, readings, _ = settle(samples, self._memory, self._params.signals, now_s, dt_s)
        self.readings, self.writes = for_control(readings, self._params.signals), image.writes
        self.owner = watch_owner(self.owner, self._params, self._instance, image.writes, dt_s)
        return now_s

    def at_stage(self, stage: WriteStage) -> list[str]:
        """List the outputs whose write has come to a stage."""
        return [spec.role for spec, one in zip(self._params.outputs, self.writes, strict=True) if one.stage is stage]

    def unread(self) -> list[str]:
        """List the outputs that have not been read back yet."""
        both = zip(self._params.outputs, self.writes, strict=True)
        return [spec.role for spec, one in both if one.read_back_words is None]


def cut_down(params: Params, wish: Wish) -> Params:
    """Return the site with the outputs that a proof may write, and no other."""
    allowed = (wish.role, *wish.roles, *hand_shake(params, wish))
    kept = [index for index, spec in enumerate(params.outputs) if OutputRole(spec.role) in allowed]
    roles = [params.outputs[index].role for index in kept]
    plan = replace(params.plan, outputs=tuple(params.plan.outputs[index] for index in kept))

    def at(role: OutputRole) -> int | None:
        return roles.index(role.value) if role.value in roles else None

    return replace(
        params, outputs=tuple(params.outputs[index] for index in kept), plan=plan,
        owner=at(OutputRole.OWNER), heartbeat=at(OutputRole.HEARTBEAT),
    )  # fmt: skip


def as_wanted(spec: OutputSpec, wanted_si: float, words: tuple[int, ...]) -> bool:
    """Tell whether words are the value wanted, or within the deadband in which it is not written anew."""
    wanted = decode_words(spec.register, encode_clamped(spec, wanted_si))
    return bool(abs(decode_words(spec.register, words) - wanted) <= spec.deadband_counts)
