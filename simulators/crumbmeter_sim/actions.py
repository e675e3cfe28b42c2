"""What each verb of a time line does to the plant and its links."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from crumbmeter_sim.belt import Belt
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


def _drum_stop(rig: "Rig", step: Step) -> None:
    _belts_stop(rig, step)
    rig.plant.drum.running = False


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
    def do(rig: "Rig", step: Step) -> None:
        rig.plant.emergency = rig.plant.feeder.emergency = stopped
        rig.plant.line.powered = not stopped
        if stopped:
            _drum_stop(rig, step)

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


def _bump(rig: "Rig", step: Step) -> None:
    rig.plant.feeder.hopper.bump_kg = step.values["kg"]
    rig.plant.feeder.hopper.bump_s = step.values["lasts_s"]


def _leak(rig: "Rig", step: Step) -> None:
    rig.plant.feeder.hopper.leak_kg_s = step.values["kg_s"]


def _clear(rig: "Rig", _: Step) -> None:
    feeder = rig.plant.feeder
    feeder.supply.hung_up = feeder.auger.bridged = False
    feeder.hopper.leak_kg_s = 0.0
    rig.plant.line.clear()


def _plug_builds(rig: "Rig", step: Step) -> None:
    rig.plant.line.plugs_in_s = step.values["seconds"]


def _hang_bag(rig: "Rig", _: Step) -> None:
    rig.plant.feeder.supply.hang_bag()


def _local(rig: "Rig", step: Step) -> None:
    rig.plant.feeder.remote = False
    rig.plant.feeder.local_speed_rev_s = step.values.get("rpm", 0.0) / 60.0


def _link(mode: str) -> "Action":
    def do(rig: "Rig", step: Step) -> None:
        rig.links[step.values["server"]].mode = mode
        rig.links[step.values["server"]].delay_s = step.values.get("delay_s", 0.0)

    return do


def _power_dip(rig: "Rig", step: Step) -> None:
    """The feeder's cabinet (with the blower) loses power: nothing turns, nothing answers, nothing is remembered."""
    _power(rig, on=False)
    if step.values.get("plant", False):
        _drum_stop(rig, step)


def _power_back(rig: "Rig", step: Step) -> None:
    _power(rig, on=True, tared=step.values.get("tared", False))
    for name in rig.cabinet:
        rig.banks[name].clear()
    rig.plant.feeder.forget_beat()


def _power(rig: "Rig", *, on: bool, tared: bool = False) -> None:
    plant = rig.plant
    plant.feeder.indicator.power(on=on, tared=tared)
    plant.feeder.powered = plant.feeder.hopper.powered = plant.line.powered = on
    for name in rig.cabinet:
        rig.links[name].mode = "up" if on else "dead"


def _set(dotted: str, value: bool) -> "Action":
    *way, name = dotted.split(".")

    def do(rig: "Rig", _: Step) -> None:
        owner: Any = rig.plant
        for part in way:
            owner = getattr(owner, part)
        setattr(owner, name, value)

    return do


Action = Callable[["Rig", Step], list[Step] | None]

_ACTIONS: dict[str, Action] = {
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
    "freeze_binder": _set("binder.frozen", True),
    "thaw_binder": _set("binder.frozen", False),
    "zero_drift": _zero_drift,
    "bump": _bump,
    "freeze_hopper": _set("feeder.hopper.frozen", True),
    "thaw_hopper": _set("feeder.hopper.frozen", False),
    "bag_hung_up": _set("feeder.supply.hung_up", True),
    "bridge": _set("feeder.auger.bridged", True),
    "leak_gate": _leak,
    "crew_away": _set("feeder.supply.crew_away", True),
    "crew_back": _set("feeder.supply.crew_away", False),
    "hang_bag": _hang_bag,
    "plug_line": _set("line.plugged", True),
    "plug_builds": _plug_builds,
    "hose_off": _set("line.hose_off", True),
    "clear": _clear,
    "feeder_fault": _set("feeder.fault", True),
    "feeder_fault_reset": _set("feeder.fault", False),
    "feeder_local": _local,
    "feeder_remote": _set("feeder.remote", True),
    "diverter_catch": _set("feeder.to_drum", False),
    "diverter_drum": _set("feeder.to_drum", True),
    "blower_trip": _set("line.powered", False),
    "blower_reset": _set("line.powered", True),
    "link_dead": _link("dead"),
    "link_hang": _link("hang"),
    "link_slow": _link("up"),
    "link_back": _link("up"),
    "power_dip": _power_dip,
    "power_back": _power_back,
}
