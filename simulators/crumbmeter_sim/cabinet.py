"""What the verbs of feeder, line, links and cabinet do: the same on every plant."""

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from crumbmeter_sim.verbs import Step

if TYPE_CHECKING:
    from crumbmeter_sim.stage import Stage

Deed = Callable[["Stage[Any, Any]", Step], None]


def _bump(rig: "Stage[Any, Any]", step: Step) -> None:
    rig.plant.feeder.hopper.bump_kg = step.values["kg"]
    rig.plant.feeder.hopper.bump_s = step.values["lasts_s"]


def _leak(rig: "Stage[Any, Any]", step: Step) -> None:
    rig.plant.feeder.hopper.leak_kg_s = step.values["kg_s"]


def _clear(rig: "Stage[Any, Any]", _: Step) -> None:
    feeder = rig.plant.feeder
    feeder.supply.hung_up = feeder.auger.bridged = False
    feeder.hopper.leak_kg_s = 0.0
    rig.plant.line.clear()


def _plug_builds(rig: "Stage[Any, Any]", step: Step) -> None:
    rig.plant.line.plugs_in_s = step.values["seconds"]


def _hang_bag(rig: "Stage[Any, Any]", _: Step) -> None:
    rig.plant.feeder.supply.hang_bag()


def _local(rig: "Stage[Any, Any]", step: Step) -> None:
    rig.plant.feeder.remote = False
    rig.plant.feeder.local_speed_rev_s = step.values.get("rpm", 0.0) / 60.0


def _link(mode: str) -> "Deed":
    def do(rig: "Stage[Any, Any]", step: Step) -> None:
        rig.links[step.values["server"]].mode = mode
        rig.links[step.values["server"]].delay_s = step.values.get("delay_s", 0.0)

    return do


def _power_dip(rig: "Stage[Any, Any]", step: Step) -> None:
    """The feeder's cabinet (with the blower) loses power: nothing turns, nothing answers, nothing is remembered."""
    _power(rig, on=False)
    if step.values.get("plant", False):
        rig.stop_plant()


def _power_back(rig: "Stage[Any, Any]", step: Step) -> None:
    _power(rig, on=True, tared=step.values.get("tared", False))
    for name in rig.cabinet:
        rig.banks[name].clear()
    rig.plant.feeder.forget_beat()


def _power(rig: "Stage[Any, Any]", *, on: bool, tared: bool = False) -> None:
    plant = rig.plant
    plant.feeder.indicator.power(on=on, tared=tared)
    plant.feeder.powered = plant.feeder.hopper.powered = plant.line.powered = on
    for name in rig.cabinet:
        rig.links[name].mode = "up" if on else "dead"


def set_flag(dotted: str, value: bool) -> "Deed":
    """Return a deed that sets a flag of the plant, named by its dotted path."""
    *way, name = dotted.split(".")

    def do(rig: "Stage[Any, Any]", _: Step) -> None:
        owner: Any = rig.plant
        for part in way:
            owner = getattr(owner, part)
        setattr(owner, name, value)

    return do


CABINET: dict[str, Deed] = {
    "bump": _bump,
    "freeze_hopper": set_flag("feeder.hopper.frozen", True),
    "thaw_hopper": set_flag("feeder.hopper.frozen", False),
    "bag_hung_up": set_flag("feeder.supply.hung_up", True),
    "bridge": set_flag("feeder.auger.bridged", True),
    "leak_gate": _leak,
    "crew_away": set_flag("feeder.supply.crew_away", True),
    "crew_back": set_flag("feeder.supply.crew_away", False),
    "hang_bag": _hang_bag,
    "plug_line": set_flag("line.plugged", True),
    "plug_builds": _plug_builds,
    "hose_off": set_flag("line.hose_off", True),
    "clear": _clear,
    "feeder_fault": set_flag("feeder.fault", True),
    "feeder_fault_reset": set_flag("feeder.fault", False),
    "feeder_local": _local,
    "feeder_remote": set_flag("feeder.remote", True),
    "diverter_catch": set_flag("feeder.to_drum", False),
    "diverter_drum": set_flag("feeder.to_drum", True),
    "blower_trip": set_flag("line.powered", False),
    "blower_reset": set_flag("line.powered", True),
    "link_dead": _link("dead"),
    "link_hang": _link("hang"),
    "link_slow": _link("up"),
    "link_back": _link("up"),
    "power_dip": _power_dip,
    "power_back": _power_back,
}
