"""The feeder with its own controls: selector, airlock, interlocks, watchdog, diverter, own rate controller."""

from random import Random

from crumbmeter_sim.auger import Auger
from crumbmeter_sim.device.indicator import Indicator
from crumbmeter_sim.hopper import Hopper
from crumbmeter_sim.plantfile import WorksTruth
from crumbmeter_sim.supply import Supply
from crumbmeter_sim.weighing import FactorEstimator


class Feeder:
    """Commands in, rubber out. Masses in kg, speeds in rev/s."""

    def __init__(self, truth: WorksTruth, seed: str) -> None:
        step_s = truth.time.step_s
        self.truth = truth.feeder
        self._dt = step_s
        self.supply = Supply(truth.supply, step_s, Random(f"{seed}/supply"))
        self.hopper = Hopper(truth.hopper, self.supply, step_s, Random(f"{seed}/hopper"))
        self.hopper.ordered = False if truth.feeder.refill == "ordered" else None
        self.indicator = Indicator(truth.indicator, step_s, self.hopper.shown_kg)
        self.auger = Auger(truth.auger, step_s, Random(f"{seed}/auger"))
        self._estimator = FactorEstimator(truth.feeder.factor_guess_kg_rev)
        # Commands, as the registers hold them
        self.run = False
        self.airlock_run = False
        self.start_warning = False
        self.speed_setpoint_rev_s = 0.0
        self.rate_setpoint_kg_s = 0.0
        # Selector, faults, contacts
        self.remote = True
        self.local_speed_rev_s = 0.0
        self.fault = False
        self.emergency = False
        self.powered = True
        self.to_drum = True
        self.tripped = False
        """The watchdog has stopped the auger."""
        self._heartbeat = 0.0
        self._beat_seen = False
        self._beat_age_s = 0.0
        self._airlock_s = 0.0
        self.shown_rate_kg_s = 0.0
        self.fed_kg = 0.0
        self.catch_kg = 0.0
        self.fed_now_kg_s = 0.0

    @property
    def airlock_running(self) -> bool:
        """Whether the contact "airlock runs" is closed."""
        return self._airlock_s > 0.0 and self._airlock_s >= self.truth.airlock_s

    @property
    def may_turn(self) -> bool:
        """Whether the feeder's own interlocks let the auger turn."""
        return self.airlock_running and self.powered and not (self.fault or self.emergency)

    def beat(self, value: float) -> None:
        """Take a write to the heartbeat register."""
        if value != self._heartbeat:
            self._heartbeat = value
            self._beat_seen = True
            self._beat_age_s = 0.0
            self.tripped = False

    def forget_beat(self) -> None:
        """Wait for a first heartbeat again, as after a power dip."""
        self._heartbeat, self._beat_seen, self.tripped = 0.0, False, False

    def step(self, shaking: bool) -> float:
        """Advance one step; return what goes into the line [kg]."""
        self._watch()
        live = self.powered and not self.emergency
        airlock_wanted = (self.airlock_run or self._local_speed() > 0.0) and live
        self._airlock_s = self._airlock_s + self._dt if airlock_wanted else 0.0
        self.supply.step()
        landed_kg = self.hopper.step(shaking)
        self.indicator.step(self.hopper.shown_kg)
        wanted = self._wanted_rev_s() if self.may_turn else 0.0
        fed_kg = self.auger.step(self.hopper, landed_kg, wanted)
        self._estimator.step(self.hopper.shown_kg, self.auger.shown_speed_rev_s, self.hopper.refilling, self._dt)
        self.shown_rate_kg_s = self._estimator.factor_kg_rev * self.auger.shown_speed_rev_s
        self.fed_kg += fed_kg
        self.fed_now_kg_s = fed_kg / self._dt
        if not self.to_drum:
            self.catch_kg += fed_kg
            return 0.0
        return fed_kg

    def _local_speed(self) -> float:
        return 0.0 if self.remote else self.local_speed_rev_s

    def _wanted_rev_s(self) -> float:
        if not self.remote:
            return self.local_speed_rev_s
        if not self.run or self.tripped:
            return 0.0
        if self.truth.mode == "rate":
            return self.rate_setpoint_kg_s / self._estimator.factor_kg_rev
        return max(0.0, self.speed_setpoint_rev_s)

    def _watch(self) -> None:
        if not (self.remote and self._beat_seen):
            self._beat_age_s = 0.0
            return
        self._beat_age_s += self._dt
        if self._beat_age_s > self.truth.watchdog_s:
            self.tripped = True
