"""The mismatch campaign: every register says whose it is, any frame may be struck, and no wrong value may get through.

The real adapter under the real endpoint asks devices of the simulator through its fault proxy. What a serial line
cannot tell by its bytes is bounded by time (docs/field-lessons.md, item 2), so that the faults here keep that bound: no
reply, and no copy of one, comes later than `WORST` time-outs after its request. `stale` and `carry_over` (a frame of
any age comes back, as it was) break it over Modbus TCP alone, where the transaction id tells.
"""

import asyncio
import contextlib
import tempfile
import time
from collections import Counter, deque
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import NoReturn

from crumbmeter.adapters.clock import RealClock
from crumbmeter.adapters.modbus import LinkMaker, silence_library
from crumbmeter.field.counts import UnitCounts
from crumbmeter.field.spec import Table, Transport
from crumbmeter.model.faults import DeviceExceptionError, ReconnectError, RetryLaterError
from crumbmeter.runtime.link import DeviceLine, NotConnectedError
from crumbmeter_sim.device.addressed import SPAN, SelfAddressed, expected, whose
from crumbmeter_sim.faults.deck import Deck
from crumbmeter_sim.faults.kinds import Fault
from tests.campaigns.common import Result, note, say, side_by_side, total, upper_bound
from tests.campaigns.lines import FaultyLine, near_side, open_line

TIMEOUT_S = {Transport.TCP: 0.02, Transport.RTU: 0.04, Transport.RTU_OVER_TCP: 0.04}
"""[s] Longer on a serial line, where only time tells and a busy machine takes its own."""
WORST = 4.0
"""[1] Time-outs after which no reply comes. The delays below add up to 2.75; the rest is for a busy machine."""
RATE = 100.0
"""[1] Process time runs so much faster than real: back-offs of seconds take hundredths."""
LINKS = {Transport.TCP: 16, Transport.RTU: 96, Transport.RTU_OVER_TCP: 96}
"""Connections of one process. Serial ones wait a lot, so there are more of them."""
_MOST_SHOWN = 20
_SHARED_UNITS = (1, 2, 3)


def faults_of(transport: Transport, timeout_s: float) -> list[Fault]:
    """Return what strikes: about one frame in twelve, delays around the time-out [s]."""
    half_s = 0.5 * timeout_s
    found = [
        Fault("delay", share=0.012, seconds=timeout_s, spread_s=0.75 * timeout_s),
        Fault("drop", share=0.004),
        Fault("duplicate", share=0.003, seconds=0.0),
        Fault("duplicate", share=0.003, seconds=0.3 * timeout_s),
        Fault("duplicate", share=0.003, seconds=1.2 * timeout_s),
        Fault("reorder", share=0.004, seconds=2.0 * timeout_s if transport.serial_frames else None),
        Fault("truncate", share=0.004),
        Fault("split", share=0.004, seconds=0.001),
        Fault("noise", share=0.004),
        Fault("echo", share=0.004),
        Fault("wrong_unit", share=0.005),
        Fault("wrong_function", share=0.004),
        Fault("wrong_count", share=0.006),
        Fault("exception", share=0.004),
        Fault("delay", direction="to_device", share=0.003, seconds=half_s, spread_s=half_s),
        Fault("drop", direction="to_device", share=0.002),
        Fault("duplicate", direction="to_device", share=0.002),
        Fault("truncate", direction="to_device", share=0.002),
    ]
    if transport.serial_frames:
        found += [Fault("wrong_crc", share=0.006), Fault("wrong_crc", direction="to_device", share=0.003)]
    else:
        found += [
            Fault("carry_over", share=0.003),
            Fault("carry_over_stamped", share=0.003, seconds=2.0 * timeout_s),
            Fault("stale", share=0.004),
            Fault("wrong_transaction", share=0.006),
            Fault("wrong_protocol", share=0.004),
            Fault("wrong_length", share=0.004),
        ]
    if transport is Transport.RTU_OVER_TCP:
        found.append(Fault("carry_over", share=0.003, seconds=2.0 * timeout_s))
    if transport is not Transport.RTU:
        found += [Fault("fin", share=0.001), Fault("rst", share=0.001)]
    return found


@dataclass
class Tally:
    """What a process has seen."""

    asked: int = 0
    goal: int = 0
    accepted: int = 0
    values: int = 0
    """Registers and bits in the replies accepted."""
    wrong: int = 0
    worst_s: float = 0.0
    """[s] Real time after which no reply comes, by promise of the device."""
    broken_promises: int = 0
    """Wrong values that were replies of the simulated device later than that: then nothing but luck helps."""
    shown: list[str] = field(default_factory=list)
    outcomes: Counter[str] = field(default_factory=Counter)


class Sent:
    """The newest requests of one line, to say of a wrong value whose reply it was and how old."""

    def __init__(self, clock: RealClock) -> None:
        self._clock = clock
        self._frames: deque[tuple[float, str, bytes]] = deque(maxlen=4000)

    def frame(self, device_id: str, data: bytes, *, sent: bool) -> None:
        """Note a request. Serves ports.FrameTap."""
        if sent:
            self._frames.append((self._clock.now_s() / RATE, device_id, data))

    def age_s(self, unit: int, table: str, address: int, *, serial: bool) -> float | None:
        """[s] Return how long ago, in real time, the newest request went out that such a reply answers."""
        head = bytes((unit, 3 if table == "holding" else 4)) + address.to_bytes(2, "big")
        start = 0 if serial else 6
        for at_s, _, data in reversed(self._frames):
            if data[start : start + 4] == head:
                return self._clock.now_s() / RATE - at_s
        return None


class Truth:
    """What every register holds, looked up instead of worked out each time."""

    def __init__(self, unit: int) -> None:
        self._all = {table: expected(unit, table.value, 0, SPAN) for table in Table}

    def of(self, table: Table, address: int, count: int) -> tuple[int, ...]:
        return self._all[table][address : address + count]


def draw(random: Random) -> tuple[Table, int, int]:
    """Draw what to ask: mostly words, many different lengths, any address."""
    if random.random() < 0.06:
        # So many bits that those of another place do not agree by chance.
        count = random.randint(40, 72)
        return random.choice((Table.COIL, Table.DISCRETE)), random.randrange(SPAN - count), count
    count = random.choice((1, 2, 2, 2, 4, 4, random.randint(1, 40)))
    return random.choice((Table.HOLDING, Table.INPUT)), random.randrange(SPAN - count), count


async def ask_on(line: DeviceLine, clock: RealClock, random: Random, tally: Tally, sent: Sent) -> None:
    """Ask one unit over and over."""
    truth = Truth(line.device.unit_id)
    while tally.asked < tally.goal:
        table, address, count = draw(random)
        try:
            words = await line.read(table, address, count)
        except DeviceExceptionError:
            tally.asked += 1
            continue
        except NotConnectedError:
            tally.outcomes["not connected"] += 1
            await clock.sleep_until(clock.now_s() + 0.5)
            continue
        except (RetryLaterError, ReconnectError) as fault:
            tally.asked += 1
            tally.outcomes[type(fault).__name__] += 1
            await clock.sleep_until(clock.now_s())
            continue
        tally.asked += 1
        tally.accepted += 1
        tally.values += count
        if words != truth.of(table, address, count):
            age_s = sent.age_s(*whose(words[0]), serial=line.device.transport.serial_frames)
            # The machine may hold up the simulated device, too: then it is the device that broke its word.
            late = age_s is not None and age_s > tally.worst_s
            tally.broken_promises += late
            tally.wrong += not late
            if len(tally.shown) < _MOST_SHOWN:
                tally.shown.append(
                    f"{line.device.device_id} unit {line.device.unit_id} {table.value} {address} x {count}: {words}; "
                    f"reply to a request of {age_s} s before; promised {tally.worst_s} s"
                )


def refused(counts: list[UnitCounts]) -> dict[str, int]:
    """Add up the adapter's own counts."""
    found: Counter[str] = Counter()
    for unit in counts:
        found.update({"ok": unit.ok, "timeout": unit.timeouts, "connection lost": unit.lost})
        found.update({f"exception {code:02d}": number for code, number in unit.exceptions.items()})
        found.update({f"mismatch: {kind}": number for kind, number in unit.mismatches.items()})
    return dict(sorted(found.items()))


async def _report_progress(tally: Tally, clock: RealClock, began_s: float, name: str) -> NoReturn:
    while True:
        await clock.sleep_until(clock.now_s() + 60.0 * RATE)
        say(f"{name}: {tally.asked} of {tally.goal} asked, {tally.wrong} wrong, {clock.now_s() / RATE - began_s:.0f} s")


@dataclass(frozen=True)
class Setting:
    """How a run goes."""

    transport: Transport
    transactions: int
    seed: int
    links: int
    worst: float = WORST
    faults: tuple[Fault, ...] | None = None


async def run(setting: Setting, folder: Path) -> Result:
    """Run in this loop; return the counts."""
    silence_library()
    random = Random(setting.seed)
    clock = RealClock(rate=RATE)
    timeout_s = TIMEOUT_S[setting.transport]
    tally = Tally(goal=setting.transactions, worst_s=setting.worst * timeout_s)
    far: list[FaultyLine] = []
    makers: list[LinkMaker] = []
    near: list[tuple[tuple[DeviceLine, ...], Sent]] = []
    faults = faults_of(setting.transport, timeout_s) if setting.faults is None else setting.faults
    for number in range(setting.links):
        units = _SHARED_UNITS if number % 2 else (1 + number // 2 % 15,)
        deck = Deck(faults, seed=random.getrandbits(32))
        place = folder / f"line{number}"
        line = open_line(setting.transport, place, {unit: SelfAddressed(unit) for unit in units}, deck)
        far.append(line)
        specs = [
            line.spec(
                f"line{number}unit{unit}", unit, timeout_s=timeout_s, worst_response_s=setting.worst * timeout_s,
                idle_timeout_s=0.01, connect_timeout_s=1.0, backoff_min_s=0.5, backoff_max_s=2.0,
            )
            for unit in units
        ]  # fmt: skip
        sent = Sent(clock)
        maker, lines = near_side(specs, clock, random.getrandbits(32), tap=sent)
        makers.append(maker)
        near.append((lines, sent))
    await _ask_all(near, clock, random, tally, f"{setting.transport.value} seed {setting.seed}", makers)
    for lines, _ in near:
        await lines[0].endpoint.close()
    for line in far:
        line.close()
    counts = [unit for maker in makers for unit in maker.counts.values()]
    done: Counter[str] = Counter()
    for line in far:
        done.update(line.proxy.counts)
    return {
        "transactions": sum(unit.sent for unit in counts),
        "accepted": tally.accepted,
        "values_accepted": tally.values,
        "wrong": tally.wrong,
        "later_than_promised": tally.broken_promises,
        "wrong_shown": tally.shown,
        "outcomes": refused(counts),
        "not_sent": {
            "withheld while a late reply may come": sum(unit.withheld for unit in counts),
            "not connected": tally.outcomes["not connected"],
        },
        "set_aside": {
            "late replies told by their id": sum(unit.late_skipped for unit in counts),
            "bytes nobody asked for": sum(unit.unasked_bytes for unit in counts),
        },
        "faults": dict(sorted(done.items())),
    }


async def _ask_all(
    near: list[tuple[tuple[DeviceLine, ...], Sent]],
    clock: RealClock,
    random: Random,
    tally: Tally,
    name: str,
    makers: list[LinkMaker],
) -> None:
    began_s = clock.now_s() / RATE
    async with asyncio.TaskGroup() as group:
        keepers: list[asyncio.Task[NoReturn]] = [group.create_task(lines[0].endpoint.keep()) for lines, _ in near]
        keepers.append(group.create_task(_report_progress(tally, clock, began_s, name)))
        goal = tally.goal
        while True:
            async with asyncio.TaskGroup() as askers:
                for line, sent in ((line, sent) for lines, sent in near for line in lines):
                    askers.create_task(ask_on(line, clock, Random(random.getrandbits(32)), tally, sent))
            missing = goal - sum(unit.sent for maker in makers for unit in maker.counts.values())
            if missing <= 0:
                break
            tally.goal += missing
        for keeper in keepers:
            keeper.cancel()


def run_here(transport: str, transactions: int, seed: int, links: int) -> Result:
    """Run in a loop of its own: what each process does."""
    with tempfile.TemporaryDirectory(prefix="campaign-") as folder:
        setting = Setting(Transport(transport), transactions, seed, links)
        return asyncio.run(run(setting, Path(folder)))


def campaign(transport: str, transactions: int, seed: int, processes: int) -> Result:
    """Run it whole and note the result. Returns it."""
    began_s = time.perf_counter()
    share = -(-transactions // processes)
    links = LINKS[Transport(transport)]
    parts = side_by_side(run_here, [(transport, share, seed + number, links) for number in range(processes)])
    count = sum(part["transactions"] for part in parts)
    wrong = sum(part["wrong"] for part in parts)
    result: Result = {
        "campaign": "mismatch",
        "transport": transport,
        "transactions": count,
        "accepted": sum(part["accepted"] for part in parts),
        "values_accepted": sum(part["values_accepted"] for part in parts),
        "wrong": wrong,
        "later_than_promised": sum(part["later_than_promised"] for part in parts),
        "bound_95": upper_bound(wrong, count),
        "wrong_shown": [shown for part in parts for shown in part["wrong_shown"]],
        **{key: total(parts, key) for key in ("outcomes", "not_sent", "set_aside", "faults")},
        "seeds": [seed + number for number in range(processes)],
        "connections": links * processes,
        "timeout_s": TIMEOUT_S[Transport(transport)],
        "worst_response_s": WORST * TIMEOUT_S[Transport(transport)],
        "duration_s": round(time.perf_counter() - began_s, 1),
    }
    path = note(f"mismatch-{transport}", result)
    with contextlib.suppress(ValueError):
        say(f"{path.name}: {wrong} wrong in {count} transactions, {result['duration_s']} s")
    return result
