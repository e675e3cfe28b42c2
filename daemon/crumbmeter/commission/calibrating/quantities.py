"""What can be typed at a step, in the site's units or another one that is named: `21.4`, `21.4 kg`; kept in SI."""

from math import isfinite
from typing import Final

from crumbmeter.model.frozen import dataclass
from crumbmeter.model.units import FOOT_M, POUND_KG, UNITS
from crumbmeter.report.form_texts import FormRefusedError

Value = float | str | bool | None
"""Of an entry: SI, a word, yes or no, or nothing where it may be left out."""


@dataclass(frozen=True, slots=True)
class Quantity:
    """One physical quantity: units that people use, and what an SI value's name ends with."""

    suffix: str
    us: str
    metric: str
    others: tuple[str, ...] = ()
    """Units that may be named as well."""


QUANTITIES: Final = {
    "mass": Quantity("kg", "lb", "kg", ("g", "short_ton", "long_ton", "tonne")),
    "flow": Quantity("kg_s", "short_ton/h", "tonne/h", ("kg/s", "kg/h", "kg/min", "lb/h", "lb/min")),
    "length": Quantity("m", "ft", "m", ("mm", "in")),
    "speed": Quantity("m_s", "ft/min", "m/min", ("m/s",)),
    "line load": Quantity("kg_m", "lb/ft", "kg/m"),
    "rotation": Quantity("rev_s", "rpm", "rpm", ("rev/s",)),
    "turns": Quantity("rev", "rev", "rev"),
    "time": Quantity("s", "min", "min", ("s",)),
    "count": Quantity("count", "", ""),
    "number": Quantity("", "", ""),
}
"""By name. `choice`, `yes` and `text` have no unit."""
_OWN: Final = {"lb/ft": POUND_KG / FOOT_M, "kg/m": 1.0, "rev": 1.0, "": 1.0}
YES: Final = ("yes", "y")
NO: Final = ("no", "n")
MOST: Final = 1e12


@dataclass(frozen=True, slots=True)
class Asked:
    """What is asked for: enough to read what was typed."""

    name: str
    quantity: str
    choices: tuple[str, ...] = ()
    required: bool = True
    above: float | None = None
    """[SI] The value must be above this."""
    least: float | None = None
    """[SI] It must not be below this."""
    most: float | None = None


def unit_of(quantity: str, *, metric: bool) -> str:
    """Return the unit in which a site's people type a quantity; empty where it has none."""
    known = QUANTITIES.get(quantity)
    return "" if known is None else known.metric if metric else known.us


def factor_of(unit: str) -> float:
    """Return what one of a unit is in SI."""
    return _OWN[unit] if unit in _OWN else UNITS[unit].factor


def shown(value: Value, quantity: str, *, metric: bool) -> str:
    """Write a value as people of the site read it, with its unit."""
    if value is None:
        return "---"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return value
    unit = unit_of(quantity, metric=metric)
    return f"{value / factor_of(unit):.6g} {unit}".rstrip()


def parse(asked: Asked, text: str, *, metric: bool) -> Value:
    """Read what was typed.

    Raises:
        FormRefusedError: with what was found, what is expected and the remedy; nothing of it is kept.
    """
    typed = text.strip()
    if not typed:
        if asked.required:
            raise FormRefusedError(asked.name, "nothing", _expected(asked, metric=metric), "Type it.")
        return None
    if asked.quantity == "yes":
        if typed.lower() not in (*YES, *NO):
            raise FormRefusedError(asked.name, repr(typed), "yes or no", "Type y or n.")
        return typed.lower() in YES
    if asked.choices:
        return _choice(asked, typed)
    if asked.quantity == "text":
        return typed
    return _number(asked, typed, metric=metric)


def _choice(asked: Asked, typed: str) -> str:
    by_number = {str(place): one for place, one in enumerate(asked.choices, start=1)}
    chosen = by_number.get(typed, typed)
    if chosen not in asked.choices:
        raise FormRefusedError(asked.name, repr(typed), f"one of {', '.join(asked.choices)}", "Type it or its number.")
    return chosen


def _number(asked: Asked, typed: str, *, metric: bool) -> float:
    number, _, unit = typed.partition(" ")
    unit = unit.strip() or unit_of(asked.quantity, metric=metric)
    quantity = QUANTITIES[asked.quantity]
    if unit not in (quantity.us, quantity.metric, *quantity.others):
        units = ", ".join(dict.fromkeys((quantity.us, quantity.metric, *quantity.others)))
        raise FormRefusedError(
            asked.name, f"the unit {unit!r}", units or "a number without a unit", "Name one of them."
        )
    try:
        value = float(number.replace(",", "")) * factor_of(unit)
    except ValueError:
        value = float("nan")
    whole = asked.quantity != "count" or value == int(value) if isfinite(value) else False
    low = (asked.above is not None and value <= asked.above) or (asked.least is not None and value < asked.least)
    if not isfinite(value) or abs(value) > MOST or not whole or low or (asked.most is not None and value > asked.most):
        raise FormRefusedError(asked.name, repr(typed), _expected(asked, metric=metric), "Look at it and type it anew.")
    return value


def _expected(asked: Asked, *, metric: bool) -> str:
    if asked.choices:
        return f"one of {', '.join(asked.choices)}"
    unit = unit_of(asked.quantity, metric=metric)
    kind = {"yes": "yes or no", "text": "some words", "count": "a whole number"}.get(asked.quantity, "a number")
    bounds = [
        f"{word} {limit / factor_of(unit):g}"
        for word, limit in (("above", asked.above), ("of at least", asked.least), ("of at most", asked.most))
        if limit is not None
    ]
    return " ".join((kind, " and ".join(bounds), f"[{unit}]" if unit else "")).replace("  ", " ").strip()
