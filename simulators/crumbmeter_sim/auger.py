"""The auger: speed with a lag, and a feed factor that nobody outside this file knows exactly."""

import math
from random import Random

from crumbmeter_sim.hopper import Hopper
from crumbmeter_sim.plantfile import AugerTruth


class Auger:
    """Speeds in rev/s, feed in kg."""

    def __init__(self, truth: AugerTruth, step_s: float, random: Random) -> None:
        self.truth = truth
        self._dt = step_s
        self._random = random
        self.speed_rev_s = 0.0
        self.shown_speed_rev_s = 0.0
        self.bridged = False
        self._walk = 0.0
        self._fluff = 0.0
        """Share of the content above the auger that is freshly fallen and still full of air."""
        self._packed = 0.0
        self._turned_rev = 0.0
        self._keep = math.exp(-step_s / max(truth.lag_s, 1e-9))
        self._walk_keep = math.exp(-step_s / max(truth.walk_time_s, 1e-9))
        self._walk_gain = truth.walk_percent / 100 * math.sqrt(1 - self._walk_keep**2)
        self._settle = math.exp(-step_s / max(truth.aeration_time_s, 1e-9))
        self._pack = math.exp(-step_s / max(truth.packing_time_s, 1e-9))
        self._unpack = math.exp(-step_s / max(truth.unpacking_s, 1e-9))

    def factor_kg_rev(self, head_kg: float) -> float:
        """[kg/rev] Return the present feed factor under `head_kg` [kg] of rubber."""
        truth = self.truth
        if self.bridged:
            return truth.feed_factor_kg_rev * truth.bridged_share
        filled = 1.0 - truth.empty_loss * math.exp(-head_kg / truth.head_kg)
        moods = (
            1.0 + self._walk - truth.aeration_percent / 100 * self._fluff + truth.packing_percent / 100 * self._packed
        )
        return truth.feed_factor_kg_rev * filled * moods

    def step(self, hopper: Hopper, landed_kg: float, wanted_rev_s: float) -> float:
        """Turn for one step towards the wanted speed; return what came out [kg]."""
        truth, dt, gauss = self.truth, self._dt, self._random.gauss
        wanted = min(truth.top_rpm / 60.0, wanted_rev_s)
        if wanted < truth.stall_rpm / 60.0:
            wanted = 0.0
        self.speed_rev_s = self.speed_rev_s * self._keep + wanted * (1 - self._keep)
        if wanted == 0.0 and self.speed_rev_s < 0.5 * truth.stall_rpm / 60.0:
            self.speed_rev_s = 0.0
        turning = self.speed_rev_s > 0.0
        self._walk = self._walk * self._walk_keep + self._walk_gain * gauss(0.0, 1.0)
        self._fluff *= self._settle
        if landed_kg > 0.0:
            self._fluff = min(1.0, self._fluff + landed_kg / max(20.0, 0.3 * hopper.mass_kg))
        self._packed = self._packed * self._unpack if turning else 1.0 - (1.0 - self._packed) * self._pack
        noise = gauss(0.0, 1.0)
        if not turning:
            self.shown_speed_rev_s = 0.0
            return 0.0
        self.shown_speed_rev_s = max(0.0, self.speed_rev_s + truth.speed_noise_rpm / 60.0 * noise)
        pulse = 1.0 + truth.pulsation_percent / 100 * math.sin(2 * math.pi * self._turned_rev)
        self._turned_rev = (self._turned_rev + self.speed_rev_s * dt) % 1.0
        return hopper.take(self.factor_kg_rev(hopper.mass_kg) * self.speed_rev_s * dt * pulse)
