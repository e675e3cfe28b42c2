"""`crumbmeter run` says at its start where every value is on the wire, and nothing of a site that is refused."""

from pathlib import Path

import pytest

from crumbmeter.cli.run import run, start_text
from crumbmeter.site import load

ROOT = Path(__file__).parents[3]


def test_the_table_has_every_signal_and_every_output() -> None:
    site = load(ROOT / "config/sites/demo_drum.toml")
    lines = [line.split() for line in start_text(site).splitlines()]
    named = {line[0] for line in lines[2:]}
    assert {signal.signal_id for signal in site.params.signals} <= named
    assert {output.role for output in site.params.outputs} <= named
    assert ["recycle_flow", "recycle_scale", "1", "03", "100", "0064", "2", "f32", "CDAB"] in lines
    assert ["binder_flow", "binder_meter", "1", "04", "16", "0010", "2", "i32", "BADC"] in lines
    assert max(map(len, start_text(site).splitlines())) <= 100


def test_a_refused_site_is_not_explained(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(ROOT / "tests/cases/site/five_mistakes/site.toml") == 2
    out, error = capsys.readouterr()
    assert out == ""
    assert "5 problems" in error
