"""How a job's plan shows its figures: SI into the units that its job file asks for."""

from dataclasses import dataclass
from typing import Final

from crumbmeter.model.units import UNITS
from crumbmeter.report.figures import shown, unit_words

US: Final = {
    "tons": "short_ton", "ton_rate": "short_ton/h", "small": "lb", "small_hour": "lb/h", "small_min": "lb/min",
    "velocity": "ft/min", "pressure": "psi", "length": "ft", "factor": "lb",
}  # fmt: skip
METRIC: Final = {
    "tons": "tonne", "ton_rate": "tonne/h", "small": "kg", "small_hour": "kg/h", "small_min": "kg/min",
    "velocity": "m/s", "pressure": "kPa", "length": "m", "factor": "kg",
}  # fmt: skip
FIXED: Final = {
    "speed": "rpm", "seconds": "s", "minutes": "min", "share": "percent", "power": "kW", "current": "A",
}  # fmt: skip
FACTORS: Final = {"kW": 1000.0}
"""Of units that no register has."""


@dataclass(frozen=True, slots=True)
class Figures:
    """Units of one plan."""

    us: bool
    currency: str = ""

    def unit(self, dimension: str) -> str:
        """Return the code of a dimension's unit; empty: a bare number."""
        return FIXED.get(dimension, "") or (US if self.us else METRIC).get(dimension, "")

    def value(self, dimension: str, si: float | None) -> float | None:
        """Return a value in the plan's unit."""
        if si is None:
            return None
        code = self.unit(dimension)
        if code in FACTORS:
            return si / FACTORS[code]
        return UNITS[code].from_si(si) if code else si

    def per_ton(self, money_per_kg: float | None) -> float | None:
        """Return the money for a ton of what costs so much a kilogram."""
        return None if money_per_kg is None else money_per_kg * UNITS[self.unit("tons")].factor

    @property
    def money(self) -> str:
        """Return the unit of a price by the ton."""
        return f"{self.currency}/{self.unit('tons')}"

    def text(self, dimension: str, si: float | None, decimals: int) -> str:
        """Return value and unit as people read them; empty where it is not known."""
        if si is None:
            return ""
        if dimension == "money":
            return f"{shown(self.per_ton(si), decimals)} {unit_words(self.money)}"
        return f"{shown(self.value(dimension, si), decimals)} {unit_words(self.unit(dimension))}".rstrip()
