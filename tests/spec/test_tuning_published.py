"""SIMC rules and margins against their published tables. The source stands beside each check."""

import pytest

from crumbmeter.estimation.tuning import FirstOrder, Process, Settings, half_rule, margins, simc, simc_integrating

# S. Skogestad, "Simple analytic rules for model reduction and PID controller tuning", Journal of Process Control 13
# (2003) 291-309, Tables 3 and 4: PI settings with the closed loop as fast as the effective dead time, and peak
# sensitivity Ms. Read in one stored copy of the tables (E1 and E2 in a second one).
CASES = {
    "E1": (Process(1.0, 0.0, (1.0, 0.2)), 5.5, 0.8, 1.56),
    "E2": (Process(1.0, 0.0, (2.0, 1.0, 0.4, 0.2, 0.05, 0.05, 0.05), (-0.3, 0.08)), 0.85, 2.5, 1.66),
    "E4": (Process(1.0, 0.0, (1.0, 1.0, 1.0, 1.0)), 0.3, 1.5, 1.46),
    "E7": (Process(1.0, 0.0, (1.0, 1.0, 1.0), (-2.0,)), 0.214, 1.5, 1.66),
    "E9": (Process(1.0, 1.0, (1.0, 1.0)), 0.5, 1.5, 1.61),
    "E10": (Process(1.0, 1.0, (20.0, 2.0)), 5.25, 16.0, 1.72),
    "E11": (Process(1.0, 1.0, (6.0, 2.0, 2.0), (-1.0,)), 0.7, 7.0, 1.63),
}


def reduced(name: str) -> FirstOrder:
    """Reduce a case; E2's lead is taken against a lag first (0.08 from 0.2 leaves 0.12), as the paper does."""
    if name == "E2":
        return half_rule(Process(1.0, 0.0, (2.0, 1.0, 0.4, 0.12, 0.05, 0.05, 0.05), (-0.3,)))
    return half_rule(CASES[name][0])


@pytest.mark.parametrize("name", CASES)
def test_settings_and_peak_sensitivity_of_the_published_examples(name: str) -> None:
    process, gain, reset_s, peak = CASES[name]
    settings = simc(reduced(name))
    assert settings.gain == pytest.approx(gain, rel=2e-3)
    assert settings.reset_s == pytest.approx(reset_s, rel=2e-3)
    assert margins(process, settings, 25.0, 0.05).peak_sensitivity == pytest.approx(peak, abs=0.006)


def test_half_rule_of_e2() -> None:
    # The same paper, its example E2: first order with lag 2.5 and dead time 1.47.
    found = reduced("E2")
    assert found.lag_s == pytest.approx(2.5)
    assert found.delay_s == pytest.approx(1.47)


def test_first_order_with_dead_time() -> None:
    # The same paper, Table 2: Ms 1.59, gain margin 3.14, phase margin 61.4 degrees, for e^(-s) / (4 s + 1).
    found = margins(Process(1.0, 1.0, (4.0,)), simc(FirstOrder(1.0, 1.0, 4.0)), 10.0, 1.0)
    assert found.peak_sensitivity == pytest.approx(1.59, abs=0.006)
    assert found.gain_margin == pytest.approx(3.14, abs=0.005)
    assert found.phase_margin_deg == pytest.approx(61.4, abs=0.1)


def test_integrating_process() -> None:
    # The same paper, Table 2: Ms 1.70 for an integrating process with dead time.
    process = Process(0.2, 3.0, integrates=True)
    found = margins(process, simc_integrating(0.2, 3.0), 30.0, 3.0)
    assert found.peak_sensitivity == pytest.approx(1.70, abs=0.006)


def test_pure_dead_time_takes_integral_action_alone() -> None:
    # Loop 1 / (2 d s) e^(-d s), which is that of the first-order case: the same margins (derived).
    settings = simc(FirstOrder(2.0, 5.0, 0.0))
    assert settings == Settings(0.0, 0.0, 1.0 / (2.0 * 10.0))
    found = margins(Process(2.0, 5.0), settings, 20.0, 5.0)
    assert found.peak_sensitivity == pytest.approx(1.59, abs=0.006)
    assert found.gain_margin == pytest.approx(3.14, abs=0.005)


def test_improved_rule_where_dead_time_rules() -> None:
    # A drive of 2 s behind a weighing window of 30 s (dead time 15 s): computation.md, section 2, derived there.
    plain, improved = simc(FirstOrder(1.0, 15.0, 2.0)), simc(FirstOrder(1.0, 15.0, 2.0), improved=True)
    assert (plain.gain, plain.reset_s) == pytest.approx((0.0667, 2.0), abs=1e-4)
    assert plain.integral_per_s == pytest.approx(1.0 / 30.0)
    assert (improved.gain, improved.reset_s) == pytest.approx((0.2333, 7.0), abs=1e-4)


def test_smith_predictor_demonstration() -> None:
    # P = 5.6 e^(-93.9 s) / (40.2 s + 1), controller 0.574 and 40.1 s, designed for 0.08 rad/s and 90 degrees on the
    # process without its dead time (a public demonstration, its figures read in two stored files).
    found = margins(Process(5.6, 0.0, (40.2,)), Settings(0.574, 40.1, 0.574 / 40.1), 400.0, 40.0)
    assert found.crossover_rad_s == pytest.approx(0.08, rel=1e-3)
    assert found.phase_margin_deg == pytest.approx(90.0, abs=0.1)


def test_pi_on_the_whole_process_of_that_demonstration() -> None:
    # Gain 0.0501, 47.3 s, designed for 0.006 rad/s (from memory; its recomputation lands on it).
    found = margins(Process(5.6, 93.9, (40.2,)), Settings(0.0501, 47.3, 0.0501 / 47.3), 400.0, 40.0)
    assert found.crossover_rad_s == pytest.approx(0.006, rel=2e-3)


def test_the_sample_period_counts_as_dead_time() -> None:
    assert half_rule(Process(1.0, 1.0, (5.0, 1.0)), sample_s=0.2).delay_s == pytest.approx(1.7)


def test_the_half_rule_refuses_what_it_is_not_made_for() -> None:
    with pytest.raises(ValueError, match="lags, dead time and inverse responses only"):
        half_rule(Process(1.0, 1.0, (5.0,), (2.0,)))
    with pytest.raises(ValueError, match="lags, dead time and inverse responses only"):
        half_rule(Process(1.0, 1.0, (5.0,), integrates=True))
