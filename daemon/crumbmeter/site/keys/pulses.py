"""A pulse counter is for everybody else the rate that is made of it: its unit is that of the rate."""

from dataclasses import replace

from crumbmeter.field.spec import RegisterSpec
from crumbmeter.site.keys.links import SignalKeys


def rate_unit(keys: SignalKeys) -> str:
    """Return the unit of a pulse signal's rate; empty where it is none."""
    return f"{keys.pulse.unit}/s" if keys.pulse is not None else ""


def shown_register(keys: SignalKeys, register: RegisterSpec) -> RegisterSpec:
    """Return the register of a signal with the unit that its limits and its users are in."""
    return replace(register, unit=rate_unit(keys)) if keys.pulse is not None else register
