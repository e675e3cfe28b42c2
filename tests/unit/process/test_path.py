"""Alignment: rubber that leaves the auger now meets the material that the front saw."""

from dataclasses import replace

import pytest

from crumbmeter.process.params import StreamKind, StreamParams
from crumbmeter.process.path import Passage, PathState, _erlang, _erlang_passed, advance, cell_length_m, new_path

DT_S = 0.2
BELT = StreamParams(
    stream_id="aggregate", kind=StreamKind.AGGREGATE, rate=0, wet=False, moisture=0.0, binder_content=0.0,
    low_flow_kg_s=0.0, belt_length_m=24.0, belt_speed=None, belt_running=None, nominal_belt_speed_m_s=1.6,
    scale_filter_s=0.0, drum_residence_s=0.0, drum_stages=0,
)  # fmt: skip


def drive(params: StreamParams, flow: "list[tuple[float, float, float]]", ahead_s: float = 4.0) -> list[Passage]:
    """Run (seconds, kg/s, m/s) sections through a path."""
    state: PathState = new_path(params)
    passages = []
    for seconds, kg_s, speed in flow:
        for _ in range(round(seconds / DT_S)):
            turning = 1.0 if speed > 0.0 else 0.0
            state, passage = advance(state, params, kg_s * DT_S, speed, turning, ahead_s, DT_S)
            passages.append(passage)
    return passages


def time_of_first(masses: list[float]) -> float:
    return next(i for i, mass in enumerate(masses) if mass > 1e-9) * DT_S


def test_published_belt_delay() -> None:
    # Derived closed form (computation.md section 3): 40 m at 1.5 m/s is 26.667 s; 250 t/h leaves 1851.9 kg on it.
    params = replace(BELT, belt_length_m=40.0, nominal_belt_speed_m_s=1.5)
    rate = 250_000.0 / 3600.0
    passages = drive(params, [(60.0, rate, 1.5)])
    assert time_of_first([p.at_injection_kg for p in passages]) == pytest.approx(26.667, abs=0.6)
    on_belt = 60.0 * rate - sum(p.at_injection_kg for p in passages)
    assert on_belt == pytest.approx(1851.9, abs=0.05)


def test_variable_speed_delay() -> None:
    # Derived (same place): 30 m, 2 m/s for t < 10 s, then 1 m/s: entries at 0, 5 and 10 s leave after 20, 25 and 30 s.
    params = replace(BELT, belt_length_m=30.0, nominal_belt_speed_m_s=2.0)
    for entry_s, delay_s in ((0.0, 20.0), (5.0, 25.0), (10.0, 30.0)):
        state, out_at, t_s = new_path(params), None, 0.0
        while out_at is None:
            mass = 1.0 if abs(t_s - entry_s) < 1e-9 else 0.0
            state, passage = advance(state, params, mass, 2.0 if t_s < 10.0 - 1e-9 else 1.0, 1.0, 0.0, DT_S)
            t_s = round(t_s + DT_S, 6)
            if passage.at_injection_kg > 0.0:
                out_at = t_s
        assert out_at - entry_s == pytest.approx(delay_s, abs=0.5)


@pytest.mark.parametrize("stages", [0, 10])
def test_the_forecast_is_what_comes_one_look_ahead_later(stages: int) -> None:
    # Steady belt, changing flow: what is foreseen for 4 s from now is what passes then.
    params = replace(BELT, drum_residence_s=30.0 if stages else 0.0, drum_stages=stages)
    passages = drive(params, [(60.0, 50.0, 1.6), (30.0, 80.0, 1.6), (60.0, 20.0, 1.6)])
    later = round(4.0 / DT_S)
    seen = [p.ahead_kg_s for p in passages[:-later]]
    came = [p.at_injection_kg / DT_S for p in passages[later:]]
    worst = max(abs(a - b) for a, b in zip(seen, came, strict=True))
    assert worst < (3.0 if stages else 50.0)  # a plug's edge may fall a cell early or late
    assert sum(seen) == pytest.approx(sum(came), rel=0.01)


@pytest.mark.parametrize("stages", [0, 10])
def test_what_passes_within_the_look_ahead(stages: int) -> None:
    params = replace(BELT, drum_residence_s=30.0 if stages else 0.0, drum_stages=stages)
    passages = drive(params, [(60.0, 50.0, 1.6), (30.0, 80.0, 1.6), (40.0, 0.0, 1.6)])
    later = round(4.0 / DT_S)
    for at in range(0, len(passages) - later, 25):
        came = sum(p.at_injection_kg for p in passages[at + 1 : at + 1 + later])
        assert passages[at].within_kg == pytest.approx(came, abs=20.0)  # of up to 320 kg


def test_a_stopped_belt_is_foreseen_while_the_drum_runs_empty() -> None:
    # The belt stops, the drum goes on: the forecast follows the drum's content and does not count on the belt.
    params = replace(BELT, drum_residence_s=30.0, drum_stages=10)
    state = new_path(params)
    for _ in range(400):
        state, _ = advance(state, params, 10.0, 1.6, 1.0, 4.0, DT_S)
    state, before = advance(state, params, 0.0, 0.0, 1.0, 4.0, DT_S)
    assert before.ahead_kg_s == pytest.approx(50.0, rel=0.03)
    for _ in range(400):
        state, passage = advance(state, params, 0.0, 0.0, 1.0, 4.0, DT_S)
    assert passage.ahead_kg_s == pytest.approx(0.0, abs=0.1)
    assert state.belt.content > 500.0


def test_a_drum_that_stands_promises_nothing() -> None:
    params = replace(BELT, drum_residence_s=30.0, drum_stages=10)
    state = new_path(params)
    for _ in range(400):
        state, _ = advance(state, params, 10.0, 1.6, 1.0, 4.0, DT_S)
    _, passage = advance(state, params, 0.0, 0.0, 0.0, 4.0, DT_S)
    assert (passage.ahead_kg_s, passage.within_kg, passage.at_injection_kg) == (0.0, 0.0, 0.0)


@pytest.mark.parametrize("residence_s", [2.5, 6.0, 20.0, 60.0])
@pytest.mark.parametrize("stages", [1, 2, 5, 18])
def test_steady_material_is_foreseen_as_steady_however_short_its_way(residence_s: float, stages: int) -> None:
    """Recycle enters at a collar, a few seconds before the rubber, which is under way for longer than that."""
    params, ahead_s = replace(BELT, belt_length_m=3.0, drum_residence_s=residence_s, drum_stages=stages), 9.0
    last = drive(params, [(900.0, 20.0, 1.6)], ahead_s)[-1]
    assert last.ahead_kg_s == pytest.approx(20.0, rel=2e-4)
    assert last.within_kg == pytest.approx(20.0 * ahead_s, rel=2e-4)


def test_erlang_passed_and_its_integral_against_sums() -> None:
    for stages in (1, 3, 12):
        steps = 4000
        for turns in (0.5, 4.0, 15.0):
            passed, mean = _erlang_passed(turns, stages)
            assert passed == pytest.approx(_erlang(turns, stages)[1][-1], abs=1e-12)
            parts = [_erlang_passed(turns * (step + 0.5) / steps, stages)[0] for step in range(steps)]
            area = sum(parts) * turns / steps
            assert mean == pytest.approx(area, abs=1e-6)


def test_erlang_weights_against_the_closed_form() -> None:
    # P(N stages passed by t) = 1 - exp(-x) sum_{k<N} x^k/k!, x = t over one stage's residence (Erlang distribution,
    # NIST/SEMATECH e-Handbook 1.3.6.6.11 for the gamma distribution with whole shape). x = 2, N = 3: 0.323324.
    densities, passed = _erlang(2.0, 3)
    assert passed == pytest.approx([0.864664717, 0.593994150, 0.323323584], abs=1e-9)
    assert densities == pytest.approx([0.135335283, 0.270670566, 0.270670566], abs=1e-9)


@pytest.mark.parametrize(
    "flow",
    [
        [(60.0, 50.0, 1.6), (40.0, 0.0, 1.6)],
        [(30.0, 50.0, 1.6), (25.0, 0.0, 0.0), (60.0, 30.0, 1.6), (60.0, 0.0, 1.6)],
        [(30.0, 50.0, 1.6), (30.0, 40.0, 0.8), (30.0, 60.0, 1.9), (90.0, 0.0, 1.2)],
        [(20.0, 50.0, 1.6), (0.2, 0.0, 0.0), (20.0, 50.0, 1.6), (3.0, 0.0, 0.0), (90.0, 0.0, 1.6)],
    ],
)
def test_every_kilogram_arrives(flow: list[tuple[float, float, float]]) -> None:
    passages = drive(BELT, flow)
    fed = sum(kg_s * seconds for seconds, kg_s, _ in flow)
    assert sum(p.at_injection_kg for p in passages) == pytest.approx(fed, rel=1e-9)


def test_a_stopped_belt_and_drum_hold_everything() -> None:
    passages = drive(BELT, [(30.0, 50.0, 1.6), (20.0, 0.0, 0.0)])
    assert sum(p.at_injection_kg + p.ahead_kg_s + p.within_kg for p in passages[-100:]) == 0.0


def test_the_scale_filter_shortens_the_belt() -> None:
    filtered = replace(BELT, scale_filter_s=1.5)
    late = time_of_first([p.at_injection_kg for p in drive(BELT, [(40.0, 50.0, 1.6)])])
    early = time_of_first([p.at_injection_kg for p in drive(filtered, [(40.0, 50.0, 1.6)])])
    assert late - early == pytest.approx(1.5, abs=0.3)
    assert cell_length_m(filtered) == pytest.approx((24.0 - 2.4) / 54, rel=1e-9)
