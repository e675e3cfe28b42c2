"""A small batch plant for tests of the core: its settings, and images made of plain values. No socket, no simulator."""

import struct
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from crumbmeter.control.params import ContactParams, Params
from crumbmeter.control.state import State, first_state
from crumbmeter.control.step import Core, StepResult, make_core, step
from crumbmeter.field.spec import BlockSpec, OutputSpec, Place, ReadPlan, RegisterSpec, SignalSource, Table, WordType
from crumbmeter.model.commands import Command, CommandKind
from crumbmeter.model.image import NOT_WRITTEN, RawBlock, RawImage, ReadOutcome, WriteStatus
from crumbmeter.process.params import BatchParams, DrumParams, IngredientParams, LineParams, StreamKind
from crumbmeter.signals.params import SignalParams
from tests.cores import command, make_params

SIGNALS: dict[str, tuple[float, float]] = {
    "rubber_wanted": (0.0, 1.0),
    "weighed": (0.0, 1.0),
    "mixer_running": (0.0, 1.0),
    "discharging": (0.0, 1.0),
    "aborted": (0.0, 1.0),
    "counter": (0.0, 65535.0),
    "aggregate": (0.0, 5000.0),
    "rap": (0.0, 2000.0),
    "binder": (0.0, 500.0),
    "aggregate_announced": (0.0, 5000.0),
    "rap_announced": (0.0, 2000.0),
    "binder_announced": (0.0, 500.0),
    "vessel_mass": (-5.0, 100.0),
    "hopper_mass": (0.0, 1000.0),
    "auger_speed": (0.0, 2.0),
    "refilling": (0.0, 1.0),
    "remote": (0.0, 1.0),
    "blower_running": (0.0, 1.0),
    "airlock_running": (0.0, 1.0),
    "emergency_stop_ok": (0.0, 1.0),
}
INDEX = {name: place for place, name in enumerate(SIGNALS)}
CONTACTS = ("rubber_wanted", "weighed", "mixer_running", "discharging", "aborted", "refilling", "remote",
            "blower_running", "airlock_running", "emergency_stop_ok")  # fmt: skip
WHOLE = {"aggregate": 2000.0, "rap": 515.0, "binder": 100.0}
"""[kg] As weighed: the RAP with 3 % of water on dry mass, 500 kg dry."""
RESTING: dict[str, float] = {
    "rubber_wanted": 0.0, "weighed": 0.0, "mixer_running": 1.0, "discharging": 0.0, "aborted": 0.0, "counter": 7.0,
    "aggregate": 0.0, "rap": 0.0, "binder": 0.0,
    "aggregate_announced": 2000.0, "rap_announced": 515.0, "binder_announced": 100.0,
    "vessel_mass": 0.0, "hopper_mass": 200.0, "auger_speed": 0.0, "refilling": 0.0, "remote": 1.0,
    "blower_running": 0.0, "airlock_running": 0.0, "emergency_stop_ok": 1.0,
}  # fmt: skip
TARGET_KG = 0.005 / 0.995 * 2600.0
"""[kg] Rubber of a whole batch: 0.5 % of the total mix, 2000 + 500 + 100 kg without rubber."""
ROLES = ("auger_speed", "feed_run", "blower_run", "airlock_run", "start_warning", "heartbeat", "plant_healthy",
         "refill", "release", "charge_ready", "charge_delivered")  # fmt: skip
FACTOR_KG_REV = 0.9
RELEASE_KG_S = 2.5


def _ingredient(name: str, kind: StreamKind, moisture: float, binder: float) -> IngredientParams:
    return IngredientParams(name, kind, INDEX[name], INDEX[f"{name}_announced"], moisture, binder)


def make_batch_params() -> Params:
    """Make settings of the small batch plant."""
    register = RegisterSpec(Table.HOLDING, 0, WordType.F64)
    sources = tuple(SignalSource(n, 0, replace(register, address=4 * i), 0.2) for i, n in enumerate(SIGNALS))
    signals = tuple(
        SignalParams(name, low, high, max_age_s=1.0, is_contact=name in CONTACTS)
        for name, (low, high) in SIGNALS.items()
    )
    outputs = tuple(
        OutputSpec(role, 0, replace(register, address=1000 + 4 * i), 0.0, 65535.0 if role == "heartbeat" else 1.0)
        for i, role in enumerate(ROLES)
    )
    plan = ReadPlan(
        blocks=(BlockSpec(0, Table.HOLDING, 0, 4 * len(SIGNALS), 0.2),),
        signals=tuple(Place(0, 4 * place) for place in range(len(SIGNALS))),
        outputs=(),
    )
    drum = make_params()
    batch = BatchParams(
        ingredients=(
            _ingredient("aggregate", StreamKind.AGGREGATE, 0.0, 0.0),
            _ingredient("rap", StreamKind.RECYCLE, 0.03, 0.05),
            _ingredient("binder", StreamKind.BINDER, 0.0, 0.0),
        ),
        wanted=INDEX["rubber_wanted"], weighed=INDEX["weighed"], discharging=INDEX["discharging"],
        aborted=INDEX["aborted"], counter=INDEX["counter"], counter_modulus=65536, longest_window_s=60.0,
        vessel_mass=INDEX["vessel_mass"], vessel_empty_kg=0.3, vessel_full_kg=40.0, vessel_lag_s=0.0,
        dose_kg_s=0.7, dribble_kg_s=0.15, dribble_kg=2.0, settle_s=2.0, release_kg_s=RELEASE_KG_S, release_lag_s=0.3,
        tail_s=2.0, run_down_s=4.0, charge_band=0.015, agree_band=0.05, refill=True,
    )  # fmt: skip
    return replace(
        drum,
        sources=sources, signals=signals, plan=plan, outputs=outputs, streams=(), line=LineParams(2.0), batch=batch,
        drum=DrumParams(INDEX["mixer_running"], None, 1.0, 1.0, 1),
        weighing=replace(
            drum.weighing, hopper_mass=INDEX["hopper_mass"], auger_speed=INDEX["auger_speed"],
            refilling=INDEX["refilling"],
        ),
        contacts=ContactParams(
            emergency_stop_ok=INDEX["emergency_stop_ok"], remote=INDEX["remote"],
            blower_running=INDEX["blower_running"], airlock_running=INDEX["airlock_running"],
        ),
    )  # fmt: skip


def batch_image(
    now_s: float, values: Mapping[str, float], *, outcome: ReadOutcome = ReadOutcome.OK, received_s: float | None = None
) -> RawImage:
    """Make an image in which every signal has the given value in SI."""
    data = struct.pack(f">{len(SIGNALS)}d", *(values[name] for name in SIGNALS))
    words = struct.unpack(f">{len(data) // 2}H", data)
    block = RawBlock(words, now_s if received_s is None else received_s, outcome)
    return RawImage(now_s, (block,), (WriteStatus(NOT_WRITTEN.stage),) * len(ROLES))


@dataclass
class BatchBench:
    """Drives the core scan by scan over plain values, beside a machine without noise that obeys."""

    params: Params = field(default_factory=make_batch_params)
    dt_s: float = 0.2

    def __post_init__(self) -> None:
        self.core: Core = make_core(self.params)
        self.state: State = first_state(self.params)
        self.now_s = 100.0
        self.values = dict(RESTING)
        self.results: list[StepResult] = []
        self.released_outside_kg = 0.0

    def scan(self, *commands: Command, image: RawImage | None = None) -> StepResult:
        """Scan once."""
        self.now_s += self.dt_s
        result = step(self.state, image or batch_image(self.now_s, self.values), commands, self.core, self.dt_s)
        self.state = result.state
        self.results.append(result)
        return result

    def out(self, role: str) -> float:
        """Return what the last scan asked of an output."""
        return {one.value: value for one, value in self.results[-1].outputs.values}[role]

    def obey(self) -> None:
        """Let blower, airlock, auger, valve and refill gate do what the last scan asked for."""
        values, dt_s = self.values, self.dt_s
        values["blower_running"], values["airlock_running"] = self.out("blower_run"), self.out("airlock_run")
        values["auger_speed"] = self.out("auger_speed") * self.out("feed_run")
        fed_kg = FACTOR_KG_REV * values["auger_speed"] * dt_s
        values["hopper_mass"] -= fed_kg
        values["vessel_mass"] += fed_kg
        if self.out("release"):
            gone_kg = min(values["vessel_mass"], RELEASE_KG_S * dt_s)
            values["vessel_mass"] -= gone_kg
            self.released_outside_kg += 0.0 if values["rubber_wanted"] else gone_kg
        values["refilling"] = float(bool(self.out("refill")) and values["hopper_mass"] < 240.0)
        values["hopper_mass"] += 5.0 * dt_s * values["refilling"]

    def run(self, seconds: float, **values: float) -> StepResult:
        """Scan for a time with a machine that obeys, with some values set first."""
        self.values.update(values)
        for _ in range(round(seconds / self.dt_s)):
            result = self.scan()
            self.obey()
        return result

    def until(self, phase: str, seconds: float = 90.0) -> None:
        """Scan until the cycle has come to a phase."""
        for _ in range(round(seconds / self.dt_s)):
            self.scan()
            self.obey()
            if self.phase == phase:
                return
        raise AssertionError(f"{self.phase!r} after {seconds:g} s, not {phase!r}")

    def ready(self) -> "BatchBench":
        """Enable control, start, and wait for the first charge."""
        self.scan(command(CommandKind.ENABLE_CONTROL, self.params.settings_id))
        self.scan(command(CommandKind.START_FEED))
        self.until("charge ready")
        return self

    def weigh(self, **kg: float) -> None:
        """Let the plant weigh the next batch."""
        self.run(1.0, **(WHOLE | kg))
        self.run(1.0, weighed=1.0)

    def drop(self, steps: int = 1) -> None:
        """Let the weighed batch fall into the pugmill."""
        empty = dict.fromkeys(WHOLE, 0.0)
        self.run(1.0, weighed=0.0, counter=(self.values["counter"] + steps) % 65536.0, **empty)

    def discharge(self, *, aborted: bool = False) -> StepResult:
        """Let it leave."""
        self.run(2.0, discharging=1.0, aborted=float(aborted))
        return self.run(0.4, discharging=0.0, aborted=0.0)

    def serve(self) -> None:
        """Open a window, wait until it is said that the rubber is in, and close it."""
        self.values["rubber_wanted"] = 1.0
        self.until("delivered")
        self.run(0.4, rubber_wanted=0.0)

    @property
    def phase(self) -> str:
        """Where the cycle is."""
        assert self.state.batch is not None
        return self.state.batch.phase.value

    def events(self) -> list[str]:
        """Return the names of all events so far."""
        return [happened.name for result in self.results for happened in result.events]

    def parcels(self) -> list[tuple[float, float]]:
        """[kg] Return rubber and target of every parcel so far."""
        return [(p.rubber_g / 1000.0, p.target_rubber_g / 1000.0) for result in self.results for p in result.parcels]
