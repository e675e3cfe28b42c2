"""What the verbs of instruments, registers and the wire do; the plant's own are in actions.py."""

import math
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from crumbmeter_sim.device import moving, rules
from crumbmeter_sim.device.loops import BROKEN_MA, SHORT_MA
from crumbmeter_sim.device.rules import Place, Rule
from crumbmeter_sim.faults.kinds import Fault, problems_of
from crumbmeter_sim.verbs import Step

if TYPE_CHECKING:
    from crumbmeter_sim.stage import Stage

Deed = Callable[["Stage[Any, Any]", Step], None]


def _tare(rig: "Stage[Any, Any]", step: Step) -> None:
    rig.plant.feeder.indicator.tare(step.values.get("kg"))


def _clear_tare(rig: "Stage[Any, Any]", _: Step) -> None:
    rig.plant.feeder.indicator.clear_tare()


def _zero_shift(rig: "Stage[Any, Any]", step: Step) -> None:
    rig.plant.feeder.indicator.shift_zero(step.values["kg"])


def _decimal_point(rig: "Stage[Any, Any]", step: Step) -> None:
    rig.plant.feeder.indicator.decimal_point = int(step.values["digits"])


def _indicator_run(rig: "Stage[Any, Any]", _: Step) -> None:
    rig.plant.feeder.indicator.leave_setup()


def _indicator(name: str, value: bool) -> Deed:
    return lambda rig, _: setattr(rig.plant.feeder.indicator, name, value)


def _pulses(rig: "Stage[Any, Any]", step: Step) -> None:
    counter = rig.plant.counters[step.values["counter"]]
    counter.spoil(step.values.get("lost_share", 0.0), step.values.get("doubled_share", 0.0))


def _counter_put(rig: "Stage[Any, Any]", step: Step) -> None:
    rig.plant.counters[step.values["counter"]].put(int(step.values["count"]))


def _counter_glitch(rig: "Stage[Any, Any]", step: Step) -> None:
    rig.plant.counters[step.values["counter"]].glitch = int(step.values.get("count", 0))


def _counter_right(rig: "Stage[Any, Any]", step: Step) -> None:
    rig.plant.counters[step.values["counter"]].glitch = None


def _loop(current_ma: float | None) -> Deed:
    return lambda rig, step: setattr(rig.plant.loops[step.values["loop"]], "forced_ma", current_ma)


def _place(rig: "Stage[Any, Any]", step: Step, key: str = "register") -> Place | None:
    name = step.values.get(key)
    return None if name is None else Place.of(rig.banks[step.values["server"]].profile.registers[name])


def _force(place: Place, step: Step) -> Rule:
    pattern = step.values.get("pattern")
    return (
        rules.Force.pattern(place, int(pattern))
        if pattern is not None
        else rules.Force.number(place, float(step.values.get("raw", math.nan)))
    )


def _rule(make: Callable[[Place, Step], Rule]) -> Deed:
    """Return a deed for a rule that needs a register."""

    def do(rig: "Stage[Any, Any]", step: Step) -> None:
        place = _place(rig, step)
        if place is not None:
            rig.banks[step.values["server"]].add(make(place, step), step.do)

    return do


def _wide_rule(make: Callable[[Place | None, Step], Rule]) -> Deed:
    """Return a deed for a rule that holds for one register or for the whole device."""

    def do(rig: "Stage[Any, Any]", step: Step) -> None:
        rig.banks[step.values["server"]].add(make(_place(rig, step), step), step.do)

    return do


def _point_switch(rig: "Stage[Any, Any]", step: Step) -> None:
    value, point = _place(rig, step), _place(rig, step, "point")
    if value is not None and point is not None:
        rule = moving.PointSwitch(value, point, float(step.values["value"]))
        rig.banks[step.values["server"]].add(rule, step.do)


def _behave(rig: "Stage[Any, Any]", step: Step) -> None:
    rig.banks[step.values["server"]].behave(step.values.get("was", ""), _place(rig, step))


def fault_of(step: Step) -> Fault:
    """Return the fault that a step `fault` asks for."""
    values = {key: value for key, value in step.values.items() if key != "server"}
    for key in ("every", "size"):
        if key in values:
            values[key] = int(values[key])
    return Fault(**values)


def problems_of_step(step: Step) -> list[str]:
    """Return what is wrong with the parameters of a step beyond their types."""
    if step.do == "fault":
        return problems_of(fault_of(step))
    if step.do == "refuse" and step.values["code"] not in rules.EXCEPTIONS:
        return [f"code = {step.values['code']}: expected one of {', '.join(map(str, rules.EXCEPTIONS))}"]
    if step.do == "wrong_echo" and step.values.get("what", "address") not in ("address", "value"):
        return [f"what = {step.values['what']!r}: expected address or value"]
    return []


def _fault(rig: "Stage[Any, Any]", step: Step) -> None:
    rig.links[step.values["server"]].faults.append(fault_of(step))


def _fault_over(rig: "Stage[Any, Any]", step: Step) -> None:
    kind = step.values.get("kind")
    faults = rig.links[step.values["server"]].faults
    faults[:] = [fault for fault in faults if kind is not None and fault.kind != kind]


DEEDS: dict[str, Deed] = {
    "tare": _tare,
    "clear_tare": _clear_tare,
    "zero_shift": _zero_shift,
    "decimal_point": _decimal_point,
    "indicator_setup": _indicator("setup", True),
    "indicator_run": _indicator_run,
    "load_cell_lost": _indicator("cell_lost", True),
    "load_cell_back": _indicator("cell_lost", False),
    "heartbeat_stop": _indicator("beating", False),
    "heartbeat_go": _indicator("beating", True),
    "pulses_bad": _pulses,
    "pulses_good": _pulses,
    "counter_put": _counter_put,
    "counter_glitch": _counter_glitch,
    "counter_right": _counter_right,
    "loop_broken": _loop(BROKEN_MA),
    "loop_short": _loop(SHORT_MA),
    "loop_good": _loop(None),
    "ignore_writes": _wide_rule(lambda place, _: rules.IgnoreWrites(place)),
    "clamp_writes": _rule(lambda place, step: rules.ClampWrites(place, step.values["low"], step.values["high"])),
    "round_writes": _rule(lambda place, step: rules.RoundWrites(place, step.values["step"])),
    "late_writes": _wide_rule(lambda place, step: rules.LateWrites(place, step.values.get("seconds", 5.0))),
    "overwrite": _rule(
        lambda place, step: rules.Overwrite(place, step.values.get("seconds", 2.0), float(step.values["raw"]))
    ),
    "refuse": _wide_rule(
        lambda place, step: rules.Refuse(
            place, int(step.values["code"]), step.values.get("reads", True), step.values.get("writes", True)
        )
    ),
    "wrong_echo": _wide_rule(lambda place, step: rules.WrongEcho(place, step.values.get("what", "address"))),
    "hole": _rule(lambda place, _: rules.Hole(place)),
    "read_limit": _wide_rule(lambda _, step: rules.ReadLimit(None, int(step.values["most"]))),
    "force": _rule(_force),
    "freeze_registers": _wide_rule(lambda place, _: rules.Freeze(place)),
    "torn": _rule(
        lambda place, step: moving.Torn(
            place, int(step.values.get("first", 0xFFFE)), int(step.values.get("last", 0x10001))
        )
    ),
    "point_switch": _point_switch,
    "behave": _behave,
    "fault": _fault,
    "fault_over": _fault_over,
}
