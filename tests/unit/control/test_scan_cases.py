"""Tables of scans (tests/cases/scans/*/scans.csv): what the plant shows, what is asked, what the core must answer.

Each case has `case.toml` (title, and settings that differ from tests/cores.py) and `scans.csv`. One row is one scan at
`t_s`; between rows the bench scans every 0.2 s with inputs held. Columns:

`in.SIGNAL`    value in SI from this row on; `BAD`: the register holds no number; `obey`: from now on it does what the
               scan before asked for (blower, airlock, auger; the hopper loses what it carries). Blank: no change.
`write.ROLE`   stage of that output's write from this row on (`confirmed`, `failed`, ...).
`cmd`          `enable`, `start`, `hold`, `stop`, `monitor`, `mix ID`, `ack ALARM`; several with `;`.
`gap_s`        this scan comes so long after the one before it, with none in between (else 0.2 s).
`out.ROLE`     output of this scan, to the decimals written; also `setpoint_kg_s`, `write_enabled`, `stop_now`.
`state`        run state. Blank cells are not looked at.
`why`          stages of the constraint chain that narrowed this scan's setpoint, in order; `-`: none.
`alarms`       `+raised` and `-cleared` since the row before. A blank cell says that there was none.
"""

import csv
import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, fields, is_dataclass, replace
from enum import StrEnum
from pathlib import Path
from typing import Any

import pytest

from crumbmeter.control.params import BelowTurndown, MeterMode, Params
from crumbmeter.control.step import StepResult
from crumbmeter.model.commands import Command, CommandKind
from crumbmeter.model.image import WriteStage, WriteStatus
from tests.cores import INDEX, RUNNING, Bench, command, image_of, make_params

CASES = sorted(path.parent for path in (Path(__file__).parents[2] / "cases/scans").glob("*/scans.csv"))
FOLLOWS = {"blower_running": "blower_run", "airlock_running": "airlock_run", "auger_speed": "auger_speed"}
FACTOR_KG_REV = 0.9
ENUMS: dict[str, type[StrEnum]] = {"below_turndown": BelowTurndown, "mode": MeterMode}
COLUMNS = {"t_s", "cmd", "gap_s", "state", "why", "alarms"}
WORDS = {
    "enable": CommandKind.ENABLE_CONTROL,
    "start": CommandKind.START_FEED,
    "hold": CommandKind.HOLD_FEED,
    "stop": CommandKind.STOP_FEED,
    "monitor": CommandKind.MONITOR_ONLY,
    "mix": CommandKind.SELECT_MIX,
    "ack": CommandKind.ACKNOWLEDGE,
}


def changed(value: Any, changes: Mapping[str, Any]) -> Any:
    """Return the frozen settings with some fields changed; an unknown field is an error of the case."""
    assert is_dataclass(value)
    assert not isinstance(value, type)
    known = {field.name for field in fields(value)}
    assert set(changes) <= known, f"unknown settings {set(changes) - known}"
    new = {
        name: changed(getattr(value, name), to) if isinstance(to, dict) else ENUMS.get(name, lambda as_is: as_is)(to)
        for name, to in changes.items()
    }
    return replace(value, **new)


def settings_of(case: Mapping[str, Any]) -> Params:
    assert set(case) <= {"title", "params", "mixes"}
    params: Params = changed(make_params(), case.get("params", {}))
    changes = case.get("mixes", {})
    assert set(changes) <= {mix.mix_id for mix in params.mixes}
    return replace(params, mixes=tuple(changed(mix, changes.get(mix.mix_id, {})) for mix in params.mixes))


def commands_of(cell: str, params: Params) -> tuple[Command, ...]:
    asked = []
    for part in filter(None, (text.strip() for text in cell.split(";"))):
        word, _, subject = part.partition(" ")
        asked.append(command(WORDS[word], params.settings_id if word == "enable" else subject))
    return tuple(asked)


@dataclass
class Table:
    """One case under way."""

    bench: Bench
    obeying: set[str]
    writes: dict[str, WriteStage]

    def set_inputs(self, row: Mapping[str, str]) -> None:
        for column, cell in row.items():
            kind, _, name = column.partition(".")
            if not cell or kind not in ("in", "write"):
                continue
            if kind == "write":
                self.writes[name] = WriteStage(cell)
                continue
            assert name in INDEX, f"no signal named {name}"
            self.obeying.discard(name)
            if cell == "obey":
                assert name in (*FOLLOWS, "hopper_mass")
                self.obeying.add(name)
            else:
                self.bench.values[name] = math.nan if cell == "BAD" else float(cell)

    def scan(self, commands: tuple[Command, ...] = (), dt_s: float = 0.2) -> StepResult:
        bench = self.bench
        if bench.results:
            told = {role.value: value for role, value in bench.results[-1].outputs.values}
            for name in self.obeying & set(FOLLOWS):
                bench.values[name] = told[FOLLOWS[name]]
        if "hopper_mass" in self.obeying:
            bench.values["hopper_mass"] -= FACTOR_KG_REV * bench.values["auger_speed"] * dt_s
        writes = tuple(WriteStatus(self.writes.get(spec.role, WriteStage.NONE)) for spec in bench.params.outputs)
        return bench.scan(*commands, dt_s=dt_s, image=image_of(bench.now_s + dt_s, bench.values, writes=writes))


def check(row: Mapping[str, str], result: StepResult, happened: list[StepResult], where: str) -> None:
    values: dict[str, float] = {role.value: value for role, value in result.outputs.values}
    values["setpoint_kg_s"] = result.view.setpoint_kg_s
    values["write_enabled"] = float(result.outputs.write_enabled)
    values["stop_now"] = float(result.outputs.stop_now)
    for column, cell in row.items():
        if cell and column.startswith("out."):
            decimals = len(cell.partition(".")[2])
            assert round(values[column[4:]], decimals) == float(cell), f"{where}: {column} is {values[column[4:]]}"
    if row.get("state"):
        assert result.view.run_state == row["state"], f"{where}: {result.view.run_reason}"
    if row.get("why"):
        assert " ".join(stage for stage, _ in result.view.narrowed) == row["why"].strip("-"), where
    signs = {"alarm_raised": "+", "alarm_cleared": "-"}
    moved = [
        signs[event.name] + str(event.get("alarm")) for scan in happened for event in scan.events if event.name in signs
    ]
    assert sorted(moved) == sorted(row["alarms"].split()), f"{where}: alarms {moved}"


def read_case(folder: Path) -> tuple[dict[str, Any], list[dict[str, str]]]:
    with (folder / "scans.csv").open(encoding="utf-8", newline="") as file:
        lines = csv.reader(file, skipinitialspace=True)
        titles = [title.strip() for title in next(lines)]
        unknown = {
            title for title in titles if title not in COLUMNS and title.partition(".")[0] not in ("in", "out", "write")
        }
        assert not unknown
        rows = [dict(zip(titles, (cell.strip() for cell in line), strict=True)) for line in lines if line]
    return tomllib.loads((folder / "case.toml").read_text("utf-8")), rows


@pytest.mark.parametrize("folder", CASES, ids=lambda path: path.name)
def test_scans(folder: Path) -> None:
    case, rows = read_case(folder)
    params = settings_of(case)
    table = Table(Bench(params), set(), {})
    t_s = -0.2
    for number, row in enumerate(rows, start=2):
        due_s, gap_s, first = float(row["t_s"]), float(row.get("gap_s") or 0.2), len(table.bench.results)
        while t_s + gap_s < due_s - 1e-6:
            table.scan()
            t_s = round(t_s + 0.2, 6)
        assert math.isclose(t_s + gap_s, due_s, abs_tol=1e-6), f"line {number}: t_s is no time of a scan"
        table.set_inputs(row)
        result = table.scan(commands_of(row.get("cmd", ""), params), gap_s)
        t_s = due_s
        check(row, result, table.bench.results[first:], f"{folder.name}/scans.csv:{number} t={due_s}")


def test_there_are_cases_and_each_has_a_title() -> None:
    assert len(CASES) >= 14
    for folder in CASES:
        assert read_case(folder)[0]["title"].endswith("."), folder.name


def test_a_wrong_table_fails() -> None:
    """The runner itself: a wrong output, state, reason or alarm in a table is found."""
    bench = Bench()
    result = bench.scan()
    good = {"state": "monitor only", "out.write_enabled": "0", "alarms": "", "why": "-"}
    check(good, result, [result], "here")
    wrong = (
        {"state": "feeding"},
        {"out.write_enabled": "1"},
        {"out.setpoint_kg_s": "0.1"},
        {"alarms": "+dose_out"},
        {"why": "slew"},
    )
    for cell in wrong:
        with pytest.raises(AssertionError):
            check(good | cell, result, [result], "here")
    assert bench.values == RUNNING
