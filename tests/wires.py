"""The demonstration plant over each wire: Modbus TCP, a serial line, OPC UA. Own ports and files, same scenarios."""

import re
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]


@dataclass(frozen=True)
class Wire:
    """One way to speak with the same plant."""

    title: str
    site: str
    """Of config/sites, and of config/plants likewise."""


WIRES = {
    "tcp": Wire("Modbus TCP", "demo_drum"),
    "opcua": Wire("OPC UA", "demo_opcua"),
    "rtu": Wire("Modbus RTU, one serial line", "demo_serial"),
}


@dataclass(frozen=True)
class Laid:
    """Files of one run."""

    folder: Path
    site: Path
    plant: Path

    def demo_words(self, scenario: Path, rate: float, *more: str) -> list[str]:
        """Return the command that plays a scenario."""
        return [
            sys.executable, "-m", "crumbmeter", "demo", "--site", str(self.site), "--plant", str(self.plant),
            "--scenario", str(scenario), "--rate", str(rate), "--folder", str(self.folder / "runs"), *more,
        ]  # fmt: skip


@contextmanager
def laid(wire: Wire, folder: Path, free_port: Callable[[], int], *, patient: bool = False) -> Iterator[Laid]:
    """Lay site and plant of a wire out in a folder.

    Args:
        wire: Which one.
        folder: A fresh one.
        free_port: Gives a port.
        patient: Half a second of a busy machine is no fault of the plant's: readings may be four seconds old.
    """
    site = (ROOT / "config" / "sites" / f"{wire.site}.toml").read_text()
    plant = (ROOT / "config" / "plants" / f"{wire.site}.toml").read_text()
    plant = re.sub(r'^based_on = "', f'based_on = "{ROOT}/config/plants/', plant, flags=re.MULTILINE)
    for port in sorted(set(re.findall(r"^port = (\d+)$", plant, flags=re.MULTILINE))):
        own = free_port()
        site, plant = (re.sub(rf"^port = {port}$", f"port = {own}", text, flags=re.MULTILINE) for text in (site, plant))
    site = re.sub(r"^port = 19464$", f"port = {free_port()}", site, flags=re.MULTILINE)
    site = site.replace('"embedded:18831"', f'"embedded:{free_port()}"')
    if patient:
        site = re.sub(r"^max_age_s = (1\.0|1\.5|2\.0)\b", "max_age_s = 4.0", site, flags=re.MULTILINE)
    terminals = tempfile.mkdtemp(prefix="crumbmeter-", dir="/dev/shm")
    try:
        made = Laid(folder, folder / "sites" / "site.toml", folder / "plants" / "plant.toml")
        shutil.copytree(ROOT / "config" / "devices", folder / "devices")
        for path, text in ((made.site, site.replace("/dev/shm/crumbmeter-demo", terminals)), (made.plant, plant)):
            path.parent.mkdir()
            path.write_text(text)
        yield made
    finally:
        shutil.rmtree(terminals, ignore_errors=True)
