"""The core in closed loop with the simulated plant on virtual time: no socket, thousands of times faster than real.

The registers, the codec of each side and the read plan are the real ones; what is left out is the wire. A write is
taken to be confirmed one scan later, as it is over a healthy link.
"""

import random
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from crumbmeter import site as sites
from crumbmeter.control.state import State, first_state
from crumbmeter.control.step import StepResult, make_core, step
from crumbmeter.field.opcua import read_back
from crumbmeter.field.spec import Table
from crumbmeter.field.words import encode_si
from crumbmeter.model.commands import Command, CommandKind
from crumbmeter.model.events import Event
from crumbmeter.model.frozen import replace
from crumbmeter.model.image import NEVER_READ, NOT_WRITTEN, RawBlock, RawImage, ReadOutcome, WriteStage, WriteStatus
from crumbmeter.model.outputs import OutputImage
from crumbmeter.model.parcel import Parcel
from crumbmeter.model.view import ScanView
from crumbmeter_sim.bank import BankError
from crumbmeter_sim.rig import Rig
from crumbmeter_sim.rigs import open_rig
from crumbmeter_sim.stage import Stage
from tests.virtual_nodes import nodes_of, put, shown

ROOT = Path(__file__).resolve().parent.parent


@dataclass
class ClosedLoop:
    """One site against one rig."""

    site: sites.Site
    rig: Stage[Any, Any]
    dt_s: float = 0.2
    jitter_s: float = 0.0
    """[s] Spread of the scan's length, as on a busy computer."""
    events: list[tuple[float, Event]] = field(default_factory=list)
    """(plant time, event)."""
    parcels: list[Parcel] = field(default_factory=list)
    last: StepResult | None = None
    scans: int = 0
    unsafe: int = 0
    """Scans with a value outside its limits: must stay 0."""

    def __post_init__(self) -> None:
        params = self.site.params
        self.core = make_core(params)
        self.state: State = first_state(params)
        self.names = [device.device_id for device in self.site.devices]
        self.blocks: list[RawBlock] = [NEVER_READ] * len(params.plan.blocks)
        self.due_s = [0.0] * len(params.plan.blocks)
        self.writes: list[WriteStatus] = [NOT_WRITTEN] * len(params.outputs)
        self.orders = sorted(self.rig.scenario.operator, key=lambda o: o.t_s) if self.rig.scenario else []
        self._chance = random.Random(1)
        self._nodes = [nodes_of(device, self.rig.banks[device.device_id]) for device in self.site.devices]

    @property
    def drum(self) -> Rig:
        """The rig, of a drum plant."""
        assert isinstance(self.rig, Rig)
        return self.rig

    @property
    def view(self) -> ScanView | None:
        """The last scan, summed up."""
        return None if self.last is None else self.last.view

    @property
    def now_s(self) -> float:
        """[s] Process time of the daemon: plant time plus an offset, so that 0 is never a time."""
        return 1000.0 + self.rig.now_s

    def _poll(self) -> None:
        now_s = self.now_s
        for index, block in enumerate(self.site.params.plan.blocks):
            if now_s < self.due_s[index] - 1e-6:
                continue
            self.due_s[index] = now_s + max(block.period_s, self.dt_s) - 1e-6
            name = self.names[block.device]
            before = self.blocks[index]
            if not self.rig.link_up(name):
                self.blocks[index] = RawBlock(before.words, before.received_s, ReadOutcome.TIMEOUT)
                continue
            try:
                words = self._held(block.device, block.table, block.address, block.count)
                self.blocks[index] = RawBlock(words, now_s, ReadOutcome.OK)
            except BankError as error:
                self.blocks[index] = RawBlock(before.words, before.received_s, ReadOutcome.EXCEPTION, error.code)

    def _held(self, device: int, table: Table, address: int, count: int) -> tuple[int, ...]:
        """Return what a device answers: as its registers have it, or as its nodes show it."""
        if table is Table.NODE:
            return shown(self._nodes[device], address, count)
        return self.rig.banks[self.names[device]].read(table.value, address, count)

    def _read_back(self) -> None:
        """See what the registers hold."""
        now_s = self.now_s
        for index, spec in enumerate(self.site.params.outputs):
            name, register = self.names[spec.device], spec.register
            if self.rig.link_up(name):
                there = self._held(spec.device, register.table, register.address, register.count)
                held = read_back(register, there, 0)
                before = self.writes[index]
                foreign = before.stage is WriteStage.CONFIRMED and held != before.requested_words
                self.writes[index] = replace(before, read_back_words=held, stamped_s=now_s, foreign=foreign)

    def _write(self, outputs: OutputImage) -> None:
        if not outputs.write_enabled:
            return
        now_s, values = self.now_s, {role.value: value for role, value in outputs.values}
        for index, spec in enumerate(self.site.params.outputs):
            wanted = values.get(spec.role)
            if wanted is None:
                if not outputs.paused:
                    self.writes[index] = replace(self.writes[index], stage=WriteStage.NONE, requested_words=())
                continue
            if not (spec.low_si - 1e-9 <= wanted <= spec.high_si * (1 + 1e-9)):
                self.unsafe += 1
            words = encode_si(spec.register, min(spec.high_si, max(spec.low_si, wanted)))
            name = self.names[spec.device]
            if self.rig.link_up(name):
                if spec.register.table is Table.NODE:
                    put(spec.register, words, self._nodes[spec.device])
                else:
                    self.rig.banks[name].write(spec.register.table.value, spec.register.address, words)
                before = self.writes[index]
                first_s = before.requested_s if before.requested_words == words else now_s
                self.writes[index] = WriteStatus(WriteStage.CONFIRMED, words, words, first_s, now_s)

    def scan(self, *commands: Command) -> StepResult:
        """Let one scan period pass, and scan."""
        dt_s = self.dt_s + (self._chance.uniform(-self.jitter_s, self.jitter_s) if self.jitter_s else 0.0)
        self.rig.advance(dt_s)
        self._poll()
        self._read_back()
        image = RawImage(self.now_s, tuple(self.blocks), tuple(self.writes))
        due = list(commands)
        while self.orders and self.orders[0].t_s <= self.rig.now_s:
            due.append(self._command(self.orders.pop(0)))
        result = step(self.state, image, tuple(due), self.core, dt_s)
        self.state, self.last = result.state, result
        self._write(result.outputs)
        self.events += [(self.rig.now_s, happened) for happened in result.events]
        self.parcels += result.parcels
        self.scans += 1
        return result

    def _command(self, order: Any) -> Command:
        kind = CommandKind(order.command)
        subject = self.site.settings_id if kind is CommandKind.ENABLE_CONTROL else order.subject
        return Command(kind, "scenario", f"order-{order.t_s}", self.now_s + 10.0, subject, order.value)

    def play(self) -> dict[str, Any]:
        """Play the whole scenario and return the simulator's score."""
        while not self.rig.finished:
            self.scan()
        return self.rig.score()


def loop_for(
    scenario: str,
    site: str = "demo_drum",
    *,
    seed: int | None = None,
    plant: str | None = None,
    overrides: dict[str, Any] | None = None,
) -> ClosedLoop:
    """Make a closed loop for a scenario of the repository."""
    path = ROOT / "config" / "scenarios" / f"{scenario}.toml"
    plant_path = ROOT / "config" / "plants" / f"{plant}.toml" if plant else None
    rig = open_rig(path, seed=seed, plant=plant_path, overrides=overrides)
    return ClosedLoop(sites.load(ROOT / "config" / "sites" / f"{site}.toml"), rig)
