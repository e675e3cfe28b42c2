"""Tables of scans of a batch plant (tests/cases/batches/*/scans.csv): what the plant shows, what must be answered.

One row is one scan at `t_s`; between rows the bench scans every 0.2 s with inputs held and a machine that obeys
(blower, airlock, auger, valve, refill gate; tests/batch_cores.py). It begins with the first charge ready. Columns:

`in.SIGNAL`   value in SI from this row on; `BAD`: the register holds no number. Blank: no change.
`cmd`         `start`, `stop`, `hold`, `monitor`.
`out.ROLE`    output of this scan. Blank cells are not looked at.
`phase`, `state`   of the cycle, and the run state.
`events`      names of events since the row before that must be among them, parted by blanks.
"""

import csv
import math
from pathlib import Path

import pytest

from crumbmeter.model.commands import CommandKind
from tests.batch_cores import ROLES, SIGNALS, BatchBench
from tests.cores import command

CASES = sorted(path.parent for path in (Path(__file__).parents[2] / "cases/batches").glob("*/scans.csv"))
WORDS = {
    "start": CommandKind.START_FEED,
    "stop": CommandKind.STOP_FEED,
    "hold": CommandKind.HOLD_FEED,
    "monitor": CommandKind.MONITOR_ONLY,
}
COLUMNS = {"t_s", "cmd", "phase", "state", "events"}


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        lines = [line for line in file if line.strip() and not line.startswith("#")]
    return [{key.strip(): value.strip() for key, value in row.items()} for row in csv.DictReader(lines)]


@pytest.mark.parametrize("folder", CASES, ids=lambda folder: folder.name)
def test_case(folder: Path) -> None:
    rows = rows_of(folder / "scans.csv")
    unknown = {key for key in rows[0] if key not in COLUMNS}
    assert unknown <= {f"in.{name}" for name in SIGNALS} | {f"out.{role}" for role in ROLES}
    bench = BatchBench().ready()
    begun_s, told = bench.now_s, len(bench.results)
    for row in rows:
        while bench.now_s < begun_s + float(row["t_s"]) - bench.dt_s - 1e-6:
            bench.scan()
            bench.obey()
        bench.values.update(
            {
                key[3:]: math.nan if value == "BAD" else float(value)
                for key, value in row.items()
                if key[:3] == "in." and value
            }
        )
        commands = [command(WORDS[word]) for word in row.get("cmd", "").split()]
        result = bench.scan(*commands)
        bench.obey()
        where = f"{folder.name} at {row['t_s']} s"
        for key, value in row.items():
            if key.startswith("out.") and value:
                assert bench.out(key[4:]) == pytest.approx(float(value), abs=0.005), f"{where}: {key}"
        if row.get("phase"):
            assert bench.phase == row["phase"], where
        if row.get("state"):
            assert result.view.run_state == row["state"], where
        names = {happened.name for one in bench.results[told:] for happened in one.events}
        assert set(row.get("events", "").split()) <= names, f"{where}: {sorted(names)}"
        told = len(bench.results)


def test_there_are_cases() -> None:
    assert {folder.name for folder in CASES} >= {"plain", "window_lost", "emergency_stop", "late"}
