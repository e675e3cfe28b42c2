"""A small drum plant for tests of the core: its settings, and images made of plain values. No socket, no simulator."""

import struct
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from crumbmeter.control.params import (
    BelowTurndown,
    ContactParams,
    FeedParams,
    MeterMode,
    Params,
    SequenceParams,
    ToleranceParams,
)
from crumbmeter.control.state import State, first_state
from crumbmeter.control.step import Core, StepResult, make_core, step
from crumbmeter.estimation.params import WeighingParams
from crumbmeter.field.spec import BlockSpec, OutputSpec, Place, ReadPlan, RegisterSpec, SignalSource, Table, WordType
from crumbmeter.model.commands import Command, CommandKind
from crumbmeter.model.image import NOT_WRITTEN, RawBlock, RawImage, ReadOutcome, WriteStatus
from crumbmeter.process.params import DoseBasis, DrumParams, LineParams, MixParams, StreamKind, StreamParams
from crumbmeter.signals.params import SignalParams

SETTINGS_ID = "5e77" * 16

SIGNALS: dict[str, tuple[float, float]] = {
    "aggregate": (0.0, 200.0),
    "recycle": (0.0, 100.0),
    "binder": (0.0, 20.0),
    "belt_speed": (0.0, 5.0),
    "drum_turning": (0.0, 1.0),
    "hopper_mass": (0.0, 1000.0),
    "auger_speed": (0.0, 2.0),
    "refilling": (0.0, 1.0),
    "remote": (0.0, 1.0),
    "blower_running": (0.0, 1.0),
    "airlock_running": (0.0, 1.0),
    "diverter_to_drum": (0.0, 1.0),
    "emergency_stop_ok": (0.0, 1.0),
    "line_pressure": (-5000.0, 60000.0),
    "recipe": (0.0, 99.0),
    "flow_switch": (0.0, 1.0),
}
INDEX = {name: place for place, name in enumerate(SIGNALS)}

RUNNING: dict[str, float] = {
    "aggregate": 50.0,
    "recycle": 10.0,
    "binder": 2.6,
    "belt_speed": 1.6,
    "drum_turning": 1.0,
    "hopper_mass": 200.0,
    "auger_speed": 0.0,
    "refilling": 0.0,
    "remote": 1.0,
    "blower_running": 0.0,
    "airlock_running": 0.0,
    "diverter_to_drum": 1.0,
    "emergency_stop_ok": 1.0,
    "line_pressure": 8000.0,
    "recipe": 0.0,
    "flow_switch": 0.0,
}


def make_params() -> Params:
    """Make settings of the small plant: one aggregate belt, one recycle stream, binder at the injection point."""
    register = RegisterSpec(Table.HOLDING, 0, WordType.F64)
    sources = tuple(
        SignalSource(name, 0, replace(register, address=4 * place), 0.2) for place, name in enumerate(SIGNALS)
    )
    signals = tuple(
        SignalParams(name, low, high, max_age_s=1.0, is_contact=high == 1.0) for name, (low, high) in SIGNALS.items()
    )
    outputs = tuple(
        OutputSpec(role, 0, RegisterSpec(Table.HOLDING, 200 + 4 * place, WordType.F64), 0.0, high)
        for place, (role, high) in enumerate(
            {"auger_speed": 1.0, "feed_run": 1.0, "blower_run": 1.0, "airlock_run": 1.0, "start_warning": 1.0,
             "heartbeat": 65535.0, "plant_healthy": 1.0}.items()
        )
    )  # fmt: skip
    plan = ReadPlan(
        blocks=(BlockSpec(0, Table.HOLDING, 0, 4 * len(SIGNALS), 0.2),),
        signals=tuple(Place(0, 4 * place) for place in range(len(SIGNALS))),
        outputs=(),
    )
    belt = StreamParams(
        stream_id="aggregate", kind=StreamKind.AGGREGATE, rate=INDEX["aggregate"], wet=True, moisture=0.04,
        binder_content=0.0, low_flow_kg_s=0.5, belt_length_m=24.0, belt_speed=INDEX["belt_speed"], belt_running=None,
        nominal_belt_speed_m_s=1.6, scale_filter_s=0.0, drum_residence_s=30.0, drum_stages=10,
    )  # fmt: skip
    recycle = replace(
        belt, stream_id="recycle", kind=StreamKind.RECYCLE, rate=INDEX["recycle"], moisture=0.03, binder_content=0.048,
        belt_length_m=10.0, drum_residence_s=15.0, drum_stages=8,
    )  # fmt: skip
    binder = StreamParams(
        stream_id="binder", kind=StreamKind.BINDER, rate=INDEX["binder"], wet=False, moisture=0.0, binder_content=1.0,
        low_flow_kg_s=0.01, belt_length_m=0.0, belt_speed=None, belt_running=None, nominal_belt_speed_m_s=1.0,
        scale_filter_s=0.0, drum_residence_s=0.0, drum_stages=0,
    )  # fmt: skip
    return Params(
        settings_id=SETTINGS_ID,
        site_id="test",
        simulated=False,
        scan_period_s=0.2,
        control_allowed=True,
        sources=sources,
        signals=signals,
        plan=plan,
        outputs=outputs,
        streams=(belt, recycle, binder),
        drum=DrumParams(INDEX["drum_turning"], None, 0.15, 60.0, 6),
        line=LineParams(4.0),
        mixes=(
            MixParams("surface", "Surface", DoseBasis.TOTAL_MIX, 0.005, 0.05, 7),
            MixParams("plain", "Without rubber", DoseBasis.TOTAL_MIX, 0.0, 0.05, 8),
        ),
        first_mix="surface",
        weighing=WeighingParams(
            hopper_mass=INDEX["hopper_mass"], auger_speed=INDEX["auger_speed"], refilling=INDEX["refilling"],
            feed_factor_kg_rev=0.9, feed_factor_low_kg_rev=0.45, feed_factor_high_kg_rev=1.35, mass_noise_kg=0.05,
            factor_drift_per_s=0.001, settle_after_refill_s=3.0, max_refill_s=60.0, low_mass_kg=40.0,
            full_mass_kg=250.0, mass_filter_s=0.0, feed_factor_doubt=0.03,
        ),
        contacts=ContactParams(
            emergency_stop_ok=INDEX["emergency_stop_ok"], remote=INDEX["remote"],
            blower_running=INDEX["blower_running"], airlock_running=INDEX["airlock_running"],
            diverter_to_drum=INDEX["diverter_to_drum"], line_pressure=INDEX["line_pressure"],
            plant_recipe=INDEX["recipe"],
        ),
        sequence=SequenceParams(
            start_warning_s=5.0, blower_start_s=10.0, purge_s=4.0, clean_out_s=20.0, ready_hold_s=900.0,
            airlock_start_s=5.0, pressure_high_pa=30000.0, pressure_low_pa=2000.0, pressure_delay_s=2.0,
        ),
        feed=FeedParams(
            mode=MeterMode.SPEED, min_speed_rev_s=0.05, max_speed_rev_s=1.0, below_turndown=BelowTurndown.STOP,
            max_rate_kg_s=0.8, slew_kg_s2=0.2, auger_lag_s=0.5, input_hold_s=5.0, resume_after_s=3.0, trim_share=0.03,
            trim_time_s=20.0, trim_horizon_s=60.0,
        ),
        tolerance=ToleranceParams(
            window_kg=5000.0, window_s=60.0, warn=0.05, alarm=0.1, deadband=0.01, total=0.02, total_from_kg=100.0
        ),
    )  # fmt: skip


def words_of(values: Mapping[str, float]) -> tuple[int, ...]:
    """Make the register words of all signals."""
    data = struct.pack(f">{len(SIGNALS)}d", *(values[name] for name in SIGNALS))
    return struct.unpack(f">{len(data) // 2}H", data)


def image_of(
    now_s: float,
    values: Mapping[str, float],
    *,
    received_s: float | None = None,
    outcome: ReadOutcome = ReadOutcome.OK,
    writes: tuple[WriteStatus, ...] = (),
) -> RawImage:
    """Make an image in which every signal has the given value in SI."""
    block = RawBlock(words_of(values), now_s if received_s is None else received_s, outcome)
    return RawImage(now_s, (block,), writes or (NOT_WRITTEN,) * 7)


def command(kind: CommandKind, subject: str = "", value: float = 0.0, expires_s: float = 1e9) -> Command:
    """Make a command."""
    return Command(kind, "tester", "id-1", expires_s, subject, value)


@dataclass
class Bench:
    """Drives the core scan by scan over plain values."""

    params: Params = field(default_factory=make_params)
    dt_s: float = 0.2
    writes: tuple[WriteStatus, ...] = ()
    """Status of every output; none: nothing was written."""

    def __post_init__(self) -> None:
        self.core: Core = make_core(self.params)
        self.state: State = first_state(self.params)
        self.now_s = 100.0
        self.values = dict(RUNNING)
        self.results: list[StepResult] = []

    def scan(self, *commands: Command, dt_s: float | None = None, image: RawImage | None = None) -> StepResult:
        """Scan once."""
        dt_s = self.dt_s if dt_s is None else dt_s
        self.now_s += dt_s
        result = step(
            self.state, image or image_of(self.now_s, self.values, writes=self.writes), commands, self.core, dt_s
        )
        self.state = result.state
        self.results.append(result)
        return result

    def run(self, seconds: float, **values: float) -> StepResult:
        """Scan for a time, with some values set first."""
        self.values.update(values)
        for _ in range(round(seconds / self.dt_s)):
            result = self.scan()
        return result

    def obey(self) -> None:
        """Let blower, airlock and auger do what the last scan asked for; the hopper loses what the auger carries."""
        outputs = {role.value: value for role, value in self.results[-1].outputs.values}
        self.values["blower_running"] = outputs["blower_run"]
        self.values["airlock_running"] = outputs["airlock_run"]
        if "auger_speed" in outputs:  # not asked: it goes on as it is
            self.values["auger_speed"] = outputs["auger_speed"] * outputs["feed_run"]
        self.values["hopper_mass"] -= 0.9 * self.values["auger_speed"] * self.dt_s
        if self.values["hopper_mass"] < 60.0:
            self.values["hopper_mass"] = 240.0

    def run_obeying(self, seconds: float) -> StepResult:
        """Scan for a time with a machine that obeys."""
        for _ in range(round(seconds / self.dt_s)):
            result = self.scan()
            self.obey()
        return result

    def enable_and_start(self) -> None:
        """Enable control and put the feed in service."""
        self.scan(command(CommandKind.ENABLE_CONTROL, self.params.settings_id))
        self.scan(command(CommandKind.START_FEED))

    def events(self) -> list[str]:
        """Return the names of all events so far."""
        return [happened.name for result in self.results for happened in result.events]
