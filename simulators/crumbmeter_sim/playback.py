"""Play a recorded run back through the same registers. Between two rows the last one holds; nothing is interpolated.

A CSV has `t_s` and one column for each `server.register`, in that register's own unit; an empty cell is "no value". A
device whose cells are all empty in a row did not answer then, and does not answer now. A register that a master may
write shows what was recorded until it is written, and from then on what was written.
"""

import csv
import itertools
from bisect import bisect_right
from dataclasses import dataclass
from pathlib import Path

from crumbmeter_sim import units
from crumbmeter_sim.actions import Link
from crumbmeter_sim.bank import Bank, Sink, Source
from crumbmeter_sim.codec import Register
from crumbmeter_sim.loader import FileRefusedError, build, read_toml
from crumbmeter_sim.plantfile import devices_folder, load_plant
from crumbmeter_sim.profile import load_profile_of
from crumbmeter_sim.sockets import BusTruth, ServerTruth

_STEP_S = 0.05


@dataclass(frozen=True, slots=True)
class _Sheet:
    """A TOML file that names a record and the plant whose servers it is played on."""

    record: str
    plant: str
    title: str = "Playback"


class Playback:
    """A record behind the registers of a plant. Has the same face towards the sockets as a rig."""

    def __init__(self, record: Path, plant: Path, title: str = "Playback") -> None:
        self.title = title
        self.seed = 0
        self.now_s = 0.0
        self.step_s = _STEP_S
        truth = load_plant(plant)
        devices = devices_folder(truth, plant, record)
        self.servers: tuple[ServerTruth, ...] = truth.server
        self._buses = truth.bus
        self.banks: dict[str, Bank] = {}
        self.links: dict[str, Link] = {}
        self._written: dict[tuple[str, str], float] = {}
        self._row = 0
        header, self._times_s, self._rows = _read(record)
        self._columns = {name: i for i, name in enumerate(header)}
        unknown = set(self._columns) - {"t_s"}
        for server in self.servers:
            profile = load_profile_of(server, devices)
            unknown -= {f"{server.name}.{name}" for name in profile.registers}
            sources: dict[str, Source] = {}
            sinks: dict[str, Sink] = {}
            for register in profile.registers.values():
                sources[register.name] = self._source(server.name, register)
                if register.writable:
                    sinks[register.name] = self._sink(server.name, register.name)
            self.banks[server.name] = Bank(profile, sources, sinks)
            self.links[server.name] = Link()
        if unknown:
            raise FileRefusedError(record, [f"  column {name}: no such register" for name in sorted(unknown)])
        self.advance_to(0.0)

    @classmethod
    def open(cls, path: Path, plant: Path | None = None) -> "Playback":
        """Open a CSV (with its plant) or a TOML file that names both."""
        if path.suffix != ".toml":
            if plant is None:
                raise FileRefusedError(path, ["  a CSV needs --plant, whose servers it is played on"])
            return cls(path, plant)
        sheet = build(path, _Sheet, read_toml(path))
        return cls(path.parent / sheet.record, plant or path.parent / sheet.plant, sheet.title)

    @property
    def duration_s(self) -> float:
        """[s] When the last row was taken."""
        return self._times_s[-1]

    @property
    def buses(self) -> tuple[BusTruth, ...]:
        """Lines that several of them share."""
        return self._buses

    def is_faulty(self, server: str) -> bool:  # noqa: ARG002 - the face of a rig
        """Tell whether faults of the wire are to come: a record has none."""
        return False

    @property
    def finished(self) -> bool:
        """Whether the record is over."""
        return self.now_s >= self.duration_s

    def advance_to(self, t_s: float) -> None:
        """Move to time `t_s` [s] of the record."""
        self.now_s = max(self.now_s, t_s)
        self._row = max(0, bisect_right(self._times_s, self.now_s + 1e-9) - 1)
        row = self._rows[self._row]
        for name, link in self.links.items():
            cells = [row[i] for column, i in self._columns.items() if column.startswith(f"{name}.")]
            link.mode = "dead" if cells and all(cell is None for cell in cells) else "up"

    def _source(self, device: str, register: Register) -> Source:
        place = self._columns.get(f"{device}.{register.name}")
        key = (device, register.name)

        def value() -> float | None:
            if key in self._written:
                return self._written[key]
            cell = None if place is None else self._rows[self._row][place]
            return None if cell is None else units.to_si(register.unit, cell)

        return value

    def _sink(self, device: str, name: str) -> Sink:
        def write(value: float) -> None:
            self._written[device, name] = value

        return write


def _read(path: Path) -> tuple[list[str], list[float], list[tuple[float | None, ...]]]:
    try:
        with path.open(newline="", encoding="utf-8") as file:
            lines = list(csv.reader(file))
    except OSError as error:
        raise FileRefusedError(path, [f"  {error}"]) from error
    if len(lines) < 2 or lines[0][:1] != ["t_s"]:
        raise FileRefusedError(path, ["  needs a header that begins with t_s, and at least one row"])
    rows: list[tuple[float | None, ...]] = []
    problems = []
    for number, line in enumerate(lines[1:], start=2):
        try:
            rows.append(tuple(float(cell) if cell else None for cell in line))
        except ValueError as error:
            problems.append(f"  line {number}: {error}")
    times = [row[0] for row in rows if row and row[0] is not None]
    if len(times) < len(rows) or any(b <= a for a, b in itertools.pairwise(times)):
        problems.append("  t_s: must rise from row to row")
    if any(len(row) != len(lines[0]) for row in rows):
        problems.append("  every row must have as many cells as the header")
    if problems:
        raise FileRefusedError(path, problems)
    return lines[0], times, rows
