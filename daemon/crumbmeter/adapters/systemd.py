"""Tells systemd how things stand: our own sd_notify. Started by hand, without systemd, it does nothing.

Protocol: sd_notify(3) and sd_watchdog_enabled(3). The watchdog is fed only when `Watched` says that the scan and all
critical tasks have moved since the last time (REQ-27).
"""

import asyncio
import contextlib
import os
import socket
from collections.abc import Mapping
from typing import NoReturn, Protocol


class Watched(Protocol):
    """What decides whether the watchdog may be fed (`runtime.health.Health`)."""

    async def wait_healthy(self) -> None:
        """Wait until everything has moved since the last feed."""
        ...

    def fed(self) -> None:
        """Note that the watchdog was fed."""
        ...

    def status(self) -> str:
        """Say in one line how things stand."""
        ...


class Notifier:
    """The datagram socket that systemd named in the environment."""

    def __init__(self, environ: Mapping[str, str] = os.environ) -> None:
        """Read the environment.

        Args:
            environ: NOTIFY_SOCKET, WATCHDOG_USEC, WATCHDOG_PID as systemd sets them.
        """
        self._address = environ.get("NOTIFY_SOCKET", "")
        self._interval_s = _interval_s(environ)

    @property
    def interval_s(self) -> float | None:
        """[s] How often the watchdog is to be fed: a third of its time. None: no watchdog for this process."""
        return self._interval_s

    def ready(self, status: str) -> None:
        """Say that start-up is done."""
        self._send(f"READY=1\nSTATUS={status}")

    def status(self, status: str) -> None:
        """Say how things stand."""
        self._send(f"STATUS={status}")

    def stopping(self) -> None:
        """Say that the stop has begun."""
        self._send("STOPPING=1\nSTATUS=stopping")

    def watchdog(self, status: str) -> None:
        """Feed the watchdog, where there is one, and say how things stand."""
        self._send(f"STATUS={status}" if self._interval_s is None else f"WATCHDOG=1\nSTATUS={status}")

    async def run(self, watched: Watched) -> NoReturn:
        """Feed the watchdog at every interval in which everything moved; name the late task where it did not."""
        interval_s = self._interval_s if self._interval_s is not None else 10.0
        never = asyncio.Event()
        while True:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(interval_s):
                    await never.wait()
            while not await _healthy_within(watched, interval_s):
                self.status(watched.status())
            words = watched.status()
            watched.fed()
            self.watchdog(words)

    def _send(self, words: str) -> None:
        """Send one datagram. systemd being away is no reason to fail."""
        if not self._address:
            return
        address = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line:
            line.setblocking(False)
            line.sendto(words.encode(), address)


async def _healthy_within(watched: Watched, seconds: float) -> bool:
    try:
        async with asyncio.timeout(seconds):
            await watched.wait_healthy()
    except TimeoutError:
        return False
    return True


def _interval_s(environ: Mapping[str, str]) -> float | None:
    """Work out the feeding interval; None where the watchdog is off or meant for another process."""
    pid, usec = environ.get("WATCHDOG_PID", ""), environ.get("WATCHDOG_USEC", "")
    if pid and pid != str(os.getpid()):
        return None
    if not usec.isdigit() or int(usec) == 0:
        return None
    return int(usec) / 3e6
