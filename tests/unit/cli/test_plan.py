"""`crumbmeter plan`, end to end: terminal, JSON and a PDF of two pages, from the example and from harder jobs."""

import json
import re
import zlib
from pathlib import Path
from typing import Any

import pytest

from crumbmeter.cli.plan import plan
from crumbmeter.planning.job import plan as make_plan
from crumbmeter.report.pdf import pictures
from crumbmeter.report.plan import plan_document
from crumbmeter.report.terminal import WIDTH
from crumbmeter.site.job import load_job

ROOT = Path(__file__).parents[3]
EXAMPLE = ROOT / "config/jobs/imaginary_flats.toml"
SITE = ROOT / "config/sites/demo_drum.toml"


def hard(folder: Path) -> Path:
    """Write the largest job that is taken, with as much in it that fails as one can."""
    text = EXAMPLE.read_text("utf-8")
    mixes = "".join(
        f'[mixes.another_course_{number}]\ntitle = "Another course with a name that is rather long, {number}"\n'
        f'mass_short_ton = 500.0\ndose_basis = "virgin_binder"\ndose_percent = {8 + number}.0\n'
        "total_binder_percent = 5.0\n"
        for number in range(2)
    )
    load = '[[loads]]\nname = "Another load"\npower_kw = 3.0\nvoltage_v = 480.0\nphases = 3\npower_factor = 0.8\n'
    for old, new in (
        ("[bags]", f"{mixes}[bags]"),
        ("[supply]", f"{load}{load}[supply]"),
        ("refill_rate_lb_min = 480.0", "refill_rate_lb_min = 40.0"),
        ("supply_low_lb = 700.0", "supply_low_lb = 1200.0"),
        ("calibrated_high_rpm = 55.0", "calibrated_high_rpm = 20.0"),
        ("change_min = 12.0", "change_min = 50.0"),
        ("max_rate_lb_min = 115.0", "max_rate_lb_min = 30.0"),
        ("modified_binder_per_short_ton = 760.0", "modified_binder_per_short_ton = 460.0"),
        ("most_psi = 3.0", "most_psi = 0.5"),
        ("blower_inlet_m3_h = 1080.0", "blower_inlet_m3_h = 500.0"),
        ("motor_kw = 18.5", "motor_kw = 1.0"),
        ("inner_diameter_mm = 102.3", "inner_diameter_mm = 150.0"),
    ):
        assert old in text
        text = text.replace(old, new)
    path = folder / "hard.toml"
    path.write_text(text, "utf-8")
    return path


def pages(file: bytes) -> int:
    """Count the pages that a PDF's objects name, also those inside its compressed streams."""
    streams = []
    for found in re.finditer(rb"stream\r?\n", file):
        try:
            streams.append(zlib.decompressobj().decompress(file[found.end() :]))
        except zlib.error:
            continue
    return sum(len(re.findall(rb"/Type\s*/Page\b", part)) for part in (file, *streams))


def told(capsys: pytest.CaptureFixture[str], job: Path, code: int, site: Path | None = None) -> dict[str, Any]:
    assert plan(job, site, as_json=True) == code
    made: dict[str, Any] = json.loads(capsys.readouterr().out)
    return made


def rows(made: dict[str, Any], title: str) -> list[list[Any]]:
    (found,) = [block["rows"] for block in made["blocks"] if block["block"] == "table" and block["title"] == title]
    return found  # type: ignore[no-any-return]


def test_the_terminal_has_what_fails_on_top(capsys: pytest.CaptureFixture[str]) -> None:
    assert plan(EXAMPLE) == 1
    said = capsys.readouterr().out
    places = [said.index(f"Checks that {verdict}") for verdict in ("fail", "cannot be judged", "pass")]
    assert places == sorted(places)
    assert "17 checks: 2 fail, 1 cannot be judged, 14 pass" in said
    assert "*** INVENTED EXAMPLE ***" in said
    assert "make this mix at 260 short ton/h or more" in said
    assert "No saving of CO2 is claimed" in said
    assert "software stop is not lock-out" in said
    assert max(map(len, said.splitlines())) <= WIDTH


def test_json_holds_the_same_figures(capsys: pytest.CaptureFixture[str]) -> None:
    made = told(capsys, EXAMPLE, 1)
    assert [row[0] for row in rows(made, "Checks that fail")] == ["lowest auger speed", "electric supply"]
    assert rows(made, "Checks that cannot be judged")[0][0] == "pressure drop"
    hour = rows(made, "Rubber by the hour")[1]
    assert hour[:5] == ["surface", "typical", 250.0, 2500.0, 41.67]
    facts = {fact["label"]: fact["value"] for block in made["blocks"] for fact in block.get("facts", [])}
    # 12000 short ton at 10 lb; 6000 at 6 % of 4.6 % of the mix without rubber
    ratio = 0.06 * 0.046
    rubber_lb = 120_000.0 + 12_000_000.0 * ratio / (1.0 + ratio)
    assert facts["Rubber in the mix"] == pytest.approx(rubber_lb, abs=0.5)
    assert (facts["Bags in all"], facts["Bags to be ordered"], facts["Trucks of bags"]) == (79, 67, 4)
    assert rubber_lb * 1.02 / 2000.0 == pytest.approx(78.04, abs=0.01)


def test_the_pdf_has_two_pages(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for number, job in enumerate((EXAMPLE, hard(tmp_path))):
        file = tmp_path / f"plan{number}.pdf"
        assert plan(job, None, file) == 1
        assert file.read_bytes().startswith(b"%PDF-")
        assert pages(file.read_bytes()) == 2
        assert str(file) in capsys.readouterr().out


def test_the_pages_on_a4(tmp_path: Path) -> None:
    """The same in metric units: a narrower, longer page."""
    path = tmp_path / "metric.toml"
    path.write_text(hard(tmp_path).read_text("utf-8").replace('units = "us"', 'units = "metric"'), "utf-8")
    inputs = load_job(path)
    document = plan_document(inputs, make_plan(inputs.job))
    assert document.metric
    assert len(pictures(document)) == 2


def test_a_hard_job_fails_and_says_what_to_do(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    failing = rows(told(capsys, hard(tmp_path), 1), "Checks that fail")
    assert len(failing) >= 14
    assert all(remedy for *_, remedy in failing)
    by_name = {row[0]: row for row in failing}
    assert by_name["refill time"][1] == "never ends"
    assert by_name["refill rate"][1:3] == ["40.0 lb/min", "≥ 53.3 lb/min"]


def test_a_job_that_knows_little_is_judged_little(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = EXAMPLE.read_text("utf-8")
    for table, following in (("[feeder]", "[line]"), ("[line]", "[[loads]]"), ("[[loads]]", "[prices]")):
        begin, end = text.index(table), text.index(following)
        text = text[:begin] + text[end:]
    path = tmp_path / "little.toml"
    path.write_text(text[: text.index("[prices]")], "utf-8")
    made = told(capsys, path, 0)
    open_checks = {row[0]: row[4] for row in rows(made, "Checks that cannot be judged")}
    assert open_checks["lowest auger speed"] == "Not known: feeder.feed_factor, feeder.calibrated_low_rpm."
    assert open_checks["dry route's cost"] == "Not known: prices."
    assert not [block for block in made["blocks"] if block["title"] in ("Checks that fail", "Cost", "Electric loads")]
    assert [row[5] for row in rows(made, "Rubber by the hour")] == [None] * 6
    assert plan(path, SITE) == 0
    said = capsys.readouterr().out
    assert "SIMULATE" in said
    assert "Taken from the site file" in said
    assert "26.9 rpm" in said


def test_files_are_refused_with_their_place(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "bad.toml"
    path.write_text(EXAMPLE.read_text("utf-8").replace("a_truck = 20", 'a_truck = "many"'), "utf-8")
    assert plan(path) == 2
    said = capsys.readouterr().err
    assert "bags.a_truck" in said
    assert "must be a whole number" in said
    assert plan(EXAMPLE, ROOT / "config/sites/demo_batch.toml") == 2
    assert "batch plant" in capsys.readouterr().err
    assert plan(EXAMPLE, None, tmp_path / "plan.docx") == 2
    assert "pdf or json" in capsys.readouterr().err
    assert plan(EXAMPLE, None, tmp_path / "gone" / "plan.pdf") == 2
    assert "not written" in capsys.readouterr().err


def test_the_json_file_is_the_content_of_the_pdf(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "plan.json"
    assert plan(EXAMPLE, None, file) == 1
    capsys.readouterr()
    assert json.loads(file.read_bytes()) == told(capsys, EXAMPLE, 1)
