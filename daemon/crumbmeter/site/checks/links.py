"""Cross checks of devices, signals and what is published. Pure."""

from ipaddress import ip_address
from pathlib import Path

from crumbmeter.field.spec import RegisterSpec, WordType
from crumbmeter.model.units import UNITS
from crumbmeter.site.checks.ranges import check_order, holds, is_contact
from crumbmeter.site.checks.transports import check_transports, endpoint_of, speaks_opcua
from crumbmeter.site.draft import Draft
from crumbmeter.site.keys.links import DeviceKeys, MqttKeys, SignalKeys
from crumbmeter.site.keys.pulses import shown_register

LOOPBACK = ("127.0.0.1", "localhost", "::1")


def check_links(draft: Draft) -> None:
    """Check devices and signals against each other."""
    check_transports(draft)
    _devices(draft)
    seen: dict[tuple[str, RegisterSpec], str] = {}
    words: dict[tuple[str, str, int], str] = {}
    for name, signal in draft.sound("signals"):
        register = draft.register(signal.source)
        if register is not None and register.word_type is WordType.TEXT:
            draft.say("text-signal", ("signals", name, "source"), f"{signal.source} is a text")
        elif register is not None:
            where = (signal.source.split(".")[0], _place(register))
            if where in seen:
                remedy = f"Point one of them elsewhere, or use {seen[where]} in both places."
                expected = f"is already read by the signal {seen[where]}"
                draft.say("signal-twice", ("signals", name, "source"), expected, remedy=remedy)
            else:
                _shared_words(draft, name, signal.source, register, words)
            seen.setdefault(where, name)
            _limits(draft, name, signal, shown_register(signal, register))
        if signal.uncertain_for_control and not speaks_opcua(draft, signal.source.split(".")[0]):
            expected = "only a device that speaks OPC UA says of a value that it is uncertain"
            draft.say("not-for-kind", ("signals", name, "uncertain_for_control"), expected, remedy="Take it out.")
        _periods(draft, name, signal)


def _place(register: RegisterSpec) -> RegisterSpec:
    """Return the register reduced to where it is: two maps of the same words are the same register."""
    return RegisterSpec(register.table, register.address, register.word_type, bit=register.bit, mask=register.mask)


def _shared_words(
    draft: Draft, name: str, source: str, register: RegisterSpec, words: dict[tuple[str, str, int], str]
) -> None:
    """Check that no two numbers share a word: one of them would be half of the other. Bits and fields may share one."""
    if is_contact(register) or register.mask is not None:
        return
    device = source.split(".", maxsplit=1)[0]
    for address in range(register.address, register.address + register.count):
        other = words.setdefault((device, register.table.value, address), name)
        if other != name:
            expected = f"shares a word with the signal {other}"
            remedy = "Correct the address or the type of one of the two registers in the profile."
            draft.say("signal-twice", ("signals", name, "source"), expected, remedy=remedy)
            return


def _devices(draft: Draft) -> None:
    seen: dict[tuple[str, int | str | None], str] = {}
    for name, device in draft.sound("devices"):
        opcua = speaks_opcua(draft, name)
        where = (endpoint_of(device, opcua=opcua), device.profile if opcua else device.unit_id)
        if where in seen:
            same = "serial port" if device.transport == "rtu" else "host, port"
            key, what = ("profile", "server and profile") if opcua else ("unit_id", f"{same} and unit")
            expected = f"is the same {what} as the device {seen[where]}"
            draft.say("device-twice", ("devices", name, key), expected)
        seen.setdefault(where, name)
        check_order(draft, ("devices", name), device, "backoff_min_s", "backoff_max_s")
        if device.timeout_s >= 10 * device.poll_period_s:
            expected = f"must be shorter than ten poll periods ({device.poll_period_s:g} s each)"
            draft.say("period-order", ("devices", name, "timeout_s"), expected)
        if not _is_used(draft, name):
            draft.say("device-unused", ("devices", name), "is used by no signal and no output")


def _is_used(draft: Draft, device: str) -> bool:
    entries = [*draft.raw("signals").values(), *draft.raw("outputs").values()]
    references = [entry.get("source") or entry.get("register") for entry in entries if isinstance(entry, dict)]
    return any(str(reference).startswith(f"{device}.") for reference in references)


def _limits(draft: Draft, name: str, signal: SignalKeys, register: RegisterSpec) -> None:
    path = ("signals", name)
    if is_contact(register):
        for key in ("low", "high", "max_rise_per_s"):
            if getattr(signal, key) is not None:
                draft.say(
                    "not-for-kind", (*path, key), "a contact is open or closed and has no limits", remedy="Take it out."
                )
        return
    for key in ("low", "high"):
        if getattr(signal, key) is None:
            remedy = f"Add {key} to [signals.{name}], in {register.unit}."
            draft.say("missing-key", (*path, key), f"is missing: what is possible, in {register.unit}", remedy=remedy)
    check_order(draft, path, signal, "low", "high")
    if signal.pulse is not None:
        return  # its limits are those of the rate, which no register holds
    lowest, highest = holds(register)
    for key, beyond in (
        ("low", signal.low is not None and signal.low < lowest),
        ("high", signal.high is not None and signal.high > highest),
    ):
        if beyond:
            expected = f"the register goes from {lowest:g} to {highest:g} {register.unit}"
            draft.say("range-unreachable", (*path, key), expected)


def _periods(draft: Draft, name: str, signal: SignalKeys) -> None:
    path = ("signals", name)
    device: DeviceKeys | None = draft.devices.get(signal.source.split(".")[0])
    scan_s = draft.site.scan_period_s if draft.site else 0.0
    period_s = signal.period_s or (device.poll_period_s if device else 0.0)
    if signal.max_age_s <= period_s:
        expected = f"must be longer than the {period_s:g} s at which it is read"
        draft.say("period-order", (*path, "max_age_s"), expected, remedy="Read it more often, or let it grow older.")
    elif signal.max_age_s <= scan_s:
        draft.say("period-order", (*path, "max_age_s"), f"must be longer than the scan ({scan_s:g} s)")
    if signal.frozen_after_s is not None and signal.frozen_after_s <= period_s:
        expected = f"must be longer than the {period_s:g} s at which it is read"
        draft.say("period-order", (*path, "frozen_after_s"), expected)
    if signal.frozen_while is not None and signal.frozen_after_s is None:
        draft.say("needs-other-key", (*path, "frozen_while"), "needs frozen_after_s")
    register = draft.register_of_signal(signal.frozen_while)
    if signal.frozen_while == name and register is not None and UNITS[register.unit].dimension == "contact":
        draft.say("low-high", (*path, "frozen_while"), "a contact cannot be its own judge")


def broker_port(broker: str) -> int:
    """Return the port of a broker, whether embedded or named."""
    if broker == "embedded":
        return 1883
    return int(broker.rpartition(":")[2])


def check_publishing(draft: Draft) -> None:
    """Check what goes out, the socket and the journal."""
    mqtt = draft.publish.mqtt if draft.publish else None
    metrics = draft.publish.metrics if draft.publish else None
    if mqtt is not None:
        _mqtt(draft, mqtt)
        if metrics is not None and is_embedded(mqtt) and broker_port(mqtt.broker) == metrics.port:
            draft.say("port-twice", ("publish", "metrics", "port"), "is the port of the embedded broker too")
    _modbus(draft)
    if metrics is not None and metrics.address not in LOOPBACK:
        draft.say("open-to-network", ("publish", "metrics", "address"), "is not the loopback address")
    if draft.socket is not None and len(draft.socket.path.encode()) > 107:
        expected = f"is {len(draft.socket.path.encode())} bytes long; at most 107"
        draft.say("path-too-long", ("socket", "path"), expected)
    if draft.journal is not None:
        check_order(draft, ("journal",), draft.journal, "image_days", "record_days", equal=True)


def _modbus(draft: Draft) -> None:
    """Check the server for the plant's controller: whoever reaches its port may ask for what the site allows."""
    keys, path = draft.publish.modbus if draft.publish else None, ("publish", "modbus")
    if keys is None or draft.publish is None:
        return
    metrics = draft.publish.metrics
    if metrics is not None and metrics.port == keys.port:
        draft.say("port-twice", (*path, "port"), "is the port of /metrics too")
    for client in keys.clients:
        if not _is_address(client):
            draft.say("client-address", (*path, "clients"), f"{client} is no IP address")
    if keys.allow and not keys.clients and keys.address not in LOOPBACK:
        draft.say("open-to-requests", (*path, "allow"), "and clients names no controller")


def _is_address(text: str) -> bool:
    try:
        ip_address(text)
    except ValueError:
        return False
    return True


def is_embedded(mqtt: MqttKeys) -> bool:
    """Tell whether the broker is the daemon's own."""
    return mqtt.broker.partition(":")[0] == "embedded"


def _mqtt(draft: Draft, mqtt: MqttKeys) -> None:
    path = ("publish", "mqtt")
    if not 1 <= broker_port(mqtt.broker) <= 65535:
        draft.say("bad-endpoint", (*path, "broker"), "port must be 1 to 65535")
    if mqtt.password_file is not None and mqtt.username is None:
        draft.say("needs-other-key", (*path, "password_file"), "needs username")
    for key in ("username", "password_file", "tls_ca"):
        value = getattr(mqtt, key)
        if value is not None and is_embedded(mqtt):
            expected = "the embedded broker serves this machine alone and knows no users"
            draft.say("not-for-kind", (*path, key), expected, remedy="Take it out, or name a real broker.")
        elif value is not None and key != "username" and not Path(value).is_file():
            draft.say("file-not-there", (*path, key), "no such file from here")
