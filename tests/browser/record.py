"""`python -m tests.browser.record`: write what desk and control say down, for pages that are shown without them.

Everything comes from the real daemon, the real desk and the simulator; tests/browser/test_day.py holds the shape of
what was recorded against what they say now.
"""

import itertools
import json
import sys
import tempfile
from pathlib import Path
from typing import Any

from tests.browser.bench import Bench
from tests.system.desks import PASSWORD, Browser

RECORDED = Path(__file__).with_name("recorded.json")
SETTLED_S = 150.0
"""[s] Plant time of feeding before it is written down."""


def record() -> dict[str, Any]:
    """Run a plant until it feeds for a while; return what the API says then."""
    ports = itertools.count(27_000)
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(Path(folder), lambda: next(ports))
        try:
            browser = Browser(bench.port)
            browser.login("ana", PASSWORD)
            browser.ask("POST", "/api/v1/commands", {"kind": "start feed"})
            began = bench.until(lambda view: view["run_state"] == "feeding")["process_time_s"]
            bench.until(lambda view: view["process_time_s"] > began + SETTLED_S and not view["learning"], 90.0)
            names = ("view", "settings", "actions", "alarms/catalogue", "trend?minutes=10", "links")
            said = {name: browser.ask("GET", f"/api/v1/{name}")[1] for name in names}
            boss = Browser(bench.port)
            boss.login("integrator", PASSWORD)
            return said | {"integrator": boss.ask("GET", "/api/v1/actions")[1]}
        finally:
            bench.close()


if __name__ == "__main__":
    RECORDED.write_text(json.dumps(record(), indent=None, sort_keys=True) + "\n")
    sys.stdout.write(f"{RECORDED}: {RECORDED.stat().st_size} bytes\n")
