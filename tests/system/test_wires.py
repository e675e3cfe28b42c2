"""A start, a refill, a stop with a full drum and a restart over OPC UA and a serial line: real programs, real links."""

import asyncio
import json
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.wires import ROOT, WIRES, laid

RATE = 5.0
SCENARIO = f"""\
title = "Start, refill, stop, restart"
plant = "{ROOT}/config/plants/demo_drum.toml"
seed = 5
duration_s = 170.0

[changes]
"hopper.start_kg" = 74.0

[[at]]
t_s = 2.0
do = "plant_start"
mix_short_ton_h = 250.0

[[at]]
t_s = 140.0
do = "drum_stop"
for_s = 12.0

[[operator]]
t_s = 1.0
command = "enable control"

[[operator]]
t_s = 2.0
command = "start feed"

[[expect]]
event = "run_state_changed"
after_s = 10.0
before_s = 90.0
detail = {{ to = "feeding" }}

[[expect]]
event = "refill_began"
after_s = 40.0
before_s = 120.0

[[expect]]
event = "refill_ended"
after_s = 60.0
before_s = 145.0

[[expect]]
event = "feed_stopped"
after_s = 138.0
before_s = 148.0

[[expect]]
event = "run_state_changed"
after_s = 150.0
before_s = 170.0
detail = {{ to = "feeding" }}

[expect_end]
run_state = "feeding"
min_fed_kg = 15.0
min_refills = 1
max_rubber_without_mix_kg = 2.5
"""


def _folder(folder: Path) -> tuple[Path, Path]:
    folder.mkdir()
    scenario = folder / "short.toml"
    scenario.write_text(SCENARIO)
    return folder, scenario


async def _play(
    wire: str, folder: Path, scenario: Path, free_port: Callable[[], int]
) -> tuple[int | None, dict[str, Any], str]:
    with laid(WIRES[wire], folder, free_port, patient=True) as files:
        program = await asyncio.create_subprocess_exec(
            *files.demo_words(scenario, RATE, "--no-yardsticks", "--json"),
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=ROOT,
        )  # fmt: skip
        out, err = await asyncio.wait_for(program.communicate(), 110)
    return program.returncode, json.loads(out or "{}"), err.decode()


@pytest.mark.slow
async def test_the_same_shift_over_opc_ua_and_over_a_serial_line(tmp_path: Path, free_port: Callable[[], int]) -> None:
    runs = await asyncio.gather(*(_play(wire, *_folder(tmp_path / wire), free_port) for wire in ("opcua", "rtu")))
    for code, told, err in runs:
        assert (code, told.get("verdict", {}).get("failures")) == (0, []), err
        assert "Traceback" not in err
        assert told["score"]["feeder"]["refills"] == 1
