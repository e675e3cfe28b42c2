"""The rig: one plant, its registers, its links, and a scenario that plays on it, all on plant time."""

import heapq
import itertools
import math
from pathlib import Path
from typing import Any

from crumbmeter_sim import points
from crumbmeter_sim.actions import Link, act
from crumbmeter_sim.bank import Bank
from crumbmeter_sim.device.unruly import UnrulyBank
from crumbmeter_sim.faults.kinds import Framing, problems_of
from crumbmeter_sim.loader import FileRefusedError
from crumbmeter_sim.mischief import fault_of
from crumbmeter_sim.plant import Plant
from crumbmeter_sim.plantfile import BusTruth, PlantTruth, ServerTruth, devices_folder, load_plant
from crumbmeter_sim.profile import load_profile
from crumbmeter_sim.scenario import Scenario, load_scenario
from crumbmeter_sim.score import score
from crumbmeter_sim.truth import Truth
from crumbmeter_sim.verbs import Step, opposite_of


class Rig:
    """A plant under a scenario. `advance` is the only way in which time passes."""

    def __init__(self, truth: PlantTruth, devices: Path, *, seed: int, scenario: Scenario | None = None) -> None:
        self.seed = seed
        self.scenario = scenario
        self.title = scenario.title if scenario else truth.title
        self.plant = Plant(truth, seed)
        self.truth = Truth(self.plant)
        self.banks: dict[str, UnrulyBank] = {}
        self.links: dict[str, Link] = {}
        sources, sinks = points.sources(self.plant), points.sinks(self.plant)
        for server in truth.server:
            profile = load_profile(devices / f"{server.profile}.toml")
            _check_points(server, set(profile.registers), set(sources) | set(sinks))
            bank = Bank(
                profile,
                {name: sources[point] for name, point in server.points.items() if point in sources},
                {name: sinks[point] for name, point in server.points.items() if point in sinks},
            )
            self.banks[server.name] = UnrulyBank(bank, lambda: self.plant.now_s)
            self.links[server.name] = Link()
        self.cabinet = [s.name for s in truth.server if _in_cabinet(s)]
        """Servers in the feeder's cabinet, which lose power together."""
        self._order = itertools.count()
        self._due: list[tuple[float, int, Step]] = []
        self._owed_s = 0.0
        self._unhealthy_s = 0.0
        self._was_healthy = False
        for step in scenario.at if scenario else ():
            self._post(step)

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
        problems = check_names(scenario, truth) or [
            *check_registers(scenario, truth, devices),
            *check_faults(scenario, truth),
        ]
        if problems:
            raise FileRefusedError(Path(path), problems)
        return cls(truth, devices, seed=scenario.seed if seed is None else seed, scenario=scenario)

    @classmethod
    def from_plant(cls, path: Path | str, *, seed: int = 1, overrides: dict[str, Any] | None = None) -> "Rig":
        """Build a rig on which nothing happens by itself."""
        truth = load_plant(Path(path), overrides)
        return cls(truth, devices_folder(truth, Path(path)), seed=seed)

    @property
    def now_s(self) -> float:
        """[s] Plant time."""
        return self.plant.now_s

    @property
    def step_s(self) -> float:
        """[s] Inner step of plant time."""
        return self.plant.step_s

    @property
    def duration_s(self) -> float:
        """[s] How long the scenario lasts; for ever without one."""
        return self.scenario.duration_s if self.scenario is not None else math.inf

    @property
    def servers(self) -> tuple[ServerTruth, ...]:
        """The plant's Modbus devices."""
        return self.plant.truth.server

    @property
    def buses(self) -> tuple[BusTruth, ...]:
        """Lines that several of them share."""
        return self.plant.truth.bus

    def is_faulty(self, server: str) -> bool:
        """Tell whether the scenario has faults of the wire for a server (or for another one on its line)."""
        steps = self.scenario.at if self.scenario is not None else ()
        struck = {step.values["server"] for step in steps if step.do == "fault"}
        lines = {s.bus or s.port for s in self.servers if s.name in struck}
        return any((s.bus or s.port) in lines for s in self.servers if s.name == server)

    @property
    def finished(self) -> bool:
        """Whether the scenario's duration is over."""
        return self.now_s >= self.duration_s - 1e-9

    def advance(self, dt_s: float) -> None:
        """Let plant time pass by `dt_s` [s]; what is less than one inner step is kept for the next call."""
        self._owed_s += dt_s
        step_s = self.plant.step_s
        steps = int(self._owed_s / step_s + 1e-6)
        self._owed_s -= steps * step_s
        self._run(steps)

    def advance_to(self, t_s: float) -> None:
        """Let plant time pass until the last whole inner step before plant time `t_s` [s]."""
        self._run(int((t_s - self.now_s) / self.plant.step_s + 1e-6))

    def _run(self, steps: int) -> None:
        plant, truth, due = self.plant, self.truth, self._due
        for _ in range(steps):
            if due and due[0][0] <= plant.now_s + 1e-9:
                self._act()
            done = plant.step()
            if done is not None:
                truth.take(done)
                self._obey(done.t_s)
                for bank in self.banks.values():
                    if bank.pending:
                        bank.settle()

    def do(self, verb: str, **values: Any) -> None:
        """Make something happen now, as a time line would."""
        for_s = values.pop("for_s", None)
        self._play(Step(self.now_s, verb, values, for_s))

    def link_up(self, name: str) -> bool:
        """Tell whether a device answers at present."""
        return self.links[name].mode == "up"

    def score(self) -> dict[str, Any]:
        """Return the score of the run so far."""
        return score(self)

    def _post(self, step: Step) -> None:
        heapq.heappush(self._due, (step.t_s, next(self._order), step))

    def _act(self) -> None:
        while self._due and self._due[0][0] <= self.now_s + 1e-9:
            self._play(heapq.heappop(self._due)[2])

    def _play(self, step: Step) -> None:
        for after in act(self, step):
            self._post(after)
        opposite = opposite_of(step)
        if opposite is not None:
            self._post(opposite)

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


def check_names(scenario: Scenario, truth: PlantTruth) -> list[str]:
    """Return what a scenario names that its plant does not have."""
    known = {
        "belt": {belt.name for belt in truth.belt},
        "server": {server.name for server in truth.server},
        "mix": set(truth.mixes),
        "counter": {counter.name for counter in truth.pulses},
        "loop": {loop.name for loop in truth.loops},
    }
    return [
        f"  {step.do} at t_s = {step.t_s}: the plant has no {key} named {step.values[key]!r}"
        f" (has: {', '.join(sorted(names))})"
        for step in scenario.at
        for key, names in known.items()
        if key in step.values and step.values[key] not in names
    ]


def check_registers(scenario: Scenario, truth: PlantTruth, devices: Path) -> list[str]:
    """Return what a scenario names that the profile of its server does not have."""
    profiles = {s.name: load_profile(devices / f"{s.profile}.toml").registers for s in truth.server}
    return [
        f"  {step.do} at t_s = {step.t_s}: {step.values['server']} has no register {step.values[key]!r}"
        f" (has: {', '.join(sorted(profiles[step.values['server']]))})"
        for step in scenario.at
        for key in ("register", "point")
        if "server" in step.values and key in step.values and step.values[key] not in profiles[step.values["server"]]
    ]


def check_faults(scenario: Scenario, truth: PlantTruth) -> list[str]:
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


def _check_points(server: ServerTruth, registers: set[str], names: set[str]) -> None:
    problems = [
        f"  server {server.name}: profile {server.profile} has no register {register!r}"
        for register in server.points
        if register not in registers
    ]
    problems += [
        f"  server {server.name}.{register}: no quantity or command {point!r} (known: {', '.join(sorted(names))})"
        for register, point in server.points.items()
        if point not in names
    ]
    if problems:
        raise FileRefusedError(Path(server.profile), problems)


def _in_cabinet(server: ServerTruth) -> bool:
    return any(point.split(".")[0] in ("feeder", "blower", "line") for point in server.points.values())
