"""Eight units on one bus, some killed in turn, then seven of eight: those that live keep their period. Real time.

The campaign (`python -m tests.campaigns units`) kills each of the eight.
"""

from pathlib import Path

import pytest

from tests.campaigns import eight_units

PERIOD_S, TIMEOUT_S, PERIODS = 0.8, 0.12, 6
DEATHS = ((), (1,), (5,), eight_units.UNITS[1:])


@pytest.mark.slow
async def test_the_healthy_ones_keep_their_period(tmp_path: Path) -> None:
    results = await eight_units.run_all(tmp_path, PERIOD_S, TIMEOUT_S, PERIODS, DEATHS)
    assert {result["bus"] for result in results} == set(eight_units.BUSES)
    for result in results:
        assert result["kept"], result
        assert result["all_back_after"] == f"{len(result['phases'])} / {len(result['phases'])}"
        assert result["wrong_values"] == 0
        assert [tuple(phase["dead"]) for phase in result["phases"]] == list(DEATHS)
        assert all(phase["requests_to_the_dead"] > 0 for phase in result["phases"] if phase["dead"])
