"""What `crumbmeter_sim proxy` does: builds a line from its options, and tells at the end what was done to it."""

import asyncio
import json
import signal
import sys
from pathlib import Path

from crumbmeter_sim.faults.deck import Deck
from crumbmeter_sim.faults.kinds import read_mix, read_script
from crumbmeter_sim.faults.proxy import Place, Proxy


def build_proxy(
    listen: str, to: str, *, script: Path | None, mix: str, seed: int | None, timeout_s: float, spread_s: float
) -> Proxy:
    """Build a proxy from a script, a mix, or both (the script's faults are asked first).

    Args:
        listen: Where masters come in.
        to: Where the device is.
        script: File of faults, or None.
        mix: Shares by kind; delays of it are `timeout_s` and up to `spread_s` more or less.
        seed: In place of the script's own.
        timeout_s: [s] The master's time-out.
        spread_s: [s] How far around it.

    Raises:
        ValueError: for places or a mix that cannot be.
        FileRefusedError: for a script that cannot be.
    """
    framing = Place.read(listen).framing
    scripted, script_seed = read_script(script, framing) if script is not None else ((), 1)
    mixed = read_mix(mix, framing, seconds=timeout_s, spread_s=spread_s)
    return Proxy.between(listen, to, Deck((*scripted, *mixed), script_seed if seed is None else seed))


async def run_proxy(proxy: Proxy) -> None:
    """Run until a signal comes. Prints READY once masters are let in, and the counts at the end, as JSON."""
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for sign in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(sign, stop.set)
    now_s = loop.time()
    placed = proxy.deck.faults
    proxy.deck.clear()
    for fault in placed:  # a script's times count from now
        proxy.deck.add(fault, now_s)
    proxy.start()
    sys.stdout.write("READY " + json.dumps({"listen": proxy.address, "port": proxy.port}) + "\n")
    sys.stdout.flush()
    try:
        await stop.wait()
    finally:
        proxy.close()
        sys.stdout.write(json.dumps(proxy.counts) + "\n")
