"""The desk put together: link to control, people, streams, server. The one place of this process that knows all."""

import asyncio
import contextlib
import os
import random
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final, NoReturn

from crumbmeter.adapters.clock import RealClock
from crumbmeter.adapters.logs import log_event
from crumbmeter.model.events import event
from crumbmeter.runtime.supervisor import Supervisor
from crumbmeter.site import Site
from crumbmeter.web.api import make_app
from crumbmeter.web.door import Door, Report, open_people
from crumbmeter.web.faults import DeskRefusedError
from crumbmeter.web.hashing import Hasher
from crumbmeter.web.link import ControlLink
from crumbmeter.web.parts import Json, Parts
from crumbmeter.web.people import People
from crumbmeter.web.server import listen, make_server
from crumbmeter.web.sessions import Session, Sessions
from crumbmeter.web.stream import Streams
from crumbmeter.web.ticket_inbox import ticket_inbox
from crumbmeter.web.trend import sample_of

BEAT_S: Final = 1.0
FAREWELL_S: Final = 0.3
"""[s] Streams may take so long to end by themselves."""
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


class Desk:
    """One run of the desk. Build it inside the loop."""

    def __init__(
        self, site: Site, say_once: Callable[[str], None], report: Report = log_event, *, training: bool = False
    ) -> None:
        """Open what can be refused: people, port, certificate.

        Args:
            site: Site.
            say_once: Gets the first integrator's one-time password, for a person's eyes; never the log.
            report: Gets every event.
            training: Whether the plant behind it is one for practice.

        Raises:
            DeskRefusedError: it does not start; the text says why.
        """
        self._site = site
        self._report = report
        self.clock = RealClock()
        hasher = Hasher()
        self.streams = Streams()
        self.sessions = Sessions(site.desk.session_s, self._session_ended)
        self.link = ControlLink(site.socket, self.clock, report)
        self._line = listen(site.desk)
        try:
            people, password = _people(site.desk.people, hasher)
            self.parts = Parts(
                site=site,
                clock=self.clock,
                sessions=self.sessions,
                door=Door(site.desk.people, people, hasher, self.sessions, self.clock, report),
                link=self.link,
                streams=self.streams,
                report=report,
                zone=zone_name(),
                secure=site.desk.behind_proxy or site.desk.tls_certificate is not None,
                training=training,
            )
            self._server = make_server(make_app(self.parts), site.desk)
        except BaseException:
            self._line.close()
            raise
        if password:
            say_once(password)
        self.streams.drop = self._server.drop
        self.streams.opening = self._opening
        self.link.on_view = self._on_view
        self._supervisor = self._tasks()

    def _tasks(self) -> Supervisor:
        tasks = Supervisor(self.clock, random.Random().random, self._report)  # noqa: S311 - jitter of a back-off
        tasks.add("link", self.link.run)
        tasks.add("beat", self._beat_for_ever)
        inbox = ticket_inbox(self.parts)
        if inbox is not None:
            tasks.add("tickets", inbox.run)
        tasks.add("server", self._serve, critical=True)
        return tasks

    async def run(self) -> None:
        """Serve until `stop`."""
        desk = self._site.desk
        scheme = "http" if desk.tls_certificate is None else "https"
        self._report(
            event(
                "desk_started", address=f"{scheme}://{desk.address}:{desk.port}", socket=str(self._site.socket),
                people=len(self.parts.door.people), site_id=self._site.params.site_id,
            )
        )  # fmt: skip
        try:
            await self._supervisor.run()
        finally:
            await self._supervisor.stop()
            self._report(event("desk_stopped"))

    def stop(self) -> None:
        """End all streams, then the server; `run` returns within two seconds. Safe to call from a signal handler."""
        self.streams.close()
        self._server.should_exit = True
        asyncio.get_running_loop().call_later(FAREWELL_S + 0.2, self._server.drop_all)

    async def _serve(self) -> None:
        await self._server.serve(sockets=[self._line])
        self._supervisor.leave()

    def _on_view(self) -> None:
        view = self.parts.view()
        self.streams.publish("view", view, view.get("seq"))

    async def _beat_for_ever(self) -> NoReturn:
        due_s = self.clock.now_s()
        while True:
            self.beat()
            due_s = max(due_s + BEAT_S, self.clock.now_s())
            await self.clock.sleep_until(due_s)

    def beat(self) -> None:
        """Do what is done once a second: the beat of the streams, a sample of the trend, sessions that are over."""
        self.streams.publish("beat", self._beat_body())
        self.link.look()
        if self.link.up and self.link.view is not None:
            self.parts.trend.put(self.parts.wall_us() // 1_000_000, sample_of(self.link.view))
        self.sessions.sweep(self.clock.now_s())

    def _beat_body(self) -> Json:
        now = _EPOCH + timedelta(microseconds=self.parts.wall_us())
        return {"wall_time": now.isoformat(timespec="milliseconds").replace("+00:00", "Z"), "link": self.link.body()}

    def _opening(self) -> Iterator[tuple[str, Json, object]]:
        """Yield what a stream begins with, so that a page need not wait for it."""
        if self.link.view is not None:
            view = self.parts.view()
            yield "view", view, view.get("seq")
        yield "beat", self._beat_body(), None

    def _session_ended(self, session: Session, why: str) -> None:
        self._report(event("session_ended", person=session.name, why=why))
        self.streams.session_ended(session, why)


def zone_name() -> str:
    """Return the machine's time zone by its name, or UTC where it does not say."""
    said = os.environ.get("TZ", "").removeprefix(":")
    if said:
        return said
    with contextlib.suppress(OSError):
        _, found, name = str(Path("/etc/localtime").readlink()).partition("zoneinfo/")
        if found:
            return name
    return "UTC"


def _people(path: Path, hasher: Hasher) -> tuple[People, str]:
    try:
        return open_people(path, hasher)
    except OSError as fault:
        raise DeskRefusedError(
            f"{path} cannot be written ({fault.strerror or fault}): it is the file of people, [desk] people"
        ) from fault
