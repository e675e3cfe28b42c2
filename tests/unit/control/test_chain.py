"""Every stage of the constraint chain by itself, its reason in words, and the order of them."""

import math
from dataclasses import replace

import pytest

from crumbmeter.control.chain import GONE_SHARE, NOTHING_SHARE, PULSE_S, Proposal, Setpoint, narrow, slew, trim_kg_s
from crumbmeter.control.params import BelowTurndown
from tests.cores import make_params

FEED = make_params().feed
"""0.05 to 1.0 rev/s, at most 0.8 kg/s, 0.2 kg/s per s, 3 % of trim over 20 s."""
ASK = Proposal(
    wanted_kg_s=0.3, owed_kg=0.0, last_kg_s=0.3, in_doubt="", factor_kg_rev=0.9, feeding=True, state_reason="because"
)
STANDS = ("turndown", "below the lowest steady speed: the auger stands")
RAISED = ("turndown", "raised to the lowest steady speed")


def test_nothing_narrows_what_is_in_order() -> None:
    assert narrow(ASK, FEED, 0.2) == Setpoint(0.3, 0.3 / 0.9, ())


@pytest.mark.parametrize("number", [math.nan, math.inf, -math.inf])
def test_not_finite_is_zero_before_all_else(number: float) -> None:
    refused = (("finite", "a figure of the law is not finite"),)
    for ask in (replace(ASK, wanted_kg_s=number), replace(ASK, owed_kg=number), replace(ASK, factor_kg_rev=number)):
        assert narrow(ask, FEED, 0.2) == Setpoint(0.0, 0.0, refused)
        assert narrow(replace(ask, feeding=False), FEED, 0.2) == Setpoint(0.0, 0.0, refused)


def test_the_run_state_is_past_every_slew() -> None:
    assert narrow(replace(ASK, feeding=False), FEED, 0.2) == Setpoint(0.0, 0.0, (("run state", "because"),))


def test_doubt_holds_the_last_setpoint_whatever_is_wanted() -> None:
    for wanted in (0.0, 0.7):
        held = narrow(replace(ASK, wanted_kg_s=wanted, in_doubt="aggregate, recycle"), FEED, 0.2)
        assert held == Setpoint(0.3, 0.3 / 0.9, (("input doubt", "last setpoint held: aggregate, recycle"),))


def test_what_is_held_in_doubt_still_obeys_the_limits() -> None:
    held = narrow(replace(ASK, last_kg_s=0.9, in_doubt="aggregate"), FEED, 0.2)
    assert held.rate_kg_s == 0.8
    assert [stage for stage, _ in held.narrowed] == ["input doubt", "rate limit"]


@pytest.mark.parametrize(
    ("owed_kg", "paid"),
    [(0.1, 0.005), (-0.1, -0.005), (10.0, 0.009), (-10.0, -0.009), (0.0, 0.0), (0.18, 0.009)],
)
def test_trim_pays_over_its_time_within_its_share(owed_kg: float, paid: float) -> None:
    assert trim_kg_s(0.3, owed_kg, FEED) == pytest.approx(paid, rel=1e-12)
    assert narrow(replace(ASK, owed_kg=owed_kg), FEED, 0.2).rate_kg_s == pytest.approx(0.3 + paid, rel=1e-12)


@pytest.mark.parametrize(
    ("owed_kg", "kept_back_kg", "paid"),
    [(1.0, 1.0, 0.05), (0.4, 0.4, 0.02), (5.0, 5.0, 0.159), (1.0, 0.2, 0.019), (0.1, 0.1, 0.005), (-0.4, 0.0, -0.009)],
)
def test_what_was_kept_back_is_paid_over_its_time_beyond_the_share(
    owed_kg: float, kept_back_kg: float, paid: float
) -> None:
    # By hand, of 0.3 kg/s: owed / 20 s, up to 3 % of it and kept back / 20 s, and of this up to half of it.
    assert trim_kg_s(0.3, owed_kg, FEED, kept_back_kg) == pytest.approx(paid, rel=1e-12)
    ask = replace(ASK, owed_kg=owed_kg, kept_back_kg=kept_back_kg)
    assert narrow(ask, FEED, 1.0).rate_kg_s == pytest.approx(0.3 + paid, rel=1e-12)


def test_what_was_kept_back_lifts_no_thin_material_over_the_lowest_speed() -> None:
    ask = replace(ASK, wanted_kg_s=0.04, owed_kg=0.4, kept_back_kg=0.4, last_kg_s=0.0)
    assert narrow(ask, FEED, 1.0) == Setpoint(0.0, 0.0, (STANDS,))
    at_least = replace(ask, wanted_kg_s=LEAST_KG_S)
    assert narrow(at_least, FEED, 1.0).rate_kg_s == pytest.approx(LEAST_KG_S + 0.4 / 20.0, rel=1e-12)


def test_trim_pays_nothing_where_nothing_is_wanted() -> None:
    assert trim_kg_s(0.0, 5.0, FEED, 5.0) == 0.0


def test_a_site_without_trim_pays_nothing() -> None:
    assert trim_kg_s(0.3, 1.0, replace(FEED, trim_share=0.0), 1.0) == 0.0


def test_less_than_nothing_is_nothing() -> None:
    assert narrow(replace(ASK, wanted_kg_s=-1.0, last_kg_s=0.0), FEED, 0.2) == Setpoint(0.0, 0.0, ())


@pytest.mark.parametrize(
    ("last", "wanted", "dt_s", "after"),
    [(0.3, 0.5, 0.2, 0.34), (0.3, 0.1, 0.2, 0.26), (0.3, 0.32, 0.2, 0.32), (0.3, 0.5, 1.0, 0.5), (0.3, 0.5, 0.0, 0.3)],
)
def test_slew(last: float, wanted: float, dt_s: float, after: float) -> None:
    assert slew(last, wanted, 0.2, dt_s) == pytest.approx(after, rel=1e-12)
    moved = narrow(replace(ASK, last_kg_s=last, wanted_kg_s=wanted), FEED, dt_s)
    assert moved.rate_kg_s == pytest.approx(after, rel=1e-12)
    assert moved.narrowed == (() if after == wanted else (("slew", "change limited"),))


LEAST_KG_S = 0.05 * 0.9


def below(wanted: float, rule: BelowTurndown, last: float = 0.03) -> Setpoint:
    return narrow(
        replace(ASK, wanted_kg_s=wanted, last_kg_s=last), replace(FEED, below_turndown=rule), 0.2
    )  # fmt: skip


def test_below_turndown_the_auger_stands() -> None:
    assert below(0.03, BelowTurndown.STOP) == Setpoint(0.0, 0.0, (STANDS,))


def test_below_turndown_the_auger_keeps_its_lowest_speed() -> None:
    assert below(0.03, BelowTurndown.MINIMUM) == Setpoint(LEAST_KG_S, LEAST_KG_S / 0.9, (RAISED,))


def test_the_lowest_speed_itself_is_no_turndown() -> None:
    for rule in BelowTurndown:
        assert below(LEAST_KG_S, rule, LEAST_KG_S) == Setpoint(LEAST_KG_S, LEAST_KG_S / 0.9, ())


def test_nothing_wanted_is_no_turndown() -> None:
    for rule in BelowTurndown:
        assert below(0.0, rule, 0.0) == Setpoint(0.0, 0.0, ())


def test_the_tail_of_an_empty_drum_does_not_keep_the_auger_turning() -> None:
    # Stirred stages run empty for ever: what is asked for then is a millionth of a gram, never exactly nothing.
    assert below(1e-9, BelowTurndown.MINIMUM) == Setpoint(0.0, 0.0, (STANDS,))
    edge = NOTHING_SHARE * LEAST_KG_S
    assert below(edge, BelowTurndown.MINIMUM).rate_kg_s == 0.0
    assert below(edge * 1.01, BelowTurndown.MINIMUM).rate_kg_s == LEAST_KG_S


def test_a_ramp_may_pass_through_the_turndown() -> None:
    # From standstill towards 0.3 the first scans lie below the lowest speed.
    ramping = below(0.3, BelowTurndown.STOP, last=0.0)
    assert ramping.rate_kg_s == pytest.approx(0.04)
    assert ramping.speed_rev_s == pytest.approx(0.04 / 0.9)
    assert ramping.narrowed == (("slew", "change limited"),)
    raised = below(0.3, BelowTurndown.MINIMUM, last=0.0)
    assert raised.rate_kg_s == LEAST_KG_S
    assert raised.narrowed == (("slew", "change limited"), RAISED)


def test_a_ramp_to_exactly_the_lowest_speed_is_let_through() -> None:
    slow = replace(FEED, slew_kg_s2=0.1, below_turndown=BelowTurndown.STOP)
    assert narrow(replace(ASK, wanted_kg_s=LEAST_KG_S, last_kg_s=0.0), slow, 0.2).rate_kg_s == pytest.approx(0.02)


def test_the_highest_rate() -> None:
    limited = narrow(replace(ASK, wanted_kg_s=0.9, last_kg_s=0.8), FEED, 1.0)
    assert limited == Setpoint(0.8, 0.8 / 0.9, (("rate limit", "at the highest rate allowed"),))
    at_it = narrow(replace(ASK, wanted_kg_s=0.8, last_kg_s=0.8), FEED, 1.0)
    assert at_it.narrowed == ()


def test_the_highest_speed() -> None:
    # At half a kilogram a revolution one revolution a second is 0.5 kg/s.
    limited = narrow(replace(ASK, wanted_kg_s=0.6, last_kg_s=0.6, factor_kg_rev=0.5), FEED, 1.0)
    assert limited == Setpoint(0.5, 1.0, (("auger speed", "at the highest speed"),))
    at_it = narrow(replace(ASK, wanted_kg_s=0.5, last_kg_s=0.5, factor_kg_rev=0.5), FEED, 1.0)
    assert at_it.narrowed == ()


def test_stages_stand_in_their_order() -> None:
    asked = replace(ASK, wanted_kg_s=2.0, last_kg_s=0.7, factor_kg_rev=0.5)
    # The slew is not what holds the rate back at its limit: it is not named there.
    assert [stage for stage, _ in narrow(asked, FEED, 1.0).narrowed] == ["rate limit", "auger speed"]
    slewing = replace(asked, last_kg_s=0.1, factor_kg_rev=0.9)
    assert [stage for stage, _ in narrow(slewing, FEED, 1.0).narrowed] == ["slew"]


def pulse(owed_kg: float, last: float, wanted: float = 0.02, *, falls: bool = False) -> Setpoint:
    ask = replace(ASK, wanted_kg_s=wanted, owed_kg=owed_kg, last_kg_s=last, falls=falls)
    return narrow(ask, replace(FEED, below_turndown=BelowTurndown.PULSE), 0.2)


def test_thin_material_is_fed_in_pulses_once_so_much_is_owed() -> None:
    worth_kg = PULSE_S * LEAST_KG_S
    assert pulse(0.99 * worth_kg, 0.0).rate_kg_s == 0.0
    begun = pulse(1.01 * worth_kg, 0.0)
    assert begun == Setpoint(
        LEAST_KG_S, LEAST_KG_S / 0.9, (("turndown", "below the lowest steady speed: fed in pulses"),)
    )
    # It goes on until nothing is owed, and then waits again.
    assert pulse(0.01 * worth_kg, LEAST_KG_S).rate_kg_s == LEAST_KG_S
    assert pulse(0.0, LEAST_KG_S).rate_kg_s == 0.0
    assert pulse(-0.5, LEAST_KG_S).rate_kg_s == 0.0


def test_no_pulse_falls_onto_nothing() -> None:
    feed = replace(FEED, below_turndown=BelowTurndown.PULSE)
    for wanted_kg_s, rate_kg_s in (
        (0.0, 0.0), (0.004 * LEAST_KG_S, 0.0), (GONE_SHARE * LEAST_KG_S, LEAST_KG_S),
    ):  # fmt: skip
        for last_kg_s in (0.0, LEAST_KG_S):
            ask = replace(ASK, wanted_kg_s=wanted_kg_s, owed_kg=1.0, last_kg_s=last_kg_s)
            assert narrow(ask, feed, 0.2).rate_kg_s == rate_kg_s


def test_pulses_come_to_what_is_wanted() -> None:
    owed_kg, last, fed_kg = 0.0, 0.0, 0.0
    for _ in range(3000):
        owed_kg += 0.02 * 0.2
        last = pulse(owed_kg, last).rate_kg_s
        owed_kg -= last * 0.2
        fed_kg += last * 0.2
    assert fed_kg == pytest.approx(0.02 * 600.0, abs=(PULSE_S + 0.2) * LEAST_KG_S)


def test_in_a_tail_pulses_lie_about_nothing_owed() -> None:
    half_kg = 0.5 * PULSE_S * LEAST_KG_S
    assert pulse(0.99 * half_kg, 0.0, falls=True).rate_kg_s == 0.0
    assert pulse(1.01 * half_kg, 0.0, falls=True).rate_kg_s == LEAST_KG_S
    assert pulse(-0.99 * half_kg, LEAST_KG_S, falls=True).rate_kg_s == LEAST_KG_S
    assert pulse(-1.01 * half_kg, LEAST_KG_S, falls=True).rate_kg_s == 0.0


@pytest.mark.parametrize("time_s", [20.0, 30.0, 45.0, 60.0])
def test_a_tail_gets_its_rubber_but_for_half_a_pulse(time_s: float) -> None:
    """Material that thins out from the lowest steady rate on, by a share of itself."""
    owed_kg, last, wanted = 0.0, 0.0, LEAST_KG_S
    while wanted > 0.001 * LEAST_KG_S:
        wanted *= 1.0 - 0.2 / time_s
        owed_kg += wanted * 0.2
        last = pulse(owed_kg, last, wanted, falls=True).rate_kg_s
        owed_kg -= last * 0.2
    assert abs(owed_kg) <= (0.5 * PULSE_S + 0.2) * LEAST_KG_S
