"""What each verb of a time line does to the plant and its links."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from crumbmeter_sim.belt import Belt
from crumbmeter_sim.cabinet import CABINET, set_flag
from crumbmeter_sim.faults.kinds import Fault
from crumbmeter_sim.mischief import DEEDS
from crumbmeter_sim.units import to_si
from crumbmeter_sim.upsets import UPSETS
from crumbmeter_sim.verbs import Step

if TYPE_CHECKING:
    from crumbmeter_sim.rig import Rig


@dataclass(slots=True)
class Link:
    """How a device's Modbus endpoint behaves at present."""

    mode: str = "up"
    """up, dead (port closed), hang (takes requests, never answers)"""
    delay_s: float = 0.0
    """[s] Real time added to each answer."""
    faults: list[Fault] = field(default_factory=list)
    """What strikes its frames on the wire, where a fault proxy stands before it."""


def act(rig: "Rig", step: Step) -> list[Step]:
    """Do one step; return the steps that follow from it."""
    deed = DEEDS.get(step.do) or UPSETS.get(step.do)
    if deed is not None:
        deed(rig, step)
        return []
    return _ACTIONS[step.do](rig, step) or []


def _belt(rig: "Rig", step: Step) -> Belt:
    name = step.values["belt"]
    for belt in rig.plant.belts:
        if belt.name == name:
            return belt
    raise KeyError(f"no belt named {name!r} (have: {', '.join(b.name for b in rig.plant.belts)})")


def _plant_start(rig: "Rig", step: Step) -> list[Step]:
    if "mix_short_ton_h" in step.values:
        rig.plant.rate_kg_s = to_si("short_ton/h", step.values["mix_short_ton_h"])
    rig.plant.gates_open = True
    return _restart(rig, step)


def _restart(rig: "Rig", step: Step) -> list[Step]:
    if rig.plant.emergency:
        return []
    rig.plant.drum.running = True
    return [Step(step.t_s + rig.plant.truth.nominal.belts_after_drum_s, "belts_start")]


def _belts_start(rig: "Rig", _: Step) -> None:
    """Start the belts behind a drum that turns; whether material comes is the gates' business."""
    plant = rig.plant
    if plant.drum.running and not plant.emergency:
        plant.set_targets()
        for belt in plant.belts:
            belt.running = True


def _gates_start(rig: "Rig", _: Step) -> None:
    rig.plant.gates_open = True
    rig.plant.set_targets()


def _gates_stop(rig: "Rig", _: Step) -> None:
    rig.plant.gates_open = False
    rig.plant.set_targets()


def _belts_stop(rig: "Rig", _: Step) -> None:
    for belt in rig.plant.belts:
        belt.running = False


def drum_stop(rig: "Rig") -> None:
    """Stop belts and drum."""
    for belt in rig.plant.belts:
        belt.running = False
    rig.plant.drum.running = False


def _drum_stop(rig: "Rig", _: Step) -> None:
    drum_stop(rig)


def _plant_stop(rig: "Rig", step: Step) -> list[Step]:
    _gates_stop(rig, step)
    return [Step(step.t_s + float(step.values.get("run_out_s", 300.0)), "drum_stop")]


def _plant_rate(rig: "Rig", step: Step) -> None:
    rig.plant.rate_kg_s = to_si("short_ton/h", step.values["mix_short_ton_h"])
    rig.plant.set_targets()


def _recycle_share(rig: "Rig", step: Step) -> None:
    rig.plant.recycle_share = step.values["percent"] / 100.0
    rig.plant.set_targets()


def _recipe(rig: "Rig", step: Step) -> None:
    rig.plant.set_mix(rig.plant.truth.mixes[step.values["mix"]])


def _emergency(stopped: bool) -> "Action":
    def do(rig: "Rig", _: Step) -> None:
        rig.plant.emergency = rig.plant.feeder.emergency = stopped
        rig.plant.line.powered = not stopped
        if stopped:
            drum_stop(rig)

    return do


def _wet_pile(rig: "Rig", step: Step) -> None:
    _belt(rig, step).moisture = step.values["percent"] / 100.0


def _dry_pile(rig: "Rig", step: Step) -> None:
    belt = _belt(rig, step)
    belt.moisture = belt.truth.moisture_percent / 100.0


def _freeze(frozen: bool) -> "Action":
    def do(rig: "Rig", step: Step) -> None:
        _belt(rig, step).frozen = frozen

    return do


def _zero_drift(rig: "Rig", step: Step) -> None:
    _belt(rig, step).zero_kg_m = step.values["kg_m"]


Action = Callable[["Rig", Step], list[Step] | None]

_ACTIONS: dict[str, Action] = {
    **CABINET,
    "plant_start": _plant_start,
    "plant_rate": _plant_rate,
    "recycle_share": _recycle_share,
    "recipe": _recipe,
    "gates_stop": _gates_stop,
    "gates_start": _gates_start,
    "belts_stop": _belts_stop,
    "belts_start": _belts_start,
    "drum_stop": _drum_stop,
    "silo_full": _drum_stop,
    "plant_stop": _plant_stop,
    "restart": _restart,
    "emergency_stop": _emergency(True),
    "emergency_reset": _emergency(False),
    "wet_pile": _wet_pile,
    "dry_pile": _dry_pile,
    "freeze_scale": _freeze(True),
    "thaw_scale": _freeze(False),
    "freeze_binder": set_flag("binder.frozen", True),
    "thaw_binder": set_flag("binder.frozen", False),
    "zero_drift": _zero_drift,
}
