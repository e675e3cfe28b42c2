"""Cross checks of how devices are reached: the keys of their transport, one framing a connection. Pure."""

from crumbmeter.site.checks.security import check_security
from crumbmeter.site.draft import Draft
from crumbmeter.site.keys.links import DeviceKeys

_SERIAL = ("serial_port", "baud", "parity", "stop_bits")
_NETWORK = ("host", "port")
_MODBUS = (*_SERIAL, "transport", "unit_id", "worst_response_s", "idle_timeout_s", "close_after_each")
_OPCUA = ("path", "security")
_OUT = "Take it out, or correct transport."
_UNSTABLE = ("/dev/ttyUSB", "/dev/ttyACM")


def speaks_opcua(draft: Draft, name: str) -> bool:
    """Tell whether a device speaks OPC UA, by its profile."""
    profile = draft.profile_of(name)
    return profile is not None and profile.of_nodes


def endpoint_of(device: DeviceKeys, *, opcua: bool = False) -> str:
    """Return what makes two devices share a connection."""
    if device.transport == "rtu" and not opcua:
        return device.serial_port or ""
    host = f"{(device.host or '').lower()}:{device.port}"
    return f"opc.tcp://{host}/{device.path.lstrip('/')}" if opcua else host


def check_transports(draft: Draft) -> None:
    """Check that each device has the keys of its transport, and that those of one connection agree."""
    first: dict[str, tuple[str, DeviceKeys]] = {}
    for name, device in draft.sound("devices"):
        opcua = speaks_opcua(draft, name)
        other, chosen = first.setdefault(endpoint_of(device, opcua=opcua), (name, device))
        if opcua:
            _opcua_keys(draft, name, device)
            if chosen.security != device.security:
                expected = f"is not that of the device {other} on the same server"
                draft.say("transport-mixed", ("devices", name, "security"), expected)
            continue
        _keys(draft, name, device)
        path = ("devices", name)
        if device.transport != "tcp" and device.unit_id == 0:
            draft.say("broadcast-unit", (*path, "unit_id"), "is the broadcast of a serial bus, which nobody answers")
        if device.serial_port is not None and device.serial_port.startswith(_UNSTABLE):
            expected = "is numbered anew whenever adapters are plugged in"
            draft.say("port-by-number", (*path, "serial_port"), expected)
        if chosen.transport != device.transport:
            expected = f"but the device {other} on the same connection is {chosen.transport}"
            draft.say("transport-mixed", (*path, "transport"), expected)
        elif device.transport == "rtu":
            _same_line(draft, name, device, other, chosen)


def _opcua_keys(draft: Draft, name: str, device: DeviceKeys) -> None:
    for key in _NETWORK:
        if getattr(device, key) is None:
            _missing(draft, name, key, "is missing for OPC UA")
    for key in _MODBUS:
        if key in device.model_fields_set:
            expected = "is of Modbus, and the profile says opcua"
            draft.say("not-for-kind", ("devices", name, key), expected, remedy="Take it out, or correct profile.")
    if device.security is not None:
        check_security(draft, ("devices", name, "security"), device.security)


def _missing(draft: Draft, name: str, key: str, expected: str) -> None:
    draft.say("missing-key", ("devices", name, key), expected, remedy=f"Add {key} to [devices.{name}].")


def _keys(draft: Draft, name: str, device: DeviceKeys) -> None:
    on_line = device.transport == "rtu"
    for key in _NETWORK if not on_line else ("serial_port",):
        if getattr(device, key) is None:
            _missing(draft, name, key, f"is missing for transport {device.transport}")
    profile = draft.profile_of(name)
    if device.unit_id is None and profile is not None and profile.doc is not None:
        _missing(draft, name, "unit_id", "is missing")
    for key in _NETWORK if on_line else _SERIAL:
        if getattr(device, key) is not None:
            expected = f"is not for transport {device.transport}"
            draft.say("not-for-kind", ("devices", name, key), expected, remedy=_OUT)
    for key in _OPCUA:
        if key in device.model_fields_set:
            expected = "is of OPC UA, and the profile says modbus"
            draft.say("not-for-kind", ("devices", name, key), expected, remedy="Take it out, or correct profile.")
    if device.close_after_each and device.transport != "tcp":
        expected = f"is not for transport {device.transport}"
        draft.say("not-for-kind", ("devices", name, "close_after_each"), expected, remedy=_OUT)


def _same_line(draft: Draft, name: str, device: DeviceKeys, other: str, chosen: DeviceKeys) -> None:
    for key in ("baud", "parity", "stop_bits"):
        if getattr(device, key) != getattr(chosen, key):
            expected = f"is not that of the device {other} on the same port"
            draft.say("transport-mixed", ("devices", name, key), expected)
