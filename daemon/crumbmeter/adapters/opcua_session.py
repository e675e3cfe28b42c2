"""One connection to an OPC UA server: channel, session, subscription, and the requests that go over it.

The library carries messages and keeps the security of the channel. Its reconnecting, its watchdogs and its judgement
are not used: a session that is doubted is never used again (REQ-2), and the endpoint makes a new one. Values are read
in batches, always anew; the subscription to the same nodes shows that the server's own machinery lives (REQ-16): no
word from it for (keep-alive count + 1) x publishing interval, a clock of the server that stands, or a status that ends
it, and the session is doubted.
"""

import asyncio
import contextlib
from collections.abc import Awaitable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Final, TypeVar

from asyncua import ua
from asyncua.client.client import Client
from asyncua.ua.attribute_ids import AttributeIds
from asyncua.ua.object_ids import ObjectIds

from crumbmeter.adapters.clock import machine_wall_us
from crumbmeter.adapters.opcua_faults import cause_of, explain
from crumbmeter.adapters.opcua_patience import within
from crumbmeter.adapters.opcua_security import Protected, protect
from crumbmeter.field.counts import UnitCounts
from crumbmeter.field.opcua import NodeValue
from crumbmeter.field.spec import DeviceSpec, RegisterSpec
from crumbmeter.model.faults import BadReplyError, ReconnectError, RetryLaterError

T = TypeVar("T")
KEEP_ALIVES: Final = 4
"""Publishing intervals without news after which the server sends a keep-alive."""
SESSION_S: Final = 60.0
"""[s] A session of ours that nobody closed is given up by the server after so long without a request."""
CLOSE_S: Final = 0.5
"""[s] Longest wait for the farewell of a session that is not doubted."""
CLOCK_STANDS_S: Final = 10.0
"""[s] A server's clock that has not moved for so long stands, however seldom it is brought up to date."""
RENEW_SHARE: Final = 0.75
"""Of the life of the channel's keys, after which they are renewed (OPC UA Part 4, section 5.5.2)."""
_CLOCK: Final = ua.NodeId(ua.Int32(ObjectIds.Server_ServerStatus_CurrentTime))
_NAMESPACES: Final = ua.NodeId(ua.Int32(ObjectIds.Server_NamespaceArray))
_MOST_NODES: Final = ua.NodeId(ua.Int32(ObjectIds.Server_ServerCapabilities_OperationLimits_MaxNodesPerRead))
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


class OpcuaSession:
    """The connection that all devices on one server share. Never used again after a doubt."""

    def __init__(self, devices: Sequence[DeviceSpec], counts: Mapping[str, UnitCounts]) -> None:
        self.endpoint = devices[0].endpoint
        self.skew_s: float | None = None
        """[s] The server's clock is ahead of this machine's by so much; None: it does not tell."""
        self.notices = 0
        """Values that the subscription has brought."""
        self._devices = tuple(devices)
        self._first = devices[0]
        self._counts = counts
        self._loop = asyncio.get_running_loop()
        self._client: Client | None = None
        self._doubt = "not connected"
        self._protected: Protected | None = None
        self._nodes: dict[str, ua.NodeId] = {}
        self._most_nodes = 0
        self._channel_until_s = float("inf")
        self._ended = ""
        """What the server has said by itself to end it; no reply to a request takes it back."""
        self._heard_s = 0.0
        self._silence_s = float("inf")
        self._clock_us = 0
        self._clock_moved_s = 0.0

    async def connect(self) -> None:
        """Open channel and session, look the namespaces up and subscribe, within the connect time-out.

        Raises:
            ReconnectError: with the real cause in words.
        """
        if not self._doubt:
            return
        try:
            async with within(self._first.connect_timeout_s):
                await self._open()
        except TimeoutError as error:
            fault: Exception = TimeoutError(f"no session within {self._first.connect_timeout_s:g} s")
            fault.__cause__ = error
        except Exception as error:  # noqa: BLE001 - whatever the library makes of what a server sends
            fault = error
        else:
            self._doubt = ""
            return
        server = None if self._protected is None else self._protected.server
        raise ReconnectError(f"{self.endpoint}: {await explain(fault, self._first, server)}") from fault

    @property
    def protected(self) -> bool:
        """Tell whether messages are signed at least."""
        return self._protected is not None and self._protected.server is not None

    @property
    def doubt(self) -> str:
        """Say why it is not used; empty where it is."""
        return self._doubt

    async def _open(self) -> None:
        client = self._client = Client(self.endpoint, timeout=self._first.connect_timeout_s)
        client.session_timeout = int(SESSION_S * 1000)
        protected = self._protected = await protect(client, self._first)
        await client.connect_socket()
        await client.send_hello()
        await client.open_secure_channel()
        self._channel_until_s = self._loop.time() + RENEW_SHARE * client.secure_channel_timeout / 1000.0
        await client.create_session()
        await client.activate_session(protected.user, protected.password)
        await self._look_up(client)
        await self._subscribe(client)

    async def _look_up(self, client: Client) -> None:
        """Find the index that each namespace has today, and how much the server reads at once."""
        found = await client.uaclient.read(_reads([_NAMESPACES, _MOST_NODES]))
        listed = found[0].Value.Value if found[0].Value is not None else None
        spaces = list(listed) if isinstance(listed, list) else []
        most = found[1].Value.Value if found[1].Value is not None else None
        self._most_nodes = most if isinstance(most, int) and most > 0 else 1000
        for device in self._devices:
            for register in _nodes_of(device):
                self._nodes[register.node] = _node_id(register.node, spaces)

    async def _subscribe(self, client: Client) -> None:
        asked_ms = 1000.0 * min(device.opcua.publishing_s for device in self._devices if device.opcua is not None)
        wanted = ua.CreateSubscriptionParameters(
            RequestedPublishingInterval=asked_ms,
            RequestedLifetimeCount=KEEP_ALIVES * 30,
            RequestedMaxKeepAliveCount=KEEP_ALIVES,
            PublishingEnabled=True,
        )
        made = await client.uaclient.create_subscription(wanted, self._published)
        interval_s = max(made.RevisedPublishingInterval, asked_ms) / 1000.0
        self._silence_s = (max(made.RevisedMaxKeepAliveCount, KEEP_ALIVES) + 1) * interval_s
        self._heard_s = self._clock_moved_s = self._loop.time()
        items = [_monitored(handle, node) for handle, node in enumerate(self._nodes.values(), 1)]
        asked = ua.CreateMonitoredItemsParameters(
            SubscriptionId=made.SubscriptionId, TimestampsToReturn=ua.TimestampsToReturn.Both, ItemsToCreate=items
        )
        if items:
            await client.uaclient.create_monitored_items(asked)

    def _published(self, result: ua.PublishResult) -> None:
        """Take what the subscription brings, be it only a sign of life."""
        self._heard_s = self._loop.time()
        for notice in result.NotificationMessage.NotificationData or ():
            if isinstance(notice, ua.StatusChangeNotification):
                self._ended = self._ended or f"the server ended the subscription ({notice.Status.name})"
            elif isinstance(notice, ua.DataChangeNotification):
                self.notices += len(notice.MonitoredItems)

    async def get_ready(self) -> None:
        """Raise ReconnectError unless a request would go out at once over a session that is not doubted."""
        self._require()
        if self._loop.time() >= self._channel_until_s:
            client = self._require()
            await self._asked(self._first, client.open_secure_channel(renew=True))
            client.uaclient.revolve_security_token()
            self._channel_until_s = self._loop.time() + RENEW_SHARE * client.secure_channel_timeout / 1000.0

    def _require(self) -> Client:
        if not self._doubt:
            self._look_after()
        if self._doubt or self._client is None:
            raise ReconnectError(f"{self.endpoint}: {self._doubt}")
        return self._client

    def _look_after(self) -> None:
        """Doubt a session whose subscription or whose clock stands (REQ-16)."""
        now_s = self._loop.time()
        silent_s, still_s = now_s - self._heard_s, now_s - self._clock_moved_s
        if self._ended:
            self._doubt = self._ended
        elif silent_s > self._silence_s:
            self._doubt = f"nothing from the subscription for {silent_s:.1f} s, expected every {self._silence_s:g} s"
        elif self._clock_us and still_s > max(CLOCK_STANDS_S, self._silence_s):
            self._doubt = f"the server's clock has stood for {still_s:.1f} s"

    async def read(self, device: DeviceSpec, registers: Sequence[RegisterSpec]) -> tuple[NodeValue, ...]:
        """Read nodes and the server's clock in one request, or in as many as the server's limit needs.

        Raises:
            RetryLaterError: no reply in time.
            ReconnectError: the session is gone or doubted, or a reply did not match.
        """
        await self.get_ready()
        found: list[NodeValue] = []
        step = max(1, self._most_nodes - 1)
        for first in range(0, len(registers), step):
            nodes = [self._nodes[register.node] for register in registers[first : first + step]]
            values = await self._read(device, [*nodes, _CLOCK])
            self._note_clock(values[-1])
            found += [node_value(value) for value in values[:-1]]
        self._require()
        return tuple(found)

    async def _read(self, device: DeviceSpec, nodes: list[ua.NodeId]) -> list[ua.DataValue]:
        client = self._require()
        values = await self._asked(device, client.uaclient.read(_reads(nodes)))
        if len(values) != len(nodes):
            self._doubt = f"{len(values)} values for {len(nodes)} nodes"
            self._counts[device.device_id].mismatches["count"] += 1
            raise BadReplyError(self._doubt, endpoint=self.endpoint, unit=0, address=0, evidence="OPC UA Read")
        return values

    def _note_clock(self, value: ua.DataValue) -> None:
        shown = value.Value.Value if value.Value is not None else None
        if not isinstance(shown, datetime):
            return
        shown = shown if shown.tzinfo is not None else shown.replace(tzinfo=UTC)
        now_us = (shown - _EPOCH) // (datetime.resolution)
        if now_us != self._clock_us:
            self._clock_us, self._clock_moved_s = now_us, self._loop.time()
        self.skew_s = (now_us - machine_wall_us()) / 1e6

    async def write(self, device: DeviceSpec, register: RegisterSpec, value: ua.Variant) -> ua.StatusCode:
        """Write one node's value; return the status that the server gives to exactly that. Raises as `read`."""
        client = self._require()
        node = self._nodes[register.node]
        wish = ua.WriteValue(NodeId=node, AttributeId=AttributeIds.Value, Value=ua.DataValue(value))
        statuses = await self._asked(device, client.uaclient.write(ua.WriteParameters(NodesToWrite=[wish])))
        if len(statuses) != 1:
            self._doubt = f"{len(statuses)} statuses for one write"
            raise BadReplyError(self._doubt, endpoint=self.endpoint, unit=0, address=0, evidence="OPC UA Write")
        return statuses[0]

    async def _asked(self, device: DeviceSpec, request: Awaitable[T]) -> T:
        """Await one exchange within the device's time-out, and count what it came to."""
        counts, began_s = self._counts[device.device_id], self._loop.time()
        counts.sent += 1
        # Until it has ended well it is doubted: one that is abandoned leaves the session in an unknown state.
        self._doubt = "a request was abandoned"
        try:
            async with within(device.timeout_s):
                answer = await request
        except TimeoutError:
            self._doubt = f"silent for {device.timeout_s:g} s"
            counts.timeouts += 1
            raise RetryLaterError(f"{self.endpoint}: {self._doubt}") from None
        except Exception as error:  # as above
            self._doubt = cause_of(error)
            counts.lost += 1
            raise ReconnectError(f"{self.endpoint}: {self._doubt}") from error
        finally:
            counts.busy_s += self._loop.time() - began_s
        self._doubt = ""
        counts.ok += 1
        counts.latencies.note(self._loop.time() - began_s)
        return answer

    async def close(self) -> None:
        """Say farewell where there is no doubt, and cut the connection. Never raises."""
        client, self._client = self._client, None
        doubted, self._doubt = bool(self._doubt), self._doubt or "closed"
        if client is None:
            return
        protocol = client.uaclient.protocol
        if doubted and protocol is not None and protocol.transport is not None:
            protocol.transport.abort()
        # Ends the library's publishing first of all, whether or not the server answers.
        with contextlib.suppress(Exception):
            async with within(CLOSE_S):
                await client.close_session()
        with contextlib.suppress(Exception):
            client.disconnect_socket()


def _nodes_of(device: DeviceSpec) -> tuple[RegisterSpec, ...]:
    return () if device.opcua is None else device.opcua.nodes


def _node_id(text: str, spaces: Sequence[str]) -> ua.NodeId:
    """Turn `nsu=URI;s=Name` into a node id with the index that the namespace has at this server, now."""
    uri, _, identifier = text.removeprefix("nsu=").rpartition(";")
    if uri not in spaces:
        known = ", ".join(str(space) for space in spaces) or "none"
        raise ValueError(f"the server has no namespace {uri}; it has {known}")
    return ua.NodeId.from_string(f"ns={spaces.index(uri)};{identifier}")


def _reads(nodes: Sequence[ua.NodeId]) -> ua.ReadParameters:
    wanted = [ua.ReadValueId(NodeId=node, AttributeId=AttributeIds.Value) for node in nodes]
    return ua.ReadParameters(MaxAge=0.0, TimestampsToReturn=ua.TimestampsToReturn.Both, NodesToRead=wanted)


def _monitored(handle: int, node: ua.NodeId) -> ua.MonitoredItemCreateRequest:
    return ua.MonitoredItemCreateRequest(
        ItemToMonitor=ua.ReadValueId(NodeId=node, AttributeId=AttributeIds.Value),
        MonitoringMode=ua.MonitoringMode.Reporting,
        RequestedParameters=ua.MonitoringParameters(
            ClientHandle=handle, SamplingInterval=-1.0, QueueSize=1, DiscardOldest=True
        ),
    )


def node_value(value: ua.DataValue) -> NodeValue:
    """Take what came of one node, status and all; what is no single number or truth value has its type alone."""
    status = value.StatusCode.value if value.StatusCode is not None else 0
    variant = value.Value
    if variant is None or variant.Value is None:
        return NodeValue(status)
    number = int(variant.VariantType.value)
    if variant.is_array or isinstance(variant.Value, list | tuple):
        return NodeValue(status, number | 0x80)
    held = variant.Value
    return NodeValue(status, number, held if isinstance(held, bool | int | float) else None)
