"""The rig: one drum plant on its stage."""

import dataclasses
from pathlib import Path
from typing import Any

from crumbmeter_sim import points
from crumbmeter_sim.actions import act, drum_stop
from crumbmeter_sim.faults.kinds import Framing, problems_of
from crumbmeter_sim.loader import FileRefusedError
from crumbmeter_sim.mischief import fault_of
from crumbmeter_sim.oracle import gaps_kg
from crumbmeter_sim.plant import Plant
from crumbmeter_sim.plantfile import PlantTruth, WorksTruth, devices_folder, load_plant
from crumbmeter_sim.profile import load_profile
from crumbmeter_sim.scenario import Scenario, load_scenario
from crumbmeter_sim.score import score
from crumbmeter_sim.stage import Stage
from crumbmeter_sim.truth import Truth
from crumbmeter_sim.verbs import BATCH_VERBS, Step


class Rig(Stage[Plant]):
    """A drum plant under a scenario."""

    def __init__(self, truth: PlantTruth, devices: Path, *, seed: int, scenario: Scenario | None = None) -> None:
        self.plant = Plant(truth, seed)
        self.truth = Truth(self.plant)
        self._unhealthy_s = 0.0
        self._was_healthy = False
        ends = (points.sources(self.plant), points.sinks(self.plant))
        super().__init__(truth, devices, ends, seed=seed, scenario=scenario)

    @classmethod
    def from_scenario(
        cls,
        path: Path | str,
        *,
        seed: int | None = None,
        plant: Path | str | None = None,
        overrides: dict[str, Any] | None = None,
    ) -> "Rig":
        """Build a rig from a scenario file.

        Args:
            path: The scenario.
            seed: In place of the scenario's own.
            plant: Another plant file than the scenario names.
            overrides: Plant parameters by dotted path, as `{"belt.0.moisture_percent": 6.0}`.
        """
        scenario = load_scenario(Path(path))
        plant_path = Path(plant) if plant else scenario.plant
        truth = load_plant(plant_path, {**scenario.changes, **(overrides or {})})
        devices = devices_folder(truth, plant_path, Path(path))
        names = {"belt": {belt.name for belt in truth.belt}}
        refuse_wrong(scenario, truth, devices, names, set(BATCH_VERBS))
        return cls(truth, devices, seed=scenario.seed if seed is None else seed, scenario=scenario)

    @classmethod
    def from_plant(cls, path: Path | str, *, seed: int = 1, overrides: dict[str, Any] | None = None) -> "Rig":
        """Build a rig on which nothing happens by itself."""
        truth = load_plant(Path(path), overrides)
        return cls(truth, devices_folder(truth, Path(path)), seed=seed)

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


def refuse_wrong(
    scenario: Scenario, truth: WorksTruth, devices: Path, names: dict[str, set[str]], foreign: set[str]
) -> None:
    """Refuse a scenario that asks of its plant what that cannot do.

    Args:
        scenario: As it was read.
        truth: Its plant.
        devices: Folder of the device profiles.
        names: More names that the plant knows, by the key that gives one.
        foreign: Verbs of another kind of plant.

    Raises:
        FileRefusedError: with every problem found.
    """
    problems = check_names(scenario, truth, names)
    problems += [
        f"  {step.do} at t_s = {step.t_s}: this kind of plant cannot do that"
        for step in scenario.at
        if step.do in foreign
    ]
    problems = problems or [*check_registers(scenario, truth, devices), *check_faults(scenario, truth)]
    if problems:
        raise FileRefusedError(scenario.path, problems)


def check_names(scenario: Scenario, truth: WorksTruth, names: dict[str, set[str]]) -> list[str]:
    """Return what a scenario names that its plant does not have."""
    known = {
        **names,
        "server": {server.name for server in truth.server},
        "mix": set(truth.mixes),
        "counter": {counter.name for counter in truth.pulses},
        "loop": {loop.name for loop in truth.loops},
    }
    return [
        f"  {step.do} at t_s = {step.t_s}: the plant has no {key} named {step.values[key]!r}"
        f" (has: {', '.join(sorted(there))})"
        for step in scenario.at
        for key, there in known.items()
        if key in step.values and step.values[key] not in there
    ]


def check_registers(scenario: Scenario, truth: WorksTruth, devices: Path) -> list[str]:
    """Return what a scenario names that the profile of its server does not have."""
    profiles = {s.name: load_profile(devices / f"{s.profile}.toml").registers for s in truth.server}
    return [
        f"  {step.do} at t_s = {step.t_s}: {step.values['server']} has no register {step.values[key]!r}"
        f" (has: {', '.join(sorted(profiles[step.values['server']]))})"
        for step in scenario.at
        for key in ("register", "point")
        if "server" in step.values and key in step.values and step.values[key] not in profiles[step.values["server"]]
    ]


def check_faults(scenario: Scenario, truth: WorksTruth) -> list[str]:
    """Return which faults of the wire a scenario asks for that the line of their server cannot have."""
    lines = {bus.name: bus.framing for bus in truth.bus}
    framings: dict[str, Framing] = {
        server.name: "tcp" if lines.get(server.bus, "tcp") == "tcp" else "rtu" for server in truth.server
    }
    return [
        f"  {step.do} at t_s = {step.t_s}: {problem}"
        for step in scenario.at
        if step.do == "fault"
        for problem in problems_of(fault_of(step), framings[step.values["server"]])
    ]
