"""What an OPC UA server has: all its variables, for the one who commissions. Only browses and reads, never writes."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from asyncua import ua
from asyncua.client.client import Client
from asyncua.ua.attribute_ids import AttributeIds
from asyncua.ua.object_ids import ObjectIds

from crumbmeter.adapters.opcua_faults import cause_of, explain
from crumbmeter.adapters.opcua_patience import within
from crumbmeter.adapters.opcua_security import protect
from crumbmeter.field.spec import DeviceSpec
from crumbmeter.model.faults import ReconnectError

MOST: Final = 20_000
"""Nodes after which browsing ends: a server with more is to be browsed from a folder of it."""
BATCH: Final = 100
_SERVER: Final = ua.NodeId(ua.Int32(ObjectIds.Server))
_OBJECTS: Final = ua.NodeId(ua.Int32(ObjectIds.ObjectsFolder))
_HIERARCHY: Final = ua.NodeId(ua.Int32(ObjectIds.HierarchicalReferences))
_PROPERTY: Final = ua.NodeId(ua.Int32(ObjectIds.HasProperty))
_NAMESPACES: Final = ua.NodeId(ua.Int32(ObjectIds.Server_NamespaceArray))
_WRITABLE: Final = 0x02
"""Bit of the access level that lets the value be written (OPC UA Part 3, section 8.57)."""


@dataclass(frozen=True, slots=True)
class Variable:
    """One variable of a server, as it is now."""

    path: str
    """Browse names from the Objects folder on, by slashes."""
    namespace: str
    """Its URI."""
    identifier: str
    """Such as `s=WetFlow`."""
    type_name: str
    """Built-in type of its value, in small letters; `[]` behind it for an array; empty where there is none."""
    value: str
    status: str
    """Name of the status code, verbatim."""
    unit: str
    """As the server shows it; empty where it gives none."""
    writable: bool
    """By this user."""

    @property
    def node(self) -> str:
        """Return its node id with the URI of its namespace."""
        return f"nsu={self.namespace};{self.identifier}"


@dataclass(slots=True)
class _Place:
    node: ua.NodeId
    path: str
    units: ua.NodeId | None = None


@dataclass(slots=True)
class _Walk:
    """Where browsing has come."""

    variables: list[_Place] = field(default_factory=list)
    seen: set[ua.NodeId] = field(default_factory=set)


async def browse(device: DeviceSpec, wanted: Callable[[str], bool] = lambda _path: True) -> tuple[Variable, ...]:
    """List the variables of a server, in the order in which it shows them.

    Args:
        device: Where it is, and how the connection is protected.
        wanted: Chooses by path.

    Raises:
        ReconnectError: no connection, or it was lost; with the real cause in words.
    """
    client, protected = Client(device.endpoint, timeout=device.timeout_s), None
    try:
        async with within(device.connect_timeout_s):
            protected = await protect(client, device)
            await client.connect_socket()
            await client.send_hello()
            await client.open_secure_channel()
            await client.create_session()
            await client.activate_session(protected.user, protected.password)
        return await _all(client, wanted)
    except Exception as error:
        fault = TimeoutError("no answer in time") if isinstance(error, TimeoutError) else error
        server = None if protected is None else protected.server
        cause = await explain(fault, device, server) if server is not None else cause_of(fault)
        raise ReconnectError(f"{device.endpoint}: {cause}") from error
    finally:
        await _leave(client)


async def _leave(client: Client) -> None:
    try:
        async with within(1.0):
            await client.close_session()
    except Exception:  # noqa: BLE001, S110 - whatever is wrong with it, it is left
        pass
    client.disconnect_socket()


async def _all(client: Client, wanted: Callable[[str], bool]) -> tuple[Variable, ...]:
    spaces = (await client.uaclient.read_attributes([_NAMESPACES], AttributeIds.Value))[0].Value
    names: list[str] = list(spaces.Value) if spaces is not None and spaces.Value else []
    walk = _Walk(seen={_SERVER, _OBJECTS})
    front = [_Place(_OBJECTS, "")]
    while front and len(walk.seen) < MOST:
        batch, front = front[:BATCH], front[BATCH:]
        for place, references in zip(batch, await _references(client, batch), strict=True):
            front += _step(walk, place, references)
    places = [place for place in walk.variables if wanted(place.path)]
    found: list[Variable] = []
    for first in range(0, len(places), BATCH):
        found += await _described(client, places[first : first + BATCH], names)
    return tuple(found)


async def _references(client: Client, places: Sequence[_Place]) -> list[list[Any]]:
    """Browse places in one request, and on until each has shown all its references."""
    asked = ua.BrowseParameters()
    for place in places:
        asked.NodesToBrowse.append(
            ua.BrowseDescription(
                NodeId=place.node,
                BrowseDirection=ua.BrowseDirection.Forward,
                ReferenceTypeId=_HIERARCHY,
                IncludeSubtypes=True,
                NodeClassMask=ua.UInt32(ua.NodeClass.Object | ua.NodeClass.Variable),
                ResultMask=ua.BrowseResultMask.All,
            )
        )
    lists: list[list[Any]] = []
    for result in await client.uaclient.browse(asked):
        references, more = list(result.References or ()), result.ContinuationPoint
        while more:
            onward = ua.BrowseNextParameters(ReleaseContinuationPoints=False, ContinuationPoints=[more])
            (rest,) = await client.uaclient.browse_next(onward)
            references += rest.References or ()
            more = rest.ContinuationPoint
        lists.append(references)
    return lists


def _step(walk: _Walk, place: _Place, references: Sequence[Any]) -> list[_Place]:
    """Take the references of one place; return where to go on."""
    further = []
    for reference in references:
        name = _plain(reference.BrowseName.Name or "")
        if reference.ReferenceTypeId == _PROPERTY:
            if name == "EngineeringUnits":
                place.units = reference.NodeId
            continue
        node = reference.NodeId
        if node in walk.seen:
            continue
        walk.seen.add(node)
        below = _Place(node, f"{place.path}/{name}" if place.path else name)
        further.append(below)
        if reference.NodeClass == ua.NodeClass.Variable:
            walk.variables.append(below)
    return further


async def _described(client: Client, places: Sequence[_Place], names: Sequence[str]) -> list[Variable]:
    nodes = [place.node for place in places]
    values = await client.uaclient.read_attributes(nodes, AttributeIds.Value)
    levels = await client.uaclient.read_attributes(nodes, AttributeIds.UserAccessLevel)
    with_units = [place.units for place in places if place.units is not None]
    shown = await client.uaclient.read_attributes(with_units, AttributeIds.Value) if with_units else []
    units = dict(zip(with_units, map(_unit, shown), strict=True))
    found = []
    for place, value, level in zip(places, values, levels, strict=True):
        held = None if value.Value is None or value.Value.Value is None else value.Value
        kind = "" if held is None else held.VariantType.name.lower() + ("[]" if isinstance(held.Value, list) else "")
        allowed = level.Value.Value if level.Value is not None else None
        index = place.node.NamespaceIndex
        found.append(
            Variable(
                path=place.path,
                namespace=names[index] if index < len(names) else "?",
                identifier=str(place.node.to_string()).rpartition(f"ns={index};")[2],
                type_name=kind,
                value="" if held is None else _plain(str(held.Value)),
                status=value.StatusCode.name if value.StatusCode is not None else "Good",
                unit=units.get(place.units, "") if place.units is not None else "",
                writable=isinstance(allowed, int) and bool(allowed & _WRITABLE),
            )
        )
    return found


def _plain(text: str) -> str:
    """Keep what a line of a terminal can show."""
    return "".join(letter if letter.isprintable() else " " for letter in text[:80])


def _unit(value: ua.DataValue) -> str:
    told = value.Value.Value if value.Value is not None else None
    name = getattr(told, "DisplayName", None)
    return _plain(str(name.Text or "")) if name is not None else ""
