"""Every unit against its exact definition, there and back (REQ-28). The numbers are typed here anew.

Sources: NIST SP 811 (2008), appendix B.8 and B.9; the pound is exact since 1959 (0.453 592 37 kg), the inch since 1959
(25.4 mm), the US gallon is 231 cubic inches, standard gravity is 9.806 65 m/s2 (CGPM 1901). Exact, by fractions.
"""

from fractions import Fraction

import pytest

from crumbmeter.model.units import UNITS

POUND = Fraction("0.45359237")
INCH = Fraction("0.0254")
GALLON = 231 * INCH**3
PSI = POUND * Fraction("9.80665") / INCH**2
MASSES = {
    "kg": Fraction(1),
    "g": Fraction(1, 1000),
    "lb": POUND,
    "short_ton": 2000 * POUND,
    "long_ton": 2240 * POUND,
    "tonne": Fraction(1000),
}
EXACT: dict[str, tuple[Fraction, Fraction]] = {
    code: (factor, Fraction(0))
    for code, factor in {
        **MASSES,
        **{f"{mass}/h": factor / 3600 for mass, factor in MASSES.items()},
        **{f"{mass}/min": factor / 60 for mass, factor in MASSES.items()},
        **{f"{mass}/s": factor for mass, factor in MASSES.items()},
        "m3/s": Fraction(1),
        "m3/h": Fraction(1, 3600),
        "L/min": Fraction(1, 60000),
        "gal_us/min": GALLON / 60,
        "m": Fraction(1),
        "mm": Fraction(1, 1000),
        "ft": 12 * INCH,
        "in": INCH,
        "m/s": Fraction(1),
        "m/min": Fraction(1, 60),
        "ft/min": 12 * INCH / 60,
        "rev/s": Fraction(1),
        "rpm": Fraction(1, 60),
        "Pa": Fraction(1),
        "kPa": Fraction(1000),
        "bar": Fraction(100_000),
        "mbar": Fraction(100),
        "psi": PSI,
        "degC": Fraction(1),
        "percent": Fraction(1, 100),
        "fraction": Fraction(1),
        "s": Fraction(1),
        "min": Fraction(60),
        "A": Fraction(1),
        "mA": Fraction(1, 1000),
        "count": Fraction(1),
        "contact": Fraction(1),
    }.items()
}
EXACT["degF"] = (Fraction(5, 9), Fraction(-160, 9))
"""SI value = factor * value + offset; temperature to degC (SP 811, B.9: t/degC = (t/degF - 32)/1.8)."""


def test_the_list_is_closed_and_every_unit_of_it_is_checked() -> None:
    assert set(UNITS) == set(EXACT)


@pytest.mark.parametrize("code", sorted(EXACT))
@pytest.mark.parametrize("value", [0.0, 1.0, -40.0, 123.456, 9.87e6])
def test_to_si_and_back(code: str, value: float) -> None:
    factor, offset = EXACT[code]
    exact = factor * Fraction(value) + offset
    unit = UNITS[code]
    scale = max(abs(exact), abs(offset), abs(factor * Fraction(value)))
    assert abs(Fraction(unit.to_si(value)) - exact) <= scale * Fraction(1, 2**50)
    back = unit.from_si(unit.to_si(value))
    assert abs(back - value) <= float(scale / factor) * 2.0**-50


def test_published_factors() -> None:
    # NIST SP 811, appendix B.8, to the digits that it prints.
    assert UNITS["short_ton"].factor == pytest.approx(907.1847, abs=5e-5)
    assert UNITS["long_ton"].factor == pytest.approx(1016.047, abs=5e-4)
    assert UNITS["psi"].factor == pytest.approx(6894.757, abs=5e-4)
    assert UNITS["gal_us/min"].factor == pytest.approx(6.309020e-5, abs=5e-12)
    assert UNITS["lb/min"].factor == pytest.approx(7.559873e-3, abs=5e-10)
    assert UNITS["lb/h"].factor == pytest.approx(1.259979e-4, abs=5e-11)
    assert UNITS["short_ton/h"].factor == pytest.approx(0.2519958, abs=5e-8)
    assert UNITS["ft/min"].factor == pytest.approx(5.08e-3, abs=1e-18)
    assert UNITS["rpm"].factor * 60 == pytest.approx(1.0)


@pytest.mark.parametrize("code", ["ton", "tons", "t", "ton/h", "t/h", "T", "gal", "gpm", "gal/min", "F", "%"])
def test_what_could_be_two_things_is_no_unit(code: str) -> None:
    assert code not in UNITS
