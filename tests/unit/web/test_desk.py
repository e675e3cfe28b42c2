"""The desk put together: a start that cannot be says why and leaves nothing; a beat does what is due each second."""

import socket
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from crumbmeter.model.events import Event
from crumbmeter.site import DeskSettings, Site
from crumbmeter.web.desk import Desk, zone_name
from crumbmeter.web.faults import DeskRefusedError
from tests.unit.web.making import SITE


@pytest.fixture
def site(tmp_path: Path, free_port: Callable[[], int]) -> Site:
    return replace(
        SITE, socket=tmp_path / "s", desk=replace(SITE.desk, port=free_port(), people=tmp_path / "desk" / "people.json")
    )


def with_desk(site: Site, **changes: object) -> Site:
    desk: DeskSettings = replace(site.desk, **changes)  # type: ignore[arg-type]
    return replace(site, desk=desk)


async def refusal(site: Site) -> str:
    said: list[str] = []
    with pytest.raises(DeskRefusedError) as refused:
        Desk(site, said.append, lambda _event: None)
    assert said == [], "no password is shown by a start that came to nothing"
    return str(refused.value)


async def test_a_port_that_is_taken_is_said_and_no_people_are_made(site: Site) -> None:
    with socket.create_server(("127.0.0.1", site.desk.port)):
        assert f"cannot listen on 127.0.0.1:{site.desk.port}" in await refusal(site)
    assert not site.desk.people.exists()


async def test_an_address_of_another_machine_is_said(site: Site) -> None:
    assert "cannot listen on 203.0.113.7" in await refusal(with_desk(site, address="203.0.113.7"))


async def test_people_that_cannot_be_read_or_made_are_said(site: Site, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    assert "Not a directory" in await refusal(with_desk(site, people=tmp_path / "file" / "desk" / "people.json"))
    (tmp_path / "shut").symlink_to("/proc/sys/nowhere")
    assert "cannot be written" in await refusal(with_desk(site, people=tmp_path / "shut" / "people.json"))
    site.desk.people.parent.mkdir()
    site.desk.people.touch(0o600)
    assert "put back a copy" in await refusal(site)


async def test_a_certificate_that_is_none_is_said(site: Site, tmp_path: Path) -> None:
    (tmp_path / "x.pem").write_text("no certificate")
    assert "TLS cannot be used" in await refusal(with_desk(site, tls_certificate=tmp_path / "x.pem", tls_key=tmp_path))


async def test_the_port_is_free_again_after_a_refusal(site: Site) -> None:
    site.desk.people.parent.mkdir(parents=True)
    site.desk.people.touch(0o644)
    await refusal(site)
    with socket.create_server(("127.0.0.1", site.desk.port)):
        pass


async def test_the_password_of_the_first_start_is_said_once_and_not_to_the_log(site: Site) -> None:
    said: list[str] = []
    events: list[Event] = []
    first = Desk(site, said.append, events.append)
    first._line.close()
    second = Desk(site, said.append, events.append)
    second._line.close()
    assert len(said) == 1
    assert said[0] not in repr(events)


async def test_a_beat_samples_the_trend_and_ends_what_is_over(site: Site) -> None:
    desk = Desk(site, lambda _password: None, lambda _event: None)
    desk._line.close()
    second = desk.parts.wall_us() // 1_000_000
    desk.beat()
    assert not any(desk.parts.trend.knows(second + late) for late in range(3)), "nothing is known of control"
    _, session = desk.sessions.begin("ana", desk.clock.now_s() - site.desk.session_s)
    desk.beat()
    assert session.over


def test_the_zone_has_a_name(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", ":America/Chicago")
    assert zone_name() == "America/Chicago"
    monkeypatch.delenv("TZ")
    assert zone_name()
