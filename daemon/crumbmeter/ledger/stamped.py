"""What every subject shares: the times of an entry, and how a value becomes one."""

import json
from typing import Any, Final

from crumbmeter.journal.chain import canonical_json
from crumbmeter.journal.entry import Entry, Stored
from crumbmeter.model.frozen import dataclass

EVENT: Final = "event"
PARCEL: Final = "parcel"
COMMAND: Final = "command"
SETTINGS: Final = "settings"
BOOT: Final = "boot"
APPLIED: Final = "applied"
LAYOUT: Final = "layout"
ROW: Final = "row"
TOTALS: Final = "totals"
SNAPSHOT: Final = "snapshot"
SCANS: Final = "scans"
SAID: Final = "said"


@dataclass(frozen=True, slots=True)
class Stamped:
    """When something happened, and under which conditions it was recorded."""

    mono_us: int
    """[us] Process time."""
    wall_us: int
    """[us] UTC since 1970: a label."""
    flags: int = 0
    """Bits of crumbmeter.journal.entry: SIMULATED, CLOCK_NOT_SYNCED."""


class UnknownBodyError(ValueError):
    """An entry's body is of a version or shape that this program does not know."""


def record(kind: str, body: dict[str, Any], at: Stamped, version: int = 1) -> Entry:
    """Make an entry of the record strand from a JSON object.

    Raises:
        ValueError: something in it has no canonical form (a float that is not finite).
    """
    return Entry("record", kind, canonical_json({"v": version, **body}), at.mono_us, at.wall_us, at.flags)


def body_of(stored: Stored, kind: str, version: int = 1) -> dict[str, Any]:
    """Return the JSON object of an entry.

    Raises:
        UnknownBodyError: it is of another kind or of a version that this program does not know.
    """
    if stored.kind != kind:
        raise UnknownBodyError(f"{stored.strand} {stored.seq} is a {stored.kind}, not a {kind}")
    body: dict[str, Any] = json.loads(stored.body)
    if body.pop("v", None) != version:
        raise UnknownBodyError(f"{kind} {stored.strand} {stored.seq} is of another version than {version}")
    return body
