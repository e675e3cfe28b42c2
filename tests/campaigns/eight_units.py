"""Eight units on one bus: each is killed in turn, then seven of eight, and the others must keep their period.

In real time, with the daemon's pollers over the real adapter: on a serial line (a pseudo-terminal pair), behind a TCP
gateway that stays silent for a dead unit, and behind one that answers exception 0B for it. The bus takes its time as
one of 19200 baud does.
"""

import asyncio
import itertools
import tempfile
import time
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path
from statistics import fmean

from crumbmeter.adapters.clock import RealClock
from crumbmeter.adapters.modbus import LinkMaker, silence_library
from crumbmeter.field.spec import BlockSpec, Table, Transport
from crumbmeter.model.image import RawBlock
from crumbmeter.runtime.buffer import InputBuffer
from crumbmeter.runtime.poller import DevicePoller
from crumbmeter.runtime.tally import DeviceTally
from crumbmeter_sim.device.addressed import SelfAddressed, expected
from crumbmeter_sim.faults.deck import Deck
from crumbmeter_sim.server import Pace
from tests.campaigns.common import Result, note, say
from tests.campaigns.lines import near_side, open_line

UNITS = tuple(range(1, 9))
DEATHS: tuple[tuple[int, ...], ...] = ((), *((unit,) for unit in UNITS), UNITS[1:])
"""Who is dead: nobody, each in turn, seven of eight."""
BUSES = {
    "rtu": (Transport.RTU, Pace(turnaround_s=0.002, baud=19200)),
    "tcp gateway, silent": (Transport.TCP, Pace(turnaround_s=0.002, baud=19200)),
    "tcp gateway, 0B": (Transport.TCP, Pace(turnaround_s=0.002, baud=19200, silent_s=0.05)),
}
WITHIN = 0.1
"""[fraction] Of the period."""
_WORDS = 4


@dataclass
class Phase:
    """What was dead, and the mean period of each that was not."""

    dead: tuple[int, ...]
    means: dict[int, float] = field(default_factory=dict)
    worst_interval: float = 0.0
    worst_while_found_out: float = 0.0
    """Of the period: each unit that dies costs one exchange once, seven at a time cost seven."""
    intervals: int = 0
    intervals_within: int = 0
    probes: int = 0


class Bus:
    """One bus with its eight pollers."""

    def __init__(self, name: str, folder: Path, clock: RealClock, period_s: float, timeout_s: float) -> None:
        transport, pace = BUSES[name]
        self.name, self.clock, self.period_s = name, clock, period_s
        self.far = open_line(transport, folder, {unit: SelfAddressed(unit) for unit in UNITS}, Deck(), pace)
        specs = [
            self.far.spec(
                f"unit{unit}", unit, timeout_s=timeout_s, connect_timeout_s=1.0, backoff_min_s=2 * period_s,
                backoff_max_s=8 * period_s, idle_timeout_s=0.02,
            )
            for unit in UNITS
        ]  # fmt: skip
        self.maker: LinkMaker
        self.maker, self.lines = near_side(specs, clock, 1)
        self.buffer = InputBuffer(blocks=len(UNITS), outputs=0)
        self.buffer.watch(self._on_block)
        self.came: dict[int, list[float]] = defaultdict(list)
        self.wrong = 0
        self.pollers = [
            # Each its own place and length: equal requests of one unit are another test's subject.
            DevicePoller(
                line, [(n, BlockSpec(n, Table.HOLDING, 100 * n, _WORDS + n, period_s))], self.buffer, clock,
                lambda _: None, DeviceTally(),
            )
            for n, line in enumerate(self.lines)
        ]  # fmt: skip

    def _on_block(self, index: int, block: RawBlock) -> None:
        unit = UNITS[index]
        self.came[unit].append(block.received_s)
        self.wrong += block.words != expected(unit, "holding", 100 * index, _WORDS + index)

    def kill(self, dead: tuple[int, ...]) -> None:
        for device in self.far.endpoint.devices:
            device.link.mode = "hang" if device.unit_id in dead else "up"

    async def phase(self, dead: tuple[int, ...], lasts_s: float) -> Phase:
        """Let these be dead; once each has been found out, look at the others for a while [s]."""
        sent = {unit: self.maker.counts[f"unit{unit}"].sent for unit in dead}
        killed_s = self.clock.now_s()
        self.kill(dead)
        while not all(self.lines[UNITS.index(unit)].breaker.suspect for unit in dead):
            await self.clock.sleep_until(self.clock.now_s() + 0.02 * self.period_s)
        # An interval that had begun by then belongs to the finding out.
        began_s = self.clock.now_s() + self.period_s
        await self.clock.sleep_until(began_s)
        await self.clock.sleep_until(began_s + lasts_s)
        seen = Phase(dead, probes=sum(self.maker.counts[f"unit{unit}"].sent - sent[unit] for unit in dead))
        for unit in UNITS:
            if unit in dead:
                continue
            before = [at_s for at_s in self.came[unit] if killed_s - self.period_s <= at_s < began_s]
            found_out = [(later - earlier) / self.period_s for earlier, later in itertools.pairwise(before)]
            seen.worst_while_found_out = max([seen.worst_while_found_out, *found_out])
            times = [at_s for at_s in self.came[unit] if at_s >= began_s]
            steps = [later - earlier for earlier, later in itertools.pairwise(times)]
            seen.means[unit] = fmean(steps) / self.period_s if steps else float("inf")
            seen.intervals += len(steps)
            seen.intervals_within += sum(abs(step / self.period_s - 1.0) <= WITHIN for step in steps)
            seen.worst_interval = max([seen.worst_interval, *(step / self.period_s for step in steps)])
        return seen

    async def recovered(self, within_s: float) -> bool:
        """Bring all to life again, and wait until each has answered."""
        self.kill(())
        began_s = self.clock.now_s()
        while not all(self.came[unit] and self.came[unit][-1] > began_s for unit in UNITS):
            if self.clock.now_s() > began_s + within_s:
                return False
            await self.clock.sleep_until(self.clock.now_s() + 0.1 * self.period_s)
        return True


async def run(
    name: str, folder: Path, period_s: float, timeout_s: float, periods: int, deaths: tuple[tuple[int, ...], ...]
) -> Result:
    """Run one bus in this loop."""
    silence_library()
    clock = RealClock()
    bus = Bus(name, folder, clock, period_s, timeout_s)
    phases: list[Phase] = []
    back = 0
    async with asyncio.TaskGroup() as group:
        tasks = [group.create_task(bus.lines[0].endpoint.keep())]
        tasks += [group.create_task(poller.run()) for poller in bus.pollers]
        await bus.recovered(20 * period_s)
        for dead in deaths:
            phases.append(await bus.phase(dead, periods * period_s))
            back += await bus.recovered(30 * period_s)
        for task in tasks:
            task.cancel()
    await bus.lines[0].endpoint.close()
    bus.far.close()
    means = [mean for phase in phases for mean in phase.means.values()]
    return {
        "bus": name,
        "periods_in_a_phase": periods,
        "phases": [
            {
                "dead": list(phase.dead),
                "shortest_mean_period": round(min(phase.means.values()), 4),
                "longest_mean_period": round(max(phase.means.values()), 4),
                "worst_interval": round(phase.worst_interval, 3),
                "worst_interval_while_found_out": round(phase.worst_while_found_out, 3),
                "intervals_within_10_percent": f"{phase.intervals_within} / {phase.intervals}",
                "requests_to_the_dead": phase.probes,
            }
            for phase in phases
        ],
        "shortest_mean_period": round(min(means), 4),
        "longest_mean_period": round(max(means), 4),
        "kept": all(abs(mean - 1.0) <= WITHIN for mean in means),
        "all_back_after": f"{back} / {len(deaths)}",
        "wrong_values": bus.wrong,
    }


async def run_all(
    folder: Path, period_s: float, timeout_s: float, periods: int, deaths: tuple[tuple[int, ...], ...] = DEATHS
) -> list[Result]:
    """Run all buses, one beside the other."""
    async with asyncio.TaskGroup() as group:
        runs = [
            group.create_task(run(name, folder / f"bus{number}", period_s, timeout_s, periods, deaths))
            for number, name in enumerate(BUSES)
        ]
    return [one.result() for one in runs]


def campaign(period_s: float, periods: int) -> Result:
    """Run it whole and note the result. Returns it."""
    began_s = time.perf_counter()
    timeout_s = 0.1 * period_s
    with tempfile.TemporaryDirectory(prefix="campaign-") as folder:
        buses = asyncio.run(run_all(Path(folder), period_s, timeout_s, periods))
    result: Result = {
        "campaign": "units",
        "kept": all(bus["kept"] for bus in buses),
        "period_s": period_s,
        "timeout_s": timeout_s,
        "time": "real",
        "buses": buses,
        "duration_s": round(time.perf_counter() - began_s, 1),
    }
    path = note("eight-units", result)
    say(f"{path.name}: {'kept' if result['kept'] else 'NOT KEPT'}, {result['duration_s']} s")
    for bus in buses:
        say(f"  {bus['bus']:22} mean period {bus['shortest_mean_period']} to {bus['longest_mean_period']}, "
            f"back {bus['all_back_after']}")  # fmt: skip
        for phase in bus["phases"]:
            say(f"    {phase}")
    return result
