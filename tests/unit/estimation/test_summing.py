"""The uncertainty of a sum of fed masses, against errors that were made to fade as it assumes."""

from math import exp, sqrt
from random import Random

import pytest

from crumbmeter.estimation.summing import FADES_S, FedSum, added, share_of_sum

DT_S = 0.2


@pytest.mark.parametrize("seconds", [4.0, 80.0, 300.0])
def test_it_is_the_spread_of_sums_of_errors_that_fade(seconds: float) -> None:
    chance, scans = Random(2), round(seconds / DT_S)
    kept = exp(-DT_S / FADES_S)
    sums = []
    for _ in range(400):
        error, total = chance.gauss(0.0, 1.0), 0.0
        for _ in range(scans):
            total += 0.01 * error
            error = error * kept + sqrt(1.0 - kept * kept) * chance.gauss(0.0, 1.0)
        sums.append(total)
    stated = FedSum()
    for _ in range(scans):
        stated = added(stated, 0.01, DT_S, believed=True)
    assert sqrt(sum(x * x for x in sums) / len(sums)) == pytest.approx(stated.uncertainty_kg, rel=0.12)
    assert stated.uncertainty_kg == pytest.approx(0.01 * scans * share_of_sum(seconds), rel=0.03)


def test_while_nothing_is_weighed_the_errors_are_one() -> None:
    stated = FedSum()
    for _ in range(225):
        stated = added(stated, 0.002, DT_S, believed=False)
    assert stated.uncertainty_kg == pytest.approx(225 * 0.002)


def test_a_fill_keeps_its_whole_error_in_the_sum() -> None:
    stated = FedSum()
    for scan in range(400):
        stated = added(stated, 0.002, DT_S, believed=scan >= 200)
    assert stated.uncertainty_kg > 200 * 0.002
    assert stated.uncertainty_kg < 400 * 0.002
