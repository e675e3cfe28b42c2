"""The right rig for a scenario: that of a drum plant, or that of a batch plant."""

from pathlib import Path
from typing import Any

from crumbmeter_sim.batch_file import is_batch_plant
from crumbmeter_sim.batch_rig import BatchRig
from crumbmeter_sim.rig import Rig
from crumbmeter_sim.scenario import load_scenario

AnyRig = Rig | BatchRig


def open_rig(
    scenario: Path | str,
    *,
    seed: int | None = None,
    plant: Path | str | None = None,
    overrides: dict[str, Any] | None = None,
) -> AnyRig:
    """Build the rig of a scenario file.

    Args:
        scenario: The scenario.
        seed: In place of the scenario's own.
        plant: Another plant file than the scenario names.
        overrides: Plant parameters by dotted path.
    """
    plant_path = Path(plant) if plant else load_scenario(Path(scenario)).plant
    kind = BatchRig if is_batch_plant(plant_path) else Rig
    return kind.from_scenario(scenario, seed=seed, plant=plant, overrides=overrides)


def open_plant(path: Path | str, *, seed: int = 1, overrides: dict[str, Any] | None = None) -> AnyRig:
    """Build a rig on which nothing happens by itself, for any plant file."""
    kind = BatchRig if is_batch_plant(Path(path)) else Rig
    return kind.from_plant(path, seed=seed, overrides=overrides)
