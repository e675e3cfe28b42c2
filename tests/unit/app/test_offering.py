"""What controllers ask for through the offered registers, by what each of them wrote before."""

import shutil
from pathlib import Path

import pytest

from crumbmeter.app.offering import MOST_PEERS, OfferedBank
from crumbmeter.field.spec import Table
from crumbmeter.model.commands import CommandKind
from crumbmeter.model.scan import ScanResult
from crumbmeter.outward.asked import FIRST_COIL, REQUESTS
from crumbmeter.runtime.fanout import Latest
from crumbmeter.runtime.intake import Intake
from crumbmeter.site import load
from tests.fakes import FakeClock

ROOT = Path(__file__).parents[3]
OFFER = '[publish.modbus]\naddress = "127.0.0.1"\nport = 1502\nallow = ["stop_feed", "hold_feed", "start_feed"]\n\n'
STOP, START = (FIRST_COIL + tuple(REQUESTS).index(name) for name in ("stop_feed", "start_feed"))


class Bench:
    def __init__(self, folder: Path) -> None:
        shutil.copytree(ROOT / "config/devices", folder / "devices")
        path = folder / "sites" / "site.toml"
        path.parent.mkdir()
        text = (ROOT / "config/sites/demo_drum.toml").read_text("utf-8")
        path.write_text(text.replace("[publish.metrics]", OFFER + "[publish.metrics]"))
        self.intake, self.clock = Intake(lambda _event: None), FakeClock()
        views: Latest[ScanResult] = Latest()
        self.bank = OfferedBank(load(path), views, self.intake, self.clock)

    def put(self, peer: str, address: int, *values: int) -> list[CommandKind]:
        """Write coils; return what the next scan would be asked for."""
        assert self.bank.bank_for(peer).write(Table.COIL, address, values) == 0
        return [command.kind for command in self.intake.take(self.clock.now_s())]


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


def test_two_controllers_that_write_alternately_start_the_feed_once(bench: Bench) -> None:
    """One holds its start at 1, another has none to ask for: after a stop at the desk the feed must not come back."""
    asked = [bench.put("10.0.0.1", START, value) for value in (0, 1)]
    assert asked == [[], [CommandKind.START_FEED]]
    for _ in range(5):
        assert bench.put("10.0.0.2", START, 0) == []
        assert bench.put("10.0.0.1", START, 1) == []
    assert bench.put("10.0.0.2", STOP, 1) == [CommandKind.STOP_FEED]
    assert bench.put("10.0.0.1", STOP, 1) == [CommandKind.STOP_FEED]
    assert bench.bank.bank_for("10.0.0.1").read(Table.COIL, START, 1) == [1]


def test_an_address_that_was_forgotten_has_to_write_zero_first(bench: Bench) -> None:
    bench.put("10.0.0.1", START, 0)
    for number in range(MOST_PEERS):
        bench.put(f"10.0.1.{number}", START, 0)
    assert bench.put("10.0.0.1", START, 1) == []
    assert bench.put("10.0.0.1", START, 0) == []
    assert bench.put("10.0.0.1", START, 1) == [CommandKind.START_FEED]


def test_of_a_stop_and_a_start_in_one_request_the_stop_counts(bench: Bench) -> None:
    """Coils 100 to 102 in one request of function 15, as a block that a controller writes with all bits set."""
    bench.put("10.0.0.1", START, 0)
    assert bench.put("10.0.0.1", STOP, 1, 0, 1) == [CommandKind.STOP_FEED]
    assert bench.put("10.0.0.1", STOP, 1, 0, 1) == []
    assert bench.put("10.0.0.1", STOP, 0, 0, 0) == []
    assert bench.put("10.0.0.1", STOP, 0, 0, 1) == [CommandKind.START_FEED]
