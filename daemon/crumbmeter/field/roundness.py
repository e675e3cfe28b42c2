"""How round a scale or an offset is: what a maker would choose costs few bits, a coincidence many. Pure.

A score in bits is minus the binary logarithm of a probability: 10 bits more is a thousand times less likely. The
figures of this module are a judgement of ours of how instruments are made, not a measurement.
"""

import math
from collections.abc import Iterator

from crumbmeter.model.units import POUND_KG, SHORT_TON_KG, TONNE_KG

_DIGITS = 4
"""A decimal with more digits is no scale that anybody chose."""
_EACH_LEVEL = 6
"""So many decimals of one length are looked at, those in the middle."""
_ZERO_BITS = 0.15
_OFFSET_BITS = 3.3
"""An offset at all: one register in ten."""
LEAST_OFFSET_BITS = 7.0
"""No offset costs less."""
_LOW_EXPONENT, _HIGH_EXPONENT = -6, 4


def _ratios() -> tuple[float, ...]:
    masses = (1.0, TONNE_KG, POUND_KG, SHORT_TON_KG)
    of_mass = {a / b for a in masses for b in masses}
    of_time = {60.0, 3600.0, 1.0 / 60.0, 1.0 / 3600.0}
    by_the_second = {3600.0 / SHORT_TON_KG, SHORT_TON_KG / 3600.0, 60.0 / SHORT_TON_KG, SHORT_TON_KG / 60.0}
    found = of_mass | of_time | by_the_second
    return tuple(sorted(ratio for ratio in found if abs(math.log10(ratio) - round(math.log10(ratio))) > 1e-9))


UNIT_RATIOS = _ratios()
"""Of mass (pound, kilogram, tonne, short ton), of time (second, minute, hour), and from kg by time to short ton/h; to
be taken with any power of ten."""
FULL_SCALES = (27648, 32767, 65535, 4095, 4096, 16383, 10000, 20000, 30000, 32000, 16000, 8000)
"""[count] Raw spans of converters and I/O blocks; where one stands for the instrument's full scale."""


def decimals_within(low: float, high: float) -> Iterator[tuple[float, int]]:
    """Yield the decimals between two numbers of the same sign and how many digits each has, the shortest first."""
    if not low <= high or low * high <= 0.0:
        return
    if high < 0.0:
        yield from ((-decimal, digits) for decimal, digits in decimals_within(-high, -low))
        return
    top = math.floor(math.log10(high))
    for digits in range(1, _DIGITS + 1):
        power = top - digits + 1
        first = math.ceil(_per(low, power) * (1.0 - 1e-12))
        last = math.floor(_per(high, power) * (1.0 + 1e-12))
        spare = last - first + 1 - _EACH_LEVEL
        if spare > 0:
            first, last = first + spare // 2, first + spare // 2 + _EACH_LEVEL - 1
        for whole in range(first, last + 1):
            if whole % 10 or digits == 1:
                yield _times(whole, power), digits


def _per(number: float, power: int) -> float:
    return number / 10.0**power if power >= 0 else number * 10.0**-power


def _times(whole: int, power: int) -> float:
    return whole * 10.0**power if power >= 0 else whole / 10.0**-power


def scale_bits(scale: float, digits: int, resolution: float, *, of_floats: bool) -> float | None:
    """Price a decimal scale; None where no instrument has such a one.

    Args:
        scale: [unit/count] Not 0.
        digits: It has so many.
        resolution: [unit] What the display's last digit counts.
        of_floats: Floats mostly come in the unit itself.
    """
    size = abs(scale)
    exponent = math.floor(math.log10(size) + 1e-9)
    if not _LOW_EXPONENT <= exponent <= _HIGH_EXPONENT:
        return None
    turned = 5.0 if scale < 0.0 else 0.0
    leading = round(size / 10.0**exponent * 1000.0)
    if of_floats:
        if leading == 1000:
            return turned + (0.4 if exponent == 0 else 4.0 + 0.8 * abs(exponent))
        return turned + 8.0 + _figure_bits(leading, digits)
    beyond = math.log10(size / resolution)
    return turned + _figure_bits(leading, digits) + _place_bits(beyond)


def _figure_bits(leading: int, digits: int) -> float:
    """Price the leading figures of a scale, as thousandths: 1, 2, 5 and their halves are what makers choose."""
    if leading == 1000:
        return 0.5
    if leading in (2000, 5000):
        return 3.0
    if leading in (2500, 4000, 1250):
        return 4.5
    if leading in (1500, 7500, 1200, 1600) or digits == 1:
        return 9.5
    return 6.0 + 3.6 * digits


def _place_bits(beyond: float) -> float:
    """Price how a count compares with the display's last digit: the same, or finer, seldom coarser."""
    if abs(beyond) < 1e-6:
        return 1.0
    if beyond > 0.0:
        return 4.0 + 2.0 * beyond
    return 1.5 + 1.0 * -beyond


def other_scales(low: float, high: float, *, of_floats: bool, most: float) -> Iterator[tuple[float, float, float]]:
    """Yield scales that are no short decimals, with their price in bits and the count at which the value is zero.

    Args:
        low: [unit/count] From here,
        high: [unit/count] to here; positive.
        of_floats: Whether raw numbers are floats.
        most: [count] The largest raw number seen.
    """
    if not 0.0 < low <= high:
        return
    for ratio in UNIT_RATIOS:
        exponent = math.floor(math.log10(high / ratio))
        scale = ratio * 10.0**exponent if exponent >= 0 else ratio / 10.0**-exponent
        if low <= scale <= high and -4 <= exponent <= 3:
            yield scale, (9.0 if of_floats else 11.0) + (1.0 if of_floats else 1.5) * abs(exponent), 0.0
    if of_floats or most > max(FULL_SCALES):
        return
    for span in FULL_SCALES:
        if most <= 1.02 * span:
            for full, digits in decimals_within(low * span, high * span):
                if digits <= 2:
                    yield full / span, 8.0 + 2.5 * digits, 0.0


def offset_bits(offset: float, digits: int, resolution: float, scale: float, *, of_floats: bool) -> float:
    """Price an offset: 0 is what nearly all registers have.

    Args:
        offset: [unit] Value at raw 0.
        digits: It has so many.
        resolution: [unit] What the display's last digit counts.
        scale: [unit/count] Of the same line.
        of_floats: Floats seldom have one.
    """
    if offset == 0.0:
        return _ZERO_BITS
    start = _OFFSET_BITS + (4.0 if of_floats else 0.0) + (1.5 if offset > 0.0 else 0.6)
    if abs(offset + 32768.0 * scale) < 1e-9 * abs(offset):
        return start + 3.1
    decades = abs(math.log10(abs(offset) / resolution) - 2.5)
    leading = abs(offset) / 10.0 ** math.floor(math.log10(abs(offset)) + 1e-9)
    usual = 1.5 + 3.3 * digits
    if digits == 1 and round(leading) in (1, 2, 4, 5):
        usual = 2.5
    elif digits <= 3 and round(100.0 * leading) in (250, 125):
        usual = 4.5
    elif digits == 2 and round(10.0 * leading) % 5 == 0:
        usual = 6.0
    return start + 1.5 + usual + max(0.0, decades - 1.0)
