"""The card for feeding by hand: worked figures, the core's own numbers, and what there is no card of."""

import json
from pathlib import Path
from typing import Any

import pytest

from crumbmeter.cli.card import card
from crumbmeter.control.plant import move
from crumbmeter.model.reading import good
from crumbmeter.site import load
from tests.closed_loop import ROOT, loop_for

SITES = ROOT / "config" / "sites"


def told(capsys: pytest.CaptureFixture[str], site: str, factor: float | None = None) -> list[dict[str, Any]]:
    assert card(SITES / f"{site}.toml", factor, as_json=True) == 0
    made: list[dict[str, Any]] = json.loads(capsys.readouterr().out)
    return made


def test_ten_pounds_a_short_ton_by_hand(capsys: pytest.CaptureFixture[str]) -> None:
    """Rubber is 0.5 % of the mix with it: 200 x 2000 lb/h of mix without it take 200 x 2000 x 0.005 / 0.995 lb/h."""
    (row,) = [row for row in told(capsys, "demo_drum")[0]["rows"] if row["mix"] == 200.0]
    lb_min = 200.0 * 2000.0 * 0.005 / 0.995 / 60.0
    assert row["rubber_kg_s"] * 60.0 / 0.45359237 == pytest.approx(lb_min, rel=1e-12)
    assert row["auger_rpm"] == pytest.approx(lb_min * 0.45359237 / 0.9, rel=1e-12)
    assert card(SITES / "demo_drum.toml") == 0
    assert f"          200   {lb_min:.2f}        16.9\n" in capsys.readouterr().out


def test_the_core_asks_for_the_same(capsys: pytest.CaptureFixture[str]) -> None:
    """A core that sees the plant run steadily at a rate of the card wants what stands on the card."""
    loop = loop_for("refill")
    site = load(SITES / "demo_drum.toml")
    params, mix = site.params, site.params.mixes[0]
    readings = list(loop.scan().view.readings)
    places = {signal.signal_id: place for place, signal in enumerate(params.signals)}
    for name in ("drum_turning", "aggregate_belt_running", "recycle_belt_running"):
        readings[places[name]] = good(1.0)
    readings[places["drum_speed"]] = good(params.drum.nominal_speed_rev_s)
    aggregate, recycle, binder = params.streams
    dry = []
    for stream, flow_kg_s in zip((aggregate, recycle), site.normal.flows_kg_s, strict=False):
        assert flow_kg_s is not None
        assert stream.belt_speed is not None
        readings[stream.rate] = good(flow_kg_s)
        readings[stream.belt_speed] = good(stream.nominal_belt_speed_m_s)
        dry.append(flow_kg_s / (1.0 + stream.moisture))
    # Total binder is a share of the mix, and recycle brings some of it along.
    content = mix.total_binder_content
    binder_kg_s = (content * sum(dry) - dry[1] * recycle.binder_content) / (1.0 - content)
    readings[binder.rate] = good(binder_kg_s)
    plant = loop.state.plant
    for _ in range(3000):
        plant, demand = move(plant, params, mix, tuple(readings), 0.2)
    rate_short_ton_h = (sum(dry) + binder_kg_s) / 2000.0 / 0.45359237 * 3600.0
    rows = told(capsys, "demo_drum")[0]["rows"]
    per_mix = {row["rubber_kg_s"] / row["mix"] for row in rows}
    assert max(per_mix) == pytest.approx(min(per_mix), rel=1e-12)
    assert demand.wanted_kg_s == pytest.approx(max(per_mix) * rate_short_ton_h, rel=1e-3)


def test_what_the_feeder_cannot_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    """A tenth of the feed factor asks for ten times the speed."""
    rows = told(capsys, "demo_drum", 0.09)[0]["rows"]
    assert not any(row["can"] for row in rows)
    assert card(SITES / "demo_drum.toml", 0.09) == 0
    assert "the feeder cannot" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("site", "factor", "said"),
    [("demo_batch", None, "no card"), ("demo_drum", 0.0, "--factor 0: expected"), ("demo_drum", float("nan"), "nan")],
)
def test_there_is_no_card(capsys: pytest.CaptureFixture[str], site: str, factor: float | None, said: str) -> None:
    assert card(SITES / f"{site}.toml", factor) == 2
    assert said in capsys.readouterr().err


def test_a_site_with_mistakes_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    assert card(Path("tests/cases/site/five_mistakes/site.toml")) == 2
    assert "5 problems" in capsys.readouterr().err
