"""Cross checks of everything that may ever be written. Pure."""

import math

from crumbmeter.field.spec import RegisterSpec, Table
from crumbmeter.field.words import UnencodableError, decode_si, encode_si
from crumbmeter.model.outputs import OutputRole
from crumbmeter.model.units import UNITS
from crumbmeter.site.checks.ranges import check_order, from_si, holds, is_contact, to_si
from crumbmeter.site.draft import Draft
from crumbmeter.site.keys.links import OutputKeys
from crumbmeter.site.keys.site import ROLES
from crumbmeter.site.lines import KeyPath
from crumbmeter.site.problems import nearest

DIMENSIONS = {
    OutputRole.AUGER_SPEED: "rotation",
    OutputRole.FEED_RATE: "mass_flow",
    OutputRole.FEED_RUN: "contact",
    OutputRole.BLOWER_RUN: "contact",
    OutputRole.AIRLOCK_RUN: "contact",
    OutputRole.START_WARNING: "contact",
    OutputRole.HEARTBEAT: "count",
    OutputRole.PLANT_HEALTHY: "contact",
    OutputRole.RELEASE: "contact",
    OutputRole.CHARGE_READY: "contact",
    OutputRole.CHARGE_DELIVERED: "contact",
    OutputRole.REFILL: "contact",
    OutputRole.OWNER: "count",
}
"""What each role is measured in."""
NEEDED = (OutputRole.FEED_RUN, OutputRole.HEARTBEAT)
"""Outputs without which control is not allowed, beside the setpoint of the mode."""
COUNTING = (OutputRole.HEARTBEAT.value, OutputRole.OWNER.value)
HEARTBEAT_HIGH = 65535
"""[count] The heartbeat is a 16-bit counter; clamped lower, it would stand still at the end of each turn."""
SETPOINTS = {"speed": OutputRole.AUGER_SPEED, "rate": OutputRole.FEED_RATE}


def check_outputs(draft: Draft) -> None:
    """Check each output, and all of them against each other and the feeder."""
    seen: dict[tuple[str, str, int], str] = {}
    for role, output in draft.sound("outputs"):
        register = draft.register(output.register_)
        if register is None or role not in ROLES:
            continue
        _writable(draft, role, output)
        _function(draft, role, output, register)
        _overlap(draft, role, output, register, seen)
        if _dimension(draft, role, register):
            _limits(draft, role, output, register)
        _confirm(draft, role, output)
        _storage(draft, role, output)
    _needed(draft)
    _span(draft)


def _writable(draft: Draft, role: str, output: OutputKeys) -> None:
    device, _, name = output.register_.partition(".")
    profile = draft.profile_of(device)
    if profile is not None and name not in profile.writable:
        expected = f"{profile.name} does not declare {name} writable"
        draft.say("output-not-writable", ("outputs", role, "register"), expected)


def _function(draft: Draft, role: str, output: OutputKeys, register: RegisterSpec) -> None:
    """Check that the function named can write the register."""
    if register.table is Table.NODE:
        if output.write_function is not None:
            expected = "is of Modbus, and the device speaks OPC UA"
            draft.say("not-for-kind", ("outputs", role, "write_function"), expected, remedy="Take it out.")
        return
    fits = {(True, False): (5, 15), (True, True): (15,), (False, False): (6, 16, 22, 23), (False, True): (16, 23)}
    allowed = fits[register.table.of_bits, register.count > 1]
    if output.write_function is not None and output.write_function not in allowed:
        words = " or ".join(str(code) for code in allowed)
        draft.say("write-function", ("outputs", role, "write_function"), f"cannot write this register; {words} can")


def _overlap(
    draft: Draft, role: str, output: OutputKeys, register: RegisterSpec, seen: dict[tuple[str, str, int], str]
) -> None:
    device = output.register_.split(".")[0]
    others = []
    for address in range(register.address, register.address + register.count):
        other = seen.setdefault((device, register.table.value, address), role)
        if other != role:
            others.append(other)
    if others:
        expected = f"shares an address with the output {others[0]}"
        draft.say("outputs-overlap", ("outputs", role, "register"), expected)


def _dimension(draft: Draft, role: str, register: RegisterSpec) -> bool:
    wanted, found = DIMENSIONS[OutputRole(role)], UNITS[register.unit].dimension
    if wanted != found:
        words = f"{role} is a {wanted.replace('_', ' ')}, but the register is a {found.replace('_', ' ')}"
        draft.say("wrong-dimension", ("outputs", role, "register"), f"{words} ({register.unit})")
    return wanted == found


def _limits(draft: Draft, role: str, output: OutputKeys, register: RegisterSpec) -> None:
    path = ("outputs", role)
    if is_contact(register):
        _contact_limits(draft, path, output)
        _codec(draft, role, register, (0.0, 1.0))
        return
    for key in ("low", "high"):
        if getattr(output, key) is None:
            remedy = f"Add {key} to [outputs.{role}], in {register.unit}."
            draft.say("missing-key", (*path, key), "is missing: a limit of what is ever written", remedy=remedy)
    if output.low is None or output.high is None:
        return
    check_order(draft, path, output, "low", "high")
    if output.low != 0.0:
        draft.say("output-needs-zero", (*path, "low"), "must be 0: a stop writes 0")
    if role in COUNTING and output.high < HEARTBEAT_HIGH:
        expected = f"must be {HEARTBEAT_HIGH}: the {role} counts so far"
        draft.say("output-too-narrow", (*path, "high"), expected, remedy=f"Set high = {HEARTBEAT_HIGH}.")
    counts = (output.high - output.low) / abs(register.scale)
    if output.deadband_counts and output.deadband_counts >= counts:
        draft.say("low-high", (*path, "deadband_counts"), f"must be below the {counts:g} counts from low to high")
    if _encodable(draft, path, output, register):
        _codec(draft, role, register, (output.low, 0.5 * (output.low + output.high), output.high))


def _contact_limits(draft: Draft, path: KeyPath, output: OutputKeys) -> None:
    for key in ("low", "high", "deadband_counts"):
        if key in output.model_fields_set:
            expected = "a contact is open or closed, without limits and deadband"
            draft.say("not-for-kind", (*path, key), expected, remedy="Take it out.")


def _encodable(draft: Draft, path: KeyPath, output: OutputKeys, register: RegisterSpec) -> bool:
    """Check that the register holds both limits (REQ-31)."""
    lowest, highest = holds(register)
    beyond = [
        key
        for key, value in (("low", output.low), ("high", output.high))
        if value is not None and not lowest <= value <= highest
    ]
    for key in beyond:
        draft.say("unencodable", (*path, key), f"the register holds {lowest:g} to {highest:g} {register.unit}")
    return not beyond


def _codec(draft: Draft, role: str, register: RegisterSpec, values: tuple[float, ...]) -> None:
    """Encode and decode the limits and the middle (REQ-13)."""
    step = 0.0 if register.word_type.of_floats else abs(register.scale)
    for value in values:
        path = ("outputs", role, "register")
        try:
            back_si, reason = decode_si(register, encode_si(register, to_si(register, value)))
        except UnencodableError as error:
            draft.say("unencodable", path, f"cannot hold {value:g} {register.unit}: {error}")
            return
        tolerance = 0.5 * step * (1 + 1e-9) + 1e-6 * abs(value)
        if back_si is None or not math.isclose(from_si(register, back_si), value, rel_tol=0.0, abs_tol=tolerance):
            back = reason.value if back_si is None else f"{from_si(register, back_si):g}"
            draft.say("codec-differs", path, f"{value:g} {register.unit} is read back as {back}")
            return


def _confirm(draft: Draft, role: str, output: OutputKeys) -> None:
    scan_s = draft.site.scan_period_s if draft.site else 0.0
    device = output.register_.split(".")[0]
    read_back_s = _read_back_s(draft, device)
    slowest_s = max(scan_s, read_back_s)
    # After a doubt the read-back may be withheld for so long: that alone must not fail the output.
    keys = draft.devices.get(device)
    held_up_s = read_back_s + (keys.worst_response_s or 2.0 * keys.timeout_s if keys else 0.0)
    if output.confirm_within_s <= slowest_s:
        expected = f"must be longer than the scan and the read-back ({slowest_s:g} s)"
        draft.say("period-order", ("outputs", role, "confirm_within_s"), expected)
    elif output.confirm_within_s <= held_up_s:
        expected = f"must be longer than the read-back after the worst response of {device} ({held_up_s:g} s)"
        draft.say("period-order", ("outputs", role, "confirm_within_s"), expected)
    if output.min_interval_s >= output.confirm_within_s:
        expected = f"must be shorter than confirm_within_s = {output.confirm_within_s:g}"
        draft.say("period-order", ("outputs", role, "min_interval_s"), expected)


def _storage(draft: Draft, role: str, output: OutputKeys) -> None:
    """Check that nothing is written for ever into memory that wears out (REQ-26)."""
    path = ("outputs", role)
    if output.storage == "volatile":
        for key in ("max_per_hour", "max_per_day", "endurance_writes"):
            if getattr(output, key) is not None:
                expected = "volatile memory does not wear out and needs no limit"
                draft.say("not-for-kind", (*path, key), expected, remedy="Take it out, or correct storage.")
    elif role == OutputRole.HEARTBEAT.value:
        found = output.storage if "storage" in output.model_fields_set else "nothing said"
        draft.say("heartbeat-wears", (*path, "storage"), "must be volatile: it is written all the time", found=found)
    elif role in (OutputRole.AUGER_SPEED.value, OutputRole.FEED_RATE.value):
        found = output.storage if "storage" in output.model_fields_set else "nothing said"
        draft.say("setpoint-wears", (*path, "storage"), "is not volatile: its writes are limited", found=found)


def _read_back_s(draft: Draft, device: str) -> float:
    """[s] Return how often outputs of a device are read back: as often as its fastest signal (field/plan.py)."""
    keys = draft.devices.get(device)
    if keys is None:
        return 0.0
    periods = [
        signal.period_s or keys.poll_period_s
        for _, signal in draft.sound("signals")
        if signal.source.split(".")[0] == device
    ]
    return min(periods, default=0.0)


def _needed(draft: Draft) -> None:
    """Check what control needs: the setpoint of its mode, the run command, the heartbeat, and proofs."""
    mode = draft.feeder.mode if draft.feeder else None
    if mode is not None:
        other = SETPOINTS["rate" if mode == "speed" else "speed"]
        if other.value in draft.raw("outputs"):
            expected = f'is never written in feeder.mode = "{mode}"'
            draft.say("output-unused", ("outputs", other.value), expected)
    if draft.control is None or not draft.control.allowed:
        return
    path = ("control", "allowed")
    setpoint = (SETPOINTS[mode],) if mode else ()
    mistyped = {nearest(role, ROLES) for role in draft.raw("outputs") if role not in ROLES}
    for role in (*setpoint, *NEEDED):
        if role.value not in draft.raw("outputs") and role.value not in mistyped:
            remedy = f"Add [outputs.{role.value}], or set control.allowed = false."
            draft.say("output-missing", path, f"needs the output {role.value}", remedy=remedy)
    proofs = [("line", "blower_running"), ("feeder", "remote")]
    if OutputRole.AIRLOCK_RUN.value in draft.raw("outputs"):
        proofs.append(("feeder", "airlock_running"))
    for section, key in proofs:
        if getattr(draft, section) is not None and getattr(getattr(draft, section), key) is None:
            remedy = f"Name the contact in {section}.{key}, or set control.allowed = false."
            draft.say("control-unproven", path, f"needs the contact {section}.{key}", remedy=remedy)


def _span(draft: Draft) -> None:
    """Check that the setpoint's register reaches as far as the feeder is meant to."""
    feeder = draft.feeder
    output = draft.outputs.get(SETPOINTS[feeder.mode].value) if feeder else None
    register = draft.register(output.register_) if output else None
    if feeder is None or output is None or output.high is None or register is None:
        return
    wanted_si = feeder.max_speed_rpm / 60.0 if feeder.mode == "speed" else feeder.si_or_none("max_rate")
    wanted_dimension = "rotation" if feeder.mode == "speed" else "mass_flow"
    if wanted_si is None or UNITS[register.unit].dimension != wanted_dimension:
        return
    wanted = from_si(register, wanted_si)
    if output.high < wanted * (1 - 1e-9):
        key = "max_speed_rpm" if feeder.mode == "speed" else "max_rate"
        expected = f"is below feeder.{key} = {wanted:g} {register.unit}"
        draft.say("output-too-narrow", ("outputs", SETPOINTS[feeder.mode].value, "high"), expected)
