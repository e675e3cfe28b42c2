"""The campaigns in small: ten thousand transactions a transport, five hundred writes, a dozen restarts; and that they
can find wrongs.
"""

from pathlib import Path

import pytest

from crumbmeter.field.spec import Transport
from crumbmeter_sim.faults.kinds import Fault
from tests.campaigns import mismatch, restarts, writes

pytestmark = pytest.mark.slow
TRANSACTIONS, WRITES, RESTARTS = 10_000, 500, 12
LINKS = 48


@pytest.mark.parametrize("transport", sorted(mismatch.TIMEOUT_S))
async def test_no_value_of_another_register_gets_through(transport: Transport, tmp_path: Path) -> None:
    result = await mismatch.run(mismatch.Setting(transport, TRANSACTIONS, 7, LINKS), tmp_path)
    assert result["wrong_shown"] == []
    assert result["wrong"] == 0
    assert result["transactions"] >= TRANSACTIONS
    # Every request came to one end, and each kind of fault struck.
    assert sum(result["outcomes"].values()) == result["transactions"]
    assert result["accepted"] == result["outcomes"]["ok"]
    assert {fault.kind for fault in mismatch.faults_of(transport, 0.02)} <= set(result["faults"])


async def test_a_device_that_breaks_its_promise_is_found_out(tmp_path: Path) -> None:
    """The campaign sees wrong values where there are some: replies later than the device promised, on a serial line."""
    promise_s = mismatch.TIMEOUT_S[Transport.RTU]
    late = (Fault("delay", share=0.3, seconds=3.0 * promise_s, spread_s=promise_s),)
    result = await mismatch.run(mismatch.Setting(Transport.RTU, 2000, 7, LINKS, 1.0, late), tmp_path)
    assert result["wrong"] + result["later_than_promised"] > 0
    assert result["wrong_shown"]


@pytest.mark.parametrize("transport", [Transport.TCP, Transport.RTU])
async def test_the_writer_believes_what_the_device_holds(transport: Transport, tmp_path: Path) -> None:
    result = await writes.run(transport, WRITES, 7, writes.LINES, tmp_path)
    assert result["shown"] == []
    assert set(result["differences"].values()) == {0}
    assert result["writes"] >= WRITES
    assert result["acknowledged_and_looked_up"] > 0
    assert set(result["misbehaviour"]) == {
        "none", "ClampWrites", "IgnoreWrites", "LateWrites", "Overwrite", "Refuse", "RoundWrites", "WrongEcho",
    }  # fmt: skip


def test_no_restart_makes_the_setpoint_jump() -> None:
    result = restarts.run_here(RESTARTS, 1)
    assert result["shown"] == []
    assert (result["jumps"], result["early"]) == (0, 0)
    assert sum(result["restarts"].values()) == RESTARTS
    assert set(result["restarts"]) == set(restarts.KINDS)
    assert result["fed_after"] > 0


def test_a_core_that_does_not_look_what_the_feeder_holds_is_found_out(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("crumbmeter.control.step.watch_feeder", lambda state, *_: state)
    found = 0
    for seed in range(1, 6):  # not every restart tempts such a core
        found += restarts.run_here(RESTARTS, seed)["jumps"]
        if found:
            break
    assert found > 0
