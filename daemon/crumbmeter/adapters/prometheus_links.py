"""/metrics of each unit: what its requests came to, how long replies took, what it took of its connection."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric


@dataclass(frozen=True, slots=True)
class UnitFigures:
    """One unit since the start. Counts only grow."""

    device_id: str
    requests: Mapping[str, int]
    """By outcome: ok, timeout, lost, `exception 02`, `mismatch crc`, ..."""
    late_replies: int
    unasked_bytes: int
    quantiles_s: Mapping[str, float | None]
    """[s] By quantile, as text."""
    busy_share: float
    probed_only: bool
    polls_skipped: int
    longest_round_s: float
    clock_skew_s: float | None = None
    """[s] An OPC UA server's clock is ahead of this machine's."""
    certificate_days: Mapping[str, float] = field(default_factory=dict)
    """[d] Until a certificate expires, by whose it is."""


def unit_metrics(units: Sequence[UnitFigures]) -> Iterator[Metric]:
    """Make the metrics of all units."""
    requests = CounterMetricFamily(
        "crumbmeter_unit_requests_total", "Requests on the wire by what they came to.", labels=("device", "outcome")
    )
    late = CounterMetricFamily(
        "crumbmeter_unit_late_replies_total", "Replies to requests given up, told by their id and skipped.",
        labels=("device",),
    )  # fmt: skip
    unasked = CounterMetricFamily(
        "crumbmeter_unit_unasked_bytes_total", "Bytes that came while nothing was asked.", labels=("device",)
    )
    skipped = CounterMetricFamily(
        "crumbmeter_unit_polls_skipped_total", "Polls whose time passed during an earlier one.", labels=("device",)
    )
    reply = GaugeMetricFamily(
        "crumbmeter_unit_reply_seconds", "What so large a share of replies did not exceed.",
        labels=("device", "share"),
    )  # fmt: skip
    busy = GaugeMetricFamily(
        "crumbmeter_unit_busy_ratio", "Share of all time for which it had its connection.", labels=("device",)
    )
    probed = GaugeMetricFamily(
        "crumbmeter_unit_probed_only", "1 while it does not answer and is only probed.", labels=("device",)
    )
    longest = GaugeMetricFamily(
        "crumbmeter_unit_longest_round_seconds", "Longest round of its reads.", labels=("device",)
    )
    for unit in units:
        label = (unit.device_id,)
        for outcome, count in unit.requests.items():
            requests.add_metric((*label, outcome), count)
        for quantile, took_s in unit.quantiles_s.items():
            if took_s is not None:
                reply.add_metric((*label, quantile), took_s)
        late.add_metric(label, unit.late_replies)
        unasked.add_metric(label, unit.unasked_bytes)
        skipped.add_metric(label, unit.polls_skipped)
        busy.add_metric(label, unit.busy_share)
        probed.add_metric(label, float(unit.probed_only))
        longest.add_metric(label, unit.longest_round_s)
    yield from (requests, late, unasked, skipped, reply, busy, probed, longest)
    yield from opcua_metrics(units)


def opcua_metrics(units: Sequence[UnitFigures]) -> Iterator[Metric]:
    """Make the metrics that only units which speak OPC UA have."""
    skew = GaugeMetricFamily(
        "crumbmeter_opcua_clock_skew_seconds",
        "An OPC UA server's clock is ahead of this machine's.",
        labels=("device",),
    )
    days = GaugeMetricFamily(
        "crumbmeter_certificate_days_left", "Until a certificate of an OPC UA connection expires.",
        labels=("device", "whose"),
    )  # fmt: skip
    for unit in units:
        for whose, left in unit.certificate_days.items():
            days.add_metric((unit.device_id, whose), left)
        if unit.clock_skew_s is not None:
            skew.add_metric((unit.device_id,), unit.clock_skew_s)
    yield from (skew, days)
