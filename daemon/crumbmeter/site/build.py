"""Turn a checked site file into frozen settings in SI. Nothing here can refuse: every check has passed before."""

import hashlib
from collections.abc import Sequence
from pathlib import Path

from crumbmeter.control.params import (
    BelowTurndown,
    ContactParams,
    FeedParams,
    MeterMode,
    Params,
    SequenceParams,
    ToleranceParams,
)
from crumbmeter.estimation.params import WeighingParams
from crumbmeter.field.plan import make_plan
from crumbmeter.field.spec import DeviceSpec, OutputSpec, SignalSource
from crumbmeter.model.outputs import OutputRole
from crumbmeter.process.params import DoseBasis, DrumParams, LineParams, MixParams
from crumbmeter.site.build_batch import build_batch, pugmill
from crumbmeter.site.build_plant import build_drum, build_streams, rate_register
from crumbmeter.site.build_signals import Registers, build_pulses, build_signals, build_totalisers, reading_id
from crumbmeter.site.checks.ranges import is_contact, to_si
from crumbmeter.site.keys.links import OutputKeys, SignalKeys
from crumbmeter.site.keys.plant import MixKeys
from crumbmeter.site.keys.pulses import rate_unit
from crumbmeter.site.keys.site import SiteFile
from crumbmeter.site.keys.uncertainty import build_uncertainty
from crumbmeter.site.settings import (
    DeskSettings,
    JournalSettings,
    NormalRates,
    SourceFile,
)

WRITES_PER_HOUR, WRITES_PER_DAY = 12, 100
"""Of an output whose memory may wear out, where the site does not say: 100 000 writes then last for three years."""
SCALE_RESTS = 4.0
"""Times its averaging, after which a scale shows a fill to 2 % of what it was behind."""


def settings_id(files: Sequence[SourceFile]) -> str:
    """Return the SHA-256 over names and bytes, each with its length so that nothing can shift between them."""
    digest = hashlib.sha256()
    for file in files:
        for part in (file.name.encode(), file.content):
            digest.update(len(part).to_bytes(8, "big"))
            digest.update(part)
    return digest.hexdigest()


class _Indices:
    """Positions of devices and signals, by name."""

    def __init__(self, file: SiteFile) -> None:
        self._devices = {name: index for index, name in enumerate(file.devices)}
        self.signals = {name: index for index, name in enumerate(file.signals)}
        self._outputs = {name: index for index, name in enumerate(file.outputs)}

    def device(self, reference: str) -> int:
        return self._devices[reference.split(".", maxsplit=1)[0]]

    def signal(self, name: str) -> int:
        return self.signals[name]

    def output(self, role: OutputRole) -> int | None:
        return self._outputs.get(role.value)

    def maybe(self, name: str | None) -> int | None:
        return None if name is None else self.signals[name]


def build_params(file: SiteFile, devices: Sequence[DeviceSpec], registers: Registers, settings: str) -> Params:
    """Build all that the core needs."""
    at = _Indices(file)
    sources = tuple(_source(name, keys, file, at, registers) for name, keys in file.signals.items())
    outputs = tuple(_output(role, keys, at, registers) for role, keys in file.outputs.items())
    return Params(
        settings_id=settings,
        site_id=file.site.id,
        simulated=file.site.simulated,
        scan_period_s=file.site.scan_period_s,
        control_allowed=file.control.allowed,
        sources=sources,
        signals=build_signals(file, registers),
        plan=make_plan(devices, sources, outputs),
        outputs=outputs,
        streams=build_streams(file, registers, at.signal, at.maybe),
        drum=_drum(file, registers, at),
        line=LineParams(travel_s=file.line.travel_s, pressure_lag_s=file.line.pressure_lag_s),
        mixes=tuple(_mix(name, keys) for name, keys in file.mixes.items()),
        first_mix=file.plant.first_mix,
        weighing=_weighing(file, at),
        contacts=_contacts(file, at),
        sequence=_sequence(file),
        feed=_feed(file),
        tolerance=_tolerance(file),
        parcel_kg=file.site.parcel_kg or 0.0,
        totalisers=build_totalisers(file, registers),
        pulses=build_pulses(file, registers),
        good_scans=file.site.initial_reads,
        owner=at.output(OutputRole.OWNER),
        weight_reading="" if file.site.simulated else reading_id(sources[at.signal(file.feeder.hopper_mass)], devices),
        known_weight_band=file.control.known_weight_percent / 100.0,
        heartbeat=at.output(OutputRole.HEARTBEAT),
        uncertainty=build_uncertainty(file.uncertainty, file.control),
        batch=build_batch(file),
        alarm_delays_s=tuple((name, keys.on_delay_s, keys.off_delay_s) for name, keys in file.alarms.items()),
    )


def _drum(file: SiteFile, registers: Registers, at: _Indices) -> DrumParams:
    if file.drum is None:
        assert file.batch is not None  # noqa: S101 - checked: a site has a drum or batches
        return pugmill(file.batch, at.signals)
    return build_drum(file.drum, file, registers, at.signal, at.maybe)


def _source(name: str, keys: SignalKeys, file: SiteFile, at: _Indices, registers: Registers) -> SignalSource:
    device = file.devices[keys.source.split(".")[0]]
    period_s = device.poll_period_s if keys.period_s is None else keys.period_s
    return SignalSource(name, at.device(keys.source), registers[keys.source], period_s, rate_unit(keys))


def _output(role: str, keys: OutputKeys, at: _Indices, registers: Registers) -> OutputSpec:
    register = registers[keys.register_]
    contact = is_contact(register)
    return OutputSpec(
        role=role,
        device=at.device(keys.register_),
        register=register,
        low_si=0.0 if contact else to_si(register, keys.low or 0.0),
        high_si=1.0 if contact else to_si(register, keys.high or 0.0),
        min_interval_s=keys.min_interval_s,
        deadband_counts=keys.deadband_counts,
        confirm_within_s=keys.confirm_within_s,
        write_function=keys.write_function or 0,
        durable=keys.storage != "volatile",
        max_per_hour=0 if keys.storage == "volatile" else keys.max_per_hour or WRITES_PER_HOUR,
        max_per_day=0 if keys.storage == "volatile" else keys.max_per_day or WRITES_PER_DAY,
        endurance_writes=keys.endurance_writes or 0,
    )


def _mix(name: str, keys: MixKeys) -> MixParams:
    return MixParams(
        mix_id=name,
        title=keys.title,
        dose_basis=DoseBasis(keys.dose_basis),
        dose=keys.si("dose"),
        total_binder_content=keys.total_binder_percent / 100.0,
        plant_recipe=keys.plant_recipe,
    )


def _weighing(file: SiteFile, at: _Indices) -> WeighingParams:
    keys = file.feeder
    return WeighingParams(
        hopper_mass=at.signal(keys.hopper_mass),
        auger_speed=at.maybe(keys.auger_speed),
        refilling=at.maybe(keys.refilling),
        feed_factor_kg_rev=keys.si("feed_factor"),
        feed_factor_low_kg_rev=keys.si("feed_factor_low"),
        feed_factor_high_kg_rev=keys.si("feed_factor_high"),
        mass_noise_kg=keys.si("mass_noise"),
        factor_drift_per_s=keys.factor_drift_percent_per_sqrt_min / 100.0 / 60.0**0.5,
        settle_after_refill_s=keys.settle_after_refill_s + SCALE_RESTS * keys.mass_filter_s,
        max_refill_s=keys.max_refill_s,
        low_mass_kg=keys.si("low_mass"),
        full_mass_kg=keys.si("full_mass"),
        mass_filter_s=keys.mass_filter_s,
        feed_factor_doubt=keys.feed_factor_doubt_percent / 100.0,
        fresh_air=keys.fresh_air_percent / 100.0,
        fresh_air_decay_s=keys.fresh_air_decay_s,
    )


def _contacts(file: SiteFile, at: _Indices) -> ContactParams:
    return ContactParams(
        emergency_stop_ok=at.maybe(file.plant.emergency_stop_ok),
        remote=at.maybe(file.feeder.remote),
        blower_running=at.maybe(file.line.blower_running),
        airlock_running=at.maybe(file.feeder.airlock_running),
        diverter_to_drum=at.maybe(file.feeder.diverter_to_drum),
        feeder_fault=at.maybe(file.feeder.fault),
        supply_low=at.maybe(file.feeder.supply_low),
        line_pressure=at.maybe(file.line.pressure),
        flow_switch=at.maybe(file.line.flow_switch),
        plant_recipe=at.maybe(file.plant.recipe),
        feed_rate=at.maybe(file.feeder.feed_rate),
        supply_mass=at.maybe(file.feeder.supply_mass),
    )


def _sequence(file: SiteFile) -> SequenceParams:
    keys = file.sequence
    return SequenceParams(
        start_warning_s=keys.start_warning_s,
        blower_start_s=keys.blower_start_s,
        purge_s=keys.purge_s,
        clean_out_s=keys.clean_out_s,
        ready_hold_s=keys.ready_hold_s,
        airlock_start_s=keys.airlock_start_s,
        pressure_high_pa=file.line.si_or_none("pressure_high"),
        pressure_low_pa=file.line.si_or_none("pressure_low"),
        pressure_delay_s=file.line.pressure_delay_s,
    )


def _feed(file: SiteFile) -> FeedParams:
    keys = file.feeder
    return FeedParams(
        mode=MeterMode(keys.mode),
        min_speed_rev_s=keys.min_speed_rpm / 60.0,
        max_speed_rev_s=keys.max_speed_rpm / 60.0,
        below_turndown=BelowTurndown(keys.below_turndown or "stop"),
        max_rate_kg_s=keys.si("max_rate"),
        slew_kg_s2=keys.si("slew"),
        auger_lag_s=keys.auger_lag_s,
        input_hold_s=file.sequence.input_hold_s,
        resume_after_s=file.sequence.resume_after_s,
        trim_share=0.0 if file.trim is None else file.trim.share_percent / 100.0,
        trim_time_s=1.0 if file.trim is None else file.trim.time_s,
        trim_horizon_s=1.0 if file.trim is None else file.trim.horizon_s,
    )


def _tolerance(file: SiteFile) -> ToleranceParams:
    keys = file.tolerance
    return ToleranceParams(
        window_kg=keys.si_or_none("window") or 0.0,
        window_s=keys.window_s or 0.0,
        warn=keys.warn_percent / 100.0,
        alarm=keys.alarm_percent / 100.0,
        deadband=keys.deadband_percent / 100.0,
        total=keys.total_percent / 100.0,
        total_from_kg=keys.si("total_from"),
    )


def build_journal(file: SiteFile) -> JournalSettings:
    """Build where the record is kept."""
    keys = file.journal
    return JournalSettings(
        Path(keys.folder), keys.image_days, keys.record_days, round(keys.max_mb * 1_000_000),
        None if keys.backup_folder is None else Path(keys.backup_folder),
    )  # fmt: skip


def build_desk(file: SiteFile, folder: Path) -> DeskSettings:
    """Build where people meet the plant.

    Args:
        file: Site file.
        folder: Where it lies.
    """
    keys = file.desk
    return DeskSettings(
        address=keys.address,
        port=keys.port,
        people=Path(file.journal.folder).parent / keys.people,
        session_s=keys.session_h * 3600.0,
        tls_certificate=None if keys.tls_certificate is None else Path(keys.tls_certificate),
        tls_key=None if keys.tls_key is None else Path(keys.tls_key),
        behind_proxy=keys.behind_proxy,
        quality_plan=None if keys.quality_plan is None else folder / keys.quality_plan,
    )


def build_normal(file: SiteFile, registers: Registers) -> NormalRates:
    """Build what the plant normally runs at."""
    flows = tuple(
        None if keys.normal_flow is None else to_si(rate_register(keys, file, registers), keys.normal_flow)
        for keys in file.streams.values()
    )
    return NormalRates(flows, file.plant.lowest_rate_percent / 100.0, file.plant.highest_rate_percent / 100.0)
