"""The dose with its uncertainty in /metrics: with its basis, and never where an input was Bad."""

from dataclasses import replace

from prometheus_client.core import Metric

from crumbmeter.adapters.prometheus_dose import dose_metrics
from crumbmeter.model.quality import Quality
from tests.unit.outward.samples import VIEW


def samples(metrics: list[Metric]) -> dict[str, tuple[dict[str, str], float]]:
    return {sample.name: (sample.labels, sample.value) for metric in metrics for sample in metric.samples}


def test_dose_and_uncertainty_bear_their_basis() -> None:
    basis = {"basis": "total_mix"}
    assert samples(list(dose_metrics(VIEW))) == {
        "crumbmeter_dose_ratio": (basis, 0.00506),
        "crumbmeter_dose_uncertainty_ratio": (basis, 0.0001),
        "crumbmeter_dose_coverage_factor": (basis, 2.0),
        "crumbmeter_dose_window_grams": (basis, 18_200_000.0),
    }


def test_nothing_is_shown_as_proven_that_is_not() -> None:
    assert VIEW.proven is not None
    assert list(dose_metrics(replace(VIEW, proven=None))) == []
    assert list(dose_metrics(replace(VIEW, proven=replace(VIEW.proven, quality=Quality.BAD)))) == []
