"""Quality plans and pay tables: the demonstration's are read whole, and every mistake is told with file and line."""

import dataclasses
from decimal import Decimal
from pathlib import Path

import pytest

from crumbmeter.qc.lots import By
from crumbmeter.qc.pay import pay_factor
from crumbmeter.qc.within import Basis, within_limits
from crumbmeter.site import Site, SiteRefusedError, load
from crumbmeter.site.pay import load_pay_table
from crumbmeter.site.quality import load_quality_plan

ROOT = Path(__file__).parents[3]
SHORT_TON_G = 907_184.74


@pytest.fixture(scope="module")
def site() -> Site:
    return load(ROOT / "config/sites/demo_drum.toml")


def with_plan(site: Site, path: Path | None) -> Site:
    return dataclasses.replace(site, desk=dataclasses.replace(site.desk, quality_plan=path))


def test_the_plan_of_the_demonstration(site: Site) -> None:
    plan = load_quality_plan(with_plan(site, ROOT / "config/quality/demo_drum.toml"))
    assert (plan.lots.by, plan.lots.lot_g) == (By.TONNES, round(2000 * SHORT_TON_G))
    assert plan.deviations.window_g == round(5 * SHORT_TON_G)
    assert [silo.silo_id for silo in plan.silos] == ["north", "south"]
    assert str(plan.calendar.zone) == "America/Denver"
    assert plan.pay is not None
    assert plan.pay.rows[1].slope == Decimal("0.5")
    assert len(plan.plan_id) == 64


def test_a_site_without_a_plan_has_the_tolerance_of_its_alarm(site: Site) -> None:
    plan = load_quality_plan(with_plan(site, None))
    assert (plan.lots.by, plan.plan_id, plan.silos) == (By.DAY, "", ())
    assert plan.deviations.within == site.params.tolerance.alarm
    assert plan.deviations.window_g == round(site.params.tolerance.window_kg * 1000.0)


def test_every_mistake_is_told_at_once(site: Site, tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_text(
        'diverter = "no_such_signal"\nspecification = "gone.toml"\n[calendar]\ntime_zone = "Mars/Base"\n'
        'shift_begins = ["06:00", "06:00"]\n[lots]\nby = "mass"\n[silos.a]\ncode = 1\ncapacity_tonne = 1.0\n'
        "mixing_tonne = 1.0\n[silos.b]\ncode = 1\ncapacity_tonne = 1.0\nmixing_tonne = 1.0\n"
        '[properties.voids]\ntest = "air voids"\nfigure = "voids"\n'
    )
    with pytest.raises(SiteRefusedError) as refused:
        load_quality_plan(with_plan(site, path))
    found = {(problem.key, problem.code) for problem in refused.value.problems}
    assert found == {
        ("diverter", "no-such-signal"), ("specification", "file-not-there"), ("calendar.time_zone", "not-one-of"),
        ("calendar.shift_begins", "bad-form"), ("lots.lot_tonne", "missing-key"), ("silos", "out-of-range"),
        ("properties.voids.figure", "not-one-of"), ("properties.voids", "missing-key"),
    }  # fmt: skip
    assert {problem.file for problem in refused.value.problems} == {path.as_posix()}


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("[lots]\nby = 'ton'\n", "not-one-of"), ("[calendar]\nday_begins = '6:00'\n", "bad-form"),
        ("x = 1\n", "unknown-key"),
        ("[lots]\nlot_tonne = 10.0\nsublot_tonne = 20.0\n", "out-of-range"),
        ("[tickets]\nmqtt_topic = 'a b'\n", "bad-form"),
    ],
)  # fmt: skip
def test_single_mistakes(site: Site, tmp_path: Path, text: str, code: str) -> None:
    path = tmp_path / "plan.toml"
    path.write_text(text)
    with pytest.raises(SiteRefusedError) as refused:
        load_quality_plan(with_plan(site, path))
    assert [problem.code for problem in refused.value.problems] == [code]


def test_mistakes_in_several_tables_are_told_together(site: Site, tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_text(
        "[lots]\nby = 'tonnage'\n[silos.a]\nmixing_tonne = 5.0\n[silos.b]\ncapacity_tonne = 1.0\nmixing_tonne = 1.0\n"
        "mixing_short_ton = 1.0\n[bags]\neach_percent = -1.0\n"
    )
    with pytest.raises(SiteRefusedError) as refused:
        load_quality_plan(with_plan(site, path))
    assert {(problem.key, problem.code) for problem in refused.value.problems} == {
        ("lots.by", "not-one-of"), ("silos.a.capacity", "missing-key"), ("silos.b.mixing_short_ton", "two-units"),
        ("bags.each_percent", "out-of-range"),
    }  # fmt: skip


def test_a_pay_table_is_exact_in_the_decimals_of_its_file() -> None:
    table = load_pay_table(ROOT / "config/pay/demo.toml")
    made = within_limits([3.0, 3.4, 3.8, 4.2, 3.6], 2.0, 5.0, basis=Basis.RANDOM_SAMPLES)
    factor = pay_factor(made, table)
    assert made.pwl_percent == pytest.approx(100.0, abs=0.2)
    assert factor.percent == Decimal("102.0")  # 55 + 0.5 x 100 is 105, and no factor is above 102


def test_a_pay_table_that_begins_above_nothing_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "pay.toml"
    path.write_text('[table]\nname = "a"\nsource = "b"\n[[rows]]\nfrom_pwl_percent = 10.0\noutcome = "replace"\n')
    with pytest.raises(SiteRefusedError, match="PWL 0"):
        load_pay_table(path)
