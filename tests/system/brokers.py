"""A real Mosquitto of a test's own, on a port of its own; it can be killed, frozen and started again."""

import asyncio
import contextlib
import os
import shutil
import signal
import socket
import subprocess
from collections.abc import Callable
from pathlib import Path

MOSQUITTO = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")


class Mosquitto:
    """One broker process."""

    def __init__(self, folder: Path, port: int, extra: str = "") -> None:
        self.port = port
        self._conf = folder / f"mosquitto-{port}.conf"
        listener = "" if "listener" in extra else f"listener {port} 127.0.0.1\n"
        user = "user root\n" if os.geteuid() == 0 else ""
        self._conf.write_text(f"{user}{extra}\n{listener}log_type error\nmax_queued_messages 0\n")
        if "allow_anonymous" not in extra:
            self._conf.write_text(self._conf.read_text() + "allow_anonymous true\n")
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start, and return when it takes connections."""
        assert MOSQUITTO is not None
        self._process = subprocess.Popen([MOSQUITTO, "-c", str(self._conf)], stderr=subprocess.PIPE)
        while True:
            if self._process.poll() is not None:
                assert self._process.stderr is not None
                raise AssertionError(f"mosquitto ended: {self._process.stderr.read().decode()}")
            if takes_connections(("127.0.0.1", self.port)):
                return

    def kill(self) -> None:
        """Kill it without a word."""
        self._end(signal.SIGKILL)

    def freeze(self) -> None:
        """Stop its clock; sockets stay open."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """Let it go on."""
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)

    def close(self) -> None:
        """End it, whatever state it is in."""
        if self._process is not None:
            self.thaw()
            self._end(signal.SIGTERM)

    def _end(self, how: signal.Signals) -> None:
        if self._process is None:
            return
        with contextlib.suppress(ProcessLookupError):
            self._process.send_signal(how)
        self._process.wait(10)
        assert self._process.stderr is not None
        self._process.stderr.close()
        self._process = None


def takes_connections(address: str | tuple[str, int]) -> bool:
    """Tell whether somebody listens: at the path of a local socket, or at a host and port."""
    family = socket.AF_UNIX if isinstance(address, str) else socket.AF_INET
    with socket.socket(family) as client:
        client.settimeout(0.2)
        try:
            client.connect(address)
        except OSError:
            return False
    return True


async def until(condition: Callable[[], object], within_s: float = 20.0) -> None:
    """Wait until the condition holds, a look each few milliseconds."""
    async with asyncio.timeout(within_s):
        while not condition():  # noqa: ASYNC110 - another process makes it true
            await asyncio.sleep(0.005)  # noqa: TID251 - bounded above
