"""The complete truth about one batch plant, as its file says it. Masses in kg, shares in percent."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from crumbmeter_sim.loader import FileRefusedError, build, override, read_based
from crumbmeter_sim.plantfile import WorksTruth
from crumbmeter_sim.plantnames import problems_of_names, with_files_found


@dataclass(frozen=True, slots=True)
class WeighTruth:
    """One weigh hopper of the tower: how it is filled, and what its scale gets wrong."""

    fill_s: float
    """How long a whole weighing takes."""
    overrun_percent: float
    """Standard deviation of what is really weighed against what was asked for."""
    gain_error_percent: float
    noise_kg: float
    moisture_percent: float = 0.0
    """Water in percent of DRY mass. Hot bins are dry."""
    entered_moisture_percent: float = 0.0
    """What the site believes."""
    binder_percent: float = 0.0
    entered_binder_percent: float = 0.0


@dataclass(frozen=True, slots=True)
class TowerTruth:
    """The tower over the pugmill, and the pugmill's own times."""

    aggregate: WeighTruth
    recycle: WeighTruth
    binder: WeighTruth
    settle_s: float
    """The contact "weighed" closes so long after the last hopper is full."""
    drop_s: float
    """From the gate's opening until all has fallen into the pugmill."""
    window_after_s: float
    """The dry-mix window opens so long after the drop began."""
    dry_mix_s: float
    """Shortest dry mix, from the window's opening."""
    longest_dry_mix_s: float
    """Longest: then the plant does by itself what `then` says."""
    then: Literal["go_on", "abort"]
    wet_mix_s: float
    discharge_s: float
    counter_start: int = 0


@dataclass(frozen=True, slots=True)
class VesselTruth:
    """The transfer vessel between the auger and the line, with its load cells and its release valve."""

    capacity_kg: float
    release_kg_s: float
    release_spread_percent: float
    """From one release to the next."""
    valve_s: float
    """The valve's way from shut to open."""
    zero_kg: float
    gain_error_percent: float
    noise_kg: float
    filter_s: float
    resolution_kg: float
    leak_kg_s: float = 0.0
    """Through the shut valve, while air moves."""


@dataclass(frozen=True, slots=True)
class BatchTruth:
    """What a batch is meant to be."""

    batch_kg: float
    """Mix without rubber."""
    recycle_percent: float
    mix: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchPlantTruth(WorksTruth):
    """A batch plant, all of it."""

    batch: BatchTruth
    tower: TowerTruth
    vessel: VesselTruth


def load_batch_plant(path: Path, overrides: dict[str, Any] | None = None) -> BatchPlantTruth:
    """Read the file of a batch plant.

    Args:
        path: The file.
        overrides: Values by dotted path (`tower.drop_s`) that replace the file's own.

    Raises:
        FileRefusedError: with every unknown key, missing key and contradiction found.
    """
    table = read_based(path)
    for dotted, value in (overrides or {}).items():
        override(path, table, dotted, value)
    truth = build(path, BatchPlantTruth, table)
    problems = problems_of_names(truth)
    if truth.batch.mix not in truth.mixes:
        problems.append(f"  batch.mix = {truth.batch.mix!r}: no such mix (have: {', '.join(truth.mixes)})")
    if not 0 < truth.time.step_s * truth.time.drum_steps <= 0.5:
        problems.append("  time: the coarse step (step_s * drum_steps) must lie in (0, 0.5] s")
    if not 0 <= truth.tower.counter_start <= COUNTER_TOP:
        problems.append(f"  tower.counter_start: must lie in 0 to {COUNTER_TOP}")
    if truth.tower.longest_dry_mix_s < truth.tower.dry_mix_s:
        problems.append("  tower.longest_dry_mix_s: must not be shorter than dry_mix_s")
    if problems:
        raise FileRefusedError(path, problems)
    return with_files_found(truth, path)


COUNTER_TOP = 65535
"""Where the batch counter rolls over."""


def is_batch_plant(path: Path) -> bool:
    """Tell whether a plant file is that of a batch plant."""
    return "tower" in read_based(path)
