"""The rig: one drum plant on its stage."""

import dataclasses
from pathlib import Path
from typing import Any

from crumbmeter_sim import points
from crumbmeter_sim.actions import act, drum_stop
from crumbmeter_sim.oracle import gaps_kg
from crumbmeter_sim.plant import Plant
from crumbmeter_sim.plantfile import PlantTruth, load_plant
from crumbmeter_sim.score import score
from crumbmeter_sim.stage import Ends, Stage
from crumbmeter_sim.truth import Truth
from crumbmeter_sim.verbs import BATCH_VERBS, Step


class Rig(Stage[PlantTruth, Plant]):
    """A drum plant under a scenario."""

    foreign_verbs = frozenset(BATCH_VERBS)

    @classmethod
    def read_truth(cls, path: Path, overrides: dict[str, Any]) -> PlantTruth:
        """Read a plant file."""
        return load_plant(path, overrides)

    @classmethod
    def names_in(cls, truth: PlantTruth) -> dict[str, set[str]]:
        """Return the names of belts."""
        return {"belt": {belt.name for belt in truth.belt}}

    def _raise(self, truth: PlantTruth) -> tuple[Plant, Ends]:
        plant = Plant(truth, self.seed)
        self.truth = Truth(plant)
        self._unhealthy_s = 0.0
        self._was_healthy = False
        return plant, (points.sources(plant), points.sinks(plant))

    def _step(self) -> bool:
        done = self.plant.step()
        if done is None:
            return False
        self.truth.take(done)
        self._obey(done.t_s)
        return True

    def _act_on(self, step: Step) -> list[Step]:
        return act(self, step)

    def stop_plant(self) -> None:
        """Stop belts and drum."""
        drum_stop(self)

    def table(self) -> list[dict[str, Any]]:
        """Return the truth as a table, one row for each second."""
        return [dataclasses.asdict(row) for row in self.truth.rows]

    def gaps_kg(self) -> dict[str, float]:
        """[kg] Return what came in less what is found, by material."""
        return gaps_kg(self.plant)

    def score(self) -> dict[str, Any]:
        """Return the score of the run so far."""
        return score(self)

    def _obey(self, now_s: float) -> None:
        """Stop the belts when crumbmeter's healthy contact opens, where the plant is wired so."""
        nominal = self.plant.truth.nominal
        if not nominal.obeys_stop_request:
            return
        if self.plant.healthy_asked:
            self._was_healthy, self._unhealthy_s = True, 0.0
        elif self._was_healthy:
            self._unhealthy_s += self.plant.drum_step_s
            if self._unhealthy_s >= nominal.stop_request_delay_s:
                self._was_healthy = False
                self._play(Step(now_s, "belts_stop"))
