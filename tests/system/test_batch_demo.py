"""A batch plant over real sockets: the simulator and the daemon as two programs, and the record that they leave."""

import asyncio
import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from crumbmeter.journal.reader import Reader
from crumbmeter.ledger import parcels
from tests.system.plants import ROOT, SiteFile

SCENARIO = """\
title = "Two batches"
plant = "../plants/demo_batch.toml"
seed = 51
duration_s = 160.0

[[at]]
t_s = 5.0
do = "batches_start"

[[operator]]
t_s = 1.0
command = "enable control"

[[operator]]
t_s = 2.0
command = "start feed"

[[expect]]
event = "batch_delivered"
after_s = 30.0
before_s = 120.0

[expect_end]
run_state = "feeding"
min_batches_complete = 1
max_batch_error_percent = 5.0
max_outside_window_kg = 0.0
"""


def words_of(folder: Path, free_port: Callable[[], int]) -> list[str]:
    """Write site, plant and scenario with ports of the test's own; return the command."""
    site = SiteFile(folder, free_port, rate=1.0)
    own_site = (ROOT / "config" / "sites" / "demo_batch.toml").read_text()
    own_plant = (ROOT / "config" / "plants" / "demo_batch.toml").read_text()
    for port in (15041, 15042, 15045, 15046):
        own = free_port()
        own_site = own_site.replace(f"port = {port}", f"port = {own}")
        own_plant = own_plant.replace(f"port = {port}", f"port = {own}")
    site.path.write_text(own_site)
    site.set("publish.metrics", "port", site.metrics_port)
    site.set("publish.mqtt", "broker", f"embedded:{free_port()}")
    for name, text in (("plants/demo_batch.toml", own_plant), ("scenarios/short.toml", SCENARIO)):
        (folder / name).parent.mkdir()
        (folder / name).write_text(text)
    return [
        sys.executable, "-m", "crumbmeter", "demo", "--site", str(site.path), "--no-yardsticks", "--rate", "4",
        "--scenario", str(folder / "scenarios" / "short.toml"), "--folder", str(folder / "d"), "--json",
    ]  # fmt: skip


@pytest.mark.slow
@pytest.mark.timeout(150)
async def test_batches_are_served_over_real_sockets(tmp_path: Path, free_port: Callable[[], int]) -> None:
    program = await asyncio.create_subprocess_exec(
        *words_of(tmp_path, free_port), stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=tmp_path
    )
    out, err = await asyncio.wait_for(program.communicate(), 120)
    assert program.returncode == 0, (out.decode(), err.decode())
    told = json.loads(out)
    assert told["verdict"]["failures"] == []
    assert told["score"]["window"]["released_outside_kg"] == 0.0
    with Reader(tmp_path / "d" / "run-1" / "journal.db") as reader:
        kept = [one.parcel for one in parcels.iterate(reader)]
    assert len(kept) >= 1
    for parcel in kept:
        assert parcel.rubber_g == pytest.approx(parcel.target_rubber_g, rel=0.05)
        assert parcel.simulated
