"""A bench for each system test: simulator, site, daemon and a broker, all as processes, all gone after it."""

from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path

import pytest

from tests.system.brokers import Mosquitto
from tests.system.plants import Running, Simulator, SiteFile, Tap


class Bench:
    """What one test has before it."""

    def __init__(self, folder: Path, free_port: Callable[[], int]) -> None:
        self.folder = folder
        self.free_port = free_port
        self.simulator: Simulator | None = None
        self.taps: dict[str, Tap] = {}
        self.daemons: list[Running] = []

    def site(self, *, rate: float = 5.0) -> SiteFile:
        """Make a site, not yet connected to anything."""
        return SiteFile(self.folder, self.free_port, rate=rate)

    async def plant(self, site: SiteFile, *, more: str = "", tapped: bool = False) -> Simulator:
        """Start the simulated plant and connect the site to it, through taps where asked."""
        self.simulator = Simulator(self.folder, rate=site.rate, more=more)
        await self.simulator.start()
        ports = self.simulator.ports
        if tapped:
            self.taps = {name: Tap(ports[name]) for name in ports}
            for tap in self.taps.values():
                await tap.start()
            ports = {name: tap.port for name, tap in self.taps.items()}
        site.connect(ports)
        return self.simulator

    def start(self, site: SiteFile, said_to: int | None = None) -> Running:
        """Start a daemon; what it says goes to a file, or to the file descriptor given."""
        self.daemons.append(Running(site, said_to))
        return self.daemons[-1]

    async def close(self) -> None:
        """End all that is left."""
        for daemon in self.daemons:
            daemon.close()
        for tap in self.taps.values():
            await tap.stop()
        if self.simulator is not None:
            self.simulator.close()


@pytest.fixture
async def bench(tmp_path: Path, free_port: Callable[[], int]) -> AsyncIterator[Bench]:
    """Return an empty bench."""
    made = Bench(tmp_path, free_port)
    yield made
    await made.close()


@pytest.fixture
def real_broker(tmp_path: Path, free_port: Callable[[], int]) -> Iterator[Mosquitto]:
    """Return a real Mosquitto that runs."""
    server = Mosquitto(tmp_path, free_port())
    server.start()
    yield server
    server.close()
