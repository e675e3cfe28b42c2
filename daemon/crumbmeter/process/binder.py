"""When the plant's own controller sprays binder for the material that its scales saw.

A plant meters binder by its own idea of the travel, not by where the material is. That idea is a setting of its
controller, so the binder of the next seconds is known from what passed the scales long before: for a dose that counts
binder, the look-ahead needs the pump's future and not that of the material.
"""

from crumbmeter.model.frozen import dataclass
from crumbmeter.process.dose import Mix, binder_short
from crumbmeter.process.fifo import Fifo, empty
from crumbmeter.process.params import MixParams, StreamParams

CELL_S = 0.4
"""[s] Length of a cell, in seconds of a running belt or drum."""
PART_S = 1.0
"""[s] A flow ahead is the mean over so long."""
FILTER_S = 30.0
"""[s] Time constant of the binder's measured ratio to the job mix formula."""
RATIO_LIMIT = 0.2
"""How far the measured ratio may pull the prediction of binder away from the job mix formula."""
STEADY_KG_S = 0.5
"""[kg/s] Dry flow above which the binder's ratio is learned."""
LOST_SHARE = 0.5
LOST_AFTER_S = 1.5
FRONT = 2.0
"""Binder below this share of what is due, for so long, is late or lost: what is measured is then taken to go on.
Not where the flow ahead is more than `FRONT` times the present one."""


@dataclass(frozen=True, slots=True)
class BinderTiming:
    """One stream on its way through the plant controller's delay. Masses in kg of dry material."""

    belt: Fifo
    """Moves while the stream's belt runs."""
    drum: Fifo
    """Moves while the drum turns."""

    def cleared(self) -> "BinderTiming":
        """Return the same delay, moved as far, with nothing in it."""
        return BinderTiming(self.belt.cleared(), self.drum.cleared())

    def joined(self, other: "BinderTiming") -> "BinderTiming":
        """Lay the content of another delay of the same stream on this one; both have moved alike."""
        return BinderTiming(self.belt.joined(other.belt), self.drum.joined(other.drum))


@dataclass(frozen=True, slots=True)
class Due:
    """What the plant's controller believes of one stream."""

    now_kg: float
    """[kg] Dry material that it gives its binder in this scan."""
    ahead_kg_s: float
    """[kg/s] One look-ahead from now."""
    within_kg: float
    """[kg] Until then."""


def new_timing(params: StreamParams) -> BinderTiming | None:
    """Start with nothing on the way; None where the controller's delay is not known."""
    if params.binder_drum_s is None:
        return None
    drum_s = params.binder_drum_s + params.binder_lag_s
    return BinderTiming(empty(round(params.binder_belt_s / CELL_S)), empty(round(drum_s / CELL_S)))


def follow(
    timing: BinderTiming, dry_kg: float, look_ahead_s: float, dt_s: float, *, belt_runs: bool, drum_turns: bool
) -> tuple[BinderTiming, Due]:
    """Move a stream through the controller's delay by one scan.

    Args:
        timing: Before.
        dry_kg: [kg] Dry material that passed the scale in this scan.
        look_ahead_s: [s] From the auger's setpoint to the injection point.
        dt_s: [s] Length of the scan.
        belt_runs: Whether the first part moves.
        drum_turns: Whether the second part moves; binder is sprayed only then.
    """
    moves = dt_s / CELL_S
    # What a scale still shows of a belt that stands is not metered twice.
    belt, off_kg = timing.belt.moved(dry_kg, moves) if belt_runs else (timing.belt, 0.0)
    drum, now_kg = timing.drum.moved(off_kg, moves if drum_turns else 0.0)
    if not drum_turns or dt_s <= 0.0:
        return BinderTiming(belt, drum), Due(now_kg, 0.0, 0.0)
    ahead, part = look_ahead_s / CELL_S, min(PART_S, look_ahead_s) / CELL_S
    following = off_kg / moves
    ahead_kg = drum.mass_between(ahead - part / 2.0, ahead + part / 2.0, following) if part > 0.0 else now_kg
    span_s = part * CELL_S if part > 0.0 else dt_s
    return BinderTiming(belt, drum), Due(now_kg, ahead_kg / span_s, drum.mass_until(ahead, following))


@dataclass(frozen=True, slots=True)
class Solids:
    """The material that binder is given to, each of its parts as dry mass."""

    now: Mix
    """[kg] In this scan."""
    ahead: Mix
    """[kg/s] One look-ahead from now."""
    within: Mix
    """[kg] Until then."""
    timed: bool
    """Whether that is by the controller's own timing, and not only by where the material is."""


Older = tuple[MixParams, Solids]
"""A mix that is no longer the newest, with its material on the way."""


@dataclass(frozen=True, slots=True)
class BinderSeen:
    """What the meter has taught."""

    ratio: float
    """Binder measured over binder by the job mix formula."""
    lost_s: float
    """[s] For how long binder that was due has not come."""


@dataclass(frozen=True, slots=True)
class BinderAhead:
    """Virgin binder to come."""

    seen: BinderSeen
    ahead_kg_s: float
    """[kg/s] One look-ahead from now."""
    within_kg: float
    """[kg] Until then."""


def foresee(
    seen: BinderSeen, mix: MixParams, solids: Solids, measured: Mix, dt_s: float, older: tuple[Older, ...] = ()
) -> BinderAhead:
    """Foresee the binder: the job mix formula for what it is due to, times what the meter has shown of late.

    Args:
        seen: Before.
        mix: Mix in force.
        solids: What the plant's controller gives binder to.
        measured: [kg] What passed the injection point in this scan, with the binder that the meter saw.
        dt_s: [s] Length of the scan.
        older: Other mixes whose material is still on its way, each with that.
    """
    due_kg, ahead_kg_s, within_kg = formula(solids.now, mix), formula(solids.ahead, mix), formula(solids.within, mix)
    dry_kg = solids.now.dry_aggregate + solids.now.recycle
    for other, its in older:
        due_kg, ahead_kg_s = due_kg + formula(its.now, other), ahead_kg_s + formula(its.ahead, other)
        within_kg, dry_kg = within_kg + formula(its.within, other), dry_kg + its.now.dry_aggregate + its.now.recycle
    # Clamped as a whole, as the plant's controller does: recycle of one mix may bring what another's aggregate wants.
    due_kg, ahead_kg_s, within_kg = max(0.0, due_kg), max(0.0, ahead_kg_s), max(0.0, within_kg)
    ratio, lost_s = seen.ratio, seen.lost_s
    if dt_s > 0.0 and due_kg > 0.0 and dry_kg >= STEADY_KG_S * dt_s:
        share = measured.virgin_binder / due_kg
        # Ahead of a front little is due, and a pump that cannot run so slowly gives nothing.
        front = ahead_kg_s * dt_s > FRONT * due_kg
        lost_s = lost_s + dt_s if solids.timed and share < LOST_SHARE and not front else 0.0
        if share > 0.0 and lost_s == 0.0:
            bounded = min(1.0 + RATIO_LIMIT, max(1.0 - RATIO_LIMIT, share))
            ratio += (bounded - ratio) * min(1.0, dt_s / FILTER_S)
        used = share if lost_s > LOST_AFTER_S else ratio
    else:
        lost_s = 0.0
        used = ratio
    return BinderAhead(BinderSeen(ratio, lost_s), ahead_kg_s * used, within_kg * used)


def formula(solids: Mix, mix: MixParams) -> float:
    """Return the virgin binder that the job mix formula asks for; negative where recycle brings more than it wants."""
    return binder_short(solids.dry_aggregate + solids.recycle, solids.recycle_binder, mix.total_binder_content)
