"""What the local socket says about links: counts of each unit, and raw frames of one device for a limited time."""

from collections.abc import Awaitable, Callable, Mapping, Sequence
from typing import Any, Protocol

from crumbmeter.outward import lines
from crumbmeter.outward.lines import Request

Write = Callable[[bytes], Awaitable[None]]


class Frame(Protocol):
    """One frame (`runtime.trace.Frame`)."""

    @property
    def at_us(self) -> int:
        """[us] Return UTC since 1970."""
        ...

    @property
    def sent(self) -> bool:
        """Tell whether it went out."""
        ...

    @property
    def data(self) -> bytes:
        """Return its bytes."""
        ...

    @property
    def meaning(self) -> str:
        """Return it in words."""
        ...


class Session(Protocol):
    """Frames of one device (`runtime.trace.TraceSession`)."""

    lost: int

    async def take(self) -> Sequence[Frame]:
        """Wait for frames; empty once the time is over."""
        ...

    def close(self) -> None:
        """End it."""
        ...


class LinkDesk:
    """Answers `links` and `trace`."""

    def __init__(
        self,
        links: Callable[[], Sequence[Mapping[str, Any]]] = tuple,
        trace: Callable[[str, float], Session | None] = lambda _device, _seconds: None,
    ) -> None:
        """Prepare.

        Args:
            links: Plain JSON values for each device.
            trace: Begins to look at a device for so many seconds; None where there is no such device.
        """
        self._links = links
        self._trace = trace

    def links_bytes(self, tag: str | int | None) -> bytes:
        """Make the line for all links."""
        return lines.answer("links", tag, {"links": list(self._links())})

    async def trace(self, request: Request, write: Write) -> None:
        """Send frames as they come, and at the end how many there were. Ends by itself."""
        ask, tag = request.trace, request.tag
        session = None if ask is None else self._trace(ask.device, ask.seconds)
        if ask is None or session is None:
            links = {str(link["device"]): link for link in self._links()}
            why = f"no device {ask.device if ask else ''!r}; there are {', '.join(links)}"
            if ask is not None and links.get(ask.device, {}).get("opcua") is not None:
                why = f"{ask.device} speaks OPC UA: no raw frames are shown; its counts are among the links"
            await write(lines.answer("error", tag, {"why": why}))
            return
        count = 0
        try:
            while frames := await session.take():
                for frame in frames:
                    count += 1
                    body = {"at_us": frame.at_us, "sent": frame.sent, "bytes": frame.data.hex(), "says": frame.meaning}
                    await write(lines.answer("frame", tag, {"device": ask.device, **body}))
            await write(lines.answer("trace", tag, {"device": ask.device, "frames": count, "lost": session.lost}))
        finally:
            session.close()
