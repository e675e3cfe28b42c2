"""The transfer vessel: takes the charge from the auger, holds it behind a shut valve, lets it into the line."""

import math
from random import Random

from crumbmeter_sim.batch_file import VesselTruth


class Vessel:
    """Masses in kg."""

    def __init__(self, truth: VesselTruth, step_s: float, random: Random) -> None:
        self.truth = truth
        self._dt = step_s
        self._random = random
        self.mass_kg = 0.0
        self.spilled_kg = 0.0
        """Ran over at the top."""
        self.release = False
        """Command to the valve."""
        self.powered = True
        self.opening = 0.0
        self._rate_kg_s = truth.release_kg_s
        self._read_kg = 0.0
        self.shown_kg = 0.0
        self.frozen = False
        self.leak_kg_s = truth.leak_kg_s
        self._keep = math.exp(-step_s / max(truth.filter_s, 1e-9))

    def step(self, fed_kg: float, air: float) -> float:
        """Take what the auger gives; return what goes into the line [kg].

        Args:
            fed_kg: [kg] From the auger.
            air: Share of the blower's full speed; without air nothing leaves.
        """
        truth, dt = self.truth, self._dt
        self.mass_kg += fed_kg
        over_kg = max(0.0, self.mass_kg - truth.capacity_kg)
        self.mass_kg -= over_kg
        self.spilled_kg += over_kg
        stroke = dt / max(truth.valve_s, dt)
        wanted = self.release and self.powered  # a spring shuts it
        if wanted and self.opening == 0.0:
            self._rate_kg_s = truth.release_kg_s * (1.0 + truth.release_spread_percent / 100 * self._random.gauss(0, 1))
        self.opening = min(1.0, self.opening + stroke) if wanted else max(0.0, self.opening - stroke)
        rate_kg_s = self.opening * max(0.1 * truth.release_kg_s, self._rate_kg_s) + self.leak_kg_s
        out_kg = min(self.mass_kg, rate_kg_s * dt * air)
        self.mass_kg -= out_kg
        self._weigh()
        return out_kg

    def _weigh(self) -> None:
        truth = self.truth
        load = self.mass_kg * (1 + truth.gain_error_percent / 100) + truth.zero_kg
        self._read_kg = self._read_kg * self._keep + load * (1 - self._keep)
        noisy = self._read_kg + truth.noise_kg * self._random.gauss(0.0, 1.0)
        if not self.frozen:
            step = truth.resolution_kg
            self.shown_kg = round(noisy / step) * step if step > 0.0 else noisy
