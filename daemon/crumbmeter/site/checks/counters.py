"""Cross checks of what is more than one number: status of weights, heartbeats of devices, totalisers, pulses. Pure."""

from collections.abc import Iterator

from crumbmeter.field.spec import RegisterSpec, WordType
from crumbmeter.field.words_codes import raw_range
from crumbmeter.model.units import UNITS
from crumbmeter.site.checks.ranges import is_contact
from crumbmeter.site.draft import Draft
from crumbmeter.site.keys.counters import StatusKeys
from crumbmeter.site.keys.links import SignalKeys
from crumbmeter.site.lines import KeyPath

EXACT = {WordType.F32: 2**24, WordType.F64: 2**53}
"""[counts] Whole numbers that a float holds without a gap (IEEE 754)."""


def check_counters(draft: Draft) -> None:
    """Check signals that belong to other signals, and counters against their registers."""
    for name, device in draft.sound("devices"):
        if device.heartbeat is not None:
            _same_device(draft, ("devices", name, "heartbeat"), name, device.heartbeat)
    for name, signal in draft.sound("signals"):
        register = draft.register(signal.source)
        device = signal.source.split(".")[0]
        for key, other in _status_signals(signal.status):
            _same_device(draft, ("signals", name, "status", key), device, other)
        if register is None:
            continue
        if signal.status is not None and register.unit in UNITS and UNITS[register.unit].dimension != "mass":
            draft.say("counter-shape", ("signals", name, "status"), f"is for a weight, not for {register.unit}")
        if signal.totaliser is not None:
            _totaliser(draft, name, signal, register)
        if signal.pulse is not None:
            _pulse(draft, name, signal, register)


def _status_signals(status: StatusKeys | None) -> Iterator[tuple[str, str]]:
    if status is not None:
        for key, value in status.model_dump().items():
            if key != "in_motion" and value is not None:
                yield key, value


def _same_device(draft: Draft, path: KeyPath, device: str, signal: str) -> None:
    other = draft.signals.get(signal)
    if other is not None and other.source.split(".")[0] != device:
        draft.say("other-device", path, f"must be a signal of {device}; {signal} is read from {other.source}")


def _totaliser(draft: Draft, name: str, signal: SignalKeys, register: RegisterSpec) -> None:
    path, keys = ("signals", name, "totaliser"), signal.totaliser
    if keys is None or not _countable(draft, path, register):
        return
    floats = register.word_type.of_floats
    if floats and (keys.count is None or keys.wraps_at is None):
        missing = "count" if keys.count is None else "wraps_at"
        draft.say("counter-shape", (*path, missing), "a float has no counts of its own: both must be said")
        return
    _modulus(draft, path, keys.wraps_at, register)
    if not floats and keys.count is not None and abs(register.scale) > keys.count * (1 + 1e-9):
        expected = f"must not be less than what one raw count stands for ({abs(register.scale):g} {register.unit})"
        draft.say("counter-shape", (*path, "count"), expected)


def _pulse(draft: Draft, name: str, signal: SignalKeys, register: RegisterSpec) -> None:
    path, keys = ("signals", name, "pulse"), signal.pulse
    if keys is None:
        return
    if signal.totaliser is not None:
        draft.say("counter-shape", path, "a signal is a rate or a total, not both")
    if not _countable(draft, path, register):
        return
    if register.unit != "count" or register.word_type.of_floats or register.scale != 1.0 or register.offset != 0.0:
        draft.say("counter-shape", path, "needs a register that holds whole pulses: unit count, no scale, no float")
        return
    _modulus(draft, path, keys.wraps_at, register)


def _countable(draft: Draft, path: KeyPath, register: RegisterSpec) -> bool:
    """Check that the register can be a counter at all."""
    moving = register.power is not None or register.live_zero is not None
    if is_contact(register) or register.offset != 0.0 or moving or register.scale < 0.0:
        draft.say("counter-shape", path, "needs a register that only counts up from 0, with a fixed scale")
        return False
    return True


def _modulus(draft: Draft, path: KeyPath, wraps_at: int | None, register: RegisterSpec) -> None:
    most = EXACT.get(register.word_type) or raw_range(register)[1] + 1
    if (wraps_at or 0) > most:
        draft.say("counter-shape", (*path, "wraps_at"), f"the register counts to {most - 1}")
