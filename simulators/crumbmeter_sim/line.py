"""Blower and conveying line: rubber moves while air moves, and lies where it lies while it does not."""

import math
from collections import deque
from random import Random

from crumbmeter_sim.plantfile import LineTruth


class Line:
    """From the auger's end to the injection point. Masses in kg."""

    def __init__(self, truth: LineTruth, step_s: float, random: Random) -> None:
        self.truth = truth
        self._dt = step_s
        self._random = random
        self.blower_run = False
        """Command to the blower drive."""
        self.powered = True
        self.plugged = False
        self.hose_off = False
        self.plugs_in_s = 0.0
        """[s] of moving air from a clear line to a plugged one; 0: nothing builds up."""
        self.built = 0.0
        """How far the plug has built up: 0 clear, 1 plugged."""
        self.air_share = 0.0
        """Speed of the blower as a share of its full speed."""
        self._flown_s = 0.0
        self._packets: deque[tuple[float, float]] = deque()
        self._spread_kg = 0.0
        self.held_kg = 0.0
        self.spilled_kg = 0.0
        self._pressure_pa = 0.0
        self.shown_pressure_pa = 0.0
        self._seen_s = math.inf
        """[s] Since the flow switch saw rubber."""
        self._keep = math.exp(-step_s / max(truth.pressure_filter_s, 1e-9))
        self._wander = 0.0
        self._wander_keep = math.exp(-step_s / max(truth.pressure_wander_s, 1e-9))

    @property
    def blower_running(self) -> bool:
        """Whether the contact "blower runs" is closed."""
        return self.air_share >= self.truth.blower_proven_share

    @property
    def flow_switch(self) -> bool:
        """Whether the contact at the line's end sees rubber pass."""
        return self._seen_s < self.truth.flow_switch_hold_s

    def clear(self) -> None:
        """Free the line, and put every hose back."""
        self.plugged = self.hose_off = False
        self.plugs_in_s = self.built = 0.0

    @property
    def content_kg(self) -> float:
        """[kg] Rubber in the line, exactly."""
        return math.fsum(kg for _, kg in self._packets) + self._spread_kg

    def step(self, fed_kg: float) -> float:
        """Take what the auger gives; return what arrives at the drum [kg]."""
        truth, dt = self.truth, self._dt
        if self.blower_run and self.powered:
            self.air_share = min(1.0, self.air_share + dt / max(truth.blower_run_up_s, dt))
        elif self.air_share > 0.0:
            self.air_share = max(0.0, self.air_share - dt / max(truth.blower_run_down_s, dt))
        self._build_up()
        air = 0.0 if self.plugged else self.air_share
        if fed_kg > 0.0:
            self._packets.append((self._flown_s, fed_kg))
            self.held_kg += fed_kg
        arrived = self._blow(air) if air > 0.0 else 0.0
        self._measure(air)
        if self.hose_off:
            self.spilled_kg += arrived
            arrived = 0.0
        self._seen_s = 0.0 if arrived > truth.flow_switch_kg_s * dt else self._seen_s + dt
        return arrived

    def _build_up(self) -> None:
        """Let the plug grow while air carries rubber past it; the line narrows until nothing passes."""
        if self.plugs_in_s > 0.0 and self.held_kg > 0.0:
            self.built = min(1.0, self.built + self.air_share * self._dt / self.plugs_in_s)
            self.plugged = self.plugged or self.built >= 1.0

    def _blow(self, air: float) -> float:
        self._flown_s += air * self._dt
        packets = self._packets
        limit = self._flown_s - max(0.0, self.truth.travel_s - self.truth.spread_s)
        while packets and packets[0][0] <= limit:
            self._spread_kg += packets.popleft()[1]
        if self._spread_kg <= 0.0:
            return 0.0
        share = 1.0 - math.exp(-self._dt * air / max(self.truth.spread_s, 1e-9))
        arrived = self._spread_kg * share
        if arrived < 1e-9:  # the last dust goes with the last grain
            arrived = self._spread_kg
        self._spread_kg -= arrived
        self.held_kg -= arrived
        if not packets and self._spread_kg == 0.0:
            self.held_kg = 0.0
        return arrived

    def _measure(self, air: float) -> None:
        truth, share = self.truth, self.air_share
        if self.plugged:
            there = truth.plugged_pa * share * share
        elif self.hose_off:
            there = truth.open_pa * share * share
        else:
            clear = truth.pressure_base_pa + truth.pressure_solids_pa_per_kg * self.held_kg
            there = (clear + max(0.0, truth.plugged_pa - clear) * self.built * self.built) * air * air
        if truth.pressure_wander_percent > 0.0:
            step = truth.pressure_wander_percent / 100.0 * math.sqrt(1.0 - self._wander_keep**2)
            self._wander = self._wander * self._wander_keep + step * self._random.gauss(0.0, 1.0)
            there *= 1.0 + self._wander
        self._pressure_pa = self._pressure_pa * self._keep + there * (1 - self._keep)
        self.shown_pressure_pa = self._pressure_pa + truth.pressure_noise_pa * self._random.gauss(0.0, 1.0)
