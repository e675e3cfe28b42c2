"""The closed list of units (REQ-28). Inside everything is SI; these convert at the edges.

Sources: NIST SP 811 (2008) appendix B.8 for the factors; the pound is exact (0.453 592 37 kg, 1959 agreement).
A bare "ton" is refused: `short_ton` is 2000 lb, `tonne` is 1000 kg, `long_ton` is 2240 lb.
"""

from crumbmeter.model.frozen import dataclass

POUND_KG = 0.45359237
SHORT_TON_KG = 2000.0 * POUND_KG
LONG_TON_KG = 2240.0 * POUND_KG
TONNE_KG = 1000.0
US_GALLON_M3 = 3.785411784e-3
PSI_PA = 6894.757293168361
INCH_M = 0.0254
FOOT_M = 0.3048


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit: `si = factor * value + offset`."""

    code: str
    dimension: str
    factor: float
    offset: float = 0.0

    def to_si(self, value: float) -> float:
        """Convert a value in this unit to SI."""
        return value * self.factor + self.offset

    def from_si(self, si_value: float) -> float:
        """Convert an SI value to this unit."""
        return (si_value - self.offset) / self.factor


def _with_rates(code: str, kg: float) -> list[Unit]:
    return [
        Unit(code, "mass", kg),
        Unit(f"{code}/h", "mass_flow", kg / 3600.0),
        Unit(f"{code}/min", "mass_flow", kg / 60.0),
        Unit(f"{code}/s", "mass_flow", kg),
    ]


_ALL: list[Unit] = [
    *_with_rates("kg", 1.0),
    *_with_rates("g", 0.001),
    *_with_rates("lb", POUND_KG),
    *_with_rates("short_ton", SHORT_TON_KG),
    *_with_rates("long_ton", LONG_TON_KG),
    *_with_rates("tonne", TONNE_KG),
    Unit("m3/s", "volume_flow", 1.0),
    Unit("m3/h", "volume_flow", 1.0 / 3600.0),
    Unit("L/min", "volume_flow", 1e-3 / 60.0),
    Unit("gal_us/min", "volume_flow", US_GALLON_M3 / 60.0),
    Unit("m", "length", 1.0),
    Unit("mm", "length", 1e-3),
    Unit("ft", "length", FOOT_M),
    Unit("in", "length", INCH_M),
    Unit("m/s", "speed", 1.0),
    Unit("m/min", "speed", 1.0 / 60.0),
    Unit("ft/min", "speed", FOOT_M / 60.0),
    Unit("rev/s", "rotation", 1.0),
    Unit("rpm", "rotation", 1.0 / 60.0),
    Unit("Pa", "pressure", 1.0),
    Unit("kPa", "pressure", 1e3),
    Unit("bar", "pressure", 1e5),
    Unit("mbar", "pressure", 1e2),
    Unit("psi", "pressure", PSI_PA),
    Unit("degC", "temperature", 1.0),
    Unit("degF", "temperature", 5.0 / 9.0, -32.0 * 5.0 / 9.0),
    Unit("percent", "share", 0.01),
    Unit("fraction", "share", 1.0),
    Unit("s", "time", 1.0),
    Unit("min", "time", 60.0),
    Unit("A", "current", 1.0),
    Unit("mA", "current", 1e-3),
    Unit("count", "count", 1.0),
    Unit("contact", "contact", 1.0),
]

UNITS: dict[str, Unit] = {unit.code: unit for unit in _ALL}
"""By code. Temperature in degC is the one inner unit that is not SI (said so in every record)."""
