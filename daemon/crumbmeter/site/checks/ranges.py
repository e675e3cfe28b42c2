"""What a register can hold, and small comparisons that several checks share. Pure."""

import struct
from typing import Any

from crumbmeter.field.scaling import gains, line
from crumbmeter.field.spec import RegisterSpec, WordType
from crumbmeter.field.words_codes import raw_range
from crumbmeter.model.units import UNITS
from crumbmeter.site.draft import Draft
from crumbmeter.site.keys.base import Keys
from crumbmeter.site.lines import KeyPath

_F32_MAX = float(struct.unpack(">f", bytes.fromhex("7f7fffff"))[0])
_FLOATS = {WordType.F32: (-_F32_MAX, _F32_MAX), WordType.F64: (-1.7e308, 1.7e308)}


def holds(register: RegisterSpec) -> tuple[float, float]:
    """Return the lowest and highest value, in the register's own unit, that its type and scale can express."""
    limits = _FLOATS.get(register.word_type) or raw_range(register)
    factors = [gain / line(register)[0] for gain in gains(register).values()] or [1.0]
    ends = [raw * register.scale * factor + register.offset for raw in limits for factor in factors]
    return min(ends), max(ends)


def to_si(register: RegisterSpec, value: float) -> float:
    """Convert a value in the register's unit to SI."""
    return UNITS[register.unit].to_si(value)


def from_si(register: RegisterSpec, value_si: float) -> float:
    """Convert an SI value to the register's unit."""
    return UNITS[register.unit].from_si(value_si)


def is_contact(register: RegisterSpec) -> bool:
    """Tell whether the register is a contact."""
    return register.word_type is WordType.BIT


def check_order(draft: Draft, path: KeyPath, part: Keys, low: str, high: str, *, equal: bool = False) -> None:
    """Check that of two keys (or quantities with a choice of units) the first is below the second."""
    below, above = _value(part, low), _value(part, high)
    if below is None or above is None or below < above or (equal and below == above):
        return
    low_key, high_key = _key(part, low), _key(part, high)
    relation = "must not be below" if equal else "must be above"
    draft.say("low-high", (*path, high_key), f"{relation} {low_key} = {draft.doc.written((*path, low_key))}")


def _value(part: Keys, quantity: str) -> float | None:
    if quantity in part.choices:
        return part.si_or_none(quantity)
    value: Any = getattr(part, quantity)
    return None if value is None else float(value)


def _key(part: Keys, quantity: str) -> str:
    if quantity in part.choices:
        return next(key for key in part.choices[quantity].names if getattr(part, key) is not None)
    return quantity
