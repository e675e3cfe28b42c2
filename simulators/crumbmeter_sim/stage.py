"""The stage on which any plant plays: its registers, its links, and a scenario, all on plant time."""

import heapq
import itertools
import math
from abc import ABC, abstractmethod
from pathlib import Path
from typing import Any, ClassVar, Generic, Protocol, Self, TypeVar

from crumbmeter_sim.actions import Link
from crumbmeter_sim.bank import Bank, Sink, Source
from crumbmeter_sim.device.loops import Loop
from crumbmeter_sim.device.pulses import PulseCounter
from crumbmeter_sim.device.unruly import UnrulyBank
from crumbmeter_sim.feeder import Feeder
from crumbmeter_sim.fitting import refuse_wrong
from crumbmeter_sim.line import Line
from crumbmeter_sim.loader import FileRefusedError
from crumbmeter_sim.plantfile import WorksTruth, devices_folder
from crumbmeter_sim.profile import load_profile_of
from crumbmeter_sim.scenario import Scenario, load_scenario
from crumbmeter_sim.sockets import BusTruth, ServerTruth
from crumbmeter_sim.verbs import Step, opposite_of


class Works(Protocol):
    """What the stage needs of a plant."""

    feeder: Feeder
    line: Line
    counters: dict[str, PulseCounter]
    loops: dict[str, Loop]
    emergency: bool
    step_s: float

    @property
    def now_s(self) -> float:
        """[s] Plant time since the scenario began."""
        ...

    @property
    def truth(self) -> WorksTruth:
        """What the plant file says."""
        ...


T = TypeVar("T", bound=WorksTruth)
W = TypeVar("W", bound=Works)
WEIGHTS = ("feeder.indicator.value", "feeder.indicator.gross", "feeder.indicator.counts")
"""Points for which the weighing indicator answers with its state."""
Ends = tuple[dict[str, Source], dict[str, Sink]]
"""What registers can show of a plant, and what they can order, by point."""


class Stage(ABC, Generic[T, W]):
    """A plant under a scenario. `advance` is the only way in which time passes."""

    foreign_verbs: ClassVar[frozenset[str]]
    """What only another kind of plant can do."""

    def __init__(self, works: T, devices: Path, *, seed: int, scenario: Scenario | None = None) -> None:
        """Raise a plant and its registers.

        Args:
            works: What the plant file says.
            devices: Folder of the device profiles.
            seed: Of all chance.
            scenario: What happens; nothing by itself without one.
        """
        self.seed = seed
        self.plant, (sources, sinks) = self._raise(works)
        self.scenario = scenario
        self.title = scenario.title if scenario else works.title
        self.banks: dict[str, UnrulyBank] = {}
        self.links: dict[str, Link] = {}
        indicator = self.plant.feeder.indicator
        states = dict.fromkeys(WEIGHTS, lambda: indicator.state)
        for server in works.server:
            profile = load_profile_of(server, devices)
            _check_points(server, set(profile.registers), set(sources) | set(sinks))
            bank = Bank(
                profile,
                {name: sources[point] for name, point in server.points.items() if point in sources},
                {name: sinks[point] for name, point in server.points.items() if point in sinks},
                {name: states[point] for name, point in server.points.items() if point in states},
            )
            self.banks[server.name] = UnrulyBank(bank, lambda: self.plant.now_s)
            self.links[server.name] = Link()
        self.cabinet = [s.name for s in works.server if _in_cabinet(s)]
        """Servers in the feeder's cabinet, which lose power together."""
        self._order = itertools.count()
        self._due: list[tuple[float, int, Step]] = []
        self._owed_s = 0.0
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
    ) -> Self:
        """Build a stage from a scenario file.

        Args:
            path: The scenario.
            seed: In place of the scenario's own.
            plant: Another plant file than the scenario names.
            overrides: Plant parameters by dotted path, as `{"belt.0.moisture_percent": 6.0}`.
        """
        scenario = load_scenario(Path(path))
        plant_path = Path(plant) if plant else scenario.plant
        truth = cls.read_truth(plant_path, {**scenario.changes, **(overrides or {})})
        devices = devices_folder(truth, plant_path, Path(path))
        refuse_wrong(scenario, truth, devices, cls.names_in(truth), cls.foreign_verbs)
        return cls(truth, devices, seed=scenario.seed if seed is None else seed, scenario=scenario)

    @classmethod
    def from_plant(cls, path: Path | str, *, seed: int = 1, overrides: dict[str, Any] | None = None) -> Self:
        """Build a stage on which nothing happens by itself."""
        truth = cls.read_truth(Path(path), overrides or {})
        return cls(truth, devices_folder(truth, Path(path)), seed=seed)

    @classmethod
    @abstractmethod
    def read_truth(cls, path: Path, overrides: dict[str, Any]) -> T:
        """Read a plant file."""

    @classmethod
    def names_in(cls, truth: T) -> dict[str, set[str]]:  # noqa: ARG003 - for those that have more
        """Return more names that a scenario may use, by the key that gives one."""
        return {}

    @abstractmethod
    def _raise(self, truth: T) -> tuple[W, Ends]:
        """Build the plant, and what its registers lead to."""

    @abstractmethod
    def _step(self) -> bool:
        """Let the plant make one inner step; tell whether it has finished a coarse one."""

    @abstractmethod
    def _act_on(self, step: Step) -> list[Step]:
        """Do one step of the time line; return the steps that follow from it."""

    @abstractmethod
    def stop_plant(self) -> None:
        """Stop what the plant's own people stop in an emergency or a power dip."""

    @abstractmethod
    def score(self) -> dict[str, Any]:
        """Return the score of the run so far."""

    @abstractmethod
    def table(self) -> list[dict[str, Any]]:
        """Return the truth as a table: one row for each second, or for each batch."""

    @abstractmethod
    def gaps_kg(self) -> dict[str, float]:
        """[kg] Return what came in less what is found, by material."""

    def leave_running(self, rpm: float) -> None:
        """Leave blower, airlock and auger running at one speed."""
        feeder = self.plant.feeder
        feeder.run = feeder.airlock_run = self.plant.line.blower_run = True
        feeder.speed_setpoint_rev_s = rpm / 60.0

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
        """The plant's devices."""
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
        plant, due = self.plant, self._due
        for _ in range(steps):
            if due and due[0][0] <= plant.now_s + 1e-9:
                self._act()
            if self._step():
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

    def _post(self, step: Step) -> None:
        heapq.heappush(self._due, (step.t_s, next(self._order), step))

    def _act(self) -> None:
        while self._due and self._due[0][0] <= self.now_s + 1e-9:
            self._play(heapq.heappop(self._due)[2])

    def _play(self, step: Step) -> None:
        for after in self._act_on(step):
            self._post(after)
        opposite = opposite_of(step)
        if opposite is not None:
            self._post(opposite)


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
