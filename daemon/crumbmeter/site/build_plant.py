"""Streams and drum of a sound site file: what the arithmetic of the plant needs."""

from collections.abc import Callable

from crumbmeter.field.spec import RegisterSpec
from crumbmeter.process.params import DrumParams, StreamKind, StreamParams
from crumbmeter.site.build_signals import Registers
from crumbmeter.site.checks.ranges import to_si
from crumbmeter.site.keys.plant import DrumKeys, StreamKeys
from crumbmeter.site.keys.pulses import shown_register
from crumbmeter.site.keys.site import SiteFile

Index = Callable[[str], int]
"""Gives the index of a signal that is there."""
MaybeIndex = Callable[[str | None], int | None]
"""The same for one that may have been left out."""


def build_streams(file: SiteFile, registers: Registers, signal: Index, maybe: MaybeIndex) -> tuple[StreamParams, ...]:
    """Build all streams, in the order of the file."""
    return tuple(_stream(name, keys, file, registers, signal, maybe) for name, keys in file.streams.items())


def build_drum(keys: DrumKeys, file: SiteFile, registers: Registers, signal: Index, maybe: MaybeIndex) -> DrumParams:
    """Build the drum."""
    return DrumParams(
        turning=signal(keys.turning),
        speed=maybe(keys.speed),
        nominal_speed_rev_s=keys.nominal_speed_rpm / 60.0,
        outlet_residence_s=keys.outlet_residence_s,
        outlet_stages=keys.outlet_stages,
        load_effect=keys.load_effect_percent / 100.0,
        normal_dry_kg_s=_normal_dry_kg_s(file, registers),
        discharge_current=maybe(keys.discharge_current),
        discharge_temperature=maybe(keys.discharge_temperature),
        discharge_travel_s=keys.discharge_travel_s,
        discharge_current_lag_s=keys.discharge_current_lag_s,
        discharge_temperature_lag_s=keys.discharge_temperature_lag_s,
    )


def _stream(
    name: str, keys: StreamKeys, file: SiteFile, registers: Registers, signal: Index, maybe: MaybeIndex
) -> StreamParams:
    register = rate_register(keys, file, registers)
    travel = keys.travel
    return StreamParams(
        stream_id=name,
        kind=StreamKind(keys.kind),
        rate=signal(keys.rate),
        wet=keys.state == "wet",
        moisture=(keys.moisture_percent or 0.0) / 100.0,
        binder_content=(keys.binder_percent or 0.0) / 100.0,
        low_flow_kg_s=to_si(register, keys.low_flow),
        belt_length_m=travel.belt_length_m if travel else 0.0,
        belt_speed=maybe(travel.belt_speed) if travel else None,
        belt_running=maybe(travel.belt_running) if travel else None,
        nominal_belt_speed_m_s=travel.nominal_belt_speed_m_s if travel else 1.0,
        scale_filter_s=travel.scale_filter_s if travel else 0.0,
        drum_residence_s=travel.drum_residence_s if travel else 0.0,
        drum_stages=travel.drum_stages if travel else 1,
        binder_belt_s=travel.binder_belt_s if travel else 0.0,
        binder_drum_s=travel.binder_drum_s if travel else None,
        wasted_fines=(keys.wasted_fines_percent or 0.0) / 100.0,
        binder_lag_s=next((one.lag_s or 0.0 for one in file.streams.values() if one.kind == "binder"), 0.0),
    )


def _normal_dry_kg_s(file: SiteFile, registers: Registers) -> float:
    """[kg/s] Return the dry material that passes the drum at the plant's normal rate."""
    return sum(
        to_si(rate_register(keys, file, registers), keys.normal_flow)
        / (1.0 + (keys.moisture_percent or 0.0) / 100.0)
        * (1.0 - (keys.wasted_fines_percent or 0.0) / 100.0)
        for keys in file.streams.values()
        if keys.normal_flow is not None and keys.travel is not None and keys.travel.drum_residence_s > 0.0
    )


def rate_register(keys: StreamKeys, file: SiteFile, registers: Registers) -> RegisterSpec:
    """Return the register of a stream's rate, in whose unit its flows are written."""
    signal = file.signals[keys.rate]
    return shown_register(signal, registers[signal.source])
