"""Signals of a checked site in SI: limits of trust, status of weights, totalisers, pulse counters."""

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass

from crumbmeter.field.spec import DeviceSpec, RegisterSpec, SignalSource, Table, WordType
from crumbmeter.field.words_codes import raw_range
from crumbmeter.model.quality import Quality
from crumbmeter.model.units import UNITS
from crumbmeter.signals.params import BaselineParams, SignalParams, StatusParams
from crumbmeter.signals.pulse import PulseParams
from crumbmeter.signals.totaliser import TotaliserParams
from crumbmeter.site.checks.ranges import is_contact, to_si
from crumbmeter.site.keys.counters import StatusKeys
from crumbmeter.site.keys.links import SignalKeys
from crumbmeter.site.keys.pulses import rate_unit, shown_register
from crumbmeter.site.keys.site import SiteFile

Registers = Mapping[str, RegisterSpec]
"""By `device.register`."""
MARKS = ("net", "tare_active", "zero", "decimal_point", "calibration_counter")
_PLAIN = RegisterSpec(Table.INPUT, 0, WordType.F32)
FALL_SHARE = 1.5
"""Times its highest rate the feeder is taken to be able to empty the hopper."""
MARGIN_NOISES, MARGIN_SHARE = 6.0, 0.02
"""Times the noise, and share of the full hopper, by which a weight may differ with nobody having touched the scale."""


def build_signals(file: SiteFile, registers: Registers) -> tuple[SignalParams, ...]:
    """Build the limits of trust of every signal, in the order of the file."""
    at = {name: index for index, name in enumerate(file.signals)}
    return tuple(_signal(name, keys, file, at, registers) for name, keys in file.signals.items())


def reading_id(source: SignalSource, devices: Sequence[DeviceSpec]) -> str:
    """Name the way in which a signal is read: another device or anything else about its register gives another name."""
    device = devices[source.device]
    said = json.dumps([device.endpoint, device.unit_id, _told(source.register)], sort_keys=True)
    return hashlib.sha256(said.encode()).hexdigest()


def _told(value: object) -> object:
    """Say a value without what is as it always is, so that what learns something new keeps its name."""
    if isinstance(value, RegisterSpec):
        told = {field.name: getattr(value, field.name) for field in fields(value)}
        return {key: _told(one) for key, one in told.items() if one != getattr(_PLAIN, key)}
    if is_dataclass(value):
        return {field.name: _told(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, tuple | list):
        return [_told(one) for one in value]
    return str(value)


def build_totalisers(file: SiteFile, registers: Registers) -> tuple[TotaliserParams, ...]:
    """Build every totaliser."""
    at = {name: index for index, name in enumerate(file.signals)}
    built = []
    for name, signal in file.signals.items():
        keys, register = signal.totaliser, registers[signal.source]
        if keys is None:
            continue
        factor = UNITS[register.unit].factor
        count_si = (abs(register.scale) if keys.count is None else keys.count) * factor
        built.append(
            TotaliserParams(
                totaliser_id=name,
                signal=at[name],
                count_si=count_si,
                modulus=keys.wraps_at or raw_range(register)[1] + 1,
                wraps=keys.at_top == "wraps",
                resettable=keys.resettable,
                max_rate_counts_s=keys.max_rate_per_h * factor / 3600.0 / count_si,
                confirm_reads=keys.confirm_reads,
                rate=None if keys.rate is None else at[keys.rate],
            )
        )
    return tuple(built)


def build_pulses(file: SiteFile, registers: Registers) -> tuple[PulseParams, ...]:
    """Build every pulse counter."""
    built = []
    for index, (name, signal) in enumerate(file.signals.items()):
        keys, register = signal.pulse, registers[signal.source]
        if keys is None:
            continue
        shown = shown_register(signal, register)
        built.append(
            PulseParams(
                signal=index,
                signal_id=name,
                count_si=UNITS[rate_unit(signal)].factor / keys.pulses_per_unit,
                modulus=keys.wraps_at or raw_range(register)[1] + 1,
                window_s=keys.window_s,
                low_si_s=to_si(shown, signal.low or 0.0),
                high_si_s=to_si(shown, signal.high or 0.0),
            )
        )
    return tuple(built)


def _signal(name: str, keys: SignalKeys, file: SiteFile, at: Mapping[str, int], registers: Registers) -> SignalParams:
    register = registers[keys.source]
    contact = is_contact(register)
    ends = sorted((0.0, 1.0) if contact else (to_si(register, keys.low or 0.0), to_si(register, keys.high or 0.0)))
    if keys.pulse is not None:
        ends = [0.0, float(keys.pulse.wraps_at or raw_range(register)[1] + 1)]
    rise, device = keys.max_rise_per_s, file.devices[keys.source.split(".")[0]]
    judged_by = {by.heartbeat: by.heartbeat_stall_s for by in file.devices.values() if by.heartbeat is not None}
    return SignalParams(
        signal_id=name,
        low_si=ends[0],
        high_si=ends[1],
        max_age_s=keys.max_age_s,
        frozen_after_s=judged_by.get(name, keys.frozen_after_s),
        frozen_while=None if keys.frozen_while is None else at[keys.frozen_while],
        frozen_above_si=_empty_below(name, shown_register(keys, register), file),
        max_rise_per_s=None if rise is None else to_si(register, rise) - to_si(register, 0.0),
        is_contact=contact,
        initial_reads=file.site.initial_reads,
        alive_by=None if device.heartbeat in (None, name) else at[device.heartbeat],
        status=None if keys.status is None else _status(keys.status, at),
        uncertain_for_control=keys.uncertain_for_control,
        baseline=_baseline(file) if name == file.feeder.hopper_mass else None,
    )


def _status(keys: StatusKeys, at: Mapping[str, int]) -> StatusParams:
    def maybe(name: str | None) -> int | None:
        return None if name is None else at[name]

    return StatusParams(
        over=maybe(keys.over),
        under=maybe(keys.under),
        motion=maybe(keys.motion),
        weighing=maybe(keys.mode_weighing),
        setup=maybe(keys.setup),
        fault=maybe(keys.fault),
        marks=tuple((mark, at[named]) for mark in MARKS if (named := getattr(keys, mark)) is not None),
        in_motion=Quality[keys.in_motion.upper()],
    )


def _baseline(file: SiteFile) -> BaselineParams:
    """Take from the feeder how a weight in its hopper can move."""
    feeder = file.feeder
    return BaselineParams(
        fall_si_s=FALL_SHARE * feeder.si("max_rate"),
        margin_si=MARGIN_NOISES * feeder.si("mass_noise") + MARGIN_SHARE * feeder.si("full_mass"),
    )


def _empty_below(name: str, register: RegisterSpec, file: SiteFile) -> float | None:
    """Return the low flow of the stream that a signal is the rate of: an empty belt reads a constant zero."""
    for stream in file.streams.values():
        if stream.rate == name:
            return to_si(register, stream.low_flow)
    return None
