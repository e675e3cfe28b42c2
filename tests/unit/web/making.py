"""The application with its parts in one process, and a browser that calls it without a socket."""

import json
from pathlib import Path
from typing import Any

from argon2 import PasswordHasher
from fastapi import FastAPI

from crumbmeter.model.events import Event
from crumbmeter.outward import lines
from crumbmeter.ports import Clock
from crumbmeter.site import Site, load
from crumbmeter.web.api import make_app
from crumbmeter.web.door import Door
from crumbmeter.web.hashing import Hasher
from crumbmeter.web.link import ControlLink
from crumbmeter.web.parts import Parts
from crumbmeter.web.people import Person, Role, write_people
from crumbmeter.web.sessions import Session, Sessions
from crumbmeter.web.stream import Streams
from tests.system.daemons import SETTINGS
from tests.unit.outward.samples import NAMES, ORIGIN, scan

ROOT = Path(__file__).resolve().parents[3]
SITE = load(ROOT / "config" / "sites" / "demo_drum.toml")
QUICK: dict[str, Any] = {"time_cost": 1, "memory_cost": 8, "parallelism": 1}
"""Parameters with which a hash takes no time: what is tested is what is done with it."""
PASSWORD = "a long enough pass phrase"  # noqa: S105 - of people who live for one test
TITLED = {**SETTINGS, "control_allowed": True, "version": "1", "mixes": ["surface_10"]}


_made: list[FastAPI] = []


def _application(parts: Parts) -> FastAPI:
    """Return the one application of all tests, around these parts: its routes take a while to be made."""
    if not _made:
        _made.append(make_app(parts))
    _made[0].state.parts = parts
    return _made[0]


def quick_hasher() -> Hasher:
    return Hasher(PasswordHasher(**QUICK))


class Bench:
    """A desk without a server."""

    def __init__(self, folder: Path, clock: Clock, socket: Path | None = None, *, site: Site = SITE) -> None:
        self.events: list[Event] = []
        self.path = folder / "desk" / "people.json"
        self.hasher = quick_hasher()
        self.people = {
            role.value: Person(role.value, role, self.hasher.hash_now(PASSWORD), one_time=False) for role in Role
        }
        write_people(self.path, self.people)
        self.streams = Streams()
        self.sessions = Sessions(site.desk.session_s, self._ended)
        self.link = ControlLink(socket or folder / "no-socket", clock, self.events.append)
        self.door = Door(self.path, self.people, self.hasher, self.sessions, clock, self.events.append)
        self.parts = Parts(
            site=site, clock=clock, sessions=self.sessions, door=self.door, link=self.link, streams=self.streams,
            report=self.events.append, zone="UTC", secure=False, wall_us=clock.wall_us,
        )  # fmt: skip
        self.app = _application(self.parts)
        self.clock = clock

    def _ended(self, session: Session, why: str) -> None:
        self.streams.session_ended(session, why)

    def hear(self, **changes: Any) -> None:
        """Let a view come from control, made as control makes it."""
        body = lines.view_line(ORIGIN, NAMES, scan(7, began_s=self.clock.now_s(), **changes), self.clock.now_s())
        self.link.settings = dict(TITLED)
        self.link.heard({"answer": "view", **json.loads(json.dumps(body))})

    def told(self, name: str) -> list[Event]:
        return [one for one in self.events if one.name == name]


class Browser:
    """Calls the application; keeps cookie and token as a page does."""

    def __init__(self, app: FastAPI, address: str = "192.0.2.7") -> None:
        self.app = app
        self.address = address
        self.cookie = ""
        self.token = ""
        self.headers: dict[str, str] = {}

    async def ask(
        self, method: str, path: str, body: object = None, headers: dict[str, str] | None = None
    ) -> tuple[int, Any]:
        """Make one request; return status and the JSON of the answer."""
        sent = {"cookie": self.cookie, "x-crumbmeter-token": self.token, "host": "desk"} | (headers or {})
        data = b""
        if body is not None:
            data = body if isinstance(body, bytes) else json.dumps(body).encode()
            sent.setdefault("content-type", "application/json")
        status, self.headers, raw = await call(self.app, method, path, sent, data, self.address)
        cookie = self.headers.get("set-cookie", "")
        if cookie:
            self.cookie = cookie.partition(";")[0]
        is_json = self.headers.get("content-type") == "application/json"
        return status, json.loads(raw) if raw and is_json else raw or None

    async def login(self, name: str, password: str = PASSWORD) -> dict[str, Any]:
        status, body = await self.ask("POST", "/api/v1/session", {"name": name, "password": password})
        assert status == 200, body
        self.token = body["token"]
        return dict(body)


async def call(
    app: FastAPI, method: str, path: str, headers: dict[str, str], data: bytes, address: str
) -> tuple[int, dict[str, str], bytes]:
    """Make one ASGI call."""
    path, _, query = path.partition("?")
    scope = {
        "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": method, "scheme": "http",
        "path": path, "raw_path": path.encode(), "query_string": query.encode(), "root_path": "",
        "headers": [(key.encode(), value.encode("latin-1")) for key, value in headers.items() if value],
        "client": (address, 40000), "server": ("desk", 80),
    }  # fmt: skip
    sent: list[Any] = []
    bodies = iter([{"type": "http.request", "body": data, "more_body": False}])

    async def receive() -> Any:
        return next(bodies, {"type": "http.disconnect"})

    async def send(message: Any) -> None:
        sent.append(message)

    await app(scope, receive, send)
    head = next(message for message in sent if message["type"] == "http.response.start")
    raw = b"".join(message.get("body", b"") for message in sent if message["type"] == "http.response.body")
    return head["status"], {key.decode(): value.decode() for key, value in head["headers"]}, raw
