"""Time zones by their IANA names, from the data that this program carries: the same on every machine, version known.

The system's own data are never used: a report must come out the same years later, and says which edition it used.
"""

import importlib.resources
from typing import Final
from zoneinfo import ZoneInfo

import tzdata

TZDATA_VERSION: Final[str] = tzdata.IANA_VERSION
"""Edition of the IANA time zone database, such as 2026a."""


class UnknownZoneError(ValueError):
    """There is no time zone of that name."""


def time_zone(name: str) -> ZoneInfo:
    """Return a time zone.

    Raises:
        UnknownZoneError: no such name.
    """
    parts = name.split("/")
    if not all(part and part.strip(".") == part and not part.startswith("_") for part in parts):
        raise UnknownZoneError(f"{name!r} is no time zone of the IANA database (such as America/Denver)")
    found = importlib.resources.files(tzdata).joinpath("zoneinfo", *parts)
    if not found.is_file():
        raise UnknownZoneError(f"{name!r} is no time zone of the IANA database (such as America/Denver)")
    with found.open("rb") as file:
        if file.read(4) != b"TZif":
            raise UnknownZoneError(f"{name!r} is no time zone of the IANA database (such as America/Denver)")
        file.seek(0)
        return ZoneInfo.from_file(file, key=name)
