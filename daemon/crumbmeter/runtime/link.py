"""One connection and one queue per endpoint; devices behind it share both. Discards a link after any doubt (REQ-2).

Knows no library: links come from a factory, new ones for every connection. Attempts to connect follow a jittered
back-off without end, at most one a second. A connection that never answered counts as a failure too, so that a device
which accepts and then hangs is not knocked at for ever in a rush.
"""

import asyncio
from collections.abc import Awaitable, Callable, Mapping, Sequence
from typing import NoReturn, TypeVar

from crumbmeter.field.spec import DeviceSpec, RegisterSpec, Table
from crumbmeter.model.events import Event, event
from crumbmeter.model.faults import BadReplyError, DeviceExceptionError, ReconnectError, RetryLaterError
from crumbmeter.model.image import ReadOutcome
from crumbmeter.ports import Clock, FieldLink
from crumbmeter.runtime.backoff import Backoff, Chance
from crumbmeter.runtime.tally import LinkTally
from crumbmeter.runtime.turns import Turns

T = TypeVar("T")
Report = Callable[[Event], None]
LinkFactory = Callable[[Sequence[DeviceSpec]], Sequence[FieldLink]]
"""Makes unopened links for the devices of one endpoint, over one new connection."""

ATTEMPT_SPACING_S = 1.0
"""[s] Process time from one attempt to connect to the next, at least (REQ-12)."""


class NotConnectedError(ReconnectError):
    """There is no connection at the moment, and nothing was sent."""

    def __init__(self, endpoint: str, outcome: ReadOutcome, cause: str) -> None:
        cause = cause.removeprefix(f"{endpoint}: ")
        super().__init__(f"{endpoint}: not connected ({cause})")
        self.outcome = outcome
        """How it came to that: what the device's blocks should say."""


def outcome_of(fault: Exception) -> ReadOutcome:
    """Say a failed exchange as the outcome that stands in the image."""
    if isinstance(fault, NotConnectedError):
        return fault.outcome
    if isinstance(fault, DeviceExceptionError):
        return ReadOutcome.EXCEPTION
    if isinstance(fault, RetryLaterError):
        return ReadOutcome.TIMEOUT
    return ReadOutcome.BAD_REPLY if isinstance(fault, BadReplyError) else ReadOutcome.NO_CONNECTION


class Endpoint:
    """Keeps the connection of one endpoint and lets its devices use it in turn."""

    def __init__(
        self, devices: Sequence[DeviceSpec], make_links: LinkFactory, clock: Clock, rng: Chance, report: Report
    ) -> None:
        self.name = devices[0].endpoint
        self.tally = LinkTally()
        self.generation = 0
        """Grows with every connection: what was written before a break is not known to hold after it."""
        self._devices = tuple(devices)
        self._make_links = make_links
        self._clock = clock
        self._report = report
        self._backoff = Backoff(
            shortest_s=min(device.backoff_min_s for device in devices),
            longest_s=max(device.backoff_max_s for device in devices),
            rng=rng,
        )
        self._turns = Turns()
        self._connecting = asyncio.Lock()
        self._fell = asyncio.Event()
        self._links: tuple[FieldLink, ...] = ()
        self._failures = 0
        self._next_attempt_s = float("-inf")
        self._last_attempt_s = float("-inf")
        self._answered = False
        self._told_up: bool | None = None
        self._cause = (ReadOutcome.NO_CONNECTION, "not yet connected")
        self._quiet_until_s = [float("-inf")] * len(devices)

    @property
    def up(self) -> bool:
        """Tell whether there is a connection in which nothing is doubted."""
        return bool(self._links)

    async def keep(self) -> NoReturn:
        """Connect, and connect again whenever the connection is lost. One task for the endpoint's whole life."""
        while True:
            if self.up:
                await self._fell.wait()
            await self._clock.sleep_until(self._next_attempt_s)
            await self.revive()

    async def revive(self, *, at_once: bool = False) -> bool:
        """Connect now, if there is no connection and the back-off allows it.

        Args:
            at_once: Whatever the back-off says. For the stop at the end alone.

        Returns:
            Whether there is a connection.
        """
        async with self._connecting:
            if not self.up and (at_once or self._clock.now_s() >= self._next_attempt_s):
                await self._attempt()
            return self.up

    async def _attempt(self) -> None:
        self.tally.attempts += 1
        self._last_attempt_s = self._clock.now_s()
        links = tuple(self._make_links(self._devices))
        try:
            await links[0].connect()
        except ReconnectError as error:
            await links[0].close()
            self._failed(ReadOutcome.NO_CONNECTION, str(error))
            return
        except BaseException:
            await links[0].close()
            raise
        self.tally.connects += 1
        self.generation += 1
        self._links = links
        self._answered = False
        self._fell.clear()

    def _failed(self, outcome: ReadOutcome, cause: str) -> None:
        self._failures += 1
        self._cause = (outcome, cause)
        now_s = self._clock.now_s()
        wait_s = self._backoff.delay_s(self._failures)
        self._next_attempt_s = max(now_s + wait_s, self._last_attempt_s + ATTEMPT_SPACING_S)
        self._tell_down(cause)

    def _tell_down(self, cause: str) -> None:
        if self._told_up is not False:
            self._told_up = False
            self._report(event("link_down", endpoint=self.name, cause=cause))

    def _note_answer(self) -> None:
        if self._answered:
            return
        self._answered = True
        self._failures = 0
        if self._told_up is not True:
            self._told_up = True
            self._report(event("link_up", endpoint=self.name, attempts=self.tally.attempts))

    async def _drop(self, fault: BaseException) -> None:
        """Discard the connection: none of its later bytes may be taken for an answer."""
        if not self.up:
            return
        links, self._links = self._links, ()
        self.tally.losses += 1
        await links[0].close()
        outcome = outcome_of(fault) if isinstance(fault, Exception) else ReadOutcome.NO_CONNECTION
        if self._answered:
            # It worked until now: the first attempt comes at once, only not more than one a second.
            self._cause = (outcome, str(fault))
            self._next_attempt_s = self._last_attempt_s + ATTEMPT_SPACING_S
            if not isinstance(fault, asyncio.CancelledError):  # abandoned by us: no fault of the device's
                self._tell_down(str(fault) or type(fault).__name__)
        else:
            self._failed(outcome, str(fault) or type(fault).__name__)
        self._fell.set()

    async def close(self) -> None:
        """Close the connection for good. The caller has ended `keep` before."""
        links, self._links = self._links, ()
        if links:
            await links[0].close()

    async def exchange(self, position: int, *, ahead: bool, ask: Callable[[FieldLink], Awaitable[T]]) -> T:
        """Run one exchange of one device when its turn comes.

        Args:
            position: Of the device among those of this endpoint.
            ahead: Go before all that wait without this.
            ask: Does the exchange, started immediately before anything is sent.

        Raises:
            NotConnectedError: nothing was sent.
            DeviceExceptionError: the device says no; the connection is sound.
            RetryLaterError, ReconnectError: the connection has been discarded.
        """
        self._require(position)
        await self._turns.take(ahead=ahead)
        try:
            if self._devices[position].request_gap_s > 0.0:
                await self._clock.sleep_until(self._quiet_until_s[position])
            answer = await ask(self._require(position))
        except DeviceExceptionError:
            self._note_answer()
            raise
        except NotConnectedError:
            raise
        except BaseException as fault:
            await self._drop(fault)
            raise
        else:
            self._note_answer()
            return answer
        finally:
            self._note_end(position)
            self._turns.give()

    def _require(self, position: int) -> FieldLink:
        if not self._links:
            raise NotConnectedError(self.name, *self._cause)
        return self._links[position]

    def _note_end(self, position: int) -> None:
        gap_s = self._devices[position].request_gap_s
        if gap_s > 0.0:
            self._quiet_until_s[position] = self._clock.now_s() + gap_s


class DeviceLine:
    """One device's way to its endpoint: what the poller and the writer hold."""

    def __init__(self, device: DeviceSpec, endpoint: Endpoint, position: int) -> None:
        self.device = device
        self.endpoint = endpoint
        self._position = position

    async def read(self, table: Table, address: int, count: int, *, ahead: bool = False) -> tuple[int, ...]:
        """Read words in turn. Raises as Endpoint.exchange."""
        return await self.endpoint.exchange(
            self._position, ahead=ahead, ask=lambda link: link.read(table, address, count)
        )

    async def write(
        self, register: RegisterSpec, choose: Callable[[], tuple[int, ...] | None]
    ) -> tuple[int, ...] | None:
        """Write in turn, ahead of all reads. Raises as Endpoint.exchange.

        Args:
            register: Where.
            choose: Called immediately before sending; gives the newest words, or None where nothing is due any more.

        Returns:
            The words that the device acknowledged, or None where `choose` gave none.
        """

        async def ask(link: FieldLink) -> tuple[int, ...] | None:
            words = choose()
            if words is not None:
                await link.write(register, words)
            return words

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
        lines.append(DeviceLine(device, endpoints[device.endpoint], position))
    return tuple(lines)
