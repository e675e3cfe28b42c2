"""The whole plant, stepped on its own time: cold feed, drum, binder, feeder, line. No wall clock, seeded noise.

What passes the injection point in one step of the drum is dosed with what the line blows in during that step; from
there the outlet knows every kilogram, what was wanted for it, and what the site's own instruments said of it.
"""

from dataclasses import dataclass
from random import Random

from crumbmeter_sim import drum as d
from crumbmeter_sim.belt import Belt
from crumbmeter_sim.binder import Binder
from crumbmeter_sim.device.loops import Loop
from crumbmeter_sim.device.pulses import PulseCounter
from crumbmeter_sim.discharge import Discharge
from crumbmeter_sim.drum import Drum
from crumbmeter_sim.feeder import Feeder
from crumbmeter_sim.line import Line
from crumbmeter_sim.mixes import Mixes, Share, split, wanted_kg
from crumbmeter_sim.plantfile import MixTruth, PlantTruth
from crumbmeter_sim.units import to_si
from crumbmeter_sim.upsets import Dumped, Fines


@dataclass(slots=True)
class DrumStep:
    """What one step of the drum did. Masses in kg."""

    t_s: float
    mix_in_kg: float
    """Mix without rubber that passed the injection point."""
    rubber_in_kg: float
    wanted_in_kg: float
    turning: bool
    left: list[float]
    """What left the drum, by component after the injection point."""


class Plant:
    """Every part of it, and the sums that prove that nothing was lost."""

    def __init__(self, truth: PlantTruth, seed: int) -> None:
        self.truth = truth
        self.step_s = truth.time.step_s
        self.drum_step_s = truth.time.step_s * truth.time.drum_steps
        name = str(seed)
        self.belts = [Belt(belt, self.step_s, Random(f"{name}/{belt.name}")) for belt in truth.belt]
        self.nominal_kg_s = to_si("short_ton/h", truth.nominal.mix_short_ton_h)
        self.drum = Drum(truth.drum, self.drum_step_s, self.nominal_kg_s)
        self.binder = Binder(truth.binder, self.belts, self.step_s, Random(f"{name}/binder"))
        self.line = Line(truth.line, self.step_s, Random(f"{name}/line"))
        self.feeder = Feeder(truth, name)
        self.discharge = Discharge(truth.discharge, self.drum_step_s, Random(f"{name}/discharge"))
        self.counters = {p.name: PulseCounter(p, Random(f"{name}/pulses/{p.name}")) for p in truth.pulses}
        self.loops = {loop.name: Loop(loop) for loop in truth.loops}
        self.mixes = Mixes(truth.mixes[truth.nominal.mix], self.drum, self.belts)
        self.rate_kg_s = self.nominal_kg_s
        self.recycle_share = truth.nominal.recycle_percent / 100.0
        self.fines = Fines()
        self.dumped = Dumped()
        self.gates_open = False
        self.emergency = False
        self.healthy_asked = False
        """The coil by which crumbmeter says that the plant may run."""
        self._take_mix()
        self.steps = 0
        self._binder_kg = 0.0
        self._said_binder_kg = 0.0
        self._rubber_kg = 0.0
        self.binder_in_kg = 0.0
        self.dry_in_drum_now = [0.0] * 6
        self.out = [0.0] * 8

    @property
    def now_s(self) -> float:
        """[s] Plant time since the scenario began."""
        return self.steps * self.step_s

    @property
    def pending_rubber_kg(self) -> float:
        """[kg] Rubber that has arrived since the drum last moved."""
        return self._rubber_kg

    @property
    def pending_binder_kg(self) -> float:
        """[kg] Binder sprayed since the drum last moved."""
        return self._binder_kg

    @property
    def mix(self) -> MixTruth:
        """The mix chosen: that of what passes the scales now."""
        return self.mixes.newest

    def set_mix(self, mix: MixTruth) -> None:
        """Change the mix that the plant makes: from now on at the scales; what has passed them stays of the old one."""
        if mix is not self.mix:
            self.mixes.change(mix)
            self._take_mix()

    def _take_mix(self) -> None:
        self.binder.total_share = self.mix.total_binder_percent / 100.0
        self.set_targets()

    def set_targets(self) -> None:
        """Give each gate its dry rate: rate and recycle share are of the mix without rubber."""
        rate = self.rate_kg_s if self.gates_open else 0.0
        recycle_kg_s = carried_kg_s = 0.0
        for belt in self.belts:
            if belt.is_recycle:
                belt.target_dry_kg_s = recycle_kg_s = rate * self.recycle_share
                carried_kg_s = recycle_kg_s * belt.truth.scale.entered_binder_percent / 100.0
        binder_kg_s = max(0.0, self.mix.total_binder_percent / 100.0 * rate - carried_kg_s)
        for belt in self.belts:
            if not belt.is_recycle:
                belt.target_dry_kg_s = rate - recycle_kg_s - binder_kg_s

    def step(self) -> DrumStep | None:
        """Advance one inner step; every so many of them the drum moves and says what it did."""
        self.steps += 1
        drum, dt = self.drum, self.step_s
        falling = self.dry_in_drum_now
        for belt in self.belts:
            dry_kg, water_kg, said_kg = belt.step()
            if belt.is_recycle:
                share = belt.truth.binder_percent / 100.0
                drum.take_collar(dry_kg, water_kg, said_kg, share)
                self.mixes.take_collar(belt, dry_kg, said_kg, share)
                falling[d.RECYCLE], falling[d.CARRIED] = dry_kg * (1 - share) / dt, dry_kg * share / dt
            else:
                drum.take_inlet(dry_kg, water_kg, said_kg)
                self.mixes.take_inlet(belt, dry_kg, said_kg)
                falling[d.VIRGIN] = dry_kg / dt
        turning = drum.turning
        sprayed_kg = self.binder.step(turning)
        self._binder_kg += sprayed_kg
        self.binder_in_kg += sprayed_kg
        if turning:
            self._said_binder_kg += (self.binder.shown_kg_s if self.binder.frozen else self.binder.read_kg_s) * dt
        self._rubber_kg += self.line.step(self.feeder.step(turning))
        if self.steps % self.truth.time.drum_steps:
            return None
        return self._step_drum()

    def _step_drum(self) -> DrumStep:
        drum = self.drum
        drum.drive()
        left = drum.step_after()
        moves = drum.forward_before() if self.mixes.older else (0.0, 0.0)
        passed, older = drum.step_before(), self.mixes.step(moves)
        virgin, recycle, carried = self.fines.take(passed[d.VIRGIN]), passed[d.RECYCLE], passed[d.CARRIED]
        binder, said_binder, rubber = self._binder_kg, self._said_binder_kg, self._rubber_kg
        for _, its in older:
            its[d.VIRGIN] *= virgin / passed[d.VIRGIN] if passed[d.VIRGIN] > 0.0 else 1.0
        by_mix = split(self.mix, [0.0, virgin, recycle, carried], older)
        self._see_mix(by_mix)
        wanted = wanted_kg(by_mix, binder)
        said_wanted, said_mix = self._said(passed, older, said_binder)
        drum.inject([virgin, recycle, carried, binder, rubber, wanted, said_wanted, said_mix])
        self._binder_kg = self._said_binder_kg = self._rubber_kg = 0.0
        out = self.out
        for i, kg in enumerate(left):
            out[i] += kg
        self.discharge.step(
            left[d.A_VIRGIN] + left[d.A_RECYCLE] + left[d.A_CARRIED] + left[d.A_BINDER] + left[d.A_RUBBER]
        )
        mix_in = virgin + recycle + carried + binder
        return DrumStep(self.now_s, mix_in, rubber, wanted, drum.turning, left)

    def _see_mix(self, by_mix: list[Share]) -> None:
        most = max(by_mix, key=lambda share: share.dry)
        if most.dry > 0.0:
            self.mixes.passing = most.mix

    def _said(
        self, passed: list[float], older: list[tuple[MixTruth, list[float]]], said_binder: float
    ) -> tuple[float, float]:
        """Return rubber wanted and mix [kg] by what scales, meter and entered figures say."""
        by_mix = split(self.mix, self._as_said(passed), [(mix, self._as_said(kg)) for mix, kg in older])
        return wanted_kg(by_mix, said_binder), passed[d.SAID_VIRGIN] + passed[d.SAID_RECYCLE] + said_binder

    def _as_said(self, passed: list[float]) -> list[float]:
        """Return what scales and entered figures say of it, by component before the injection point [kg]."""
        recycle, share = passed[d.SAID_RECYCLE], 0.0
        for belt in self.belts:
            if belt.is_recycle:
                share = belt.truth.scale.entered_binder_percent / 100.0
        return [0.0, passed[d.SAID_VIRGIN], recycle - recycle * share, recycle * share]
