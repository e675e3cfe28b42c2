"""What the weighing filter is compared with: the slope of the weight over a window, by least squares.

b = sum((t - mean t)(z - mean z)) / sum((t - mean t)^2), s(b) = s_e / sqrt(sum((t - mean t)^2)),
s_e^2 = sum(e^2) / (n - 2) (computation.md, section 1). While the hopper fills and settles, and while the auger stands,
the last slope is held; the window then begins anew.
"""

from collections import deque
from math import sqrt

LEAST_READINGS = 10
REJECTED_SIGMAS = 4.0
ANEW_AFTER_S = 5.0
"""[s] Readings refused for so long are the truth, and the window begins anew."""


class Slope:
    """Least-squares slope over the newest `window_s` [s], with its standard deviation."""

    def __init__(self, window_s: float) -> None:
        self.window_s = window_s
        self._points: deque[tuple[float, float]] = deque()
        self._sums = [0.0] * 5
        self._origin = (0.0, 0.0)

    def clear(self) -> None:
        """Forget all readings."""
        self._points.clear()
        self._sums = [0.0] * 5

    def take(self, t_s: float, z_kg: float) -> None:
        """Take one reading and drop what is too old."""
        if not self._points:
            self._origin = (t_s, z_kg)
        self._points.append((t_s, z_kg))
        self._add(t_s, z_kg, 1.0)
        while self._points[0][0] < t_s - self.window_s:
            self._add(*self._points.popleft(), -1.0)

    def _add(self, t_s: float, z_kg: float, sign: float) -> None:
        t, z, sums = t_s - self._origin[0], z_kg - self._origin[1], self._sums
        for place, value in enumerate((t, z, t * t, t * z, z * z)):
            sums[place] += sign * value

    @property
    def full(self) -> bool:
        """Tell whether the window is as long as it should be, but for one reading."""
        points = self._points
        return len(points) >= LEAST_READINGS and points[-1][0] - points[0][0] > 0.95 * self.window_s

    def line(self) -> tuple[float, float, float, float] | None:
        """Return slope [kg/s], its standard deviation, the residuals' one [kg], and the line's value now [kg]."""
        n = len(self._points)
        if n < LEAST_READINGS:
            return None
        t, z, tt, tz, zz = self._sums
        s_tt, s_tz, s_zz = tt - t * t / n, tz - t * z / n, zz - z * z / n
        slope = s_tz / s_tt
        scatter = sqrt(max(0.0, s_zz - slope * s_tz) / (n - 2))
        now_kg = self._origin[1] + z / n + slope * (self._points[-1][0] - self._origin[0] - t / n)
        return slope, scatter / sqrt(s_tt), scatter, now_kg


class SlopeFlow:
    """A flow [kg/s] by it, as one would build it: held while filling, with or without rejection of outliers."""

    def __init__(self, window_s: float, noise_kg: float, *, rejecting: bool) -> None:
        self._slope = Slope(window_s)
        self._noise_kg = noise_kg
        self._rejecting = rejecting
        self._refused_s = 0.0
        self._t_s = 0.0
        self.rate_kg_s = 0.0

    def step(self, weight_kg: float | None, dt_s: float, *, filling: bool) -> float:
        """Take one scan; return the flow.

        Args:
            weight_kg: [kg] New weight; None where none has come.
            dt_s: [s] Length of the scan.
            filling: The hopper fills, or has not yet settled.
        """
        self._t_s += dt_s
        if filling:
            self._slope.clear()
        elif weight_kg is not None and not self._refused(weight_kg, dt_s):
            self._slope.take(self._t_s, weight_kg)
            line = self._slope.line() if self._slope.full else None
            if line is not None:
                self.rate_kg_s = max(0.0, -line[0])
        return self.rate_kg_s

    def _refused(self, weight_kg: float, dt_s: float) -> bool:
        line = self._slope.line() if self._rejecting else None
        if line is None:
            return False
        slope, _, scatter, now_kg = line
        if abs(weight_kg - now_kg - slope * dt_s) <= REJECTED_SIGMAS * max(scatter, self._noise_kg):
            self._refused_s = 0.0
            return False
        self._refused_s += dt_s
        if self._refused_s >= ANEW_AFTER_S:
            self._slope.clear()
            self._refused_s = 0.0
        return True
