"""What can be seen of the mix behind the drum: the current of the drag conveyor, and the temperature at its end.

Both follow what leaves the drum after a short way on the conveyor, each with an instrument of its own. The current
rises with the flow over the conveyor; the probe takes the mix's temperature where mix flows, and that of the steel
around it where none does.
"""

import math
from collections import deque
from dataclasses import dataclass
from random import Random


@dataclass(frozen=True, slots=True)
class DischargeTruth:
    """The drag conveyor and its two instruments."""

    travel_s: float = 4.0
    """From the drum's outlet to where the instruments are; it does not stand with the drum."""
    idle_a: float = 38.0
    amps_per_kg_s: float = 0.55
    current_filter_s: float = 2.0
    current_noise_a: float = 0.6
    """Standard deviation of one step's reading before the filter."""
    mix_c: float = 160.0
    ambient_c: float = 35.0
    half_kg_s: float = 4.0
    """Flow at which the probe stands half-way between the steel around it and the mix."""
    temperature_lag_s: float = 15.0
    temperature_noise_c: float = 0.4


class Discharge:
    """Flows in kg/s, temperatures in degC, currents in A."""

    def __init__(self, truth: DischargeTruth, step_s: float, random: Random) -> None:
        self.truth = truth
        self._random = random
        self._dt = step_s
        self._under_way = deque([0.0] * max(0, round(truth.travel_s / step_s)))
        self._current_keep = math.exp(-step_s / max(truth.current_filter_s, 1e-9))
        self._temperature_keep = math.exp(-step_s / max(truth.temperature_lag_s, 1e-9))
        self.shown_current_a = truth.idle_a
        self._temperature_c = truth.ambient_c
        self.shown_temperature_c = truth.ambient_c

    def step(self, left_kg: float) -> None:
        """Take what left the drum in one of its steps [kg]."""
        truth, gauss = self.truth, self._random.gauss
        self._under_way.append(left_kg / self._dt)
        flow_kg_s = self._under_way.popleft()
        current_a = truth.idle_a + truth.amps_per_kg_s * flow_kg_s + truth.current_noise_a * gauss(0.0, 1.0)
        keep = self._current_keep
        self.shown_current_a = self.shown_current_a * keep + current_a * (1 - keep)
        share = flow_kg_s / (flow_kg_s + truth.half_kg_s)
        there_c = truth.ambient_c + (truth.mix_c - truth.ambient_c) * share
        keep = self._temperature_keep
        self._temperature_c = self._temperature_c * keep + there_c * (1 - keep)
        self.shown_temperature_c = self._temperature_c + truth.temperature_noise_c * gauss(0.0, 1.0)
