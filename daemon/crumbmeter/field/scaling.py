"""Raw numbers to SI: gain and offset, two points, powers of ten from the device, current loops. Pure.

Whatever the profile says becomes one straight line per register, `si = gain * raw + bias`, once, at load; only a power
of ten that the device may change while it runs is left for every reading.
"""

import math

from crumbmeter.field.spec import LiveZero, RegisterSpec
from crumbmeter.model.frozen import dataclass
from crumbmeter.model.quality import Reason
from crumbmeter.model.units import UNITS

FAILURE_LOW_UA, FAILURE_HIGH_UA = 3600, 21000
"""[uA] At or beyond these a transmitter reports its own failure: 3.6 and 21 mA.

NAMUR NE 43, "Standardization of the signal level for the failure information of digital transmitters" (2003, revised
2021), as secondary sources agree: 3.8 to 20.5 mA is measurement, up to 3.6 and from 21 mA on is failure. The
recommendation lets a receiver wait some seconds before it believes in a failure; this one does not wait.
"""
MEASURE_LOW_UA, MEASURE_HIGH_UA = 3800, 20500
"""[uA] Between these the current is measurement; outside, short of failure, the sensor is at its end (NE 43, as above).
"""
ZERO_UA, SPAN_UA = 4000, 16000
LARGEST_EXPONENT = 9
"""Powers of ten from the device beyond this, either way, are taken for nonsense."""


@dataclass(frozen=True, slots=True)
class LoopLimits:
    """The currents above as raw numbers of one register."""

    failure_low: float
    measure_low: float
    measure_high: float
    failure_high: float

    def judge(self, raw: float) -> Reason:
        """Say what a raw number is: measurement, a sensor at its end, or no measurement at all."""
        if not (self.failure_low < raw < self.failure_high):
            return Reason.SENSOR_FAILURE
        within = self.measure_low <= raw <= self.measure_high
        return Reason.OK if within else Reason.ENGINEERING_UNITS_EXCEEDED


def line(register: RegisterSpec) -> tuple[float, float]:
    """Return gain and bias of `si = gain * raw + bias`, before any power of ten."""
    unit = UNITS[register.unit]
    return register.scale * unit.factor, register.offset * unit.factor + unit.offset


def two_points(raw_low: float, raw_high: float, eng_low: float, eng_high: float) -> tuple[float, float]:
    """Return scale and offset of the line through two points, so that both are met to the last digit but one.

    Args:
        raw_low: [count] At the lower point.
        raw_high: [count] At the upper point; not the same.
        eng_low: [unit] What the lower point means.
        eng_high: [unit] What the upper point means; not the same.

    Raises:
        ValueError: the points do not make a line that can be followed both ways.
    """
    scale = (eng_high - eng_low) / (raw_high - raw_low) if raw_high != raw_low else math.nan
    offset = eng_low - scale * raw_low
    if not (math.isfinite(scale) and math.isfinite(offset)) or scale == 0.0:
        raise ValueError("two points that make no line")
    return scale, offset


def gains(register: RegisterSpec) -> dict[int, float]:
    """Return the gain for each number that the device may send in the power-of-ten register; {} where there is none."""
    power, gain = register.power, line(register)[0]
    if power is None:
        return {}
    if power.decimals:
        return {digits: gain / 10.0**digits for digits in range(LARGEST_EXPONENT + 1)}
    steps = range(-LARGEST_EXPONENT, LARGEST_EXPONENT + 1)
    return {step: gain * 10.0**step if step >= 0 else gain / 10.0**-step for step in steps}


def loop_limits(live_zero: LiveZero) -> LoopLimits:
    """Turn the currents into raw numbers of a register."""

    def raw_at(current_ua: int) -> float:
        span = live_zero.raw_20_ma - live_zero.raw_4_ma
        return live_zero.raw_4_ma + span * (current_ua - ZERO_UA) / SPAN_UA

    return LoopLimits(raw_at(FAILURE_LOW_UA), raw_at(MEASURE_LOW_UA), raw_at(MEASURE_HIGH_UA), raw_at(FAILURE_HIGH_UA))
