"""The drum as axial cells: material moves on, a share of it comes back, and nothing moves in a drum that stands.

        inlet        collar       injection            outlet
    ──► [ | | | | | | | | | | | | ] ──► [ | | | | | | | | | ] ──►
          cells_before (drying)           cells_after (mixing)

Between the two rows nothing comes back (the mixing zone lies behind a dam), so each kilogram passes the injection
point once and the rubber wanted for it is known exactly. Speeds follow the drum's revolutions and, mildly, its load.
"""

from crumbmeter_sim.plantfile import DrumTruth

# Components before the injection point
WATER, VIRGIN, RECYCLE, CARRIED, SAID_VIRGIN, SAID_RECYCLE = range(6)
# Components after it
(A_VIRGIN, A_RECYCLE, A_CARRIED, A_BINDER, A_RUBBER, A_WANTED, A_SAID_WANTED, A_SAID_MIX) = range(8)

Row = list[float]


def advance(row: Row, forward: float, back: float) -> tuple[Row, float]:
    """Move one component one step along its cells; return the new row and what left at its end [kg]."""
    keep = 1.0 - forward - back
    first = row[0]
    shifted_on = [0.0, *row]
    shifted_back = row[1:]
    shifted_back.append(0.0)
    moved = [
        keep * here + forward * before + back * after
        for here, before, after in zip(row, shifted_on, shifted_back, strict=False)
    ]
    moved[0] += back * first  # nothing is behind the first cell: what would have come back stays
    return moved, forward * row[-1]


class Drum:
    """Two rows of cells. Masses in kg for each component and cell."""

    def __init__(self, truth: DrumTruth, step_s: float, nominal_kg_s: float) -> None:
        self.truth = truth
        self._dt = step_s
        self.running = False
        self.speed_share = 0.0
        self.before: list[Row] = [[0.0] * truth.cells_before for _ in range(6)]
        self.after: list[Row] = [[0.0] * truth.cells_after for _ in range(8)]
        share = 1.0 - truth.collar_to_injection_s / truth.inlet_to_injection_s
        self.collar_cell = min(truth.cells_before - 1, max(0, round(share * truth.cells_before)))
        self._nominal_before_kg = max(nominal_kg_s * truth.inlet_to_injection_s, 1e-9)
        self._nominal_after_kg = max(nominal_kg_s * truth.injection_to_outlet_s, 1e-9)
        self.evaporated_kg = 0.0

    @property
    def turning(self) -> bool:
        """Whether the contact "drum turns" is closed."""
        return self.speed_share > self.truth.turning_share

    @property
    def speed_rev_s(self) -> float:
        """[rev/s] Present speed."""
        return self.truth.nominal_speed_rpm / 60.0 * self.speed_share

    def drive(self) -> None:
        """Run up or down for one step of the drum."""
        if self.running:
            self.speed_share = min(1.0, self.speed_share + self._dt / max(self.truth.run_up_s, self._dt))
        else:
            self.speed_share = max(0.0, self.speed_share - self._dt / max(self.truth.run_down_s, self._dt))

    def forward_before(self) -> tuple[float, float]:
        """Return the shares of a cell's content that move on and back in one step, before the injection point."""
        load = sum(map(sum, self.before[:4])) / self._nominal_before_kg
        return self._shares(load, self.truth.cells_before / self.truth.inlet_to_injection_s)

    def forward_after(self) -> tuple[float, float]:
        """Return the same for the cells after the injection point. Rubber does not count: the mix moves as it would."""
        load = sum(map(sum, self.after[:4])) / self._nominal_after_kg
        return self._shares(load, self.truth.cells_after / self.truth.injection_to_outlet_s)

    def _shares(self, load: float, cells_per_s: float) -> tuple[float, float]:
        pace = 1.0 + self.truth.load_effect * (min(1.5, load) - 1.0)
        net = cells_per_s * pace * self.speed_share * self._dt
        forward = min(0.7, net * (1.0 + self.truth.back_mixing))
        return forward, min(0.25, net * self.truth.back_mixing)

    def take_inlet(self, dry_kg: float, water_kg: float, said_kg: float) -> None:
        """Let virgin material fall in at the inlet."""
        before = self.before
        before[VIRGIN][0] += dry_kg
        before[WATER][0] += water_kg
        before[SAID_VIRGIN][0] += said_kg

    def take_collar(self, dry_kg: float, water_kg: float, said_kg: float, binder_share: float) -> None:
        """Let recycle fall in at the collar; `binder_share` of its dry mass is binder."""
        cell, before = self.collar_cell, self.before
        before[CARRIED][cell] += dry_kg * binder_share
        before[RECYCLE][cell] += dry_kg - dry_kg * binder_share
        before[WATER][cell] += water_kg
        before[SAID_RECYCLE][cell] += said_kg

    def step_before(self) -> list[float]:
        """Dry and move the cells before the injection point; return what passes it, by component [kg]."""
        if self.speed_share <= 0.0:
            return [0.0] * 6
        forward, back = self.forward_before()
        passed = [0.0] * 6
        for component in range(6):
            self.before[component], passed[component] = advance(self.before[component], forward, back)
        dried = min(1.0, self._dt / max(self.truth.evaporation_s, self._dt))
        water = self.before[WATER]
        lost = [kg * dried for kg in water]
        self.before[WATER] = [kg - gone for kg, gone in zip(water, lost, strict=True)]
        self.evaporated_kg += sum(lost) + passed[WATER]
        passed[WATER] = 0.0
        return passed

    def step_after(self) -> list[float]:
        """Move the cells after the injection point; return what leaves the drum, by component [kg]."""
        if self.speed_share <= 0.0:
            return [0.0] * 8
        forward, back = self.forward_after()
        left = [0.0] * 8
        for component in range(8):
            self.after[component], left[component] = advance(self.after[component], forward, back)
        return left

    def inject(self, masses_kg: list[float]) -> None:
        """Put masses (by component after the injection point) into the injection cell."""
        for row, kg in zip(self.after, masses_kg, strict=True):
            row[0] += kg

    def ahead(self, seconds: float, dry_kg_s: list[float], rows: list[Row] | None = None) -> list[float]:
        """Say what will pass the injection point [kg/s, by component] `seconds` from now if nothing changes.

        Args:
            seconds: [s] How far ahead.
            dry_kg_s: [kg/s] What falls in at present, by component, the recycle at its collar.
            rows: [kg] Cells before the injection point; all that is in the drum unless given.
        """
        if self.speed_share <= 0.0:
            return [0.0] * 6
        forward, back = self.forward_before()
        passed = [0.0] * 6
        for component in (VIRGIN, RECYCLE, CARRIED):
            cell = 0 if component == VIRGIN else self.collar_cell
            row = (rows or self.before)[component]
            for _ in range(max(1, round(seconds / self._dt))):
                row, passed[component] = advance(row, forward, back)
                row[cell] += dry_kg_s[component] * self._dt
        return [kg / self._dt for kg in passed]
