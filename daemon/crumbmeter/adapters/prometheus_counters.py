"""Counts for /metrics: what totalisers prove beside what rates come to, and how often outputs were written."""

from collections.abc import Iterator, Mapping

from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric

from crumbmeter.model.view import ScanView
from crumbmeter.outward.origin import Names


def totaliser_metrics(view: ScanView, names: Names) -> Iterator[Metric]:
    """Make the figures of all totalisers."""
    units = dict(zip(names.signal_ids, names.signal_units, strict=True))
    booked = CounterMetricFamily(
        "crumbmeter_totaliser_booked_total", "Proven by the counter since it was first seen.", labels=("signal", "unit")
    )
    settled = CounterMetricFamily(
        "crumbmeter_totaliser_settled_total", "Added by people for gaps of the counter.", labels=("signal", "unit")
    )
    compared = CounterMetricFamily(
        "crumbmeter_totaliser_compared_total",
        "Over stretches known both ways: by the counter, and by the rate.",
        labels=("signal", "unit", "by"),
    )
    gaps = GaugeMetricFamily(
        "crumbmeter_totaliser_open_gaps",
        "Stretches that the counter does not prove, unsettled.",
        labels=("signal",),
    )
    for item in view.totalisers:
        labels = (item.signal_id, units[item.signal_id])
        booked.add_metric(labels, item.booked_si)
        settled.add_metric(labels, item.settled_si)
        gaps.add_metric((item.signal_id,), float(item.open_gaps))
        if item.compared_si is not None and item.by_rate_si is not None:
            compared.add_metric((*labels, "counter"), item.compared_si)
            compared.add_metric((*labels, "rate"), item.by_rate_si)
    yield from (booked, settled, compared, gaps)


def write_metrics(counts: Mapping[str, int]) -> Iterator[Metric]:
    """Make the lifetime counts of all outputs.

    Args:
        counts: By output role, over all runs.
    """
    writes = CounterMetricFamily(
        "crumbmeter_output_writes_total", "Writes to the output's memory, in all runs.", labels=("output",)
    )
    for role, count in counts.items():
        writes.add_metric((role,), count)
    yield writes
