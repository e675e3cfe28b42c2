"""Schemathesis against the application in this process, logged in and not: whatever is sent, it keeps its document."""

import asyncio
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any, cast

import pytest
import schemathesis
from hypothesis import HealthCheck, settings
from schemathesis.specs.openapi.checks import ignored_auth

from crumbmeter.model.commands import Command
from crumbmeter.model.events import Event, event
from crumbmeter.web.api import make_app
from crumbmeter.web.parts import Parts
from tests.fakes import FakeClock
from tests.system.daemons import small_in_thread
from tests.unit.web.making import Bench

APP = make_app(cast("Parts", None))  # parts come with the bench; the document needs none
schema = schemathesis.openapi.from_asgi("/api/openapi.json", APP)
Case = schemathesis.Case[Any]
EXAMPLES = settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much]
)


def outcome(command: Command) -> Event:
    """Every other command is refused."""
    name = "command_refused" if len(command.subject) % 2 else "done"
    return event(name, command_id=command.command_id, why="so that both are seen")


def _opening(made: Bench) -> Iterator[tuple[str, object, object]]:
    """Begin with a view, and end right after it: the caller reads to the end."""
    yield "view", made.parts.view(), 7
    asyncio.get_running_loop().call_soon(lambda: next(iter(made.streams._clients)).end())


@pytest.fixture(scope="module")
def bench() -> Iterator[Bench]:
    """A desk whose control is a real socket in a thread; its streams end by themselves after what they begin with."""
    with tempfile.TemporaryDirectory(prefix="crumbmeter-test-") as folder:
        socket = Path(folder) / "s"
        with small_in_thread(socket, outcome):
            made = Bench(Path(folder), FakeClock(), socket)
            made.hear()
            made.streams.opening = lambda: _opening(made)
            APP.state.parts = made.parts
            yield made


@schema.parametrize()
@EXAMPLES
def test_not_logged_in(bench: Bench, case: Case) -> None:
    answer = case.call_and_validate()
    if case.path not in ("/health", "/api/v1/session") or case.method == "DELETE":
        assert answer.status_code in (400, 401, 405, 422)


class LoggedIn:
    """Marks a case as one of somebody who is logged in; the session itself is made when the case is called."""

    def get(self, _case: Case, _context: schemathesis.AuthContext) -> str:
        return "to be made"

    def set(self, case: Case, data: str, _context: schemathesis.AuthContext) -> None:
        case.cookies["crumbmeter_session"] = case.headers["X-Crumbmeter-Token"] = data


@schema.auth(LoggedIn)
@schema.parametrize()
@EXAMPLES
def test_logged_in(bench: Bench, case: Case) -> None:
    session_id, session = bench.sessions.begin("integrator", 0.0)  # a new one each time: some cases end theirs
    case.cookies["crumbmeter_session"] = session_id
    case.headers["X-Crumbmeter-Token"] = bench.sessions.token(session)
    # That check takes a session that it has not made itself for none; test_access.py has all operations without one.
    case.call_and_validate(excluded_checks=[ignored_auth])
