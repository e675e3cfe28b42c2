"""The score of a run: how well what left the drum was dosed, and what was wasted. Plain numbers, stable order."""

import math
from typing import TYPE_CHECKING, Any

from crumbmeter_sim import drum as d
from crumbmeter_sim.oracle import dry_gap_kg, rubber_gap_kg, water_gap_kg
from crumbmeter_sim.truth import NO_RUBBER_SHARE, Cutter, Window

if TYPE_CHECKING:
    from crumbmeter_sim.rig import Rig

_WANTING_SHARE = 0.5
_NAMES = {1000.0: "1_t", 5000.0: "5_t", 20000.0: "20_t"}


def score(rig: "Rig") -> dict[str, Any]:
    """Return the score as a plain dict; every number is rounded to 1e-6 so that its JSON is stable."""
    plant, truth = rig.plant, rig.truth
    out = plant.out
    least = _least_wanting(rig)
    mix_kg = out[d.A_VIRGIN] + out[d.A_RECYCLE] + out[d.A_CARRIED] + out[d.A_BINDER]
    table: dict[str, Any] = {
        "scenario": rig.title,
        "plant": plant.truth.title,
        "seed": rig.seed,
        "played_s": plant.now_s,
        "windows": {_NAMES[c.size_kg]: _window_figures(c, least) for c in truth.cutters},
        "total": {
            "mix_tonne": mix_kg / 1000.0,
            "mix_said_tonne": out[d.A_SAID_MIX] / 1000.0,
            "rubber_kg": out[d.A_RUBBER],
            "wanted_kg": out[d.A_WANTED],
            "error_percent": _error(out[d.A_RUBBER], out[d.A_WANTED]),
            "metering_error_percent": _error(out[d.A_RUBBER], out[d.A_SAID_WANTED]),
        },
        "tonne_without_rubber": _without_rubber(truth.cutters[0], least),
        "rubber_without_mix": {
            "standing_drum_kg": truth.without.standing_kg,
            "empty_drum_kg": truth.without.thin_kg,
            "largest_burst_kg": truth.without.largest_burst_kg,
            "bursts": truth.without.bursts,
        },
        "wasted": {
            "catch_kg": plant.feeder.catch_kg,
            "spilled_kg": plant.line.spilled_kg,
            "into_mix_without_rubber_kg": truth.rubber_unwanted_kg,
            "all_kg": plant.feeder.catch_kg + plant.line.spilled_kg + truth.rubber_unwanted_kg,
        },
        "feeder": {
            "fed_kg": plant.feeder.fed_kg,
            "refills": plant.feeder.hopper.refills,
            "bags_changed": plant.feeder.supply.bags_changed,
        },
        "oracle": {
            "rubber_gap_kg": rubber_gap_kg(plant),
            "dry_gap_kg": dry_gap_kg(plant),
            "water_gap_kg": water_gap_kg(plant),
        },
    }
    rounded: dict[str, Any] = _rounded(table)
    return rounded


def _least_wanting(rig: "Rig") -> float:
    """Return the share of rubber in mix above which a window counts as one that wants rubber."""
    shares = []
    for mix in rig.plant.truth.mixes.values():
        dose, binder = mix.dose_percent / 100.0, mix.total_binder_percent / 100.0
        if dose > 0.0:
            of_binder = mix.dose_basis in ("total_binder", "binder_rubber_blend", "virgin_binder")
            shares.append(dose * binder if of_binder else dose)
    return _WANTING_SHARE * min(shares, default=math.inf)


def _wanting(cutter: Cutter, least: float) -> list[Window]:
    return [w for w in cutter.windows if w.wanted_kg >= least * w.mix_kg]


def _window_figures(cutter: Cutter, least: float) -> dict[str, Any]:
    windows = _wanting(cutter, least)
    return {
        "true": _figures([w.rubber_kg / w.wanted_kg - 1.0 for w in windows]),
        "metering": _figures([w.rubber_kg / w.said_wanted_kg - 1.0 for w in windows if w.said_wanted_kg > 0.0]),
    }


def _figures(errors: list[float]) -> dict[str, Any]:
    count = len(errors)
    if not count:
        return {"n": 0}
    return {
        "n": count,
        "within_5_percent": 100.0 * sum(abs(e) <= 0.05 for e in errors) / count,
        "within_10_percent": 100.0 * sum(abs(e) <= 0.10 for e in errors) / count,
        "rms_percent": 100.0 * math.sqrt(math.fsum(e * e for e in errors) / count),
        "mean_percent": 100.0 * math.fsum(errors) / count,
        "worst_percent": 100.0 * max(errors, key=abs),
    }


def _without_rubber(cutter: Cutter, least: float) -> float:
    """[t] Return the mix whose dose was under half of what it wanted, in windows of 1 t."""
    short = [w for w in _wanting(cutter, least) if w.rubber_kg < NO_RUBBER_SHARE * w.wanted_kg]
    return math.fsum(w.mix_kg for w in short) / 1000.0


def _error(got: float, wanted: float) -> float | None:
    return 100.0 * (got / wanted - 1.0) if wanted > 0.0 else None


def _rounded(value: Any) -> Any:
    if isinstance(value, float):
        return round(value, 6) + 0.0
    if isinstance(value, dict):
        return {key: _rounded(item) for key, item in value.items()}
    return value
