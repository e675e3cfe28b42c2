"""How well a line through raw numbers explains what a display showed: a likelihood, in bits. Pure.

A display rounds; a register rounds, perhaps otherwise; the person reads at a slightly other moment than the register is
sampled. All three are told apart by their size: a register that is steadier than the display's last digit has to agree
to that digit, one that swings has to agree within its swing.
"""

import math
from collections.abc import Sequence
from itertools import groupby
from operator import itemgetter

from crumbmeter.field.look import Reading
from crumbmeter.model.frozen import dataclass

_ROUNDED_ALIKE, _ROUNDED_APART, _BY_FIVES, _STRAY = 0.74, 0.21, 0.04, 0.01
"""Shares of how register and display come together; the last one is for a reading that strays alone."""
_ANOTHER_MOMENT = 0.08
"""Of looks whose readings were taken when the load was another."""
_DRIFT = 0.008
"""Of the value: what a plant may move between samples and readings."""
_NEVER, _CLEAR_BITS = 1e-15, 60.0
_WINDOW_DRIFT = 0.005
"""Of the value: likewise, for how wide lines are looked for."""
_MAD = 1.4826
"""Normal spread for a median of deviations (the usual consistency factor)."""
_OUTLIER = 8.0
_ENOUGH = 6
"""Samples from which on one may be an outlier."""


@dataclass(frozen=True, slots=True)
class Level:
    """Raw numbers of one look, taken together."""

    middle: float
    spread: float
    """Standard deviation of a sample; 0 where there is only one."""
    count: int


def level(numbers: Sequence[float]) -> Level:
    """Take the samples of one look together; a single sample that is far from the others counts for little."""
    count = len(numbers)
    middle = math.fsum(numbers) / count
    if count == 1:
        return Level(middle, 0.0, 1)
    spread = math.sqrt(math.fsum((number - middle) ** 2 for number in numbers) / (count - 1))
    if spread == 0.0 or count < _ENOUGH:
        return Level(middle, spread, count)
    ordered = sorted(numbers)
    median = ordered[count // 2] if count % 2 else 0.5 * (ordered[count // 2 - 1] + ordered[count // 2])
    usual = _MAD * sorted(abs(number - median) for number in numbers)[count // 2]
    near = [number for number in numbers if abs(number - median) <= _OUTLIER * usual]
    if len(near) in (count, count - 1) and usual > 0.0 and len(near) < count:
        return level(near)
    return Level(middle, spread, count)


def error_of(reading: Reading, at: Level, scale: float, *, of_floats: bool) -> float:
    """[unit] Return the standard error by which a reading may differ from its line."""
    swing = _swing(at, scale)
    rounding = 0.5 * (reading.resolution + (0.0 if of_floats else abs(scale)))
    drift = _WINDOW_DRIFT * abs(reading.value) if swing else 0.0
    return math.sqrt(swing * swing + rounding * rounding + drift * drift)


def _swing(at: Level, scale: float) -> float:
    """[unit] Return how far a reading may be from the middle of a few samples, which tell their own spread badly."""
    return abs(scale) * at.spread * math.sqrt(1.0 + 1.0 / at.count) * (1.1 + 1.0 / at.count)


def fit_bits(
    readings: Sequence[Reading], levels: Sequence[Level], scale: float, offset: float, quantum: float
) -> float:
    """Return minus the binary logarithm of the likelihood density of all readings [1/unit], given a line.

    Args:
        readings: What the display showed.
        levels: Raw numbers at each reading.
        scale: [unit/count] Of the line.
        offset: [unit] Of the line.
        quantum: [unit] What a raw count comes to; 0 for floats.
    """
    bits = 0.0
    for at, pairs in groupby(zip(levels, readings, strict=True), key=itemgetter(0)):
        bits += _look_bits([reading for _, reading in pairs], at, scale, offset, quantum)
    return bits


def best_fit_bits(readings: Sequence[Reading], levels: Sequence[Level], scale: float, quantum: float) -> float:
    """Return what `fit_bits` cannot come below, however well a line of this scale lies."""
    size = abs(scale)
    return sum(
        math.log2(max(reading.resolution, quantum, 2.5 * size * at.spread))
        for reading, at in zip(readings, levels, strict=True)
    )


def _look_bits(readings: Sequence[Reading], at: Level, scale: float, offset: float, quantum: float) -> float:
    """Price the readings of one look together: they may all be of a moment when the load was another.

    What drifts between reading and sampling drifts for all readings of a look at once, and is paid for once.
    """
    away = [reading.value - (scale * at.middle + offset) for reading in readings]
    mean = math.fsum(away) / len(away)
    swing, step = _swing(at, scale), readings[0].resolution
    loose = 3.0 * swing + step + quantum + _DRIFT * abs(readings[0].value)
    steady = sum(_log2_density(one, quantum, swing, step, loose) for one in away)
    moved = math.log2(_normal(mean, loose) + _NEVER)
    moved += sum(_log2_density(one - mean, quantum, swing, step, loose) for one in away[1:])
    if moved - steady > _CLEAR_BITS:
        return -moved - math.log2(_ANOTHER_MOMENT)
    return -steady - math.log2(1.0 - _ANOTHER_MOMENT + _ANOTHER_MOMENT * 2.0 ** (moved - steady))


def _log2_density(away: float, quantum: float, swing: float, step: float, loose: float) -> float:
    """Return the binary logarithm of the density of one reading [1/unit]."""
    away = abs(away)
    density = (
        _ROUNDED_ALIKE * _flat(away, 0.5 * max(step, quantum), swing, step)
        + _ROUNDED_APART * _flat(away, step + 0.5 * quantum, swing, step)
        + _BY_FIVES * _flat(away, 2.5 * step + 0.5 * quantum, swing, step)
        + _STRAY * _normal(away, loose)
    )
    return math.log2(density + _NEVER)


def _normal(away: float, spread: float) -> float:
    return math.exp(-0.5 * (away / spread) ** 2) / (spread * math.sqrt(2.0 * math.pi))


def _flat(away: float, half: float, swing: float, step: float) -> float:
    """Return the density of a rounding of half a width, blurred by a normal swing."""
    half *= 1.0 + 1e-6
    if swing < 0.02 * step:
        return 0.5 / half if away <= half else 0.0
    blur = swing * math.sqrt(2.0)
    return (math.erf((away + half) / blur) - math.erf((away - half) / blur)) / (4.0 * half)
