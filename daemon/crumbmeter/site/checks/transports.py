"""Cross checks of how devices are reached: the keys of their transport, one framing a connection. Pure."""

from crumbmeter.site.draft import Draft
from crumbmeter.site.keys.links import DeviceKeys

_SERIAL = ("serial_port", "baud", "parity", "stop_bits")
_NETWORK = ("host", "port")
_OUT = "Take it out, or correct transport."
_UNSTABLE = ("/dev/ttyUSB", "/dev/ttyACM")


def endpoint_of(device: DeviceKeys) -> str:
    """Return what makes two devices share a connection."""
    if device.transport == "rtu":
        return device.serial_port or ""
    return f"{(device.host or '').lower()}:{device.port}"


def check_transports(draft: Draft) -> None:
    """Check that each device has the keys of its transport, and that those of one connection agree."""
    first: dict[str, tuple[str, DeviceKeys]] = {}
    for name, device in draft.sound("devices"):
        _keys(draft, name, device)
        path = ("devices", name)
        if device.transport != "tcp" and device.unit_id == 0:
            draft.say("broadcast-unit", (*path, "unit_id"), "is the broadcast of a serial bus, which nobody answers")
        if device.serial_port is not None and device.serial_port.startswith(_UNSTABLE):
            expected = "is numbered anew whenever adapters are plugged in"
            draft.say("port-by-number", (*path, "serial_port"), expected)
        other, chosen = first.setdefault(endpoint_of(device), (name, device))
        if chosen.transport != device.transport:
            expected = f"but the device {other} on the same connection is {chosen.transport}"
            draft.say("transport-mixed", (*path, "transport"), expected)
        elif device.transport == "rtu":
            _same_line(draft, name, device, other, chosen)


def _keys(draft: Draft, name: str, device: DeviceKeys) -> None:
    on_line = device.transport == "rtu"
    for key in _NETWORK if not on_line else ("serial_port",):
        if getattr(device, key) is None:
            remedy = f"Add {key} to [devices.{name}]."
            draft.say(
                "missing-key", ("devices", name, key), f"is missing for transport {device.transport}", remedy=remedy
            )
    for key in _NETWORK if on_line else _SERIAL:
        if getattr(device, key) is not None:
            expected = f"is not for transport {device.transport}"
            draft.say("not-for-kind", ("devices", name, key), expected, remedy=_OUT)
    if device.close_after_each and device.transport != "tcp":
        expected = f"is not for transport {device.transport}"
        draft.say("not-for-kind", ("devices", name, "close_after_each"), expected, remedy=_OUT)


def _same_line(draft: Draft, name: str, device: DeviceKeys, other: str, chosen: DeviceKeys) -> None:
    for key in ("baud", "parity", "stop_bits"):
        if getattr(device, key) != getattr(chosen, key):
            expected = f"is not that of the device {other} on the same port"
            draft.say("transport-mixed", ("devices", name, key), expected)
