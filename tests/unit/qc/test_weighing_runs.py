"""A run that nobody vouches for does not count."""

from crumbmeter.qc.weighing_runs import FeederRun, broken_rules


def test_what_nobody_said_is_not_taken_for_done() -> None:
    found = broken_rules(FeederRun(1800.0, 500.0, 900.0, 2))
    assert [words.startswith("it is not said that the scale was") for words in found] == [True, True, True]
    denied = broken_rules(FeederRun(1800.0, 500.0, 900.0, 2, False, True, True))
    assert denied == ("it is denied that the scale was kept from vibration",)


def test_a_run_without_length_does_not_count() -> None:
    assert "no length or no mass" in broken_rules(FeederRun(0.0, 0.0, 900.0, 2, True, True, True))[0]
