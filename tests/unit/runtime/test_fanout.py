"""Fan-out: nobody holds up the publisher, and no loss goes untold."""

import asyncio

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crumbmeter.model.events import Event, event
from crumbmeter.runtime.fanout import Bounded, Fanout, Latest


class Raising:
    def offer_nowait(self, item: int) -> bool:
        raise RuntimeError(f"cannot take {item}")


def told(events: list[Event]) -> list[tuple[str, object, object]]:
    return [(happening.name, happening.get("consumer"), happening.get("lost_count")) for happening in events]


def test_every_consumer_gets_every_item() -> None:
    events: list[Event] = []
    fanout: Fanout[int] = Fanout(events.append)
    queue, latest = Bounded[int](10), Latest[int]()
    fanout.add("recorder", queue)
    fanout.add("metrics", latest)
    for item in (1, 2, 3):
        fanout.publish_nowait(item)
    assert queue.take_nowait(10) == (1, 2, 3)
    assert (latest.value, latest.count) == (3, 3)
    assert events == []


def test_full_queue_refuses_new_items_and_tells_once_at_each_end() -> None:
    events: list[Event] = []
    fanout: Fanout[int] = Fanout(events.append)
    queue = Bounded[int](2)
    fanout.add("recorder", queue)
    for item in range(5):
        fanout.publish_nowait(item)
    assert told(events) == [("consumer_losing", "recorder", None)]
    assert queue.take_nowait(10) == (0, 1)
    fanout.publish_nowait(5)
    fanout.publish_nowait(6)
    assert told(events)[1:] == [("consumer_recovered", "recorder", 3)]
    assert queue.take_nowait(10) == (5, 6)
    assert fanout.losses() == {"recorder": (3, 0)}


def test_raising_consumer_is_counted_and_the_others_get_theirs() -> None:
    events: list[Event] = []
    fanout: Fanout[int] = Fanout(events.append)
    latest = Latest[int]()
    fanout.add("broken", Raising())
    fanout.add("metrics", latest)
    fanout.publish_nowait(1)
    fanout.publish_nowait(2)
    assert latest.value == 2
    assert fanout.losses() == {"broken": (0, 2), "metrics": (0, 0)}
    assert events == [event("consumer_losing", consumer="broken", why="RuntimeError: cannot take 1")]


def test_even_a_raising_report_does_not_reach_the_scan() -> None:
    def report(_: Event) -> None:
        raise OSError("disk full")

    fanout: Fanout[int] = Fanout(report)
    fanout.add("broken", Raising())
    fanout.publish_nowait(1)
    assert fanout.losses() == {"broken": (0, 1)}


@given(limit=st.integers(1, 5), steps=st.lists(st.integers(0, 4)))
def test_nothing_is_lost_untold(limit: int, steps: list[int]) -> None:
    """What is taken, what waits and what is counted as lost is all that was offered; the order holds."""
    events: list[Event] = []
    fanout: Fanout[int] = Fanout(events.append)
    queue = Bounded[int](limit)
    fanout.add("q", queue)
    offered, taken = 0, list[int]()
    for step in steps:
        if step == 0:
            taken += queue.take_nowait(2)
        for _ in range(step):
            fanout.publish_nowait(offered)
            offered += 1
        assert len(queue) <= limit
    dropped, _ = fanout.losses()["q"]
    taken += queue.take_nowait(1000)
    assert len(taken) + dropped == offered
    assert taken == sorted(set(taken))
    told_lost = sum(
        int(str(happening.get("lost_count"))) for happening in events if happening.name == "consumer_recovered"
    )
    assert told_lost <= dropped
    assert (told_lost < dropped) == (bool(events) and events[-1].name == "consumer_losing")


async def test_waiters_for_the_latest_all_wake_and_see_the_newest() -> None:
    latest = Latest[str]()
    waiters = [asyncio.ensure_future(latest.wait_newer(0)) for _ in range(3)]
    await asyncio.wait(waiters, timeout=0)
    latest.offer_nowait("a")
    latest.offer_nowait("b")
    assert await asyncio.gather(*waiters) == ["b", "b", "b"]
    assert await latest.wait_newer(1) == "b"
    late = asyncio.ensure_future(latest.wait_newer(2))
    done, _ = await asyncio.wait([late], timeout=0.01)
    assert not done
    latest.offer_nowait("c")
    assert await late == "c"


async def test_bounded_wakes_its_taker_and_sleeps_when_empty() -> None:
    queue = Bounded[int](3)
    taker = asyncio.ensure_future(queue.wait_take(2))
    await asyncio.wait([taker], timeout=0)
    for item in range(3):
        assert queue.offer_nowait(item)
    assert await taker == (0, 1)
    assert await queue.wait_take(2) == (2,)
    with pytest.raises(TimeoutError):
        await asyncio.wait_for(queue.wait_take(2), 0.01)
