"""The straight lines `scale * raw + offset` by which one column of raw numbers could be what a display shows. Pure.

Readings leave a window for the slope, and for each slope one for the offset. Of what lies in the windows, the round
numbers are priced (`roundness`) and held against the readings (`fit`); the few cheapest are kept.
"""

import math
from collections.abc import Iterator, Sequence
from functools import cached_property
from itertools import groupby

from crumbmeter.field.candidates import Column
from crumbmeter.field.fit import Level, best_fit_bits, error_of, fit_bits
from crumbmeter.field.look import Reading
from crumbmeter.field.roundness import (
    LEAST_OFFSET_BITS,
    decimals_within,
    offset_bits,
    other_scales,
    scale_bits,
    usual_full_scale,
)
from crumbmeter.model.frozen import dataclass

_WIDE = 3.0
"""Standard errors on each side of a window."""
_FAR = 6.0
"""Standard errors beyond which a line is not looked at, with a hundredth of the reading for what drifts."""
_DRIFT = 0.01
_KEPT = 3
_WORTH_BITS = 14.0
"""A line so much dearer than the best one of its column is left out."""
_NEAR_ZERO = 0.3
"""Of half a window: an offset nearer to zero is none."""
_LIVE_ZEROS = ((4000, 20000), (819, 4095), (6400, 32000), (6553, 32767), (13107, 65535), (5530, 27648))
"""[count] At 4 mA and at 20 mA, where a converter counts a current loop."""
_KELVIN = 273.15
_COARSE_BITS = 12.0
"""Numbers that move by more than the display's last digit, and would not give these digits, are not shown there."""
_GRID_BITS = 6.0
"""That all numbers lie on a coarser grid is no chance where it is so unlikely."""


@dataclass(frozen=True, slots=True)
class Line:
    """`shown = scale * raw + offset`, with what it costs."""

    scale: float
    offset: float
    bits: float
    """Of scale, offset and fit together."""
    fit_bits: float
    """Of the fit alone."""


class _Shape:
    """What all lines of one column are made from."""

    def __init__(self, readings: Sequence[Reading], levels: Sequence[Level], column: Column, limit_bits: float) -> None:
        of_floats = column.of_floats
        self.different = set(column.numbers)
        self.limit_bits = limit_bits
        self.readings, self.levels, self.of_floats = readings, levels, of_floats
        self.repeated = math.sqrt(len(levels) / len(list(groupby(levels))))
        """Readings of one look err together, so that more of them make no window narrower."""
        self.raw = [at.middle for at in levels]
        self.shown = [reading.value for reading in readings]
        self.resolution = max(reading.resolution for reading in readings)
        self.most = max(abs(number) for number in self.raw)

    def errors(self, scale: float) -> list[float]:
        """[unit] Return the standard error at each reading."""
        return [
            error_of(reading, at, scale, of_floats=self.of_floats)
            for reading, at in zip(self.readings, self.levels, strict=True)
        ]

    def window(self, arms: Sequence[float], errors: Sequence[float]) -> float:
        """Return half the width of the window in which a slope by least squares lies; `arms` are what it is of."""
        spread = math.sqrt(math.fsum((arm * error) ** 2 for arm, error in zip(arms, errors, strict=True)))
        return _WIDE * self.repeated * spread / math.fsum(arm * arm for arm in arms)

    def far(self, scale: float, offset: float, errors: Sequence[float]) -> bool:
        """Tell whether a line misses a reading by more than any cause explains."""
        return any(
            abs(shown - scale * raw - offset) > _FAR * error + _DRIFT * abs(shown)
            for shown, raw, error in zip(self.shown, self.raw, errors, strict=True)
        )

    def room_bits(self, scale: float, price: float) -> float:
        """Return what an offset may cost at most for a line of this scale to be wanted."""
        quantum = 0.0 if self.of_floats else abs(scale)
        return self.limit_bits - price - best_fit_bits(self.readings, self.levels, scale, quantum)

    def quantum(self, scale: float) -> float:
        """[unit] Return what the numbers move by at least: a count, or the coarser grid on which all of them lie."""
        if not self.of_floats:
            return abs(scale) * self.grid
        for steps in (100.0, 50.0, 20.0, 10.0, 5.0, 2.0):
            grid = steps * self.resolution / abs(scale)
            if _no_chance(steps, len(self.different)) and all(
                abs(number / grid - round(number / grid)) < 1e-3 for number in self.different
            ):
                return steps * self.resolution
        return 0.0

    @cached_property
    def grid(self) -> int:
        """[count] Return the coarsest grid on which all whole numbers lie, if that is no chance."""
        grid = math.gcd(*(int(number) for number in self.different))
        return grid if _no_chance(grid, len(self.different)) else 1

    def on_grid(self, offset: float, grid: float) -> bool:
        """Tell whether all readings lie on a grid, within what the display rounds."""
        steps = [(shown - offset) / grid for shown in self.shown]
        return all(abs(step - round(step)) * grid <= 0.51 * self.resolution for step in steps)

    def lines(self, scale: float, offset: float, price: float) -> Iterator[Line]:
        """Price one line; none where it is not wanted."""
        quantum = self.quantum(scale)
        if quantum > 1.001 * self.resolution:
            if self.on_grid(offset, quantum):  # round readings say nothing about a coarser grid
                quantum = 0.0 if self.of_floats else abs(scale)
            else:
                price += _COARSE_BITS
        fit = fit_bits(self.readings, self.levels, scale, offset, quantum)
        if price + fit <= self.limit_bits:
            yield Line(scale, offset, price + fit, fit)


def _no_chance(steps: float, different: int) -> bool:
    """Tell whether so many different numbers are hardly all multiples by chance."""
    return steps > 1.0 and different * math.log2(steps) >= _GRID_BITS


def lines_of(
    readings: Sequence[Reading], levels: Sequence[Level], column: Column, limit_bits: float
) -> tuple[Line, ...]:
    """Find the lines by which a column could be meant, the likeliest first; none where it does not follow.

    Args:
        readings: What the display showed.
        levels: The column's raw numbers at each reading.
        column: The column itself.
        limit_bits: Dearer lines are not wanted.
    """
    shape = _Shape(readings, levels, column, limit_bits)
    if shape.most == 0.0:
        return ()
    found = sorted([*_through_zero(shape), *_beside_zero(shape)], key=lambda line: line.bits)
    kept: list[Line] = []
    for line in found:
        known = any(line.scale == other.scale and line.offset == other.offset for other in kept)
        if not known and line.bits <= found[0].bits + _WORTH_BITS:
            kept.append(line)
        if len(kept) == _KEPT:
            break
    return tuple(kept)


def _through_zero(shape: _Shape) -> Iterator[Line]:
    squares = math.fsum(raw * raw for raw in shape.raw)
    slope = math.fsum(raw * shown for raw, shown in zip(shape.raw, shape.shown, strict=True)) / squares
    if slope == 0.0:
        return
    errors = shape.errors(slope)
    if shape.far(slope, 0.0, errors):
        return
    wide = shape.window(shape.raw, errors)
    none = offset_bits(0.0, 0, shape.resolution, 1.0, of_floats=shape.of_floats)
    for scale, price, _ in _scales(shape, slope, min(wide, 0.6 * abs(slope))):
        if shape.room_bits(scale, price) >= none:
            yield from shape.lines(scale, 0.0, price + none)


def _beside_zero(shape: _Shape) -> Iterator[Line]:
    count = len(shape.raw)
    raw_middle, shown_middle = math.fsum(shape.raw) / count, math.fsum(shape.shown) / count
    beside = [raw - raw_middle for raw in shape.raw]
    squares = math.fsum(b * b for b in beside)
    if squares <= 1e-18 * shape.most * shape.most:
        return
    slope = math.fsum(b * (shown - shown_middle) for b, shown in zip(beside, shape.shown, strict=True)) / squares
    if slope == 0.0:
        return
    errors = shape.errors(slope)
    wide = shape.window(beside, errors)
    if wide > 0.5 * abs(slope) or shape.far(slope, shown_middle - slope * raw_middle, errors):
        return
    for scale, price, zero_at in _scales(shape, slope, wide, live=True):
        room = shape.room_bits(scale, price)
        if zero_at and room >= 0.0:
            yield from shape.lines(scale, -scale * zero_at, price)
        middle = shown_middle - scale * raw_middle
        half = 0.8 * _WIDE * min(errors)
        if zero_at or room < LEAST_OFFSET_BITS or shape.far(scale, middle, errors):
            continue
        for offset, digits in _offsets(middle, half, scale):
            extra = offset_bits(offset, digits, shape.resolution, scale, of_floats=shape.of_floats)
            if extra <= room:
                yield from shape.lines(scale, offset, price + extra)
            elif digits > 2:
                break


def _scales(shape: _Shape, slope: float, wide: float, *, live: bool = False) -> Iterator[tuple[float, float, float]]:
    """Yield scales in a window with their price, and the count at which a live zero stands (else 0)."""
    low, high = slope - wide, slope + wide
    for scale, digits in decimals_within(low, high):
        price = scale_bits(scale, digits, shape.resolution, of_floats=shape.of_floats)
        if price is not None:
            yield scale, price, 0.0
    yield from other_scales(low, high, of_floats=shape.of_floats, most=shape.most)
    if not live or shape.of_floats or low <= 0.0:
        return
    for zero_at, full_at in _LIVE_ZEROS:
        span = full_at - zero_at
        if shape.most <= 1.05 * full_at and min(shape.raw) >= 0.85 * zero_at:
            for full, digits in decimals_within(low * span, high * span):
                if usual_full_scale(full, digits):
                    yield full / span, 11.0 + 3.3 * digits, float(zero_at)


def _offsets(middle: float, half: float, scale: float) -> Iterator[tuple[float, int]]:
    for offset in (-32768.0 * scale, _KELVIN, -_KELVIN):
        if abs(offset - middle) <= half:
            yield offset, 2
    if abs(middle) > half:
        yield from decimals_within(middle - half, middle + half)
    elif middle > 0.0:
        yield from decimals_within(_NEAR_ZERO * half, middle + half)
    else:
        yield from decimals_within(middle - half, -_NEAR_ZERO * half)
