"""A journal of many hours, made on virtual time: core, recorder and journal are the product's, the plant is simulated.

    python -m tests.benchmarks.made_journal FOLDER [--hours 8]

The demonstration hour is played once an hour: rates, stops, refills and bag changes come again each time.
"""

import argparse
import asyncio
import contextlib
import dataclasses
import sys
import uuid
from pathlib import Path
from typing import Any

from crumbmeter import site as sites
from crumbmeter.app.recording import Recording
from crumbmeter.control.step import StepResult
from crumbmeter.model.scan import ScanResult
from crumbmeter_sim.plantfile import devices_folder, load_plant
from crumbmeter_sim.rig import Rig
from crumbmeter_sim.scenario import Scenario, load_scenario
from tests.benchmarks.section import DEMO_SITE, SCENARIOS
from tests.benchmarks.watch import Step, stepping_through
from tests.closed_loop import ClosedLoop

SEED = 7
WALL_START_US = 1_770_000_000_000_000
FLUSH_SCANS = 1500
"""Scans after which the maker waits for the disk: it is far faster than the daemon, whose queue this is."""
FLUSH_S = 60.0


class RigClock:
    """The clock of a closed loop, for the recorder."""

    def __init__(self, loop: ClosedLoop) -> None:
        self._loop = loop

    def now_s(self) -> float:
        return self._loop.now_s

    def wall_us(self) -> int:
        return WALL_START_US + round(self._loop.now_s * 1e6)

    async def sleep_until(self, due_s: float) -> None:
        raise AssertionError("nobody waits on virtual time here")


def over_and_over(hour: Scenario, duration_s: float) -> Scenario:
    """Play an hour again and again; the plant is started, and control enabled, only once."""
    steps, again_s = list(hour.at), hour.duration_s
    while again_s < duration_s:
        steps += [
            dataclasses.replace(step, t_s=step.t_s + again_s)
            for step in hour.at
            if step.do != "plant_start" and step.t_s + again_s < duration_s
        ]
        again_s += hour.duration_s
    kept = tuple(step for step in steps if step.t_s < duration_s)
    return dataclasses.replace(hour, at=kept, duration_s=duration_s)


def make_loop(folder: Path, hours: float) -> ClosedLoop:
    """Build the demonstration site with its journal in `folder`, against the demonstration plant."""
    hour = load_scenario(SCENARIOS / "demo_shift.toml")
    truth = load_plant(hour.plant, hour.changes)
    rig = Rig(truth, devices_folder(truth, hour.plant), seed=SEED, scenario=over_and_over(hour, hours * 3600.0))
    site = sites.load(DEMO_SITE)
    return ClosedLoop(dataclasses.replace(site, journal=dataclasses.replace(site.journal, folder=folder)), rig)


async def make(folder: Path, hours: float) -> dict[str, Any]:
    """Make the journal; return what is in it."""
    return await record_journal(make_loop(folder, hours))


async def record_journal(loop: ClosedLoop) -> dict[str, Any]:
    """Play a loop to its end into its site's journal; return what is in it."""
    recording = Recording(loop.site, uuid.uuid4().hex, RigClock(loop))

    def recorded(step: Step, arguments: tuple[Any, ...]) -> StepResult:
        _, image, commands, _, dt_s = arguments
        result = step(*arguments)
        scan = ScanResult(
            number=loop.scans + 1, wall_us=WALL_START_US + round(image.now_s * 1e6), due_s=image.now_s,
            began_s=image.now_s, ended_s=image.now_s, skipped=0, dt_s=dt_s, image=image, commands=commands,
            events=result.events, parcels=result.parcels, view=result.view,
        )  # fmt: skip
        recording.take(scan, result)
        return result

    async with contextlib.AsyncExitStack() as stack:
        loop.state = await recording.open(stack)
        journal = recording._journal
        if journal is None:
            raise RuntimeError("the recording has no journal")
        with stepping_through(recorded):
            while not loop.rig.finished:
                loop.scan()
                if loop.scans % FLUSH_SCANS == 0:
                    journal.flush(FLUSH_S)
        recording.end()
        journal.flush(FLUSH_S)
        status = journal.status()
    if status.failing or any(status.dropped.values()):
        raise RuntimeError(f"the journal is not whole: {status}")
    return {
        "scans": loop.scans,
        "bytes": recording.path.stat().st_size,
        "mix_tonne": loop.rig.score()["total"]["mix_tonne"],
    }


def main() -> None:
    """Make a journal to look at."""
    parser = argparse.ArgumentParser(description="Make a journal of many hours on virtual time.")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--hours", type=float, default=8.0)
    options = parser.parse_args()
    sys.stdout.write(f"{asyncio.run(make(options.folder, options.hours))}\n")


if __name__ == "__main__":
    main()
