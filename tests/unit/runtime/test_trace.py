"""The frame trace: one device, a limited time, a bounded ring."""

import asyncio

from crumbmeter.runtime.trace import RING, FrameTrace
from tests.fakes import FakeClock, settle

FRAME = bytes.fromhex("11 03 006B 0003 7687")


def make() -> FrameTrace:
    return FrameTrace(FakeClock(), {"feeder": True, "scale": False})


async def test_frames_of_one_device_come_with_time_bytes_and_meaning() -> None:
    trace = make()
    session = trace.start("feeder", 5.0)
    assert session is not None
    trace.frame("feeder", FRAME, sent=True)
    trace.frame("scale", b"\0\1\0\0\0\6\1\3\0\0\0\1", sent=True)
    trace.frame("feeder", b"\x11", sent=False)
    first, second = await session.take()
    assert (first.sent, first.data, first.at_us) == (True, FRAME, 1_700_001_000_000_000)
    assert first.meaning == "unit 17, 03 read holding registers at 107, 3"
    assert (second.sent, second.meaning) == (False, "no whole frame")
    session.close()


async def test_whoever_waits_gets_the_next_frame() -> None:
    trace = make()
    session = trace.start("feeder", 5.0)
    assert session is not None
    async with asyncio.TaskGroup() as group:
        waiting = group.create_task(session.take())
        await settle()
        assert not waiting.done()
        trace.frame("feeder", FRAME, sent=True)
    assert len(waiting.result()) == 1
    session.close()


async def test_it_ends_by_itself_and_takes_nothing_more() -> None:
    trace = make()
    session = trace.start("feeder", 0.02)
    assert session is not None
    assert await session.take() == ()
    trace.frame("feeder", FRAME, sent=True)
    assert await session.take() == ()
    assert trace._sessions == {}


async def test_the_ring_is_bounded_and_counts_what_it_lost() -> None:
    trace = make()
    session = trace.start("feeder", 5.0)
    assert session is not None
    for number in range(RING + 3):
        trace.frame("feeder", number.to_bytes(2, "big"), sent=False)
    frames = await session.take()
    assert (len(frames), session.lost, frames[0].data) == (RING, 3, b"\0\3")
    session.close()


async def test_an_unknown_device_has_no_trace() -> None:
    assert make().start("nobody", 1.0) is None
