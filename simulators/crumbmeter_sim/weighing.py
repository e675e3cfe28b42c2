"""A plain loss-in-weight feed factor: least squares over a window, held through refills.

Used by the feeder's own rate controller and by the yardsticks, where it stands for what a good technician sets up.
"""

from collections import deque


class FactorEstimator:
    """Feed factor [kg/rev] from weight loss against revolutions."""

    def __init__(
        self, guess_kg_rev: float, window_rev: float = 20.0, settle_s: float = 12.0, gain: float = 0.15
    ) -> None:
        self.factor_kg_rev = guess_kg_rev
        self._guess = guess_kg_rev
        self._window_rev = window_rev
        self._settle_s = settle_s
        self._gain = gain
        self._points: deque[tuple[float, float]] = deque()
        self._turned = 0.0
        self._hold_s = settle_s

    def step(self, mass_kg: float, speed_rev_s: float, refilling: bool, dt_s: float) -> float:
        """Take one reading; return the feed factor to use [kg/rev].

        Args:
            mass_kg: [kg] What the load cells show.
            speed_rev_s: [rev/s] What the auger's speed shows.
            refilling: The refill contact.
            dt_s: [s] Since the last reading.
        """
        if refilling:
            self._hold_s = self._settle_s
            self._points.clear()
        elif self._hold_s > 0.0:
            self._hold_s -= dt_s
        else:
            self._turned += speed_rev_s * dt_s
            if speed_rev_s > 0.0:
                self._learn(mass_kg)
        return self.factor_kg_rev

    def _learn(self, mass_kg: float) -> None:
        points = self._points
        if points and abs(mass_kg - points[-1][1]) > 3.0:  # somebody leans on the hopper: begin anew
            points.clear()
        points.append((self._turned, mass_kg))
        if self._turned - points[0][0] < self._window_rev:
            return
        slope = -_slope(points)
        if 0.5 * self._guess < slope < 1.6 * self._guess:
            self.factor_kg_rev += self._gain * (slope - self.factor_kg_rev)
        for _ in range(len(points) // 3):
            points.popleft()


def _slope(points: deque[tuple[float, float]]) -> float:
    count = len(points)
    mean_x = sum(x for x, _ in points) / count
    mean_y = sum(y for _, y in points) / count
    spread = sum((x - mean_x) ** 2 for x, _ in points)
    return sum((x - mean_x) * (y - mean_y) for x, y in points) / spread if spread > 0.0 else 0.0


class DebtTrim:
    """Pays back, slowly and within a bound, what the weight says was fed too much or too little between refills."""

    def __init__(self, share: float = 0.03, time_s: float = 60.0, settle_s: float = 12.0) -> None:
        self._share = share
        self._time_s = time_s
        self._settle_s = settle_s
        self._hold_s = settle_s
        self._from_kg: float | None = None
        self._asked_kg = 0.0
        self._before_kg = 0.0
        self._owed_kg = 0.0

    def step(self, mass_kg: float, asked_kg_s: float, refilling: bool, dt_s: float) -> float:
        """Take one reading; return the correction of the rate [kg/s].

        Args:
            mass_kg: [kg] What the load cells show.
            asked_kg_s: [kg/s] The rate asked for, without this correction.
            refilling: The refill contact.
            dt_s: [s] Since the last reading.
        """
        if refilling or self._hold_s > 0.0:
            self._hold_s = self._settle_s if refilling else self._hold_s - dt_s
            if self._from_kg is not None:
                self._before_kg, self._from_kg = self._owed_kg, None
        elif self._from_kg is None:
            self._from_kg, self._asked_kg = mass_kg, 0.0
        else:
            self._asked_kg += asked_kg_s * dt_s
            owed = self._before_kg + self._asked_kg - (self._from_kg - mass_kg)
            self._owed_kg = max(-5.0, min(5.0, owed))
        bound = self._share * asked_kg_s
        return max(-bound, min(bound, self._owed_kg / self._time_s))
