"""What one scan says of every alarm: true, false, or not known."""

from collections.abc import Callable, Iterable

from crumbmeter.alarms.catalogue import CATALOGUE
from crumbmeter.alarms.machine import QUIET, Condition
from crumbmeter.control.batch_state import Phase
from crumbmeter.control.line_state import words
from crumbmeter.control.line_table import ALARM_OF
from crumbmeter.control.line_watch import IN_VAIN_S
from crumbmeter.control.params import Params
from crumbmeter.control.permissives import NOT_CONFIRMED, PRESSURE_HIGH, PRESSURE_LOW, truth
from crumbmeter.control.sequence import RunState, Trigger
from crumbmeter.control.state import State
from crumbmeter.control.watching import is_armed
from crumbmeter.model.image import WriteStage, WriteStatus
from crumbmeter.model.reading import Reading
from crumbmeter.process.params import MixParams

HALF_WORN, WORN = 50, 80
"""[percent] Of the writes that an output's memory endures (REQ-26)."""
WITH_MIX = frozenset(spec.alarm_id for spec in CATALOGUE if spec.with_mix)
NONE: frozenset[str] = frozenset()
HELD = WriteStage.HELD_BACK
NOT_WORN = dict.fromkeys(("writes_spent", "writes_half_worn", "writes_worn"), QUIET)
OF_LINE = tuple(dict.fromkeys(ALARM_OF.values()))
ALL_WELL = dict.fromkeys(OF_LINE, QUIET)
EXPLAINS_FEED = ("no_rubber_flow", "rubber_not_arriving", "pressure_low")
"""Alarms of what makes the feed fall short: the feed's own alarm would only say it again."""


def conditions(
    state: State,
    params: Params,
    mix: MixParams,
    readings: tuple[Reading, ...],
    writes: tuple[WriteStatus, ...],
    in_doubt: str,
    *,
    late: bool,
) -> dict[str, Condition]:
    """Evaluate every alarm's condition for one scan.

    A stopped plant makes no alarms of the feed: those of flow and dose hold only while the feed runs or mix moves.
    """
    sequence = state.sequence
    feeding = sequence.state is RunState.FEEDING
    wanted = sequence.in_service or sequence.state is RunState.STOPPED
    drum_turns = truth(readings, params.drum.turning)
    input_stop = sequence.state is RunState.READY and sequence.trigger == Trigger.INPUT_LOST.value
    return {
        "feed_stopped": Condition(sequence.state is RunState.STOPPED or input_stop, sequence.reason),
        "input_lost": Condition(
            bool(in_doubt) and state.control_enabled and wanted and is_armed(state, params), in_doubt
        ),
        "dose_out": _while_mix_moves(state.tolerance.dose_level >= 2, drum_turns),
        "dose_warning": _while_mix_moves(state.tolerance.dose_level >= 1, drum_turns),
        "feed_off_setpoint": Condition(
            feeding
            and state.tolerance.feed_level >= 2
            and ALARM_OF.get(state.line_watch.finding.diagnosis) not in EXPLAINS_FEED
        ),
        "total_off": Condition(state.tolerance.total_out),
        **_of_batches(state),
        "hopper_low": _hopper_low(params, readings, wanted=wanted),
        **_of_hopper(state, params),
        "supply_low": _contact(params.contacts.supply_low, readings),
        **_line(state, params),
        "write_not_confirmed": Condition(sequence.reason.endswith(NOT_CONFIRMED), sequence.reason),
        "recipe_differs": _recipe(params, mix, readings),
        "scan_late": Condition(late),
        "weight_baseline": _named(
            signal.signal_id for signal, memory in zip(params.signals, state.signals, strict=True) if memory.doubted
        ),
        "total_undecided": _named(each.totaliser_id for each in state.totalisers if each.gaps),
        "other_master": Condition(state.owner.other != 0, f"number {state.owner.other}"),
        **_of_writes(params, writes),
    }


def suppressed(params: Params, readings: tuple[Reading, ...]) -> frozenset[str]:
    """Return the alarms that mean nothing in the plant's present state: no dose leaves a drum that stands."""
    return WITH_MIX if truth(readings, params.drum.turning) is False else NONE


def _of_writes(params: Params, writes: tuple[WriteStatus, ...]) -> dict[str, Condition]:
    if not any(status.stage is HELD or status.wear_percent >= HALF_WORN for status in writes):
        return NOT_WORN
    return {
        "writes_spent": _outputs(params, writes, lambda status: status.stage is HELD),
        "writes_half_worn": _outputs(params, writes, lambda status: status.wear_percent >= HALF_WORN),
        "writes_worn": _outputs(params, writes, lambda status: status.wear_percent >= WORN),
    }


def _of_hopper(state: State, params: Params) -> dict[str, Condition]:
    """Evaluate what fills and gate have shown."""
    weighing, fills = state.weighing, state.fills
    how = "feed corrected" if fills.correction[0] > 0.0 else "feed not corrected"
    leak = f"{60.0 * fills.leak_kg_s:.2f} kg/min by {fills.found_by}, {how}" if fills.leaks else ""
    fell = fills.dropped_from > 0.0 and not fills.leaks
    return {
        "refill_slow": Condition(weighing.refilling and weighing.refill_s > params.weighing.max_refill_s),
        "refill_gate_leaks": Condition(fills.leaks, leak),
        "feed_factor_fell": Condition(fell, f"was {fills.dropped_from:.3f} kg/rev" if fell else ""),
    }


def _line(state: State, params: Params) -> dict[str, Condition]:
    """Make one alarm of what is wrong with the line or the feed, with the diagnosis for a reason."""
    feed, sequence, finding = state.feed, state.sequence, state.line_watch.finding
    delay_s = params.sequence.pressure_delay_s
    feeding = sequence.state is RunState.FEEDING
    ours = sequence.state not in (RunState.MONITOR, RunState.LOCAL)
    alarm, likely = ALARM_OF.get(finding.diagnosis, ""), ALARM_OF.get(finding.candidate, "")
    high = feed.pressure_high_s > delay_s or sequence.reason.startswith(PRESSURE_HIGH)
    low = feed.pressure_low_s > delay_s or sequence.reason.startswith(PRESSURE_LOW)
    in_vain = feed.no_flow_s > IN_VAIN_S or alarm == "no_rubber_flow"
    # With the pressure Bad, what was found by it does not go away.
    lost = ours and finding.pressure_pa is None and params.contacts.line_pressure is not None
    if not (high or low or in_vain or alarm or lost):
        return ALL_WELL
    gone = None if lost else False

    def told(alarm_id: str) -> str:
        """A fixed limit may be quicker than the table: then what the table is about to say."""
        if alarm == alarm_id:
            return words(finding)
        return finding.candidate.value if likely == alarm_id else ""

    def found(alarm_id: str, *, armed: bool) -> Condition:
        true = armed and alarm == alarm_id
        return Condition(true or gone, told(alarm_id) if true else "")

    return {
        "pressure_high": Condition(high, told("pressure_high") if high else ""),
        "pressure_low": Condition(low, told("pressure_low") if low else ""),
        "no_rubber_flow": Condition(feeding and in_vain, told("no_rubber_flow") if in_vain else ""),
        "line_plugging": found("line_plugging", armed=ours),
        "rubber_not_arriving": found("rubber_not_arriving", armed=feeding),
        "line_air_low": found("line_air_low", armed=ours),
        "flow_switch": found("flow_switch", armed=ours),
    }


def _named(found: Iterable[str]) -> Condition:
    names = ", ".join(found)
    return Condition(bool(names), names)


def _outputs(params: Params, writes: tuple[WriteStatus, ...], wanted: Callable[[WriteStatus], bool]) -> Condition:
    return _named(spec.role for spec, status in zip(params.outputs, writes, strict=False) if wanted(status))


def _while_mix_moves(true: bool, drum_turns: bool | None) -> Condition:
    return Condition(true) if drum_turns else Condition(None)


def _of_batches(state: State) -> dict[str, Condition]:
    """Tell of a batch plant whether a batch is held for rubber that is late, and whether a charge is in doubt."""
    batch = state.batch
    if batch is None:
        return {"rubber_late": QUIET, "charge_doubtful": QUIET}
    current = batch.current
    waits = current is not None and current.late and not current.served and batch.wanted is not False
    late = Condition(waits and state.sequence.in_service, f"{max(0.0, batch.need_kg):.1f} kg still to be dosed")
    return {"rubber_late": late, "charge_doubtful": Condition(batch.phase is Phase.DOUBT)}


def _hopper_low(params: Params, readings: tuple[Reading, ...], *, wanted: bool) -> Condition:
    mass_kg = readings[params.weighing.hopper_mass].value
    if mass_kg is None:
        return Condition(None)
    return Condition(wanted and mass_kg < params.weighing.low_mass_kg, f"{mass_kg:.0f} kg left")


def _contact(index: int | None, readings: tuple[Reading, ...]) -> Condition:
    if index is None:
        return QUIET
    return Condition(truth(readings, index))


def _recipe(params: Params, mix: MixParams, readings: tuple[Reading, ...]) -> Condition:
    index = params.contacts.plant_recipe
    if index is None or mix.plant_recipe is None:
        return QUIET
    seen = readings[index].value
    if seen is None:
        return Condition(None)
    return Condition(round(seen) not in (0, mix.plant_recipe), f"plant {round(seen)}, chosen {mix.plant_recipe}")
