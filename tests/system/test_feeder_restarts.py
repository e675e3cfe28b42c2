"""A feeder without power for a moment, shorter than a reading may be old, never gets its old speed in one step."""

import pytest

from tests.system.conftest import Bench
from tests.system.plants import at

DIP_AT_S = 75.0
SLOW_COUNTS = 700
"""[0.01 rpm] A speed that a ramp reaches from rest within two scans; the feeder turns at more than twice as much."""


@pytest.mark.timeout(150)
async def test_the_first_speed_after_a_dip_is_a_first_speed(bench: Bench) -> None:
    site = bench.site(rate=4.0)
    await bench.plant(site, more=at(DIP_AT_S, "power_dip", for_s=0.8), tapped=True)
    tap = bench.taps["feeder"]
    speeds: list[tuple[int, int]] = []
    """Number of the connection, speed written on it [0.01 rpm]."""

    def look(pdu: bytes) -> bytes:
        if pdu[:3] == b"\x06\x00\x00":
            speeds.append((len(tap.accepted), int.from_bytes(pdu[3:5], "big")))
        return pdu

    tap.alter = look
    daemon = bench.start(site)
    await daemon.up()
    await daemon.feed()
    before = len(tap.accepted)
    await daemon.until(lambda _view: len(tap.accepted) > before, within_s=60.0)
    assert [speed for place, speed in speeds if place == before][-1] > 2 * SLOW_COUNTS
    seen = len(speeds)
    await daemon.until(lambda _view: len(speeds) > seen)
    first = next(speed for place, speed in speeds if place > before)
    assert first <= SLOW_COUNTS
    assert (await daemon.stop())[0] == 0
