"""Control as a process of the benchmark: the real daemon, with one more consumer that notes when each scan was done.

    python -m tests.benchmarks.desk_control SITE FILE

FILE gets a line for each scan: [s] the machine's monotonic clock, and [us] from when the scan was due to its end.
"""

import asyncio
import signal
import sys
import time
from pathlib import Path

from crumbmeter.app import Daemon
from crumbmeter.model.scan import ScanResult
from crumbmeter.site import load


class Notes:
    """Writes a line a scan."""

    def __init__(self, path: Path, rate: float) -> None:
        self._file = path.open("w", buffering=1)
        self._rate = rate

    def offer_nowait(self, done: ScanResult) -> bool:
        """Note one scan."""
        late_us = (done.ended_s - done.due_s) / self._rate * 1e6
        self._file.write(f"{time.perf_counter():.6f} {late_us:.1f}\n")
        return True

    def close(self) -> None:
        """Close the file."""
        self._file.close()


async def _run(site_path: Path, notes_path: Path) -> int:
    site = load(site_path)
    daemon = Daemon(site)
    notes = Notes(notes_path, site.clock_rate)
    daemon.fanout.add("benchmark", notes)
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, daemon.stop)
    try:
        return await daemon.run()
    finally:
        notes.close()


if __name__ == "__main__":
    sys.exit(asyncio.run(_run(Path(sys.argv[1]), Path(sys.argv[2]))))
