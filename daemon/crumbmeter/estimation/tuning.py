"""Settings for a loop from what is known of its process: SIMC rules, and what they leave in hand.

Rules: S. Skogestad, "Simple analytic rules for model reduction and PID controller tuning", Journal of Process Control
13 (2003) 291-309; the improved rule is Skogestad and Grimholt's. A PI controller is `gain (1 + 1 / (reset_s s))`.
"""

from cmath import exp as cexp
from cmath import phase
from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, pi


@dataclass(frozen=True, slots=True)
class Process:
    """A process as a transfer function: gain, dead time, lags, leads, and whether it integrates."""

    gain: float
    delay_s: float = 0.0
    lags_s: tuple[float, ...] = ()
    leads_s: tuple[float, ...] = ()
    """Of its zeros (T s + 1); negative: an inverse response."""
    integrates: bool = False

    def response(self, rad_s: float) -> complex:
        """Return its answer to a sine of a frequency [rad/s] above 0."""
        s = 1j * rad_s
        value = self.gain * cexp(-s * self.delay_s)
        for lead in self.leads_s:
            value *= lead * s + 1.0
        for lag in self.lags_s:
            value /= lag * s + 1.0
        return value / s if self.integrates else value


@dataclass(frozen=True, slots=True)
class FirstOrder:
    """First order with dead time: what the rules take a process for."""

    gain: float
    delay_s: float
    lag_s: float


@dataclass(frozen=True, slots=True)
class Settings:
    """Of a PI controller."""

    gain: float
    """0 for an integral controller."""
    reset_s: float
    """[s] Infinite for a proportional controller."""
    integral_per_s: float
    """[1/s] gain / reset_s; for an integral controller its one figure."""

    def response(self, rad_s: float) -> complex:
        """Return its answer to a sine of a frequency [rad/s] above 0."""
        return self.gain + self.integral_per_s / (1j * rad_s)


def half_rule(process: Process, sample_s: float = 0.0) -> FirstOrder:
    """Reduce to first order: half of the largest neglected lag goes to the lag, half to the dead time, the rest too.

    Args:
        process: Without positive zeros; inverse responses count as dead time.
        sample_s: [s] Period of a sampled controller; all of it counts as dead time (the safe side).

    Raises:
        ValueError: it has a lead, for which another rule is needed, or integrates.
    """
    if process.integrates or any(lead > 0.0 for lead in process.leads_s):
        raise ValueError("the half rule as it stands here takes lags, dead time and inverse responses only")
    first, second, *rest = [*sorted(process.lags_s, reverse=True), 0.0, 0.0]
    delay_s = process.delay_s + second / 2.0 + sum(rest) - sum(process.leads_s) + sample_s
    return FirstOrder(process.gain, delay_s, first + second / 2.0)


def simc(process: FirstOrder, closed_s: float | None = None, *, improved: bool = False) -> Settings:
    """Return SIMC's settings for first order with dead time.

    Args:
        process: The process. Without a lag the controller is integral only, unless improved.
        closed_s: [s] Time constant wanted of the closed loop; None: as long as the dead time (fast and robust).
        improved: Add a third of the dead time to the lag, better where the dead time rules.
    """
    slow_s = (process.delay_s if closed_s is None else closed_s) + process.delay_s
    lag_s = process.lag_s + (process.delay_s / 3.0 if improved else 0.0)
    if lag_s <= 0.0:
        return Settings(0.0, 0.0, 1.0 / (process.gain * slow_s))
    gain, reset_s = lag_s / (process.gain * slow_s), min(lag_s, 4.0 * slow_s)
    return Settings(gain, reset_s, gain / reset_s)


def simc_integrating(slope: float, delay_s: float, closed_s: float | None = None) -> Settings:
    """Return SIMC's settings for `slope e^(-delay s) / s`.

    Args:
        slope: [1/s] Rise of the output in a second for an input of 1.
        delay_s: [s] Dead time.
        closed_s: [s] As for `simc`.
    """
    slow_s = (delay_s if closed_s is None else closed_s) + delay_s
    gain, reset_s = 1.0 / (slope * slow_s), 4.0 * slow_s
    return Settings(gain, reset_s, gain / reset_s)


@dataclass(frozen=True, slots=True)
class Margins:
    """What a loop has in hand."""

    peak_sensitivity: float
    """Ms: the inverse of the shortest distance to the point where it oscillates; below 1.7 is robust."""
    gain_margin: float
    """Times by which the gain may rise; infinite if it may rise for ever."""
    phase_margin_deg: float
    crossover_rad_s: float
    """[rad/s] Where the loop's gain is 1; 0 if it is nowhere."""


POINTS_A_DECADE = 400


def margins(process: Process, settings: Settings, slowest_s: float, fastest_s: float) -> Margins:
    """Find the margins by going through the frequencies.

    Args:
        process: The process.
        settings: The controller.
        slowest_s: [s] Longest time that matters; frequencies start at a thousandth of its inverse.
        fastest_s: [s] Shortest; they end at a thousand times its inverse.
    """
    peak, gain_margin, phase_margin, crossover = 0.0, inf, inf, 0.0
    rad_s, last, turned = 1e-3 / slowest_s, None, 0.0
    ratio = 10.0 ** (1.0 / POINTS_A_DECADE)
    while rad_s < 1e3 / fastest_s:
        loop = process.response(rad_s) * settings.response(rad_s)
        peak = max(peak, 1.0 / abs(1.0 + loop))
        angle = phase(loop) if last is None else turned + phase(loop / last)
        if last is not None:
            share = _crossing(abs(last), abs(loop), 1.0)
            if share is not None and crossover == 0.0:
                crossover = rad_s / ratio ** (1.0 - share)
                phase_margin = 180.0 + (turned + share * (angle - turned)) * 180.0 / pi
            share = _crossing(-turned, -angle, pi)
            if share is not None and gain_margin == inf:
                gain_margin = 1.0 / (abs(last) * (abs(loop) / abs(last)) ** share)
        rad_s, last, turned = rad_s * ratio, loop, angle
    return Margins(peak, gain_margin, phase_margin, crossover)


def _crossing(before: float, after: float, level: float) -> float | None:
    """Return at what share of the way a value crosses a level; None if it does not."""
    if before == after or not min(before, after) <= level < max(before, after):
        return None
    return (level - before) / (after - before)


def longest_of(times_s: Sequence[float]) -> float:
    """[s] Return the longest of some times, at least a millisecond."""
    return max([*times_s, 1e-3])
