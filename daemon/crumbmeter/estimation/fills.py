"""A refill gate that leaks: rubber trickles in while the gate is shut, and the weigh hopper loses less than is fed.

The weigh hopper alone cannot tell a leak from an auger that carries less: both make it lose less in a turn. Three
things can, and each is looked at (docs/weighing.md says how small a leak they find):

- the supply's weight, where it is read: what it loses while the gate is shut went through it. It is believed as a
  measure only after a fill in which the supply lost what the weigh hopper gained and the auger fed; until then, and
  where a bag runs into the supply unweighed, a loss still proves a leak, but no loss proves nothing;
- the weigh hopper itself while the auger stands: then it must not gain;
- what a turn of the auger carried from one cycle to the next: a fall is a leak or another rubber, and is told as that.
"""

from math import hypot

from crumbmeter.estimation.stretch import Line, Stretch, begun, line_of, taken
from crumbmeter.estimation.weighing_state import WeighingState
from crumbmeter.model.events import Event, event
from crumbmeter.model.frozen import dataclass, replace

LEAST_S = 90.0
"""[s] A shorter look at a weight at rest decides nothing: somebody may be taking a sample."""
RECENT_BLOCKS = 24
"""Blocks of the newest part of a stretch, which shows a leak that began within the cycle."""
LEAST_LOST_KG = 1.0
LEAST_SHARE = 0.01
"""Less than this mass, or than this share of what was fed meanwhile, is no leak. Ours: drift of a scale's zero."""
CERTAIN = 4.0
"""A leak is so many standard uncertainties from none."""
GONE = 3.0
"""A known leak that is fewer standard uncertainties from none, or less than `LEAST_SHARE` of the feed, is gone..."""
TIGHT_BLOCKS = 2 * RECENT_BLOCKS
"""...once that has been so for so many blocks, or..."""
TIGHT_STANDS = 2
"""...at so many stands of the auger in a row, where the supply's weight cannot tell."""
UNSEEN_CYCLES = 2
"""So many cycles without a measurement, and an earlier one corrects the flow no more."""
VARIES = 0.1
"""Relative standard uncertainty of a leak's rate beyond that of the line: it varies with the head above the gate."""
AGREES_SHARE = 0.02
"""Masses of a fill by both scales differ by no more than this share, or than three standard uncertainties."""
SCALE_KG = 0.3
"""[kg] Standard uncertainty of one reading of the supply. Ours: a frame that carries a bag shakes."""
DROPPED = 0.06
"""A turn carries so much less than in one of the two cycles before: a leak may have begun within the other."""
BACK = 0.04
LEAST_TURNS = 30.0
"""A shorter cycle says nothing of what a turn carries."""
SUPPLY, STANDING = "supply weight", "standing auger"


@dataclass(frozen=True, slots=True)
class FillMark:
    """How things stood when the gate opened."""

    content_kg: float
    content_uncertainty_kg: float
    fed_kg: float
    supply_kg: float | None


@dataclass(frozen=True, slots=True)
class FillsState:
    """What is known of fills and gate. Masses in kg, times in s of process time."""

    shut: bool = False
    """The gate is shut and the content has come to rest."""
    supply: Stretch | None = None
    """Of the supply's weight, in the present cycle."""
    supply_fed_kg: float = 0.0
    """[kg] Fed in all, when it began."""
    supply_kg: float | None = None
    """[kg] Its last reading with the gate shut."""
    standing: Stretch | None = None
    """Of the weigh hopper's weight, since the auger stands."""
    mark: FillMark | None = None
    """Of a fill that is under way, or not yet reckoned up."""
    fills_agree: bool = False
    """In the last fill that could be compared, both scales told the same mass."""
    leak_kg_s: float = 0.0
    """[kg/s] Measured; 0: none is known."""
    leak_uncertainty_kg_s: float = 0.0
    found_by: str = ""
    """What the leak was found by; empty: none is known."""
    tight: int = 0
    """Blocks of the supply's weight, or stands, in a row that have shown no leak since."""
    unseen: int = 0
    """Cycles in a row without a measurement of a known leak."""
    from_fed_kg: float = 0.0
    from_turned_rev: float = 0.0
    """Fed and turned in all, when the present cycle began."""
    carried: tuple[float, ...] = ()
    """[kg/rev] What a turn carried in the last two whole cycles."""
    dropped_from: float = 0.0
    """[kg/rev] What it carried before a marked fall; 0: none has been seen."""

    @property
    def leaks(self) -> bool:
        """Tell whether a leak is known: the flow is then Uncertain, corrected or not."""
        return self.found_by != ""

    @property
    def correction(self) -> tuple[float, float]:
        """[kg/s] Return what trickles in, and its uncertainty, where it is founded well enough to reckon with."""
        founded = self.found_by == SUPPLY and self.fills_agree and self.unseen < UNSEEN_CYCLES
        return (self.leak_kg_s, self.leak_uncertainty_kg_s) if founded else (0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Look:
    """What one scan has to look at."""

    now_s: float
    """[s] Process time."""
    hopper_kg: float | None
    """[kg] New weight of the weigh hopper; None where none has come, or it is Bad."""
    supply_kg: float | None
    """[kg] New weight of the supply that is Good; None where none has come or the site has none."""
    speed_rev_s: float


def watch_fills(state: FillsState, weighing: WeighingState, look: Look) -> tuple[FillsState, tuple[Event, ...]]:
    """Look at the gate for one scan.

    Args:
        state: Before.
        weighing: The estimate of this scan.
        look: New weights.
    """
    shut = weighing.started and not weighing.refilling and weighing.settle_left_s <= 0.0
    if not shut and not state.shut:
        return state, ()
    if shut is state.shut and look.supply_kg is None and look.speed_rev_s > 0.0 and state.standing is None:
        return state, ()  # nearly every scan
    events: tuple[Event, ...] = ()
    if shut is not state.shut:
        state, events = (_shut if shut else _opened)(state, weighing)
    if look.supply_kg is not None and shut:
        state, told = _rest(state, weighing, look)
        events += told
    if look.hopper_kg is not None or state.standing is not None:
        state, told = _stand(state, look)
        events += told
    return state, events


def _shut(state: FillsState, weighing: WeighingState) -> tuple[FillsState, tuple[Event, ...]]:
    """Begin a cycle."""
    begun = replace(
        state, shut=True, supply=None, supply_kg=None, from_fed_kg=weighing.fed_kg,
        from_turned_rev=weighing.turned_rev,
    )  # fmt: skip
    if state.mark is not None and state.mark.supply_kg is None:
        return _reckon_up(begun, weighing, None)
    return begun, ()


def _opened(state: FillsState, weighing: WeighingState) -> tuple[FillsState, tuple[Event, ...]]:
    """End a cycle: what has the whole of it shown?"""
    if state.leaks and (state.supply is None or line_of(state.supply.means) is None):
        state = replace(state, unseen=state.unseen + 1)
    state, told = _carried(state, weighing)
    content_kg = weighing.mass_kg
    mark = FillMark(content_kg, weighing.noise_kg, weighing.fed_kg, state.supply_kg)
    return replace(state, shut=False, supply=None, standing=None, mark=mark), told


def _rest(state: FillsState, weighing: WeighingState, look: Look) -> tuple[FillsState, tuple[Event, ...]]:
    """Take a weight of the supply with the gate shut."""
    supply_kg = look.supply_kg
    if supply_kg is None:
        return state, ()
    if state.supply is None:
        first = begun(look.now_s, supply_kg)
        return replace(state, supply=first, supply_fed_kg=weighing.fed_kg, supply_kg=supply_kg), ()
    before, after = state.supply, taken(state.supply, look.now_s, supply_kg)
    fed_kg = state.supply_fed_kg if after.since_s == before.since_s else weighing.fed_kg
    state = replace(state, supply=after, supply_fed_kg=fed_kg, supply_kg=supply_kg)
    if after.means is before.means:
        return state, ()
    events: tuple[Event, ...] = ()
    if state.mark is not None and after.means:
        state, events = _reckon_up(state, weighing, after.means[-1])
    fed_kg_s = (weighing.fed_kg - fed_kg) / max(1.0, look.now_s - after.since_s)
    if state.found_by == SUPPLY and state.fills_agree:
        state, told = _follow(state, after, fed_kg_s)
        return state, (*events, *told)
    line = _loss(after, fed_kg_s)
    if line is not None:
        state, told = _found(state, -line.slope_kg_s, line, SUPPLY)
        events += told
    return state, events


def _follow(state: FillsState, stretch: Stretch, fed_kg_s: float) -> tuple[FillsState, tuple[Event, ...]]:
    """Measure a known leak anew by the newest part of a stretch: it grows, and one day somebody mends the gate.

    A scale wanders by more than the scatter of its blocks says, so what would not be called a leak is none here either.
    """
    line = line_of(stretch.means[-RECENT_BLOCKS:])
    if line is None or line.lasted_s < LEAST_S:
        return state, ()
    rate = max(0.0, -line.slope_kg_s)
    doubt = hypot(line.uncertainty_kg_s, VARIES * rate)
    tight = state.tight + 1 if rate < max(GONE * line.uncertainty_kg_s, LEAST_SHARE * fed_kg_s) else 0
    state = replace(state, leak_kg_s=rate, leak_uncertainty_kg_s=doubt, tight=tight, unseen=0)
    return _mended(state) if tight >= TIGHT_BLOCKS else (state, ())


def _mended(state: FillsState) -> tuple[FillsState, tuple[Event, ...]]:
    mended = replace(state, leak_kg_s=0.0, leak_uncertainty_kg_s=0.0, found_by="", tight=0, unseen=0)
    return mended, (event("refill_gate_tight", found_by=state.found_by),)


def _loss(stretch: Stretch, fed_kg_s: float) -> Line | None:
    """Return the line by which the supply has steadily lost, over all of the stretch or its newest part; else None."""
    for means in (stretch.means, stretch.means[-RECENT_BLOCKS:]):
        line = line_of(means)
        if line is not None and _is_leak(line, -1.0, fed_kg_s * line.lasted_s):
            return line
    return None


def _is_leak(line: Line, sign: float, fed_kg: float) -> bool:
    """Tell whether a weight that should rest has changed as by a leak; `sign` is the way it must go."""
    if line.lasted_s < LEAST_S:
        return False
    rate = sign * line.slope_kg_s
    least_kg = max(LEAST_LOST_KG, LEAST_SHARE * fed_kg)
    return line.steady and rate * line.lasted_s >= least_kg and rate >= CERTAIN * line.uncertainty_kg_s


def _found(state: FillsState, rate: float, line: Line, by: str) -> tuple[FillsState, tuple[Event, ...]]:
    """Take the rate of a leak. A supply weight measures better than a standing auger, and goes on measuring."""
    doubt = hypot(line.uncertainty_kg_s, VARIES * rate)
    if state.found_by == SUPPLY and by == STANDING:
        return state, ()
    after = replace(state, leak_kg_s=rate, leak_uncertainty_kg_s=doubt, found_by=by, tight=0, unseen=0)
    if state.found_by:
        return after, ()
    detail = event(
        "refill_gate_leaks", leak_kg_s=round(rate, 4), uncertainty_kg_s=round(doubt, 4), found_by=by,
        over_s=round(line.lasted_s, 1), corrected=after.correction[0] > 0.0,
    )  # fmt: skip
    return after, (detail,)


def _stand(state: FillsState, look: Look) -> tuple[FillsState, tuple[Event, ...]]:
    """Look at the weigh hopper while the auger stands: with the gate shut it must not gain."""
    if look.speed_rev_s > 0.0 or not state.shut:
        return (state, ()) if state.standing is None else _end_of_standing(state)
    if look.hopper_kg is None:
        return state, ()
    if state.standing is None:
        return replace(state, standing=begun(look.now_s, look.hopper_kg)), ()
    before, after = state.standing, taken(state.standing, look.now_s, look.hopper_kg)
    state = replace(state, standing=after)
    line = line_of(after.means) if after.means is not before.means else None
    if line is None or line.lasted_s < LEAST_S:
        return state, ()
    if _is_leak(line, 1.0, 0.0):
        return _found(state, line.slope_kg_s, line, STANDING)
    if state.dropped_from and abs(line.slope_kg_s) * line.lasted_s < LEAST_LOST_KG / 2.0:
        state = replace(state, dropped_from=0.0, carried=())  # the fall was of the rubber, not of the gate
    return state, ()


def _end_of_standing(state: FillsState) -> tuple[FillsState, tuple[Event, ...]]:
    """Take a stand without a gain for a tight gate, unless the supply's weight knows better."""
    line = None if state.standing is None else line_of(state.standing.means)
    over = replace(state, standing=None)
    if not state.leaks or (state.found_by == SUPPLY and state.fills_agree):
        return over, ()
    if line is None or line.lasted_s < LEAST_S or _is_leak(line, 1.0, 0.0):
        return over, ()
    return _mended(over) if state.tight + 1 >= TIGHT_STANDS else (replace(over, tight=state.tight + 1), ())


def _reckon_up(
    state: FillsState, weighing: WeighingState, supply_kg: float | None
) -> tuple[FillsState, tuple[Event, ...]]:
    """Compare what came into the weigh hopper in a fill with what the supply lost meanwhile."""
    mark = state.mark
    if mark is None:
        return state, ()
    fed_kg = weighing.fed_kg - mark.fed_kg
    came_kg = weighing.mass_kg - mark.content_kg + fed_kg
    # What is fed in a fill is told by the factor that the fill before has left: three per cent of it, as air goes.
    doubt_kg = hypot(mark.content_uncertainty_kg, weighing.noise_kg, 0.03 * fed_kg)
    after = replace(state, mark=None)
    if supply_kg is None or mark.supply_kg is None:
        told = event("fill_weighed", mass_kg=round(came_kg, 2), uncertainty_kg=round(doubt_kg, 2))
        return after, (told,)
    lost_kg = mark.supply_kg - supply_kg
    both_kg = hypot(doubt_kg, SCALE_KG)
    agree = abs(lost_kg - came_kg) <= max(3.0 * both_kg, AGREES_SHARE * came_kg)
    told = event(
        "fill_weighed", mass_kg=round(came_kg, 2), uncertainty_kg=round(doubt_kg, 2), supply_lost_kg=round(lost_kg, 2),
        agree=agree,
    )  # fmt: skip
    return replace(after, fills_agree=agree), (told,)


def _carried(state: FillsState, weighing: WeighingState) -> tuple[FillsState, tuple[Event, ...]]:
    """Compare what a turn carried in this cycle with the two before: a fall may be a leak that nothing else shows."""
    turned_rev = weighing.turned_rev - state.from_turned_rev
    if turned_rev < LEAST_TURNS or weighing.leak_kg_s > 0.0:
        return state, ()
    now = (weighing.fed_kg - state.from_fed_kg) / turned_rev
    if state.dropped_from:
        back = now >= (1.0 - BACK) * state.dropped_from
        return replace(state, dropped_from=0.0 if back else state.dropped_from, carried=(now,)), ()
    normal = max(state.carried) if len(state.carried) > 1 else 0.0
    after = replace(state, carried=(*state.carried[-1:], now))
    supply_says_tight = state.fills_agree and state.supply is not None and line_of(state.supply.means) is not None
    if not normal or now >= (1.0 - DROPPED) * normal or supply_says_tight:
        return after, ()
    told = event("feed_factor_fell", was_kg_rev=round(normal, 4), now_kg_rev=round(now, 4))
    return replace(after, dropped_from=normal), (told,)
