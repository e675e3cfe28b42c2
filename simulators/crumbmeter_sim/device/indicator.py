"""The weighing indicator: what stands between the load cells and the register, and all that can change there.

`gross = load - zero`, `value = gross - tare`. Zero, tare, decimal point and calibration are changed by people and by
power cuts; each change is counted, so that whoever looks at the counts can know.
"""

from collections import deque
from dataclasses import dataclass

MOTION, NET, OVER, UNDER, CENTRE_OF_ZERO, FAULT, SETUP = (1 << bit for bit in range(7))
"""Bits of the status word."""


@dataclass(frozen=True, slots=True)
class IndicatorTruth:
    """How the indicator is set up."""

    capacity_kg: float = 300.0
    """Above this it says over range; 2 % below empty it says under range."""
    decimal_point: int = 2
    """Digits after the point in `counts` [kg]."""
    motion_kg: float = 1.0
    """A change by more than this within a second is motion."""
    beat_s: float = 1.0
    """Period of its heartbeat counter."""


class Indicator:
    """Masses in kg."""

    def __init__(self, truth: IndicatorTruth, step_s: float, load_kg: float = 0.0) -> None:
        self.truth = truth
        self.decimal_point = truth.decimal_point
        self.load_kg = load_kg
        self.zero_kg = 0.0
        self.tare_kg = 0.0
        self.net_mode = False
        self.setup = False
        self.cell_lost = False
        self.powered = True
        self.beating = True
        self.zero_changes = self.tare_changes = self.calibration_changes = 0
        self._dt = step_s
        self._beat_age_s = 0.0
        self.beats = 0
        self._second: deque[float] = deque(maxlen=max(2, round(1.0 / step_s)))

    @property
    def gross_kg(self) -> float | None:
        """[kg] Gross mass; None without load cells."""
        return None if self.cell_lost else self.load_kg - self.zero_kg

    @property
    def value_kg(self) -> float | None:
        """[kg] What the display shows: net where a tare is active, else gross."""
        gross_kg = self.gross_kg
        return gross_kg if gross_kg is None or not self.net_mode else gross_kg - self.tare_kg

    @property
    def counts(self) -> float | None:
        """Value as a whole number; the decimal point says of what."""
        value_kg = self.value_kg
        return None if value_kg is None else float(round(value_kg * 10**self.decimal_point))

    @property
    def motion(self) -> bool:
        """Whether the load changes too fast to be read."""
        return bool(self._second) and max(self._second) - min(self._second) > self.truth.motion_kg

    @property
    def over_range(self) -> bool:
        """Whether more lies on it than it weighs."""
        return self.load_kg > self.truth.capacity_kg

    @property
    def under_range(self) -> bool:
        """Whether it is pulled up by more than 2 % of its capacity."""
        return self.load_kg < -0.02 * self.truth.capacity_kg

    @property
    def state(self) -> str:
        """What makes its weight worth nothing, or doubtful; empty while all is well."""
        if self.cell_lost:
            return "sensor failure"
        if self.setup:
            return "out of service"
        return "range exceeded" if self.over_range or self.under_range else ""

    @property
    def status(self) -> int:
        """All of it in one word."""
        zero = self.gross_kg is not None and abs(self.gross_kg) < 0.25 * 10.0**-self.decimal_point
        flags = (
            (MOTION, self.motion),
            (NET, self.net_mode),
            (OVER, self.over_range),
            (UNDER, self.under_range),
            (CENTRE_OF_ZERO, zero),
            (FAULT, self.cell_lost),
            (SETUP, self.setup),
        )
        return sum(bit for bit, on in flags if on)

    def step(self, load_kg: float) -> None:
        """Take the load [kg] of one step."""
        if not self.powered:
            return
        self.load_kg = load_kg
        self._second.append(load_kg)
        self._beat_age_s += self._dt
        if self.beating and self._beat_age_s >= self.truth.beat_s - 1e-9:
            self._beat_age_s = 0.0
            self.beats = (self.beats + 1) % 0x10000

    def tare(self, kg: float | None = None) -> None:
        """Tare: take the present gross, or so many [kg], off what is shown."""
        gross_kg = self.gross_kg
        self.tare_kg = kg if kg is not None else (gross_kg or 0.0)
        self.net_mode = True
        self.tare_changes += 1

    def clear_tare(self) -> None:
        """Show gross again."""
        self.tare_kg, self.net_mode = 0.0, False
        self.tare_changes += 1

    def shift_zero(self, kg: float) -> None:
        """Move the zero by so many kg."""
        self.zero_kg += kg
        self.zero_changes += 1

    def leave_setup(self) -> None:
        """End the set-up mode; whoever was in it may have calibrated."""
        self.setup = False
        self.calibration_changes += 1

    def power(self, *, on: bool, tared: bool = False) -> None:
        """Lose power, or come back: with the tare forgotten, or tared at what lies on it now."""
        self.powered = on
        if not on:
            return
        self._second.clear()
        self.beats, self._beat_age_s = 0, 0.0
        if tared:
            self.tare()
            self.tare_changes -= 1  # it did that by itself, and keeps no count of it
