"""What every test gets: the checkout's root, free ports, Hypothesis profiles, a harness that fails on silent faults.

Silent faults caught here: an asyncio task left running after its test, a socket or file left open (reported in the test
that did it, not when the collector happens to come by), and a log call whose arguments do not fit its text (pytest
formats every record it captures and lets the error through; here the product's loggers pass all levels).
Warnings are errors by pyproject.toml; unknown markers and expected failures that pass, too.
"""

import asyncio
import gc
import inspect
import logging
import os
import signal
import sys
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from tests import ports

ROOT = Path(__file__).resolve().parent.parent

# `pytest` started by its path finds the same programs as the test command: the environment's, those that the test
# command brought, and a daemon's (Debian keeps Mosquitto in /usr/sbin).
os.environ["PATH"] = os.pathsep.join(
    [str(Path(sys.executable).parent), str(ROOT / ".tools" / "bin"), os.environ.get("PATH", ""), "/usr/sbin"]
)

# Started in the background of a script, a process ignores Ctrl-C, and so would every program that the tests start.
signal.signal(signal.SIGINT, signal.default_int_handler)

# CI draws the same examples every time, so that a red run is the change's own; developers' machines explore.
settings.register_profile("ci", max_examples=200, deadline=None, derandomize=True, print_blob=True)
settings.register_profile("dev", max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("deep", max_examples=5000, deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "ci" if os.environ.get("CI") else "dev"))


@pytest.fixture(scope="session")
def repo_root() -> Path:
    """Return the top of the checkout."""
    return ROOT


@pytest.fixture
def free_port() -> Callable[[], int]:
    """Return a function that finds a TCP port of 127.0.0.1 nobody listens on; no port is given twice in a test."""
    return ports.free_port


@pytest.fixture(autouse=True, scope="session")
def every_log_call_is_formatted() -> Iterator[None]:
    """Let log calls of all levels reach pytest's handler, which fails a test on one that cannot be formatted."""
    loggers = [logging.getLogger(name) for name in ("crumbmeter", "crumbmeter_sim")]
    before = [logger.level for logger in loggers]
    for logger in loggers:
        logger.setLevel(logging.DEBUG)
    yield
    for logger, level in zip(loggers, before, strict=True):
        logger.setLevel(level)


@pytest.fixture(autouse=True)
def log_levels_are_put_back() -> Iterator[None]:
    """Undo what the product does to the levels of libraries' loggers, so that no test depends on those before it."""
    loggers = [one for one in logging.getLogger().manager.loggerDict.values() if isinstance(one, logging.Logger)]
    before = {logger.name: logger.level for logger in loggers}
    yield
    for logger in logging.getLogger().manager.loggerDict.values():
        if isinstance(logger, logging.Logger) and logger.level != before.get(logger.name, logging.NOTSET):
            logger.setLevel(before.get(logger.name, logging.NOTSET))


@pytest.fixture
async def task_watch() -> AsyncIterator[None]:
    """Fail the test when a task outlives it. Set up before its other fixtures, so looks after they are torn down."""
    yield
    loop = asyncio.get_running_loop()
    turn = loop.create_future()
    loop.call_soon(turn.set_result, None)
    await turn  # one turn of the loop, in which tasks already cancelled end
    left = [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]
    if left:
        pytest.fail("tasks left running: " + "; ".join(f"{task.get_name()} {task.get_coro()}" for task in left))


@pytest.fixture
def leak_watch() -> Iterator[None]:
    """Collect what the test left after its event loop is closed, so that an unclosed socket warns within this test."""
    yield
    gc.collect()


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the watches first among the fixtures of every asynchronous test: they are torn down last."""
    for item in items:
        if isinstance(item, pytest.Function) and inspect.iscoroutinefunction(item.obj):
            item.fixturenames[:0] = ["leak_watch", "task_watch"]


def pytest_collection_finish() -> None:
    """Take what exists now out of the collector's sight: `leak_watch` then costs next to nothing."""
    gc.collect()
    gc.freeze()
