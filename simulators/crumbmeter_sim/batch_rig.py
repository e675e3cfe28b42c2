"""The batch rig: one batch plant on its stage."""

from pathlib import Path
from typing import Any

from crumbmeter_sim import batch_points
from crumbmeter_sim.batch_actions import act
from crumbmeter_sim.batch_file import BatchPlantTruth, load_batch_plant
from crumbmeter_sim.batch_plant import BatchPlant
from crumbmeter_sim.batch_score import gaps_kg, rows, score
from crumbmeter_sim.stage import Ends, Stage
from crumbmeter_sim.verbs import DRUM_VERBS, Step


class BatchRig(Stage[BatchPlantTruth, BatchPlant]):
    """A batch plant under a scenario."""

    foreign_verbs = frozenset(DRUM_VERBS)

    @classmethod
    def read_truth(cls, path: Path, overrides: dict[str, Any]) -> BatchPlantTruth:
        """Read a plant file."""
        return load_batch_plant(path, overrides)

    def _raise(self, truth: BatchPlantTruth) -> tuple[BatchPlant, Ends]:
        plant = BatchPlant(truth, self.seed)
        return plant, (batch_points.sources(plant), batch_points.sinks(plant))

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
