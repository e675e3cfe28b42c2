"""/metrics over HTTP, as a scraper sees it, and the judgement of Prometheus' own tool on it."""

import shutil
import subprocess
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families

from crumbmeter.adapters.metrics_server import MetricsServer
from crumbmeter.adapters.prometheus import Extras, LinkFigures, ScanMetrics
from crumbmeter.model.quality import Reason
from crumbmeter.model.reading import bad
from tests.unit.outward.samples import NAMES, ORIGIN, scan

PROMTOOL = shutil.which("promtool")
skip = pytest.mark.skipif(PROMTOOL is None, reason="promtool is not installed (Debian package prometheus)")


class Bench:
    """A served collector whose clock the test holds."""

    def __init__(self) -> None:
        self.now_s = 100.0
        extras = Extras(
            links=lambda: (
                LinkFigures("feeder", connected=True, exchanges={"ok": 12, "timeout": 1}, connects=2, writes=5),
            ),
            counters=lambda: {"crumbmeter_journal_appended_total": 40.0},
            gauges=lambda: {
                "crumbmeter_journal_size_bytes": 4096.0,
                "crumbmeter_journal_wal_bytes": 4120.0,
                "crumbmeter_backup_age_seconds": 3600.0,
            },
            losses=lambda: {"recorder": (3, 1)},
        )
        self.metrics = ScanMetrics(ORIGIN, NAMES, "0.1.0", 0.2, lambda: self.now_s, extras)
        self.server = MetricsServer(self.metrics, "127.0.0.1", 0)

    def body(self) -> str:
        with urllib.request.urlopen(f"http://127.0.0.1:{self.server.port}/metrics", timeout=5) as reply:
            text: str = reply.read().decode()
            return text

    def samples(self) -> dict[str, float]:
        return {
            sample.name + "".join(f"|{key}={value}" for key, value in sorted(sample.labels.items())): sample.value
            for family in text_string_to_metric_families(self.body())
            for sample in family.samples
        }


@pytest.fixture
def bench() -> Iterator[Bench]:
    made = Bench()
    yield made
    made.server.close()


def test_before_the_first_scan_there_is_no_process_value(bench: Bench) -> None:
    samples = bench.samples()
    assert samples["crumbmeter_scan_live"] == 0
    assert samples["crumbmeter_scans_total"] == 0
    assert not [name for name in samples if "grams" in name or "signal" in name]


def test_values_quality_and_age_come_from_the_newest_scan(bench: Bench) -> None:
    bench.metrics.offer_nowait(scan(1))
    bench.metrics.offer_nowait(scan(2, setpoint_kg_s=0.31))
    bench.now_s = 100.5
    samples = bench.samples()
    assert samples["crumbmeter_setpoint_grams_per_second"] == 310.0
    assert samples["crumbmeter_scans_total"] == 2
    assert samples["crumbmeter_signal_value|signal=belt_rate|unit=kg/s"] == 51.5
    assert samples["crumbmeter_signal_quality|signal=belt_rate"] == 2
    assert samples["crumbmeter_signal_age_seconds|signal=belt_rate"] == pytest.approx(0.6)
    assert samples["crumbmeter_rubber_grams_total"] == 125_000
    assert samples["crumbmeter_scan_lateness_seconds_sum"] == pytest.approx(0.002)
    assert samples["crumbmeter_link_exchanges_total|device=feeder|outcome=timeout"] == 1
    assert samples["crumbmeter_journal_appended_total"] == 40
    assert samples["crumbmeter_consumer_lost_total|consumer=recorder|why=no room"] == 3


def test_bad_values_are_absent_and_their_quality_is_there(bench: Bench) -> None:
    bench.metrics.offer_nowait(scan(1))
    assert "crumbmeter_fed_grams_per_second" in bench.samples()
    bench.metrics.offer_nowait(scan(2, fed=bad(Reason.STALE, 12.0)))
    samples = bench.samples()
    assert "crumbmeter_fed_grams_per_second" not in samples
    assert "crumbmeter_fed_uncertainty_grams_per_second" not in samples
    assert "crumbmeter_supply_mass_grams" not in samples
    assert not [name for name in samples if name.startswith("crumbmeter_signal_value") and "hopper_mass" in name]
    assert samples["crumbmeter_signal_quality|signal=hopper_mass"] == 0
    assert samples["crumbmeter_signal_age_seconds|signal=hopper_mass"] == pytest.approx(12.0)


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_numbers_that_are_not_finite_are_absent(bench: Bench, value: float) -> None:
    bench.metrics.offer_nowait(scan(1, setpoint_kg_s=value, window_dose=None))
    samples = bench.samples()
    assert "crumbmeter_setpoint_grams_per_second" not in samples
    assert "crumbmeter_window_dose_ratio" not in samples
    assert "crumbmeter_wanted_grams_per_second" in samples


def test_a_scan_that_stopped_leaves_no_value_behind(bench: Bench) -> None:
    bench.metrics.offer_nowait(scan(1))
    bench.now_s = 103.0
    samples = bench.samples()
    assert samples["crumbmeter_scan_live"] == 0
    assert samples["crumbmeter_scan_age_seconds"] == pytest.approx(3.0)
    assert "crumbmeter_setpoint_grams_per_second" not in samples
    assert not [name for name in samples if name.startswith("crumbmeter_signal_value")]
    assert samples["crumbmeter_signal_quality|signal=belt_rate"] == 0
    assert samples["crumbmeter_rubber_grams_total"] == 125_000


@pytest.mark.promtool
@skip
@pytest.mark.parametrize("scans", [0, 3])
def test_promtool_accepts_names_help_and_form(bench: Bench, scans: int) -> None:
    for number in range(scans):
        bench.metrics.offer_nowait(scan(number))
    assert PROMTOOL is not None
    judged = subprocess.run(
        [PROMTOOL, "check", "metrics"], input=bench.body(), text=True, capture_output=True, check=False
    )
    assert (judged.returncode, judged.stdout + judged.stderr) == (0, "")


@pytest.mark.promtool
@skip
def test_alert_rules_are_valid_and_fire(repo_root: Path) -> None:
    assert PROMTOOL is not None
    rules = repo_root / "deploy" / "prometheus-rules.yml"
    checked = subprocess.run([PROMTOOL, "check", "rules", str(rules)], text=True, capture_output=True, check=False)
    assert checked.returncode == 0, checked.stdout + checked.stderr
    cases = repo_root / "tests" / "cases" / "prometheus" / "rules_test.yml"
    tried = subprocess.run([PROMTOOL, "test", "rules", str(cases)], text=True, capture_output=True, check=False)
    assert tried.returncode == 0, tried.stdout + tried.stderr


def test_alert_rules_name_only_metrics_that_exist(
    bench: Bench, repo_root: Path, metric_words: Callable[[str], set[str]]
) -> None:
    bench.metrics.offer_nowait(scan(1))
    families = text_string_to_metric_families(bench.body())
    served = {name for family in families for name in (family.name, *(sample.name for sample in family.samples))}
    assert metric_words((repo_root / "deploy" / "prometheus-rules.yml").read_text("utf-8")) <= served


@pytest.fixture
def metric_words() -> Callable[[str], set[str]]:
    import re  # noqa: PLC0415 - only here

    return lambda text: set(re.findall(r"\bcrumbmeter_[a-z0-9_]+", text))
