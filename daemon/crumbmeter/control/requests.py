"""Commands of people and programs, each carried out or refused with a reason. Nothing jumps the constraint chain."""

from collections.abc import Callable

from crumbmeter.alarms.acts import CHANGES, act
from crumbmeter.control.dumping import LEAST_SHARE, dump
from crumbmeter.control.job import JobState, NotPossibleError, hand_over, load_bag, plan_job, waste_mix
from crumbmeter.control.line_state import LineWatch
from crumbmeter.control.params import Params
from crumbmeter.control.plant import choose_mix
from crumbmeter.control.record import since
from crumbmeter.control.sequence import SequenceState
from crumbmeter.control.state import State, TripTest
from crumbmeter.control.trip import why_not
from crumbmeter.control.watching import weight_is_known
from crumbmeter.model.commands import Command, CommandKind
from crumbmeter.model.events import Event, event
from crumbmeter.model.frozen import replace
from crumbmeter.model.view import NoteView, OrderView, TripView
from crumbmeter.signals.settle import accept_baseline
from crumbmeter.signals.totaliser import settle as settle_gap

RELEASE_S = 2.0
"""[s] After control is given back, zeros are written for so long, so that nothing is left turning."""
MOST_MOISTURE = 0.20
"""Moisture above a fifth of the dry mass is an entry error."""
OF_THE_RUN = (
    CommandKind.ENABLE_CONTROL, CommandKind.MONITOR_ONLY, CommandKind.START_FEED, CommandKind.HOLD_FEED,
    CommandKind.STOP_FEED, CommandKind.SELECT_MIX,
)  # fmt: skip
"""What people see beside the run state: asked for by whom, and when."""
LEAST_ID = 8
"""Characters of the settings id that must be given to enable control."""

Outcome = tuple[State, Event]


def carry_out(
    state: State, commands: tuple[Command, ...], params: Params, now_s: float
) -> tuple[State, tuple[Event, ...], bool]:
    """Carry out every command of this scan.

    Args:
        state: Before.
        commands: In the order they came.
        params: Site.
        now_s: [s] Process time.

    Returns:
        State after, one event for each command, and whether a start was asked for.
    """
    events: list[Event] = []
    start_asked = False
    for command in commands:
        if command.expires_s < now_s:
            events.append(_named(event("command_expired", command=command.kind.value, who=command.who), command))
            continue
        state, happened = _HANDLERS[command.kind](state, command, params, now_s)
        done = happened.name != "command_refused"
        start_asked |= command.kind is CommandKind.START_FEED and done
        if command.kind in OF_THE_RUN and done:
            state = replace(state, order=OrderView(command.kind.value, command.who, now_s))
        events.append(_named(happened, command))
    return state, tuple(events), start_asked


def _named(happened: Event, command: Command) -> Event:
    """Add the command's id: whoever asked finds the answer by it."""
    return replace(happened, detail=(*happened.detail, ("command_id", command.command_id)))


def _refused(state: State, command: Command, why: str) -> Outcome:
    return state, event("command_refused", command=command.kind.value, who=command.who, why=why)


def _enable(state: State, command: Command, params: Params, _now_s: float) -> Outcome:
    if not params.control_allowed:
        return _refused(state, command, "the site file does not allow control ([control] allowed = false)")
    if len(command.subject) < LEAST_ID or not params.settings_id.startswith(command.subject):
        return _refused(
            state, command, f"it must name the settings it agrees to; these are {params.settings_id[:12]}"
        )  # fmt: skip
    if not weight_is_known(state, params):
        name = params.signals[params.weighing.hopper_mass].signal_id
        return _refused(
            state, command, f"{name} has not been compared with a known weight since it is read this way: put one on, "
            f'then confirm-weight {name} KG --reason "20 kg test weight"'
        )  # fmt: skip
    after = replace(state, control_enabled=True, feed=replace(state.feed, release_left_s=0.0))
    return after, event("control_enabled", who=command.who, settings_id=params.settings_id)


def _monitor(state: State, command: Command, _params: Params, _now_s: float) -> Outcome:
    left_s = RELEASE_S if state.control_enabled else state.feed.release_left_s
    after = replace(
        state, control_enabled=False, sequence=_in_service(state, on=False),
        feed=replace(state.feed, release_left_s=left_s),
    )  # fmt: skip
    return after, event("monitor_only", who=command.who)


def _in_service(state: State, *, on: bool) -> SequenceState:
    return replace(state.sequence, in_service=on, on_hold=False)


def _start(state: State, command: Command, _params: Params, _now_s: float) -> Outcome:
    if not state.control_enabled:
        return _refused(state, command, "control is not enabled: crumbmeter only watches")
    if state.trip.who:
        return _refused(state, command, "the feeder's trip time is being measured; wait for it")
    return replace(state, sequence=_in_service(state, on=True)), event("feed_put_in_service", who=command.who)


def _hold(state: State, command: Command, _params: Params, _now_s: float) -> Outcome:
    if not state.sequence.in_service:
        return _refused(state, command, "the feed is not in service")
    after = replace(state, sequence=replace(state.sequence, on_hold=True))
    return after, event("feed_put_on_hold", who=command.who)


def _stop(state: State, command: Command, _params: Params, _now_s: float) -> Outcome:
    return replace(state, sequence=_in_service(state, on=False)), event("feed_taken_out_of_service", who=command.who)


def _select_mix(state: State, command: Command, params: Params, _now_s: float) -> Outcome:
    known = [mix.mix_id for mix in params.mixes]
    if command.subject not in known:
        return _refused(state, command, f"no mix named {command.subject!r}; there are {', '.join(known)}")
    if command.subject == state.mix_id:
        return _refused(state, command, f"{command.subject} is the mix chosen already")
    plant = choose_mix(state.plant, params, state.mix_id, command.subject)
    after = replace(state, mix_id=command.subject, plant=plant)
    return after, event("mix_selected", was=state.mix_id, to=command.subject, who=command.who)


def _set_moisture(state: State, command: Command, params: Params, _now_s: float) -> Outcome:
    names = [stream.stream_id for stream in params.streams]
    if command.subject not in names:
        return _refused(state, command, f"no stream named {command.subject!r}; there are {', '.join(names)}")
    index = names.index(command.subject)
    if not params.streams[index].wet:
        return _refused(state, command, f"{command.subject} is indicated dry: moisture would be taken off twice")
    if not 0.0 <= command.value <= MOST_MOISTURE:
        return _refused(
            state,
            command,
            f"moisture {100.0 * command.value:g} % of dry mass is not between 0 and {100.0 * MOST_MOISTURE:g} %",
        )
    before = state.plant.moisture
    moisture = (*before[:index], command.value, *before[index + 1 :])
    detail = event(
        "moisture_entered", stream=command.subject, was_fraction=before[index], fraction=command.value,
        since_s=command.since_s, who=command.who,
    )  # fmt: skip
    return replace(state, plant=replace(state.plant, moisture=moisture)), detail


def _act_on_alarm(state: State, command: Command, _params: Params, now_s: float) -> Outcome:
    alarms, happened = act(state.alarms, command, now_s)
    return replace(state, alarms=alarms), happened


def _reset_subtotal(state: State, command: Command, _params: Params, _now_s: float) -> Outcome:
    detail = event(
        "subtotal_reset", who=command.who, rubber_g=state.totals.rubber_g - state.job_mark.rubber_g,
        mix_g=state.totals.mix_g - state.job_mark.mix_g,
    )  # fmt: skip
    return replace(state, job_mark=state.totals, job=JobState()), detail


def _of_the_job(state: State, command: Command, _params: Params, now_s: float) -> Outcome:
    """Take people's word of the job: its size, a bag, wasted mix, a note."""
    try:
        if command.kind is CommandKind.HAND_OVER_NOTE:
            return replace(state, note=NoteView(command.reason.strip(), command.who, now_s)), hand_over(command)
        if command.kind is CommandKind.WASTE_MIX:
            job, happened = waste_mix(state.job, command, since(state.totals, state.job_mark))
        else:
            job, happened = (load_bag if command.kind is CommandKind.LOAD_BAG else plan_job)(state.job, command)
    except NotPossibleError as why:
        return _refused(state, command, str(why))
    return replace(state, job=job), happened


def _settle_total(state: State, command: Command, params: Params, _now_s: float) -> Outcome:
    """Settle a gap of a totaliser: an entry of its own, beside what was booked (REQ-10)."""
    name, _, number = command.subject.partition("#")
    names = [counter.totaliser_id for counter in params.totalisers]
    if name not in names:
        return _refused(state, command, f"no totaliser named {name!r}; there are {', '.join(names) or 'none'}")
    if not command.reason.strip():
        return _refused(state, command, "it must say why: the record keeps the reason")
    if number and not (number.isascii() and number.isdigit()):
        return _refused(state, command, f"{number!r} is no number of a gap")
    place = names.index(name)
    counter = params.totalisers[place]
    if not command.value >= 0.0:
        return _refused(state, command, "a total that was counted is not negative")
    counts = round(command.value / counter.count_si)
    settled, gap = settle_gap(state.totalisers[place], int(number or 0), counts)
    if gap is None:
        return _refused(state, command, f"{name} has no open gap" + (f" {number}" if number else ""))
    detail = event(
        "total_settled", signal=name, gap=gap.number, settled_count=counts, settled_si=counts * counter.count_si,
        verdict=gap.verdict.value, who=command.who, reason=command.reason,
    )  # fmt: skip
    return replace(state, totalisers=(*state.totalisers[:place], settled, *state.totalisers[place + 1 :])), detail


def _accept_weight(state: State, command: Command, params: Params, _now_s: float) -> Outcome:
    names = [signal.signal_id for signal in params.signals]
    place = names.index(command.subject) if command.subject in names else None
    if place is None or not state.signals[place].doubted:
        return _refused(state, command, f"no weight named {command.subject!r} is in doubt")
    accepted = accept_baseline(state.signals[place])
    after = replace(state, signals=(*state.signals[:place], accepted, *state.signals[place + 1 :]))
    return after, event("weight_accepted", signal=command.subject, who=command.who, reason=command.reason)


def _confirm_weight(state: State, command: Command, params: Params, _now_s: float) -> Outcome:
    """Compare the hopper's weight with a known one: a wrong type, order, scale or register shows (REQ-13)."""
    place = params.weighing.hopper_mass
    name, memory = params.signals[place].signal_id, state.signals[place]
    if command.subject != name:
        return _refused(state, command, f"the weight that control rests on is {name}")
    if state.sequence.in_service:
        return _refused(state, command, "the feed is in service, and its weight moves: stop-feed first")
    if not command.value > 0.0:
        return _refused(state, command, "nothing can be told from a weight of zero: put a known one on")
    if memory.bad or memory.value is None:
        return _refused(
            state, command, f"the reading of {name} is Bad: see why in crumbmeter show, and mend that first"
        )
    off = memory.value - command.value
    if not abs(off) <= params.known_weight_band * command.value:
        return _refused(
            state, command, f"{name} reads {memory.value:.3f} kg where {command.value:.3f} kg is known, more than "
            f"{100.0 * params.known_weight_band:g} percent off: see `crumbmeter probe` for type, order and register"
        )  # fmt: skip
    detail = event(
        "weight_confirmed", signal=name, known_kg=command.value, read_kg=memory.value, reading=params.weight_reading,
        who=command.who, reason=command.reason,
    )  # fmt: skip
    return replace(state, weight_confirmed=params.weight_reading), detail


def _measure_trip(state: State, command: Command, params: Params, _now_s: float) -> Outcome:
    why = why_not(state, params)
    if why:
        return _refused(state, command, why)
    test = TripTest(who=command.who, result=TripView(measuring=True))
    return replace(state, trip=test), event("heartbeat_withheld", who=command.who)


def _relearn_line(state: State, command: Command, _params: Params, _now_s: float) -> Outcome:
    """Forget the line's curve: air or line are no longer what they were. Never to silence a warning while it feeds."""
    if state.sequence.in_service:
        return _refused(state, command, "the feed is in service, and a plug may be what is off: stop-feed first")
    if not command.reason.strip():
        return _refused(state, command, "it must say why: the record keeps the reason")
    curve = state.line_watch.curve
    detail = event(
        "line_relearned", base_pa=curve.base_pa, slope_pa_kg=curve.slope_pa_kg, who=command.who, reason=command.reason
    )
    return replace(state, line_watch=LineWatch()), detail


def _drum_dumped(state: State, command: Command, params: Params, _now_s: float) -> Outcome:
    """Part of a standing drum lies on the ground: book it as wasted, and hold it in the model no longer."""
    if params.batch is not None:
        return _refused(state, command, "this is a batch plant, it has no drum: a batch that is thrown away is "
                        "followed by its own contact")  # fmt: skip
    if not LEAST_SHARE <= command.value <= 1.0:
        return _refused(state, command, f"{100.0 * command.value:g} % of the drum is not between 1 and 100 %")
    turning = state.signals[params.drum.turning]
    if not turning.bad and turning.value is not None and turning.value >= 0.5:
        return _refused(
            state, command, "the drum turns, and what it holds has moved on since: a dump is told while it stands. "
            "What was dumped before, enter as rubber_waste for `crumbmeter reconcile`"
        )  # fmt: skip
    after, heap = dump(state, command.value)
    if heap.mix_g == 0:
        return _refused(state, command, "by all that passed the scales the drum is empty: nothing can be dumped")
    detail = event(
        "drum_dumped", share=command.value, mix_kg=heap.mix_g / 1000.0, rubber_kg=heap.rubber_g / 1000.0,
        who=command.who,
    )  # fmt: skip
    return after, detail


_HANDLERS: dict[CommandKind, Callable[[State, Command, Params, float], Outcome]] = {
    CommandKind.ENABLE_CONTROL: _enable,
    CommandKind.MONITOR_ONLY: _monitor,
    CommandKind.START_FEED: _start,
    CommandKind.HOLD_FEED: _hold,
    CommandKind.STOP_FEED: _stop,
    CommandKind.SELECT_MIX: _select_mix,
    CommandKind.SET_MOISTURE: _set_moisture,
    **dict.fromkeys(CHANGES, _act_on_alarm),
    CommandKind.RESET_SUBTOTAL: _reset_subtotal,
    CommandKind.SETTLE_TOTAL: _settle_total,
    CommandKind.ACCEPT_WEIGHT: _accept_weight,
    CommandKind.CONFIRM_WEIGHT: _confirm_weight,
    CommandKind.MEASURE_TRIP: _measure_trip,
    CommandKind.RELEARN_LINE: _relearn_line,
    CommandKind.DRUM_DUMPED: _drum_dumped,
    CommandKind.PLAN_JOB: _of_the_job,
    CommandKind.LOAD_BAG: _of_the_job,
    CommandKind.WASTE_MIX: _of_the_job,
    CommandKind.HAND_OVER_NOTE: _of_the_job,
}
