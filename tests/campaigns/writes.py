"""The write-durability oracle: what the writer believes of a misbehaving device against what the device holds.

Random setpoints go through the daemon's writer and a line with faults to a device that ignores, clamps, rounds,
refuses, echoes wrongly, applies late or is overwritten by somebody else. Then the values and the line rest, and of
each output six things must be true:

- what the writer calls confirmed is what the device holds;
- what it says is wished is the newest wish;
- what it last read back is what the device holds;
- what a well-behaved register acknowledged, by the writer's own log, was done, in that order, and the last of it holds;
- what the device holds as wished, and neither refuses nor echoes wrongly, is confirmed;
- a register that echoed wrongly to all that was written has failed, whatever it holds.
"""

import asyncio
import tempfile
import time
from collections import Counter, deque
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from random import Random
from typing import Any

from crumbmeter.adapters.clock import RealClock
from crumbmeter.adapters.modbus import silence_library
from crumbmeter.field.plan import make_plan
from crumbmeter.field.spec import OutputSpec, RegisterSpec, Table, Transport, WordType
from crumbmeter.field.words import decode_words
from crumbmeter.model.image import ReadOutcome, WriteStage
from crumbmeter.model.outputs import OutputImage, OutputRole
from crumbmeter.runtime.buffer import InputBuffer
from crumbmeter.runtime.link import DeviceLine
from crumbmeter.runtime.poller import DevicePoller
from crumbmeter.runtime.tally import DeviceTally
from crumbmeter.runtime.writelog import WriteOutcome, Written
from crumbmeter.runtime.writer import OutputWriter, encode_clamped
from crumbmeter_sim.device.addressed import SelfAddressed
from crumbmeter_sim.device.rules import (
    ClampWrites,
    IgnoreWrites,
    LateWrites,
    Overwrite,
    Place,
    Refuse,
    RoundWrites,
    Rule,
    WrongEcho,
)
from crumbmeter_sim.device.unruly import Unruly
from crumbmeter_sim.faults.deck import Deck
from crumbmeter_sim.faults.kinds import Fault
from tests.campaigns.common import Result, note, say, side_by_side, total, upper_bound
from tests.campaigns.lines import near_side, open_line
from tests.campaigns.mismatch import faults_of

RATE = 5.0
"""[1] Process time runs so much faster than real."""
SCAN_S = 0.2
"""[s] Process time."""
EXPIRY_S = 2 * SCAN_S
CONFIRM_S = 3.0
REST_S = 8.0
"""[s] Process time for which nothing may fail before the two are compared: longer than back-off and confirmation."""
REST_READS = 30
LONGEST_REST_S = 400.0
TIMEOUT_S, WORST_S = 0.1, 0.4
LINES = 12
Words = tuple[int, ...] | None
Chooser = Callable[[], Words]
OnSent = Callable[[RegisterSpec, tuple[int, ...], float], None]
# Side by side, so that one request reads them all back: equal ones would have to stand apart on a serial bus.
OUTPUTS: tuple[tuple[OutputRole, RegisterSpec, float], ...] = (
    (OutputRole.AUGER_SPEED, RegisterSpec(Table.HOLDING, 1024, WordType.U16), 900.0),
    (OutputRole.FEED_RATE, RegisterSpec(Table.HOLDING, 1025, WordType.F32), 900.0),
    (OutputRole.FEED_RUN, RegisterSpec(Table.COIL, 1040, WordType.BIT), 1.0),
    (OutputRole.BLOWER_RUN, RegisterSpec(Table.COIL, 1041, WordType.BIT), 1.0),
    (OutputRole.HEARTBEAT, RegisterSpec(Table.HOLDING, 1027, WordType.U16), 65535.0),
)


def place_of(register: RegisterSpec) -> Place:
    """Say where a register lies, in the simulator's own words."""
    return Place(register.table.value, register.address, register.word_type.value, register.order.value)


def draw_rule(register: RegisterSpec, random: Random) -> Rule | None:
    """Draw how a register misbehaves for a while; nearly half of the time it does not."""
    place = place_of(register)
    bit = register.word_type is WordType.BIT
    rules: list[Callable[[], Rule]] = [
        lambda: IgnoreWrites(place),
        lambda: LateWrites(place, seconds=random.uniform(0.1, 5.0)),
        lambda: Overwrite(place, seconds=random.uniform(0.1, 4.0), raw=float(random.randint(0, 1 if bit else 900))),
        lambda: Refuse(place, code=random.choice((1, 2, 3, 4, 6)), reads=False),
        lambda: WrongEcho(place, what=random.choice(("address", "value"))),
    ]
    if not bit:
        rules += [
            lambda: ClampWrites(place, low=100.0, high=random.uniform(200.0, 800.0) // 1),
            lambda: RoundWrites(place, step=float(random.choice((5, 10, 50)))),
        ]
    return random.choice(rules)() if random.random() < 0.55 else None


@dataclass
class Differences:
    """Where belief and device part, and what went out that should not. All must stay 0."""

    confirmed_but_not: int = 0
    read_back_differs: int = 0
    acknowledged_not_done: int = 0
    log_differs: int = 0
    done_not_confirmed: int = 0
    unbelieved_not_told: int = 0
    wish_not_shown: int = 0
    never_rested: int = 0
    outside_limits: int = 0
    after_expiry: int = 0
    shown: list[str] = field(default_factory=list)

    def note(self, which: str, text: str) -> None:
        setattr(self, which, getattr(self, which) + 1)
        if len(self.shown) < 20:
            self.shown.append(f"{which}: {text}")


def watch_sending(line: DeviceLine, clock: RealClock, on_sent: OnSent) -> None:
    """Have every value that goes out on a line shown, with the time just before it was chosen."""
    write = line.write

    async def watched(register: RegisterSpec, choose: Chooser, *more: Any, **named: Any) -> Words:
        def chosen() -> Words:
            now_s = clock.now_s()
            words = choose()
            if words is not None:
                on_sent(register, words, now_s)
            return words

        return await write(register, chosen, *more, **named)

    line.write = watched  # type: ignore[method-assign]


class Rig:
    """One misbehaving device behind a bad line, with the daemon's writer and poller before it."""

    def __init__(self, transport: Transport, folder: Path, clock: RealClock, seed: int) -> None:
        self.random = Random(seed)
        self.clock = clock
        self.bank = SelfAddressed(1)
        self.device = Unruly(self.bank, clock.now_s)
        self.faults = [fault for fault in faults_of(transport, TIMEOUT_S) if fault.direction == "to_master"]
        self.faults += [Fault("drop", direction="to_device", share=0.01)]
        self.deck = Deck(self.faults, seed=seed)
        self.far = open_line(transport, folder, {1: self.device}, self.deck)
        spec = self.far.spec(
            f"device{seed}", 1, timeout_s=TIMEOUT_S, worst_response_s=WORST_S, idle_timeout_s=0.01,
            connect_timeout_s=1.0, backoff_min_s=0.5, backoff_max_s=2.0,
        )  # fmt: skip
        self.outputs = tuple(
            OutputSpec(role, 0, register, 0.0, high, confirm_within_s=CONFIRM_S) for role, register, high in OUTPUTS
        )
        plan = make_plan([spec], [], self.outputs)
        self.buffer = InputBuffer(blocks=len(plan.blocks), outputs=len(self.outputs))
        _, (line,) = near_side([spec], clock, seed)
        self.line = line
        watch_sending(line, clock, self._on_sent)
        self.sent = 0
        self.tally = DeviceTally()
        blocks = [(n, replace(block, period_s=SCAN_S)) for n, block in enumerate(plan.blocks)]
        self.poller = DevicePoller(line, blocks, self.buffer, clock, lambda _: None, self.tally)
        self.events: Counter[str] = Counter()
        self.writer = OutputWriter(
            [self.line], self.outputs, plan.outputs, self.buffer, clock, expiry_s=EXPIRY_S,
            report=lambda happening: self.events.update([happening.name]), tallies={0: self.tally},
        )  # fmt: skip
        self.wishes: dict[OutputRole, float] = {}
        self.posted: dict[int, deque[tuple[float, float]]] = {n: deque(maxlen=64) for n in range(len(self.outputs))}
        self.differences = Differences()
        self.compared = 0
        self.rules: dict[int, Rule | None] = {}
        self.lasting = -1
        """Output whose wrong echo goes on while all else rests; -1 for none."""
        self.misbehaved: set[int] = set()
        """Outputs whose register did not do as it was told at some time since the last comparison."""
        self.kinds: Counter[str] = Counter()
        self.done_before = 0
        self.noted_before = 0
        self.acknowledged = 0

    def _on_sent(self, register: RegisterSpec, words: tuple[int, ...], now_s: float) -> None:
        """Hold each value that goes out to its limits and to the time of its posting."""
        self.sent += 1
        index = next(n for n, spec in enumerate(self.outputs) if spec.register == register)
        spec = self.outputs[index]
        value = decode_words(register, words)
        if not spec.low_si <= value <= spec.high_si:
            self.differences.note("outside_limits", f"{spec.role} {value}")
        fresh = [at_s for at_s, wish in self.posted[index] if abs(wish - value) < 1e-3]
        if not fresh or now_s - fresh[-1] > EXPIRY_S + 1e-6:
            self.differences.note("after_expiry", f"{spec.role} {value} posted at {fresh[-1:]}, sent at {now_s:.2f}")

    def post(self) -> None:
        """Hand over the wishes as a scan does."""
        now_s = self.clock.now_s()
        for index, spec in enumerate(self.outputs):
            wish = min(max(self.wishes[OutputRole(spec.role)], spec.low_si), spec.high_si)
            self.posted[index].append((now_s, wish))
        self.writer.post_nowait(OutputImage(True, False, tuple(self.wishes.items())), now_s)

    def draw_wishes(self) -> None:
        for role, register, high in OUTPUTS:
            if register.word_type is WordType.BIT:
                self.wishes[role] = float(self.random.random() < 0.5)
            elif role not in self.wishes or self.random.random() < 0.6:
                # Some lie outside the limits: the writer has to clamp them.
                self.wishes[role] = float(self.random.randint(-50, int(high * 1.1)))

    async def epoch(self) -> None:
        """Let things go wrong, let them rest, compare."""
        self.device.behave()
        self.misbehaved.clear()
        self.lasting = self.random.randrange(len(self.outputs)) if self.random.random() < 0.3 else -1
        for index, spec in enumerate(self.outputs):
            rule = draw_rule(spec.register, self.random)
            self.rules[index] = rule
            self.kinds[type(rule).__name__ if rule else "none"] += 1
            if rule is not None:
                self.device.add(rule)
                self.misbehaved.add(index)
        for fault in self.faults:
            self.deck.add(fault)
        for _ in range(self.random.randint(8, 20)):
            self.draw_wishes()
            self.post()
            await self.clock.sleep_until(self.clock.now_s() + SCAN_S)
        self.deck.clear()
        for index, rule in self.rules.items():
            stays = isinstance(rule, WrongEcho) and index == self.lasting
            if isinstance(rule, (Overwrite, LateWrites, WrongEcho)) and not stays:
                self.device.remove(rule)
                self.rules[index] = None
        await self.rest()
        self.device.settle()
        self.compare()

    async def rest(self) -> None:
        """Wish the same until nothing has failed for a while, and everything has been read back several times."""
        began_s = quiet_s = self.clock.now_s()
        failed, good = self.failures(), self.tally.reads[ReadOutcome.OK]
        while True:
            now_s = self.clock.now_s()
            if self.failures() != failed and not self.never_rests:
                failed, good, quiet_s = self.failures(), self.tally.reads[ReadOutcome.OK], now_s
            read_back = self.never_rests or self.tally.reads[ReadOutcome.OK] >= good + REST_READS
            if now_s >= quiet_s + REST_S and read_back:
                return
            if now_s > began_s + LONGEST_REST_S:
                self.differences.note("never_rested", str(self.tally))
                return
            self.post()
            await self.clock.sleep_until(now_s + SCAN_S)

    @property
    def never_rests(self) -> bool:
        """A register that echoes wrongly is written again and again, and each time the connection is discarded."""
        return any(isinstance(rule, WrongEcho) for rule in self.rules.values())

    def failures(self) -> int:
        """Count exchanges that came to nothing: on a loaded machine there are some on a sound line, too."""
        reads = self.tally.reads
        return reads.total() - reads[ReadOutcome.OK] + self.tally.writes_unanswered

    def held(self, register: RegisterSpec) -> tuple[int, ...]:
        return self.bank.read(register.table.value, register.address, register.count)

    def compare(self) -> None:
        statuses = self.buffer.latch(self.clock.now_s()).writes
        for index, (spec, status) in enumerate(zip(self.outputs, statuses, strict=True)):
            held, rule = self.held(spec.register), self.rules[index]
            told = f"{self.line.device.device_id} {spec.role} {rule}: device {held}, belief {status}"
            self.compared += 1
            if status.stage is WriteStage.CONFIRMED and held != status.requested_words:
                self.differences.note("confirmed_but_not", told)
            written = any(one.role == spec.role for one in self._new_in_log())
            if isinstance(rule, WrongEcho) and written and status.stage is not WriteStage.FAILED:
                self.differences.note("unbelieved_not_told", told)
            shown = encode_clamped(spec, self.wishes[OutputRole(spec.role)])
            if status.requested_words != shown:
                self.differences.note("wish_not_shown", f"{shown}; {told}")
            if self.never_rests:
                continue
            if status.read_back_words != held:
                self.differences.note("read_back_differs", told)
            trusted = not isinstance(rule, Refuse)
            if trusted and held == status.requested_words and status.stage is not WriteStage.CONFIRMED:
                self.differences.note("done_not_confirmed", told)
        self._compare_logs()

    def _new_in_log(self) -> list[Written]:
        """Return what the writer has noted since the last comparison."""
        log = self.writer.log
        return list(log)[len(log) - (log.total - self.noted_before) :]

    def _compare_logs(self) -> None:
        """Hold the writer's own log against the device's, for registers that did as they were told."""
        done = self.bank.log[self.done_before :]
        log, told = self.writer.log, self._new_in_log()
        self.done_before, self.noted_before = len(self.bank.log), log.total
        for index, spec in enumerate(self.outputs):
            if index in self.misbehaved:
                continue
            key = (spec.register.table.value, spec.register.address)
            rest = iter([words for table, address, words in done if (table, address) == key])
            for written in told:
                if written.role == spec.role and written.outcome is WriteOutcome.ACKNOWLEDGED:
                    self.acknowledged += 1
                    if not any(other == written.words for other in rest):
                        self.differences.note("acknowledged_not_done", f"{written}")
            last = log.last_acknowledged(spec.role)
            if last is not None and last != self.held(spec.register):
                self.differences.note("log_differs", f"{spec.role}: log {last}, device {self.held(spec.register)}")


async def run(transport: Transport, writes: int, seed: int, lines: int, folder: Path) -> Result:
    """Run in this loop until so many writes have been sent."""
    silence_library()
    clock = RealClock(rate=RATE)
    random = Random(seed)
    rigs = [Rig(transport, folder / f"line{n}", clock, random.getrandbits(31)) for n in range(lines)]

    async def play(rig: Rig) -> None:
        while sum(other.sent for other in rigs) < writes:
            await rig.epoch()

    async with asyncio.TaskGroup() as group:
        keepers = []
        for rig in rigs:
            keepers += [
                group.create_task(rig.line.endpoint.keep()),
                group.create_task(rig.poller.run()),
                group.create_task(rig.writer.run_device(0)),
            ]
        async with asyncio.TaskGroup() as players:
            for rig in rigs:
                players.create_task(play(rig))
        for keeper in keepers:
            keeper.cancel()
    for rig in rigs:
        await rig.line.endpoint.close()
        rig.far.close()
    return _sum(rigs)


def _sum(rigs: list[Rig]) -> Result:
    names = (
        "confirmed_but_not", "read_back_differs", "acknowledged_not_done", "log_differs", "done_not_confirmed",
        "unbelieved_not_told", "wish_not_shown", "never_rested", "outside_limits", "after_expiry",
    )  # fmt: skip
    kinds: Counter[str] = Counter()
    events: Counter[str] = Counter()
    faults: Counter[str] = Counter()
    for rig in rigs:
        kinds.update(rig.kinds)
        events.update(rig.events)
        faults.update(rig.far.proxy.counts)
    return {
        "writes": sum(rig.sent for rig in rigs),
        "acknowledged_and_looked_up": sum(rig.acknowledged for rig in rigs),
        "compared": sum(rig.compared for rig in rigs),
        "differences": {name: sum(getattr(rig.differences, name) for rig in rigs) for name in names},
        "shown": [text for rig in rigs for text in rig.differences.shown],
        "misbehaviour": dict(sorted(kinds.items())),
        "events": dict(sorted(events.items())),
        "faults": dict(sorted(faults.items())),
    }


def run_here(transport: str, writes: int, seed: int, lines: int) -> Result:
    """Run in a loop of its own: what each process does."""
    with tempfile.TemporaryDirectory(prefix="campaign-") as folder:
        return asyncio.run(run(Transport(transport), writes, seed, lines, Path(folder)))


def campaign(transport: str, writes: int, seed: int, processes: int) -> Result:
    """Run it whole and note the result. Returns it."""
    began_s = time.perf_counter()
    share = -(-writes // processes)
    parts = side_by_side(run_here, [(transport, share, seed + number, LINES) for number in range(processes)])
    differences = total(parts, "differences")
    count = sum(part["writes"] for part in parts)
    result: Result = {
        "campaign": "writes",
        "transport": transport,
        "writes": count,
        "acknowledged_and_looked_up": sum(part["acknowledged_and_looked_up"] for part in parts),
        "compared": sum(part["compared"] for part in parts),
        "differences": differences,
        "bound_95": upper_bound(sum(differences.values()), count),
        "shown": [text for part in parts for text in part["shown"]],
        **{key: total(parts, key) for key in ("misbehaviour", "events", "faults")},
        "seeds": [seed + number for number in range(processes)],
        "duration_s": round(time.perf_counter() - began_s, 1),
    }
    path = note(f"writes-{transport}", result)
    say(f"{path.name}: {differences} in {count} writes, {result['compared']} outputs compared, "
        f"{result['duration_s']} s")  # fmt: skip
    return result
