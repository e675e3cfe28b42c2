"""A whole plant for a test: the simulator as a process, a site of the test's own, the daemon as a process beside it.

The site is a copy of config/sites/demo_drum.toml with free ports and short ways (belt, drum, start sequence), so that
rubber flows after some twenty seconds of plant time; the simulator's plant gets the same short ways.
"""

import asyncio
import contextlib
import json
import re
import shutil
import signal
import struct
import subprocess
import sys
import tempfile
import time
import urllib.request
import weakref
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from crumbmeter.adapters.control_line import ControlLine, NoDaemonError
from crumbmeter.journal.reader import Reader
from crumbmeter.ledger import events
from crumbmeter.ledger.stamped import EVENT
from crumbmeter.model.events import Event
from tests.system.brokers import takes_connections, until

ROOT = Path(__file__).resolve().parents[2]
READS = (1, 2, 3, 4)
"""Function codes that read."""
DEVICES = ("belt_scale", "recycle_scale", "binder_meter", "plant_io", "blower", "feeder")

# What the simulated plant differs by from config/plants/demo_drum.toml: everything is near.
NEAR = (
    "belt.0.gate_to_scale_m=1.0", "belt.0.scale_to_drum_m=4.0", "belt.0.gate_lag_s=0.5", "belt.0.run_up_s=0.5",
    "belt.1.gate_to_scale_m=1.0", "belt.1.scale_to_drum_m=2.0", "belt.1.gate_lag_s=0.5", "belt.1.run_up_s=0.5",
    "nominal.belts_after_drum_s=1.0", "drum.run_up_s=1.0", "drum.inlet_to_injection_s=10.0",
    "drum.collar_to_injection_s=5.0", "drum.injection_to_outlet_s=10.0", "line.blower_run_up_s=1.0",
)  # fmt: skip

RUNNING = """\
title = "A plant that starts at once"
plant = "{root}/config/plants/demo_drum.toml"
seed = 7
duration_s = 3600.0

[[at]]
t_s = 0.5
do = "plant_start"
mix_short_ton_h = 250.0
"""


def at(t_s: float, do: str, **values: object) -> str:
    """Write one more entry of a scenario's time line."""
    lines = [f"{key} = {json.dumps(value)}" for key, value in {"t_s": t_s, "do": do, **values}.items()]
    return "\n[[at]]\n" + "\n".join(lines) + "\n"


class Simulator:
    """The simulated plant as a process."""

    def __init__(self, folder: Path, *, rate: float, more: str = "", ports: dict[str, int] | None = None) -> None:
        self._folder = folder
        self._rate = rate
        self._scenario = folder / "scenario.toml"
        self._scenario.write_text(RUNNING.format(root=ROOT) + more)
        self._process: subprocess.Popen[bytes] | None = None
        self.ports: dict[str, int] = ports or {}

    async def start(self, *options: str) -> None:
        """Start it, and return when all its ports are open."""
        words = [sys.executable, "-m", "crumbmeter_sim", "serve", str(self._scenario), "--rate", str(self._rate)]
        words += ["--wait", "--hold-at-end", *(word for near in NEAR for word in ("--set", near)), *options]
        words += [] if "--port-offset" in options else ["--ports", "zero"]
        line = await asyncio.wait_for(asyncio.to_thread(self._launch, words), 20)
        assert line.startswith(b"READY"), line
        self.ports = json.loads(line[5:])["ports"]

    def _launch(self, words: list[str]) -> bytes:
        """Start the process and return its first line."""
        self._process = subprocess.Popen(words, stdout=subprocess.PIPE, cwd=self._folder)
        assert self._process.stdout is not None
        return self._process.stdout.readline()

    def freeze(self) -> None:
        """Stop it as a whole: connections stay open, nothing answers."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def close(self) -> None:
        """End it."""
        if self._process is not None:
            self._process.send_signal(signal.SIGCONT)
            self._process.terminate()
            self._process.wait(10)
            assert self._process.stdout is not None
            self._process.stdout.close()
            self._process = None


class SiteFile:
    """A site of the test's own, in a folder of its own."""

    devices = DEVICES

    def __init__(self, folder: Path, free_port: Callable[[], int], *, rate: float) -> None:
        self.folder = folder
        self.rate = rate
        self.path = folder / "sites" / "demo_drum.toml"
        shutil.copytree(ROOT / "config" / "devices", folder / "devices")
        self.path.parent.mkdir()
        self.path.write_text((ROOT / "config" / "sites" / "demo_drum.toml").read_text())
        self.socket = Path(tempfile.mkdtemp(prefix="crumbmeter-test-")) / "s"  # a unix path may not be long
        weakref.finalize(self, shutil.rmtree, self.socket.parent, ignore_errors=True)
        self.journal = folder / "journal"
        self.metrics_port = free_port()
        self.set("site", "clock_rate", rate)
        self.set("socket", "path", str(self.socket))
        self.set("journal", "folder", str(self.journal))
        self.set("publish.metrics", "port", self.metrics_port)
        self.set("publish.mqtt", "broker", f"embedded:{free_port()}")
        self._bring_near()

    def _bring_near(self) -> None:
        for stream, belt_m, drum_s in (("aggregate", 4.0, 10.0), ("rap", 2.0, 5.0)):
            self.set(f"streams.{stream}.travel", "belt_length_m", belt_m)
            self.set(f"streams.{stream}.travel", "drum_residence_s", drum_s)
        self.set("drum", "outlet_residence_s", 10.0)
        for key in ("start_warning_s", "airlock_start_s", "purge_s"):
            self.set("sequence", key, 2.0)
        self.set("sequence", "blower_start_s", 3.0)
        # Half a second of a busy test machine is no fault of the plant's.
        text = self.path.read_text()
        self.path.write_text(re.sub(r"^max_age_s = (1\.0|1\.5|2\.0)\b", "max_age_s = 4.0", text, flags=re.MULTILINE))

    def set(self, section: str, key: str, value: object) -> None:
        """Give a key of a section another value; the key has to be there."""
        lines = self.path.read_text().split("\n")
        start = lines.index(f"[{section}]")
        for number in range(start + 1, len(lines)):
            assert not lines[number].startswith("["), f"no {key} in [{section}]"
            if re.match(rf"{key} *=", lines[number]):
                lines[number] = f"{key} = {json.dumps(value)}"
                break
        self.path.write_text("\n".join(lines))

    def connect(self, ports: dict[str, int]) -> None:
        """Let every device be at the port given for it."""
        for device in DEVICES:
            self.set(f"devices.{device}", "port", ports[device])

    def events(self, name: str = "") -> list[Event]:
        """Return the events of the journal, in order."""
        with Reader(self.journal / "journal.db") as reader:
            read = [events.read(stored) for stored in reader.entries("record", (EVENT,))]
        return [happened for happened in read if not name or happened.name == name]

    def metrics(self) -> str:
        """Return what /metrics says."""
        with urllib.request.urlopen(f"http://127.0.0.1:{self.metrics_port}/metrics", timeout=5) as answer:
            return str(answer.read().decode())

    def metric(self, name: str) -> float | None:
        """Return one figure of /metrics by its name with its labels, None where it is absent."""
        found = [line for line in self.metrics().splitlines() if line.startswith(name + " ")]
        return float(found[0].rsplit(" ", 1)[1]) if found else None


class Running:
    """The daemon as a process."""

    def __init__(self, site: SiteFile, said_to: int | None = None) -> None:
        self.site = site
        self._told = site.folder / "stderr.log"
        with self._told.open("ab") as told:
            to = told.fileno() if said_to is None else said_to
            words = [sys.executable, "-m", "crumbmeter", "run", str(site.path)]
            self.process = subprocess.Popen(words, cwd=site.folder, stdout=to, stderr=to)

    def told(self) -> str:
        """Return what it said, on both streams; after a restart on the same site, what all runs said."""
        return self._told.read_text()

    async def up(self) -> dict[str, Any]:
        """Wait for its first view, and return it."""
        return await self.until(lambda _view: True, within_s=20.0)

    async def ask(self, request: dict[str, Any], within_s: float = 15.0) -> dict[str, Any]:
        """Ask over the local socket."""
        async with ControlLine(self.site.socket) as line:
            return await line.ask(request, within_s)

    async def do(self, kind: str, subject: str = "", value: float = 0.0) -> dict[str, Any]:
        """Give a command and return what became of it."""
        if kind == "enable control":
            subject = (await self.ask({"ask": "settings"}))["settings_id"]
        request = {"ask": "command", "kind": kind, "who": "tester", "subject": subject, "value": value, "wait_s": 10.0}
        return await self.ask(request)

    async def until(self, holds: Callable[[dict[str, Any]], object], within_s: float = 30.0) -> dict[str, Any]:
        """Wait for a view for which `holds`, and return it."""
        view: dict[str, Any] = {}
        try:
            async with asyncio.timeout(within_s):
                while True:
                    assert self.process.poll() is None, self.told()
                    with contextlib.suppress(NoDaemonError):
                        async with ControlLine(self.site.socket) as line:
                            await line.send({"ask": "follow"})
                            while True:
                                view = await line.receive()
                                if view["answer"] == "view" and holds(view):
                                    return view
                    await until(self._can_be_asked, within_s)
        except TimeoutError:
            raise AssertionError(f"not within {within_s} s; last view: {_gist(view)}; said: {self.told()}") from None

    def _can_be_asked(self) -> bool:
        """Tell whether it listens, or will no more."""
        return takes_connections(str(self.site.socket)) or self.process.poll() is not None

    async def feed(self) -> dict[str, Any]:
        """Enable control, start the feed, and return the first view in which rubber is fed.

        A feeder whose watchdog has tripped shows its fault until it sees our heartbeat; the feed is started after that.
        """
        assert (await self.do("enable control")).get("accepted")
        await self.until(lambda view: _by_id(view)["feeder_fault"]["value"] == 0.0)
        assert (await self.do("start feed")).get("accepted")
        return await self.until(lambda view: view["run_state"] == "feeding")

    async def stop(self, within_s: float = 15.0) -> tuple[int, float]:
        """Ask it to stop; return its exit code and how long it took [s]."""
        began = time.perf_counter()
        self.process.send_signal(signal.SIGTERM)
        code = await asyncio.to_thread(self.process.wait, within_s)
        return code, time.perf_counter() - began

    def kill(self) -> None:
        """Kill it without a word."""
        self.process.send_signal(signal.SIGKILL)
        self.process.wait(10)

    def close(self) -> None:
        """End it, whatever state it is in."""
        if self.process.poll() is None:
            self.kill()


def _by_id(view: dict[str, Any]) -> dict[str, Any]:
    return {signal["signal_id"]: signal for signal in view["signals"]}


def _gist(view: dict[str, Any]) -> dict[str, Any]:
    return {key: view.get(key) for key in ("run_state", "run_reason", "control_enabled", "alarms", "permissives")}


class Peek:
    """A second master of the test's own: reads the simulator's registers with nothing but bytes."""

    @staticmethod
    async def words(port: int, function: int, address: int, count: int) -> tuple[int, ...]:
        """Read registers (function 3 or 4)."""
        data = await Peek._ask(port, struct.pack(">BHH", function, address, count))
        return struct.unpack(f">{count}H", data)

    @staticmethod
    async def bit(port: int, function: int, address: int) -> bool:
        """Read a coil or contact (function 1 or 2)."""
        return bool((await Peek._ask(port, struct.pack(">BHH", function, address, 1)))[0] & 1)

    @staticmethod
    async def _ask(port: int, pdu: bytes) -> bytes:
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        try:
            writer.write(struct.pack(">HHHB", 1, 0, len(pdu) + 1, 1) + pdu)
            async with asyncio.timeout(10):
                head = await reader.readexactly(7)
                reply = await reader.readexactly(int.from_bytes(head[4:6], "big") - 1)
        finally:
            writer.transport.abort()
        assert reply[0] == pdu[0], reply
        return reply[2:]

    @staticmethod
    async def auger_rpm(feeder_port: int) -> float:
        """Return what the feeder shows as its auger's speed."""
        return (await Peek.words(feeder_port, 4, 4, 1))[0] / 100.0


@dataclass
class Tap:
    """A wire between daemon and device, in which every request is seen, and may be changed or lost."""

    target: int
    port: int = 0
    codes: dict[int, int] = field(default_factory=dict)
    """Requests seen, by function code."""
    writes: list[bytes] = field(default_factory=list)
    """Write requests (function code and data), in order."""
    accepted: list[float] = field(default_factory=list)
    """[s] Loop time of each connection."""
    alter: Callable[[bytes], bytes | None] = lambda pdu: pdu
    """Gets the function code and data of a write; what it returns reaches the device instead (None: nothing does).

    The daemon gets the answer to what it sent.
    """
    started_s: float = 0.0
    connect: bool = True
    """False: connections are taken and cut at once."""
    _server: asyncio.Server | None = None
    _lines: set[asyncio.Task[None]] = field(default_factory=set)

    async def start(self) -> None:
        self.started_s = asyncio.get_running_loop().time()
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", self.port)
        self.port = self._server.sockets[0].getsockname()[1]

    async def stop(self) -> None:
        assert self._server is not None
        self._server.close()
        for task in self._lines:
            task.cancel()
        await asyncio.gather(*self._lines, return_exceptions=True)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._lines.add(task)
        self.accepted.append(asyncio.get_running_loop().time())
        out: asyncio.StreamWriter | None = None
        try:
            if self.connect:
                back, out = await asyncio.open_connection("127.0.0.1", self.target)
                while True:
                    writer.write(await self._exchange(await _frame(reader), back, out))
        except (OSError, EOFError, asyncio.CancelledError):
            pass
        finally:
            writer.transport.abort()
            if out is not None:
                out.transport.abort()
            self._lines.discard(task)

    async def _exchange(self, request: bytes, back: asyncio.StreamReader, out: asyncio.StreamWriter) -> bytes:
        code = request[7]
        self.codes[code] = self.codes.get(code, 0) + 1
        if code in READS:
            out.write(request)
            return await _frame(back)
        self.writes.append(request[7:])
        altered = self.alter(request[7:])
        if altered is not None:
            out.write(request[:7] + altered)
            await _frame(back)
        return request[:4] + struct.pack(">H", 6) + request[6:12]

    @property
    def written(self) -> int:
        """Count requests with a function code that is not a read."""
        return sum(count for code, count in self.codes.items() if code not in READS)


async def _frame(reader: asyncio.StreamReader) -> bytes:
    head = await reader.readexactly(6)
    return head + await reader.readexactly(int.from_bytes(head[4:6], "big"))
