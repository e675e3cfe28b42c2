"""Log lines: one event name each, no secrets, no flood, wall time from the clock."""

import io
import json
import logging
import threading
from collections.abc import Iterator
from typing import Any

import pytest
import structlog

from crumbmeter.adapters.logs import LINES_WAITING, detach_logs, log_event, set_up_logs
from crumbmeter.model.events import event


class Paper:
    """A stream that the test reads, and a wall clock that it holds."""

    def __init__(self, *, tty: bool = False) -> None:
        self.stream = io.StringIO()
        self.stream.isatty = lambda: tty  # type: ignore[method-assign]
        self.wall_us = 1_764_054_000_000_000

    def lines(self) -> list[dict[str, Any]]:
        return [json.loads(line) for line in self.stream.getvalue().splitlines()]


@pytest.fixture
def paper() -> Iterator[Paper]:
    root, own = logging.getLogger(), logging.getLogger("crumbmeter")
    before = (root.handlers[:], root.level, own.level)
    made = Paper()
    set_up_logs(lambda: made.wall_us, made.stream)
    yield made
    root.handlers[:], root.level, own.level = before
    structlog.reset_defaults()


def test_event_is_one_json_line_with_its_name(paper: Paper) -> None:
    log_event(event("mqtt_down", broker="127.0.0.1:1883", why="refused", n=3))
    assert paper.lines() == [
        {
            "event": "mqtt_down",
            "broker": "127.0.0.1:1883",
            "why": "refused",
            "n": 3,
            "level": "info",
            "time": "2025-11-25T07:00:00.000Z",
        }
    ]


def test_details_named_like_the_line_s_own_keys_survive(paper: Paper) -> None:
    log_event(event("odd", level="high", event="x"))
    (line,) = paper.lines()
    assert (line["event"], line["level"], line["level_"], line["event_"]) == ("odd", "info", "high", "x")


def test_tracebacks_carry_no_locals(paper: Paper) -> None:
    def connect() -> None:
        password = "s3cret-local"  # noqa: S105
        raise RuntimeError("broken" if password else "")

    try:
        connect()
    except RuntimeError:
        structlog.get_logger().exception("core_fault")
    text = paper.stream.getvalue()
    assert "RuntimeError" in text
    assert "broken" in text
    assert "s3cret-local" not in text


def test_foreign_lines_are_routed_and_limited_to_one_a_minute_and_source(paper: Paper) -> None:
    for number in range(1000):
        logging.getLogger("pymodbus.logging").warning("No response %d", number)
    logging.getLogger("mqtt").warning("other source")
    lines = paper.lines()
    assert [(line["event"], line["text"], line["logger"]) for line in lines] == [
        ("foreign_log", "No response 0", "pymodbus.logging"),
        ("foreign_log", "other source", "mqtt"),
    ]
    paper.wall_us += 60_000_000
    logging.getLogger("pymodbus.transport").error("again")
    last = paper.lines()[-1]
    assert (last["text"], last["held_back_count"], last["level"]) == ("again", 999, "error")


def test_dead_device_for_a_day_costs_less_than_a_megabyte(paper: Paper) -> None:
    for _ in range(86_400 // 5):
        paper.wall_us += 5_000_000
        logging.getLogger("pymodbus.logging").error("Connection to (127.0.0.1, 1502) failed: timed out")
    assert len(paper.lines()) == 1440
    assert len(paper.stream.getvalue()) < 1_000_000


def test_own_lines_are_not_limited_and_foreign_chatter_is_silent(paper: Paper) -> None:
    for number in range(5):
        log_event(event("run_state_changed", n=number))
    logging.getLogger("asyncio").info("Using selector")
    assert [line["n"] for line in paper.lines()] == [0, 1, 2, 3, 4]


def test_wall_clock_set_back_does_not_silence_a_source(paper: Paper) -> None:
    logging.getLogger("mqtt").warning("one")
    paper.wall_us -= 3_600_000_000
    logging.getLogger("mqtt").warning("two")
    assert [line["text"] for line in paper.lines()] == ["one", "two"]


def test_on_a_terminal_lines_are_for_people(paper: Paper) -> None:
    people = Paper(tty=True)
    set_up_logs(lambda: people.wall_us, people.stream)
    log_event(event("mqtt_up", broker="b"))
    text = people.stream.getvalue()
    assert "mqtt_up" in text
    with pytest.raises(json.JSONDecodeError):
        json.loads(text)


def test_a_line_begins_with_when_how_grave_and_what(paper: Paper) -> None:
    log_event(event("mqtt_up", broker="b"))
    assert list(json.loads(paper.stream.getvalue())) == ["time", "level", "event", "broker"]


def test_detached_lines_all_come_in_order_and_later_ones_directly(paper: Paper) -> None:
    logs = detach_logs()
    for number in range(100):
        log_event(event("numbered", n=number))
    assert logs.finish()
    log_event(event("numbered", n=100))
    assert [line["n"] for line in paper.lines()] == list(range(101))


def test_a_stream_that_takes_nothing_holds_up_nobody_and_what_is_lost_is_counted(paper: Paper) -> None:
    held = threading.Event()
    paper.stream.write = lambda _text: held.wait(20) and 0  # type: ignore[method-assign]
    logs = detach_logs()
    for number in range(LINES_WAITING + 10):
        log_event(event("numbered", n=number))
    assert 9 <= logs.lost <= 10  # the thread may hold one in its hands
    assert not logs.finish()
    held.set()
