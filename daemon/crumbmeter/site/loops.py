"""The loops of a site: every signal and every output, with a name for all that decides what its number means."""

import hashlib
import json

from crumbmeter.field.spec import SignalSource
from crumbmeter.qc.loop_checks import Loop, LoopKind
from crumbmeter.site.build_signals import reading_id
from crumbmeter.site.settings import Site


def loops_of(site: Site) -> tuple[Loop, ...]:
    """Return the signals in the order of the site file, then the outputs."""
    signals = [_signal(site, index) for index in range(len(site.params.signals))]
    return (*signals, *(_output(site, index) for index in range(len(site.params.outputs))))


def _signal(site: Site, index: int) -> Loop:
    source, params = site.params.sources[index], site.params.signals[index]
    pulse = next((one for one in site.params.pulses if one.signal == index), None)
    # What the range holds against is the rate where one is made of a count.
    low_si, high_si = (params.low_si, params.high_si) if pulse is None else (pulse.low_si_s, pulse.high_si_s)
    told = [source.rate_unit, low_si, high_si, params.is_contact, None if pulse is None else pulse.count_si]
    return Loop(
        params.signal_id, LoopKind.SIGNAL, _meaning(site, source, told), params.is_contact, low_si, high_si, source.unit
    )


def _output(site: Site, index: int) -> Loop:
    spec = site.params.outputs[index]
    source = SignalSource(spec.role, spec.device, spec.register, 0.0)
    told = [spec.role, spec.low_si, spec.high_si, spec.write_function]
    contact = spec.register.unit == "contact"
    return Loop(
        spec.role, LoopKind.OUTPUT, _meaning(site, source, told), contact, spec.low_si, spec.high_si, spec.register.unit
    )


def _meaning(site: Site, source: SignalSource, told: list[object]) -> str:
    said = json.dumps([reading_id(source, site.devices), *told])
    return hashlib.sha256(said.encode()).hexdigest()
