"""Other people's Modbus: mbpoll and libmodbus, where deploy/test has brought them; and a line of two terminals."""

import asyncio
import shutil
import subprocess
from functools import cache
from pathlib import Path

from crumbmeter_sim.channel import Channel
from crumbmeter_sim.gate import PtyGate

ROOT = Path(__file__).resolve().parents[3]
HERE = Path(__file__).resolve().parent
DEBIAN = ROOT / ".tools" / "debian" / "root"
PATIENCE_S = 30.0

MBPOLL = shutil.which("mbpoll") or shutil.which("mbpoll", path=str(ROOT / ".tools" / "bin"))
GCC = shutil.which("gcc")
ROOTS = [root for root in (Path("/"), DEBIAN) if (root / "usr/include/modbus/modbus.h").exists()]
LIBMODBUS = ROOTS[0] if ROOTS else None


@cache
def build_peer(folder: Path) -> Path:
    """Compile the libmodbus program; return where it is."""
    assert GCC is not None
    assert LIBMODBUS is not None
    target = folder / "libmodbus_peer"
    command = [
        GCC,
        "-std=gnu99",
        "-O1",
        "-Wall",
        "-Wextra",
        "-Werror",
        "-o",
        str(target),
        str(HERE / "libmodbus_peer.c"),
    ]
    if Path("/") != LIBMODBUS:
        libraries = sorted({str(path.parent) for path in LIBMODBUS.rglob("libmodbus.so")})
        command += [f"-I{LIBMODBUS / 'usr/include'}", *(f"-L{path}" for path in libraries)]
        command += [f"-Wl,-rpath,{path}" for path in libraries]
    done = subprocess.run([*command, "-lmodbus"], capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stderr
    return target


async def run(*words: str | Path) -> tuple[int, str]:
    """Run a program; return its exit code and all that it said."""
    child = await asyncio.create_subprocess_exec(
        *map(str, words),
        stdin=asyncio.subprocess.DEVNULL,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.STDOUT,
    )
    try:
        said, _ = await asyncio.wait_for(child.communicate(), PATIENCE_S)
    except TimeoutError:
        child.kill()
        raise
    assert child.returncode is not None
    return child.returncode, said.decode()


class SerialCable:
    """Two terminals, each of which hears what is said at the other: a serial line between two programs.

    A pseudo-terminal has no parity: a program that checks whether its setting was taken must ask for none.
    """

    def __init__(self, folder: Path) -> None:
        self._ends: list[Channel] = []
        self._gates = [PtyGate(folder / name, self._ends.append) for name in ("near", "far")]
        for gate in self._gates:
            gate.open()
        near, far = self._ends
        near.on_data, far.on_data = far.write, near.write
        self.near, self.far = (gate.address for gate in self._gates)

    def close(self) -> None:
        """Pull both ends."""
        for gate in self._gates:
            gate.close()
