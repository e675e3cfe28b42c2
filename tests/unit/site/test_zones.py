"""Time zones come from the program's own data, by name, and nothing else passes for one."""

import re
from datetime import UTC, datetime

import pytest

from crumbmeter.site.zones import TZDATA_VERSION, UnknownZoneError, time_zone


def test_a_zone_with_its_summer_time() -> None:
    zone = time_zone("America/Denver")
    assert (
        datetime(2026, 7, 1, 12, tzinfo=UTC).astimezone(zone).utcoffset()
        != datetime(2026, 12, 1, 12, tzinfo=UTC).astimezone(zone).utcoffset()
    )
    assert str(zone) == "America/Denver"


def test_the_edition_is_known() -> None:
    assert re.fullmatch(r"20\d\d[a-z]", TZDATA_VERSION)


@pytest.mark.parametrize(
    "name", ["", "Atlantis/Port", "../tzdata/__init__.py", "/etc/localtime", "America", "tzdata.zi", "__init__.py"]
)
def test_what_is_no_zone_is_refused(name: str) -> None:
    with pytest.raises(UnknownZoneError, match="IANA"):
        time_zone(name)
