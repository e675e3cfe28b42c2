"""The real clock on a loop whose time is virtual: rate, offset, and wall time that follows process time."""

import asyncio
import time

import pytest

from crumbmeter.adapters.clock import RealClock


@pytest.mark.looptime(start=5000.0)
async def test_process_time_runs_at_its_rate_from_its_offset() -> None:
    clock = RealClock(rate=10.0, start_s=123.0)
    assert clock.now_s() == pytest.approx(123.0, abs=1e-6)
    await clock.sleep_until(123.0 + 36000.0)
    assert clock.now_s() == pytest.approx(123.0 + 36000.0, abs=1e-3)
    assert asyncio.get_running_loop().time() == pytest.approx(5000.0 + 3600.0, abs=1e-3)


@pytest.mark.looptime
async def test_wall_time_is_read_once_and_then_follows_process_time(monkeypatch: pytest.MonkeyPatch) -> None:
    before_us = time.time_ns() // 1000
    clock = RealClock(rate=2.0, start_s=50.0)
    first_us = clock.wall_us()
    assert 0 <= first_us - before_us < 5_000_000
    # Somebody sets the machine's clock to 1970: no interval moves.
    monkeypatch.setattr("time.time_ns", lambda: 0)
    await clock.sleep_until(150.0)
    assert clock.wall_us() - first_us == pytest.approx(100e6, abs=1e3)


@pytest.mark.looptime
async def test_never_returns_early_and_past_times_only_yield() -> None:
    clock = RealClock(start_s=1.0)
    for due_s in (1.0, 1.1, 1.123456789, 0.0, float("-inf")):
        await clock.sleep_until(due_s)
        assert clock.now_s() >= due_s - 1e-6


@pytest.mark.looptime
async def test_a_task_that_only_waits_for_the_past_lets_others_run() -> None:
    clock = RealClock()
    turns: list[str] = []

    async def run(name: str) -> None:
        for _ in range(3):
            await clock.sleep_until(0.0)
            turns.append(name)

    async with asyncio.TaskGroup() as group:
        group.create_task(run("a"))
        group.create_task(run("b"))
    assert turns == ["a", "b"] * 3


@pytest.mark.parametrize("rate", [0.0, -1.0, float("nan")])
async def test_a_clock_that_stands_still_or_runs_backwards_is_refused(rate: float) -> None:
    with pytest.raises(ValueError, match="rate above 0"):
        RealClock(rate=rate)
