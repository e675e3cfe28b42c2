"""What the plant's controller may ask for, each only where the site names it: requests as registers that are written.

A controller writes the same value again and again. So a request is a change: from 0 to 1 for what is done, to another
number for the mix. Whatever makes the plant safer also counts where it is the first thing ever written. A start does
not: after a restart of the daemon a 1 that still stands in the controller's memory must not start the feed by itself,
so it has to write 0 first. Enabling control can never be asked for here.
"""

from collections.abc import Mapping
from typing import Final

from crumbmeter.model.commands import CommandKind
from crumbmeter.model.frozen import dataclass

SELECT_MIX: Final = "select_mix"
REQUESTS: Final[Mapping[str, CommandKind]] = {
    "stop_feed": CommandKind.STOP_FEED,
    "hold_feed": CommandKind.HOLD_FEED,
    "start_feed": CommandKind.START_FEED,
    "monitor_only": CommandKind.MONITOR_ONLY,
    SELECT_MIX: CommandKind.SELECT_MIX,
}
"""By the names that the site file uses. Their places are those below."""

FIRST_COIL: Final = 100
"""Requests of yes or no are coils from here on, in the order of REQUESTS; `select_mix` is none."""
FIRST_WORD: Final = 200
"""The same as holding registers, and `select_mix` with them: number of the mix, counted from 1."""

_SAFER: Final = (CommandKind.STOP_FEED, CommandKind.HOLD_FEED, CommandKind.MONITOR_ONLY)


@dataclass(frozen=True, slots=True)
class Wish:
    """What is to be asked of the scan."""

    kind: CommandKind
    value: int
    """Of the mix: its number."""


def most(name: str, mixes: int) -> int:
    """Return the largest value that may be written for a request."""
    return mixes if name == SELECT_MIX else 1


def wish(name: str, before: int | None, now: int) -> Wish | None:
    """Tell what a value asks for, by what stood there before.

    Args:
        name: Of the request.
        before: What was written last; None: nothing in this run.
        now: What is written now; 0 asks for nothing.
    """
    kind = REQUESTS[name]
    if now in (0, before):
        return None
    if before is None and kind not in (*_SAFER, CommandKind.SELECT_MIX):
        return None
    return Wish(kind, now)
