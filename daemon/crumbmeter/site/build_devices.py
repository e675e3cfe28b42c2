"""Turn the devices of a checked site file into frozen settings. Nothing here can refuse."""

from collections.abc import Mapping
from dataclasses import replace

from crumbmeter.field.opcua import WORDS
from crumbmeter.field.spec import DeviceSpec, OpcuaSecurity, OpcuaSpec, RegisterSpec, Transport
from crumbmeter.site.keys.links import DeviceKeys
from crumbmeter.site.keys.nodes import NodeProfileKeys, SecurityKeys
from crumbmeter.site.keys.profile import ProfileKeys
from crumbmeter.site.keys.site import SiteFile
from crumbmeter.site.registers import forbidden_of

GAP_NODES = 8
"""So many nodes that nobody asked for one request may leave out in the middle; a place in the record costs little."""
SHORTEST_PUBLISHING_S = 0.25
"""[s] No server is asked to publish more often: values are read, what is published shows that it lives."""


def build_devices(
    file: SiteFile, profiles: Mapping[str, ProfileKeys | NodeProfileKeys], registers: Mapping[str, RegisterSpec]
) -> tuple[DeviceSpec, ...]:
    """Build the devices, in the order of the file."""
    used = [signal.source for signal in file.signals.values()]
    used += [output.register_ for output in file.outputs.values()]
    built = []
    for name, keys in file.devices.items():
        spec = device_spec(name, keys, profiles[keys.profile])
        if spec.opcua is not None:
            own = {registers[one].address: registers[one] for one in used if one.split(".")[0] == name}
            nodes = tuple(register for _, register in sorted(own.items()))
            spec = replace(spec, opcua=replace(spec.opcua, nodes=nodes))
        built.append(spec)
    return tuple(built)


def device_spec(name: str, keys: DeviceKeys, profile: ProfileKeys | NodeProfileKeys) -> DeviceSpec:
    """Build one device; of one that speaks OPC UA the nodes are still left out."""
    spec = DeviceSpec(
        device_id=name,
        host=keys.serial_port or keys.host or "",
        port=keys.port or 0,
        unit_id=keys.unit_id or 0,
        timeout_s=keys.timeout_s,
        read_retries=keys.read_retries,
        connect_timeout_s=keys.connect_timeout_s,
        backoff_min_s=keys.backoff_min_s,
        backoff_max_s=keys.backoff_max_s,
        max_words=125,
        max_bits=2000,
        max_gap=0,
        request_gap_s=keys.request_gap_s,
        transport=Transport(keys.transport),
        baud=keys.baud or 19200,
        parity=keys.parity or "even",
        stop_bits=keys.stop_bits or (2 if keys.parity == "none" else 1),
        worst_response_s=keys.worst_response_s or 0.0,
        idle_timeout_s=keys.idle_timeout_s,
        breaker_failures=keys.breaker_failures,
        close_after_each=keys.close_after_each,
    )
    if isinstance(profile, NodeProfileKeys):
        return _of_nodes(spec, keys, profile)
    return replace(
        spec,
        max_words=profile.max_words,
        max_bits=profile.max_bits,
        max_gap=profile.max_gap,
        forbidden=forbidden_of(profile),
        one_per_request=profile.one_per_request,
    )


def _of_nodes(spec: DeviceSpec, keys: DeviceKeys, profile: NodeProfileKeys) -> DeviceSpec:
    return replace(
        spec,
        transport=Transport.OPCUA,
        max_words=profile.max_nodes * WORDS,
        max_gap=GAP_NODES * WORDS,
        opcua=OpcuaSpec(
            path=f"/{keys.path.lstrip('/')}" if keys.path else "",
            publishing_s=max(keys.poll_period_s, SHORTEST_PUBLISHING_S),
            security=_security(keys.security),
        ),
    )


def _security(keys: SecurityKeys | None) -> OpcuaSecurity:
    if keys is None:
        return OpcuaSecurity()
    return OpcuaSecurity(
        policy=keys.policy,
        mode=keys.mode or "none",
        certificate=keys.certificate or "",
        private_key=keys.private_key or "",
        server_certificate=keys.server_certificate or "",
        user=keys.user or "",
        password_file=keys.password_file or "",
        password_variable=keys.password_variable or "",
    )
