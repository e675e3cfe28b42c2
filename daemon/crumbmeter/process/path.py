"""One stream from its scale to the injection point: belt, then drum. And the look ahead that the setpoint needs.

Rubber that leaves the auger now reaches the injection point one look-ahead later. What it will meet there is worked out
from where the material is now: what lies in the drum and on the end of the belt, if belt and drum go on as they do.
Stages of equal residence give Erlang-distributed travel (Levenspiel, tanks in series), so this is a weighted sum.
"""

from itertools import pairwise
from math import ceil, exp

from crumbmeter.model.frozen import dataclass
from crumbmeter.process.fifo import STANDING, Fifo, empty
from crumbmeter.process.params import StreamParams
from crumbmeter.process.stages import cascade, share_leaving

CELL_M = 0.4
"""[m] Length of a belt cell."""
SLICES = 6
"""Parts into which the belt's contribution within the look-ahead is cut."""
NEGLIGIBLE = 1e-5
"""Share of what comes off the belt within the look-ahead that may pass the whole drum in it and be left out."""


@dataclass(frozen=True, slots=True)
class PathState:
    """Where a stream's material is. Masses in kg of dry material."""

    belt: Fifo
    drum: tuple[float, ...]
    """[kg] Stages between the drum's entry and the injection point."""


@dataclass(frozen=True, slots=True)
class Passage:
    """What a step moved, and what is to come."""

    at_injection_kg: float
    """[kg] Dry material that reached the injection point in this step."""
    ahead_kg_s: float
    """[kg/s] Dry flow at the injection point one look-ahead from now."""
    within_kg: float
    """[kg] Dry material that will pass it until then."""


def effective_belt_m(params: StreamParams) -> float:
    """[m] Return the belt's length less the way made while the scale is averaging."""
    return max(0.0, params.belt_length_m - params.scale_filter_s * params.nominal_belt_speed_m_s)


def new_path(params: StreamParams) -> PathState:
    """Make an empty path."""
    stages = params.drum_stages if params.drum_residence_s > 0.0 else 0
    return PathState(empty(ceil(effective_belt_m(params) / CELL_M)), (0.0,) * stages)


def cleared(state: PathState) -> PathState:
    """Return the same path, moved as far, with nothing on it."""
    return PathState(state.belt.cleared(), (0.0,) * len(state.drum))


def joined(one: PathState, other: PathState) -> PathState:
    """Lay the contents of two paths of one stream, which have moved alike, on one."""
    drum = tuple([here + there for here, there in zip(one.drum, other.drum, strict=True)])
    return PathState(one.belt.joined(other.belt), drum)


def cell_length_m(params: StreamParams) -> float:
    """[m] Return the length of one cell, so that a whole number of them makes the belt."""
    length_m = effective_belt_m(params)
    return length_m / max(1, ceil(length_m / CELL_M)) if length_m > 0.0 else 0.0


def advance(
    state: PathState,
    params: StreamParams,
    dry_kg: float,
    belt_speed_m_s: float,
    drum_speed_ratio: float,
    look_ahead_s: float,
    dt_s: float,
) -> tuple[PathState, Passage]:
    """Move a stream on by one scan.

    Args:
        state: Path before.
        params: The stream.
        dry_kg: [kg] Dry material that passed the scale in this scan.
        belt_speed_m_s: [m/s] 0 for a belt that stands.
        drum_speed_ratio: Drum speed over nominal, 0 when it does not turn.
        look_ahead_s: [s] From the auger's setpoint to the injection point.
        dt_s: [s] Length of the scan.
    """
    cell_m = cell_length_m(params)
    cells_s = belt_speed_m_s / cell_m if cell_m > 0.0 else 0.0
    belt, off_belt_kg = state.belt.moved(dry_kg, cells_s * dt_s) if cell_m > 0.0 else (state.belt, dry_kg)
    inflow_kg_s = dry_kg / dt_s if dt_s > 0.0 else 0.0
    if not state.drum:
        coming = _coming(belt, cells_s, inflow_kg_s, look_ahead_s, fed_directly=cell_m == 0.0)
        ahead_kg_s = coming[-1] * SLICES / look_ahead_s if look_ahead_s > 0.0 else off_belt_kg / dt_s if dt_s else 0.0
        return PathState(belt, ()), Passage(off_belt_kg, ahead_kg_s, sum(coming))
    share = share_leaving(params.drum_residence_s, params.drum_stages, dt_s, drum_speed_ratio)
    drum, at_injection_kg = cascade(state.drum, off_belt_kg, share)
    per_s = params.drum_stages / params.drum_residence_s * drum_speed_ratio
    ahead_kg_s, within_kg, through = _out_of_drum(drum, per_s, look_ahead_s)
    if through > NEGLIGIBLE:
        coming = _coming(belt, cells_s, inflow_kg_s, look_ahead_s, fed_directly=cell_m == 0.0)
        more_kg_s, more_kg = _through_drum(coming, per_s, params.drum_stages, look_ahead_s)
        ahead_kg_s, within_kg = ahead_kg_s + more_kg_s, within_kg + more_kg
    return PathState(belt, drum), Passage(at_injection_kg, ahead_kg_s, within_kg)


def _coming(belt: Fifo, cells_s: float, inflow_kg_s: float, look_ahead_s: float, *, fed_directly: bool) -> list[float]:
    """Return the mass [kg] that comes off the belt in each slice of the look-ahead."""
    part_s = look_ahead_s / SLICES
    if fed_directly:
        return [inflow_kg_s * part_s] * SLICES
    way = cells_s * part_s
    if way < STANDING:
        return [0.0] * SLICES
    beyond = inflow_kg_s / cells_s
    left = [belt.mass_until(way * part, beyond) for part in range(SLICES + 1)]
    return [max(0.0, far - near) for near, far in pairwise(left)]


def _out_of_drum(drum: tuple[float, ...], per_s: float, look_ahead_s: float) -> tuple[float, float, float]:
    """Return the stages' flow [kg/s] one look-ahead from now, and the mass [kg] that leaves them until then.

    Third, the probability that what enters now has passed all of them by then.
    """
    if per_s <= 0.0:
        return 0.0, 0.0, 0.0
    densities, passed = _erlang(per_s * look_ahead_s, len(drum))
    ahead_kg_s = within_kg = 0.0
    # The last stage has one stage to pass, the first all of them.
    for mass, density, gone in zip(reversed(drum), densities, passed, strict=True):
        ahead_kg_s += mass * density
        within_kg += mass * gone
    return ahead_kg_s * per_s, within_kg, passed[-1]


def _through_drum(coming: list[float], per_s: float, stages: int, look_ahead_s: float) -> tuple[float, float]:
    """Return the same for what still comes off the belt within the look-ahead: evenly, within each slice.

    So both are exact: the flow is a difference of probabilities, the mass one of their integrals.
    """
    ahead = within = 0.0
    part = per_s * look_ahead_s / SLICES
    passed, mean = _erlang_passed(part * SLICES, stages)
    for place, mass in enumerate(coming):
        nearer, its_mean = _erlang_passed(part * (SLICES - 1 - place), stages)
        ahead += mass * (passed - nearer)
        within += mass * (mean - its_mean)
        passed, mean = nearer, its_mean
    return ahead * per_s / part, within / part


def _erlang(turns: float, stages: int) -> tuple[list[float], list[float]]:
    """Return, for 1 to `stages` stages still to pass, density (times residence) and probability of having passed them.

    Args:
        turns: Time over the residence of one stage.
        stages: How many.
    """
    term = exp(-turns)
    staying = 0.0
    densities, passed = [], []
    for stage in range(1, stages + 1):
        staying += term
        densities.append(term)
        passed.append(1.0 - staying if staying < 1.0 else 0.0)
        term *= turns / stage
    return densities, passed


def _erlang_passed(turns: float, stages: int) -> tuple[float, float]:
    """Return the probability of having passed all the stages within `turns`, and its integral from 0 to there.

    The integral of P_n is t P_n(t) - n P_n+1(t), for stages of residence 1 (by parts; own derivation).
    """
    staying = term = exp(-turns)
    for stage in range(1, stages):
        term *= turns / stage
        staying += term
    passed = max(0.0, 1.0 - staying)
    return passed, turns * passed - stages * max(0.0, passed - term * turns / stages)
