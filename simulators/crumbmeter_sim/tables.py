"""CSV tables: the truth of a run, and the record of its registers that playback can serve again."""

import csv
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

from crumbmeter_sim import units

if TYPE_CHECKING:
    from crumbmeter_sim.playback import Playback
    from crumbmeter_sim.stage import Stage


def write_truth(rig: "Stage[Any, Any]", path: Path) -> None:
    """Write the truth: one row for each second of a drum plant, one for each batch of a batch plant."""
    rows = rig.table()
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(list(rows[0]) if rows else [])
        for row in rows:
            writer.writerow([_written(value) for value in row.values()])


def _written(value: Any) -> str:
    if value is None:
        return ""
    return value if isinstance(value, str) else f"{value:.6g}"


class RecordWriter:
    """Writes every register of every device at a fixed period, in each register's own unit. No value: an empty cell."""

    def __init__(self, rig: "Stage[Any, Any] | Playback", path: Path, period_s: float) -> None:
        self._rig = rig
        self._period_s = period_s
        self._due_s = rig.now_s
        self._names = [(device, name) for device, bank in rig.banks.items() for name in bank.profile.registers]
        self._file: TextIO = path.open("w", newline="", encoding="utf-8")
        self._writer = csv.writer(self._file)
        self._writer.writerow(["t_s", *(f"{device}.{name}" for device, name in self._names)])
        self.take()

    def until_next_s(self) -> float:
        """[s] Return the plant time left until the next row is due; never less than one inner step."""
        return max(self._rig.step_s, self._due_s - self._rig.now_s)

    def take(self) -> None:
        """Write a row if one is due."""
        now_s = self._rig.now_s
        if now_s < self._due_s - 1e-9:
            return
        self._due_s += self._period_s
        self._writer.writerow([f"{now_s:.3f}", *(self._cell(device, name) for device, name in self._names)])

    def close(self) -> None:
        """Finish the file."""
        self._file.close()

    def _cell(self, device: str, name: str) -> str:
        bank = self._rig.banks[device]
        value = bank.value(name)
        if value is None or self._rig.links[device].mode != "up":
            return ""
        return repr(units.from_si(bank.profile.registers[name].unit, value))
