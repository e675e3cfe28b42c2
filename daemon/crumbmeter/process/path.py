"""One stream from its scale to the injection point: belt, then drum. And the look ahead that the setpoint needs.

Rubber leaving the auger now reaches the injection point after the look-ahead time. So the path is followed twice: the
material itself, and a front that runs ahead of it by that time; each kilogram passes the front exactly once, however
the belt stops, starts or changes speed. What passes the front now is what the rubber that starts now will meet.
"""

from dataclasses import dataclass
from math import ceil

from crumbmeter.process.fifo import STANDING, Fifo, empty
from crumbmeter.process.params import StreamParams
from crumbmeter.process.stages import cascade, share_leaving

CELL_M = 0.4
"""[m] Length of a belt cell."""
SPEED_FILTER_S = 4.0
"""[s] Time constant of the belt speed that places the front; noise in it would become noise in the feed."""


@dataclass(frozen=True, slots=True)
class PathState:
    """Where a stream's material is. Masses in kg of dry material."""

    belt: Fifo
    front_cells: float
    """[cells] How far before the belt's end the front stands."""
    filtered_speed_m_s: float
    drum: tuple[float, ...]
    """[kg] Stages between the drum's entry and the injection point."""
    drum_ahead: tuple[float, ...]
    """[kg] The same, as they will be when the rubber that starts now arrives."""


@dataclass(frozen=True, slots=True)
class Passage:
    """What a step moved."""

    at_injection_kg: float
    """[kg] Dry material that reached the injection point."""
    ahead_kg: float
    """[kg] Dry material that the rubber leaving the auger in this step will meet."""


def effective_belt_m(params: StreamParams) -> float:
    """[m] Return the belt's length less the way made while the scale is averaging."""
    return max(0.0, params.belt_length_m - params.scale_filter_s * params.nominal_belt_speed_m_s)


def new_path(params: StreamParams) -> PathState:
    """Make an empty path."""
    stages = params.drum_stages if params.drum_residence_s > 0.0 else 0
    return PathState(
        belt=empty(ceil(effective_belt_m(params) / CELL_M)),
        front_cells=0.0,
        filtered_speed_m_s=params.nominal_belt_speed_m_s,
        drum=(0.0,) * stages,
        drum_ahead=(0.0,) * stages,
    )


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
    if cell_m == 0.0:
        belt, front, speed, off_belt, off_front = state.belt, 0.0, state.filtered_speed_m_s, dry_kg, dry_kg
    else:
        belt, front, speed, off_belt, off_front = _along_belt(state, dry_kg, belt_speed_m_s, cell_m, look_ahead_s, dt_s)
    if not state.drum:
        after = PathState(belt, front, speed, (), ())
        return after, Passage(off_belt, off_front)
    share = share_leaving(params.drum_residence_s, params.drum_stages, dt_s, drum_speed_ratio)
    drum, at_injection = cascade(state.drum, off_belt, share)
    drum_ahead, ahead = cascade(state.drum_ahead, off_front, share)
    return PathState(belt, front, speed, drum, drum_ahead), Passage(at_injection, ahead)


def _along_belt(
    state: PathState, dry_kg: float, belt_speed_m_s: float, cell_m: float, look_ahead_s: float, dt_s: float
) -> tuple[Fifo, float, float, float, float]:
    way = belt_speed_m_s * dt_s / cell_m
    speed = state.filtered_speed_m_s
    if way > 0.0:
        speed += (belt_speed_m_s - speed) * min(1.0, dt_s / SPEED_FILTER_S)
    length = float(len(state.belt.cells))
    wanted_front = min(length, look_ahead_s * speed / cell_m)
    left_front = state.front_cells - way
    belt, off_belt = state.belt.moved(dry_kg, way)
    if way < STANDING or wanted_front <= left_front:
        return belt, max(0.0, left_front), speed, off_belt, 0.0
    # The belt has moved by `way`: what stood `left_front` before its end has passed the front, up to `wanted_front`.
    beyond = dry_kg / way
    if left_front >= 0.0:
        passed = belt.mass_between(left_front, wanted_front, beyond)
    else:  # the front was nearer than one scan's way: part of it has left the belt already
        passed = off_belt * (-left_front / way) + belt.mass_between(0.0, wanted_front, beyond)
    return belt, wanted_front, speed, off_belt, passed
