"""Two daemons that know nothing of each other, as on two machines: the feeder's owner register keeps them apart."""

from pathlib import Path
from typing import Any

import pytest

from tests.system.conftest import Bench
from tests.system.plants import SiteFile
from tests.system.test_second_daemon import twin

OWNER = """
[outputs.owner]
register = "feeder.owner"
storage = "volatile"
low = 0.0
high = 65535.0
confirm_within_s = 1.5
"""


def apart(site: SiteFile, bench: Bench, folder: Path) -> SiteFile:
    """Copy a site to what might be another machine: nothing shared but the plant."""
    other = twin(site, folder, bench.free_port)
    other.set("journal", "folder", str(other.journal))
    other.set("socket", "path", str(other.socket))
    return other


def owns(view: dict[str, Any]) -> bool:
    """Tell whether its number has been read back from the owner register."""
    return any(one["role"] == "owner" and one["stage"] == "confirmed" for one in view["writes"])


@pytest.mark.timeout(150)
async def test_the_second_master_writes_nothing_until_the_first_has_died(bench: Bench, tmp_path: Path) -> None:
    site = bench.site()
    await bench.plant(site)
    text = site.path.read_text()
    site.path.write_text(text.replace("[outputs.heartbeat]", OWNER + "\n[outputs.heartbeat]", 1))
    other = apart(site, bench, tmp_path / "other")

    first = bench.start(site)
    await first.up()
    await first.do("enable control")
    await first.until(owns)
    second = bench.start(other)
    await second.up()
    await second.do("enable control")
    view = await second.until(lambda view: any(one["alarm_id"] == "other_master" for one in view["alarms"]))
    assert not view["outputs"]["write_enabled"]
    assert all(one["stage"] == "none" for one in view["writes"])
    assert not any(one["alarm_id"] == "other_master" for one in (await first.up())["alarms"])

    first.kill()
    await second.until(owns)
    view = await second.until(lambda view: view["outputs"]["write_enabled"])
    assert not view["in_service"], "taken over, and not started"
    assert (await second.stop())[0] == 0
