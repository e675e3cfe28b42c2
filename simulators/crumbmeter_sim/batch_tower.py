"""The tower and its pugmill: weighs the next batch while it mixes this one, and asks for rubber in the dry-mix window.

weighing -> weighed -> (pugmill empty) drop, dry mix -> wet mix -> discharge. The window is a contact; it closes by
itself when the rubber is said to be delivered, or when the plant has waited for as long as it will.
"""

from dataclasses import dataclass
from enum import StrEnum
from random import Random

from crumbmeter_sim.batch_file import COUNTER_TOP, BatchPlantTruth, WeighTruth
from crumbmeter_sim.batch_record import Batch, Parts
from crumbmeter_sim.plantfile import MixTruth


class Phase(StrEnum):
    """What the pugmill does."""

    EMPTY = "empty"
    DROP = "drop"
    DRY = "dry mix"
    WET = "wet mix"
    DISCHARGE = "discharge"
    ABORT = "abort"


class WeighHopper:
    """One weigh hopper."""

    def __init__(self, truth: WeighTruth, step_s: float, random: Random) -> None:
        self.truth = truth
        self._dt = step_s
        self._random = random
        self.mass_kg = 0.0
        self.target_kg = 0.0
        self._aim_kg = 0.0
        self.in_kg = 0.0
        """All that ever came in."""
        self.shown_kg = 0.0

    def aim(self, target_kg: float, share: float) -> None:
        """Begin to weigh; the bin may run out at a share of it."""
        self.target_kg = target_kg
        wanted = target_kg * share * (1.0 + self.truth.overrun_percent / 100 * self._random.gauss(0.0, 1.0))
        self._aim_kg = max(self.mass_kg, wanted)

    @property
    def full(self) -> bool:
        """Whether it holds what was aimed at."""
        return self.mass_kg >= self._aim_kg - 1e-9

    def step(self, *, running: bool) -> None:
        """Fill for one step."""
        if running and not self.full:
            more = min(self._aim_kg - self.mass_kg, max(self.target_kg, 1.0) / self.truth.fill_s * self._dt)
            self.mass_kg += more
            self.in_kg += more
        load = self.mass_kg * (1 + self.truth.gain_error_percent / 100)
        self.shown_kg = load + self.truth.noise_kg * self._random.gauss(0.0, 1.0)

    def drop(self, share: float) -> float:
        """Let a share of the content fall; return it [kg]."""
        out = self.mass_kg * share
        self.mass_kg -= out
        return out


@dataclass(slots=True)
class Plans:
    """What the plant's own people have asked of the coming batches."""

    running: bool = False
    left: int = -1
    """Batches still to be made; negative: no end."""
    batch_kg: float = 0.0
    short_share: float = 1.0
    """The next weighing ends at this share: a bin runs out and the short batch is taken."""
    jump: int = 1
    """What the counter adds at the next drop."""
    double: bool = False
    """The next weighed batch is dropped onto the one in the pugmill."""
    again_s: float = 0.0
    """[s] In the next wet mix the window contact closes once more for so long."""


class Tower:
    """Masses in kg."""

    def __init__(self, truth: BatchPlantTruth, seed: str) -> None:
        self.truth = truth.tower
        self._whole = truth
        dt = self._dt = truth.time.step_s
        tower = truth.tower
        self.aggregate = WeighHopper(tower.aggregate, dt, Random(f"{seed}/aggregate"))
        self.recycle = WeighHopper(tower.recycle, dt, Random(f"{seed}/recycle"))
        self.binder = WeighHopper(tower.binder, dt, Random(f"{seed}/binder"))
        self.plans = Plans(batch_kg=truth.batch.batch_kg)
        self.mix: MixTruth = truth.mixes[truth.batch.mix]
        self.phase = Phase.EMPTY
        self.in_phase_s = 0.0
        self.turning = False
        self.counter = tower.counter_start
        self.delivered = False
        """The contact by which crumbmeter says that the rubber is in."""
        self.ready = False
        self.weighing = False
        self.weighed = False
        self._settled_s = 0.0
        self.wanted = False
        """The contact that asks for rubber."""
        self.window_s = 0.0
        self._fresh = False
        """"Delivered" has been seen open since the window opened."""
        self.aborted = False
        self.content: list[Batch] = []
        self.batches: list[Batch] = []
        self.left = Parts()
        """All that left the pugmill."""
        self.floor_rubber_kg = 0.0
        """Blown into an empty pugmill."""
        self._again_s = 0.0
        self.time_s = 0.0

    # ---- what is asked of it

    def parts_wanted(self) -> tuple[float, float, float]:
        """[kg] Return dry aggregate, WET recycle and virgin binder of a whole batch."""
        total, batch = self.plans.batch_kg, self._whole.batch
        recycle = total * batch.recycle_percent / 100.0
        carried = recycle * self.truth.recycle.entered_binder_percent / 100.0
        binder = max(0.0, self.mix.total_binder_percent / 100.0 * total - carried)
        wet = recycle * (1.0 + self.truth.recycle.entered_moisture_percent / 100.0)
        return total - recycle - binder, wet, binder

    @property
    def announced(self) -> tuple[float, float, float]:
        """[kg] What the plant says that the next batch will be; nothing where there is none."""
        coming = self.plans.running and (self.plans.left != 0 or self.weighing or self.weighed)
        return self.parts_wanted() if coming else (0.0, 0.0, 0.0)

    @property
    def discharging(self) -> bool:
        """The contact "pugmill gate open"."""
        return self.phase in (Phase.DISCHARGE, Phase.ABORT)

    def abort(self) -> None:
        """Dump what is in the pugmill."""
        if self.phase not in (Phase.EMPTY, Phase.ABORT):
            self._close_window()
            for batch in self.content:
                batch.outcome = "aborted"
            self.aborted = True
            self._enter(Phase.ABORT)

    def stop(self) -> None:
        """Stop everything where it stands."""
        self.turning = False
        self._close_window()

    def restart(self) -> None:
        """Turn again. A batch that stood in a stopped pugmill is dumped."""
        self.turning = True
        self.plans.running = True
        if self.phase in (Phase.DROP, Phase.DRY, Phase.WET):
            self.abort()

    # ---- time

    def step(self, rubber_kg: float) -> None:
        """Advance one step.

        Args:
            rubber_kg: [kg] Rubber that the line blew in during it.
        """
        self.time_s += self._dt
        self._take_rubber(rubber_kg)
        self._weigh()
        if self.turning:
            self.in_phase_s += self._dt
            _STEPS[self.phase](self)

    def _take_rubber(self, rubber_kg: float) -> None:
        if rubber_kg <= 0.0:
            return
        if not self.content:
            self.floor_rubber_kg += rubber_kg
            return
        self.content[-1].take_rubber(rubber_kg, self.time_s, in_window=self.wanted)

    def _weigh(self) -> None:
        hoppers = (self.aggregate, self.recycle, self.binder)
        plans = self.plans
        busy = self.weighing or self.weighed or not self._hoppers_free
        if self.turning and plans.running and not busy and plans.left != 0:
            for hopper, kg in zip(hoppers, self.parts_wanted(), strict=True):
                hopper.aim(kg, plans.short_share)
            self.weighing, self._settled_s = True, 0.0
            plans.left -= plans.left > 0
        for hopper in hoppers:
            hopper.step(running=self.turning and self.weighing)
        if self.weighing and all(hopper.full for hopper in hoppers):
            self._settled_s += self._dt
            if self._settled_s >= self.truth.settle_s:
                self.weighing, self.weighed = False, True
                plans.short_share = 1.0

    @property
    def _hoppers_free(self) -> bool:
        """Whether the last batch has left the weigh hoppers; its binder waits in the pot until the wet mix."""
        return self.phase is not Phase.DROP and (not self.content or self.content[-1].poured)

    def _enter(self, phase: Phase) -> None:
        self.phase, self.in_phase_s = phase, 0.0

    def _drop(self) -> None:
        plans = self.plans
        self.counter = (self.counter + plans.jump) % (COUNTER_TOP + 1)
        plans.jump = 1
        said = Parts.said(self.aggregate.shown_kg, self.recycle.shown_kg, self.binder.shown_kg, self.truth)
        batch = Batch(self.counter, self.time_s, self.mix, said, plans.batch_kg, joined=bool(self.content))
        self.content.append(batch)
        self.batches.append(batch)
        self.weighed = False
        self._enter(Phase.DROP)

    def _fall(self, share: float) -> None:
        batch, recycle = self.content[-1], self.truth.recycle
        batch.parts.aggregate_kg += self.aggregate.drop(share)
        wet = self.recycle.drop(share)
        dry = wet / (1.0 + recycle.moisture_percent / 100.0)
        batch.parts.water_kg += wet - dry
        batch.parts.carried_kg += dry * recycle.binder_percent / 100.0
        batch.parts.recycle_kg += dry * (1.0 - recycle.binder_percent / 100.0)

    def _close_window(self) -> None:
        if self.wanted and self.content:
            self.content[-1].window_closed_s = self.time_s
        self.wanted = False

    def _dropping(self) -> None:
        left_s = self.truth.drop_s - self.in_phase_s
        self._fall(1.0 if left_s <= 0.0 else self._dt / (left_s + self._dt))
        if left_s <= 0.0:
            self._enter(Phase.DRY)
            self.window_s, self._fresh = -max(0.0, self.truth.window_after_s - self.truth.drop_s), False

    def _dry_mixing(self) -> None:
        truth, batch = self.truth, self.content[-1]
        self.window_s += self._dt
        if self.window_s < 0.0:
            return
        asks = self.mix.dose_percent > 0.0
        if asks and batch.window_opened_s is None:
            batch.window_opened_s, self.wanted = self.time_s, True
        self._fresh = self._fresh or not self.delivered
        batch.delivered = batch.delivered or (self.delivered and self._fresh)
        over = self.window_s >= truth.longest_dry_mix_s
        if (batch.delivered or not asks) and self.window_s >= truth.dry_mix_s:
            self._wet()
        elif over and truth.then == "abort":
            self.abort()
        elif over:
            self._wet()

    def _wet(self) -> None:
        self._close_window()
        newest = self.content[-1]
        if not newest.poured:
            newest.parts.binder_kg += self.binder.drop(1.0)
            newest.poured = True
        if self.plans.double and not self.weighed:
            return  # it waits for the second weighing
        if self.plans.double:
            self.plans.double = False
            self._drop()
            return
        self._enter(Phase.WET)
        self._again_s, self.plans.again_s = self.plans.again_s, 0.0

    def _wet_mixing(self) -> None:
        asks_again = 0.0 < self.in_phase_s - 3.0 <= self._again_s
        if asks_again != self.wanted:
            self.wanted = asks_again
        if self.in_phase_s >= self.truth.wet_mix_s:
            self.wanted = False
            self._enter(Phase.DISCHARGE)

    def _discharging(self) -> None:
        if self.in_phase_s < self.truth.discharge_s:
            return
        for batch in self.content:
            batch.left_s = self.time_s
            self.left.add(batch.parts)
        self.content.clear()
        self.aborted = False
        self._enter(Phase.EMPTY)

    def _waiting(self) -> None:
        if self.weighed:
            self._drop()


_STEPS = {
    Phase.EMPTY: Tower._waiting,  # noqa: SLF001 - a table of its own steps
    Phase.DROP: Tower._dropping,  # noqa: SLF001
    Phase.DRY: Tower._dry_mixing,  # noqa: SLF001
    Phase.WET: Tower._wet_mixing,  # noqa: SLF001
    Phase.DISCHARGE: Tower._discharging,  # noqa: SLF001
    Phase.ABORT: Tower._discharging,  # noqa: SLF001
}
