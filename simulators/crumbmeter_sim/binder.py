"""The plant's own binder loop: pump in proportion to its own, slightly mistimed, dry rate."""

import math
from collections import deque
from random import Random

from crumbmeter_sim.belt import Belt
from crumbmeter_sim.plantfile import BinderTruth

Believed = tuple[float, float]
"""(dry rate [kg/s], total binder of its mix as a share of the mix without rubber)"""
NOTHING: Believed = (0.0, 0.0)


class Delay:
    """A belt's dry rate, delayed as the plant's controller does it: the belt's part while it runs, then the drum's.

    Each moment's rate takes the job mix formula with it under which it was weighed.
    """

    def __init__(self, belt_steps: int, drum_steps: int) -> None:
        self._belt = deque([NOTHING] * max(1, belt_steps))
        self._drum = deque([NOTHING] * max(1, drum_steps))

    def step(self, weighed: Believed, belt_runs: bool, drum_turns: bool) -> Believed:
        """Advance one step; return what the controller believes at the injection point."""
        arriving = NOTHING
        if belt_runs:
            self._belt.append(weighed)
            arriving = self._belt.popleft()
        if not drum_turns:
            return NOTHING
        self._drum.append(arriving)
        return self._drum.popleft()

    def ahead(self, steps: int) -> Believed:
        """Return what it will believe `steps` from now if both keep running."""
        return self._drum[min(steps, len(self._drum) - 1)]


class Binder:
    """Controller, pump and meter. Flows in kg/s."""

    def __init__(self, truth: BinderTruth, belts: list[Belt], step_s: float, random: Random) -> None:
        self.truth = truth
        self._dt = step_s
        self._belts = belts
        self._random = random
        self._delays = [
            Delay(round(truth.belt_delay_s[b.name] / step_s), round(truth.drum_delay_s[b.name] / step_s)) for b in belts
        ]
        self._keep = math.exp(-step_s / max(truth.pump_lag_s, 1e-9))
        self._show_keep = math.exp(-step_s / max(truth.meter_filter_s, 1e-9))
        self.total_share = 0.0
        """Binder wanted, as a share of the mix without rubber, of what passes the scales now."""
        self.flow_kg_s = 0.0
        self.read_kg_s = 0.0
        """What the meter measures, before its filter."""
        self.shown_kg_s = 0.0
        self.frozen = False
        self.held = False
        """The pump is held back: late, or lost."""

    def step(self, drum_turns: bool) -> float:
        """Advance one step; return the binder sprayed in [kg]."""
        believed = []
        for belt, delay in zip(self._belts, self._delays, strict=True):
            scale = belt.truth.scale
            rate = belt.shown_wet_kg_s / (1 + scale.entered_moisture_percent / 100)
            rate = rate if rate > scale.cut_off_kg_s else 0.0
            believed.append(delay.step((rate, self.total_share), belt.speed_m_s > 0.0, drum_turns))
        wanted = 0.0 if self.held else self.wanted(believed)
        if not drum_turns:
            self.flow_kg_s = 0.0
        else:
            self.flow_kg_s = self.flow_kg_s * self._keep + wanted * (1 - self._keep)
            if wanted == 0.0 and self.flow_kg_s < self.truth.least_kg_s:
                self.flow_kg_s = 0.0
        noise = self._random.gauss(0.0, 1.0) * self.truth.meter_noise_percent / 100
        self.read_kg_s = self.flow_kg_s * (1 + self.truth.meter_gain_error_percent / 100) * (1 + noise)
        if not self.frozen:
            self.shown_kg_s = self.shown_kg_s * self._show_keep + self.read_kg_s * (1 - self._show_keep)
        return self.flow_kg_s * self._dt

    def wanted(self, believed: list[Believed]) -> float:
        """Return the virgin binder that the job mix formulas ask for [kg/s]; none below the pump's least flow."""
        by_formula: dict[float, list[float]] = {}
        for belt, (rate, share) in zip(self._belts, believed, strict=True):
            if rate > 0.0:
                sums = by_formula.setdefault(share, [0.0, 0.0])
                sums[0] += rate
                sums[1] += rate * belt.truth.scale.entered_binder_percent / 100
        wanted = max(0.0, sum((share * dry - carried) / (1.0 - share) for share, (dry, carried) in by_formula.items()))
        return wanted if wanted >= self.truth.least_kg_s else 0.0

    def ahead(self, seconds: float) -> float:
        """Return the pump's flow `seconds` from now if nothing changes [kg/s]."""
        if self.held:
            return 0.0
        steps = round(max(0.0, seconds - self.truth.pump_lag_s) / self._dt)
        return self.wanted([delay.ahead(steps) for delay in self._delays])
