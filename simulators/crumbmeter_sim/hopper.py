"""The weigh hopper: refill gate on its own two levels, rubber in flight, and what the load cells make of it."""

import math
from collections import deque
from random import Random

from crumbmeter_sim.plantfile import HopperTruth
from crumbmeter_sim.supply import Supply

ORDER_BAND = 0.1
"""Share of the span below full in which an ordered fill does not begin again."""


class Hopper:
    """Masses in kg."""

    def __init__(self, truth: HopperTruth, supply: Supply, step_s: float, random: Random) -> None:
        self.truth = truth
        self._supply = supply
        self._dt = step_s
        self._random = random
        self.mass_kg = truth.start_kg
        self.refilling = False
        """The gate is commanded open: the contact."""
        self.ordered: bool | None = None
        """Whether a fill is ordered; None: the gate opens by the hopper's own low level."""
        self.powered = True
        self.refills = 0
        self.leak_kg_s = 0.0
        self.bump_kg = 0.0
        self.bump_s = 0.0
        self.zero_kg = 0.0
        self.frozen = False
        self._opening = 0.0
        self._flight: deque[float] = deque([0.0] * max(1, round(truth.fall_s / step_s)))
        self.landing_kg_s = 0.0
        self._phase = 0.0
        self._read_kg = truth.start_kg
        self.shown_kg = truth.start_kg
        self._keep = math.exp(-step_s / max(truth.filter_s, 1e-9))

    @property
    def in_flight_kg(self) -> float:
        """[kg] Rubber that has left the gate and not landed."""
        return math.fsum(self._flight)

    def step(self, shaking: bool) -> float:
        """Run the refill; return what landed in this step [kg]."""
        truth, dt = self.truth, self._dt
        may_fill = self.powered and self._supply.hopper_kg > 0.0
        if not self.refilling and may_fill and self._wants_fill():
            self.refilling = True
            self.refills += 1
        if self.refilling and (self.mass_kg >= truth.high_kg or not may_fill or self.ordered is False):
            self.refilling = False
        stroke = dt / max(truth.gate_s, dt)
        self._opening = min(1.0, self._opening + stroke) if self.refilling else max(0.0, self._opening - stroke)
        through_kg_s = self._opening * truth.refill_kg_s + self.leak_kg_s * (1.0 - self._opening)
        self._flight.append(self._supply.draw(through_kg_s * dt) if through_kg_s > 0.0 else 0.0)
        landed_kg = self._flight.popleft()
        self.mass_kg += landed_kg
        self.landing_kg_s = landed_kg / dt
        self._weigh(shaking)
        return landed_kg

    def _wants_fill(self) -> bool:
        truth = self.truth
        if self.ordered is None:
            return self.mass_kg < truth.low_kg
        return self.ordered and self.mass_kg < truth.high_kg - ORDER_BAND * (truth.high_kg - truth.low_kg)

    def take(self, wanted_kg: float) -> float:
        """Let the auger take rubber out; return how much there was [kg]."""
        got_kg = min(wanted_kg, self.mass_kg)
        self.mass_kg -= got_kg
        return got_kg

    def _weigh(self, shaking: bool) -> None:
        truth, dt = self.truth, self._dt
        self._phase += dt * (2 * math.pi / truth.vibration_s)
        load = self.mass_kg * (1 + truth.gain_error_percent / 100) + self.zero_kg
        load += truth.impact_kg * self.landing_kg_s / truth.refill_kg_s
        if shaking:
            load += truth.vibration_kg * math.sin(self._phase)
        if self.bump_s > 0.0:
            load += self.bump_kg
            self.bump_s -= dt
        if self._supply.landing_s > 0.0:
            load += self._supply.truth.landing_kg * math.cos(7.0 * self._supply.landing_s)
        self._read_kg = self._read_kg * self._keep + load * (1 - self._keep)
        noisy = self._read_kg + truth.noise_kg * self._random.gauss(0.0, 1.0)
        if not self.frozen:
            step = truth.resolution_kg
            self.shown_kg = round(noisy / step) * step if step > 0.0 else noisy
