"""The pace of material follows what the drum holds."""

import pytest

from crumbmeter.process.load import MOST_LOAD, pace


@pytest.mark.parametrize(
    ("load", "effect", "expected"),
    [
        (1.0, 0.2, 1.0),  # the residences hold
        (0.0, 0.2, 0.8),  # an empty drum after a start
        (0.5, 0.2, 0.9),
        (1.25, 0.2, 1.05),
        (MOST_LOAD, 0.2, 1.1),
        (9.0, 0.2, 1.1),  # no faster still
        (-0.1, 0.2, 0.8),
        (0.3, 0.0, 1.0),
    ],
)
def test_pace(load: float, effect: float, expected: float) -> None:
    assert pace(load, effect) == pytest.approx(expected)
