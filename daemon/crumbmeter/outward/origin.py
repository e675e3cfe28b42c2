"""Who says it and when: the envelope of everything that leaves the process, and the names behind indices."""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from crumbmeter.model.units import UNITS

SCHEMA = "crumbmeter/1"
"""Version of all payloads. The number goes up with every change of the keys or of their meaning."""

SI_OF_DIMENSION = {
    "mass": "kg",
    "mass_flow": "kg/s",
    "volume_flow": "m3/s",
    "length": "m",
    "speed": "m/s",
    "rotation": "rev/s",
    "pressure": "Pa",
    "temperature": "degC",
    "share": "fraction",
    "time": "s",
    "current": "A",
    "count": "count",
    "contact": "contact",
}
"""The unit in which values of a dimension leave the process. Temperature in degC is the one that is not SI."""

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Origin:
    """Where a payload comes from."""

    site_id: str
    boot_id: str
    """Made anew at each start of the daemon."""
    settings_id: str
    simulated: bool


@dataclass(frozen=True, slots=True)
class Stamp:
    """When a payload was made, and its place among its kind."""

    seq: int
    """Records: the journal's sequence number. State and status: a count within the boot."""
    wall_us: int
    """[us] UTC since 1970."""
    process_s: float
    """[s] Process time."""


@dataclass(frozen=True, slots=True)
class Names:
    """Names behind the indices of a view, in the order of the settings."""

    signal_ids: tuple[str, ...] = ()
    signal_units: tuple[str, ...] = ()
    """Unit code of each signal's value as it leaves the process (see `si_code`)."""
    output_roles: tuple[str, ...] = ()
    places: tuple[tuple[int, int, int], ...] = ()
    """Where each signal's own words are in the input image: block, offset in it, count."""


def si_code(unit_code: str) -> str:
    """Return the code of the unit in which a value read in `unit_code` leaves the process."""
    return SI_OF_DIMENSION[UNITS[unit_code].dimension]


def iso_utc(wall_us: int) -> str:
    """Write a time of day as ISO 8601 in UTC, to the microsecond.

    Args:
        wall_us: [us] UTC since 1970.
    """
    moment = _EPOCH + timedelta(microseconds=wall_us)
    return moment.isoformat(timespec="microseconds").replace("+00:00", "Z")
