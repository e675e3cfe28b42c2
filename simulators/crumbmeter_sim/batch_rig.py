"""The batch rig: one batch plant on its stage."""

from pathlib import Path
from typing import Any

from crumbmeter_sim import batch_points
from crumbmeter_sim.batch_actions import act
from crumbmeter_sim.batch_file import BatchPlantTruth, load_batch_plant
from crumbmeter_sim.batch_plant import BatchPlant
from crumbmeter_sim.batch_score import gaps_kg, rows, score
from crumbmeter_sim.plantfile import devices_folder
from crumbmeter_sim.rig import refuse_wrong
from crumbmeter_sim.scenario import Scenario, load_scenario
from crumbmeter_sim.stage import Stage
from crumbmeter_sim.verbs import DRUM_VERBS, Step


class BatchRig(Stage[BatchPlant]):
    """A batch plant under a scenario."""

    def __init__(self, truth: BatchPlantTruth, devices: Path, *, seed: int, scenario: Scenario | None = None) -> None:
        self.plant = BatchPlant(truth, seed)
        ends = (batch_points.sources(self.plant), batch_points.sinks(self.plant))
        super().__init__(truth, devices, ends, seed=seed, scenario=scenario)

    @classmethod
    def from_scenario(
        cls,
        path: Path | str,
        *,
        seed: int | None = None,
        plant: Path | str | None = None,
        overrides: dict[str, Any] | None = None,
    ) -> "BatchRig":
        """Build a rig from a scenario file.

        Args:
            path: The scenario.
            seed: In place of the scenario's own.
            plant: Another plant file than the scenario names.
            overrides: Plant parameters by dotted path, as `{"tower.drop_s": 5.0}`.
        """
        scenario = load_scenario(Path(path))
        plant_path = Path(plant) if plant else scenario.plant
        truth = load_batch_plant(plant_path, {**scenario.changes, **(overrides or {})})
        devices = devices_folder(truth, plant_path, Path(path))
        refuse_wrong(scenario, truth, devices, {}, set(DRUM_VERBS))
        return cls(truth, devices, seed=scenario.seed if seed is None else seed, scenario=scenario)

    @classmethod
    def from_plant(cls, path: Path | str, *, seed: int = 1, overrides: dict[str, Any] | None = None) -> "BatchRig":
        """Build a rig on which nothing happens by itself."""
        truth = load_batch_plant(Path(path), overrides)
        return cls(truth, devices_folder(truth, Path(path)), seed=seed)

    def _step(self) -> bool:
        return self.plant.step()

    def _act_on(self, step: Step) -> list[Step]:
        return act(self, step)

    def stop_plant(self) -> None:
        """Stop tower and pugmill."""
        self.plant.stop()

    def table(self) -> list[dict[str, Any]]:
        """Return the truth as a table, one row for each batch."""
        return rows(self)

    def gaps_kg(self) -> dict[str, float]:
        """[kg] Return what came in less what is found, by material."""
        return gaps_kg(self.plant)

    def leave_running(self, rpm: float) -> None:
        """Leave blower, airlock and auger running at one speed, and the vessel open."""
        super().leave_running(rpm)
        self.plant.vessel.release = True

    def score(self) -> dict[str, Any]:
        """Return the score of the run so far."""
        return score(self)
