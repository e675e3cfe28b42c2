"""Random outages: does every link come back by itself, as soon as it says it will, and does nothing pile up meanwhile?

Process time runs `RATE` times as fast as real time, with the ratios of a real site: a reply within 1 s, a scan of half
a second, a back-off of 0.5 to 8 s, all in process time; so are the figures. A link is back with the first good reply to
a poll. It may take the back-off's cap and one scan from the end of the outage on; where a request was swallowed just
before that end, its time-out comes first, so that both counts are given.
"""

import asyncio
import contextlib
import gc
import json
import os
import signal
import sys
import tempfile
import time
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

from crumbmeter.adapters.clock import RealClock
from crumbmeter.adapters.modbus import silence_library
from crumbmeter.field.spec import BlockSpec, DeviceSpec, Table, Transport
from crumbmeter.model.image import RawBlock
from crumbmeter.runtime.buffer import InputBuffer
from crumbmeter.runtime.poller import DevicePoller
from crumbmeter.runtime.tally import DeviceTally
from crumbmeter_sim.device.addressed import SelfAddressed
from crumbmeter_sim.faults.deck import Deck
from tests.campaigns.common import ROOT, Result, note, say, upper_bound
from tests.campaigns.lines import HOST, FaultyLine, near_side, open_line
from tests.fakes import device_spec

RATE = 2.0
SCAN_S, TIMEOUT_S, CONNECT_S = 0.5, 1.0, 2.0
BACKOFF_S = (0.5, 8.0)
SHORTEST_S, LONGEST_S = 0.05, 60.0
"""[s] Process time of an outage, evenly spread in its logarithm."""
KINDS = ("rst", "fin", "black_hole", "stopped", "closed_port", "wrong_banner", "unplugged")
ABREAST = {"stopped": 10}
"""Links of one kind; more simulator processes than these would wait for each other."""
_USUALLY_ABREAST = 20
_GIVE_UP_S = 120.0


@dataclass
class Seen:
    """What became of the outages of one kind."""

    recovered_s: list[float] = field(default_factory=list)
    noticed: int = 0
    lost: int = 0


class Watched:
    """One device and its poller; knows when the newest good reply came."""

    def __init__(self, spec: DeviceSpec, clock: RealClock, seed: int, table: Table, address: int) -> None:
        self.clock = clock
        self.buffer = InputBuffer(blocks=1, outputs=0)
        self.buffer.watch(self._on_block)
        self.tally = DeviceTally()
        self._news = asyncio.Event()
        _, (self.line,) = near_side([spec], clock, seed)
        block = BlockSpec(0, table, address, 2, SCAN_S)
        self.poller = DevicePoller(self.line, [(0, block)], self.buffer, clock, lambda _: None, self.tally)

    def _on_block(self, _: int, block: RawBlock) -> None:
        self._news.set()

    def failures(self) -> int:
        reads = self.tally.reads
        return sum(count for outcome, count in reads.items() if outcome.value != "ok")

    async def next_good(self) -> bool:
        """Wait for the next good reply; False where none comes for very long."""
        self._news.clear()
        try:
            async with asyncio.timeout(_GIVE_UP_S / RATE):
                await self._news.wait()
        except TimeoutError:
            return False
        return True


Switch = Callable[[bool], None]
"""Turns an outage on or off."""


async def outages(
    kind: str, watched: Watched, switch: Switch, clock: RealClock, goal: Callable[[], bool], seen: Seen,
    random: Random, longest_s: float,
) -> None:  # fmt: skip
    """Let one link fail over and over, until there have been enough."""
    if not await watched.next_good():
        raise AssertionError(f"{kind}: no answer even before the first outage")
    while goal():
        await clock.sleep_until(clock.now_s() + random.uniform(0.2, 3.0))
        lasts_s = SHORTEST_S * (longest_s / SHORTEST_S) ** random.random()
        failures = watched.failures()
        until_s = clock.now_s() + lasts_s
        switch(True)
        while kind in ("rst", "fin") and clock.now_s() < until_s:
            # A connection that ends is no state that lasts: the peer ends every new one, too.
            await clock.sleep_until(min(until_s, clock.now_s() + random.uniform(0.2, 2.0)))
            switch(True)
        await clock.sleep_until(until_s)
        switch(False)
        ended_s = clock.now_s()
        if await watched.next_good():
            seen.recovered_s.append(clock.now_s() - ended_s)
        else:
            seen.lost += 1
        seen.noticed += watched.failures() > failures


def spec_changes() -> dict[str, object]:
    return {
        "timeout_s": TIMEOUT_S / RATE, "connect_timeout_s": CONNECT_S / RATE, "backoff_min_s": BACKOFF_S[0],
        "backoff_max_s": BACKOFF_S[1], "read_retries": 1, "idle_timeout_s": 0.05,
    }  # fmt: skip


def proxied(kind: str, folder: Path) -> tuple[FaultyLine, Switch]:
    """Make a line whose proxy has the outage."""
    transport = Transport.RTU if kind == "unplugged" else Transport.TCP
    far = open_line(transport, folder, {1: SelfAddressed(1)}, Deck())
    name = {"unplugged": "close_port", "closed_port": "close_port"}.get(kind, kind)

    def switch(on: bool) -> None:
        if on:
            far.proxy.outage(name)
        else:
            far.proxy.restore()

    return far, switch


@contextlib.asynccontextmanager
async def simulator() -> AsyncIterator[tuple[int, Switch]]:
    """Run the real simulator as a process that can be stopped; give its port."""
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "crumbmeter_sim", "serve", str(ROOT / "config/scenarios/demo_shift.toml"),
        "--ports", "zero", "--rate", "1", stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.DEVNULL,
    )  # fmt: skip
    assert process.stdout is not None
    ready = (await process.stdout.readline()).decode()
    port = json.loads(ready.removeprefix("READY "))["ports"]["belt_scale"]

    def switch(on: bool) -> None:
        process.send_signal(signal.SIGSTOP if on else signal.SIGCONT)

    try:
        yield port, switch
    finally:
        switch(False)
        process.terminate()
        await process.wait()


def standing() -> dict[str, int]:
    """Count what must not pile up."""
    gc.collect()
    pages = int(Path("/proc/self/statm").read_text("ascii").split()[1])
    return {
        "tasks": len(asyncio.all_tasks()),
        "file_descriptors": len(os.listdir("/proc/self/fd")),  # noqa: PTH208 - names are enough
        "rss_kib": pages * os.sysconf("SC_PAGE_SIZE") // 1024,
    }


async def run(each: int, seed: int, kinds: tuple[str, ...], folder: Path, longest_s: float = LONGEST_S) -> Result:
    """Run all kinds abreast in this loop."""
    silence_library()
    clock = RealClock(rate=RATE)
    random = Random(seed)
    seen = {kind: Seen() for kind in kinds}
    far: list[FaultyLine] = []
    before: dict[str, int] = {}
    begun = dict.fromkeys(kinds, 0)
    async with contextlib.AsyncExitStack() as stack, asyncio.TaskGroup() as group:
        links: list[tuple[str, Watched, Switch]] = []
        for kind in kinds:
            for number in range(min(each, ABREAST.get(kind, _USUALLY_ABREAST))):
                if kind == "stopped":
                    port, switch = await stack.enter_async_context(simulator())
                    spec = device_spec(f"{kind}{number}", host=HOST, port=port, **spec_changes())
                    place = (Table.INPUT, 0)
                else:
                    line, switch = proxied(kind, folder / f"{kind}{number}")
                    far.append(line)
                    spec = line.spec(f"{kind}{number}", 1, **spec_changes())
                    place = (Table.HOLDING, 100)
                links.append((kind, Watched(spec, clock, random.getrandbits(31), *place), switch))
        keepers = [group.create_task(part) for _, one, _ in links for part in
                   (one.line.endpoint.keep(), one.poller.run())]  # fmt: skip
        for share in (0.25, 1.0):
            await _round(links, round(each * share), begun, seen, clock, random, longest_s)
            # Where all are up, with nothing on its way.
            await clock.sleep_until(clock.now_s() + 5.0)
            after = standing()
            before = before or after
        for keeper in keepers:
            keeper.cancel()
    for _, one, _ in links:
        await one.line.endpoint.close()
    for line in far:
        line.close()
    return {"kinds": {kind: _figures(kind, one) for kind, one in seen.items()}, "at_a_quarter": before,
            "at_the_end": after}  # fmt: skip


async def _round(
    links: list[tuple[str, Watched, Switch]], goal: int, begun: dict[str, int], seen: dict[str, Seen],
    clock: RealClock, random: Random, longest_s: float,
) -> None:  # fmt: skip
    def counter(kind: str) -> Callable[[], bool]:
        def more() -> bool:
            if begun[kind] >= goal:
                return False
            begun[kind] += 1
            return True

        return more

    async with asyncio.TaskGroup() as group:
        for kind, one, switch in links:
            own = Random(random.getrandbits(31))
            group.create_task(outages(kind, one, switch, clock, counter(kind), seen[kind], own, longest_s))


def _figures(kind: str, seen: Seen) -> Result:
    cap_s = BACKOFF_S[1] + SCAN_S
    # A serial line is listened to before the first request: twice the time-out must pass in silence.
    exchange_s = TIMEOUT_S * (3.0 if kind == "unplugged" else 1.0)
    in_order = sorted(seen.recovered_s)
    return {
        "outages": len(in_order) + seen.lost,
        "noticed": seen.noticed,
        "never_back": seen.lost,
        "within_cap_and_scan": sum(took_s <= cap_s for took_s in in_order),
        "within_cap_scan_and_one_exchange": sum(took_s <= cap_s + exchange_s for took_s in in_order),
        "median_s": round(in_order[len(in_order) // 2], 2) if in_order else None,
        "longest_s": round(in_order[-1], 2) if in_order else None,
    }


def run_here(each: int, seed: int, kinds: tuple[str, ...] = KINDS) -> Result:
    """Run in a loop of its own."""
    with tempfile.TemporaryDirectory(prefix="campaign-") as folder:
        return asyncio.run(run(each, seed, kinds, Path(folder)))


def campaign(each: int, seed: int) -> Result:
    """Run it whole and note the result. Returns it."""
    began_s = time.perf_counter()
    result = run_here(each, seed)
    count = sum(figures["outages"] for figures in result["kinds"].values())
    failed = sum(
        figures["outages"] - figures["within_cap_scan_and_one_exchange"] for figures in result["kinds"].values()
    )
    result = {
        "campaign": "outages",
        "outages": count,
        "not_recovered_in_time": failed,
        "bound_95": upper_bound(failed, count),
        **result,
        "process_seconds_in_a_second": RATE,
        "backoff_s": list(BACKOFF_S),
        "scan_s": SCAN_S,
        "timeout_s": TIMEOUT_S,
        "outage_s": [SHORTEST_S, LONGEST_S],
        "seed": seed,
        "duration_s": round(time.perf_counter() - began_s, 1),
    }
    path = note("outages", result)
    say(f"{path.name}: {failed} of {count} not back in time, {result['duration_s']} s")
    for kind, figures in result["kinds"].items():
        say(f"  {kind:14} {figures}")
    say(f"  {result['at_a_quarter']} -> {result['at_the_end']}")
    return result
