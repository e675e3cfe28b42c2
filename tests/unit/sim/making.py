"""Small rigs and banks for the simulator's own tests."""

from pathlib import Path
from typing import Any

from crumbmeter_sim.bank import Bank, Source
from crumbmeter_sim.codec import Register
from crumbmeter_sim.plantfile import PlantTruth, load_plant
from crumbmeter_sim.profile import Profile
from crumbmeter_sim.rig import Rig

ROOT = Path(__file__).resolve().parents[3]
PLANTS = ROOT / "config" / "plants"
SCENARIOS = ROOT / "config" / "scenarios"
DEMO = PLANTS / "demo_drum.toml"

STILL = {
    "belt.0.variation_percent": 0.0,
    "belt.0.ripple_percent": 0.0,
    "belt.1.variation_percent": 0.0,
    "belt.1.ripple_percent": 0.0,
    "belt.0.scale.noise_percent": 0.0,
    "belt.1.scale.noise_percent": 0.0,
}
"""Overrides that take the chance out of the cold feed."""


def demo(**overrides: Any) -> PlantTruth:
    """Return the demonstration plant; `belt__0__moisture_percent=5` overrides a value."""
    return load_plant(DEMO, {key.replace("__", "."): value for key, value in overrides.items()})


def rig(**overrides: Any) -> Rig:
    """Return a rig on which nothing happens by itself."""
    return Rig.from_plant(DEMO, overrides={key.replace("__", "."): value for key, value in overrides.items()})


def feeding(the_rig: Rig, rpm: float) -> None:
    """Let blower, airlock and auger run."""
    feeder = the_rig.plant.feeder
    feeder.run = feeder.airlock_run = the_rig.plant.line.blower_run = True
    feeder.speed_setpoint_rev_s = rpm / 60.0


def bank_of(words: dict[tuple[str, int], int], *, writable: bool = False) -> Bank:
    """Return a bank whose addresses hold the given raw words."""
    registers = {
        f"{table}_{address}": Register(
            f"{table}_{address}", table, address, "bit" if table in ("coil", "discrete") else "u16", writable=writable
        )
        for table, address in words
    }
    sources = {f"{table}_{address}": _constant(value) for (table, address), value in words.items()}
    return Bank(Profile("made", registers, 125, 2000), {} if writable else sources, {})


def _constant(value: int) -> Source:
    return lambda: float(value)
