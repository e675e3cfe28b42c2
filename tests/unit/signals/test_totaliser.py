"""Single happenings of a counter, with the figures that must come out."""

from dataclasses import replace

import pytest

from crumbmeter.signals.totaliser import (
    MOST_GAPS,
    Gap,
    TotaliserParams,
    TotaliserState,
    Verdict,
    explain,
    follow_rate,
    new_totaliser,
    observe,
    resumed,
    settle,
)

STAYS = TotaliserParams("total", 0, 0.5, 1000, wraps=False, resettable=True, max_rate_counts_s=10.0)
WRAPS = replace(STAYS, wraps=True, resettable=False)


def read(
    params: TotaliserParams, counts: list[int], state: TotaliserState | None = None, from_s: float = 100.0
) -> tuple[TotaliserState, list[dict[str, object]]]:
    told: list[dict[str, object]] = []
    state = state or new_totaliser(params)
    for place, count in enumerate(counts):
        state, events = observe(state, params, count, from_s + place)
        told += [{"name": happened.name, **dict(happened.detail)} for happened in events]
    return state, told


def test_a_counter_that_comes_to_its_end_says_so_once_and_again_after_a_reset() -> None:
    state, told = read(STAYS, [980, 990, 998, 999, 999, 999])
    assert told == [{"name": "totaliser_saturated", "signal": "total"}]
    assert (state.saturated, state.booked_counts) == (True, 19)
    # Where the site file says meanwhile that it goes round, its highest count is no end.
    after, told = read(WRAPS, [999], state, 106.0)
    assert (after.saturated, told) == (False, [])
    state, told = read(STAYS, [5, 6, 7], state, 106.0)
    assert (state.saturated, told[0]["verdict"]) == (False, "reset")
    assert read(WRAPS, [998, 999, 999])[1] == []
    assert read(STAYS, [998, 998])[0].saturated is False


def test_exactly_the_highest_rate_and_one_count_is_believed_and_one_more_is_not() -> None:
    assert read(STAYS, [100, 111])[0].booked_counts == 11
    assert read(STAYS, [100, 112])[0].booked_counts == 0
    # The one count by which a counter may be ahead is given once, not with every read.
    assert read(STAYS, [100, 111, 121])[0].booked_counts == 21
    assert read(STAYS, [100, 111, 122])[0].booked_counts == 11
    # What was not used is not saved up: the next read is bounded by its own time.
    assert read(STAYS, [100, 100, 100, 112])[0].booked_counts == 0


def test_between_two_quick_reads_only_their_own_time_counts() -> None:
    state, _ = read(STAYS, [100])
    assert observe(state, STAYS, 106, 100.5)[0].booked_counts == 6
    assert observe(state, STAYS, 107, 100.5)[0].booked_counts == 0


@pytest.mark.parametrize(
    ("params", "before", "count", "allowed_counts", "verdict"),
    [
        (WRAPS, 5, 10, 1004.9, Verdict.ADVANCE),
        (WRAPS, 5, 10, 1005.0, Verdict.UNDECIDABLE),  # it may have gone round once more
        (STAYS, 5, 10, 1005.0, Verdict.ADVANCE),
        (STAYS, 500, 10, 10.0, Verdict.RESET),
        (STAYS, 500, 11, 10.9, Verdict.REPLACEMENT),
        (WRAPS, 995, 15, 20.0, Verdict.WRAP),
        (WRAPS, 995, 15, 19.9, Verdict.REPLACEMENT),
        (replace(WRAPS, resettable=True), 995, 15, 20.0, Verdict.UNDECIDABLE),  # over the top, or set to 0
        (replace(WRAPS, resettable=True), 995, 15, 19.9, Verdict.RESET),
        (STAYS, 500, 500, 0.0, Verdict.ADVANCE),
        (STAYS, 0, 500, None, Verdict.UNDECIDABLE),
    ],
)
def test_what_explains_a_count_at_the_limits(
    params: TotaliserParams, before: int, count: int, allowed_counts: float | None, verdict: Verdict
) -> None:
    assert explain(before, count, allowed_counts, params) is verdict


def test_a_new_state_says_which_counter_it_is_of() -> None:
    state = new_totaliser(STAYS)
    assert (state.totaliser_id, state.count_si, state.modulus) == ("total", 0.5, 1000)


def test_a_turn_tells_what_was_booked_and_the_gap_what_was_possible() -> None:
    state, told = read(WRAPS, [995, 2, 9, 16])
    assert told == [
        {"name": "totaliser_wrapped", "signal": "total", "from_count": 995, "to_count": 16, "booked_count": 21}
    ]
    assert (state.baseline_count, state.baseline_s, state.booked_counts) == (16, 103.0, 21)
    state, told = read(STAYS, [500, 3, 4, 5])
    assert told == [
        {"name": "totaliser_gap", "signal": "total", "gap": 1, "verdict": "reset", "from_count": 500, "to_count": 5,
         "most_count": 31}
    ]  # fmt: skip
    assert state.gaps == (Gap(1, Verdict.RESET, 500, 5, 31),)
    assert (state.baseline_count, state.baseline_s, state.credit_counts, state.suspect) == (5, 103.0, 1.0, None)


def test_a_turn_is_booked_up_to_what_was_possible_since_the_baseline() -> None:
    # 3 s at 10 counts/s and the one by which it may be ahead: 31.
    state, told = read(WRAPS, [995, 6, 16, 26])
    assert (state.booked_counts, [one["name"] for one in told]) == (31, ["totaliser_wrapped"])
    state, told = read(WRAPS, [995, 6, 16, 27])
    assert (state.booked_counts, [one["verdict"] for one in told]) == (0, ["replacement"])


def test_a_glitch_is_told_once() -> None:
    _, told = read(STAYS, [500, 0, 0, 503, 504, 505])
    assert told == [
        {"name": "totaliser_glitch", "signal": "total", "held_count": 500, "shown_count": 0, "reads_count": 2}
    ]


def test_reads_that_do_not_follow_from_each_other_confirm_nothing() -> None:
    state, told = read(STAYS, [500, 3, 300, 20, 700, 4])
    assert (told, state.baseline_count) == ([], 500)
    # Over the top on the way to being confirmed.
    assert read(WRAPS, [500, 990, 998, 3])[0].gaps[0].verdict is Verdict.REPLACEMENT


def test_reads_follow_from_each_other_at_the_highest_rate_and_one_count_for_their_own_time() -> None:
    def gaps(counts: list[int], every_s: float) -> int:
        state, _ = read(STAYS, [500])
        for place, count in enumerate(counts):
            state, _ = observe(state, STAYS, count, 101.0 + every_s * place)
        return len(state.gaps)

    assert gaps([0, 11, 22], 1.0) == 1
    assert gaps([0, 12, 24], 1.0) == 0
    assert gaps([0, 6, 12], 0.5) == 1
    assert gaps([0, 7, 14], 0.5) == 0
    # Downwards is no way to count, however long it has been: only a counter that goes round would do it.
    assert gaps([400, 390, 380], 200.0) == 0


def test_a_gap_begins_with_the_one_count_by_which_a_counter_may_be_ahead() -> None:
    state, _ = read(STAYS, [100, 111, 3, 3, 3])
    assert observe(state, STAYS, 14, 105.0)[0].booked_counts == 11 + 11
    assert observe(state, STAYS, 15, 105.0)[0].booked_counts == 11


def test_a_gap_from_zero_says_zero() -> None:
    state, told = read(STAYS, [0, 500, 500, 500])
    assert (state.gaps[0].from_count, told[0]["from_count"]) == (0, 0)


def test_what_it_cannot_show_is_not_looked_at() -> None:
    assert read(STAYS, [500, 1000, -1, 501])[0].booked_counts == 1
    assert read(STAYS, [1000])[0].baseline_count is None
    assert read(STAYS, [0])[0].baseline_count == 0


def test_so_many_open_gaps_are_kept_and_each_has_its_number() -> None:
    state = None
    for turn in range(MOST_GAPS + 4):
        state, _ = read(STAYS, [600, 600, 600] if turn % 2 else [100, 100, 100], state, 100.0 + 10.0 * turn)
    assert state is not None
    assert [gap.number for gap in state.gaps] == list(range(4, MOST_GAPS + 4))
    settled, gap = settle(state, 7, 12)
    assert gap is not None
    assert (gap.number, settled.settled_counts, len(settled.gaps)) == (7, 12, MOST_GAPS - 1)
    assert settle(settled, 7, 12) == (settled, None)
    again, oldest = settle(settled, 0, 3)
    assert oldest is not None
    assert (oldest.number, again.settled_counts) == (4, 15)


def test_only_stretches_known_both_ways_are_compared() -> None:
    state, _ = read(STAYS, [100])
    state = follow_rate(follow_rate(state, 2.0, 1.0), 3.0, 1.0)
    state, _ = observe(state, STAYS, 110, 102.0)
    assert (state.compared_counts, state.compared_si, state.pending_si) == (10, 5.0, 0.0)
    state = follow_rate(follow_rate(follow_rate(state, 2.0, 1.0), None, 1.0), 2.0, 1.0)
    assert state.pending_si is None
    state, _ = observe(state, STAYS, 120, 105.0)
    assert (state.booked_counts, state.compared_counts, state.compared_si) == (20, 10, 5.0)
    state = follow_rate(state, 4.0, 1.0)
    state, _ = observe(state, STAYS, 125, 106.0)
    assert (state.compared_counts, state.compared_si) == (15, 9.0)


def test_the_rate_is_added_up_over_the_length_of_each_scan() -> None:
    state = follow_rate(follow_rate(read(STAYS, [100])[0], 2.0, 0.25), 4.0, 0.5)
    assert state.pending_si == 2.5


def test_the_rate_before_the_first_count_is_compared_with_nothing() -> None:
    state, _ = read(STAYS, [100], follow_rate(new_totaliser(STAYS), 9.0, 1.0))
    state, _ = observe(follow_rate(state, 2.0, 1.0), STAYS, 105, 101.0)
    assert (state.compared_counts, state.compared_si) == (5, 2.0)
    state, _ = read(STAYS, [100], follow_rate(new_totaliser(STAYS), None, 1.0))
    assert state.pending_si == 0.0


def test_a_gap_is_left_out_of_the_comparison() -> None:
    state, _ = read(STAYS, [500])
    state = follow_rate(state, 9.0, 1.0)
    state, _ = read(STAYS, [3, 3, 3], state, 101.0)
    assert (state.pending_si, state.compared_si) == (0.0, 0.0)


@pytest.mark.parametrize(("away_s", "since_s"), [(0.0, 50.0), (7.5, 42.5), (-0.1, None), (None, None)])
def test_what_a_restart_leaves_of_a_baseline(away_s: float | None, since_s: float | None) -> None:
    state, _ = read(STAYS, [500, 510, 3])
    after = resumed(state, away_s, 50.0)
    assert (after.baseline_s, after.suspect, after.pending_si) == (since_s, None, None)
    assert (after.baseline_count, after.booked_counts) == (510, 10)
    lost = replace(state, baseline_s=None)
    assert resumed(lost, 5.0, 50.0).baseline_s is None


def test_after_a_baseline_of_unknown_age_it_begins_anew_and_says_that_nothing_bounds_the_gap() -> None:
    state, told = read(STAYS, [511, 512, 513], resumed(read(STAYS, [500])[0], None, 50.0))
    assert told[0]["verdict"] == "undecidable"
    assert state.gaps[0].most_counts is None
    assert (state.booked_counts, state.baseline_s) == (0, 102.0)
    assert read(STAYS, [520], state, 103.0)[0].booked_counts == 7
