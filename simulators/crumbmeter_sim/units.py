"""The simulator's own unit table: a second opinion on the daemon's, so that one wrong factor cannot hide in both.

Factors follow NIST SP 811 (2008), appendix B.8, written out as numbers rather than derived from each other.
"""

FACTORS: dict[str, tuple[float, float]] = {
    # code: (factor, offset); si = factor * value + offset
    "kg": (1.0, 0.0),
    "kg/s": (1.0, 0.0),
    "kg/min": (1.6666666666666666e-02, 0.0),
    "kg/h": (2.777777777777778e-04, 0.0),
    "g": (1e-3, 0.0),
    "g/s": (1e-3, 0.0),
    "g/min": (1.6666666666666667e-05, 0.0),
    "g/h": (2.7777777777777776e-07, 0.0),
    "lb": (0.45359237, 0.0),
    "lb/s": (0.45359237, 0.0),
    "lb/min": (7.559872833333333e-03, 0.0),
    "lb/h": (1.2599788055555556e-04, 0.0),
    "short_ton": (907.18474, 0.0),
    "short_ton/s": (907.18474, 0.0),
    "short_ton/min": (15.119745666666667, 0.0),
    "short_ton/h": (0.25199576111111111, 0.0),
    "long_ton": (1016.0469088, 0.0),
    "long_ton/s": (1016.0469088, 0.0),
    "long_ton/min": (16.934115146666667, 0.0),
    "long_ton/h": (0.28223525244444444, 0.0),
    "tonne": (1000.0, 0.0),
    "tonne/s": (1000.0, 0.0),
    "tonne/min": (16.666666666666668, 0.0),
    "tonne/h": (0.27777777777777778, 0.0),
    "m3/s": (1.0, 0.0),
    "m3/h": (2.777777777777778e-04, 0.0),
    "L/min": (1.6666666666666667e-05, 0.0),
    "gal_us/min": (6.30901964e-05, 0.0),
    "m": (1.0, 0.0),
    "mm": (1e-3, 0.0),
    "ft": (0.3048, 0.0),
    "in": (0.0254, 0.0),
    "m/s": (1.0, 0.0),
    "m/min": (1.6666666666666666e-02, 0.0),
    "ft/min": (5.08e-03, 0.0),
    "rev/s": (1.0, 0.0),
    "rpm": (1.6666666666666666e-02, 0.0),
    "Pa": (1.0, 0.0),
    "kPa": (1e3, 0.0),
    "bar": (1e5, 0.0),
    "mbar": (1e2, 0.0),
    "psi": (6894.757293168361, 0.0),
    "degC": (1.0, 0.0),
    "degF": (0.5555555555555556, -17.77777777777778),
    "percent": (0.01, 0.0),
    "fraction": (1.0, 0.0),
    "s": (1.0, 0.0),
    "min": (60.0, 0.0),
    "A": (1.0, 0.0),
    "mA": (1e-3, 0.0),
    "count": (1.0, 0.0),
    "contact": (1.0, 0.0),
}


def to_si(code: str, value: float) -> float:
    """Convert `value` in unit `code` to SI (temperature: degC)."""
    factor, offset = FACTORS[code]
    return factor * value + offset


def from_si(code: str, si_value: float) -> float:
    """Convert an SI value (temperature: degC) to unit `code`."""
    factor, offset = FACTORS[code]
    return (si_value - offset) / factor
