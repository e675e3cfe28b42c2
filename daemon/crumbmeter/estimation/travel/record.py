"""A stretch of a recorded run on an even grid of time: what went in, what moved, what the instruments showed.

Masses, ways and turned time are per cell of the grid; they are had from running sums, so that nothing is lost between
the scans and the cells, however unevenly the scans came.
"""

from bisect import bisect_right
from dataclasses import dataclass
from itertools import pairwise
from math import floor

Seen = tuple[float | None, ...]
"""A reading for the end of each cell of the grid; None where there was none that may be believed."""
LEAST_WEIGHT = 0.3
"""Of readings near the end of a cell; a reading there counts 1, one in the middle of a cell a half at either end."""


@dataclass(frozen=True, slots=True)
class StreamRun:
    """One stream that travels: what its scale and its belt did."""

    stream_id: str
    belt_m: float
    """[m] From where material is when its rate is shown, to the drum."""
    belt_speed_m_s: float
    """[m/s] Nominal."""
    drum_s: float
    """[s] The site's drum residence: from the drum's mouth (or collar) to the injection point."""
    stages: int
    """The site's stages for it."""
    mass_kg: tuple[float, ...]
    moved_m: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class DrumRun:
    """All that enters the drum, what it turned, and what could be seen behind it."""

    cell_s: float
    streams: tuple[StreamRun, ...]
    injected_kg: tuple[float, ...]
    """[kg] Binder and rubber: what enters at the injection point."""
    turned_s: tuple[float, ...]
    """[s] Time at nominal drum speed that the drum's turning in this cell comes to."""
    outlet_s: float
    """[s] The site's travel from the injection point to the outlet."""
    outlet_stages: int
    load_effect: float = 0.0
    """The site's: by how much faster material moves at normal content than in an empty drum."""
    normal_dry_kg_s: float = 0.0
    """[kg/s] Dry material for which the site's times hold. 0: not said."""


@dataclass(frozen=True, slots=True)
class LineRun:
    """What went into the conveying line, and its pressure. Only cells with settled air are usable."""

    cell_s: float
    fed_kg: tuple[float, ...]
    pressure_pa: Seen
    aired_s: tuple[float, ...]
    """[s] For how long the blower had run at the end of each cell."""
    travel_s: float
    """[s] The site's travel."""
    pressure_lag_s: float
    """[s] The site's figure of the pressure's own lag."""


@dataclass(frozen=True, slots=True)
class AugerRun:
    """The speed asked for and the speed measured [rev/s]."""

    cell_s: float
    asked_rev_s: tuple[float, ...]
    """In force during each cell."""
    controlled: tuple[bool, ...]
    """Whether it was really asked for: control was enabled."""
    shown_rev_s: Seen
    lag_s: float
    """[s] The site's lag."""


class RunningSum:
    """A quantity that only adds up, known at uneven times."""

    def __init__(self) -> None:
        self._times: list[float] = []
        self._sums: list[float] = []
        self._sum = 0.0

    def add(self, until_s: float, amount: float) -> None:
        """Add what came up to that time."""
        self._sum += amount
        self._times.append(until_s)
        self._sums.append(self._sum)

    def cells(self, from_s: float, cell_s: float, count: int) -> tuple[float, ...]:
        """Return what came in each cell of an even grid."""
        at = [self._at(from_s + place * cell_s) for place in range(count + 1)]
        return tuple([after - before for before, after in pairwise(at)])

    def _at(self, when_s: float) -> float:
        times, sums = self._times, self._sums
        place = bisect_right(times, when_s)
        if place == 0:
            return 0.0
        if place == len(times):
            return sums[-1]
        share = (when_s - times[place - 1]) / (times[place] - times[place - 1])
        return sums[place - 1] + share * (sums[place] - sums[place - 1])


class Readings:
    """Values of an instrument with the times at which they were received."""

    def __init__(self) -> None:
        self._times: list[float] = []
        self._values: list[float] = []

    def add(self, received_s: float, value: float) -> None:
        """Take a value; one that was seen before is left aside."""
        if not self._times or received_s > self._times[-1] + 1e-6:
            self._times.append(received_s)
            self._values.append(value)

    def at_ends(self, from_s: float, cell_s: float, count: int) -> Seen:
        """Return a value for the end of each cell of an even grid: the mean of those near it, by their nearness."""
        sums, weights = [0.0] * count, [0.0] * count
        for when_s, value in zip(self._times, self._values, strict=True):
            cells = (when_s - from_s) / cell_s - 1.0
            place = floor(cells)
            for end, weight in ((place, place + 1 - cells), (place + 1, cells - place)):
                if 0 <= end < count:
                    sums[end] += weight * value
                    weights[end] += weight
        return tuple(
            [total / weight if weight >= LEAST_WEIGHT else None for total, weight in zip(sums, weights, strict=True)]
        )
