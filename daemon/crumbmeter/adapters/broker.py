"""The embedded MQTT broker of the demonstration: amqtt, on loopback, in a thread of its own with a loop of its own.

It speaks MQTT 3.1.1 only, keeps nothing over a restart and lets anyone on this machine in. A site that matters names a
broker of its own. Nothing it does can delay the scan's loop, save for the interpreter they share.
"""

import asyncio
import contextlib
import logging
import socket
import threading
from typing import Any

from amqtt.broker import Broker

from crumbmeter.model.faults import CrumbmeterError

LOOPBACK = "127.0.0.1"
START_S = 10.0
"""[s] It must listen within this (measured: 11 ms)."""


class BrokerPortBusyError(CrumbmeterError):
    """Another program listens on the port that the embedded broker was given."""

    def __init__(self, port: int, cause: str) -> None:
        super().__init__(
            f"the embedded MQTT broker cannot listen on {LOOPBACK}:{port} ({cause}). Another program holds the port: "
            f"give publish.mqtt another port, 0 for any free one, or name that broker instead of 'embedded'."
        )
        self.port = port


class EmbeddedBroker:
    """A broker that is up from `start` to `stop`."""

    def __init__(self, port: int = 1883) -> None:
        """Prepare.

        Args:
            port: to listen on; 0 takes a free one, told by `port` after `start`.
        """
        self.port = port
        self._loop: asyncio.AbstractEventLoop | None = None
        self._stop = asyncio.Event()
        self._up = threading.Event()
        self._fault: BaseException | None = None
        self._thread = threading.Thread(target=self._serve, name="mqtt broker", daemon=True)

    def start(self) -> None:
        """Start and return when it listens.

        Raises:
            BrokerPortBusyError: the port is taken.
        """
        for name in ("amqtt", "transitions"):
            logging.getLogger(name).setLevel(logging.CRITICAL)
        self.port = _claim(self.port)
        self._thread.start()
        if not self._up.wait(START_S):
            raise BrokerPortBusyError(self.port, "it did not come up in time")
        if self._fault is not None:
            self._thread.join()
            raise BrokerPortBusyError(self.port, str(self._fault)) from self._fault

    def stop(self) -> None:
        """Stop and return when the thread is gone. Never raises."""
        if self._loop is not None and self._thread.is_alive():
            with contextlib.suppress(RuntimeError):
                self._loop.call_soon_threadsafe(self._stop.set)
        if self._thread.ident is not None:
            self._thread.join(START_S)

    def _serve(self) -> None:
        try:
            asyncio.run(self._live())
        except Exception as fault:  # noqa: BLE001 - told to whoever waits in start()
            self._fault = fault
        finally:
            self._up.set()

    async def _live(self) -> None:
        self._loop = asyncio.get_running_loop()
        broker = Broker(_config(self.port))
        await broker.start()
        self._up.set()
        await self._stop.wait()
        await broker.shutdown()


def _config(port: int) -> dict[str, Any]:
    return {
        "listeners": {"default": {"type": "tcp", "bind": f"{LOOPBACK}:{port}"}},
        "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
    }


def _claim(port: int) -> int:
    """Find out whether the port can be had, and which one where any will do.

    Raises:
        BrokerPortBusyError: it is taken.
    """
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((LOOPBACK, port))
        except OSError as fault:
            raise BrokerPortBusyError(port, str(fault)) from fault
        name: tuple[str, int] = probe.getsockname()
        return name[1]
