"""What really happened at the injection point and at the outlet, kept exactly while the plant runs.

Windows are cut by mass of mix WITHOUT rubber, so that they are the same windows whatever a controller did; a drum step
that straddles a border is split in proportion.
"""

from dataclasses import dataclass, field

from crumbmeter_sim import drum as d
from crumbmeter_sim.plant import DrumStep, Plant

WINDOWS_KG = (1000.0, 5000.0, 20000.0)
THIN_SHARE = 0.2
"""Below this share of the nominal mix flow the drum counts as empty at the injection point."""
NO_RUBBER_SHARE = 0.5
"""A 1 t window with less than this share of its dose counts as mix without rubber."""


@dataclass(frozen=True, slots=True)
class Window:
    """One stretch of mix that left the drum. Masses in kg."""

    t_s: float
    mix_kg: float
    rubber_kg: float
    wanted_kg: float
    said_wanted_kg: float


class Cutter:
    """Cuts the outlet's stream into windows of one size."""

    def __init__(self, size_kg: float) -> None:
        self.size_kg = size_kg
        self.windows: list[Window] = []
        self._sums = [0.0, 0.0, 0.0, 0.0]

    def take(self, t_s: float, masses: tuple[float, float, float, float]) -> None:
        """Take mix, rubber, wanted and said-wanted [kg] of one drum step."""
        left = list(masses)
        sums = self._sums
        while sums[0] + left[0] >= self.size_kg:
            share = (self.size_kg - sums[0]) / left[0]
            full = [a + share * b for a, b in zip(sums, left, strict=True)]
            self.windows.append(Window(t_s, *full))
            left = [b * (1.0 - share) for b in left]
            sums[:] = (0.0, 0.0, 0.0, 0.0)
        for i in range(4):
            sums[i] += left[i]


@dataclass(slots=True)
class Without:
    """Rubber that met no mix. Masses in kg."""

    standing_kg: float = 0.0
    thin_kg: float = 0.0
    """Beyond what the thin stream itself wanted."""
    largest_burst_kg: float = 0.0
    bursts: int = 0
    _burst_kg: float = 0.0

    def take(self, step: DrumStep, thin_below_kg: float) -> None:
        """Judge one drum step."""
        if step.turning and step.mix_in_kg >= thin_below_kg:
            self._burst_kg = 0.0
            return
        excess_kg = max(0.0, step.rubber_in_kg - step.wanted_in_kg)
        if excess_kg <= 0.0:
            return
        if step.turning:
            self.thin_kg += excess_kg
        else:
            self.standing_kg += excess_kg
        self.bursts += self._burst_kg == 0.0
        self._burst_kg += excess_kg
        self.largest_burst_kg = max(self.largest_burst_kg, self._burst_kg)


@dataclass(frozen=True, slots=True)
class Row:
    """One second of the truth, for a table or a plot. Flows in kg/s."""

    t_s: float
    mix_in_kg_s: float
    rubber_in_kg_s: float
    wanted_in_kg_s: float
    mix_out_kg_s: float
    rubber_out_kg_s: float
    fed_kg_s: float
    auger_rpm: float
    hopper_kg: float
    feed_factor_kg_rev: float
    drum_turning: int


@dataclass(slots=True)
class Truth:
    """The recorder."""

    plant: Plant
    rows: list[Row] = field(default_factory=list)
    cutters: tuple[Cutter, ...] = field(default_factory=lambda: tuple(Cutter(size) for size in WINDOWS_KG))
    without: Without = field(default_factory=Without)
    rubber_in_kg: float = 0.0
    rubber_unwanted_kg: float = 0.0
    """Rubber injected into mix that wants none, beyond what the end of an older mix in it wants."""
    _second: list[float] = field(default_factory=lambda: [0.0] * 6)

    def take(self, step: DrumStep) -> None:
        """Take one drum step."""
        left = step.left
        mix_kg = left[d.A_VIRGIN] + left[d.A_RECYCLE] + left[d.A_CARRIED] + left[d.A_BINDER]
        self.rubber_in_kg += step.rubber_in_kg
        self.without.take(step, THIN_SHARE * self.plant.nominal_kg_s * self.plant.drum_step_s)
        if self.plant.mixes.passing.dose_percent == 0.0:
            self.rubber_unwanted_kg += max(0.0, step.rubber_in_kg - step.wanted_in_kg)
        if mix_kg > 0.0:
            masses = (mix_kg, left[d.A_RUBBER], left[d.A_WANTED], left[d.A_SAID_WANTED])
            for cutter in self.cutters:
                cutter.take(step.t_s, masses)
        self._keep_row(step, mix_kg)

    def _keep_row(self, step: DrumStep, mix_kg: float) -> None:
        plant, sums = self.plant, self._second
        sums[0] += step.mix_in_kg
        sums[1] += step.rubber_in_kg
        sums[2] += step.wanted_in_kg
        sums[3] += mix_kg
        sums[4] += step.left[d.A_RUBBER]
        sums[5] += plant.drum_step_s
        if sums[5] < 1.0 - 1e-6:
            return
        mix_in, rubber_in, wanted_in, mix_out, rubber_out = (kg / sums[5] for kg in sums[:5])
        auger, hopper = plant.feeder.auger, plant.feeder.hopper
        self.rows.append(
            Row(
                round(step.t_s, 3),
                mix_in,
                rubber_in,
                wanted_in,
                mix_out,
                rubber_out,
                plant.feeder.fed_now_kg_s,
                auger.speed_rev_s * 60.0,
                hopper.mass_kg,
                auger.factor_kg_rev(hopper.mass_kg),
                int(step.turning),
            )
        )
        sums[:] = [0.0] * 6
