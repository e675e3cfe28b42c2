"""What was gathered is what the filter was given: run again with the same settings, it comes to the same."""

import pytest

from crumbmeter.estimation.weighing import weigh
from crumbmeter.runtime.fillrecord import FillRecord
from tests.cores import Bench


def test_the_filter_run_again_over_the_record_comes_to_the_same() -> None:
    bench = Bench()
    record = FillRecord(bench.params)
    bench.enable_and_start()
    record.take(bench.results[-1])
    state = bench.state.weighing
    for scan in range(900):
        bench.values["refilling"] = float(400 < scan <= 450)
        if scan == 700:
            bench.values["hopper_mass"] = float("nan")
        record.take(bench.scan())
        bench.values["hopper_mass"] += 1.0 if 400 < scan <= 450 else 0.0
        bench.obey()
        if scan == 702:
            bench.values["hopper_mass"] = 150.0
    assert bench.state.weighing.turned_rev > 5.0
    assert len(record.scans) == 900
    assert any(one.weight_kg is None for one in record.scans)
    assert sum(one.gate is True for one in record.scans) == 50
    for one in record.scans:
        state, _, _ = weigh(
            state, bench.params.weighing, one.weight_kg, one.speed_rev_s, one.gate, one.dt_s, rebased=one.rebased,
            leak=one.leak,
        )  # fmt: skip
    there = bench.state.weighing
    assert state.mass_kg == pytest.approx(there.mass_kg, rel=1e-9)
    assert state.factor_kg_rev == pytest.approx(there.factor_kg_rev, rel=1e-9)
    assert state.air.share == pytest.approx(there.air.share, abs=1e-12)


def test_after_a_gap_the_weight_begins_anew() -> None:
    bench = Bench()
    record = FillRecord(bench.params)
    for _ in range(5):
        record.take(bench.scan())
    record.interrupt()
    for _ in range(3):
        record.take(bench.scan())
    assert [one.rebased for one in record.scans] == [False] * 4 + [True, False]
