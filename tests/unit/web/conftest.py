"""A desk in this process for each test."""

from pathlib import Path

import pytest

from tests.fakes import FakeClock
from tests.unit.web.making import Bench


@pytest.fixture
def clock() -> FakeClock:
    return FakeClock()


@pytest.fixture
async def bench(tmp_path: Path, clock: FakeClock) -> Bench:
    return Bench(tmp_path, clock)
