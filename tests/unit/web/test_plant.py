"""What the API says of the plant, and commands through a real control socket."""

import asyncio
import contextlib
import tempfile
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from crumbmeter.alarms.catalogue import CATALOGUE
from crumbmeter.model.commands import Command, CommandKind
from crumbmeter.model.events import Event, event
from crumbmeter.model.view import AlarmView
from crumbmeter.site import load
from crumbmeter.web.actions import OFFERED, actions
from crumbmeter.web.api import MOST_BODY
from crumbmeter.web.deeds import DEEDS, Subject
from crumbmeter.web.people import Role
from crumbmeter.web.view_models import Part, ViewBody
from tests.fakes import FakeClock
from tests.system.daemons import Small, small
from tests.unit.outward.samples import VIEW
from tests.unit.web.making import ROOT, SITE, Bench, Browser

STOPPED = {"control_enabled": False, "in_service": False}


async def logged_in(bench: Bench, role: str) -> Browser:
    browser = Browser(bench.app)
    await browser.login(role)
    return browser


def by_kind(role: Role, bench: Bench) -> dict[str, Any]:
    found = actions(role, bench.link.view, bench.link.settings, SITE, up=bench.link.up)
    return {one["kind"]: one for one in found}


@pytest.mark.parametrize("path", ["view", "settings"])
async def test_before_control_has_spoken_there_is_nothing_to_tell(bench: Bench, path: str) -> None:
    status, answer = await (await logged_in(bench, "viewer")).ask("GET", f"/api/v1/{path}")
    assert status == 503
    assert "crumbmeter run" in answer["error"]["remedy"]


async def test_the_view_is_controls_own_and_says_how_old_it_is(bench: Bench, clock: FakeClock) -> None:
    bench.hear()
    browser = await logged_in(bench, "viewer")
    _, view = await browser.ask("GET", "/api/v1/view")
    assert view.pop("link") == {"up": True, "silent_s": 0.0}
    assert view == bench.link.view
    await clock.advance(3.5)
    _, view = await browser.ask("GET", "/api/v1/view")
    assert view["link"] == {"up": False, "silent_s": 3.5}
    assert await browser.ask("GET", "/health") == (200, {"desk": "up", "link": {"up": False, "silent_s": 3.5}})


async def test_the_model_of_the_view_knows_every_key_that_control_sends(bench: Bench) -> None:
    """Extra keys are let through for newer controls; from this one there are none but the envelope's."""
    bench.hear()
    made = ViewBody.model_validate(bench.parts.view())
    extra: set[str] = set()

    def look(part: Part, place: str) -> None:
        extra.update(f"{place}{key}" for key in part.model_extra or ())
        for name in type(part).model_fields:
            value = getattr(part, name)
            for one in value if isinstance(value, list) else [value]:
                if isinstance(one, Part):
                    look(one, f"{place}{name}.")

    look(made, "")
    assert extra == {"answer", "schema", "type"}


async def test_settings_are_controls_with_what_the_desk_knows(bench: Bench) -> None:
    bench.hear()
    _, found = await (await logged_in(bench, "viewer")).ask("GET", "/api/v1/settings")
    assert {"training": False, "zone": "UTC", "title": "Demo drum", "units": "us"}.items() <= found.items()
    assert found["streams"] == ["aggregate", "rap", "binder"]


async def test_the_catalogue_is_whole(bench: Bench) -> None:
    _, found = await (await logged_in(bench, "viewer")).ask("GET", "/api/v1/alarms/catalogue")
    assert [one["alarm_id"] for one in found] == [spec.alarm_id for spec in CATALOGUE]
    assert all(one["consequence"] and one["remedy"] and one["time_to_act_s"] > 0 for one in found)


@pytest.mark.parametrize(("minutes", "status"), [(10, 200), (720, 200), (9, 422), (721, 422), ("x", 422), ("1e2", 422)])
async def test_the_trend_takes_ten_minutes_to_twelve_hours(bench: Bench, minutes: object, status: int) -> None:
    found, answer = await (await logged_in(bench, "viewer")).ask("GET", f"/api/v1/trend?minutes={minutes}")
    assert found == status, answer


def test_every_kind_of_command_has_its_deed() -> None:
    assert set(OFFERED) == {kind.value for kind in CommandKind}


def test_roles_are_those_agreed() -> None:
    integrator = {kind for kind, deed in DEEDS.items() if deed.role is Role.INTEGRATOR}
    assert integrator == {
        "enable control", "settle total", "accept weight", "confirm weight", "measure trip", "relearn line",
        "take alarm out of service", "return alarm to service",
    }  # fmt: skip
    assert {deed.role for kind, deed in DEEDS.items() if kind not in integrator} == {Role.OPERATOR}


async def test_a_viewer_may_do_nothing_and_is_told_who_may(bench: Bench) -> None:
    bench.hear()
    for role in (Role.VIEWER, Role.QC):
        found = by_kind(role, bench)
        allowed = {kind for kind, one in found.items() if one["allowed"]}
        assert allowed <= ({"hand over note"} if role is Role.QC else set())
        assert found["start feed"]["why_not"] == "only operator or integrator may do this"
        assert found["enable control"]["why_not"] == "only integrator may do this"


async def test_what_can_be_done_follows_the_plant(bench: Bench) -> None:
    bench.hear(**STOPPED)
    found = by_kind(Role.OPERATOR, bench)
    assert found["start feed"]["why_not"] == "control is not enabled: crumbmeter only watches"
    assert found["hold feed"]["why_not"] == "the feed is not in service"
    assert by_kind(Role.INTEGRATOR, bench)["enable control"]["allowed"]
    bench.hear()
    found = by_kind(Role.INTEGRATOR, bench)
    assert found["start feed"]["allowed"]
    assert found["hold feed"]["allowed"]
    assert found["enable control"]["why_not"] == "control is enabled already"
    assert found["measure trip"]["why_not"] == "the feed is in service: stop it first"


async def test_a_batch_plant_has_no_drum_to_dump(bench: Bench) -> None:
    bench.hear()
    site = load(ROOT / "config" / "sites" / "demo_batch.toml")
    found = actions(Role.OPERATOR, bench.link.view, bench.link.settings, site, up=True)
    assert {one["kind"]: one for one in found}["drum dumped"]["why_not"].startswith("this is a batch plant")


async def test_stopping_is_always_allowed_even_when_nothing_is_heard(bench: Bench, clock: FakeClock) -> None:
    found = by_kind(Role.OPERATOR, bench)
    assert {kind for kind, one in found.items() if one["allowed"]} == {"stop feed", "monitor only"}
    bench.hear(**STOPPED)
    await clock.advance(10.0)
    found = by_kind(Role.OPERATOR, bench)
    assert {kind for kind, one in found.items() if one["allowed"]} == {"stop feed", "monitor only"}
    assert found["acknowledge"]["why_not"] == "control does not answer"


async def test_choices_are_what_it_can_be_now(bench: Bench) -> None:
    alarms = (
        AlarmView("hopper_low", "unacknowledged", 1.0, "t", "r"),
        AlarmView("supply_low", "shelved", 1.0, "t", "r"),
        AlarmView("pressure_low", "latched, acknowledged", 1.0, "t", "r"),
    )
    bench.hear(alarms=alarms, mix_id="surface_10")
    found = by_kind(Role.INTEGRATOR, bench)
    assert found["acknowledge"]["subject"]["choices"] == ["hopper_low"]
    assert found["unshelve alarm"]["subject"]["choices"] == ["supply_low"]
    assert found["reset alarm"]["subject"]["choices"] == ["pressure_low"]
    assert "supply_low" not in found["shelve alarm"]["subject"]["choices"]
    assert found["shelve alarm"]["value"]["high_by_subject"]["hopper_low"] == 3600.0
    assert found["set moisture"]["subject"]["choices"] == [one.stream_id for one in SITE.params.streams if one.wet]
    assert found["set moisture"]["value"] == {
        "unit": "fraction of dry mass", "low": 0.0, "high": 0.2, "high_by_subject": {},
    }  # fmt: skip
    assert found["return alarm to service"]["why_not"] == "no alarm is out of service"
    assert found["enable control"]["subject"]["choices"] == ["5e771d0123456789"]
    chosen = by_kind(Role.INTEGRATOR, bench)["select mix"]["subject"]["choices"]
    assert chosen == [mix.mix_id for mix in SITE.params.mixes if mix.mix_id != "surface_10"]


def test_what_would_cost_most_must_be_typed() -> None:
    typed = {kind for kind, deed in DEEDS.items() if deed.confirm == "type"}
    assert {"enable control", "measure trip", "settle total"} <= typed
    assert all(DEEDS[kind].confirm == "none" for kind in ("stop feed", "hold feed", "acknowledge"))
    assert DEEDS["load bag"].subject is Subject.LOT


@contextlib.asynccontextmanager
async def control(folder: Path, clock: FakeClock, outcome: Any = None) -> AsyncIterator[tuple[Bench, Small]]:
    """A desk and a control that are connected."""
    with tempfile.TemporaryDirectory(prefix="crumbmeter-test-") as short:
        async with small(Path(short) / "s") as made:
            made.outcome = outcome
            bench = Bench(folder, clock, Path(short) / "s")
            made.scan()
            scanning = asyncio.ensure_future(made.scan_for_ever())
            following = asyncio.ensure_future(bench.link.run())
            heard = asyncio.Event()
            bench.link.on_view = heard.set
            async with asyncio.timeout(10):
                await heard.wait()
            yield bench, made
            for task in (following, scanning):
                task.cancel()
            await asyncio.gather(following, scanning, return_exceptions=True)


def done(command: Command) -> Event:
    return event("done", command_id=command.command_id, who=command.who)


def refused(command: Command) -> Event:
    return event("command_refused", command_id=command.command_id, why="the drum does not turn")


async def test_a_command_reaches_control_with_who_asked(tmp_path: Path, clock: FakeClock) -> None:
    async with control(tmp_path, clock, done) as (bench, made):
        browser = await logged_in(bench, "operator")
        asked = {"kind": "set moisture", "subject": "rap", "value": 0.04, "id": "mine"}
        status, answer = await browser.ask("POST", "/api/v1/commands", asked)
        assert (status, answer["id"], answer["accepted"]) == (200, "mine", True)
        assert answer["outcome"]["name"] == "done"
        assert answer["outcome"]["detail"]["who"].startswith("operator (operator, desk)")
        (taken,) = made.taken
        assert (taken.kind, taken.subject, taken.value) == (CommandKind.SET_MOISTURE, "rap", 0.04)
        status, answer = await browser.ask("POST", "/api/v1/commands", asked)
        assert status == 409, "the same id is never done twice"
        assert len(made.taken) == 1
        assert [one.get("outcome") for one in bench.told("desk_command")] == ["done"]


async def test_a_refusal_of_control_is_told_in_its_words(tmp_path: Path, clock: FakeClock) -> None:
    async with control(tmp_path, clock, refused) as (bench, _):
        browser = await logged_in(bench, "operator")
        status, answer = await browser.ask("POST", "/api/v1/commands", {"kind": "start feed"})
        assert (status, answer["error"]["found"]) == (409, "the drum does not turn")
        assert [one.get("why") for one in bench.told("desk_command_refused")] == ["the drum does not turn"]


@pytest.mark.parametrize("kind", list(OFFERED))
@pytest.mark.parametrize("role", [Role.VIEWER, Role.OPERATOR, Role.QC])
async def test_a_command_needs_its_role(bench: Bench, kind: str, role: Role) -> None:
    """Control is not there: what gets past the role ends with 503, and nothing is done."""
    status, _ = await (await logged_in(bench, role.value)).ask("POST", "/api/v1/commands", {"kind": kind})
    may = DEEDS[kind].role is role or (kind == "hand over note" and role is Role.QC)
    assert status == (503 if may else 403)


async def test_without_control_nothing_is_said_to_be_done(bench: Bench) -> None:
    browser = await logged_in(bench, "operator")
    status, answer = await browser.ask("POST", "/api/v1/commands", {"kind": "stop feed"})
    assert status == 503
    assert "Nothing is known to have been done" in answer["error"]["remedy"]
    assert browser.headers["retry-after"] == "2"


@pytest.mark.parametrize(
    "body",
    [
        {}, {"kind": "fly"}, {"kind": "stop feed", "extra": 1}, {"kind": "stop feed", "value": "1"}, [], None,
        {"kind": "stop feed", "reason": "x" * 201}, {"kind": 1}, b"{", b'{"kind": "stop feed", "value": NaN}',
    ],
)  # fmt: skip
async def test_what_makes_no_sense_is_refused_with_its_place(bench: Bench, body: Any) -> None:
    browser = await logged_in(bench, "operator")
    status, answer = await browser.ask("POST", "/api/v1/commands", body)
    assert status == 422, answer
    assert answer["error"]["place"].startswith("body")


async def test_a_body_that_is_no_text_is_refused_too(bench: Bench) -> None:
    status, answer = await (await logged_in(bench, "operator")).ask("POST", "/api/v1/commands", b"\xff")
    assert (status, answer["error"]["place"]) == (400, "POST /api/v1/commands")


async def test_a_body_that_is_too_long_is_not_read(bench: Bench) -> None:
    browser = await logged_in(bench, "operator")
    status, _ = await browser.ask("POST", "/api/v1/commands", b"x" * (MOST_BODY + 1))
    assert status == 413


async def test_links_are_controls_own_word(tmp_path: Path, clock: FakeClock) -> None:
    async with control(tmp_path, clock) as (bench, _):
        status, answer = await (await logged_in(bench, "viewer")).ask("GET", "/api/v1/links")
        assert (status, answer["links"]) == (200, [])


async def test_cards_for_feeding_by_hand_are_the_cores_figures(bench: Bench) -> None:
    browser = await logged_in(bench, "viewer")
    status, before = await browser.ask("GET", "/api/v1/cards")
    assert (status, before["factor_learned"], before["feed_factor_kg_rev"]) == (200, False, 0.9)
    bench.hear(learning=False, feed_factor_kg_rev=0.85)
    _, learned = await browser.ask("GET", "/api/v1/cards")
    assert (learned["factor_learned"], learned["feed_factor_kg_rev"]) == (True, 0.85)
    card = next(one for one in learned["cards"] if one["mix_id"] == "surface_10lb")
    row = card["rows"][len(card["rows"]) // 2]
    # 10 lb in a short ton with the rubber: so many short tons without it, times 10 / (2000 - 10) * 2000 lb.
    short_ton_h = row["mix_kg_s"] * 3600.0 / (2000.0 * 0.45359237)
    assert short_ton_h == pytest.approx(round(short_ton_h))
    assert row["rubber_kg_s"] * 3600.0 / 0.45359237 == pytest.approx(short_ton_h * 10.0 / 1990.0 * 2000.0, rel=1e-9)
    assert row["auger_speed_rev_s"] == pytest.approx(row["rubber_kg_s"] / 0.85)
    assert row["possible"]
    bench.hear(learning=True, feed_factor_kg_rev=0.95)
    _, learning = await browser.ask("GET", "/api/v1/cards")
    assert learning["feed_factor_kg_rev"] == 0.9


async def test_the_link_comes_back_by_itself_and_is_told_of_once(tmp_path: Path, clock: FakeClock) -> None:
    async with control(tmp_path, clock) as (bench, made):
        bench.link.look()
        bench.link.look()
        assert bench.link.up
        assert bench.link.view is not None
        assert bench.link.view["run_state"] == VIEW.run_state
        for client in tuple(made.socket._clients):
            client.cancel()
        heard = asyncio.Event()
        async with asyncio.timeout(10):
            while bench.link._connected:
                await asyncio.wait([asyncio.ensure_future(heard.wait())], timeout=0.01)
        bench.link.look()
        bench.link.on_view = heard.set
        await clock.advance(1.0)
        async with asyncio.timeout(10):
            await heard.wait()
        bench.link.look()
        assert [one.name for one in bench.events] == ["control_link_up", "control_link_down", "control_link_up"]
