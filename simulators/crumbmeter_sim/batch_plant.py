"""The whole batch plant, stepped on its own time: tower, pugmill, feeder, vessel, line. No wall clock, seeded noise."""

from random import Random

from crumbmeter_sim.batch_file import BatchPlantTruth
from crumbmeter_sim.batch_tower import Tower
from crumbmeter_sim.batch_vessel import Vessel
from crumbmeter_sim.device.loops import Loop
from crumbmeter_sim.device.pulses import PulseCounter
from crumbmeter_sim.feeder import Feeder
from crumbmeter_sim.line import Line

REACTION_S = 1.2
"""[s] A window that the plant closes without notice is seen, and the valve shut, within this."""


class BatchPlant:
    """Every part of it, and the sums that prove that nothing was lost."""

    def __init__(self, truth: BatchPlantTruth, seed: int) -> None:
        self.truth = truth
        self.step_s = truth.time.step_s
        name = str(seed)
        self.tower = Tower(truth, name)
        self.vessel = Vessel(truth.vessel, self.step_s, Random(f"{name}/vessel"))
        self.line = Line(truth.line, self.step_s, Random(f"{name}/line"))
        self.feeder = Feeder(truth, name)
        self.counters = {p.name: PulseCounter(p, Random(f"{name}/pulses/{p.name}")) for p in truth.pulses}
        self.loops = {loop.name: Loop(loop) for loop in truth.loops}
        self.emergency = False
        self.healthy_asked = False
        """The coil by which crumbmeter says that the plant may run."""
        self.steps = 0
        self.released_kg = 0.0
        """Let into the line, in all."""
        self.released_outside_kg = 0.0
        """Of it, while no window was open, beyond the reaction to one that was closed without notice."""
        self.reaction_kg = 0.0
        """Of it, within that reaction."""
        self._closed_s = 0.0

    @property
    def now_s(self) -> float:
        """[s] Plant time since the scenario began."""
        return self.steps * self.step_s

    def step(self) -> bool:
        """Advance one inner step; tell whether a coarse one is over."""
        self.steps += 1
        self.vessel.powered = self.feeder.powered and not (self.emergency or self.feeder.tripped)
        fed_kg = self.feeder.step(self.tower.turning)
        air = 0.0 if self.line.plugged else self.line.air_share
        released_kg = self.vessel.step(fed_kg, air)
        self.released_kg += released_kg
        self._judge(released_kg)
        self.tower.step(self.line.step(released_kg))
        if self.tower.wanted:
            # Seen by whoever reads now, though an abort may close it before the next step.
            self._closed_s = 0.0
        return self.steps % self.truth.time.drum_steps == 0

    def _judge(self, released_kg: float) -> None:
        tower = self.tower
        if tower.wanted:
            self._closed_s = 0.0
            return
        self._closed_s += self.step_s
        # Before it is told that the rubber is in, a plant closes its window by an abort or a stop alone.
        if self._closed_s <= REACTION_S and tower.content and not tower.content[-1].delivered:
            self.reaction_kg += released_kg
        else:
            self.released_outside_kg += released_kg

    def stop(self) -> None:
        """Stop tower and pugmill."""
        self.tower.stop()
