"""A simulated plant beside the daemon: the other program's start, and the folder of a run."""

import asyncio
import sys
from pathlib import Path

from crumbmeter.app import StartRefusedError
from crumbmeter.cli.run import load_or_say
from crumbmeter.site import Site

KEPT_RUNS = 5
"""Folders of earlier runs that are kept."""
READY_S = 20.0
"""[s] The simulator must be ready within this."""


def simulated_or_say(path: Path, what: str) -> Site | None:
    """Load a site that is marked simulated; say what is wrong, and return None, where it is not one."""
    site = load_or_say(path)
    if site is not None and not site.params.simulated:
        sys.stderr.write(f"{path}: {what} only runs a site with simulated = true\n")
        return None
    return site


async def wait_ready(plant: asyncio.subprocess.Process) -> None:
    """Wait for the simulator's READY line.

    Raises:
        StartRefusedError: it ended instead, with what it said.
    """
    assert plant.stdout is not None and plant.stderr is not None  # noqa: S101, PT018 - both were asked for
    try:
        async with asyncio.timeout(READY_S):
            line = await plant.stdout.readline()
    except TimeoutError:
        raise StartRefusedError(f"the simulator was not ready within {READY_S:.0f} s") from None
    if not line.startswith(b"READY"):
        said = (await plant.stderr.read()).decode(errors="replace").strip()
        raise StartRefusedError(f"the simulator ended: {said or 'without a word'}")


def new_folder(folder: Path) -> Path:
    """Make the next run's folder, and clear away all but the newest few."""
    folder.mkdir(parents=True, exist_ok=True)
    runs = sorted(int(path.name[4:]) for path in folder.glob("run-*") if path.name[4:].isdigit())
    for old in runs[: -KEPT_RUNS + 1]:
        for path in (folder / f"run-{old}").iterdir():
            path.unlink()
        (folder / f"run-{old}").rmdir()
    fresh = folder / f"run-{runs[-1] + 1 if runs else 1}"
    fresh.mkdir()
    return fresh


def point_at(newest: Path, socket: Path) -> None:
    """Let `show` and `do` find the demonstration without --socket, unless another daemon has that place."""
    if newest.is_symlink():
        newest.unlink()
    if not newest.exists():
        newest.symlink_to(socket.resolve())
