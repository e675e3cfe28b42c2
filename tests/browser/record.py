"""`python -m tests.browser.record`: write what desk and control say down, for pages that are shown without them.

It takes eleven minutes: the plant runs at its own pace, so that the trend is full and looks as it does on site.

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
from tests.system.plants import at

RECORDED = Path(__file__).with_name("recorded.json")
FED_S = 620.0
"""[s] Of feeding, before it is written down."""
RATES = at(230.0, "plant_rate", mix_short_ton_h=225.0) + at(470.0, "plant_rate", mix_short_ton_h=262.0)


def record() -> dict[str, Any]:
    """Run a plant until it feeds for a while; return what the API says then."""
    ports = itertools.count(27_000)
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(Path(folder), lambda: next(ports), rate=1.0, changes=("hopper.start_kg=150.0",), more=RATES)
        try:
            browser = Browser(bench.port)
            browser.login("ana", PASSWORD)
            browser.ask("POST", "/api/v1/commands", {"kind": "start feed"})
            browser.ask("POST", "/api/v1/commands", {"kind": "plan job", "value": 900_000.0})
            browser.ask("POST", "/api/v1/commands", {"kind": "load bag", "subject": "LOT-17", "value": 680.0})
            began = bench.until(lambda view: view["run_state"] == "feeding", 120.0)["process_time_s"]
            bench.until(lambda view: view["process_time_s"] > began + FED_S, FED_S + 60.0)
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
