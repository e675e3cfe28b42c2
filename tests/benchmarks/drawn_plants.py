"""Plants that nobody has tuned anything for, each drawn by a number, with the site file that an integrator would write.

A draw begins at one of the two plants that the core was tuned on and changes what differs from plant to plant: size,
dose, travel, dispersion, feeder, rubber, noise. The site file states what can be read off a plate, measured with a tape
or found in an hour of production, with errors of the size that the two plants' own site files have; of walk, packing,
pulsation and back-mixing it hears nothing, as theirs do not. No other plant file is read here.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any

from crumbmeter.site.editing import Value, with_values
from crumbmeter_sim.plantfile import MixTruth, PlantTruth, load_plant
from tests.benchmarks.section import ROOT

BASES = ("demo_drum", "small_drum")
"""In turn: an odd number begins at the first, an even one at the second."""
KG_S = 0.90718474 / 3.6
"""[kg/s] One short ton an hour."""
LB = 0.45359237
"""[kg] One pound."""
AIR_AS_BUILT_S = 25.0
"""[s] What the site has of the air's decay where a recorded hour told too little to enter one."""

Key = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Drawn:
    """A plant and its site file, as differences from their base."""

    number: int
    base: str
    truth: Mapping[str, float]
    """By dotted path of the plant file."""
    believed: Mapping[Key, Value]
    """By path of the site file."""
    rate_factor: float
    """The scenarios' rates times this are the plant's."""
    span_kg: float
    """[kg] One fill of the weigh hopper."""

    @property
    def plant(self) -> Path:
        """The plant file that it begins at."""
        return ROOT / "config" / "plants" / f"{self.base}.toml"

    def site_text(self) -> str:
        """Write the site file."""
        text = (ROOT / "config" / "sites" / f"{self.base}.toml").read_text("utf-8")
        return with_values(text, self.believed)

    def in_scenario(self, changes: Mapping[str, Any]) -> dict[str, Any]:
        """Return the plant's values in a scenario; what that one changes in kg is brought to this plant's hopper."""
        low_kg, base = self.truth["hopper.low_kg"], load_plant(ROOT / "config" / "plants" / "demo_drum.toml").hopper
        fill_kg = base.high_kg - base.low_kg
        found = dict(self.truth)
        if "hopper.start_kg" in changes:
            found["hopper.start_kg"] = low_kg + (changes["hopper.start_kg"] - base.low_kg) / fill_kg * self.span_kg
        supply = {key: kg / fill_kg * self.span_kg for key, kg in changes.items() if key in _SUPPLY}
        if supply:
            supply["supply.low_kg"] = 200.0 / fill_kg * self.span_kg
        return found | supply


_SUPPLY = ("supply.capacity_kg", "supply.start_kg", "supply.start_bag_kg")


def draw(number: int) -> Drawn:
    """Draw a plant. The same number gives the same plant."""
    base = BASES[(number - 1) % 2]
    truth = load_plant(ROOT / "config" / "plants" / f"{base}.toml")
    random = Random(f"a plant that nobody has seen/{number}")
    true: dict[str, float] = {}
    believed: dict[Key, Value] = {}
    size, dose = random.uniform(0.65, 1.35), random.uniform(0.7, 1.4)
    true["nominal.mix_short_ton_h"] = round(truth.nominal.mix_short_ton_h * size, 1)
    true["nominal.recycle_percent"] = round(random.uniform(8.0, 28.0), 1)
    for name, mix in truth.mixes.items():
        true[f"mixes.{name}.dose_percent"] = round(mix.dose_percent * dose, 3)
    flow_kg_s = true["nominal.mix_short_ton_h"] * KG_S * true[f"mixes.{truth.nominal.mix}.dose_percent"] / 100.0
    _mixes(truth.mixes, base, true, believed)
    _streams(truth, random, true, believed)
    _drum_and_line(truth, random, true, believed)
    span_kg = _hopper(truth, random, flow_kg_s, true, believed)
    _auger(truth, random, flow_kg_s, true, believed)
    return Drawn(number, base, true, believed, true["nominal.mix_short_ton_h"] / 250.0, span_kg)


def _mixes(mixes: Mapping[str, MixTruth], base: str, true: dict[str, float], believed: dict[Key, Value]) -> None:
    for name in mixes:
        percent = true[f"mixes.{name}.dose_percent"]
        if percent > 0.0:
            in_pounds = name.startswith("surface")  # as both site files have it
            key, value = ("dose_lb_per_short_ton", 20.0 * percent) if in_pounds else ("dose_percent", percent)
            believed["mixes", name, key] = round(value, 4)
    believed["site", "title"] = f"A drawn plant, begun at {base} (invented)"


def _streams(truth: PlantTruth, random: Random, true: dict[str, float], believed: dict[Key, Value]) -> None:
    share = true["nominal.recycle_percent"] / 100.0
    for place, belt in enumerate(truth.belt):
        at, stream = f"belt.{place}", "rap" if belt.kind == "recycle" else "aggregate"
        travel = ("streams", stream, "travel")
        length_m, speed_m_s = (
            belt.scale_to_drum_m * random.uniform(0.6, 1.5),
            belt.speed_m_s * random.uniform(0.8, 1.25),
        )
        filter_s = random.choice((0.5, 1.0, 1.5, 2.0))
        moisture = max(1.0, belt.moisture_percent + random.uniform(-1.5, 1.5))
        entered = round(moisture + random.uniform(-0.2, 0.2), 1)
        part = share if belt.kind == "recycle" else 0.95 - share  # the rest is binder
        true |= {
            f"{at}.scale_to_drum_m": round(length_m, 2),
            f"{at}.gate_to_scale_m": round(belt.gate_to_scale_m * random.uniform(0.7, 1.4), 2),
            f"{at}.speed_m_s": round(speed_m_s, 3),
            f"{at}.gate_lag_s": round(belt.gate_lag_s * random.uniform(0.6, 1.5), 2),
            f"{at}.variation_percent": round(random.uniform(0.8, 2.5), 2),
            f"{at}.variation_time_s": round(random.uniform(12.0, 40.0), 1),
            f"{at}.moisture_percent": round(moisture, 2),
            f"{at}.scale.entered_moisture_percent": entered,
            f"{at}.scale.gain_error_percent": round(random.uniform(-0.3, 0.3), 3),
            f"{at}.scale.noise_percent": round(random.uniform(0.7, 1.8), 2),
            f"{at}.scale.filter_s": filter_s,
        }
        believed |= {
            ("streams", stream, "moisture_percent"): entered,
            ("streams", stream, "normal_flow"): round(
                true["nominal.mix_short_ton_h"] * part * (1.0 + entered / 100.0), 1
            ),
            (*travel, "belt_length_m"): round(length_m * random.uniform(0.985, 1.005), 1),
            (*travel, "nominal_belt_speed_m_s"): round(speed_m_s, 2),
            (*travel, "scale_filter_s"): filter_s,
        }


def _drum_and_line(truth: PlantTruth, random: Random, true: dict[str, float], believed: dict[Key, Value]) -> None:
    drum = truth.drum
    before_s = drum.inlet_to_injection_s * random.uniform(0.65, 1.5)
    collar_s = max(2.5, before_s * drum.collar_to_injection_s / drum.inlet_to_injection_s * random.uniform(0.5, 1.5))
    after_s, back = drum.injection_to_outlet_s * random.uniform(0.65, 1.5), random.uniform(0.1, 0.45)
    cells, behind = random.randint(18, 36), random.randint(18, 36)
    load = random.uniform(0.03, 0.16)
    true |= {
        "drum.inlet_to_injection_s": round(before_s, 1), "drum.collar_to_injection_s": round(collar_s, 1),
        "drum.injection_to_outlet_s": round(after_s, 1), "drum.cells_before": cells, "drum.cells_after": behind,
        "drum.back_mixing": round(back, 3), "drum.load_effect": round(load, 3),
    }  # fmt: skip

    def stages(part: float) -> int:
        return max(1, round(part / (1.0 + 2.0 * back) * random.uniform(0.8, 1.2)))

    for belt in truth.belt:
        place = truth.belt.index(belt)
        stream = "rap" if belt.kind == "recycle" else "aggregate"
        way_s, travel = (collar_s if belt.kind == "recycle" else before_s), ("streams", stream, "travel")
        on_belt_s = true[f"belt.{place}.scale_to_drum_m"] / true[f"belt.{place}.speed_m_s"]
        belt_s, drum_s = round(on_belt_s * random.uniform(0.93, 0.98), 1), round(way_s * random.uniform(0.92, 0.98), 1)
        true |= {f"binder.belt_delay_s.{belt.name}": belt_s, f"binder.drum_delay_s.{belt.name}": drum_s}
        believed |= {
            (*travel, "drum_residence_s"): round(way_s * random.uniform(0.98, 1.02), 1),
            (*travel, "drum_stages"): stages(cells * way_s / before_s),
            (*travel, "binder_belt_s"): belt_s,
            (*travel, "binder_drum_s"): drum_s,
        }
    line_s, spread_s = random.uniform(2.5, 9.0), random.uniform(0.3, 1.0)
    true |= {"line.travel_s": round(line_s, 2), "line.spread_s": round(spread_s, 2)}
    believed |= {
        ("drum", "outlet_residence_s"): round(after_s * random.uniform(0.98, 1.02), 1),
        ("drum", "outlet_stages"): stages(behind),
        ("drum", "load_effect_percent"): round(100.0 * load * random.uniform(0.85, 1.1), 1),
        ("line", "travel_s"): round(line_s + random.uniform(-0.3, 0.2), 1),
    }


def _hopper(
    truth: PlantTruth, random: Random, flow_kg_s: float, true: dict[str, float], believed: dict[Key, Value]
) -> float:
    """Draw hopper and scale; return what one fill brings [kg]."""
    span_kg = flow_kg_s * random.uniform(200.0, 650.0)
    low_kg = span_kg * random.uniform(0.35, 0.6)
    filter_s = random.choice((0.4, 0.6, 0.8, 1.0))
    noise_kg, vibration_kg = random.uniform(0.03, 0.08), random.uniform(0.02, 0.08)
    high_kg = low_kg + span_kg
    true |= {
        "hopper.low_kg": round(low_kg, 1), "hopper.high_kg": round(high_kg, 1),
        "hopper.start_kg": round(low_kg + 0.94 * span_kg, 1),
        "hopper.refill_kg_s": round(span_kg / random.uniform(22.0, 38.0), 2), "hopper.filter_s": filter_s,
        "hopper.noise_kg": round(noise_kg, 3), "hopper.vibration_kg": round(vibration_kg, 3),
        "hopper.impact_kg": round(random.uniform(0.3, 1.5), 2),
        "hopper.gain_error_percent": round(random.uniform(-0.1, 0.1), 3),
    }  # fmt: skip
    in_pounds = ("feeder", "low_mass_lb") if truth.feeder.factor_guess_kg_rev > 0.6 else None
    unit, of_unit = ("lb", LB) if in_pounds else ("kg", 1.0)
    seen_kg = (noise_kg**2 + vibration_kg**2 / 2.0) ** 0.5
    believed |= {
        ("signals", "hopper_mass", "high"): round(max(700.0, 1.5 * high_kg / LB), 0),
        ("feeder", f"low_mass_{unit}"): round(0.64 * low_kg / of_unit, 0),
        ("feeder", f"full_mass_{unit}"): round(1.03 * high_kg / of_unit, 0),
        ("feeder", f"mass_noise_{unit}"): round(seen_kg * random.uniform(1.1, 1.6) / of_unit, 2),
        ("feeder", "mass_filter_s"): filter_s,
    }
    return span_kg


def _auger(
    truth: PlantTruth, random: Random, flow_kg_s: float, true: dict[str, float], believed: dict[Key, Value]
) -> None:
    auger = truth.auger
    factor = flow_kg_s / (auger.top_rpm / 60.0 * random.uniform(0.28, 0.5))
    lag_s = round(random.uniform(0.5, 2.0), 1)
    air, decay_s = random.uniform(1.0, 9.0), random.uniform(15.0, 55.0)
    true |= {
        "auger.feed_factor_kg_rev": round(factor, 4), "auger.lag_s": lag_s,
        "auger.empty_loss": round(random.uniform(0.03, 0.14), 3),
        "auger.head_kg": round(true["hopper.high_kg"] * random.uniform(0.25, 0.5), 1),
        "auger.walk_percent": round(random.uniform(0.6, 1.4), 2),
        "auger.walk_time_s": round(random.uniform(500.0, 1200.0), 0),
        "auger.aeration_percent": round(air, 2), "auger.aeration_time_s": round(decay_s, 1),
        "auger.packing_percent": round(random.uniform(1.0, 7.0), 2),
        "auger.packing_time_s": round(random.uniform(200.0, 700.0), 0),
        "auger.unpacking_s": round(random.uniform(10.0, 30.0), 1),
        "auger.pulsation_percent": round(random.uniform(0.5, 3.5), 2),
    }  # fmt: skip
    entered = factor * random.uniform(0.975, 1.025)
    found_s = decay_s * random.uniform(0.6, 1.1) if random.random() < 0.5 else AIR_AS_BUILT_S
    true["feeder.factor_guess_kg_rev"] = round(entered, 3)
    believed |= {
        ("feeder", "feed_factor_kg_rev"): round(entered, 3),
        ("feeder", "feed_factor_low_kg_rev"): round(entered / 1.5, 3),
        ("feeder", "feed_factor_high_kg_rev"): round(entered * 4.0 / 3.0, 3),
        ("feeder", "fresh_air_percent"): round(air * random.uniform(0.75, 1.05), 1),
        ("feeder", "fresh_air_decay_s"): round(found_s, 0),
        ("feeder", "factor_drift_percent_per_sqrt_min"): round(random.uniform(1.2, 2.2), 1),
        ("feeder", "max_rate_lb_min"): round(flow_kg_s * random.uniform(1.9, 2.7) * 60.0 / LB, 0),
        ("feeder", "auger_lag_s"): lag_s,
    }
