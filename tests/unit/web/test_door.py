"""Login, passwords and people over the API: what is answered, what ends, what is told, and that no secret is."""

import asyncio
import json
from dataclasses import replace
from typing import Any

import pytest
from argon2 import PasswordHasher

from crumbmeter.web import hashing
from crumbmeter.web.faults import DeskError
from crumbmeter.web.hashing import Hasher
from crumbmeter.web.people import Role, read_people, write_people
from crumbmeter.web.tries import FREE
from tests.fakes import FakeClock
from tests.unit.web.making import PASSWORD, QUICK, SITE, Bench, Browser

NEW = "another long pass phrase"


async def test_a_login_gives_a_cookie_that_scripts_and_other_sites_do_not_get(bench: Bench) -> None:
    browser = Browser(bench.app)
    assert await browser.ask("GET", "/api/v1/session") == (200, {"who": None})
    body = await browser.login("operator")
    assert body == {
        "who": "operator", "role": "operator", "token": body["token"], "ends_in_s": 43200.0,
        "must_change_password": False,
    }  # fmt: skip
    cookie = browser.headers["set-cookie"]
    assert {"HttpOnly", "SameSite=strict", "Path=/"} <= set(cookie.split("; "))
    assert "Secure" not in cookie, "over plain HTTP on the loopback a browser would not send it back"
    assert await browser.ask("GET", "/api/v1/session") == (200, body)


async def test_behind_tls_or_a_proxy_that_does_it_the_cookie_is_secure(bench: Bench) -> None:
    bench.app.state.parts = replace(bench.parts, secure=True)
    browser = Browser(bench.app)
    await browser.login("operator")
    assert "Secure" in browser.headers["set-cookie"].split("; ")


async def test_logout_ends_the_session_for_good(bench: Bench) -> None:
    browser = Browser(bench.app)
    await browser.login("operator")
    cookie = browser.cookie
    assert (await browser.ask("DELETE", "/api/v1/session"))[0] == 204
    browser.cookie = cookie
    assert await browser.ask("GET", "/api/v1/session") == (200, {"who": None})


async def test_another_login_in_the_same_browser_ends_the_first(bench: Bench) -> None:
    browser = Browser(bench.app)
    await browser.login("operator")
    before = browser.cookie
    await browser.login("viewer")
    browser.cookie = before
    assert await browser.ask("GET", "/api/v1/session") == (200, {"who": None})


@pytest.mark.parametrize(("name", "password"), [("operator", "wrong"), ("nobody", PASSWORD), ("", "")])
async def test_wrong_name_and_wrong_password_are_answered_alike(bench: Bench, name: str, password: str) -> None:
    status, answer = await Browser(bench.app).ask("POST", "/api/v1/session", {"name": name, "password": password})
    assert status == 401
    assert answer["error"]["found"] == "name and password do not belong together"


async def test_an_unknown_name_costs_a_verification_too(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same work for all: a name cannot be found out by the time that the answer takes."""
    verified: list[str] = []
    real = bench.hasher._argon2.verify

    class Watched(PasswordHasher):
        def verify(self, hash: Any, password: Any) -> Any:  # noqa: A002 - the library's name
            verified.append(str(hash)[:9])
            return real(hash, password)

    monkeypatch.setattr(bench.hasher, "_argon2", Watched(**QUICK))
    for name in ("operator", "nobody"):
        await Browser(bench.app).ask("POST", "/api/v1/session", {"name": name, "password": "wrong"})
    assert verified == ["$argon2id", "$argon2id"]
    assert PasswordHasher().check_needs_rehash(Hasher()._nobody) is False, "made with the same parameters as all"


async def test_after_some_failures_even_the_right_password_has_to_wait(bench: Bench, clock: FakeClock) -> None:
    browser = Browser(bench.app)
    for _ in range(FREE + 1):
        assert (await browser.ask("POST", "/api/v1/session", {"name": "operator", "password": "x"}))[0] == 401
    status, answer = await browser.ask("POST", "/api/v1/session", {"name": "operator", "password": PASSWORD})
    assert (status, browser.headers["retry-after"]) == (429, "2")
    assert answer["error"]["expected"] == "a pause of 2 s"
    await clock.advance(2.0)
    await browser.login("operator")
    assert [one.get("person") for one in bench.told("login_failed")] == ["operator"] * (FREE + 1)
    assert len(bench.told("login_held_off")) == 1


async def test_behind_a_proxy_the_last_word_on_the_address_counts(bench: Bench) -> None:
    site = replace(SITE, desk=replace(SITE.desk, behind_proxy=True))
    bench.app.state.parts = replace(bench.parts, site=site)
    for number in range(FREE + 1):
        said = {"x-forwarded-for": f"10.9.9.{number}, 198.51.100.4"}
        await Browser(bench.app).ask("POST", "/api/v1/session", {"name": f"n{number}", "password": "x"}, said)
    held = {"x-forwarded-for": "10.0.0.1, 198.51.100.4"}
    free = {"x-forwarded-for": "198.51.100.4, 10.0.0.1"}
    body = {"name": "operator", "password": PASSWORD}
    assert (await Browser(bench.app).ask("POST", "/api/v1/session", body, held))[0] == 429
    assert (await Browser(bench.app).ask("POST", "/api/v1/session", body, free))[0] == 200


async def test_without_a_proxy_nobody_chooses_their_address(bench: Bench) -> None:
    for number in range(FREE + 1):
        said = {"x-forwarded-for": f"10.9.9.{number}"}
        await Browser(bench.app).ask("POST", "/api/v1/session", {"name": f"n{number}", "password": "x"}, said)
    said = {"x-forwarded-for": "10.0.0.1"}
    body = {"name": "operator", "password": PASSWORD}
    assert (await Browser(bench.app).ask("POST", "/api/v1/session", body, said))[0] == 429


async def test_ones_own_change_ends_ones_other_sessions_alone(bench: Bench) -> None:
    here, there = Browser(bench.app), Browser(bench.app)
    await here.login("operator")
    await there.login("operator")
    assert (await here.ask("POST", "/api/v1/session/password", {"old": PASSWORD, "new": NEW}))[0] == 204
    assert (await here.ask("GET", "/api/v1/session"))[1]["who"] == "operator"
    assert await there.ask("GET", "/api/v1/session") == (200, {"who": None})
    await Browser(bench.app).login("operator", NEW)
    stored = (read_people(bench.path) or {})["operator"]
    assert PasswordHasher(**QUICK).verify(stored.password_hash, NEW)


@pytest.mark.parametrize(
    ("old", "new", "status"),
    [
        ("wrong", NEW, 401),
        (PASSWORD, PASSWORD, 409),
        (PASSWORD, "my-Operator-1", 409),
        (PASSWORD, "short", 422),
        (PASSWORD, "x" * 201, 422),
        (PASSWORD, 1234567890, 422),
    ],
)
async def test_a_password_that_will_not_do_changes_nothing(bench: Bench, old: str, new: Any, status: int) -> None:
    browser = Browser(bench.app)
    await browser.login("operator")
    found, answer = await browser.ask("POST", "/api/v1/session/password", {"old": old, "new": new})
    assert found == status, answer
    assert PASSWORD not in json.dumps(answer)
    await Browser(bench.app).login("operator")


async def test_guessing_ones_old_password_is_held_off_too(bench: Bench) -> None:
    browser = Browser(bench.app)
    await browser.login("operator")
    found = [
        (await browser.ask("POST", "/api/v1/session/password", {"old": "x", "new": NEW}))[0] for _ in range(FREE + 2)
    ]
    assert found == [401] * (FREE + 1) + [429]


async def test_somebody_is_added_used_reset_and_removed(bench: Bench) -> None:
    boss, ana = Browser(bench.app), Browser(bench.app)
    await boss.login("integrator")
    status, made = await boss.ask("POST", "/api/v1/people", {"name": "ana", "role": "operator"})
    assert (status, made["name"]) == (201, "ana")
    assert (await boss.ask("POST", "/api/v1/people", {"name": "ana", "role": "viewer"}))[0] == 409
    _, people = await boss.ask("GET", "/api/v1/people")
    assert {"name": "ana", "role": "operator", "must_change_password": True} in people
    await ana.login("ana", made["password"])
    status, again = await boss.ask("POST", "/api/v1/people/ana/password")
    assert status == 200
    assert await ana.ask("GET", "/api/v1/session") == (200, {"who": None}), "the session ended with the password"
    assert (await ana.ask("POST", "/api/v1/session", {"name": "ana", "password": made["password"]}))[0] == 401
    await ana.login("ana", again["password"])
    assert (await boss.ask("DELETE", "/api/v1/people/ana"))[0] == 204
    assert await ana.ask("GET", "/api/v1/session") == (200, {"who": None})
    assert (await boss.ask("DELETE", "/api/v1/people/ana"))[0] == 404
    assert (await boss.ask("POST", "/api/v1/people/ana/password"))[0] == 404
    assert "ana" not in (read_people(bench.path) or {})
    assert [one.name for one in bench.events if one.get("person") == "ana" and one.get("by") == "integrator"] == [
        "person_added", "password_changed", "person_removed",
    ]  # fmt: skip


async def test_the_last_integrator_stays(bench: Bench) -> None:
    boss = Browser(bench.app)
    await boss.login("integrator")
    status, answer = await boss.ask("DELETE", "/api/v1/people/integrator")
    assert status == 409
    assert answer["error"]["remedy"] == "Add another integrator first."
    await boss.ask("POST", "/api/v1/people", {"name": "second", "role": "integrator"})
    assert (await boss.ask("DELETE", "/api/v1/people/integrator"))[0] == 204


async def test_two_changes_at_once_lose_neither(bench: Bench) -> None:
    names = [f"person{number}" for number in range(8)]
    await asyncio.gather(*(bench.door.add(name, Role.VIEWER, "integrator") for name in names))
    assert set(names) <= set(read_people(bench.path) or {})


async def test_what_cannot_be_written_does_not_hold(bench: Bench) -> None:
    boss = Browser(bench.app)
    await boss.login("integrator")
    (bench.path.parent / "people.json.new").mkdir()  # in the way of the file that is written first
    status, answer = await boss.ask("POST", "/api/v1/people", {"name": "ana", "role": "viewer"})
    assert status == 503
    assert answer["error"]["remedy"].startswith("Nothing was changed")
    assert "ana" not in {one.name for one in bench.door.people}
    assert len(bench.told("people_not_written")) == 1


async def test_a_hash_of_older_parameters_is_made_anew_at_login(bench: Bench) -> None:
    old = PasswordHasher(time_cost=2, memory_cost=16, parallelism=1).hash(PASSWORD)
    bench.door._people["operator"] = replace(bench.people["operator"], password_hash=old)
    await Browser(bench.app).login("operator")
    stored = (read_people(bench.path) or {})["operator"].password_hash
    assert stored != old
    assert not bench.hasher.is_old(stored)
    await Browser(bench.app).login("operator")
    assert (read_people(bench.path) or {})["operator"].password_hash == stored


async def test_no_more_than_two_are_verified_at_a_time_and_the_loop_goes_on(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    running, most, turns = 0, 0, 0
    real = bench.hasher._verify

    def watched(password_hash: str, password: str) -> bool:
        nonlocal running, most
        running += 1
        most = max(most, running)
        right = real(password_hash, password)
        running -= 1
        return right

    monkeypatch.setattr(bench.hasher, "_verify", watched)
    real_one = PasswordHasher().hash(PASSWORD)
    tries = [asyncio.ensure_future(bench.hasher.verify(real_one, "x")) for _ in range(4)]
    while not all(one.done() for one in tries):
        turns += 1
        await asyncio.wait(tries, timeout=0.001)
    assert not any(one.result() for one in tries)
    assert most == hashing.AT_A_TIME
    assert turns > len(tries)


async def test_too_many_logins_at_once_are_sent_away(bench: Bench) -> None:
    waiting = [asyncio.ensure_future(bench.hasher.verify(None, "x")) for _ in range(hashing.MOST_WAITING)]
    await asyncio.wait(waiting, timeout=0)
    with pytest.raises(DeskError) as refused:
        await bench.hasher.verify(None, "x")
    assert refused.value.status == 503
    await asyncio.gather(*waiting)
    assert not await bench.hasher.verify(None, "x")


async def test_nothing_that_is_told_holds_a_secret(bench: Bench) -> None:
    browser = Browser(bench.app)
    await browser.login("integrator")
    await browser.ask("POST", "/api/v1/session", {"name": PASSWORD, "password": "operator"})
    _, made = await browser.ask("POST", "/api/v1/people", {"name": "ana", "role": "viewer"})
    await browser.ask("POST", "/api/v1/session/password", {"old": PASSWORD, "new": NEW})
    told = repr(bench.events)
    for secret in (PASSWORD, NEW, made["password"], browser.token, browser.cookie.partition("=")[2], "$argon2id"):
        assert secret not in told
    assert bench.told("login_failed")[0].get("person") == "(unknown)"


async def test_a_person_who_is_removed_while_the_password_is_verified_does_not_get_in(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = bench.hasher.verify

    async def slow(password_hash: str | None, password: str) -> bool:
        right = await real(password_hash, password)
        await bench.door.remove("viewer", "integrator")
        return right

    monkeypatch.setattr(bench.hasher, "verify", slow)
    status, _ = await Browser(bench.app).ask("POST", "/api/v1/session", {"name": "viewer", "password": PASSWORD})
    assert status == 401
    assert len(bench.sessions) == 0


async def test_a_session_of_somebody_who_is_no_longer_there_is_none(bench: Bench) -> None:
    browser = Browser(bench.app)
    await browser.login("viewer")
    write_people(bench.path, {})
    del bench.door._people["viewer"]
    assert await browser.ask("GET", "/api/v1/session") == (200, {"who": None})
