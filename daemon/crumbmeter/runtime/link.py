"""What the poller, the writer and the stop hold of a device: its way to the endpoint that it may share with others."""

from collections.abc import Callable, Mapping, Sequence

from crumbmeter.field.spec import DeviceSpec, RegisterSpec, Table
from crumbmeter.ports import Clock, FieldLink
from crumbmeter.runtime.backoff import Chance
from crumbmeter.runtime.breaker import Breaker
from crumbmeter.runtime.endpoint import Endpoint, LinkFactory, NotConnectedError, Report, outcome_of

__all__ = ["DeviceLine", "Endpoint", "LinkFactory", "NotConnectedError", "Report", "make_lines", "outcome_of"]


class DeviceLine:
    """One device's way to its endpoint: what the poller and the writer hold."""

    def __init__(self, device: DeviceSpec, endpoint: Endpoint, position: int, clock: Clock) -> None:
        self.device = device
        self.endpoint = endpoint
        self._position = position
        self._clock = clock

    async def read(self, table: Table, address: int, count: int, *, ahead: bool = False) -> tuple[int, ...]:
        """Read words in turn. Raises as Endpoint.exchange."""
        return await self.endpoint.exchange(
            self._position, ahead=ahead, ask=lambda link: link.read(table, address, count)
        )

    @property
    def breaker(self) -> Breaker:
        """Return the breaker of this device."""
        return self.endpoint.breakers[self._position]

    async def wait_turn(self, due_s: float) -> None:
        """Wait until this device is due [s] and may be asked: a suspect, when it costs the others nothing."""
        endpoint, breaker = self.endpoint, self.breaker
        while True:
            now_s = self._clock.now_s()
            wake_s = max(due_s, breaker.rest_until_s)
            endpoint.slots.note_due(self._position, float("inf") if breaker.suspect else wake_s)
            await self._clock.sleep_until(wake_s)
            if not (breaker.suspect and endpoint.shared):
                return
            await endpoint.slots.wait(self._position)
            if self._clock.now_s() >= max(breaker.rest_until_s, now_s):
                return

    async def write(
        self, register: RegisterSpec, choose: Callable[[], tuple[int, ...] | None], function: int = 0
    ) -> tuple[int, ...] | None:
        """Write in turn, ahead of all reads. Raises as Endpoint.exchange.

        Args:
            register: Where.
            choose: Called immediately before sending; gives the newest words, or None where nothing is due any more.
            function: Function code; 0: the usual one.

        Returns:
            The words that the device acknowledged, or None where `choose` gave none.
        """

        async def ask(link: FieldLink) -> tuple[int, ...] | None:
            await link.get_ready()
            words = choose()
            if words is not None:
                await link.write(register, words, function)
            return words

        self.endpoint.require_closed(self._position)
        return await self.endpoint.exchange(self._position, ahead=True, ask=ask)


def make_lines(
    devices: Sequence[DeviceSpec],
    make_links: LinkFactory | Mapping[str, LinkFactory],
    clock: Clock,
    rng: Chance,
    report: Report,
) -> tuple[DeviceLine, ...]:
    """Make one endpoint per (host, port) and one line per device, in the order of the devices.

    Args:
        devices: All devices of the site.
        make_links: Factory for all endpoints, or one by the endpoint's name.
        clock: Process time.
        rng: For the jitter.
        report: Gets `link_up` and `link_down`, as transitions.
    """
    members: dict[str, list[DeviceSpec]] = {}
    for device in devices:
        members.setdefault(device.endpoint, []).append(device)
    endpoints = {}
    for name, group in members.items():
        factory = make_links[name] if isinstance(make_links, Mapping) else make_links
        endpoints[name] = Endpoint(group, factory, clock, rng, report)
    seen: dict[str, int] = {}
    lines = []
    for device in devices:
        position = seen.get(device.endpoint, 0)
        seen[device.endpoint] = position + 1
        lines.append(DeviceLine(device, endpoints[device.endpoint], position, clock))
    return tuple(lines)
