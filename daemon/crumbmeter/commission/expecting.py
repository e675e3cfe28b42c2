"""What a person expects a signal to read, in the unit they name it in, and how far it may be off. Pure."""

from dataclasses import dataclass
from math import isfinite
from re import fullmatch
from typing import Final

from crumbmeter.estimation.params import Within
from crumbmeter.model.units import UNITS
from crumbmeter.process.params import StreamKind
from crumbmeter.qc.loop_checks import Loop
from crumbmeter.site.settings import Site

SHARE: Final = 0.01
"""Of the range: the tolerance of a signal whose uncertainty the site does not state."""
CLOSED, OPEN = ("closed", "true", "on", "1"), ("open", "false", "off", "0")


class ExpectRefusedError(ValueError):
    """What was typed is no value of this signal; the text says what was found and what would do."""


@dataclass(frozen=True, slots=True)
class Tolerance:
    """How far a reading may be from what is expected."""

    value_si: float
    source: str
    """Where it comes from, in words."""


def parse_value(text: str, loop: Loop) -> float:
    """[SI] Read a value such as `20kg`, `44.1 lb`, `0` (in the loop's own unit), or `closed` and `open`.

    Raises:
        ExpectRefusedError: it is none.
    """
    word = text.strip().lower()
    if loop.is_contact:
        if word not in CLOSED + OPEN:
            raise ExpectRefusedError(f"{loop.name}: {text!r} is no state of a contact; say closed or open")
        return float(word in CLOSED)
    number, unit = _split(text, loop)
    if UNITS[unit].dimension != UNITS[loop.unit].dimension:
        raise ExpectRefusedError(
            f"{loop.name}: {text!r} is a {_words(unit)}, and the signal is a {_words(loop.unit)} in {loop.unit}"
        )
    return UNITS[unit].to_si(number)


def parse_tolerance(text: str, loop: Loop) -> Tolerance:
    """Read a tolerance such as `0.5kg`; of a temperature it is a difference.

    Raises:
        ExpectRefusedError: it is none, or not above 0.
    """
    if loop.is_contact:
        raise ExpectRefusedError(f"{loop.name}: a contact has no tolerance")
    zero = UNITS[_split(text, loop)[1]].to_si(0.0)
    value_si = parse_value(text, loop) - zero
    if not value_si > 0.0:
        raise ExpectRefusedError(f"{loop.name}: a tolerance of {text!r} is not above 0")
    return Tolerance(value_si, "as given")


def _words(unit: str) -> str:
    return UNITS[unit].dimension.replace("_", " ")


def _split(text: str, loop: Loop) -> tuple[float, str]:
    found = fullmatch(r"\s*([-+]?[0-9.]+(?:[eE][-+]?[0-9]+)?)\s*(.*?)\s*", text)
    try:
        number = float(found[1]) if found else float("nan")
    except ValueError:
        number = float("nan")
    if found is None or not isfinite(number):
        raise ExpectRefusedError(f"{loop.name}: {text!r} is no number with a unit, such as 20{loop.unit}")
    unit = found[2] or loop.unit
    if unit not in UNITS:
        same = [one.code for one in UNITS.values() if one.dimension == UNITS[loop.unit].dimension]
        raise ExpectRefusedError(f"{loop.name}: no unit {unit!r}; there are {', '.join(same)}")
    return number, unit


def default_tolerance(site: Site, index: int, loop: Loop) -> Tolerance:
    """Return the tolerance of a signal where nobody gives one: what the site states of it, or 1 % of its range.

    Args:
        site: Site.
        index: Of the signal.
        loop: The same signal.
    """
    if loop.is_contact:
        return Tolerance(0.5, "a contact: closed or open")
    counted = next((one for one in site.params.totalisers if one.signal == index), None)
    if counted is not None:
        return Tolerance(counted.count_si, "one count of its totaliser")
    if UNITS[loop.unit].dimension == "count":
        return Tolerance(0.5, "a whole number")
    range_si = loop.high_si - loop.low_si
    key, within = _stated(site, index)
    if within is not None and within.stated:
        share = within.half_width
        return Tolerance(share * range_si, f"{100.0 * share:g} % of its range, by uncertainty.{key} of the site")
    return Tolerance(SHARE * range_si, f"{100.0 * SHARE:g} % of its range, for the site states none")


def _stated(site: Site, index: int) -> tuple[str, Within | None]:
    """Return the key of the site file that says how exact this signal is, and what it says."""
    params, known = site.params, site.params.uncertainty
    named = {
        StreamKind.AGGREGATE: ("aggregate_scale_percent", known.aggregate_scale),
        StreamKind.RECYCLE: ("recycle_scale_percent", known.recycle_scale),
        StreamKind.BINDER: ("binder_meter_percent", known.binder_meter),
    }
    for stream in params.streams:
        if stream.rate == index and stream.kind in named:
            return named[stream.kind]
    if index == params.weighing.hopper_mass:
        return "hopper_scale_percent", known.hopper_scale
    if index == params.contacts.supply_mass:
        return "supply_scale_percent", known.supply_scale
    return "", None
