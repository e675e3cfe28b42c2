"""Monitor only, on the wire: not one request that writes, whatever is asked; given back, rest is written, no more."""

from tests.system.conftest import Bench
from tests.system.plants import Running, Tap

SCANS = 200


def written(taps: dict[str, Tap]) -> int:
    return sum(tap.written for tap in taps.values())


async def scans_on(daemon: Running, count: int) -> None:
    """Wait until so many more scans are done."""
    start = (await daemon.up())["seq"]
    await daemon.until(lambda view: view["seq"] >= start + count)


async def test_nothing_is_written_before_control_is_enabled(bench: Bench) -> None:
    site = bench.site(rate=10.0)
    await bench.plant(site, tapped=True)
    daemon = bench.start(site)
    await daemon.up()
    answers = [
        await daemon.do("start feed"),
        await daemon.do("select mix", "plain"),
        await daemon.do("select mix", "surface_10lb"),
        await daemon.do("set moisture", "aggregate", 0.05),
        await daemon.do("reset subtotal"),
        await daemon.do("hold feed"),
        await daemon.do("stop feed"),
        await daemon.do("monitor only"),
    ]
    assert all(answer["answer"] == "command" for answer in answers)
    await scans_on(daemon, SCANS)
    assert all(sum(tap.codes.values()) > SCANS / 10 for tap in bench.taps.values())
    assert (await daemon.stop())[0] == 0
    assert written(bench.taps) == 0
    (stopping,) = site.events("daemon_stopping")
    assert stopping.get("written") is False


async def test_given_back_rest_is_written_once_and_then_nothing(bench: Bench) -> None:
    site = bench.site(rate=10.0)
    await bench.plant(site, tapped=True)
    daemon = bench.start(site)
    await daemon.up()
    await daemon.feed()
    feeder = bench.taps["feeder"]
    # The scan that shows the feed gives its writes to the wire after it.
    started = bytes.fromhex("05 0000 FF00")
    await daemon.until(lambda _: started in feeder.writes)
    before = len(feeder.writes)
    assert (await daemon.do("monitor only"))["accepted"]
    view = await daemon.until(lambda view: not view["outputs"]["write_enabled"])
    assert view["run_state"] == "monitor only"
    after, speed = feeder.writes[before:], bytes.fromhex("06 0000")
    speeds = [pdu for pdu in after if pdu.startswith(speed)]
    assert speeds[-1] == speed + b"\0\0"
    assert speeds.count(speeds[-1]) == 1
    coils = [pdu for pdu in after if pdu.startswith(bytes.fromhex("05 0000"))]
    assert coils == [bytes.fromhex("05 0000 0000")]
    there = written(bench.taps)
    await scans_on(daemon, SCANS)
    assert (await daemon.stop())[0] == 0
    assert written(bench.taps) == there
