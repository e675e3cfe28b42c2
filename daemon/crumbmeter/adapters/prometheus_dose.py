"""Metrics of the dose of the newest tons with its uncertainty (docs/uncertainty.md)."""

from collections.abc import Iterator

from prometheus_client.core import GaugeMetricFamily, Metric

from crumbmeter.model.quality import Quality
from crumbmeter.model.view import ScanView

GRAMS = 1000.0
"""[g/kg]"""


def dose_metrics(view: ScanView) -> Iterator[Metric]:
    """Make the dose with its uncertainty; nothing before the first parcel, and nothing where an input was Bad."""
    dose = view.proven
    if dose is None or dose.quality is Quality.BAD:
        return
    for name, text, value in (
        ("crumbmeter_dose_ratio", "Dose of the newest tons of mix, as a share in the label's basis.", dose.dose),
        ("crumbmeter_dose_uncertainty_ratio", "Its expanded uncertainty (about 95 %).", dose.expanded),
        ("crumbmeter_dose_coverage_factor", "Coverage factor of that uncertainty.", dose.coverage),
        ("crumbmeter_dose_window_grams", "Mix with rubber that the dose stands for.", dose.mix_kg * GRAMS),
    ):
        family = GaugeMetricFamily(name, text, labels=("basis",))
        family.add_metric((dose.basis,), value)
        yield family
