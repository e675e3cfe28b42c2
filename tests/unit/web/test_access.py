"""Who may do what, taken from the API's own document, so that no operation is forgotten."""

from collections.abc import Iterator
from typing import Any

import pytest
from fastapi import FastAPI

from crumbmeter.web import routes_door, routes_pages, routes_plant, routes_quality
from crumbmeter.web.people import MAY_ACT_AS, Role
from tests.unit.web.making import Bench, Browser

METHODS = ("get", "post", "put", "patch", "delete")
BODIES: dict[str, Any] = {
    "/api/v1/session": {"name": "viewer", "password": "wrong password"},
    "/api/v1/session/password": {"old": "wrong password", "new": "another long pass phrase"},
    "/api/v1/people": {"name": "new.person", "role": "viewer"},
    "/api/v1/commands": {"kind": "stop feed"},
}
OPEN = {("get", "/health"), ("get", "/api/v1/session"), ("post", "/api/v1/session")}
"""What anybody may ask for."""


def operations() -> Iterator[tuple[str, str, str, bool]]:
    """Yield method, path, role and whether it changes something, of everything in the document."""
    for path, methods in _document()["paths"].items():
        for method in METHODS:
            if method in methods:
                says = methods[method]
                yield method, path, says["x-crumbmeter-role"], says["x-crumbmeter-changes"]


def _document() -> dict[str, Any]:
    app = FastAPI()
    for router in (routes_pages.open_router, routes_door.router, routes_plant.router, routes_quality.router):
        app.include_router(router)
    return app.openapi()


ALL = list(operations())
CLOSED = [one for one in ALL if one[:2] not in OPEN]
CHANGING = [one for one in CLOSED if one[3]]


def ask_words(method: str, path: str) -> tuple[str, str, Any]:
    return (
        method.upper(),
        path.replace("{name}", "viewer").replace("{kind}", "pdf"),
        BODIES.get(path) if method == "post" else None,
    )


def test_the_document_is_that_of_the_application(bench: Bench) -> None:
    paths = bench.app.openapi()["paths"]
    assert {(method, path) for path, found in paths.items() for method in METHODS if method in found} == {
        one[:2] for one in ALL
    }
    assert len(CHANGING) >= 6
    assert len(CLOSED) >= 14


def test_whatever_is_not_a_get_says_that_it_changes_something() -> None:
    assert [one for one in CLOSED if (one[0] != "get") != one[3]] == []


@pytest.mark.parametrize(("method", "path", "role", "changes"), CLOSED)
async def test_nothing_without_a_session(bench: Bench, method: str, path: str, role: str, changes: bool) -> None:
    browser = Browser(bench.app)
    verb, where, body = ask_words(method, path)
    status, answer = await browser.ask(verb, where, body)
    assert status == 401, answer
    assert answer["error"]["remedy"] == "Log in."
    browser.cookie, browser.token = "crumbmeter_session=made-up", "made-up"
    assert (await browser.ask(verb, where, body))[0] == 401


@pytest.mark.parametrize("token", ["", "made-up", "0" * 64])
@pytest.mark.parametrize(("method", "path", "role", "changes"), CHANGING)
async def test_no_change_without_the_token(
    bench: Bench, method: str, path: str, role: str, changes: bool, token: str
) -> None:
    browser = Browser(bench.app)
    await browser.login("integrator")
    browser.token = token
    status, answer = await browser.ask(*ask_words(method, path))
    assert status == 403, answer
    assert answer["error"]["place"] == "X-Crumbmeter-Token"
    assert bench.door.people == tuple(sorted(bench.people.values(), key=lambda one: one.name)), "nothing was done"


async def test_another_sessions_token_is_no_token(bench: Bench) -> None:
    mine, other = Browser(bench.app), Browser(bench.app)
    await mine.login("integrator")
    await other.login("integrator")
    mine.token = other.token
    assert (await mine.ask("POST", "/api/v1/people", BODIES["/api/v1/people"]))[0] == 403


@pytest.mark.parametrize("who", list(Role))
@pytest.mark.parametrize(("method", "path", "role", "changes"), [one for one in CLOSED if one[2] != "any"])
async def test_the_wrong_role_is_refused_and_the_right_one_is_not(
    bench: Bench, method: str, path: str, role: str, changes: bool, who: Role
) -> None:
    if path == "/api/v1/stream" and Role(role) in MAY_ACT_AS[who]:
        bench.streams.close()  # it would never end; that it may be read is in test_stream.py
    browser = Browser(bench.app)
    await browser.login(who.value)
    status, answer = await browser.ask(*ask_words(method, path))
    if Role(role) in MAY_ACT_AS[who]:
        assert (status != 403) or path == "/api/v1/commands", answer
    else:
        assert status == 403, answer
        assert answer["error"]["found"] == f"the role {who.value}"


@pytest.mark.parametrize(("method", "path", "role", "changes"), [one for one in CLOSED if one[2] != "any"])
async def test_with_a_one_time_password_nothing_can_be_done_but_to_change_it(
    bench: Bench, method: str, path: str, role: str, changes: bool
) -> None:
    boss = Browser(bench.app)
    await boss.login("integrator")
    status, made = await boss.ask("POST", "/api/v1/people", {"name": "new.one", "role": "integrator"})
    assert status == 201
    browser = Browser(bench.app)
    assert (await browser.login("new.one", made["password"]))["must_change_password"] is True
    status, answer = await browser.ask(*ask_words(method, path))
    assert status == 403, answer
    assert answer["error"]["found"] == "a one-time password"
