"""/metrics: drawn from the newest scan at the moment of the scrape, in the server's own thread.

A value that is Bad has no sample, rather than an old one or a zero (lesson 46); its quality and age have. Where the
scan itself has stopped, no process value has a sample. Names after the Prometheus conventions: base units, `_total`.
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field

from prometheus_client import CollectorRegistry, Histogram
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.registry import Collector

from crumbmeter.adapters.prometheus_counters import totaliser_metrics, write_metrics
from crumbmeter.adapters.prometheus_dose import dose_metrics
from crumbmeter.adapters.prometheus_links import UnitFigures, unit_metrics
from crumbmeter.model.image import WriteStage
from crumbmeter.model.quality import Quality
from crumbmeter.model.reading import Reading
from crumbmeter.model.scan import ScanResult
from crumbmeter.model.view import ScanView
from crumbmeter.outward.body import finite
from crumbmeter.outward.origin import Names, Origin

LIVE_SCANS = 10.0
"""A scan older than so many scan periods, and than 2 s, says nothing about now."""

DURATION_BUCKETS_S = (0.0005, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5)

GRAMS = 1000.0
"""[g/kg] The Prometheus convention counts mass in grams, and its own checker insists."""

PLAIN = (
    ("crumbmeter_mix_rate_grams_per_second", "Mix without rubber passing the injection point.", "mix_rate_kg_s"),
    ("crumbmeter_wanted_grams_per_second", "Rubber that the dose asks for, unconstrained.", "wanted_kg_s"),
    ("crumbmeter_setpoint_grams_per_second", "Feed setpoint after all constraints.", "setpoint_kg_s"),
    ("crumbmeter_feed_factor_grams_per_revolution", "Learned feed factor of the auger.", "feed_factor_kg_rev"),
    ("crumbmeter_dose_target_ratio", "Dose wanted, as a share in the mix's own basis.", "dose_target"),
    ("crumbmeter_window_dose_ratio", "Dose of the last tolerance window at the outlet.", "window_dose"),
    ("crumbmeter_window_error_ratio", "Relative dose error of the last tolerance window.", "window_error"),
    ("crumbmeter_feed_error_ratio", "Relative error of the feed against its setpoint.", "feed_error"),
    ("crumbmeter_look_ahead_error_ratio", "Rms error of the look-ahead over the rubber wanted.", "look_ahead_error"),
    ("crumbmeter_owed_grams", "Rubber that trim still pays back.", "owed_kg"),
)
READ = (
    ("crumbmeter_fed_grams_per_second", "Rubber leaving the auger, by the estimator.", "fed"),
    ("crumbmeter_auger_speed_revolutions_per_second", "Speed of the metering auger.", "auger_speed"),
    ("crumbmeter_hopper_mass_grams", "Rubber in the weigh hopper.", "hopper_mass"),
    ("crumbmeter_supply_mass_grams", "Rubber in the supply hopper.", "supply_mass"),
    ("crumbmeter_line_pressure_pascals", "Pressure in the conveying line.", "line_pressure"),
)


@dataclass(frozen=True, slots=True)
class LinkFigures:
    """What a device's link has seen since the start. All counts only grow."""

    device_id: str
    connected: bool
    exchanges: Mapping[str, int] = field(default_factory=dict)
    """By outcome: ok, timeout, exception, bad_reply, no_connection."""
    connects: int = 0
    writes: int = 0


@dataclass(frozen=True, slots=True)
class Extras:
    """Figures from beside the scan; each is asked for at the scrape, in the server's thread, and must not block."""

    links: Callable[[], tuple[LinkFigures, ...]] = tuple
    units: Callable[[], tuple[UnitFigures, ...]] = tuple
    counters: Callable[[], Mapping[str, float]] = dict
    """Further counters by their full name (`crumbmeter_..._total`), as docs/metrics.md lists it."""
    gauges: Callable[[], Mapping[str, float]] = dict
    """Further gauges by their full name, unit last (`crumbmeter_..._bytes`)."""
    losses: Callable[[], Mapping[str, tuple[int, int]]] = dict
    """Fan-out: by consumer, items refused and items lost to exceptions."""
    writes: Callable[[], Mapping[str, int]] = dict
    """By output role: writes in all runs."""


class ScanMetrics(Collector):
    """The collector, and the fan-out's consumer that feeds it."""

    def __init__(
        self,
        origin: Origin,
        names: Names,
        version: str,
        scan_period_s: float,
        now_s: Callable[[], float],
        extras: Extras | None = None,
    ) -> None:
        """Make a registry of its own.

        Args:
            origin: site, boot and settings for the info metric.
            names: behind the indices of the view.
            version: of the program.
            scan_period_s: [s] What the scan should take from start to start. Process time.
            now_s: [s] Process time; called from the server's thread.
            extras: figures from beside the scan.
        """
        self._origin = origin
        self._names = names
        self._version = version
        self._live_s = max(2.0, LIVE_SCANS * scan_period_s)
        self._now_s = now_s
        self._extras = extras if extras is not None else Extras()
        self._newest: ScanResult | None = None
        self._scans = 0
        self._skipped = 0
        self.registry = CollectorRegistry()
        self._duration = Histogram(
            "crumbmeter_scan_duration_seconds",
            "From latching the image to the end of the hand-over.",
            buckets=DURATION_BUCKETS_S,
            registry=self.registry,
        )
        self._late = Histogram(
            "crumbmeter_scan_lateness_seconds",
            "From when the scan was due to when it began.",
            buckets=DURATION_BUCKETS_S,
            registry=self.registry,
        )
        self.registry.register(self)

    def offer_nowait(self, result: ScanResult) -> bool:
        """Fan-out's side: keep the newest scan and count its times."""
        self._duration.observe(max(0.0, result.ended_s - result.began_s))
        self._late.observe(max(0.0, result.began_s - result.due_s))
        self._scans += 1
        self._skipped += result.skipped
        self._newest = result
        return True

    def renew(self, origin: Origin) -> None:
        """Say from now on that figures come from other settings."""
        self._origin = origin

    def collect(self) -> Iterator[Metric]:
        """Make all metrics of this moment."""
        origin = self._origin
        about = GaugeMetricFamily(
            "crumbmeter_info",
            "Always 1; its labels name the program and the site it runs.",
            labels=("version", "site", "boot", "settings"),
        )
        about.add_metric((self._version, origin.site_id, origin.boot_id, origin.settings_id), 1.0)
        yield about
        yield _gauge("crumbmeter_simulated", "1 where any input comes from a simulator.", float(origin.simulated))
        yield _counter("crumbmeter_scans_total", "Finished scans.", self._scans)
        yield _counter(
            "crumbmeter_scan_slots_skipped_total", "Slots of the timetable that no scan was in time for.", self._skipped
        )
        yield from self._beside()
        result = self._newest
        age_s = None if result is None else max(0.0, self._now_s() - result.began_s)
        live = age_s is not None and age_s <= self._live_s
        yield _gauge("crumbmeter_scan_live", "1 while scans are being finished.", float(live))
        if result is None or age_s is None:
            return
        yield _gauge("crumbmeter_scan_age_seconds", "Process time since the newest scan began.", age_s)
        yield from self._signals(result.view, age_s, live)
        yield from _totals(result.view)
        yield from totaliser_metrics(result.view, self._names)
        if live:
            yield from _values(result.view)
            yield from dose_metrics(result.view)
            yield from _modes(result.view)
            yield from _streams(result.view)
            yield from self._writes(result.view)

    def _signals(self, view: ScanView, age_s: float, live: bool) -> Iterator[Metric]:
        value = GaugeMetricFamily(
            "crumbmeter_signal_value",
            "Settled value, in the unit of the label; absent while Bad.",
            labels=("signal", "unit"),
        )
        quality = GaugeMetricFamily("crumbmeter_signal_quality", "2 Good, 1 Uncertain, 0 Bad.", labels=("signal",))
        age = GaugeMetricFamily(
            "crumbmeter_signal_age_seconds",
            "Since the reply that carried the value; absent where none came.",
            labels=("signal",),
        )
        for name, unit, reading in zip(self._names.signal_ids, self._names.signal_units, view.readings, strict=True):
            quality.add_metric((name,), float(reading.quality) if live else 0.0)
            shown = _shown(reading)
            if shown is not None and live:
                value.add_metric((name, unit), shown)
            if reading.usable or reading.age_s > 0.0:
                age.add_metric((name,), reading.age_s + age_s)
        yield from (value, quality, age)

    def _writes(self, view: ScanView) -> Iterator[Metric]:
        stage = GaugeMetricFamily(
            "crumbmeter_write_stage",
            "1 for the stage that the output's newest value has reached.",
            labels=("output", "stage"),
        )
        for role, status in zip(self._names.output_roles, view.writes, strict=False):
            for each in WriteStage:
                stage.add_metric((role, each.value), float(status.stage is each))
        yield stage

    def _beside(self) -> Iterator[Metric]:
        extras = self._extras
        up = GaugeMetricFamily("crumbmeter_link_connected", "1 while the device's link is up.", labels=("device",))
        exchanges = CounterMetricFamily(
            "crumbmeter_link_exchanges_total", "Exchanges by outcome.", labels=("device", "outcome")
        )
        connects = CounterMetricFamily("crumbmeter_link_connects_total", "Connections made.", labels=("device",))
        writes = CounterMetricFamily("crumbmeter_link_writes_total", "Write requests sent.", labels=("device",))
        for link in extras.links():
            up.add_metric((link.device_id,), float(link.connected))
            connects.add_metric((link.device_id,), link.connects)
            writes.add_metric((link.device_id,), link.writes)
            for outcome, count in link.exchanges.items():
                exchanges.add_metric((link.device_id, outcome), count)
        yield from (up, exchanges, connects, writes)
        yield from unit_metrics(extras.units())
        lost = CounterMetricFamily(
            "crumbmeter_consumer_lost_total", "Scans that a consumer lost.", labels=("consumer", "why")
        )
        for consumer, (dropped, faults) in extras.losses().items():
            lost.add_metric((consumer, "no room"), dropped)
            lost.add_metric((consumer, "fault"), faults)
        yield lost
        yield from write_metrics(extras.writes())
        for name, total in extras.counters().items():
            yield _counter(name, f"{_words(name)} since the start.", total)
        for name, level in extras.gauges().items():
            yield _gauge(name, f"{_words(name)} now.", level)


def _shown(reading: Reading) -> float | None:
    return finite(reading.value) if reading.quality is not Quality.BAD else None


def _words(name: str) -> str:
    return name.removeprefix("crumbmeter_").removesuffix("_total").replace("_", " ").capitalize()


def _factor(name: str) -> float:
    """Return what takes the view's SI value to the metric's unit."""
    return GRAMS if "_grams" in name else 1.0


def _gauge(name: str, text: str, value: float) -> Metric:
    return GaugeMetricFamily(name, text, value)


def _counter(name: str, text: str, value: float) -> Metric:
    return CounterMetricFamily(name, text, value)


def _values(view: ScanView) -> Iterator[Metric]:
    for name, text, key in PLAIN:
        value = finite(getattr(view, key))
        if value is not None:
            yield _gauge(name, text, value * _factor(name))
    for name, text, key in READ:
        shown = _shown(getattr(view, key))
        if shown is not None:
            yield _gauge(name, text, shown * _factor(name))
    if view.fed.usable and finite(view.fed_uncertainty_kg_s) is not None:
        yield _gauge(
            "crumbmeter_fed_uncertainty_grams_per_second",
            "Standard uncertainty of the feed (k=1).",
            view.fed_uncertainty_kg_s * GRAMS,
        )


def _modes(view: ScanView) -> Iterator[Metric]:
    yield _gauge(
        "crumbmeter_control_enabled", "1 while control is enabled; 0 in monitor only.", float(view.control_enabled)
    )
    yield _gauge("crumbmeter_in_service", "1 while the operator has the feed in service.", float(view.in_service))
    state = GaugeMetricFamily("crumbmeter_run_state", "1 for the present run state.", labels=("state",))
    state.add_metric((str(view.run_state),), 1.0)
    mix = GaugeMetricFamily("crumbmeter_mix_selected", "1 for the mix chosen.", labels=("mix", "basis"))
    mix.add_metric((view.mix_id, str(view.dose_basis)), 1.0)
    alarm = GaugeMetricFamily(
        "crumbmeter_alarm_active", "1 for each alarm that is not normal.", labels=("alarm", "state")
    )
    for item in view.alarms:
        alarm.add_metric((item.alarm_id, str(item.state)), 1.0)
    narrowed = GaugeMetricFamily(
        "crumbmeter_setpoint_narrowed", "1 for each stage that narrowed the setpoint.", labels=("stage",)
    )
    for stage in dict.fromkeys(stage for stage, _ in view.narrowed):
        narrowed.add_metric((stage,), 1.0)
    permissive = GaugeMetricFamily(
        "crumbmeter_permissive_met", "1 where met; absent where not known.", labels=("permissive",)
    )
    for need in view.permissives:
        if need.met is not None:
            permissive.add_metric((need.name,), float(need.met))
    yield from (state, mix, alarm, narrowed, permissive)


def _streams(view: ScanView) -> Iterator[Metric]:
    dry = GaugeMetricFamily("crumbmeter_stream_dry_grams_per_second", "Dry flow at the scale.", labels=("stream",))
    there = GaugeMetricFamily(
        "crumbmeter_stream_at_injection_grams_per_second",
        "Dry flow passing the injection point.",
        labels=("stream",),
    )
    for item in view.streams:
        if item.rate.usable:
            dry.add_metric((item.stream_id,), item.dry_kg_s * GRAMS)
        there.add_metric((item.stream_id,), item.at_injection_kg_s * GRAMS)
    yield from (dry, there)


def _totals(view: ScanView) -> Iterator[Metric]:
    totals = view.totals
    yield _counter("crumbmeter_rubber_grams_total", "Rubber in booked parcels; never reset.", totals.rubber_g)
    yield _counter("crumbmeter_rubber_target_grams_total", "Rubber that the dose asked for.", totals.target_rubber_g)
    yield _counter("crumbmeter_mix_grams_total", "All mix in booked parcels.", totals.mix_g)
    yield _counter("crumbmeter_mix_with_dose_grams_total", "Mix meant to carry rubber.", totals.mix_with_dose_g)
    yield _counter("crumbmeter_parcels_total", "Booked parcels.", totals.parcels)
    yield _counter("crumbmeter_wasted_mix_grams_total", "Mix that was dumped, with its rubber.", totals.wasted_mix_g)
    yield _counter("crumbmeter_wasted_rubber_grams_total", "Rubber in it; in no parcel.", totals.wasted_rubber_g)
