"""What a written register asks for: a change does, a value that stands does not, and no 1 left over starts the feed."""

import pytest

from crumbmeter.model.commands import CommandKind
from crumbmeter.outward.asked import REQUESTS, SELECT_MIX, Wish, most, wish


def said(name: str, values: list[int]) -> list[CommandKind]:
    before: int | None = None
    asked = []
    for value in values:
        wanted = wish(name, before, value)
        asked += [wanted.kind] if wanted else []
        before = value
    return asked


@pytest.mark.parametrize("name", ["stop_feed", "hold_feed", "monitor_only"])
def test_what_makes_the_plant_safer_counts_at_once_and_once(name: str) -> None:
    assert said(name, [1, 1, 1]) == [REQUESTS[name]]
    assert said(name, [0, 0, 1, 1, 0, 1]) == [REQUESTS[name]] * 2


def test_a_start_needs_a_zero_first() -> None:
    assert said("start_feed", [1, 1, 1]) == []
    assert said("start_feed", [1, 1, 0, 1, 1]) == [CommandKind.START_FEED]


def test_a_mix_is_asked_for_when_its_number_changes() -> None:
    assert wish(SELECT_MIX, None, 2) == Wish(CommandKind.SELECT_MIX, 2)
    assert said(SELECT_MIX, [2, 2, 1, 0, 1]) == [CommandKind.SELECT_MIX] * 3
    assert (most(SELECT_MIX, 3), most("stop_feed", 3)) == (3, 1)


def test_control_can_never_be_enabled_so() -> None:
    assert CommandKind.ENABLE_CONTROL not in REQUESTS.values()
