"""The plant controller's own timing of the binder: what is due, when belts and drum stand, and what is lost."""

import pytest

from crumbmeter.model.frozen import replace
from crumbmeter.process.binder import (
    LOST_AFTER_S,
    RATIO_LIMIT,
    BinderSeen,
    BinderTiming,
    Due,
    Solids,
    follow,
    foresee,
    new_timing,
)
from crumbmeter.process.dose import Mix
from tests.cores import make_params

PARAMS = make_params()
SURFACE = PARAMS.mixes[0]
STREAM = replace(PARAMS.streams[0], binder_belt_s=10.0, binder_drum_s=30.0, binder_lag_s=2.0)
DELAY_S, AHEAD_S, DT_S = 42.0, 6.0, 0.2


def run(
    seconds: float,
    rate_kg_s: float,
    timing: BinderTiming | None = None,
    *,
    belt_runs: bool = True,
    drum_turns: bool = True,
) -> tuple[BinderTiming, Due]:
    timing = timing or new_timing(STREAM)
    assert timing is not None
    due = Due(0.0, 0.0, 0.0)
    for _ in range(round(seconds / DT_S)):
        timing, due = follow(
            timing, rate_kg_s * DT_S, AHEAD_S, DT_S, belt_runs=belt_runs, drum_turns=drum_turns
        )  # fmt: skip
    return timing, due


def test_without_the_controllers_delay_there_is_no_timing() -> None:
    assert new_timing(replace(STREAM, binder_drum_s=None)) is None


def test_a_front_is_seen_one_look_ahead_before_it_is_due() -> None:
    timing, before = run(DELAY_S - AHEAD_S - 1.0, 50.0)
    assert before.now_kg == 0.0
    assert before.ahead_kg_s == pytest.approx(0.0, abs=1e-9)
    timing, seen = run(2.0, 50.0, timing)
    assert seen.now_kg == 0.0
    assert seen.ahead_kg_s == pytest.approx(50.0, rel=0.01)
    timing, due = run(AHEAD_S - 2.0, 50.0, timing)
    assert due.now_kg == 0.0
    _, due = run(1.5, 50.0, timing)
    assert due.now_kg == pytest.approx(50.0 * DT_S)
    assert due.within_kg == pytest.approx(50.0 * AHEAD_S)


def test_a_belt_that_stands_delays_what_it_carries_and_leaves_a_gap() -> None:
    timing, _ = run(100.0, 50.0)
    timing, due = run(20.0, 50.0, timing, belt_runs=False)
    assert due.now_kg == pytest.approx(50.0 * DT_S)  # the drum's part went on
    assert due.ahead_kg_s == pytest.approx(50.0)
    timing, due = run(14.0, 0.0, timing, belt_runs=False)
    assert due.now_kg == 0.0
    # What a scale shows of a standing belt is not taken for material: the gap is empty.
    _, due = run(31.0, 50.0, timing)
    assert due.now_kg == 0.0


def test_no_binder_is_due_in_a_drum_that_stands() -> None:
    timing, _ = run(100.0, 50.0)
    stopped, due = run(60.0, 0.0, timing, drum_turns=False, belt_runs=False)
    assert due == Due(0.0, 0.0, 0.0)
    _, due = run(DT_S, 0.0, stopped, belt_runs=False)
    assert due.now_kg == pytest.approx(50.0 * DT_S)


def solids(now: float, ahead: float, *, timed: bool = True) -> Solids:
    return Solids(Mix(now * DT_S), Mix(ahead), Mix(ahead * AHEAD_S), timed=timed)


def measured(binder_kg_s: float) -> Mix:
    return Mix(virgin_binder=binder_kg_s * DT_S)


FORMULA = SURFACE.total_binder_content / (1.0 - SURFACE.total_binder_content)
"""[kg/kg] Binder to dry aggregate, without recycle."""


def test_the_formula_is_followed_where_the_meter_agrees() -> None:
    found = foresee(BinderSeen(1.0, 0.0), SURFACE, solids(50.0, 40.0), measured(50.0 * FORMULA), DT_S)
    assert found.ahead_kg_s == pytest.approx(40.0 * FORMULA)
    assert found.within_kg == pytest.approx(40.0 * AHEAD_S * FORMULA)
    assert found.seen.ratio == pytest.approx(1.0)
    assert found.seen.lost_s == 0.0


def test_the_meters_ratio_is_learned_within_its_limit() -> None:
    seen = BinderSeen(1.0, 0.0)
    for _ in range(3000):
        seen = foresee(seen, SURFACE, solids(50.0, 50.0), measured(50.0 * FORMULA * 1.07), DT_S).seen
    assert seen.ratio == pytest.approx(1.07, abs=1e-3)
    for _ in range(3000):
        seen = foresee(seen, SURFACE, solids(50.0, 50.0), measured(50.0 * FORMULA * 1.9), DT_S).seen
    assert seen.ratio == pytest.approx(1.0 + RATIO_LIMIT, abs=1e-3)


def test_binder_that_is_lost_is_taken_to_stay_away_and_its_ratio_is_kept() -> None:
    seen = BinderSeen(1.02, 0.0)
    foreseen = []
    for _ in range(20):
        found = foresee(seen, SURFACE, solids(50.0, 50.0), measured(0.0), DT_S)
        seen = found.seen
        foreseen.append(found.ahead_kg_s)
    assert foreseen[0] == pytest.approx(50.0 * FORMULA * 1.02)
    assert foreseen[round(LOST_AFTER_S / DT_S) + 1 :] == [0.0] * (20 - round(LOST_AFTER_S / DT_S) - 1)
    back = foresee(seen, SURFACE, solids(50.0, 50.0), measured(50.0 * FORMULA), DT_S)
    assert back.ahead_kg_s == pytest.approx(50.0 * FORMULA * 1.02, rel=0.01)


def test_a_pump_that_waits_for_a_front_is_not_lost() -> None:
    seen = BinderSeen(1.0, 0.0)
    for _ in range(50):
        found = foresee(seen, SURFACE, solids(5.0, 50.0), measured(0.0), DT_S)
        seen = found.seen
    assert found.ahead_kg_s == pytest.approx(50.0 * FORMULA)


def test_without_timing_nothing_is_called_lost() -> None:
    seen = BinderSeen(1.0, 0.0)
    for _ in range(50):
        found = foresee(seen, SURFACE, solids(50.0, 50.0, timed=False), measured(0.0), DT_S)
        seen = found.seen
    assert found.ahead_kg_s == pytest.approx(50.0 * FORMULA)
