"""Values in the site's units, as text. A value that is not Good looks different in words, never by colour alone."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from rich.text import Text

from crumbmeter.estimation.gum import digits_for
from crumbmeter.model.units import UNITS

Body = Mapping[str, Any]
MISSING = "---"


@dataclass(frozen=True, slots=True)
class Display:
    """Units that one site shows."""

    feed: str
    """Unit of the rubber's mass flow."""
    mix: str
    """Unit of the mass flow of mix and streams."""
    mass: str
    pressure: str
    dose_unit: str
    """What `dose_per_mix` gives."""
    dose_factor: float
    """From a fraction of the mix with rubber to `dose_unit`."""


US = Display("lb/min", "short_ton/h", "lb", "psi", "lb/short_ton", 2000.0)
METRIC = Display("kg/min", "tonne/h", "kg", "kPa", "kg/tonne", 1000.0)


def display_of(settings: Body) -> Display:
    """Choose the units that the daemon's settings name; metric where they name none."""
    return US if settings.get("units") == "us" else METRIC


def amount(value: float | None, unit: str, digits: int = 1) -> str:
    """Write an SI value in a unit; dashes where there is none."""
    if value is None:
        return f"{MISSING} {unit}"
    return f"{UNITS[unit].from_si(value):.{digits}f} {unit}"


def percent(value: float | None, digits: int = 1, *, sign: bool = True) -> str:
    """Write a fraction in percent; dashes where there is none."""
    if value is None:
        return MISSING
    return f"{100.0 * value:+.{digits}f} %" if sign else f"{100.0 * value:.{digits}f} %"


def dose_per_mix(rubber_kg_s: float | None, mix_kg_s: float | None, display: Display) -> str:
    """Write rubber per mix with rubber, from two flows; dashes where no mix flows."""
    if rubber_kg_s is None or mix_kg_s is None or mix_kg_s + rubber_kg_s <= 0.0 or mix_kg_s <= 0.0:
        return f"{MISSING} {display.dose_unit}"
    return f"{display.dose_factor * rubber_kg_s / (mix_kg_s + rubber_kg_s):.2f} {display.dose_unit}"


DOSE_OF = {
    "total_mix": "of mix with rubber",
    "added_to_mix": "of mix without rubber",
    "total_binder": "of total binder",
    "binder_rubber_blend": "of binder with rubber",
    "virgin_binder": "of virgin binder",
    "dry_aggregate": "of dry virgin aggregate",
}
"""What a dose is a share of, in words, by its basis."""


def proven_dose(dose: float, expanded: float, coverage: float, basis: str, display: Display) -> str:
    """Write a dose with its expanded uncertainty, both to the place of its second digit (GUM 7.2.6)."""
    per_mix = basis in ("total_mix", "added_to_mix")
    factor, unit = (display.dose_factor, display.dose_unit) if per_mix else (100.0, "%")
    digits = digits_for(factor * expanded)
    value = f"{factor * dose:.{digits}f} +- {factor * expanded:.{digits}f}"
    return f"{value} {unit} {DOSE_OF.get(basis, basis)}, k={coverage:.2g}"


def seconds(value: float | None) -> str:
    """Write an age so that it can be read at a glance."""
    if value is None:
        return "never"
    if value < 10.0:
        return f"{value:.1f} s"
    return f"{value:.0f} s" if value < 600.0 else f"{value / 60.0:.0f} min"


def reading(body: Body, unit: str, digits: int = 1) -> Text:
    """Write one reading: plain where Good, with the word and the reason where it is not."""
    quality, why, age = body["quality"], body["reason"], body["age_s"]
    if quality == "Good":
        return Text(amount(body["value"], unit, digits))
    if why == "not configured":
        return Text("not fitted", style="dim")
    told = f"{quality}: {why}"
    if age:
        told += f" {seconds(age)}"
    if quality == "Uncertain":
        return Text(f"~{amount(body['value'], unit, digits)} ({told})", style="yellow")
    return Text(f"{MISSING} {told}", style="bold red")
