"""How well the rubber that was asked for ahead of time fits the mix that it met: the error of the look-ahead itself.

The setpoint of now is for mix that reaches the injection point one look-ahead from now. When that mix is there, what
was foreseen can be held against what it wanted. Where every stream's way is longer than the rubber's, nothing has to be
guessed and little is left; a stream with a shorter way is taken to go on as it comes (`crumbmeter check` says which).
"""

from math import sqrt

from crumbmeter.control.params import Params
from crumbmeter.control.plant import Demand, look_ahead_s
from crumbmeter.model.frozen import dataclass

MEMORY_S = 60.0
"""[s] Time constant of what is shown."""
TOLD_AFTER_S = 30.0
"""[s] So much mix must have been judged before a figure is shown."""
LATE = 1.5
"""A scan longer than so many periods breaks the row of predictions."""


@dataclass(frozen=True, slots=True)
class Foresight:
    """Predictions that wait for their mix, and what came of earlier ones."""

    waiting_kg_s: tuple[float, ...] = ()
    """[kg/s] Rubber foreseen, one for each scan, the oldest first."""
    square: float = 0.0
    """[kg^2/s^2] Mean square of prediction less outcome."""
    wanted_kg_s: float = 0.0
    """[kg/s] Mean outcome."""
    judged_s: float = 0.0
    """[s] For how long there has been mix to judge by."""

    @property
    def error(self) -> float | None:
        """[1] Return the root mean square of the error over the mean rubber wanted; None: not enough mix yet."""
        if self.judged_s < TOLD_AFTER_S or self.wanted_kg_s <= 0.0:
            return None
        return sqrt(self.square) / self.wanted_kg_s


def look_back(before: Foresight, demand: Demand, params: Params, dt_s: float) -> Foresight:
    """Take one scan's prediction, and judge the one that was made for the mix of this scan.

    Args:
        before: As the scan before left it.
        demand: Rubber for the mix one look-ahead from now, and for what passed the injection point in this scan.
        params: Site.
        dt_s: [s] Length of this scan.
    """
    if not 0.0 < dt_s <= LATE * params.scan_period_s:
        return Foresight((), before.square, before.wanted_kg_s, before.judged_s)
    waiting = (*before.waiting_kg_s, demand.wanted_kg_s)
    if len(waiting) <= round(look_ahead_s(params) / params.scan_period_s):
        return Foresight(waiting, before.square, before.wanted_kg_s, before.judged_s)
    foreseen_kg_s, came_kg_s = waiting[0], demand.target_kg / dt_s
    if came_kg_s <= 0.0:
        return Foresight(waiting[1:], before.square, before.wanted_kg_s, before.judged_s)
    # An exponential mean that begins as a plain one, so that the first minute is not drawn towards nought.
    judged_s = min(MEMORY_S, before.judged_s + dt_s)
    share = dt_s / judged_s
    square = before.square + share * ((foreseen_kg_s - came_kg_s) ** 2 - before.square)
    wanted_kg_s = before.wanted_kg_s + share * (came_kg_s - before.wanted_kg_s)
    return Foresight(waiting[1:], square, wanted_kg_s, judged_s)
