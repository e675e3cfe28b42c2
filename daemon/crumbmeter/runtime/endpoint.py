"""One connection and one queue per endpoint; devices behind it share both. Discards a link after any doubt (REQ-2).

Knows no library: links come from a factory, new ones for every connection. A link that says of a failed exchange that
it is sound all the same is kept: a dead unit then costs the others behind its gateway no connection. Attempts to
connect follow a jittered back-off without end, at most one a second. It counts from one attempt to the next, however
long they take: what comes back is found within the longest back-off. A connection that never answered counts as a
failure too, so that a device which accepts and then hangs is not knocked at for ever in a rush.
"""

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from typing import NoReturn, TypeVar

from crumbmeter.field.spec import DeviceSpec
from crumbmeter.model.events import Event, event
from crumbmeter.model.faults import BadReplyError, DeviceExceptionError, ReconnectError, RetryLaterError
from crumbmeter.model.image import ReadOutcome
from crumbmeter.ports import Clock, FieldLink
from crumbmeter.runtime.backoff import Backoff, Chance
from crumbmeter.runtime.breaker import Breaker, Slots
from crumbmeter.runtime.tally import LinkTally
from crumbmeter.runtime.turns import Turns

T = TypeVar("T")
Report = Callable[[Event], None]
LinkFactory = Callable[[Sequence[DeviceSpec]], Sequence[FieldLink]]
"""Makes unopened links for the devices of one endpoint, over one new connection."""

ATTEMPT_SPACING_S = 1.0
"""[s] Process time from one attempt to connect to the next, at least (REQ-12)."""


_GATEWAY_TARGET = (10, 11)
"""Exceptions by which a gateway says that the unit behind it cannot be reached; the gateway itself is well."""


class NotConnectedError(ReconnectError):
    """There is no connection at the moment, or only probes go to the unit; nothing was sent."""

    def __init__(self, endpoint: str, outcome: ReadOutcome, cause: str) -> None:
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
        self.breakers = tuple(Breaker(device.breaker_failures, self._backoff_of(device, rng)) for device in devices)
        """In the order of the devices."""
        self.slots = Slots(self.breakers, clock)
        self._stopping = False
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

    @staticmethod
    def _backoff_of(device: DeviceSpec, rng: Chance) -> Backoff:
        return Backoff(shortest_s=device.backoff_min_s, longest_s=device.backoff_max_s, rng=rng)

    @property
    def shared(self) -> bool:
        """Tell whether several devices use it."""
        return len(self._devices) > 1

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
        self._stopping = self._stopping or at_once
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
        wait_s = max(self._backoff.delay_s(self._failures), ATTEMPT_SPACING_S)
        self._next_attempt_s = self._last_attempt_s + wait_s
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
        self.slots.busy = True
        began_s = self._clock.now_s()
        try:
            self._require(position)
            await self._wait_gap(position)
            answer = await ask(self._require(position))
        except NotConnectedError:
            raise
        except BaseException as fault:
            self._note_fault(position, fault, began_s)
            if isinstance(fault, DeviceExceptionError):
                self._note_answer()
            elif not getattr(fault, "link_sound", False):
                await self._drop(fault)
            raise
        else:
            self._note_answer()
            if self.breakers[position].answered():
                # It may have been off: what it was told before is not known to hold.
                self.generation += 1
            return answer
        finally:
            self._note_end(position)
            self.slots.note_free()
            self._turns.give()

    def _note_fault(self, position: int, fault: BaseException, began_s: float) -> None:
        """Tell the unit's breaker, where the fault is the unit's own."""
        now_s = self._clock.now_s()
        if isinstance(fault, DeviceExceptionError):
            own = fault.code in _GATEWAY_TARGET
            if not own:
                self.breakers[position].answered()
        else:
            own = isinstance(fault, RetryLaterError | BadReplyError) and not fault.withheld
        if own:
            self.breakers[position].failed(now_s, now_s - began_s)
            self.slots.note_cost(began_s, now_s)

    def _require(self, position: int) -> FieldLink:
        if not self._links:
            raise NotConnectedError(self.name, *self._cause)
        return self._links[position]

    def require_closed(self, position: int) -> None:
        """Raise NotConnectedError where the unit is only probed, and others share its connection (REQ-11)."""
        if self.shared and self.breakers[position].open and not self._stopping:
            device = self._devices[position].device_id
            raise NotConnectedError(self.name, ReadOutcome.TIMEOUT, f"{device} does not answer and is only probed")

    async def _wait_gap(self, position: int) -> None:
        if self._devices[position].request_gap_s > 0.0:
            await self._clock.sleep_until(self._quiet_until_s[position])

    def _note_end(self, position: int) -> None:
        gap_s = self._devices[position].request_gap_s
        if gap_s > 0.0:
            self._quiet_until_s[position] = self._clock.now_s() + gap_s
