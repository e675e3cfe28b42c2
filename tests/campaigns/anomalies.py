"""The sixteen anomaly counts: count / exposures, from the campaigns' figures and from runs made here and now.

Where nothing was seen, the 95 % bound is 3/n. What belongs to a part of the product that is not built yet says so.
"""

import asyncio
import json
import math
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path
from random import Random
from typing import Any

from crumbmeter.control.params import Params
from crumbmeter.field.spec import RegisterSpec, Table, Transport, WordType
from crumbmeter.field.words import decode_words
from crumbmeter.model.image import NEVER_READ, RawBlock, RawImage, ReadOutcome
from crumbmeter.model.outputs import OutputRole
from crumbmeter.model.quality import Quality
from crumbmeter.outward.body import reading_body
from crumbmeter.runtime.scanner import Timetable
from crumbmeter.runtime.supervisor import Supervisor
from crumbmeter.signals.totaliser import TotaliserParams, new_totaliser, observe
from crumbmeter_sim.device.addressed import SelfAddressed
from crumbmeter_sim.device.moving import PointSwitch, Torn
from crumbmeter_sim.device.rules import Place
from crumbmeter_sim.device.unruly import Unruly
from crumbmeter_sim.faults.deck import Deck
from tests.campaigns.common import RESULTS, say
from tests.campaigns.lines import near_side, open_line
from tests.cores import Bench, image_of, words_of
from tests.fakes import FakeClock, Reports, settle

RECORD = "the record of the journal; `kill -9` and disk faults are in tests/system/test_kill.py"
SCANS, COUNTERS, DEATHS, PASSES, READS = 40_000, 2_000, 3_000, 200_000, 4_000


@dataclass(frozen=True)
class Count:
    """One row."""

    number: int
    what: str
    seen: int | None
    exposures: int = 0
    of: str = ""
    note: str = ""

    def told(self) -> str:
        if self.seen is None:
            return f"{self.number:2} {self.what:48} {'later':>12}   {self.note}"
        bound = f", 95 % < {3.0 / self.exposures:.1e}" if not self.seen and self.exposures else ""
        figure = f"{self.seen} / {self.exposures:.3g} {self.of}{bound}" if self.exposures else "no figures yet"
        return f"{self.number:2} {self.what:48} {figure}{'; ' + self.note if self.note else ''}"


def figures(pattern: str, folder: Path = RESULTS) -> list[dict[str, Any]]:
    """Read the campaigns' own figures."""
    return [json.loads(path.read_text("utf-8")) for path in sorted(folder.glob(pattern))]


@dataclass
class Shown:
    """What a run of the core has shown."""

    readings: int = 0
    good_but_old: int = 0
    bad_readings: int = 0
    number_of_bad: int = 0
    unhealthy: int = 0
    beat_while_unhealthy: int = 0


def look_at_scans(scans: int, seed: int) -> Shown:
    """Scan with replies of any age, sentinels, NaN and failed reads; look at every reading and at the heartbeat."""
    random, bench, shown = Random(seed), Bench(), Shown()
    params: Params = bench.params
    bench.enable_and_start()
    beat = bench.results[-1].outputs.value(OutputRole.HEARTBEAT)
    not_a_number = struct_words(math.nan)
    for _ in range(scans):
        dt_s = bench.dt_s * (random.choice((6.0, 10.0, 30.0)) if random.random() < 0.02 else 1.0)
        result = bench.scan(dt_s=dt_s, image=_some_image(bench, random, dt_s, not_a_number))
        for reading, signal in zip(result.view.readings, params.signals, strict=False):
            shown.readings += 1
            shown.good_but_old += reading.quality is Quality.GOOD and reading.age_s > signal.max_age_s + 1e-9
            if reading.quality is Quality.BAD:
                shown.bad_readings += 1
                shown.number_of_bad += reading.value is not None or reading_body(reading)["value"] is not None
        now = result.outputs.value(OutputRole.HEARTBEAT)
        if dt_s > 1.0 + 1e-6:  # what is late: more than a second, at this period
            shown.unhealthy += 1
            shown.beat_while_unhealthy += now is not None and now != beat
        beat = now if now is not None else beat
    return shown


def struct_words(value: float) -> tuple[int, ...]:
    """Return the four words of a number, taken from what makes whole images."""
    names = words_of(dict.fromkeys(Bench().values, value))
    return names[:4]


def _some_image(bench: Bench, random: Random, dt_s: float, not_a_number: tuple[int, ...]) -> RawImage:
    now_s = bench.now_s + dt_s
    if random.random() < 0.02:
        return RawImage(now_s, (NEVER_READ,), image_of(now_s, bench.values).writes)
    age_s = random.choice((0.0, 0.1, random.uniform(0.0, 20.0)))
    outcome = random.choice(list(ReadOutcome)) if random.random() < 0.3 else ReadOutcome.OK
    image = image_of(now_s, bench.values, received_s=now_s - age_s, outcome=outcome)
    words = list(image.blocks[0].words or ())
    for _ in range(random.randrange(3)):
        at = 4 * random.randrange(len(words) // 4)
        words[at : at + 4] = not_a_number
    return replace(image, blocks=(RawBlock(tuple(words), now_s - age_s, outcome),))


def look_at_counters(runs: int, seed: int) -> tuple[int, int]:
    """Let counters wrap, reset, glitch and be swapped; return books above what was possible, and the looks."""
    random, above, looks = Random(seed), 0, 0
    for _ in range(runs):
        most = random.uniform(0.5, 50.0)
        params = TotaliserParams(
            "total", 0, 1.0, 1 << 16, wraps=random.random() < 0.5, resettable=random.random() < 0.5,
            max_rate_counts_s=most,
        )  # fmt: skip
        count, now_s = random.randrange(1 << 16), 0.0
        state = observe(new_totaliser(params), params, count, now_s)[0]
        began_s, before = now_s, state.booked_counts
        for _ in range(60):
            step_s = random.choice((0.2, 1.0, 1.0, 30.0, 3600.0))
            now_s += step_s
            count = (count + random.randint(0, int(most * step_s))) % params.modulus
            strange = random.random()
            told = count
            if strange < 0.05:
                told = 0
            elif strange < 0.1:
                told = count = random.randrange(1 << 16)
            elif strange < 0.13:
                told = count = 0
            state = observe(state, params, told, now_s)[0]
            looks += 1
            above += state.booked_counts - before > most * (now_s - began_s) + 1.0
    return above, looks


async def look_at_deaths(deaths: int, seed: int) -> int:
    """Let tasks end by every kind of exception; return how many ends nobody was told of."""
    random = Random(seed)
    clock, reports = FakeClock(), Reports()
    supervisor = Supervisor(clock, random.random, reports)
    faults = [KeyError("x"), MemoryError(), RecursionError(), asyncio.CancelledError(), OSError(), None]
    done = 0

    async def adapter() -> None:
        nonlocal done
        await clock.sleep_until(clock.now_s() + random.uniform(0.0, 1.0))
        done += 1
        fault = random.choice(faults)
        if fault is not None:
            raise fault

    supervisor.add("adapter", adapter)
    async with asyncio.TaskGroup() as group:
        running = group.create_task(supervisor.run())
        await settle()
        while done < deaths:
            await clock.advance(30.0)
        told = reports.names.count("task_failed")
        (state,) = supervisor.states
        ended = done
        await supervisor.stop()
        await running
    return abs(ended - told) + abs(ended - state.failures)


def look_at_timetable(passes: int, seed: int) -> tuple[int, int]:
    """Let scans take too long; return slots passed over in silence, and the overruns."""
    random = Random(seed)
    period_s, now_s, silent, overruns = 0.2, 1000.0, 0, 0
    timetable = Timetable(now_s + period_s, period_s)
    last_slot = 0
    for _ in range(passes):
        due_s, skipped = timetable.next_due(now_s)
        slot = round((due_s - 1000.0) / period_s)
        overruns += skipped > 0
        silent += slot - last_slot - 1 != skipped
        last_slot = slot
        now_s = max(now_s, due_s) + random.choice((0.01, 0.05, 0.1, random.uniform(0.0, 2.0)))
    return silent, overruns


async def look_at_moving_values(reads: int, folder: Path) -> tuple[int, int]:
    """Read a number and a decimal point that change with every request; return torn ones, and the reads."""
    low, value, point = Place("holding", 100, "u32"), Place("holding", 110), Place("holding", 111)
    device = Unruly(SelfAddressed(1))
    device.add(Torn(low))
    device.add(PointSwitch(value, point=point))
    far = open_line(Transport.TCP, folder, {1: device}, Deck())
    clock = FakeClock()
    _, (line,) = near_side([far.spec("moving", 1, timeout_s=2.0)], clock, 1)
    torn = 0
    register = RegisterSpec(Table.HOLDING, 100, WordType.U32)
    assert await line.endpoint.revive()
    for _ in range(reads):
        words = await line.read(Table.HOLDING, 100, 12)
        torn += decode_words(register, words[:2]) not in {0xFFFE, 0xFFFF, 0x10000, 0x10001}
        torn += not math.isclose(words[10] * 10.0 ** -words[11], 123.4, abs_tol=0.05)
    await line.endpoint.close()
    far.close()
    return torn, 2 * reads


def gather(folder: Path = RESULTS, *, share: float = 1.0, seed: int = 1) -> list[Count]:
    """Work out all sixteen.

    Args:
        folder: Where the campaigns' figures are.
        share: Of the usual length of the runs made here.
        seed: Of those.
    """
    shown = look_at_scans(round(SCANS * share), seed)
    above, looks = look_at_counters(round(COUNTERS * share), seed)
    deaths = round(DEATHS * share)
    silent, overruns = look_at_timetable(round(PASSES * share), seed)
    with tempfile.TemporaryDirectory(prefix="campaign-") as place:
        torn, reads = asyncio.run(look_at_moving_values(round(READS * share), Path(place)))
    mismatch, writes = figures("mismatch-*.json", folder), figures("writes-*.json", folder)
    asked = sum(one["transactions"] for one in mismatch)
    sent, compared = sum(one["writes"] for one in writes), sum(one["compared"] for one in writes)

    def differ(name: str) -> int:
        return sum(one["differences"][name] for one in writes)

    ramps = "limits here; ramp and mode in tests/property/test_core.py"
    return [
        Count(1, "value shown Good while older than max_age", shown.good_but_old, shown.readings, "readings"),
        Count(2, "value from another register or unit", sum(one["wrong"] for one in mismatch), asked, "transactions"),
        Count(3, "torn or mis-scaled value", torn, reads, "values that moved with every request"),
        Count(4, "number produced from a failed read", shown.number_of_bad, shown.bad_readings, "Bad readings"),
        Count(5, "write sent outside limits, ramp or mode", differ("outside_limits"), sent, "writes", ramps),
        Count(6, "write sent after expiry", differ("after_expiry"), sent, "writes"),
        Count(7, "write believed confirmed but not", differ("confirmed_but_not"), compared, "outputs compared"),
        Count(8, "heartbeat advanced while unhealthy", shown.beat_while_unhealthy, shown.unhealthy, "late scans"),
        Count(9, "acknowledged record lost", None, note=RECORD),
        Count(10, "record duplicated or out of order", None, note=RECORD),
        Count(11, "record not acknowledged, resurrected", None, note=RECORD),
        Count(
            12,
            "alarm missed, falsely cleared, or its ack lost",
            None,
            note="not counted here: tests/unit/alarms, tests/unit/app",
        ),
        Count(13, "mass booked above highest rate x time", above, looks, "looks at counters"),
        Count(14, "report not reproducible", None, note="there is no report yet"),
        Count(15, "silent death of a task", asyncio.run(look_at_deaths(deaths, seed)), deaths, "deaths"),
        Count(16, "scan overrun unreported", silent, overruns, "overruns"),
    ]


def campaign(seed: int) -> list[Count]:
    """Print all sixteen. Returns them."""
    counts = gather(seed=seed)
    for count in counts:
        say(count.told())
    return counts
