"""The supply hopper under its bulk bag, its scale, and the crew that hangs the next bag."""

from math import cos
from random import Random

from crumbmeter_sim.plantfile import SupplyTruth

SHARE_OF_SUPPLY = 5.0
"""A landing bag shakes the supply's own scale so many times as hard as the weigh hopper's."""


class Supply:
    """Rubber above the weigh hopper. Masses in kg."""

    def __init__(self, truth: SupplyTruth, step_s: float, random: Random) -> None:
        self.truth = truth
        self._dt = step_s
        self._random = random
        self.hopper_kg = truth.start_kg
        self.bag_kg = truth.start_bag_kg
        self.brought_kg = truth.start_kg + truth.start_bag_kg
        """All rubber that ever came in."""
        self.hung_up = False
        self.crew_away = False
        self.bags_changed = 0
        self._empty_s = 0.0
        self.landing_s = 0.0
        """Time for which the landing bag still shakes the frame."""
        self.shown_kg = self.brought_kg
        self._weigh()

    @property
    def low(self) -> bool:
        """Whether the contact "supply low" is closed."""
        return self.hopper_kg < self.truth.low_kg

    def step(self) -> None:
        """Let the bag run into the hopper, change it when it is empty, and weigh."""
        self._run()
        self._weigh()

    def _weigh(self) -> None:
        truth = self.truth
        load = self.hopper_kg + (self.bag_kg if truth.bag_is_weighed else 0.0)
        if self.landing_s > 0.0 and truth.bag_is_weighed:
            load += SHARE_OF_SUPPLY * truth.landing_kg * cos(7.0 * self.landing_s)
        noisy = load + truth.noise_kg * self._random.gauss(0.0, 1.0)
        step = truth.resolution_kg
        self.shown_kg = round(noisy / step) * step if step > 0.0 else noisy

    def _run(self) -> None:
        truth, dt = self.truth, self._dt
        if self.landing_s > 0.0:
            self.landing_s -= dt
        if self.bag_kg > 0.0:
            if not self.hung_up:
                run_kg = min(self.bag_kg, truth.spout_kg_s * dt, max(0.0, truth.capacity_kg - self.hopper_kg))
                self.bag_kg -= run_kg
                self.hopper_kg += run_kg
            return
        self._empty_s += 0.0 if self.crew_away else dt
        if self._empty_s >= truth.notice_s + truth.change_s:
            self.hang_bag()

    def hang_bag(self) -> None:
        """Hang a full bag; its landing shakes the frame."""
        self.bag_kg += self.truth.bag_kg
        self.brought_kg += self.truth.bag_kg
        self.bags_changed += 1
        self._empty_s = 0.0
        self.landing_s = self.truth.landing_s
        self.hung_up = False

    def draw(self, wanted_kg: float) -> float:
        """Let rubber out at the bottom; return how much came [kg]."""
        got_kg = min(wanted_kg, self.hopper_kg)
        self.hopper_kg -= got_kg
        return got_kg
