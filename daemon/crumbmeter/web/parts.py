"""What the handlers of the API share: made once, before the first request."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from starlette.requests import Request

from crumbmeter.adapters.clock import machine_wall_us
from crumbmeter.model.events import Event
from crumbmeter.ports import Clock
from crumbmeter.site import Site
from crumbmeter.web.door import Door
from crumbmeter.web.faults import DeskError
from crumbmeter.web.link import ControlLink
from crumbmeter.web.quality import Quality
from crumbmeter.web.sessions import Sessions
from crumbmeter.web.stream import Streams
from crumbmeter.web.trend import Trend

Json = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Parts:
    """All that a request may need."""

    site: Site
    clock: Clock
    sessions: Sessions
    door: Door
    link: ControlLink
    streams: Streams
    report: Callable[[Event], None]
    zone: str
    secure: bool
    """Browsers reach the desk over TLS alone, its own or a proxy's."""
    training: bool = False
    """The plant behind it is one for practice."""
    wall_us: Callable[[], int] = machine_wall_us
    """[us] UTC since 1970 by the machine's wall clock."""
    trend: Trend = field(default_factory=Trend)
    quality: Quality = field(init=False)

    def __post_init__(self) -> None:
        """Open the way to the records of this site."""
        object.__setattr__(self, "quality", Quality(self.site))

    def view(self) -> Json:
        """Make the newest view with the link's state.

        Raises:
            DeskError: 503 before the first one.
        """
        if self.link.view is None:
            raise DeskError(
                503, "control", "no view has come yet", "control that runs",
                "See whether `crumbmeter run` runs on this site.", retry_after_s=2,
            )  # fmt: skip
        return self.link.view | {"link": self.link.body()}


def parts_of(request: Request) -> Parts:
    """Find the parts behind a request."""
    parts: Parts = request.app.state.parts
    return parts
