"""How fast fresh rubber gives off its air, found in the fills of a recorded run.

The weighing filter is run over the recording again and again, with other settings. The decay under which the weights
after the fills were the least surprising is proposed: the likelihood of a run is the product of its innovations'
densities (prediction error decomposition; Harvey, Forecasting, Structural Time Series Models and the Kalman Filter,
1989, ch. 3.4; from memory). Twice the log-likelihood lost by another decay is chi-squared with one degree of freedom,
so the interval of 95 % is where less than 1.92 is lost. Rubber without air looks best with the shortest decay, where
the filter's doubt of the air does least harm: so air that is gone at once is tried, too, and must lose as much.

Two things look like air and are no part of the question: the factor's own wander, and its fall with the level, which
after a fill goes the other way. The map that the filter learns takes up part of the air, and then the decay looks a
third too short (seen here, on made runs). So the map is held at one curve, and for each decay the likeliest wander and
curve are taken (profile likelihood).

Innovations of a real scale hang together (it averages, the auger pulses), so n of them say less than n: the
log-likelihood is taken times the share of them that counts, by the sum of their autocorrelation.
"""

from collections.abc import Iterator, Sequence
from itertools import pairwise
from math import exp, log

from crumbmeter.estimation.levelmap import BANDS, LevelMap
from crumbmeter.estimation.params import WeighingParams
from crumbmeter.estimation.weighing import GATE, WeighingState, new_weighing, surprise_of, weigh
from crumbmeter.model.frozen import dataclass, replace

DECAYS_S = (10.0, 15.0, 20.0, 25.0, 30.0, 40.0, 50.0, 60.0)
"""[s] That are tried."""
WANDERS = (0.25, 0.5, 1.0)
"""Times the site's `factor_drift`, which is chosen to follow a bridge and not to describe sound rubber."""
FALLS = (0.0, 0.03, 0.06, 0.1)
"""By so much the factor is less at the low level than at a full hopper."""
BENDS = (0.0, 3.0)
"""Form of that fall: even over the level, or mostly near the bottom (by e^-3 over the span). Ours."""
AFTER_S = 180.0
"""[s] So long after a fill the weights are judged."""
AT_ONCE_S = 1.0
"""[s] Air that is gone before the weight is believed again: as if there were none."""
LOST = 1.92
"""Log-likelihood lost at the ends of the interval: half of 3.84, the 95 % point of chi-squared with one degree."""
TURNING_REV_S = 0.02
"""[rev/s] An auger that stands tells nothing of what it carries."""
LONGEST_LAG_S = 20.0
"""[s] Over so long at most the innovations' autocorrelation is summed, until it is first negative."""
LEAST_FILLS = 3
"""The air of one fill cannot be told from what the factor did by itself."""


@dataclass(frozen=True, slots=True)
class Weighed:
    """What the filter was given in one scan."""

    dt_s: float
    weight_kg: float | None
    """[kg] None where it was Bad or not new."""
    speed_rev_s: float
    gate: bool | None
    """Contact of the refill gate; None where there is none or it was Bad."""
    rebased: bool
    leak: tuple[float, float]
    """[kg/s] What trickles in through the shut gate, and its standard uncertainty."""


@dataclass(frozen=True, slots=True)
class DecayFit:
    """What a run tells of the decay."""

    decay_s: float
    low_s: float
    high_s: float
    """[s] The interval of 95 %, within what was tried."""
    fills: int
    weights: int
    """Judged, as they came."""
    share: float
    """Of them that counts."""
    lost: tuple[tuple[float, float], ...]
    """Decay [s], and the log-likelihood lost by it."""
    lost_without: float
    """Log-likelihood lost by rubber without air."""

    @property
    def tells(self) -> bool:
        """Whether air was seen, and anything that was tried is outside the interval."""
        return self.lost_without > LOST and any(lost > LOST for _, lost in self.lost)

    @property
    def open_below(self) -> bool:
        """Whether decays shorter than the shortest that was tried might be as likely."""
        return self.lost[0][1] <= LOST

    @property
    def open_above(self) -> bool:
        """Whether decays longer than the longest that was tried might be as likely."""
        return self.lost[-1][1] <= LOST


def fit_decay(run: Sequence[Weighed], params: WeighingParams) -> DecayFit | str:
    """Find the decay that makes the weights after the fills most likely.

    Args:
        run: Scan by scan.
        params: Of the site.

    Returns:
        The fit, or why there is none.
    """
    judged, fills = _judged(run, params)
    if fills < LEAST_FILLS:
        return f"{fills} fills with rubber fed after them, at least {LEAST_FILLS} are needed"
    trial = _Trial(run, judged, params)
    likely: list[float] = []
    best_of: list[Place] = []
    for decay_s in DECAYS_S:
        place = trial.climb(decay_s, best_of[-1] if best_of else (1, 1, 1))
        best_of.append(place)
        likely.append(trial.likelihood(decay_s, place))
    best = max(range(len(likely)), key=lambda place: likely[place])
    surprises = trial.surprises(DECAYS_S[best], best_of[best])
    scan_s = sum(scan.dt_s for scan in run) / len(run)
    share = counting_share([surprise / variance**0.5 for surprise, variance in surprises], scan_s)
    without = trial.likelihood(AT_ONCE_S, trial.climb(AT_ONCE_S, best_of[0]))
    return _fit([share * one for one in likely], share * without, fills, len(surprises), share)


def _fit(likely: list[float], without: float, fills: int, weights: int, share: float) -> DecayFit:
    places = [log(decay_s) for decay_s in DECAYS_S]
    top, top_likely = summit(places, likely, max(range(len(likely)), key=lambda place: likely[place]))
    lost = [top_likely - one for one in likely]
    below = [(place, one) for place, one in zip(places, lost, strict=True) if place < top]
    above = [(place, one) for place, one in zip(places, lost, strict=True) if place > top]
    return DecayFit(
        decay_s=exp(top), low_s=exp(_crossing(top, below[::-1])), high_s=exp(_crossing(top, above)), fills=fills,
        weights=weights, share=share, lost=tuple(zip(DECAYS_S, lost, strict=True)),
        lost_without=top_likely - without,
    )  # fmt: skip


Place = tuple[int, int, int]
"""Indices of wander, fall and bend."""


class _Trial:
    """Runs the filter over the recording for settings by their indices; none twice."""

    def __init__(self, run: Sequence[Weighed], judged: list[bool], params: WeighingParams) -> None:
        self._run, self._judged, self._params = run, judged, params
        self._known: dict[tuple[float, Place], float] = {}

    def likelihood(self, decay_s: float, place: Place) -> float:
        """Return the log-likelihood of the judged weights, without its constant."""
        key = (decay_s, place)
        if key not in self._known:
            self._known[key] = sum(_log_density(*seen) for seen in self.surprises(decay_s, place))
        return self._known[key]

    def climb(self, decay_s: float, place: Place) -> Place:
        """Return the likeliest wander and curve for a decay: uphill from `place`, for each bend."""
        found = []
        for bend in range(len(BENDS)):
            here = (place[0], place[1], bend)
            while (best := max((here, *_beside(here)), key=lambda one: self.likelihood(decay_s, one))) != here:
                here = best
            found.append(here)
        return max(found, key=lambda one: self.likelihood(decay_s, one))

    def surprises(self, decay_s: float, place: Place) -> list[tuple[float, float]]:
        """Return every judged weight's surprise [kg] and its variance [kg^2]."""
        wander, fall, bend = place
        params = replace(
            self._params,
            fresh_air_decay_s=decay_s,
            factor_drift_per_s=self._params.factor_drift_per_s * WANDERS[wander],
        )
        level = level_curve(FALLS[fall], BENDS[bend])
        state, seen = replace(new_weighing(params), level=level), []
        for scan, takes in zip(self._run, self._judged, strict=True):
            if takes and scan.weight_kg is not None:
                seen.append(surprise_of(state, params, scan.weight_kg, scan.speed_rev_s, scan.dt_s))
            state = _weighed(state, params, scan)
            if state.level is not level:
                state = replace(state, level=level)
        return seen


def _beside(place: Place) -> Iterator[Place]:
    wander, fall, bend = place
    for step in (-1, 1):
        if 0 <= wander + step < len(WANDERS):
            yield wander + step, fall, bend
        if 0 <= fall + step < len(FALLS):
            yield wander, fall + step, bend


def level_curve(fall: float, bend: float) -> LevelMap:
    """Make a level map whose factor is less by `fall` at the low level; `bend` 0 is a straight line."""
    shares = [(band + 0.5) / BANDS for band in range(BANDS)]
    left = [1.0 - share if bend == 0.0 else exp(-bend * share) for share in shares]
    return LevelMap(tuple([1.0 - fall * one for one in left]), (1.0,) * BANDS)


def _judged(run: Sequence[Weighed], params: WeighingParams) -> tuple[list[bool], int]:
    """Choose the weights that are judged, by the site's own settings: the same ones for all that is tried."""
    state, since_s, counted, fills = new_weighing(params), AFTER_S, True, 0
    judged: list[bool] = []
    for scan in run:
        if state.refilling:
            since_s, counted = 0.0, False
        else:
            since_s += scan.dt_s
        resting = state.refilling or state.settle_left_s > 0.0
        state = _weighed(state, params, scan)
        takes = (
            scan.weight_kg is not None and not resting and not state.refilling and not scan.rebased
            and since_s < AFTER_S and scan.speed_rev_s > TURNING_REV_S
        )  # fmt: skip
        judged.append(takes)
        fills += takes and not counted
        counted = counted or takes
    return judged, fills


def _weighed(state: WeighingState, params: WeighingParams, scan: Weighed) -> WeighingState:
    return weigh(
        state, params, scan.weight_kg, scan.speed_rev_s, scan.gate, scan.dt_s, rebased=scan.rebased, leak=scan.leak
    )[0]


def _log_density(surprise: float, variance: float) -> float:
    """Return the log-likelihood of a weight; one that the filter refuses counts as one at its gate."""
    return -0.5 * (log(variance) + min(GATE, surprise * surprise / variance))


def counting_share(values: Sequence[float], step_s: float) -> float:
    """Return which share of these values counts, by the sum of their autocorrelation."""
    mean = sum(values) / len(values)
    off = [value - mean for value in values]
    whole, total = sum(value * value for value in off), 1.0
    for lag in range(1, min(len(off), round(LONGEST_LAG_S / step_s))):
        part = sum(one * other for one, other in zip(off, off[lag:], strict=False)) / whole
        if part <= 0.0:
            break
        total += 2.0 * part
    return 1.0 / total


def summit(places: Sequence[float], heights: Sequence[float], best: int) -> tuple[float, float]:
    """Return place and height of the parabola's top through the best and its neighbours; at an end the end itself."""
    if best in (0, len(places) - 1):
        return places[best], heights[best]
    (a, b, c), (fa, fb, fc) = places[best - 1 : best + 2], heights[best - 1 : best + 2]
    slope = (fb - fa) / (b - a)
    bend = ((fc - fb) / (c - b) - slope) / (c - a)
    if bend >= 0.0:
        return b, fb
    top = (a + b) / 2.0 - slope / (2.0 * bend)
    return top, fa + slope * (top - a) + bend * (top - a) * (top - b)


def _crossing(top: float, outwards: Sequence[tuple[float, float]]) -> float:
    """Return where the loss passes `LOST` for good, coming from outside; the end where it does not."""
    found = outwards[-1][0] if outwards else top
    for (nearer, less), (place, lost) in reversed(list(pairwise([(top, 0.0), *outwards]))):
        if lost <= LOST:
            return found
        found = place if less > LOST else nearer + (place - nearer) * (LOST - less) / (lost - less)
    return found
