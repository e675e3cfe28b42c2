"""Commands: bounded, once each, none after its time, and a stop always gets in."""

import asyncio

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crumbmeter.model.commands import Command, CommandKind
from crumbmeter.model.events import Event, event
from crumbmeter.runtime import intake as intakes
from crumbmeter.runtime.intake import STOPPING, Intake
from tests.unit.outward.samples import scan


def command(number: int, kind: CommandKind = CommandKind.START_FEED, expires_s: float = 10.0) -> Command:
    return Command(kind, "pat", f"c{number}", expires_s)


def made(limit: int = 4) -> tuple[Intake, list[Event]]:
    events: list[Event] = []
    return Intake(events.append, limit), events


def test_next_scan_takes_what_came_in_its_order() -> None:
    intake, _ = made()
    for number in range(3):
        assert intake.offer(command(number), 0.0).accepted
    assert [item.command_id for item in intake.take(1.0)] == ["c0", "c1", "c2"]
    assert intake.take(2.0) == ()


def test_same_id_is_never_done_twice_even_after_it_was_taken() -> None:
    intake, _ = made()
    assert intake.offer(command(1), 0.0).accepted
    assert not intake.offer(command(1), 0.0).accepted
    assert len(intake.take(1.0)) == 1
    receipt = intake.offer(command(1), 2.0)
    assert (receipt.accepted, "not done twice" in receipt.why) == (False, True)
    assert (intake.accepted, intake.refused) == (1, 2)


def test_memory_of_ids_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(intakes, "REMEMBERED", 3)
    intake, _ = made()
    for number in range(6):
        assert intake.offer(command(number), 0.0).accepted
        intake.take(0.0)
    assert not intake.offer(command(5), 0.0).accepted
    assert intake.offer(command(1), 0.0).accepted


def test_expired_command_is_dropped_unseen_with_an_event() -> None:
    intake, events = made()
    assert intake.offer(command(1, expires_s=5.0), 4.9).accepted
    assert intake.take(5.0) == ()
    assert (events[0].name, events[0].get("command_id"), events[0].get("who")) == ("command_expired", "c1", "pat")
    assert intake.expired == 1
    assert not intake.offer(command(2, expires_s=5.0), 5.0).accepted


def test_full_intake_refuses_starts_and_lets_stops_in() -> None:
    intake, events = made(limit=2)
    assert intake.offer(command(1), 0.0).accepted
    assert intake.offer(command(2), 0.0).accepted
    receipt = intake.offer(command(3), 0.0)
    assert (receipt.accepted, receipt.why) == (False, "2 commands are waiting already; ask again")
    assert intake.offer(command(4, CommandKind.STOP_FEED), 0.0).accepted
    assert [item.command_id for item in intake.take(0.0)] == ["c1", "c4"]
    assert (events[0].name, events[0].get("command_id")) == ("command_displaced", "c2")


def test_flood_of_stops_is_bounded_too() -> None:
    intake, _ = made(limit=2)
    accepted = [intake.offer(command(number, CommandKind.STOP_FEED), 0.0).accepted for number in range(10)]
    assert accepted == [True] * 4 + [False] * 6


@given(
    limit=st.integers(1, 4),
    kinds=st.lists(st.sampled_from([CommandKind.START_FEED, CommandKind.STOP_FEED, CommandKind.SELECT_MIX])),
)
def test_an_accepted_stop_is_never_lost(limit: int, kinds: list[CommandKind]) -> None:
    intake, events = made(limit)
    accepted = [
        (number, kind) for number, kind in enumerate(kinds) if intake.offer(command(number, kind), 0.0).accepted
    ]
    taken = {item.command_id for item in intake.take(0.0)}
    displaced = {happening.get("command_id") for happening in events}
    assert taken | displaced == {f"c{number}" for number, _ in accepted}
    assert all(f"c{number}" in taken for number, kind in accepted if kind in STOPPING)


@pytest.mark.parametrize("key", ["command_id", "id"])
async def test_asker_hears_what_became_of_it(key: str) -> None:
    intake, _ = made()
    intake.offer(command(1), 0.0)
    asker = asyncio.ensure_future(intake.wait_outcome("c1", 5))
    await asyncio.wait([asker], timeout=0)
    other, own = event("feed_put_in_service", command_id="c0"), event("command_refused", **{key: "c1"}, why="local")
    intake.offer_nowait(scan(events=(other, event("unrelated"), own)))
    assert await asker == own


async def test_asker_of_an_expired_command_hears_that() -> None:
    intake, _ = made()
    intake.offer(command(1, expires_s=1.0), 0.0)
    asker = asyncio.ensure_future(intake.wait_outcome("c1", 5))
    await asyncio.wait([asker], timeout=0)
    intake.take(2.0)
    outcome = await asker
    assert outcome is not None
    assert outcome.name == "command_expired"


async def test_asker_does_not_wait_for_ever() -> None:
    intake, _ = made()
    intake.offer(command(1), 0.0)
    assert await intake.wait_outcome("c1", 0.01) is None
    intake.settle([event("late", command_id="c1")])
