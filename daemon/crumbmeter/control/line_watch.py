"""The conveying line watched: pressure against its learned curve, and what is wrong by the table of line_table.py.

What a scan sees is summed up; once a second the means are judged and, where all is calm, learned from. So a scan costs
next to nothing, and noise is averaged before it is judged.
"""

from crumbmeter.control.line_place import CALM_S, QUICK_S, SLOW_S, Mean, limit_pa, may_learn, place, time_to_limit
from crumbmeter.control.line_state import Calm, Finding, LineWatch, Second, words
from crumbmeter.control.line_table import QUIET, Diagnosis, Evidence, Pressure, Weight, row_for
from crumbmeter.control.params import Params
from crumbmeter.control.permissives import Contacts, truth
from crumbmeter.control.sequence import RunState
from crumbmeter.control.state import FeedState
from crumbmeter.estimation.line_curve import expected, learned, opened
from crumbmeter.estimation.weighing import WeighingState
from crumbmeter.model.events import Event, event
from crumbmeter.model.frozen import replace
from crumbmeter.model.reading import Reading

JUDGED_EVERY_S = 1.0
FALLING_S = 10.0
"""[s] The weight must have fallen for so long before it contradicts the pressure."""
IN_VAIN_S = 3.0
"""[s] A feed factor that has been gone for so long means that nothing flows."""
NO_LOAD_KG = 0.01
STEADY_SHARE, STEADY_KG = 0.08, 0.02
NEARLY_ALL = 0.9
"""Share of the second for which something must have held to have held in it."""
TURNING_REV_S = 0.02
"""[rev/s] Above this the auger turns."""
AIR_KNOWN = (RunState.PURGE, RunState.READY, RunState.FEEDING, RunState.CLEAN_OUT)
"""States in which the blower is taken to run although the site has no contact that says so."""


def follow(
    watch: LineWatch,
    params: Params,
    readings: tuple[Reading, ...],
    contacts: Contacts,
    state: RunState,
    weighing: WeighingState,
    feed: FeedState,
    load_kg: float,
    speed_rev_s: float,
    dt_s: float,
    *,
    believed: bool,
) -> tuple[LineWatch, tuple[Event, ...]]:
    """Take one scan in; once a second, judge and learn.

    Args:
        watch: Before.
        params: Site.
        readings: Settled signals.
        contacts: What the sequence sees.
        state: Run state before this scan.
        weighing: Estimate of this scan.
        feed: Counts of this scan.
        load_kg: [kg] Rubber under way, by what left the auger.
        speed_rev_s: [rev/s] Auger speed.
        dt_s: [s] Length of the scan. Zero changes nothing.
        believed: Whether the weight took part in the estimate.
    """
    named, was = params.contacts, watch.second
    pressure_pa = None if named.line_pressure is None else readings[named.line_pressure].value
    switch = truth(readings, named.flow_switch) if named.flow_switch is not None else None
    to_drum, running = contacts.diverter_to_drum is not False, contacts.blower_running
    proven = running and to_drum and (state in AIR_KNOWN or named.blower_running is not None)
    falling = believed and feed.no_flow_s == 0.0 and weighing.refused_s == 0.0
    second = Second(
        was.span_s + dt_s,
        was.heard_s if pressure_pa is None else was.heard_s + dt_s,
        was.pressure_pa_s if pressure_pa is None else was.pressure_pa_s + pressure_pa * dt_s,
        was.load_kg_s + load_kg * dt_s, was.way_rev + speed_rev_s * dt_s,
        was.turning_s + dt_s if speed_rev_s > TURNING_REV_S else was.turning_s,
        was.air_s + dt_s if proven else was.air_s,
        was.no_air_s + dt_s if running is False and to_drum else was.no_air_s,
        was.falling_s + dt_s if falling else was.falling_s,
        was.standing_s + dt_s if feed.no_flow_s > IN_VAIN_S else was.standing_s,
        was.switch_s if switch is None else was.switch_s + dt_s, was.switched_s + dt_s if switch else was.switched_s,
    )  # fmt: skip
    if second.span_s >= JUDGED_EVERY_S:
        return _judge(watch, second, params, weighing)
    return LineWatch(second, watch.curve, watch.calm, watch.finding), ()


def _judge(
    watch: LineWatch, second: Second, params: Params, weighing: WeighingState
) -> tuple[LineWatch, tuple[Event, ...]]:
    span_s, curve = second.span_s, watch.curve
    most_s = NEARLY_ALL * span_s
    pressure_pa = second.pressure_pa_s / second.heard_s if second.heard_s >= most_s else None
    auger = second.turning_s >= most_s
    load_kg = max(0.0, second.load_kg_s / span_s)
    if not auger and load_kg < NO_LOAD_KG:
        load_kg = 0.0
    foretold = expected(curve, load_kg)
    calm = _calm(watch, second, None if pressure_pa is None else pressure_pa - foretold.pressure_pa, load_kg)
    weight = _weight(second, calm)
    mean = None
    if pressure_pa is not None:
        auger_kg = weighing.mean_factor_kg_rev * second.way_rev / span_s * params.line.travel_s
        standing = weight is Weight.STANDING
        mean = Mean(pressure_pa, load_kg, auger_kg, auger, standing, foretold, limit_pa(foretold))
    limits, travel_s = params.sequence, params.line.travel_s
    seen = Evidence(
        auger,
        weight,
        Pressure.UNKNOWN if mean is None else place(curve, calm, mean, limits, travel_s),
        weighing.mass_kg < params.weighing.low_mass_kg,
        second.no_air_s < most_s,
        None if second.switch_s < most_s else second.switched_s >= 0.5 * span_s,
    )
    finding, events = _found(watch, calm, params, seen, mean, span_s)
    if mean is not None and may_learn(curve, calm, mean):
        if load_kg == 0.0 and not calm.taken_anew:
            curve, calm = opened(curve), replace(calm, taken_anew=True)
        if curve.spread_pa == 0.0:
            calm = replace(calm, quick_pa=0.0, slow_pa=0.0)
        curve = learned(curve, load_kg, mean.pressure_pa, span_s)
    return LineWatch(Second(), curve, calm, finding), events


def _calm(watch: LineWatch, second: Second, off_pa: float | None, load_kg: float) -> Calm:
    """Count for how long things have been as they are, and filter what the pressure lies off its curve."""
    was, span_s = watch.calm, second.span_s
    most_s = NEARLY_ALL * span_s
    filtered_kg = was.load_kg + (load_kg - was.load_kg) * min(1.0, span_s / CALM_S)
    steady = abs(load_kg - filtered_kg) <= STEADY_SHARE * filtered_kg + STEADY_KG
    air = second.air_s >= most_s
    quick_pa = slow_pa = 0.0
    if air and off_pa is not None:
        fresh = was.air_s == 0.0
        quick_pa = off_pa if fresh else was.quick_pa + (off_pa - was.quick_pa) * min(1.0, span_s / QUICK_S)
        slow_pa = off_pa if fresh else was.slow_pa + (off_pa - was.slow_pa) * min(1.0, span_s / SLOW_S)
    empty = air and load_kg == 0.0 and second.turning_s == 0.0
    return Calm(
        filtered_kg,
        was.steady_s + span_s if steady else 0.0,
        was.air_s + span_s if air and off_pa is not None else 0.0,
        was.empty_s + span_s if empty else 0.0,
        was.taken_anew and empty,
        was.falling_s + span_s if second.falling_s >= most_s else 0.0,
        quick_pa,
        slow_pa,
    )


def _weight(second: Second, calm: Calm) -> Weight:
    if second.standing_s > 0.0:
        return Weight.STANDING
    return Weight.FALLING if calm.falling_s >= FALLING_S else Weight.UNKNOWN


def _found(
    watch: LineWatch, calm: Calm, params: Params, seen: Evidence, mean: Mean | None, span_s: float
) -> tuple[Finding, tuple[Event, ...]]:
    """Take the table's word once it has stood for long enough."""
    before, row = watch.finding, row_for(seen)
    candidate, after_s = row.diagnosis, row.after_s
    if not seen.auger and seen.pressure is Pressure.UNKNOWN and candidate is Diagnosis.CLEAR:
        # Shut, there is nothing to judge; open, nothing can be said yet, and what was said stands.
        candidate, after_s = (before.diagnosis if calm.air_s > 0.0 else Diagnosis.NONE), 0.0
    candidate_s = before.candidate_s + span_s if candidate is before.candidate else span_s
    diagnosis = candidate if candidate_s > after_s else before.diagnosis
    if mean is None:
        finding = Finding(diagnosis, candidate, candidate_s)
    else:
        foretold, known = mean.foretold, mean.foretold.sure and calm.air_s > 0.0
        soonest_s = latest_s = None
        if seen.pressure is Pressure.ABOVE:
            soonest_s, latest_s = time_to_limit(watch.curve, calm, mean, params.sequence.pressure_high_pa)
        finding = Finding(
            diagnosis, candidate, candidate_s, mean.pressure_pa, foretold.pressure_pa if known else None,
            foretold.spread_pa if known else 0.0, soonest_s, latest_s,
        )  # fmt: skip
    if diagnosis is before.diagnosis or (diagnosis in QUIET and before.diagnosis in QUIET):
        return finding, ()
    return finding, (event("line_diagnosed", was=before.diagnosis.value, now=diagnosis.value, detail=words(finding)),)
