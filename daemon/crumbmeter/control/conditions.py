"""What one scan says of every alarm: true, false, or not known."""

from collections.abc import Callable, Iterable

from crumbmeter.alarms.machine import Condition
from crumbmeter.control.batch_state import Phase
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
NO_FLOW_AFTER_S = 3.0
"""[s] A feed factor that has been gone for so long means that nothing flows."""


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
        "feed_off_setpoint": Condition(feeding and state.tolerance.feed_level >= 2),
        "no_rubber_flow": Condition(feeding and state.feed.no_flow_s > NO_FLOW_AFTER_S),
        "total_off": Condition(state.tolerance.total_out),
        **_of_batches(state),
        "hopper_low": _hopper_low(params, readings, wanted=wanted),
        "refill_slow": Condition(state.weighing.refilling and state.weighing.refill_s > params.weighing.max_refill_s),
        "supply_low": _contact(params.contacts.supply_low, readings),
        "pressure_high": Condition(
            state.feed.pressure_high_s > params.sequence.pressure_delay_s or sequence.reason == PRESSURE_HIGH
        ),
        "pressure_low": Condition(
            state.feed.pressure_low_s > params.sequence.pressure_delay_s or sequence.reason == PRESSURE_LOW
        ),
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


def _of_writes(params: Params, writes: tuple[WriteStatus, ...]) -> dict[str, Condition]:
    return {
        "writes_spent": _outputs(params, writes, lambda status: status.stage is WriteStage.HELD_BACK),
        "writes_half_worn": _outputs(params, writes, lambda status: status.wear_percent >= HALF_WORN),
        "writes_worn": _outputs(params, writes, lambda status: status.wear_percent >= WORN),
    }


def _named(found: Iterable[str]) -> Condition:
    names = ", ".join(found)
    return Condition(bool(names), names)


def _outputs(params: Params, writes: tuple[WriteStatus, ...], wanted: Callable[[WriteStatus], bool]) -> Condition:
    return _named(spec.role for spec, status in zip(params.outputs, writes, strict=False) if wanted(status))


def _in_charge(state: State, params: Params) -> bool:
    """Tell whether control is enabled and has heard all its inputs once: before that nothing can be lost."""
    return state.control_enabled and is_armed(state, params)


def _while_mix_moves(true: bool, drum_turns: bool | None) -> Condition:
    return Condition(true) if drum_turns else Condition(None)


def _of_batches(state: State) -> dict[str, Condition]:
    """Tell of a batch plant whether a batch is held for rubber that is late, and whether a charge is in doubt."""
    batch = state.batch
    if batch is None:
        return {"rubber_late": Condition(true=False), "charge_doubtful": Condition(true=False)}
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
        return Condition(true=False)
    return Condition(truth(readings, index))


def _recipe(params: Params, mix: MixParams, readings: tuple[Reading, ...]) -> Condition:
    index = params.contacts.plant_recipe
    if index is None or mix.plant_recipe is None:
        return Condition(true=False)
    seen = readings[index].value
    if seen is None:
        return Condition(None)
    return Condition(round(seen) not in (0, mix.plant_recipe), f"plant {round(seen)}, chosen {mix.plant_recipe}")
