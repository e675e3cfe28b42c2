"""Planning against published figures and definitions; the source stands beside each."""

import math

import pytest

from crumbmeter.model.units import POUND_KG, SHORT_TON_KG, UNITS
from crumbmeter.planning.electric import Load, current
from crumbmeter.planning.pressure import blower_power, drag, friction_factor, terminal_velocity, viscosity
from crumbmeter.planning.rubber import Bags, JobMix, Rates, hours, needs
from crumbmeter.process.params import DoseBasis


def mix(basis: DoseBasis, dose: float, binder: float = 0.05, recycle: float = 0.0, carried: float = 0.0) -> JobMix:
    return JobMix("m", "M", 300.0 * SHORT_TON_KG, basis, dose, binder, recycle, carried)


def test_half_a_percent_of_300_short_ton_an_hour() -> None:
    """check-values.md section 3: 1.5 short ton/h = 3000 lb/h = 50.00 lb/min; section 13: a bag of 2000 lb in 40 min."""
    rate_kg_s = UNITS["short_ton/h"].to_si(300.0)
    (hour, _, _) = hours((mix(DoseBasis.TOTAL_MIX, 0.005),), Rates(rate_kg_s, rate_kg_s, rate_kg_s, 3600.0))
    assert hour.rubber_kg_s * 60.0 / POUND_KG == pytest.approx(50.0, rel=1e-12)
    assert 2000.0 * POUND_KG / hour.rubber_kg_s == pytest.approx(2400.0, rel=1e-12)


def test_the_same_in_tonnes() -> None:
    """check-values.md section 3: 0.5 % of 300 t/h is 25.00 kg/min."""
    rate_kg_s = UNITS["tonne/h"].to_si(300.0)
    (hour, _, _) = hours((mix(DoseBasis.TOTAL_MIX, 0.005),), Rates(rate_kg_s, rate_kg_s, rate_kg_s, 3600.0))
    assert hour.rubber_kg_s * 60.0 == pytest.approx(25.0, rel=1e-12)


@pytest.mark.parametrize(
    ("job_mix", "lb_per_short_ton"),
    [
        (mix(DoseBasis.TOTAL_BINDER, 0.10), 10.0),
        (mix(DoseBasis.BINDER_RUBBER_BLEND, 0.10), 11.11),
        (mix(DoseBasis.VIRGIN_BINDER, 0.10, 0.05, 0.232, 0.05), 7.68),
        (mix(DoseBasis.DRY_AGGREGATE, 0.01), 19.0),
    ],
)
def test_doses_of_the_bases(job_mix: JobMix, lb_per_short_ton: float) -> None:
    """check-values.md section 3: pounds per short ton of mix without the rubber."""
    assert job_mix.rubber_ratio * 2000.0 == pytest.approx(lb_per_short_ton, abs=0.005)


def test_binder_of_the_proportions_of_a_navy_manual() -> None:
    """US Navy training manual 14080: 800 ton of mix at 6 % of bitumen take 48.0 ton of it."""
    plain = JobMix("m", "M", 800.0, DoseBasis.TOTAL_MIX, 0.0, 0.06)
    assert plain.mass_kg * plain.virgin_binder_share == pytest.approx(48.0, rel=1e-12)


def test_binder_replacement() -> None:
    """check-values.md section 3: 20 % at 5.0 % and 3 % at 24.0 % in 5.5 %: 31.27 %, virgin binder 3.78 % of the mix."""
    job_mix = mix(DoseBasis.TOTAL_MIX, 0.0, 0.055, 0.23, (0.20 * 0.05 + 0.03 * 0.24) / 0.23)
    assert job_mix.parts.binder_replacement == pytest.approx(0.3127, abs=5e-5)
    assert job_mix.virgin_binder_share == pytest.approx(0.0378, abs=5e-5)


def test_bags_of_a_short_ton() -> None:
    """300 short ton at 10 lb take 3000 lb: two bags of 2000 lb; with a third of waste exactly two are full."""
    rates = Rates(1.0, 1.0, 1.0, 3600.0)
    for waste in (0.0, 1.0 / 3.0):
        bags = Bags(2000.0 * POUND_KG, 20, 0, None, waste)
        assert needs((mix(DoseBasis.TOTAL_MIX, 0.005),), rates, bags).bags == 2


def test_three_phase_power_as_defined() -> None:
    """P = sqrt(3) U I cos(phi), U between phases (IEC 60050-141; the definition)."""
    power_w = math.sqrt(3.0) * 400.0 * 10.0 * 0.8
    assert Load("x", power_w, 400.0, 3, 0.8, 1.0).current_a == pytest.approx(10.0, rel=1e-12)
    assert Load("x", 230.0 * 10.0 * 0.8, 230.0, 1, 0.8, 1.0).current_a == pytest.approx(10.0, rel=1e-12)


@pytest.mark.parametrize(("kva", "volt", "ampere"), [(45.0, 208.0, 124.9), (75.0, 480.0, 90.2), (112.5, 480.0, 135.3)])
def test_full_load_currents_of_transformers(kva: float, volt: float, ampere: float) -> None:
    """Of three-phase transformers, as makers' tables give them (from memory)."""
    assert current(kva * 1000.0, volt, 3) == pytest.approx(ampere, abs=0.1)


def test_viscosity_of_the_standard_atmosphere() -> None:
    """ISO 2533: 1.7894e-5 Pa s at 288.15 K (from memory)."""
    assert viscosity(288.15) == pytest.approx(1.7894e-5, rel=1e-4)


@pytest.mark.parametrize("reynolds", [1e4, 1e5, 1e6])
@pytest.mark.parametrize("roughness", [1e-5, 5e-4, 5e-3])
def test_haaland_is_within_two_percent_of_colebrook(reynolds: float, roughness: float) -> None:
    """Haaland, J. Fluids Eng. 105 (1983) 89 says so (from memory); Colebrook's equation is solved here."""
    factor = 0.02
    for _ in range(100):
        factor = (-2.0 * math.log10(roughness / 3.7 + 2.51 / (reynolds * math.sqrt(factor)))) ** -2
    assert friction_factor(reynolds, roughness) == pytest.approx(factor, rel=0.02)


@pytest.mark.parametrize(("reynolds", "drag_coefficient"), [(0.1, 244.0), (1.0, 27.2), (100.0, 1.09), (1e4, 0.42)])
def test_drag_of_a_sphere(reynolds: float, drag_coefficient: float) -> None:
    """Points of the standard drag curve (from memory): Schiller and Naumann lie within some 5 % of it."""
    assert drag(reynolds) == pytest.approx(drag_coefficient, rel=0.06)


def test_terminal_velocity_in_water() -> None:
    """70 um of 2600 kg/m3 in water: 4.1425 mm/s by the library `fluids` (computation.md section 4), other drag law."""
    assert terminal_velocity(70e-6, 2600.0, 1000.0, 1e-3) == pytest.approx(0.0041425, rel=0.05)


def test_blower_at_constant_volume() -> None:
    """P = V dp / efficiency (computation.md section 4): 0.3 m3/s by 20 kPa at 60 % take 10 kW."""
    assert blower_power(0.3, 20_000.0, 0.6) == pytest.approx(10_000.0, rel=1e-12)
