"""The watchdog is deserved by finished scans and by tasks that move, and by nothing else."""

import asyncio

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crumbmeter.runtime.health import SCAN, Health


def test_nothing_has_run_yet() -> None:
    health = Health(["poller", "journal"])
    assert health.late() == (SCAN, "poller", "journal")
    assert health.status() == "0 scans; late: scan, poller, journal"


@pytest.mark.parametrize("stuck", [SCAN, "poller", "journal"])
async def test_one_that_stands_still_withholds_the_feed_and_is_named(stuck: str) -> None:
    health = Health(["poller", "journal"])
    for _ in range(5):
        if stuck != SCAN:
            health.scan_done()
        for task in {"poller", "journal"} - {stuck}:
            health.beat(task)
    assert health.late() == (stuck,)
    assert health.status().endswith(f"late: {stuck}")
    with pytest.raises(TimeoutError):
        await asyncio.wait_for(health.wait_healthy(), 0.01)


async def test_after_a_feed_everything_has_to_move_again() -> None:
    health = Health(["poller"])
    for _ in range(3):
        health.scan_done()
        health.beat("poller")
        await asyncio.wait_for(health.wait_healthy(), 1)
        health.fed()
        assert health.late() == (SCAN, "poller")
    assert health.scans == 3


def test_undeclared_task_is_a_mistake_of_the_wiring() -> None:
    with pytest.raises(KeyError):
        Health(["poller"]).beat("polr")


@given(moves=st.lists(st.sampled_from([SCAN, "a", "b", "feed"])))
def test_late_is_exactly_what_has_not_moved_since_the_feed(moves: list[str]) -> None:
    health, moved = Health(["a", "b"]), set[str]()
    for move in moves:
        if move == "feed":
            health.fed()
            moved.clear()
        else:
            health.beat(move)
            moved.add(move)
        assert set(health.late()) == {SCAN, "a", "b"} - moved
