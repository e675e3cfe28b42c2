"""What each verb of a time line does to a batch plant; those of feeder, line and links are as on every plant."""

from collections.abc import Callable
from typing import TYPE_CHECKING

from crumbmeter_sim.cabinet import CABINET, set_flag
from crumbmeter_sim.mischief import DEEDS
from crumbmeter_sim.verbs import Step

if TYPE_CHECKING:
    from crumbmeter_sim.batch_rig import BatchRig


def act(rig: "BatchRig", step: Step) -> list[Step]:
    """Do one step; return the steps that follow from it."""
    if step.do == "when_rubber":
        return [_once_in(rig, step)]
    deed = DEEDS.get(step.do) or _ACTIONS[step.do]
    deed(rig, step)
    return []


def _once_in(rig: "BatchRig", step: Step) -> Step:
    """Wait until a window is open and so much rubber has come through it."""
    tower = rig.plant.tower
    now_s = rig.now_s
    if tower.wanted and tower.content and tower.content[-1].parts.rubber_kg >= step.values["kg"]:
        lasts_s = step.values.get("lasts_s")
        return Step(now_s, step.values["then"], {}, None if lasts_s is None else float(lasts_s))
    return Step(now_s + rig.step_s, step.do, step.values)


def _start(rig: "BatchRig", step: Step) -> None:
    tower = rig.plant.tower
    tower.plans.left = int(step.values.get("count", -1))
    if "batch_kg" in step.values:
        tower.plans.batch_kg = float(step.values["batch_kg"])
    if not rig.plant.emergency:
        tower.restart()


def _stop(rig: "BatchRig", _: Step) -> None:
    rig.plant.tower.plans.running = False


def _restart(rig: "BatchRig", _: Step) -> None:
    if not rig.plant.emergency:
        rig.plant.tower.restart()


def _size(rig: "BatchRig", step: Step) -> None:
    rig.plant.tower.plans.batch_kg = float(step.values["batch_kg"])


def _abort(rig: "BatchRig", _: Step) -> None:
    rig.plant.tower.abort()


def _short(rig: "BatchRig", step: Step) -> None:
    rig.plant.tower.plans.short_share = step.values["percent"] / 100.0


def _double(rig: "BatchRig", _: Step) -> None:
    rig.plant.tower.plans.double = True


def _again(rig: "BatchRig", step: Step) -> None:
    rig.plant.tower.plans.again_s = step.values["seconds"]


def _jump(rig: "BatchRig", step: Step) -> None:
    rig.plant.tower.plans.jump = int(step.values["by"])


def _mixer_stop(rig: "BatchRig", _: Step) -> None:
    rig.plant.stop()


def _recipe(rig: "BatchRig", step: Step) -> None:
    rig.plant.tower.mix = rig.plant.truth.mixes[step.values["mix"]]


def _leak(rig: "BatchRig", step: Step) -> None:
    rig.plant.vessel.leak_kg_s = step.values["kg_s"]


def _emergency(stopped: bool) -> "Action":
    def do(rig: "BatchRig", _: Step) -> None:
        rig.plant.emergency = rig.plant.feeder.emergency = stopped
        rig.plant.line.powered = not stopped
        if stopped:
            rig.plant.stop()

    return do


Action = Callable[["BatchRig", Step], None]

_ACTIONS: dict[str, Action] = {
    **CABINET,
    "batches_start": _start,
    "batches_stop": _stop,
    "batch_size": _size,
    "batch_abort": _abort,
    "batch_short": _short,
    "batch_double": _double,
    "batch_asks_again": _again,
    "batch_counter_jump": _jump,
    "mixer_stop": _mixer_stop,
    "mixer_restart": _restart,
    "recipe": _recipe,
    "restart": _restart,
    "vessel_leak": _leak,
    "freeze_vessel": set_flag("vessel.frozen", True),
    "thaw_vessel": set_flag("vessel.frozen", False),
    "emergency_stop": _emergency(True),
    "emergency_reset": _emergency(False),
}
