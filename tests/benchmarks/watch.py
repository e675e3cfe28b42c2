"""Looks at every step of a closed loop without changing it: what went in, what came out, how long it took."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any
from unittest.mock import patch

from crumbmeter.control.step import StepResult, step
from tests import closed_loop

Step = Callable[..., StepResult]


@contextmanager
def stepping_through(around: Callable[[Step, tuple[Any, ...]], StepResult]) -> Iterator[None]:
    """Have closed loops call `around(step, arguments)` for each step; it must return the step's own result."""
    with patch.object(closed_loop, "step", lambda *arguments: around(step, arguments)):
        yield
