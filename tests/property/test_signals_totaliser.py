"""Laws of the totaliser: whatever a counter does, never more is booked than was counted (REQ-10).

The plant and the counter are simulated here by counting up one by one; nothing is shared with what is tested.
"""

from dataclasses import dataclass, replace
from typing import Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crumbmeter.signals.totaliser import (
    TotaliserParams,
    TotaliserState,
    Verdict,
    explain,
    new_totaliser,
    observe,
    resumed,
    settle,
)

CONFIRM_READS = 3
WRAPPING = TotaliserParams("total", 0, 1.0, 1 << 16, wraps=True, resettable=False, max_rate_counts_s=10.0)
RESETTABLE = replace(WRAPPING, resettable=True)
STAYING = replace(WRAPPING, wraps=False, resettable=True)
KINDS = {"wrapping": WRAPPING, "resettable": RESETTABLE, "staying": STAYING}
EDGES = (0, 1, 9, 10, 11, 100, 32767, 32768, 65524, 65525, 65526, 65534, 65535)


def at(params: TotaliserParams, count: int, at_s: float = 0.0) -> TotaliserState:
    """Make a state whose baseline is a count."""
    return observe(new_totaliser(params), params, count, at_s)[0]


def told(
    state: TotaliserState, params: TotaliserParams, counts: list[int], from_s: float, step_s: float = 1.0
) -> tuple[TotaliserState, list[str]]:
    """Read a list of counts, and give the names of what happened."""
    names = []
    for place, count in enumerate(counts):
        state, events = observe(state, params, count, from_s + place * step_s)
        names += [happened.name for happened in events]
    return state, names


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("before", EDGES)
def test_of_all_counts_only_those_with_one_explanation_that_moves_material_are_booked(kind: str, before: int) -> None:
    """Every count of 16 bits after every edge, against a list of all that can have happened."""
    params, allowed = KINDS[kind], 10
    for count in range(1 << 16):
        turned = {
            moved
            for moved in (count - before, count - before + (1 << 16) if params.wraps else -1)
            if 0 <= moved <= allowed
        }
        reset = params.resettable and count < before and count <= allowed
        verdict = explain(before, count, float(allowed), params)
        if count >= before and turned:
            assert verdict is Verdict.ADVANCE
        elif turned and reset:
            assert verdict is Verdict.UNDECIDABLE
        elif turned:
            assert verdict is Verdict.WRAP
        elif reset:
            assert verdict is Verdict.RESET
        else:
            assert verdict is Verdict.REPLACEMENT


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
def test_a_brief_zero_at_any_count_costs_nothing(kind: str) -> None:
    params = KINDS[kind]
    for count in range((1 << 16) - 1):
        state, _ = told(at(params, count), params, [0, 0, count + 1], 1.0)
        assert (state.booked_counts, state.baseline_count, state.gaps) == (1, count + 1, ())


@pytest.mark.slow
def test_at_any_count_it_goes_over_the_top_whole() -> None:
    for count in range(1 << 16):
        shown = [(count + 9 * place) % (1 << 16) for place in (1, 2, 3, 4, 4, 4)]
        state, names = told(at(WRAPPING, count), WRAPPING, shown, 1.0)
        assert state.booked_counts == 36
        assert "totaliser_gap" not in names


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["resettable", "staying"])
def test_a_reset_at_any_count_books_nothing_of_what_is_not_known(kind: str) -> None:
    params = KINDS[kind]
    for count in range(40, 1 << 16):
        state, names = told(at(params, count), params, [4, 8, 12, 16], 1.0)
        assert names == ["totaliser_gap"]
        assert state.booked_counts == 4  # after the third read the new baseline is certain
        assert state.gaps[0].verdict is (
            Verdict.UNDECIDABLE if params.wraps and (4 - count) % (1 << 16) <= 11 else Verdict.RESET
        )


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
def test_another_device_at_any_count_books_nothing(kind: str) -> None:
    params = KINDS[kind]
    for count in range(1 << 16):
        for other in (count - 5000, count + 5000):
            shown = other % (1 << 16)
            if min(shown, (1 << 16) - shown) < 100:
                continue  # next to 0 it could be a reset, or over the top
            state, names = told(at(params, count), params, [shown] * 3, 1.0)
            assert state.booked_counts == 0
            assert names == ["totaliser_gap"]
            assert state.gaps[0].verdict is Verdict.REPLACEMENT


def test_at_any_count_an_outage_longer_than_a_turn_is_undecidable() -> None:
    """16 bits at 10 counts/s go round in 1 h 49 min (field lesson 10)."""
    for count in range(0, 1 << 16, 7):
        state, names = told(at(WRAPPING, 30000), WRAPPING, [count] * 3, 6553.6 * 2)
        assert state.booked_counts == 0
        assert names == ["totaliser_gap"]
        assert state.gaps[0].verdict is Verdict.UNDECIDABLE


def test_one_second_less_than_a_turn_is_decided() -> None:
    state, _ = told(at(WRAPPING, 30000), WRAPPING, [30000 + 65] * 3, 6552.0)
    assert (state.booked_counts, state.gaps) == (65, ())
    state, _ = told(at(WRAPPING, 30000), WRAPPING, [64] * 3, 6552.0)
    assert (state.booked_counts, state.gaps) == (35600, ())


@dataclass(frozen=True)
class Step:
    """One thing that happens before a read."""

    kind: Literal["read", "reset", "zero", "swap", "restart", "restart, clock lost", "outage"]
    share: float = 1.0
    """Of the highest rate."""
    number: int = 0


WIDTHS = {16: (10.0, 1.0), 32: (1000.0, 0.2)}
"""Highest rate [counts/s] and time between reads [s]."""


def steps(resettable: bool) -> st.SearchStrategy[list[Step]]:
    kinds = ["read", "read", "read", "zero", "swap", "restart", "restart, clock lost", "outage"]
    return st.lists(
        st.builds(
            Step,
            st.sampled_from([*kinds, "reset"] if resettable else kinds),
            st.floats(0.0, 1.0),
            st.integers(0, (1 << 32) - 1),
        ),
        max_size=60,
    )


@dataclass
class Counter:
    """A counter on a machine: it counts what really passes."""

    modulus: int
    wraps: bool
    passed: float = 0.0
    shown: int = 0

    def run(self, counts: float) -> None:
        whole = int(self.passed + counts) - int(self.passed)
        self.passed += counts
        self.shown = (self.shown + whole) % self.modulus if self.wraps else min(self.modulus - 1, self.shown + whole)


@given(st.sampled_from([16, 32]), st.booleans(), st.booleans(), st.integers(0, (1 << 32) - 1), st.data())
def test_never_more_is_booked_than_was_counted(
    bits: int, wraps: bool, resettable: bool, start: int, data: st.DataObject
) -> None:
    rate, period_s = WIDTHS[bits]
    params = TotaliserParams("total", 0, 1.0, 1 << bits, wraps=wraps, resettable=resettable, max_rate_counts_s=rate)
    near_top = data.draw(st.booleans())
    counter = Counter(params.modulus, wraps)
    counter.shown = (params.modulus - 1 - start % 50) if near_top else start % params.modulus
    state, now_s, blind = new_totaliser(params), 0.0, False
    state, _ = observe(state, params, counter.shown, now_s)
    began_s = now_s
    zeros = 0
    for step in data.draw(steps(resettable)):
        span_s = period_s * (1 + step.number % 40 if step.kind == "outage" else 1)
        now_s += span_s
        counter.run(rate * step.share * span_s)
        if step.kind == "reset":
            counter.shown = 0
        elif step.kind == "swap":
            counter.shown = step.number % params.modulus
            ahead = (counter.shown - (state.baseline_count or 0)) % params.modulus
            baseline_s = began_s if state.baseline_s is None else state.baseline_s
            # A device that happens to show just what the old one could have come to cannot be told from it.
            blind |= ahead <= rate * (now_s - baseline_s + 50 * period_s) + 2
        elif step.kind == "restart":
            away_s = None if state.baseline_s is None else now_s - state.baseline_s
            state = resumed(state, away_s, now_s)
        elif step.kind == "restart, clock lost":
            state = resumed(state, None, now_s)
        zeros = zeros + 1 if step.kind == "zero" and zeros < CONFIRM_READS - 1 else 0
        state, _ = observe(state, params, 0 if zeros else counter.shown, now_s)
        assert state.booked_counts <= rate * (now_s - began_s) + 1
        assert blind or state.booked_counts <= counter.passed + 1


@given(st.sampled_from([16, 32]), st.integers(0, (1 << 32) - 1), st.lists(st.floats(0.0, 1.0), max_size=80))
def test_a_sound_counter_is_booked_whole(bits: int, start: int, shares: list[float]) -> None:
    rate, period_s = WIDTHS[bits]
    params = TotaliserParams("total", 0, 1.0, 1 << bits, wraps=True, resettable=False, max_rate_counts_s=rate)
    counter = Counter(params.modulus, wraps=True, shown=start % params.modulus)
    state, _ = observe(new_totaliser(params), params, counter.shown, 0.0)
    for place, share in enumerate([*shares, 0.0, 0.0, 0.0], start=1):
        counter.run(rate * share * period_s)
        state, _ = observe(state, params, counter.shown, place * period_s)
    assert state.booked_counts == int(counter.passed)
    assert state.gaps == ()


@given(st.integers(0, 1 << 20), st.integers(-100, 1 << 20))
def test_settling_adds_and_changes_nothing_booked(booked: int, counts: int) -> None:
    state, _ = told(replace(at(RESETTABLE, 40000), booked_counts=booked), RESETTABLE, [4, 4, 4], 1.0)
    settled, gap = settle(state, 0, counts)
    assert gap == state.gaps[0]
    assert (settled.booked_counts, settled.settled_counts, settled.gaps) == (booked, counts, ())
    assert settle(settled, 1, counts) == (settled, None)
