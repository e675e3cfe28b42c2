"""A device put into the text of a site file: its table, its signals, where each is looked at, and what may be written.

A register that is named like something control looks at is wired to it; the range of a measured value is never guessed.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from crumbmeter.site.editing import EditRefusedError, Path, Value, with_table, with_values
from crumbmeter.site.keys.site import ROLES
from crumbmeter.site.placeholders import MARK
from crumbmeter.site.problems import have, nearest


@dataclass(frozen=True, slots=True)
class Place:
    """What one signal is for."""

    key: Path
    """Key of the site file that names it; empty: none does, it is shown and recorded."""
    max_age_s: float


_BELT, _RAP = ("streams", "aggregate"), ("streams", "rap")
PLACES: Final[Mapping[str, Place]] = {
    "aggregate_flow": Place((*_BELT, "rate"), 1.5),
    "aggregate_belt_speed": Place((*_BELT, "travel", "belt_speed"), 2.0),
    "aggregate_belt_running": Place((*_BELT, "travel", "belt_running"), 1.0),
    "recycle_flow": Place((*_RAP, "rate"), 1.5),
    "recycle_belt_speed": Place((*_RAP, "travel", "belt_speed"), 2.0),
    "recycle_belt_running": Place((*_RAP, "travel", "belt_running"), 1.0),
    "binder_flow": Place(("streams", "binder", "rate"), 1.5),
    "drum_turning": Place(("drum", "turning"), 1.0),
    "drum_speed": Place(("drum", "speed"), 2.0),
    "discharge_current": Place(("drum", "discharge_current"), 3.0),
    "discharge_temperature": Place(("drum", "discharge_temperature"), 5.0),
    "emergency_stop_ok": Place(("plant", "emergency_stop_ok"), 1.0),
    "recipe": Place(("plant", "recipe"), 5.0),
    "line_pressure": Place(("line", "pressure"), 1.0),
    "blower_running": Place(("line", "blower_running"), 1.0),
    "flow_switch": Place(("line", "flow_switch"), 1.0),
    "hopper_mass": Place(("feeder", "hopper_mass"), 1.0),
    "supply_mass": Place(("feeder", "supply_mass"), 5.0),
    "auger_speed": Place(("feeder", "auger_speed"), 1.0),
    "feed_rate": Place(("feeder", "feed_rate"), 5.0),
    "feeder_remote": Place(("feeder", "remote"), 1.0),
    "refilling": Place(("feeder", "refilling"), 1.0),
    "airlock_running": Place(("feeder", "airlock_running"), 1.0),
    "diverter_to_drum": Place(("feeder", "diverter_to_drum"), 1.0),
    "feeder_fault": Place(("feeder", "fault"), 1.0),
    "supply_low": Place(("feeder", "supply_low"), 5.0),
    "rubber_wanted": Place(("batch", "rubber_wanted"), 1.0),
    "weighed": Place(("batch", "weighed"), 1.0),
    "mixer_running": Place(("batch", "mixer_running"), 1.0),
    "discharging": Place(("batch", "discharging"), 1.0),
    "aborted": Place(("batch", "aborted"), 1.0),
    "batch_counter": Place(("batch", "counter"), 1.0),
    "vessel_mass": Place(("batch", "vessel_mass"), 1.0),
    "aggregate_mass": Place(("ingredients", "aggregate", "mass"), 1.5),
    "aggregate_announced": Place(("ingredients", "aggregate", "announced"), 2.0),
    "recycle_mass": Place(("ingredients", "rap", "mass"), 1.5),
    "recycle_announced": Place(("ingredients", "rap", "announced"), 2.0),
    "binder_mass": Place(("ingredients", "binder", "mass"), 1.5),
    "binder_announced": Place(("ingredients", "binder", "announced"), 2.0),
}
"""By the signal's name. A signal of another name is shown and recorded, and nothing looks at it."""
OTHER: Final = Place((), 5.0)
MORE: Final[Mapping[str, Mapping[str, Value]]] = {
    "auger_speed": {"deadband_counts": 2},
    "heartbeat": {"min_interval_s": 0.4},
}
"""What an output has beside its register, by role."""
CONFIRM_S: Final = 1.5


@dataclass(frozen=True, slots=True)
class Wire:
    """One register under the name that the site gives it."""

    name: str
    register: str
    ends: tuple[str, ...] = ()
    """Lowest and highest value, as typed, in the register's unit."""


def wire(typed: str) -> Wire:
    """Understand `NAME=REGISTER`, `NAME=REGISTER:LOW:HIGH`, or `NAME` for a register of the same name.

    Raises:
        EditRefusedError: it is none of these.
    """
    name, _, rest = typed.partition("=")
    register, *ends = (rest or name).split(":")
    name = name.split(":")[0]
    if not name or not register or len(ends) not in (0, 2):
        raise EditRefusedError(f"{typed}: is not NAME=REGISTER or NAME=REGISTER:LOW:HIGH")
    return Wire(name, register, tuple(ends))


def by_name(registers: Mapping[str, Any], site: Mapping[str, Any], taken: Sequence[Wire]) -> list[Wire]:
    """Return the registers that are named like something this site looks at, and are not taken yet."""
    used = {one.register for one in taken} | {one.name for one in taken}
    return [
        Wire(name, name)
        for name, place in PLACES.items()
        if name in registers and name not in used and _is_there(site, place.key[:-1])
    ]


def _is_there(site: Any, path: Path) -> bool:
    for part in path:
        if not isinstance(site, dict) or part not in site:
            return False
        site = site[part]
    return True


def with_device(
    text: str,
    name: str,
    table: Mapping[str, Value],
    profile: Mapping[str, Any],
    signals: Sequence[Wire],
    writes: Sequence[Wire],
    storage: str,
) -> str:
    """Return the text of a site file with a device in it.

    Args:
        text: Of the site file.
        name: Of the device.
        table: Its keys.
        profile: The values of its profile's file.
        signals: Registers that are read.
        writes: Registers that may be written, by role.
        storage: Where the device keeps what is written; empty: still to be filled in.

    Raises:
        EditRefusedError: something of it stands in the file already, or the profile or the site lacks what is named.
    """
    registers = profile.get("registers") or {}
    text = with_table(text, ("devices", name), table)
    named: dict[Path, Value] = {}
    for one in signals:
        unit = _unit_of(registers, one)
        place = PLACES.get(one.name, OTHER)
        values: dict[str, Value] = {"source": f"{name}.{one.register}", **_ends(one, unit)}
        values["max_age_s"] = place.max_age_s
        text = with_table(text, ("signals", one.name), values)
        if place.key:
            named[place.key] = one.name
    for one in writes:
        if one.name not in ROLES:
            close = nearest(one.name, ROLES)
            hint = f"did you mean {close}?" if close else have(ROLES)
            raise EditRefusedError(f"{one.name}: no such output; {hint}")
        unit = _unit_of(registers, one)
        kept = storage or f"{MARK}: volatile or durable, by the device's manual"
        values = {"register": f"{name}.{one.register}", "storage": kept} | _ends(one, unit)
        values |= {"confirm_within_s": CONFIRM_S, **MORE.get(one.name, {})}
        text = with_table(text, ("outputs", one.name), values)
    return with_values(text, named)


def _unit_of(registers: Mapping[str, Any], one: Wire) -> str:
    if one.register not in registers:
        close = nearest(one.register, registers)
        hint = f"did you mean {close}?" if close else have(registers)
        raise EditRefusedError(f"{one.name}={one.register}: the profile has no such register; {hint}")
    return str(registers[one.register].get("unit", ""))


def _ends(one: Wire, unit: str) -> dict[str, Value]:
    """Return the range of a value; a contact has none."""
    if unit == "contact":
        return {}
    if not one.ends:
        return {"low": f"{MARK}: lowest possible value, {unit}", "high": f"{MARK}: highest possible value, {unit}"}
    try:
        low, high = (float(end) for end in one.ends)
    except ValueError:
        raise EditRefusedError(f"{one.name}: {':'.join(one.ends)} is not LOW:HIGH in numbers") from None
    return {"low": low, "high": high}
